"""Verbs that keep holders and samples: clean, quarantine, release, note, bench steps, photographs, gone."""

from django.db import transaction
from django.utils import timezone

from facility import access, log, photos
from facility.errors import Refused
from facility.models import Instrument
from samples.models import BenchStep, Cleaning, Holder, HolderNote, HolderPhoto, Sample, Whereabouts

METHODS = (
    "wiped with isopropanol",
    "ultrasonic in acetone, then isopropanol",
    "new face: ground and rinsed",
    "baked in vacuum",
)
CHAMBER_METHODS = (
    "wiped with isopropanol, pumped overnight",
    "baked",
    "part taken out and cleaned",
)
GONE = ("returned to its owner", "stored elsewhere", "disposed of")


@transaction.atomic
def clean(*, by, method, holder=None, chamber=None, blank="", sent_id=None):
    """Record that a holder or chamber was cleaned; a chamber's stands in its instrument's log too."""
    if chamber is not None:
        access.require(by, "holder.keep")
        instrument = Instrument.objects.select_for_update().get(pk=chamber.instrument_id)
    if sent_id and (before := Cleaning.objects.filter(sent_id=sent_id).first()):
        return before
    if not method.strip():
        raise Refused("Say how it was cleaned, such as: isopropanol, wiped, then baked.")
    if holder is not None and holder.mounts.standing().exists():
        raise Refused(f"Samples are on {holder}. Take them off, then clean it.")
    row = Cleaning.objects.create(
        holder=holder,
        chamber=chamber,
        at=timezone.now(),
        method=method.strip()[:80],
        blank=blank.strip()[:200],
        by=by,
        sent_id=sent_id,
    )
    if chamber is not None:
        said = {"chamber": chamber.kind, "method": row.method, "blank": row.blank}
        log.write(log=instrument.log, kind="chamber cleaned", by=by, data=said, happened_at=row.at)
    return row


def _note(holder, kind, text, by, sent_id):
    return HolderNote.objects.create(
        holder=holder, kind=kind, text=text.strip()[:400], at=timezone.now(), by=by, sent_id=sent_id
    )


@transaction.atomic
def note(*, holder, text, by, sent_id=None):
    """A remark that stays with the holder."""
    if sent_id and (before := HolderNote.objects.filter(sent_id=sent_id).first()):
        return before
    if not text.strip():
        raise Refused("Write the note first.")
    return _note(holder, HolderNote.Kind.NOTE, text, by, sent_id)


@transaction.atomic
def quarantine(*, holder, why, by, sent_id=None):
    """Nobody mounts on it or loads it until staff release it."""
    access.require(by, "holder.keep")
    if not why.strip():
        raise Refused("Say why: whoever takes the holder reads it.")
    holder = Holder.objects.select_for_update().get(pk=holder.pk)
    if holder.quarantined_why == why.strip()[:200]:
        return holder
    holder.quarantined_why = why.strip()[:200]
    holder.save(update_fields=["quarantined_why"])
    _note(holder, HolderNote.Kind.QUARANTINED, why, by, sent_id)
    return holder


@transaction.atomic
def release(*, holder, by, sentence="", sent_id=None):
    """Out of quarantine: after a cleaning with a blank, or with a named person's reason."""
    access.require(by, "holder.keep")
    holder = Holder.objects.select_for_update().get(pk=holder.pk)
    if not holder.quarantined_why:
        return holder
    since = holder.notes.filter(kind=HolderNote.Kind.QUARANTINED).values_list("at", flat=True)
    cleaned = holder.cleanings.exclude(blank="")
    if first := since.first():
        cleaned = cleaned.filter(at__gte=first)
    last = cleaned.first()
    if last is None and not sentence.strip():
        raise Refused(
            f"{holder} has no cleaning with a blank since its quarantine. Record one, or write why "
            "it may be used without."
        )
    told = sentence.strip() or f"cleaned ({last.method}), blank: {last.blank}"
    holder.quarantined_why = ""
    holder.save(update_fields=["quarantined_why"])
    _note(holder, HolderNote.Kind.RELEASED, told, by, sent_id)
    return holder


@transaction.atomic
def step(*, holder, kind, by, measured_mm=None, gauge_mm=None, passes=None, sent_id=None):
    """A step of the bench is done; the gauge says whether the holder passes under it."""
    if sent_id and (before := BenchStep.objects.filter(sent_id=sent_id).first()):
        return before
    if kind not in BenchStep.Kind.values:
        raise Refused("Press one of the bench steps.")
    if not holder.mounts.standing().exists():
        raise Refused(f"Nothing is mounted on {holder} yet.")
    if kind == BenchStep.Kind.GAUGE and (not gauge_mm or passes is None):
        raise Refused("Say which gauge, and whether the holder passes under it.")
    return BenchStep.objects.create(
        holder=holder,
        kind=kind,
        at=timezone.now(),
        by=by,
        measured_mm=measured_mm,
        gauge_mm=gauge_mm,
        passes=passes,
        sent_id=sent_id,
    )


def photograph(*, holder, file, by):
    """A photograph of the holder as it stands; the same picture twice stays one."""
    photo = photos.take(file=file, by=by)
    row, _ = HolderPhoto.objects.get_or_create(
        holder=holder, photo=photo, defaults={"at": timezone.now(), "by": by}
    )
    return row


@transaction.atomic
def send_away(*, sample, how, by):
    """A sample has left: returned, stored elsewhere, or disposed of; its history stays."""
    if how not in GONE:
        raise Refused(f"Say where it went: {', '.join(GONE)}.")
    sample = Sample.objects.select_for_update().get(pk=sample.pk)
    if sample.gone_at:
        return sample
    if on := sample.mounts.standing().select_related("holder").first():
        raise Refused(f"{sample} is on holder {on.holder}. Take it off there first.")
    now = timezone.now()
    for here in Whereabouts.objects.now().filter(sample=sample):
        here.until = max(now, here.since)
        here.save(update_fields=["until"])
    sample.gone_at, sample.gone_how = now, how
    sample.save(update_fields=["gone_at", "gone_how"])
    return sample


@transaction.atomic
def permit(*, sample, by, number):
    """The safety officer's permit for a hazardous sample."""
    access.require(by, "hazard.answer")
    if not number.strip():
        raise Refused("Write the number or day of the permit.")
    Sample.objects.filter(pk=sample.pk).update(permit=number.strip()[:60])
    sample.permit = number.strip()[:60]
    return sample
