"""Assess a holder: `manage.py assess FILE [--json]`."""

import json
import sys
from pathlib import Path

from django.core.management.base import BaseCommand

from facility.errors import Refused
from samples import geometry, heights, risks
from samples.layout import read_document, read_layout
from samples.matter.declared import surroundings_of

DECIMALS = 4


class Command(BaseCommand):
    help = "Say what could go wrong with a holder: the findings on a layout document."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path, metavar="FILE", help="the layout, a JSON document")
        parser.add_argument("--json", action="store_true", help="print one JSON document")

    def handle(self, *, file, **options):
        try:
            document = read_document(file.read_bytes())
            layout = read_layout(document)
            findings = risks.assess(layout, surroundings_of(document))
        except OSError as problem:
            self.refuse(f"{file} cannot be read: {problem.strerror or problem}.")
        except ValueError as problem:  # a file name that holds a NUL
            self.refuse(f"{str(file)!r} cannot be read: {problem}.")
        except Refused as refusal:
            self.refuse(str(refusal))
        if options["json"]:
            self.stdout.write(json.dumps(as_json(layout, findings), allow_nan=False))
        else:
            self.stdout.write("\n".join(in_words(layout, findings)))

    def refuse(self, sentence):
        self.stderr.write(" ".join(sentence.split()), self.style.NOTICE)
        sys.exit(2)


def as_json(layout, findings):
    """The findings, gaps and heights as the outside contract has them."""
    found = heights.heights(layout)
    return {
        "findings": [
            {
                "rule": one.rule,
                "mounts": list(one.about),
                "severity": one.severity,
                "value": one.value,
                "limit": one.limit,
                "unit": one.unit,
                "says": f"{one.says} {one.do}".strip(),
                "source": one.source,
            }
            for one in findings
        ],
        "gaps_mm": {
            f"{one}|{other}": round(gap, DECIMALS)
            for (one, other), gap in geometry.gaps(layout).items()
        },
        "height": {"z_focus_mm": found.focus_mm, "z_max_mm": found.max_mm},
    }


def in_words(layout, findings):
    """The findings for people, line by line, gravest first; then the height limit."""
    if not findings:
        count = len(layout.mounts)
        yield f"Nothing found on {count} mount{'s' if count != 1 else ''}."
    for one in findings:
        yield f"{one.severity:<5} {one.rule}  {one.says} {one.do}".rstrip()
    found = heights.heights(layout)
    if found.max_mm is not None:
        yield f"Stage limit: {found.formula} mm. This checks typing; set the stage's own limit too."
