"""Lines of the weekly review: fit for use, what was done outside the rules, and waiting flags."""

from datetime import timedelta

from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from bookings.lines import Line
from bookings.models import Fault, Flag, Load, Session
from facility import log
from facility.findings import NOTE, STAFF, STOP, WARN
from facility.models import Entry, Instrument, KeptItem
from facility.models.log import LATE
from samples.models import Mount

LONGEST_SESSION = timedelta(days=7)  # one that began earlier is looked for no more; own choice
MOST_LOGS, MOST_ROWS = 200, 400
BY_HAND = ("step", "note", "measured", "setting", "fault", "looked", "happened anyway", "event")
NO_OVERRIDE = ("fault", "hazard")  # flags that lift no rule when they are answered
HEADING_OF = {  # of a flag by the beginning of its rule; anything else went in or on outside a rule
    "fault": "broke",
    "PMP": "vacuum",
    "GAU": "vacuum",
    "CAL": "scale",
    "INV": "order",
    "GAS": "order",
}


class Traces:
    """What a week left behind on one instrument: read once, asked several times."""

    def __init__(self, instrument, week):
        self.instrument, self.week = instrument, week
        self.sessions = list(
            Session.objects.filter(
                instrument=instrument,
                opened_at__lt=week.end,
                opened_at__gte=week.start - LONGEST_SESSION,
            )
            .filter(Q(closed_at=None) | Q(closed_at__gt=week.start))
            .order_by("opened_at")[:MOST_LOGS]
        )
        self.loads = list(
            Load.objects.filter(
                instrument=instrument, loaded_at__lt=week.end, loaded_at__gte=week.start
            )
            .select_related("holder")
            .order_by("loaded_at")[:MOST_LOGS]
        )
        self.holders = [load.holder_id for load in self.loads]
        self.logs = [row.log_id for row in (*self.sessions, *self.loads)]
        self.session_of = {row.log_id: row for row in self.sessions}

    def flags(self):
        return list(
            Flag.objects.of_week(
                self.instrument, self.holders, self.week.start, self.week.end
            )[:MOST_ROWS]
        )  # fmt: skip

    def late_or_anyway(self):
        """Entries of the week that were typed late or happened outside the sheet."""
        of_instrument = Q(log=self.instrument.log_id, happened_at__gte=self.week.start)
        rows = Entry.objects.filter(
            Q(log__in=self.logs) | of_instrument,
            recorded_at__gte=self.week.start,
            recorded_at__lt=self.week.end,
            kind__in=BY_HAND,
        )
        wanted = rows.values_list("pk", "kind", "happened_at", "recorded_at", "log_id", named=True)
        return [
            row
            for row in wanted
            if row.kind == "happened anyway" or row.recorded_at - row.happened_at > LATE
        ][:MOST_ROWS]


def review_lines(instrument, week, *, traces=None, spoken=()):
    """Fit, outside, and every flag of the week under its own key.

    Takes:   traces of the week, where they were read already; spoken, the rules of flags that
             somebody else says.
    """
    traces = traces or Traces(instrument, week)
    flags = traces.flags()
    return [
        *_word(instrument, week),
        *_anyway_and_late(traces),
        *_overrides(flags, week),
        *_undeclared(traces),
        *_set_aside(traces),
        *(_of_flag(flag, traces) for flag in flags if flag.rule not in spoken),
    ]


# Fit for use


def verdict(instrument, week, lines):
    """(mark, sentence): whether the instrument is fit for use, and why."""
    word = _own_word(instrument, week)
    if word == Instrument.Word.DOWN:
        return "fault", f"Staff say: {instrument.word_why or 'no reason given'}"
    stops = [line for line in lines if line.severity == STOP]
    if stops:
        more = f", and {len(stops) - 1} more" if len(stops) > 1 else ""
        return "stop", f"{stops[0].says.rstrip('.')}{more}."
    open_faults = [line for line in lines if line.rule == "fault" and line.heading == "broke"]
    words = [line.says.rstrip(".") for line in open_faults if line.do][:3]
    if words:
        return "warn", f"Open: {'. '.join(words)}."
    if word == Instrument.Word.CAREFUL:
        return "warn", f"Staff say: {instrument.word_why}"
    return "ready", "Staff say usable, no fault is open, nothing stops a load."


