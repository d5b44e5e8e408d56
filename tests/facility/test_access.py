"""Who may see and do what: the table of the program against the one written here by hand."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.utils import timezone

from bookings.models import Session, SessionPart
from facility import access, log
from facility.models import Qualification
from tests import build

pytestmark = pytest.mark.django_db

EVERYONE = {"visitor", "user", "stranger", "lead", "staff", "safety", "manager", "superuser"}
STAFF = {"staff", "manager", "superuser"}  # the superuser of the cast is a manager
HOUSE = STAFF | {"safety"}
OWN = HOUSE | {"user", "lead"}  # of things that are the user's, in the lead's group

# For things that are the user's: sample, session; on an instrument that the user is qualified for.
WHO = {
    "page.public": EVERYONE,
    "page.everyone": EVERYONE,
    "holder.see": EVERYONE,
    "holder.mount": EVERYONE - {"visitor"},
    "holder.keep": STAFF,
    "limit.set": STAFF,
    "stock.see": EVERYONE - {"visitor"},
    "stock.use": EVERYONE - {"visitor"},
    "stock.keep": STAFF,
    "hazard.see": HOUSE,
    "hazard.answer": {"safety"},
    "label.print": EVERYONE - {"visitor"},
    "sample.see": OWN,
    "sample.add": EVERYONE,
    "session.open": EVERYONE - {"visitor"},
    "session.operate": STAFF | {"user"},
    "session.see": OWN,
    "booking.make": EVERYONE - {"visitor"},
    "booking.see": EVERYONE,
    "closure.make": STAFF,
    "duty.take": STAFF | {"user"},
    "flag.see": HOUSE,
    "flag.answer": STAFF,
    "readings.see": EVERYONE - {"visitor"},
    "health.see": EVERYONE - {"visitor"},
    "check.enter": STAFF,
    "upkeep.do": STAFF,
    "log.redact": STAFF,
    "sheet.see": EVERYONE,
    "sheet.edit": STAFF,
    "review.see": HOUSE,
    "review.sign": STAFF,
    "board.keep": STAFF,
    "fault.report": EVERYONE,
    "incident.report": EVERYONE,
    "incident.see": HOUSE | {"user"},
    "incident.keep": HOUSE,
    "follow-up.finish": HOUSE | {"user"},
    "trace.see": HOUSE,
    "photo.see": OWN,
    "tablet.pair": STAFF,
    "tablet.sign_on": EVERYONE - {"visitor"},
    "rules.change": STAFF,
    "instrument.say": STAFF,
    "training.give": STAFF | {"user"},
    "qualification.grant": STAFF,
    "person.list": HOUSE,
    "person.see": OWN,
    "person.invite": STAFF,
    "group.see": HOUSE | {"lead"},
    "usage.see": HOUSE | {"lead"},
    "house.tables": {"superuser"},
}


def cast(lab):
    """The people by what they are to the user's things."""
    return {
        "visitor": lab.eve,
        "user": lab.ben,
        "stranger": lab.chao,
        "lead": lab.gil,
        "staff": lab.dee,
        "safety": lab.fay,
        "manager": lab.ada,
        "superuser": lab.root,
    }


@pytest.fixture
def session(lab):
    """A session in which Ben operates."""
    made = Session.objects.create(
        instrument=lab.instrument,
        log=log.open_log(kind="session", instrument=lab.instrument, by=lab.ben),
        opened_at=timezone.now(),
    )
    SessionPart.objects.create(session=made, person=lab.ben, since=timezone.now())
    return made


def test_given_the_policy_table_when_compared_then_every_policy_is_written_here_by_hand():
    assert set(access.POLICY) == set(WHO)


