"""What a holder remembers: risky things that it carried and that no cleaning has taken off yet."""

import re
from datetime import timedelta
from functools import lru_cache

from django.db.models import Max, Q

from facility.errors import Refused
from samples.layout import read_layout
from samples.matter.composition import parse
from samples.matter.declared import CLEANED_WITH_A_BLANK, Blank, Past
from samples.models import Cleaning
from samples.risks.case import read_case
from samples.risks.neighbours import remembered_as

LOOKED_BACK = 120  # mounts since the last blank; far more than a holder carries between two blanks
A_SLIP = timedelta(minutes=5)  # a mount taken off sooner was a slip of the finger; own proposal
NEWEST_BLANKS = 20
ANOTHER_GROUPS = "a sample of another group"  # all that is said of what the reader may not know
WHAT = {
    "silicone": "silicone",
    "fluoro-organic": "fluorinated organic matter",
    "mercury": "mercury",
    "iodine": "iodine",
    "selenium": "selenium",
    "sulfur": "sulfur",
    "loose powder": "powder that was never said to be shaken off",
}


def kinds_of(document):
    """Kinds of risk of each mount of a layout document, by its id; what cannot be read has none."""
    return {
        row["id"]: _kinds(row.get("form"), row.get("composition"), row.get("loose_powder_removed"))
        for row in document["mounts"]
    }


@lru_cache(maxsize=4096)
def _kinds(form, composition, loose_powder_removed):
    """Only what it is counts, not where it lay; the same samples come again and again."""
    spot = {"shape": "disc", "diameter_mm": 1, "x_mm": 0, "y_mm": 0}
    said = {"form": form, "composition": composition, "loose_powder_removed": loose_powder_removed}
    row = {name: value for name, value in said.items() if value is not None}
    read = read_layout(
        {
            "holder": {"shape": "disc", "diameter_mm": 10},
            "mounts": [{"id": "m", "footprint": spot} | row],
        }
    )
    case = read_case(read, on_problem=lambda refusal: None)
    return remembered_as(case.specimens[0])


def pasts_of(holder, standing, document, *, seen=None):
    """Every Past of a holder that may still be open.

    Takes:  standing, the mounts on it now: a dedicated holder is exempt only while they keep to
            its group or class; document, a function that gives the layout document of mounts
            without their places; seen, a function that says whether the reader may know what a
            sample is (None: all).
    """
    last = Cleaning.objects.filter(holder=holder).aggregate(
        any=Max("at"), blank=Max("at", filter=~Q(blank=""))
    )
    gone = holder.mounts.exclude(until=None).select_related("sample")
    if last["blank"]:
        gone = gone.filter(until__gt=last["blank"])
    mounts = [
        row for row in gone.order_by("-until")[:LOOKED_BACK] if row.until - row.since > A_SLIP
    ]
    found = kinds_of(document(holder, mounts)) if mounts else {}
    keeps = all(_inside(holder, mount.sample) for mount in standing)
    return tuple(
        Past(
            what=WHAT[kind] if seen is None or seen(mount.sample) else ANOTHER_GROUPS,
            kind=kind,
            when=f"{mount.until:%d %b %Y}",
            cleaned=last["any"] is not None and last["any"] >= mount.until,
            inside_dedication=keeps and _inside(holder, mount.sample, kind),
        )
        for mount in mounts
        for kind in found[f"m{mount.pk}"]
    )


def _inside(holder, sample, kind=""):
    """Whether a holder is dedicated to a sample: to its group, or to its class of material."""
    if holder.group_id is not None and holder.group_id == sample.group_id:
        return True
    word = holder.dedicated_to.casefold().strip()
    if not word:
        return False
    try:
        classes = parse(sample.composition).classes if sample.composition else ()
    except Refused:
        classes = ()
    return word in {kind, sample.form, sample.composition.casefold(), *classes}


def needs(pasts):
    """What would make a holder clean: "", "cleaning" or "blank"."""
    open_ = [past for past in pasts if past.is_open]
    if not open_:
        return ""
    return "blank" if any(past.kind in CLEANED_WITH_A_BLANK for past in open_) else "cleaning"


# Blanks: written as "Si 0.8 at.%, twice"

WRITTEN = re.compile(r"([A-Z][a-z]?) (\d+(?:\.\d+)?) at\.%(, twice)?")


def blanks_of(holder):
    """The newest blank of a holder against the blanks before it, of all holders, by element."""
    newest = Cleaning.objects.filter(holder=holder).exclude(blank="").first()
    if newest is None or not (here := WRITTEN.findall(newest.blank)):
        return ()
    before = (
        Cleaning.objects.exclude(blank="")
        .filter(at__lt=newest.at)
        .values_list("blank", flat=True)[:NEWEST_BLANKS]
    )
    past = {}
    for text in before:
        for element, figure, _ in WRITTEN.findall(text):
            past.setdefault(element, []).append(float(figure))
    return tuple(
        Blank(element, float(figure), *_mean_and_spread(past.get(element, ())), bool(twice))
        for element, figure, twice in here
    )


def _mean_and_spread(figures):
    if len(figures) < 2:
        return (figures[0] if figures else 0.0), 0.0
    mean = sum(figures) / len(figures)
    return mean, (sum((one - mean) ** 2 for one in figures) / (len(figures) - 1)) ** 0.5
