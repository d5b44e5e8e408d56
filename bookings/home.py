"""Reads of the first page: what is on now, what needs this person, what is theirs."""

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from bookings import duty, learning, pump, told, week
from bookings.book import whose
from bookings.models import (
    Booking,
    Flag,
    FollowUp,
    Load,
    Message,
    Offer,
    PumpDown,
    Session,
)
from facility import chart, mute, qualify
from facility.access import may
from facility.findings import SEVERITIES
from facility.models import Chamber, Instrument, Training, Visit
from samples import bench
from samples.models import Holder, Mount, Sample

HOLDERS, SAMPLES, NEXT, NEEDS = 5, 8, 4, 14


# On now


def on_now(person, now):
    """Each instrument: what staff say, what is computed, pressure, holder inside, who is next."""
    instruments = list(Instrument.objects.all())
    running = {
        row.chamber.instrument_id: row
        for row in PumpDown.objects.running().select_related("chamber__instrument", "load")
    }
    loads = {
        row.instrument_id: row
        for row in Load.objects.inside().select_related("holder__type").order_by("loaded_at")
    }
    open_now = {}
    for session in Session.objects.open().prefetch_related("parts").order_by("opened_at"):
        open_now[session.instrument_id] = session
    coming = _coming(now)
    resting = duty.owners(instruments, timezone.localdate(now))
    mounts = mounts_on([row.holder_id for row in loads.values()])
    found = []
    for row in instruments:
        load, pumpdown = loads.get(row.pk), running.get(row.pk)
        bookings = coming.get(row.pk, [])
        found.append(
            {
                "instrument": row,
                **_computed(row, pumpdown, open_now.get(row.pk), bookings, person, now),
                **_pressure(row, pumpdown),
                "load": load,
                "drawing": load and bench.draw_small(load.holder, mounts.get(load.holder_id, [])),
                "next": _next(bookings, person, now),
                "forecast": _ready(pumpdown),
                "rest": resting.get(row.pk) and duty.words(row, resting[row.pk], person),
            }
        )
    return found


def _coming(now):
    """Standing time of the main chambers that is not over, for two days, by instrument."""
    rows = (
        Booking.objects.standing()
        .on_main()
        .filter(ends_at__gt=now, starts_at__lt=now + timedelta(days=2))
        .select_related("place", "person__group")
        .order_by("starts_at")
    )
    found = {}
    for row in rows:
        found.setdefault(row.place.instrument_id, []).append(row)
    return found


def _computed(instrument, pumpdown, session, bookings, person, now):
    """The state that the log gives: a mark and its words."""
    yours = session and any(part.person_id == person.pk for part in session.parts.all())
    mine = ", your session" if yours else ""
    if pumpdown:
        return {"state": "pumping", "state_word": f"pumping{mine}", "session": session}
    if session:
        return {"state": "in-use", "state_word": f"in use{mine}", "session": session}
    here = next((row for row in bookings if row.starts_at <= now), None)
    if here is not None and here.is_closure:
        return {"state": "closed", "state_word": f"closed, {here.why}", "session": None}
    later = next((row for row in bookings if row.starts_at > now), None)
    if here is not None:
        until = _at(here.ends_at, now)
        return {"state": "ready", "state_word": f"booked until {until}", "session": None}
    until = f", free until {_at(later.starts_at, now)}" if later else ", free"
    return {"state": "ready", "state_word": f"ready{until}", "session": None}


def _at(moment, now):
    at = timezone.localtime(moment)
    return f"{at:%H:%M}" if at.date() == timezone.localdate(now) else f"{at:%a %H:%M}"


def _pressure(instrument, pumpdown):
    """The pressure that matters now: of the introduction chamber while it pumps, else of the main."""
    wanted = Chamber.Kind.INTRODUCTION if pumpdown else Chamber.Kind.MAIN
    gauges = pump.gauges_of(instrument)
    newest = pump.newest(gauges)
    shown = [row for row in gauges if row.chamber.kind == wanted and newest[row.pk]]
    shown = shown or [row for row in gauges if newest[row.pk]]
    gauge = max(shown, key=lambda row: newest[row.pk].at, default=None)
    return {
        "gauge": gauge,
        "reading": gauge and newest[gauge.pk],
        "threshold_pa": instrument.threshold_pa if wanted != Chamber.Kind.MAIN else None,
    }


def _next(bookings, person, now):
    row = next((row for row in bookings if row.starts_at > now), None)
    if row is None:
        return ""
    said = whose(row, person)
    who = f"closed, {row.why}" if row.is_closure else {"another group": "taken"}.get(said, said)
    ends = timezone.localtime(row.ends_at)
    return f"{who}, {_at(row.starts_at, now)} until {_at(ends, row.starts_at)}"


