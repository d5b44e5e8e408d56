"""Reads of the bench: a holder as a layout document, a free spot on it, what it carried before."""

import math

from facility.findings import STOP, Finding
from samples import drawing, layout
from samples.models import Mount

TAPE_MM = {
    # what lies under a sample that is taped or pressed on; nominal total thickness of common double-sided tapes, common practice, no source
    "copper tape": 0.08,
    "carbon tape": 0.16,
    "indium foil": 0.10,
    "gold foil": 0.05,
    "aluminium foil": 0.02,
}


def footprint_of(sample, *, x_mm=None, y_mm=None, rotation_deg=0.0):
    """The footprint of a sample in the layout document's words."""
    size = (
        {"shape": "disc", "diameter_mm": sample.diameter_mm}
        if sample.shape == "disc"
        else {
            "shape": "rectangle",
            "width_mm": sample.width_mm,
            "height_mm": sample.height_mm,
            "rotation_deg": rotation_deg,
        }
    )
    return size if x_mm is None else size | {"x_mm": x_mm, "y_mm": y_mm}


def holder_document(holder):
    """A holder's type in the layout document's words."""
    kind = holder.type
    size = (
        {"diameter_mm": kind.diameter_mm}
        if kind.shape == "disc"
        else {"width_mm": kind.width_mm, "height_mm": kind.height_mm}
    )
    return {
        "shape": kind.shape,
        **size,
        "edge_margin_mm": kind.edge_margin_mm,
        "max_thickness_mm": kind.max_thickness_mm,
    }


def mounts_of(holder, moment=None):
    """Mounts that stand now, or stood at `moment`, in order of position."""
    found = holder.mounts.standing() if moment is None else holder.mounts.at(moment)
    return list(found.select_related("sample__owner", "sample__group", "by").order_by("position"))


def mount_document(mount):
    """One mount in the layout document's words; what is not known is left out."""
    sample = mount.sample
    known = {
        "id": f"p{mount.position}",
        "footprint": footprint_of(
            sample, x_mm=mount.x_mm, y_mm=mount.y_mm, rotation_deg=mount.rotation_deg
        ),
        "thickness_mm": mount.thickness_mm,
        "form": sample.form,
        "composition": sample.composition,
        "wants": [want.strip() for want in sample.wants.split(",") if want.strip()],
        "mounting": mount.mounting,
        "mass_mg": sample.mass_mg,
        "surface_m2_g": sample.surface_m2_g,
        "max_temperature_c": sample.max_temperature_c,
        "loose_powder_removed": mount.loose_powder_removed,
        "stack_mm": [float(layer["mm"]) for layer in mount.stack],
    }
    return {name: value for name, value in known.items() if value not in (None, "", [])}


def instrument_document(instrument):
    """An instrument's height constants and beam in the layout document's words."""
    known = {
        "photon_energy_ev": instrument.photon_energy_ev,
        "spot_um": instrument.spot_um,
        "source_elevation_deg": instrument.source_elevation_deg,
        "z_ref_mm": instrument.z_ref_mm,
        "free_distance_mm": instrument.free_distance_mm,
        "margin_mm": instrument.margin_mm,
        "tape_mm": instrument.tape_mm,
        "tilt_axis_mm": instrument.tilt_axis_mm,
    }
    return {name: value for name, value in known.items() if value is not None}


def layout_document(holder, mounts, instrument=None):
    """The holder with these mounts as one layout document."""
    document = {
        "holder": holder_document(holder),
        "mounts": [mount_document(mount) for mount in mounts],
    }
    if instrument is not None:
        document["instrument"] = instrument_document(instrument)
    return document


def draw(holder, mounts, seen):
    """The drawing of a holder; a sample that the onlooker may not know of shows as its form.

    Takes: mounts in order of position; `seen`, by the mount's primary key.
    """
    document = layout_document(holder, mounts)
    for mount, row in zip(mounts, document["mounts"], strict=True):
        row["name"] = mount.sample.title if seen[mount.pk] else "another group's sample"
    numbers = {f"p{mount.position}": str(mount.position) for mount in mounts}
    return drawing.draw(layout.read_layout(document), code=holder.code, numbers=numbers)


def draw_small(holder, mounts):
    """The drawing without names and numbers, for lists."""
    return drawing.draw_small(layout.read_layout(layout_document(holder, mounts)))


def _half(sample):
    """Radius of the smallest circle round a sample's footprint, in mm."""
    if sample.shape == "disc":
        return sample.diameter_mm / 2
    return math.hypot(sample.width_mm, sample.height_mm) / 2


def free_spot(holder, sample):
    """(x, y) in mm of the spot on a 0.5 mm grid that is farthest from everything mounted.

    A first suggestion: samples count as their surrounding circles, so it never overlaps where
    room is left, and prefers the middle of an empty holder. `arrange` does better for many.
    """
    kind = holder.type
    width = kind.diameter_mm if kind.shape == "disc" else kind.width_mm
    height = kind.diameter_mm if kind.shape == "disc" else kind.height_mm
    standing = [
        (mount.x_mm, mount.y_mm, _half(mount.sample))
        for mount in Mount.objects.standing().filter(holder=holder).select_related("sample")
    ]
    own = _half(sample)
    if not standing:
        return 0.0, 0.0
    best, best_room = (0.0, 0.0), -math.inf
    for row in range(int(height) * 2 + 1):
        y = row / 2 - height / 2
        for column in range(int(width) * 2 + 1):
            x = column / 2 - width / 2
            edge = (
                kind.diameter_mm / 2 - math.hypot(x, y)
                if kind.shape == "disc"
                else min(width / 2 - abs(x), height / 2 - abs(y))
            )
            room = min(
                edge - kind.edge_margin_mm - own,
                *(math.hypot(x - mx, y - my) - half - own for mx, my, half in standing),
            )
            if room > best_room + 1e-9:
                best, best_room = (x, y), room
    return best


def findings_of(holder, mounts):
    """What the rules find on a holder as it stands."""
    return [finding for mount in mounts if (finding := _loose_powder(mount))]


def _loose_powder(mount):
    """PWD-01: loose powder must be off before the holder is loaded."""
    if not mount.sample.is_powder or mount.loose_powder_removed:
        return None
    return Finding(
        rule="PWD-01",
        about=(f"p{mount.position}",),
        severity=STOP,
        says=f"Position {mount.position}: loose powder not shaken off",
        do="Tap it off upside down in the extraction, press again, then say how it was done.",
        source="grains reach valve seat and turbo pump; common practice, no source",
    )