@pytest.mark.parametrize("name", WHO)
def test_given_a_policy_when_each_role_asks_then_only_those_named_may(lab, session, name):
    thing = {
        "sample.see": build.sample(owner=lab.ben),
        "session.see": session,
        "session.operate": lab.instrument,
        "duty.take": lab.instrument,
        "photo.see": SimpleNamespace(by=lab.ben, by_id=lab.ben.pk),
        "training.give": lab.instrument,
        "person.see": lab.ben,
        "group.see": lab.ben.group,
        "incident.see": (told := build.incident(by=lab.ben)),
        "follow-up.finish": build.follow_up(told, who=lab.ben, by=lab.dee),
    }.get(name)

    may = {role for role, person in cast(lab).items() if access.may(person, name, thing)}

    assert may == WHO[name]


@pytest.mark.parametrize("name", WHO)
def test_given_somebody_who_has_left_when_they_ask_then_nothing_is_theirs(lab, session, name):
    thing = {
        "sample.see": build.sample(owner=lab.ben),
        "session.see": session,
        "session.operate": lab.instrument,
        "duty.take": lab.instrument,
        "photo.see": SimpleNamespace(by=lab.ben, by_id=lab.ben.pk),
        "training.give": lab.instrument,
        "person.see": lab.ben,
        "group.see": lab.ben.group,
        "incident.see": (told := build.incident(by=lab.ben)),
        "follow-up.finish": build.follow_up(told, who=lab.ben, by=lab.dee),
    }.get(name)
    lab.ben.is_active = False

    assert not access.may(lab.ben, name, thing)


def test_given_people_without_a_group_when_asked_then_they_share_nothing(lab):
    one, other = build.person(), build.person()
    theirs = build.sample(owner=one)

    assert access.may(one, "sample.see", theirs)
    assert not access.may(other, "sample.see", theirs)


@pytest.mark.parametrize(
    ("level", "change", "operates"),
    [
        (Qualification.Level.OBSERVE, {}, False),
        (Qualification.Level.ASSISTED, {}, True),
        (Qualification.Level.ION_GUN, {}, True),
        (Qualification.Level.ALONE, {"lapses_on": timedelta(days=-1)}, False),
        (Qualification.Level.ALONE, {"lapses_on": timedelta(days=0)}, True),
        (Qualification.Level.ALONE, {"granted_on": timedelta(days=1)}, False),
        (Qualification.Level.ALONE, {"ended_at": timedelta(days=0)}, False),
    ],
)
def test_given_a_qualification_when_it_is_too_low_or_not_valid_then_it_does_not_open_the_door(
    lab, level, change, operates
):
    granted = build.qualify(lab.chao, lab.instrument, level, by=lab.dee)
    today = timezone.localdate()
    for field, days in change.items():
        setattr(granted, field, timezone.now() if field == "ended_at" else today + days)
    granted.save()

    assert access.may(lab.chao, "session.operate", lab.instrument) is operates
    assert not access.may(lab.chao, "session.operate", lab.other_instrument)


def test_given_a_refusal_when_raised_then_a_stranger_hears_404_and_the_others_whom_it_is_for(lab):
    sample = build.sample(owner=lab.ben)

    with pytest.raises(Http404):
        access.require_or_404(lab.chao, "sample.see", sample)
    with pytest.raises(PermissionDenied, match="staff and managers"):
        access.require(lab.chao, "flag.answer")
    access.require_or_404(lab.ben, "sample.see", sample)
    access.require(lab.dee, "flag.answer")


def test_given_a_view_when_it_names_a_policy_then_the_policy_is_asked_before_it_runs(lab, rf):
    ran = []

    @access.policy("flag.answer")
    def view(request):
        ran.append(request.user)

    request = rf.post("/")
    request.session = {}
    request.user = lab.chao
    with pytest.raises(PermissionDenied):
        view(request)
    request.user = lab.dee
    view(request)

    assert ran == [lab.dee]
    assert view.policy == "flag.answer"


def test_given_a_view_when_it_names_a_policy_that_is_none_then_it_does_not_start():
    with pytest.raises(KeyError, match=r"no policy is called 'flag\.anwser'"):
        access.policy("flag.anwser")
