"""Everything that ever happened to a holder or a sample, newest first, a page at a time."""

from dataclasses import dataclass
from datetime import datetime

from django.core.paginator import Paginator
from django.db.models import CharField, F, Value

from bookings.models import Load, Measurement
from samples.models import Cleaning, HolderNote, HolderPhoto, Mount, SampleCorrection, Whereabouts

A_PAGE = 25


@dataclass(frozen=True)
class Happening:
    """One line of a history: when, what, who, and where to read on."""

    at: datetime
    says: str
    by: str = ""
    hand: str = ""
    url: str = ""
    press: str = ""


def _page(sources, number, loaders):
    """One page of several tables in order of time: a key query, then one query a kind."""
    keys = [
        rows.order_by()
        .annotate(moment=F(at), source=Value(name, CharField()))
        .values_list("moment", "source", "pk")
        for name, (rows, at) in sources.items()
    ]
    union = keys[0].union(*keys[1:], all=True).order_by("-moment")
    page = Paginator(union, A_PAGE).get_page(number)
    wanted = {}
    for _, kind, pk in page.object_list:
        wanted.setdefault(kind, []).append(pk)
    found = {
        kind: loaders[kind](sources[kind][0].filter(pk__in=pks)) for kind, pks in wanted.items()
    }
    page.object_list = [line for _, kind, pk in page if (line := found[kind].get(pk)) is not None]
    return page


# A holder


def of_holder(holder, *, may_see, page=1):
    """A page of what a holder did: loads, mounts, cleanings, notes, places, photographs."""
    mounts = Mount.objects.filter(holder=holder)
    sources = {
        "load": (Load.objects.filter(holder=holder), "loaded_at"),
        "out": (Load.objects.filter(holder=holder).exclude(taken_out_at=None), "taken_out_at"),
        "on": (mounts, "since"),
        "off": (mounts.exclude(until=None), "until"),
        "cleaned": (Cleaning.objects.filter(holder=holder), "at"),
        "note": (HolderNote.objects.filter(holder=holder), "at"),
        "photo": (HolderPhoto.objects.filter(holder=holder), "at"),
        "place": (Whereabouts.objects.filter(holder=holder), "since"),
    }
    named = _namer(may_see)
    return _page(
        sources,
        page,
        {
            "load": lambda rows: _loads(rows),
            "out": lambda rows: _loads(rows, out=True),
            "on": lambda rows: _mounts(rows, "mounted", named),
            "off": lambda rows: _mounts(rows, "taken off", named),
            "cleaned": _cleanings,
            "note": _notes,
            "photo": _photos,
            "place": _places,
        },
    )


def _namer(may_see):
    def named(sample):
        return sample.title if may_see(sample) else f"another group's {sample.get_form_display()}"

    return named


def _loads(rows, out=False):
    return {
        row.pk: Happening(
            row.taken_out_at if out else row.loaded_at,
            f"taken out of {row.instrument}" if out else f"into {row.instrument}",
            str(row.loaded_by) if not out else "",
            url="" if out else row.get_absolute_url(),
            press="its load",
        )
        for row in rows.select_related("instrument", "loaded_by")
    }


def _mounts(rows, what, named):
    rows = rows.select_related("sample", "by", "taken_off_by")
    return {
        row.pk: Happening(
            row.since if what == "mounted" else row.until,
            f"{named(row.sample)} {what}, position {row.position}"
            + (f", {row.mounting}" if what == "mounted" else ""),
            str((row.by if what == "mounted" else row.taken_off_by) or ""),
        )
        for row in rows
    }


def _cleanings(rows):
    return {
        row.pk: Happening(
            row.at,
            f"cleaned: {row.method}" + (f"; blank: {row.blank}" if row.blank else ""),
            str(row.by),
        )
        for row in rows.select_related("by")
    }


def _notes(rows):
    return {
        row.pk: Happening(row.at, row.get_kind_display(), str(row.by), row.text)
        for row in rows.select_related("by")
    }


def _photos(rows):
    return {
        row.pk: Happening(
            row.at,
            "photographed",
            str(row.by),
            url=row.photo.get_absolute_url(),
            press="the picture",
        )
        for row in rows.select_related("photo", "by")
    }


def _places(rows):
    return {
        row.pk: Happening(row.since, f"brought to {row.place}", str(row.by))
        for row in rows.select_related("place", "by")
    }


# A sample


def of_sample(sample, *, page=1):
    """A page of what happened to a sample: mounts, loads, measurements, places."""
    mounts = list(sample.mounts.order_by("-since")[:200])
    loads = Load.objects.carrying(mounts)
    sources = {
        "load": (loads, "loaded_at"),
        "on": (Mount.objects.filter(sample=sample), "since"),
        "off": (Mount.objects.filter(sample=sample).exclude(until=None), "until"),
        "measured": (Measurement.objects.filter(mount__sample=sample), "at"),
        "place": (Whereabouts.objects.filter(sample=sample), "since"),
        "corrected": (SampleCorrection.objects.filter(sample=sample), "at"),
    }
    return _page(
        sources,
        page,
        {
            "corrected": _corrections,
            "load": _sample_loads,
            "on": lambda rows: _on_holders(rows, "mounted on"),
            "off": lambda rows: _on_holders(rows, "taken off"),
            "measured": _measurements,
            "place": _places,
        },
    )


def _sample_loads(rows):
    return {
        row.pk: Happening(
            row.loaded_at,
            f"into {row.instrument} on holder {row.holder}"
            + (f", until {row.taken_out_at:%d %b %Y}" if row.taken_out_at else ", still inside"),
            str(row.loaded_by),
            url=row.get_absolute_url(),
            press="its load",
        )
        for row in rows.select_related("instrument", "holder", "loaded_by")
    }


def _corrections(rows):
    return {
        row.pk: Happening(row.at, f"corrected: {_changes(row.changed)}", str(row.by), row.why)
        for row in rows.select_related("by")
    }


def _changes(changed):
    """Old and new of each field, in words.

    >>> _changes({"thickness_mm": [0.5, 5.0], "hazards": ["", "toxic"]})
    'thickness mm 0.5, now 5; hazards empty, now toxic'
    """
    return "; ".join(
        f"{name.replace('_', ' ')} {_shown(old)}, now {_shown(new)}"
        for name, (old, new) in changed.items()
    )


def _shown(value):
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, dict):
        return (
            ", ".join(f"{key.replace('_', ' ')} {said}" for key, said in value.items()) or "empty"
        )
    return str(value) if value not in (None, "") else "empty"


def _on_holders(rows, what):
    rows = rows.select_related("holder", "by", "taken_off_by")
    return {
        row.pk: Happening(
            row.since if what == "mounted on" else row.until,
            f"{what} holder {row.holder}, position {row.position}"
            + (f", {row.mounting}, {row.thickness_mm:g} mm" if what == "mounted on" else ""),
            str((row.by if what == "mounted on" else row.taken_off_by) or ""),
            url=row.holder.get_absolute_url(),
            press="the holder",
        )
        for row in rows
    }


def _measurements(rows):
    return {
        row.pk: Happening(
            row.at,
            f"measured: {row.what}" + (f" ({row.file})" if row.file else ""),
            url=row.session.get_absolute_url(),
            press="the session",
        )
        for row in rows.select_related("session")
    }