def _ready(pumpdown):
    """The forecast in words, bold and pencil; nothing without a pump-down."""
    found = learning.forecast_of(pumpdown) if pumpdown else None
    if found is None:
        return None
    low, ready, high = learning.local_ready(pumpdown, found)
    if found.low80_s == found.high80_s:
        return f"Below the threshold since {ready:%H:%M}", ""
    return f"Ready about {ready:%H:%M}", f", 80 % between {low:%H:%M} and {high:%H:%M}"


def mounts_on(holders):
    """What each of these holders carries now, in order of position, in one query."""
    rows = Mount.objects.standing().filter(holder__in=holders)
    found = {}
    for row in rows.select_related("sample").order_by("position"):
        found.setdefault(row.holder_id, []).append(row)
    return found


def day_lines(person, now):
    """Today on each instrument as one line under the next, the hours above the first."""
    (day,) = week.days(timezone.localdate(now), 1, person, now)
    at = week.planning.hour_in_day(now, day.day, week.here())
    return [
        {
            "name": lane.name,
            "drawing": chart.day_line(
                [[line["slip"] for line in lane.lines]],
                hours=not number,
                now=at,
                now_word="" if number else f"{timezone.localtime(now):%H:%M}",
                says=lane.drawing.says,
            ),
            "lines": lane.lines,
        }
        for number, lane in enumerate(day.lanes)
    ]


# Needs you


def needs(person, now):
    """Everything that waits for this person, gravest first: (rows, how many in all)."""
    found = [
        *_flags(person),
        *_duties(person, now),
        *_offers(person, now),
        *_levels(person, now),
        *_stay(person),
        *_visits(person, now),
        *_trainings(person),
        *_follow_ups(person, now),
        *_messages(person),
    ]
    order = {word: n for n, word in enumerate(reversed(SEVERITIES))}
    gravest = sorted(found, key=lambda row: order[row["severity"]])
    return gravest[:NEEDS], len(found)


def _need(severity, says, url="", press="", code="", code_url="", post=""):
    return {
        "severity": severity,
        "says": says,
        "url": url,
        "press": press,
        "code": code,
        "code_url": code_url,
        "post": post,
    }


def _is_muted(flag):
    """Whether its rule is muted on its instrument today."""
    if flag.instrument is None or not flag.instrument.muted:
        return False
    muted = mute.muted_on(flag.instrument, timezone.localdate())
    return mute.holds_back(muted, flag.rule, flag.severity)


def _flags(person):
    """For the house all that waits; for others what waits on their own samples."""
    rows = Flag.objects.waiting().by_severity().select_related("holder", "instrument")
    answers = may(person, "flag.answer")
    if answers:  # tonight's shut-down is theirs to take over: see _duties
        rows = rows.exclude(rule="BKG-02", key__endswith=f"|{timezone.localdate()}")
    if not may(person, "flag.see"):
        rows = rows.filter(mount__sample__in=Sample.objects.of(person), mount__until=None)
    rows = [row for row in rows[: 2 * NEEDS] if not _is_muted(row)][:NEEDS]
    mounts = {} if answers else mounts_on({row.holder_id for row in rows if row.holder_id})
    for row in rows:
        says, do = told.in_short(row, person, mounts.get(row.holder_id, []))
        if answers:
            url, press = f"{reverse('bookings:answer_flag', args=[row.pk])}?back=today", "Answer"
        elif row.holder:
            url, press = row.holder.get_absolute_url(), "Open the holder"
        else:
            url, press = "", ""
        yield _need(
            row.severity,
            f"{says.rstrip('.')}. {do}" if do else says,
            url,
            press,
            code=row.holder.code if row.holder else "",
            code_url=row.holder.get_absolute_url() if row.holder else "",
        )


def _duties(person, now):
    """Instruments that nobody leaves at rest tonight, for whoever may take that over."""
    today = timezone.localdate(now)
    rows = Flag.objects.waiting().filter(rule="BKG-02", key__endswith=f"|{today}")
    for row in rows.select_related("instrument")[:NEEDS]:
        if may(person, "duty.take", row.instrument):
            take = reverse("bookings:take_duty", args=[row.instrument.slug, today.isoformat()])
            yield _need("warn", f"{row.says} {row.do}", press="I take it over", post=take)


def _offers(person, now):
    rows = Offer.objects.standing(now).filter(person=person).select_related("place__instrument")
    for row in rows[:NEEDS]:
        when = week.planning.stretch(
            timezone.localtime(row.starts_at), timezone.localtime(row.ends_at)
        )
        yield _need(
            "note",
            f"{row.place.instrument}: {when} is offered to you first, until {_at(row.until, now)}.",
            reverse("bookings:offer", args=[row.pk]),
            "Take it or leave it",
        )