def is_newest(week, now=None):
    """Whether what staff say now is what they said when this week ended, as near as is known."""
    return week.end <= (now or timezone.now()) < week.end + timedelta(days=7)


def _own_word(instrument, week):
    """What staff say of their own; `with care` while a fault is open is the fault's word."""
    careful = instrument.word == Instrument.Word.CAREFUL
    if not is_newest(week):
        return Instrument.Word.USABLE
    if careful and Fault.objects.open().filter(instrument=instrument).exists():
        return Instrument.Word.USABLE
    return instrument.word


def _word(instrument, week):
    """Staff's own word, where no open fault says the same."""
    if _own_word(instrument, week) == Instrument.Word.USABLE:
        return
    yield Line(
        key=f"word|{instrument.pk}|{instrument.word}",
        heading="fit",
        says=f"Staff say {instrument.get_word_display()}: {instrument.word_why or 'no reason given'}",
        severity=STAFF if instrument.word == Instrument.Word.DOWN else WARN,
        do="Say usable again once it is, or until when this stands.",
        url=instrument.get_absolute_url(),
    )


# Outside the rules


def _anyway_and_late(traces):
    found = traces.late_or_anyway()
    anyway = [row for row in found if row.kind == "happened anyway"]
    late = [row for row in found if row.kind != "happened anyway"]
    yield from _anyway(anyway, traces)
    if late:
        worst = max(row.recorded_at - row.happened_at for row in late)
        yield Line(
            key=f"late|{traces.week.start:%G-W%V}",
            heading="outside",
            severity=NOTE,
            says=f"{len(late)} entr{'y' if len(late) == 1 else 'ies'} written later than "
            f"{LATE.seconds // 60} min after it happened, the latest by {_span(worst)}.",
            do="Nothing, unless a step is missing. A tablet without network explains most.",
            url=_record_of(late[0].log_id, traces),
            evidence=tuple(_where(row, traces) for row in late[:4]),
        )


def _anyway(rows, traces):
    """Steps outside the sheet that reached no hazard; a hazard has its own flag."""
    bodies = {
        row.pk: log.contents(row) for row in Entry.objects.filter(pk__in=[r.pk for r in rows])
    }
    plain = [row for row in rows if not bodies.get(row.pk, {}).get("hazards")] if rows else []
    if plain:
        yield Line(
            key=f"anyway|{traces.week.start:%G-W%V}",
            heading="outside",
            says=f"{len(plain)} step{'' if len(plain) == 1 else 's'} happened anyway, outside the "
            "run sheet; no hazard was reached.",
            do="Ask what led to it: the sheet may lack a step.",
            url=_record_of(plain[0].log_id, traces),
            evidence=tuple(
                (_where(row, traces)[0], _said(bodies.get(row.pk, {}))) for row in plain[:4]
            ),
        )


def _said(body):
    sets = ", ".join(f"{device} {state}" for device, state in (body.get("sets") or {}).items())
    return " ".join(filter(None, [sets.replace("_", " "), body.get("says", "")])) or "no words"


def _overrides(flags, week):
    """Findings of the rules that somebody lifted in the week."""
    lifted = [
        flag
        for flag in flags
        if flag.answer
        and flag.severity in (STAFF, STOP)
        and flag.rule not in NO_OVERRIDE
        and week.holds(flag.answered_at)
    ]
    if lifted:
        first = lifted[0]
        yield Line(
            key=f"override|{week.start:%G-W%V}",
            heading="outside",
            severity=STAFF,
            says=f"{len(lifted)} finding{'' if len(lifted) == 1 else 's'} lifted by hand: "
            f"{first.rule}{f' on {first.holder}' if first.holder else ''}.",
            do="Read why, and say whether the rule or its limit should change.",
            url=reverse("bookings:flags"),
            evidence=tuple(
                (f"{flag.rule}, {flag.answered_by}", flag.sentence or flag.get_answer_display())
                for flag in lifted[:4]
            ),
        )


