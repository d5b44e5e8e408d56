"""Late entries: lines typed from a paper sheet after the fact, the good ones kept, the bad ones named."""

import re
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from django.db import transaction
from django.utils import timezone

from bookings import devices, pump, say, steps
from bookings.forms import StepForm
from bookings.models import Reading
from facility import log
from facility.errors import Refused, SetAside
from facility.models import Entry, Instrument
from facility.models.log import LATE

OLDEST = timedelta(days=60)  # of a paper sheet that is typed; own proposal
SHOWN = 60  # late entries on the page
OVER_MIDNIGHT = timedelta(hours=12)  # a line so much earlier than the one above is of the next day
STEP, NOTE, PRESSURE = "step", "note", "pressure:"


@dataclass(frozen=True)
class Line:
    """One line of the paper as typed; `sent_id` makes it arrive once."""

    number: int
    time: str
    what: str
    value: str
    sent_id: uuid.UUID


@dataclass(frozen=True)
class Bad:
    """A line that was not written down, and one sentence on what it needs."""

    line: Line
    why: str


def write_lines(*, session, by, day, lines):
    """Write the lines that can be read; each stands alone, so a bad one keeps no other back.

    Takes:   the day of the sheet; lines in the order of the paper.
    Returns: (how many are written, the bad ones).
    """
    written, bad, before = 0, [], None
    for line in lines:
        try:
            before = moment_of(line.time, day=day, before=before)
            _write(session=session, by=by, line=line, moment=before)
            written += 1
        except SetAside as refusal:
            text = f"{line.time}|{line.what}|{line.value}"
            log.keep(sent_id=line.sent_id, by=by, text=text, reason=str(refusal))
            bad.append(Bad(line, f"{refusal} It is kept for staff; type the line anew."))
        except Refused as refusal:
            bad.append(Bad(line, str(refusal)))
    return written, bad


def moment_of(text, *, day, before=None, now=None):
    """The moment of a typed time such as 16:42, on the sheet's day or after midnight, or Refused.

    A line 12 h or more earlier than the one above it is taken to be of the next day; a date may
    stand before the time, as in 2026-03-02 16:42.
    """
    now = now or timezone.now()
    found = re.fullmatch(
        r"\s*(?:(\d{4})-(\d{1,2})-(\d{1,2})[ T]+)?(\d{1,2})\s*[:.h]?\s*(\d{2})\s*", text
    )
    if not found:
        raise Refused(f"{text.strip() or 'Nothing'} is no time. Write hours and minutes: 16:42.")
    year, month, date, hours, minutes = found.groups()
    try:
        on = datetime(int(year), int(month), int(date)).date() if year else day
        wall = datetime.combine(on, time(int(hours), int(minutes)))
    except ValueError:
        raise Refused(f"{text.strip()} does not exist. Write hours and minutes: 16:42.") from None
    moment = _aware(wall, text)
    if before and not year:
        wall = datetime.combine(timezone.localtime(before).date(), wall.time())
        moment = _aware(wall, text)
        if before - moment >= OVER_MIDNIGHT:
            moment = _aware(wall + timedelta(days=1), text)
    if moment > now:
        raise Refused(f"{timezone.localtime(moment):%d %b %H:%M} is still to come. Check the day.")
    if now - moment > OLDEST:
        raise Refused(
            f"{timezone.localtime(moment):%d %b %Y} is more than {OLDEST.days} days ago. Write it "
            "as a note of today."
        )
    return moment


def _aware(wall, text):
    moment = timezone.make_aware(wall)
    there_and_back = timezone.localtime(moment.astimezone(UTC))
    if there_and_back.replace(tzinfo=None, fold=0) != wall:
        raise Refused(f"{text.strip()} does not exist on {wall:%d %b}: the clocks went forward.")
    return moment


@transaction.atomic
def _write(*, session, by, line, moment):
    if not line.value.strip():
        raise Refused("Write what stands on the paper.")
    if line.what == NOTE:
        return say.note(
            session=session, by=by, text=line.value, happened_at=moment, sent_id=line.sent_id
        )
    if line.what.startswith(PRESSURE):
        code = line.what.removeprefix(PRESSURE)
        gauge = next((row for row in gauges_of(session.instrument) if row.code == code), None)
        if gauge is None:
            raise Refused(f"{session.instrument} has no gauge {code}. Choose one of the list.")
        return pump.type_pressure(
            gauge=gauge, by=by, text=line.value, happened_at=moment, sent_id=line.sent_id
        )
    if line.what == STEP:
        return _write_step(session=session, by=by, line=line, moment=moment)
    raise Refused("Choose what the line is: a step, a pressure or a note.")


def gauges_of(instrument):
    """Every gauge that a paper may name, the ion gun's own too."""
    return [*pump.gauges_of(instrument), *filter(None, [pump.gun_gauge_of(instrument)])]


def listed(sheet):
    """The steps as the paper numbers them."""
    return [step for step in sheet.steps if step.kind == "step"]


def _write_step(*, session, by, line, moment):
    sheet = devices.sheet_of(session)
    number, text = _number_and_text(line.value, len(listed(sheet)))
    step = listed(sheet)[number - 1]
    holder = None
    if "load" in steps.marks_of(session.sheet.document, step.id):
        holder = _holder(text, number)
    elif text and not step.asks:
        raise Refused(f"Step {number} asks for nothing; write “{text}” as a note on its own line.")
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    if before := _as_before(session=session, by=by, line=line, step=step):
        return before
    return steps.take_step(
        session=session,
        by=by,
        step_id=step.id,
        holder=holder,
        values={step.asks[0]: text} if text and holder is None else None,
        happened_at=moment,
        sent_id=line.sent_id,
        late=True,
    )


def _as_before(*, session, by, line, step):
    """The entry that this line made before; whatever followed it since, it is the same line."""
    before = log.repeated(sent_id=line.sent_id)
    if before is None or (before.log_id, before.person_id) != (session.log_id, by.pk):
        return None
    return before if log.contents(before).get("step") == step.id else None


def _number_and_text(value, most):
    found = re.fullmatch(r"\s*(\d{1,3})\s*[.:,;]?\s*(.*)", value, re.DOTALL)
    if not found or not 1 <= int(found[1]) <= most:
        raise Refused(
            f"{value.strip()[:40]} is no step of this sheet. Write its number, 1 to {most}, and "
            "after it what it asks for, such as 14 B7."
        )
    return int(found[1]), found[2].strip()


def _holder(text, number):
    if not text:
        raise Refused(f"Step {number} puts a holder in: write it after the number: {number} B7.")
    form = StepForm({"step": "load", "holder": text})
    if not form.is_valid():
        raise Refused(" ".join(row for rows in form.errors.values() for row in rows))
    return form.cleaned_data["holder"]


def entries_of(session):
    """What was written into a session's log much later than it happened, as it happened."""
    newest = Entry.objects.filter(log=session.log).select_related("person").order_by("-n")
    found = [row for row in newest[: SHOWN * 2] if row.late_by]
    return sorted(found, key=lambda row: row.happened_at)[-SHOWN:]


def readings_of(session, gauges):
    """Pressures up to a session's end that were typed, since it began, much later than read."""
    rows = Reading.objects.filter(
        gauge__in=gauges,
        source=Reading.Source.MANUAL,
        at__lte=session.closed_at or timezone.now(),
        recorded_at__gte=session.opened_at,
    ).select_related("gauge", "person")
    return [row for row in rows.order_by("-at")[:SHOWN] if row.recorded_at - row.at > LATE][::-1]