def _levels(person, now):
    """Their own qualifications that lapse soon, or lapsed and can be renewed."""
    today = timezone.localdate(now)
    for row in person.qualifications.standing().select_related("instrument"):
        if row.last_day is None or row.last_day > today + qualify.SOON:
            continue
        gone = row.last_day < today
        renews = qualify.level_of(row.instrument, row.level).refresher or "Ask staff."
        yield _need(
            "staff" if gone else "note",
            f"Your qualification for {row.instrument}, {row.get_level_display()}, "
            f"{'lapsed' if gone else 'ends'} on {row.last_day.day} {row.last_day:%B}. {renews}",
            reverse("bookings:person", args=[person.pk]),
            "Your levels",
        )


def _stay(person):
    """A visitor's own stay: until when, and who looks after them."""
    for row in Visit.objects.open().filter(person=person).select_related("host")[:1]:
        ahead = f" Sent ahead: {row.samples_ahead}." if row.samples_ahead else ""
        shown = "" if row.inducted_at else f" {row.host} shows you the house first."
        yield _need(
            "note",
            f"Your stay: {row.arrives_on.day} {row.arrives_on:%b} to {row.leaves_on.day} "
            f"{row.leaves_on:%B}, with {row.host}.{ahead}{shown}",
            reverse("bookings:samples"),
            "Your samples",
        )


def _visits(person, now):
    """Visitors whom they host or, for staff, whom anybody hosts: to be shown round, or to leave."""
    today = timezone.localdate(now)
    rows = Visit.objects.open().filter(arrives_on__lte=today).select_related("person")
    if not may(person, "person.invite"):
        rows = rows.filter(host=person)
    for row in rows[:NEEDS]:
        if row.inducted_at is None:
            yield _need(
                "warn",
                f"{row.person} is here from {row.arrives_on:%d %b} on and has not been shown the house.",
                reverse("bookings:visit", args=[row.pk]),
                "Open the visit",
            )
        elif row.leaves_on < today:
            yield _need(
                "warn",
                f"{row.person} was to leave on {row.leaves_on:%d %b}. Was anything left behind?",
                reverse("bookings:visit", args=[row.pk]),
                "Open the visit",
            )


def _trainings(person):
    """Trainings that this person gives and that are not signed."""
    rows = Training.objects.filter(trainer=person, granted_at=None, person__is_active=True)
    for row in rows.select_related("person", "instrument")[:NEEDS]:
        yield _need(
            "note",
            f"Training of {row.person} on {row.instrument}, {row.get_level_display()}, is open.",
            reverse("bookings:training", args=[row.pk]),
            "Go on",
        )


def _follow_ups(person, now):
    """What this person has to do after an incident; overdue it is graver."""
    today = timezone.localdate(now)
    for row in FollowUp.objects.open().filter(who=person).soonest()[:NEEDS]:
        overdue = row.is_overdue(today)
        says = f"{row.says} {'Was due' if overdue else 'Until'} {row.until:%d %b}."
        yield _need("warn" if overdue else "note", says, row.incident.get_absolute_url(), "Open")


def unread(person):
    """What they were told and have not put away; offers and levels stand here by themselves."""
    rows = Message.objects.unread().filter(person=person)
    for prefix in ("offer|", "lapses|", "lapsed|", "fault|", "visit|", "follow-up|", "BKG-02|"):
        rows = rows.exclude(key__startswith=prefix)
    return rows


def _messages(person):
    for row in unread(person)[:NEEDS]:
        yield _need("note", row.says, row.url, "Open" if row.url else "")


# Yours


def yours(person, now):
    """Holders with their drawings, samples that are not mounted, the next bookings."""
    holders = list(Holder.objects.carrying_samples_of(person).order_by("short_name")[:HOLDERS])
    mounts = mounts_on([row.pk for row in holders])
    samples = Sample.objects.of(person).kept().unmounted()
    return {
        "holders": [
            {
                "holder": row,
                "drawing": bench.draw_small(row, mounts.get(row.pk, [])),
                "state": _state_of(row),
            }
            for row in holders
        ],
        "holder_count": Holder.objects.carrying_samples_of(person).count(),
        "samples": samples[:SAMPLES],
        "sample_count": samples.count(),
        "bookings": Booking.objects.standing()
        .filter(person=person, held_for=None, ends_at__gt=now)
        .select_related("place__instrument")
        .order_by("starts_at")[:NEXT],
    }


def _state_of(holder):
    """The mark of a holder by where it is."""
    if holder.quarantined_why:
        return "quarantined"
    kind = getattr(holder, "place_kind", "")
    if kind in ("introduction", "stage", "parking"):
        return "introduction" if kind == "introduction" else "main"
    return "mounted" if holder.carries else "empty"