def _undeclared(traces):
    """Samples that went in and had been described only at the bench."""
    if not traces.holders:
        return
    mounts = (
        Mount.objects.filter(holder__in=traces.holders, since__lt=traces.week.end)
        .filter(Q(until=None) | Q(until__gt=traces.week.start))
        .filter(sample__declared_before_arrival=False)
        .select_related("sample", "holder")[:MOST_ROWS]
    )
    found = {mount.sample_id: mount for mount in mounts}
    if found:
        first = next(iter(found.values()))
        yield Line(
            key=f"undeclared|{traces.week.start:%G-W%V}",
            heading="outside",
            says=f"{len(found)} sample{'' if len(found) == 1 else 's'} went in undeclared, "
            "described only at the bench.",
            do="Ask the group to declare before arrival.",
            url=first.sample.get_absolute_url(),
            evidence=tuple(
                (mount.sample.code, f"{mount.sample.title} on {mount.holder}")
                for mount in list(found.values())[:4]
            ),
        )


def _set_aside(traces):
    """What tablets sent in the week and nobody has looked at, of those who were here."""
    logs = [row.pk for row in traces.sessions]
    rows = list(
        KeptItem.objects.unseen()
        .filter(received_at__gte=traces.week.start, received_at__lt=traces.week.end)
        .filter(person__in=Session.parts.rel.related_model.objects.filter(session__in=logs)
                .values("person"))
        .distinct()[:20]
    )  # fmt: skip
    if rows:
        yield Line(
            key=f"set aside|{traces.week.start:%G-W%V}",
            heading="outside",
            says=f"{len(rows)} item{'' if len(rows) == 1 else 's'} that a tablet sent could not be "
            "recorded and wait word for word.",
            do="Read each under Set aside; a step that is missing is typed late.",
            url=reverse("bookings:set_aside"),
            evidence=tuple((f"{row.received_at:%d %b}", row.reason) for row in rows[:4]),
        )


# Flags


def _of_flag(flag, traces):
    """A waiting flag, or one that was raised in the week, as a line with the flag's own key."""
    heading = next(
        (word for begins, word in HEADING_OF.items() if flag.rule.startswith(begins)), "outside"
    )
    went_in = flag.instrument_id is None and flag.holder is not None
    says = f"{flag.holder} went in with an open finding. {flag.says}" if went_in else flag.says
    says = says.removeprefix(f"{traces.instrument}: ").removeprefix(f"{traces.instrument}, ")
    if flag.load_id:
        url = reverse("bookings:load", args=[flag.load_id])
    else:
        url = flag.holder.get_absolute_url() if flag.holder else reverse("bookings:flags")
    return Line(
        key=flag.key,
        heading=heading,
        says=says[:1].upper() + says[1:],
        severity=flag.severity,
        do=flag.do,
        rule=flag.rule,
        source=flag.source,
        since=flag.raised_at,
        url=url,
    )


def _where(row, traces):
    session = traces.session_of.get(row.log_id)
    at = timezone.localtime(row.happened_at)
    where = f"session {session.pk}" if session else "the instrument's log"
    return (
        f"{at:%a %H:%M}",
        f"{row.kind} in {where}, written {timezone.localtime(row.recorded_at):%a %H:%M}",
    )


def _record_of(log_id, traces):
    session = traces.session_of.get(log_id)
    if session:
        return reverse("bookings:session_record", args=[session.pk])
    return traces.instrument.get_absolute_url()


def _span(length):
    minutes = length.total_seconds() / 60
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.0f} h"
