"""The next seven days of an instrument: who comes, what is closed, what lapses; for the review."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from bookings.lines import Line
from bookings.models import Booking
from facility import qualify
from facility.findings import STAFF, STOP
from facility.models import Place, Training, Visit
from samples.models import Sample
from samples.risks.hazards import HAZARDS

MOST = 8  # rows of the agenda
MOST_BOOKINGS = 600  # of two weeks, both chambers
DECLARED = timedelta(days=120)  # an older declaration is no arrival any more; own proposal


@dataclass(frozen=True)
class Coming:
    """One thing that the next seven days bring."""

    day: str
    what: str
    says: str
    url: str = ""

    def document(self):
        return dict(self.__dict__)


class Ahead:
    """What is known of the seven days after a week, and the week's own bookings; read once."""

    def __init__(self, instrument, week):
        self.instrument = instrument
        self.start, self.end = week.next_seven_days
        rows = (
            Booking.objects.standing()
            .filter(place__instrument=instrument)
            .touching(week.start, self.end)
            .select_related("person", "place")
            .order_by("starts_at")[:MOST_BOOKINGS]
        )
        both = list(rows)
        self.bookings = [row for row in both if row.ends_at > self.start and not row.held_for_id]
        self.booked = [
            (row.starts_at, row.ends_at)
            for row in both
            if row.starts_at < week.end and row.person_id and row.place.kind == Place.Kind.STAGE
        ]
        self.people = {row.person_id: row for row in self.bookings if row.person_id}
        self.samples = self._arriving()

    def _arriving(self):
        """Hazardous or porous samples of those who have time then, which are not mounted yet."""
        if not self.people:
            return []
        groups = {row.person.group_id for row in self.people.values()} - {None}
        mine = Q(owner__in=self.people) | Q(group__in=groups)
        told = ~Q(hazards__in=["", "none"]) | Q(form=Sample.Form.POROUS)
        return list(
            Sample.objects.kept()
            .unmounted()
            .filter(mine, told, declared_at__gte=self.start - DECLARED, declared_at__lt=self.end)
            .select_related("owner")[:12]
        )

    def rows(self):
        """The agenda in order of days, at most MOST."""
        found = [
            *self._closures(),
            *self._visitors(),
            *self._trainings(),
            *self._arrivals(),
            *self._levels(),
        ]
        found.sort(key=lambda pair: pair[0])
        return [row for _, row in found[:MOST]]

    def _on(self, moment_or_day, what, says, url=""):
        day = moment_or_day
        if isinstance(day, datetime):
            day = timezone.localtime(day).date()
        return day, Coming(f"{day:%a} {day.day} {day:%b}", what, says, url)

    def _closures(self):
        seen = set()
        for row in self.bookings:
            if row.is_closure and (row.starts_at, row.ends_at) not in seen:
                seen.add((row.starts_at, row.ends_at))
                until = timezone.localtime(row.ends_at)
                says = f"{row.why or 'closed'}, until {until:%a} {until.day} {until:%b %H:%M}"
                yield self._on(
                    max(row.starts_at, self.start), "closed", says, row.get_absolute_url()
                )

    def _visitors(self):
        first, last = timezone.localdate(self.start), timezone.localdate(self.end)
        rows = Visit.objects.open().filter(arrives_on__gte=first, arrives_on__lt=last)
        for row in rows.select_related("person", "host")[:MOST]:
            ahead = f"; {row.samples_ahead}" if row.samples_ahead else ""
            says = f"{row.person}, hosted by {row.host}{ahead}"
            url = reverse("bookings:visit", args=[row.pk])
            yield self._on(row.arrives_on, "visitor", says, url)

    def _trainings(self):
        """Open trainings of people who have time in these days."""
        if not self.people:
            return
        rows = Training.objects.filter(
            instrument=self.instrument, granted_at=None, person__is_active=True
        )
        for row in rows.select_related("person", "trainer")[:MOST]:
            booked = self.people.get(row.person_id) or self.people.get(row.trainer_id)
            if booked:
                says = f"{row.person} towards {row.get_level_display()}, with {row.trainer}"
                url = reverse("bookings:training", args=[row.pk])
                yield self._on(max(booked.starts_at, self.start), "training", says, url)

    def _arrivals(self):
        """One row a person who brings something hazardous or porous."""
        brought = {}
        for row in self.samples:
            brought.setdefault(row.owner, []).append(row)
        for owner, rows in brought.items():
            words = dict.fromkeys(row.hazards or "porous powder" for row in rows)
            of = f"{rows[0]} of {owner}" if len(rows) == 1 else f"{len(rows)} samples of {owner}"
            booked = self.people.get(owner.pk) or next(iter(self.people.values()))
            what = "hazard" if any(row.hazards for row in rows) else "porous"
            url = rows[0].get_absolute_url()
            at = max(booked.starts_at, self.start)
            yield self._on(at, what, f"{of}: {', '.join(words)}", url)

    def _levels(self):
        first = timezone.localdate(self.start)
        for row in qualify.lapsing(first, timedelta(days=6)):
            if row.instrument_id == self.instrument.pk:
                url = reverse("bookings:person", args=[row.person_id])
                says = f"{row.person}, {row.get_level_display()}"
                yield self._on(row.last_day, "level ends", says, url)

    def lines(self):
        """What of it needs a person before it comes: a hazard without a permit."""
        bare = [row for row in self.samples if not row.permit and _needs_permit(row.hazards)]
        for row in bare[:3]:
            yield Line(
                key=f"permit|{row.code}",
                heading="ahead",
                severity=STAFF,
                says=f"{row} of {row.owner} comes with a hazard and without a permit: {row.hazards}.",
                do="Ask the safety officer before it arrives.",
                rule="HAZ-01",
                source="the owner's declaration; the lists are the laboratory's own",
                url=row.get_absolute_url(),
            )


def _needs_permit(hazards):
    """Whether the laboratory's list asks the safety officer's permit for one of these words."""
    said = hazards.casefold()
    return any(word in said for word, severity, _ in HAZARDS if severity == STOP)
