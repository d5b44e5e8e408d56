"""Let the tool arrange a holder: the proposal beside what stands, with gaps and findings of both."""

from dataclasses import replace

from bookings import at_bench, chambers
from facility.findings import NOTE
from samples import arrangement, bench, geometry, layout
from samples.risks.neighbours import wanted_apart


def proposed(holder, person):
    """Context of the page that proposes: two drawings, smallest gaps, how many findings; or why not."""
    mounts = bench.mounts_of(holder)
    may_see = at_bench.seen_by(person)
    seen = {mount.pk: may_see(mount.sample) for mount in mounts}
    instrument = bench.instrument_for(holder)
    present = bench.layout_of(holder, mounts, instrument)
    context = {
        "holder": holder,
        "mounts": mounts,
        "now": _side(holder, mounts, present, seen, may_see, instrument),
    }
    if len(mounts) < 1:
        return context | {
            "why_not": "Nothing is mounted yet. Mount the samples, then arrange them."
        }
    found = arrangement.arrange(present, wanted=wanted_apart(present))
    if not isinstance(found, layout.Layout):
        return context | {"why_not": bench.in_words(found.says)}
    by_id = {mount.id: mount.footprint for mount in found.mounts}
    places = []
    for mount in mounts:
        spot = by_id[f"p{mount.position}"]
        mount.x_mm, mount.y_mm, mount.rotation_deg = spot.x_mm, spot.y_mm, spot.rotation_deg
        places.append(
            {"mount": mount, "place": f"{spot.x_mm:.4f},{spot.y_mm:.4f},{spot.rotation_deg:.4f}"}
        )
    after = replace(present, mounts=found.mounts)
    return context | {
        "proposal": _side(holder, mounts, after, seen, may_see, instrument),
        "places": places,
    }


def _side(holder, mounts, read, seen, may_see, instrument):
    """One of the two layouts: its drawing, its smallest gap and its findings above a note."""
    findings = bench.findings_of(
        holder,
        mounts,
        may_see=may_see,
        past=chambers.pasts_of(instrument, seen=may_see),
        instrument=instrument,
    )
    gaps = geometry.gaps(read).values()
    return {
        "drawing": bench.draw(holder, mounts, seen),
        "gap": min(gaps, default=None),
        "findings": [
            {"finding": one, "at_least": one.rule in at_bench.AT_LEAST}
            for one in findings
            if one.severity != NOTE
        ],
    }
