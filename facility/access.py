"""Who may see and do what: one table. Views name their policy; a test walks every URL for every role.

A policy is a function of a person and, where it matters, of the thing. It answers yes or no and
asks the database only for the person's qualifications.
"""

from functools import wraps

from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.utils import timezone

from facility.models import Person, Qualification

Role = Person.Role


def _anyone(person, thing=None):
    return True


def _staff(person, thing=None):
    return person.role in (Role.STAFF, Role.MANAGER)


def _staff_or_safety(person, thing=None):
    return person.role in (Role.STAFF, Role.MANAGER, Role.SAFETY)


def _safety(person, thing=None):
    return person.role == Role.SAFETY


def _works_here(person, thing=None):
    """Everyone but visitors, who only follow what their host does with their samples."""
    return person.role != Role.VISITOR


def _sees_sample(person, sample):
    """Its owner, the owner's group, and those who answer for the house."""
    return (
        sample.owner_id == person.pk
        or (sample.group_id is not None and sample.group_id == person.group_id)
        or _staff_or_safety(person)
    )


def _operates(person, instrument):
    """A standing qualification from `assisted` up; staff always."""
    return _staff(person) or level_of(person, instrument) >= Qualification.Level.ASSISTED


def _leaves_at_rest(person, instrument):
    """Who works there without somebody beside them: alone by day and up; staff always."""
    return _staff(person) or level_of(person, instrument) >= Qualification.Level.DAY


def _trains(person, instrument):
    """Staff, and whoever may work there alone at any hour."""
    return _staff(person) or level_of(person, instrument) >= Qualification.Level.ALONE


def _sees_person(person, other):
    """Themselves, the lead of their group, and those who answer for the house."""
    leads = person.role == Role.LEAD and person.group_id is not None
    return (
        other.pk == person.pk
        or (leads and other.group_id == person.group_id)
        or _staff_or_safety(person)
    )


def _sees_group(person, group):
    """Its lead, and those who answer for the house."""
    return (person.role == Role.LEAD and person.group_id == group.pk) or _staff_or_safety(person)


def _leads_or_staff(person, thing=None):
    return person.role == Role.LEAD or _staff_or_safety(person)


def _sees_photo(person, photo):
    """Who took it, their group, and those who answer for the house."""
    same_group = photo.by.group_id is not None and photo.by.group_id == person.group_id
    return photo.by_id == person.pk or same_group or _staff_or_safety(person)


def _sees_session(person, session):
    """Those who took part, their groups, and those who answer for the house."""
    if _staff_or_safety(person):
        return True
    parts = session.parts.select_related("person")
    return any(
        part.person_id == person.pk
        or (person.group_id is not None and part.person.group_id == person.group_id)
        for part in parts
    )


def _sees_incident(person, incident):
    """Who reported it, who has a follow-up of it, and those who answer for the house."""
    return (
        incident.by_id == person.pk
        or _staff_or_safety(person)
        or incident.follow_ups.filter(who=person).exists()
    )


def _finishes(person, follow_up):
    """Whoever has it, and those who answer for the house."""
    return follow_up.who_id == person.pk or _staff_or_safety(person)


