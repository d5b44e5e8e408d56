"""What the clock finds about attendance: unused time, use of instruments, lapses, faults, visits.

Each duty is done once, whoever ticks: what was done is seen in the rows themselves.
"""

from datetime import timedelta

from django.db.models import Max, Q
from django.urls import reverse
from django.utils import timezone

from bookings import tell
from bookings.book import free
from bookings.models import Booking, BookingRules, Fault, Load, SessionPart
from facility import qualify
from facility.models import Qualification, Visit

EARLY = timedelta(minutes=30)  # somebody who signs on so long before has come
LOOKED_BACK = timedelta(days=2)
USES = [SessionPart.Part.OPERATES, SessionPart.Part.TRAINS]


# Unused time


def release_unused(now):
    """Free what nobody came for by the instrument's time; a load inside counts as coming."""
    rules = {row.instrument_id: row for row in BookingRules.objects.all()}
    begun = (
        Booking.objects.standing()
        .of_people()
        .on_main()
        .filter(starts_at__gt=now - LOOKED_BACK, starts_at__lte=now, ends_at__gt=now)
        .select_related("place__instrument", "person")
        .order_by("starts_at")
    )
    count = 0
    for booking in begun:
        instrument = booking.place.instrument
        minutes = rules.get(instrument.pk, BookingRules()).release_min
        since = max(booking.starts_at, booking.changed_at or booking.starts_at, booking.made_at)
        if not minutes or now < since + timedelta(minutes=minutes) or has_come(booking, now):
            continue
        free(booking, None, Booking.Why.NOT_USED)
        tell.tell(
            person=booking.person,
            key=f"unused|{booking.pk}",
            says=f"{instrument}: nobody had signed on {minutes} min after your time began, "
            f"{tell.moment(booking.starts_at)}, so it is free for others. Book what is left of it "
            "if you still come.",
            url=reverse("bookings:bookings"),
        )
        count += 1
    return count


def has_come(booking, now):
    """Whether its person or their group signed on in the time, or has a load in the instrument."""
    person = booking.person
    theirs = Q(person=person)
    loads = Q(loaded_by=person) | Q(
        holder__mounts__until=None, holder__mounts__sample__owner=person
    )
    if person.group_id is not None:
        theirs |= Q(person__group=person.group_id)
        loads |= Q(loaded_by__group=person.group_id)
    instrument = booking.place.instrument_id
    signed_on = SessionPart.objects.filter(
        theirs, session__instrument=instrument, since__lt=min(booking.ends_at, now)
    ).filter(Q(until=None) | Q(until__gt=booking.starts_at - EARLY))
    return signed_on.exists() or (
        Load.objects.inside().filter(loads, instrument=instrument).exists()
    )


# Use and lapse


def note_use(now):
    """Bring each standing qualification's last use up to date from the sessions."""
    recent = _last_uses(SessionPart.objects.filter(since__gt=now - LOOKED_BACK))
    rows = Qualification.objects.standing().select_related("instrument")
    unseen = rows.filter(last_used_on=None, unused_on=None)
    ever = _last_uses(SessionPart.objects.filter(person__in=unseen.values("person")))
    count = 0
    for row in unseen:
        used = ever.get((row.person_id, row.instrument_id))
        qualify.note_use(row, max(used, row.granted_on) if used else row.granted_on)
        count += 1
    people = {person for person, _ in recent}
    for row in rows.filter(person__in=people, last_used_on__isnull=False):
        used = recent.get((row.person_id, row.instrument_id))
        if used and used > row.last_used_on:
            qualify.note_use(row, used)
            count += 1
    return count


def _last_uses(parts):
    """The local day of last use, by person and instrument."""
    found = (
        parts.filter(part__in=USES)
        .values_list("person", "session__instrument")
        .annotate(Max("since"))
    )
    return {(person, place): timezone.localdate(at) for person, place, at in found}


def tell_lapses(now):
    """Say once, to person and staff, what lapses within a month, and what has lapsed."""
    today = timezone.localdate(now)
    count = 0
    for row in qualify.lapsing(today):
        _tell_lapse(row, f"lapses|{row.pk}|{row.last_day}", f"ends on {row.last_day:%d %b %Y}")
        count += 1
    for row in qualify.lapsed(today):
        _tell_lapse(row, f"lapsed|{row.pk}|{row.last_day}", f"lapsed on {row.last_day:%d %b %Y}")
        count += 1
    return count


def _tell_lapse(row, key, what):
    why = "for want of use" if row.unused_on == row.last_day else "by its date"
    renews = qualify.level_of(row.instrument, row.level).refresher or "Ask staff for a refresher."
    level = f"{row.instrument}, {row.get_level_display()}"
    url = reverse("bookings:person", args=[row.person_id])
    tell.tell(
        person=row.person,
        key=key,
        says=f"Your qualification for {level}, {what} {why}. To renew it: {renews}",
        url=url,
    )
    tell.tell_staff(key=key, says=f"{row.person}: {level}, {what} {why}.", url=url)


# Faults and visits


def tell_faults(now):
    """Staff are told of each fault that is open, once."""
    rows = Fault.objects.open().filter(began_at__gt=now - LOOKED_BACK).select_related("instrument")
    for row in rows:
        tell.tell_staff(
            key=f"fault|{row.pk}",
            says=f"Fault {row.pk} on {row.instrument}: {row.says}",
            url=row.instrument.get_absolute_url(),
        )
    return len(rows)


def tell_overdue_visits(now):
    """A visitor should have left and nobody said that nothing was left behind: told once."""
    today = timezone.localdate(now)
    rows = Visit.objects.open().filter(leaves_on__lt=today).select_related("person", "host")
    for row in rows:
        says = (
            f"{row.person} was to leave on {row.leaves_on:%d %b %Y}. "
            "Say that nothing was left behind, or where it is."
        )
        url = reverse("bookings:person", args=[row.person_id])
        tell.tell(person=row.host, key=f"visit|{row.pk}", says=says, url=url)
        tell.tell_staff(key=f"visit|{row.pk}", says=says, url=url)
    return len(rows)
