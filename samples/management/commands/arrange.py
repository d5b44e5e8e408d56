"""Arrange a holder: `manage.py arrange FILE [--json]`."""

import json
import sys
from dataclasses import replace
from pathlib import Path

from django.core.management.base import BaseCommand

from facility.errors import Refused
from samples import geometry
from samples.arrangement import Impossible, arrange
from samples.layout import read_document, read_layout
from samples.matter.declared import surroundings_of
from samples.risks.neighbours import wanted_apart


class Command(BaseCommand):
    help = "Give every sample of a layout document its place on the holder."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path, metavar="FILE", help="the layout, a JSON document")
        parser.add_argument("--json", action="store_true", help="print one JSON document")

    def handle(self, *, file, **options):
        try:
            document = read_document(file.read_bytes())
            layout = read_layout(document, placed=False)
            wanted = wanted_apart(_in_the_middle(layout), surroundings_of(document))
        except OSError as problem:
            self.refuse(f"{file} cannot be read: {problem.strerror or problem}.")
        except ValueError as problem:  # a file name that holds a NUL
            self.refuse(f"{str(file)!r} cannot be read: {problem}.")
        except Refused as refusal:
            self.refuse(str(refusal))
        found = arrange(layout, wanted=wanted)
        if isinstance(found, Impossible):
            self.stdout.write(json.dumps(_why(found)) if options["json"] else found.says)
            sys.exit(1)
        if options["json"]:
            self.stdout.write(json.dumps(filled_in(document, found), allow_nan=False))
        else:
            self.stdout.write("\n".join(in_words(found)))

    def refuse(self, sentence):
        self.stderr.write(" ".join(sentence.split()), self.style.NOTICE)
        sys.exit(2)


def filled_in(document, layout):
    """The same document with x, y and rotation of every footprint."""
    rows = []
    for row, mount in zip(document["mounts"], layout.mounts, strict=True):
        spot = mount.footprint
        place = {"x_mm": spot.x_mm, "y_mm": spot.y_mm, "rotation_deg": spot.rotation_deg}
        rows.append(row | {"footprint": row["footprint"] | place})
    return document | {"mounts": rows}


def in_words(layout):
    """One line a sample, then the smallest gap."""
    for mount in layout.mounts:
        spot = mount.footprint
        turned = f", turned by {spot.rotation_deg:.1f}°" if spot.rotation_deg else ""
        yield f"{mount.id}  x {spot.x_mm:.2f} mm, y {spot.y_mm:.2f} mm{turned}"
    gaps = geometry.gaps(layout)
    if gaps:
        one, other = min(gaps, key=gaps.get)
        yield f"Smallest gap {gaps[one, other]:.2f} mm, between {one} and {other}."


def _why(impossible):
    return {
        "possible": False,
        "proved": impossible.proved,
        "says": impossible.says,
        "would_fit_with": {
            "min_gap_mm": impossible.gap_mm,
            "usable_area_wider_mm": impossible.grow_mm and round(2 * impossible.grow_mm, 3),
            "without": list(impossible.leave_out),
        },
    }


def _in_the_middle(layout):
    """All mounts at one spot, for rules that read a layout with places but do not ask where."""
    mounts = (replace(mount, footprint=mount.footprint.at(0.0, 0.0)) for mount in layout.mounts)
    return replace(layout, mounts=tuple(mounts))