POLICY = {
    "page.public": (_anyone, "anyone, signed in or not"),
    "page.everyone": (_anyone, "everyone who is signed in"),
    "holder.see": (_anyone, "everyone; samples of other groups show as their class only"),
    "holder.mount": (_works_here, "everyone but visitors"),
    "holder.keep": (_staff, "staff and managers"),
    "limit.set": (_staff, "staff and managers"),
    "stock.see": (_works_here, "everyone but visitors"),
    "stock.use": (_works_here, "everyone but visitors"),
    "stock.keep": (_staff, "staff and managers"),
    "hazard.see": (_staff_or_safety, "staff, managers, safety officer"),
    "hazard.answer": (_safety, "the safety officer"),
    "label.print": (_works_here, "everyone but visitors"),
    "sample.see": (_sees_sample, "owner, owner's group, staff, safety officer"),
    "sample.add": (_anyone, "everyone, for themselves"),
    "session.open": (_works_here, "everyone but visitors; operating asks for a qualification"),
    "session.operate": (_operates, "qualified on the instrument, or staff"),
    "session.see": (_sees_session, "those who took part, their groups, staff, safety officer"),
    "booking.make": (_works_here, "everyone but visitors"),
    "booking.see": (_anyone, "everyone; whose time it is shows to the group and staff"),
    "closure.make": (_staff, "staff and managers"),
    "duty.take": (_leaves_at_rest, "staff, and whoever works there alone by day"),
    "flag.see": (_staff_or_safety, "staff, managers, safety officer"),
    "flag.answer": (_staff, "staff and managers"),
    "review.see": (_staff_or_safety, "staff, managers, safety officer"),
    "review.sign": (_staff, "staff and managers"),
    "board.keep": (_staff, "staff and managers"),
    "fault.report": (_anyone, "everyone who is signed in"),
    "incident.report": (_anyone, "everyone who is signed in, about any instrument or none"),
    "incident.see": (_sees_incident, "who reported it, who follows it up, staff, safety officer"),
    "follow-up.finish": (_finishes, "whoever has it, staff, safety officer"),
    "incident.keep": (_staff_or_safety, "staff, managers, safety officer"),
    "trace.see": (_staff_or_safety, "staff, managers, safety officer"),
    "photo.see": (_sees_photo, "who took it, their group, staff, safety officer"),
    "readings.see": (_works_here, "everyone but visitors"),
    "tablet.pair": (_staff, "staff and managers"),
    "tablet.sign_on": (_works_here, "everyone but visitors"),
    "log.redact": (_staff, "staff and managers"),
    "rules.change": (_staff, "staff and managers"),
    "instrument.say": (_staff, "staff and managers"),
    "training.give": (_trains, "staff, and whoever works there alone"),
    "qualification.grant": (_staff, "staff and managers"),
    "person.list": (_staff_or_safety, "staff, managers, safety officer"),
    "person.see": (_sees_person, "themselves, the lead of their group, staff, safety officer"),
    "person.invite": (_staff, "staff and managers"),
    "group.see": (_sees_group, "its lead, staff, safety officer"),
    "usage.see": (_leads_or_staff, "staff, safety officer; leads for their own group"),
    "health.see": (_works_here, "everyone but visitors"),
    "check.enter": (_staff, "staff and managers"),
    "upkeep.do": (_staff, "staff and managers"),
    "sheet.see": (_anyone, "everyone"),
    "sheet.edit": (_staff, "staff and managers"),
    "house.tables": (lambda person, thing=None: person.is_superuser, "superusers"),
}


# What a PIN at a paired tablet opens: its instrument's sessions and what they need. A roll is opened
# and a dial is read at the bench, with gloves on.
BY_PIN = {
    "page.public",
    "page.everyone",
    "session.open",
    "session.operate",
    "session.see",
    "readings.see",
    "holder.see",
    "photo.see",
    "stock.see",
    "stock.use",
    "tablet.sign_on",
    "fault.report",
    "incident.report",
    "incident.see",
}


def level_of(person, instrument, on=None):
    """The level of a person's standing qualification on an instrument, 0 without one."""
    on = on or timezone.localdate()
    found = Qualification.objects.valid(on).filter(person=person, instrument=instrument)
    return max(found.values_list("level", flat=True), default=0)


def may(person, name, thing=None):
    """Whether the policy `name` lets `person` at `thing`."""
    if not person.is_active:
        return False
    return POLICY[name][0](person, thing)


def require(person, name, thing=None):
    """Raise PermissionDenied, for things that the person may know of."""
    if not may(person, name, thing):
        raise PermissionDenied(POLICY[name][1])


def require_or_404(person, name, thing=None):
    """Raise Http404, for things that do not exist for a stranger."""
    if not may(person, name, thing):
        raise Http404


def policy(name):
    """Name a view's policy; where it needs no thing, it is asked before the view runs."""
    if name not in POLICY:
        raise KeyError(f"no policy is called {name!r}")
    needs_thing = POLICY[name][0] in (
        _sees_sample,
        _operates,
        _leaves_at_rest,
        _sees_session,
        _sees_photo,
        _trains,
        _sees_person,
        _sees_group,
        _sees_incident,
        _finishes,
    )

    def mark(view):
        @wraps(view)
        def guarded(request, *args, **kwargs):
            if request.session.get("by_pin") and name not in BY_PIN:
                raise PermissionDenied(
                    "those who signed on with their password; a PIN opens sessions"
                )
            if not needs_thing and name != "page.public":
                require(request.user, name)
            return view(request, *args, **kwargs)

        guarded.policy = name
        return guarded

    return mark
