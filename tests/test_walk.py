"""Every address for every role, GET and POST: who gets in, who is refused, and that nothing leaks.

A new address fails here until ARGUMENTS says what to ask it for. Its policy decides who may; an
address that is stricter than its policy stands in STRICTER with those it lets in.
"""

import re
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.db import connection, transaction
from django.forms import BaseForm
from django.test import Client
from django.urls import URLPattern, get_resolver, reverse
from django.utils import timezone

from bookings import book, closures, feed, forms_sheets, forms_time, inside, pump, run, visits
from bookings import forms as bookings_forms
from bookings.models import Flag, Offer, Wish
from facility import forms as facility_forms
from facility import invite, publish, qualify
from facility.models import Place
from samples import mount
from tests import build
from tests.facility.test_access import EVERYONE, OWN, STAFF, WHO, cast

pytestmark = pytest.mark.django_db

SECRET = "Unobtainium on glass"
FORMULA = "UnobtO3"
PUBLIC = {"facility:sign_in", "facility:health", "facility:welcome", "bookings:feed_file"}

# What each address with a parameter is asked for: things of Ben's.
ARGUMENTS = {
    "bookings:scanned_holder": lambda our: [our.holder.code],
    "bookings:scanned_sample": lambda our: [our.sample.code],
    "bookings:holder": lambda our: [our.holder.code],
    "bookings:mount_sample": lambda our: [our.free_holder.code],
    "bookings:take_off": lambda our: [our.holder.code, our.mount.pk],
    "bookings:say_loose_powder": lambda our: [our.holder.code, our.mount.pk],
    "bookings:label": lambda our: [our.holder.code],
    "bookings:label_png": lambda our: [our.holder.code],
    "bookings:sample": lambda our: [our.sample.code],
    "bookings:session": lambda our: [our.session.pk],
    "bookings:take_step": lambda our: [our.session.pk],
    "bookings:anyway": lambda our: [our.session.pk],
    "bookings:write_pressure": lambda our: [our.session.pk, "quayside-intro"],
    "bookings:write_note": lambda our: [our.session.pk],
    "bookings:sign_off": lambda our: [our.session.pk],
    "bookings:pumpdown_curve": lambda our: [our.pumpdown.pk],
    "bookings:instrument": lambda our: [our.instrument.slug],
    "bookings:session_record": lambda our: [our.session.pk],
    "bookings:load": lambda our: [our.load.pk],
    "bookings:cancel_booking": lambda our: [our.booking.pk],
    "bookings:booking": lambda our: [our.booking.pk],
    "bookings:move_booking": lambda our: [our.booking.pk],
    "bookings:day": lambda our: [timezone.localdate().isoformat()],
    "bookings:open_again": lambda our: [our.closure.pk],
    "bookings:leave_waiting": lambda our: [our.wish.pk],
    "bookings:offer": lambda our: [our.offer.pk],
    "bookings:feed_file": lambda our: [our.feed_token],
    "bookings:booking_rules": lambda our: [our.instrument.slug],
    "bookings:change_rules": lambda our: [our.instrument.slug],
    "bookings:say_word": lambda our: [our.instrument.slug],
    "facility:welcome": lambda our: [our.welcome_token],
    "bookings:visit": lambda our: [our.visit.pk],
    "bookings:induct": lambda our: [our.visit.pk],
    "bookings:close_visit": lambda our: [our.visit.pk],
    "bookings:training": lambda our: [our.training.pk],
    "bookings:observe": lambda our: [our.training.pk],
    "bookings:grant": lambda our: [our.training.pk],
    "bookings:end_qualification": lambda our: [our.ben.qualifications.get().pk],
    "bookings:group": lambda our: [our.ben.group_id],
    **{
        f"bookings:{name}": lambda our: [our.ben.pk]
        for name in ("person", "new_link", "arrange_visit", "hand_over", "leave", "begin_training")
    },
    "bookings:answer_flag": lambda our: [our.flag.pk],
    **{
        f"bookings:{name}": lambda our: [our.instrument.sheet_id]
        for name in ("sheet", "rehearse", "sheet_paper")
    },
    **{
        f"bookings:{name}": lambda our: [our.instrument.slug]
        for name in (
            "compare_sheets", "draft", "begin_draft", "draft_step", "draft_device", "draft_hazard",
            "draft_about", "draft_text", "change_draft", "prove_draft", "publish_draft",
        )
    },
    "bookings:late_entries": lambda our: [our.session.pk],
}  # fmt: skip
WRITE_IN_A_SESSION = STAFF | {"user"}
STRICTER = {
    "bookings:load": OWN,
    "bookings:scanned_sample": OWN,
    "bookings:offer": {"user"},
    **dict.fromkeys(  # Gil, the lead, hosts the visit
        ["bookings:visit", "bookings:induct", "bookings:close_visit"], STAFF | {"lead"}
    ),
    **dict.fromkeys(
        [
            "bookings:take_step",
            "bookings:anyway",
            "bookings:write_pressure",
            "bookings:write_note",
            "bookings:sign_off",
            "bookings:late_entries",
        ],
        WRITE_IN_A_SESSION,
    ),
}
HIDDEN = {
    "bookings:offer",
    "bookings:sample",
    "bookings:session",
    "bookings:session_record",
    "bookings:load",
}


def addresses(patterns=None, space=""):
    """(name, pattern) of every address but the admin's."""
    for entry in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(entry, URLPattern):
            yield f"{space}{entry.name}", entry
        elif entry.namespace != "admin":
            inner = f"{entry.namespace}:" if entry.namespace else space
            yield from addresses(entry.url_patterns, inner)


ADDRESSES = dict(addresses())


@pytest.fixture
def our(lab):
    """What belongs to Ben: a sample on a holder in vacuum, a session, a load, a booking, a flag."""
    sample = build.sample(SECRET, owner=lab.ben, composition=FORMULA)
    mounted = mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    now = timezone.now()
    load = inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=now)
    chamber = lab.instrument.chambers.get(kind="introduction")
    free = build.holder("F1", by=lab.dee)
    build.sample(SECRET + ", the second", owner=lab.ben, composition=FORMULA)
    return SimpleNamespace(
        **vars(lab),
        sample=sample,
        mount=mounted,
        session=session,
        load=load,
        free_holder=free,
        pumpdown=pump.start(chamber=chamber, by=lab.ben, load=load),
        booking=book.book(
            place=Place.objects.get(kind="stage", instrument=lab.instrument),
            by=lab.ben,
            start=now + timedelta(hours=1),
            end=now + timedelta(hours=2),
        ),
        flag=Flag.objects.create(
            key="walk", rule="PWD-01", severity="staff", says=f"{SECRET} sheds", raised_at=now,
            holder=lab.holder, mount=mounted, instrument=lab.instrument,
        ),
        **of_people(lab, now),
        draft=publish.begin(instrument=lab.instrument, by=lab.dee),
    )  # fmt: skip


def of_people(lab, now):
    """A training and an offer of Ben's, a visit that Gil hosts, a closure, a wish, two secret links."""
    stage = Place.objects.get(kind="stage", instrument=lab.other_instrument)
    day = now.date()
    visitor = build.person("Wim Plantain", role="visitor")
    return {
        "training": qualify.begin_training(
            person=lab.ben, instrument=lab.instrument, level=5, by=lab.dee
        ),
        "visit": visits.arrange(
            person=visitor, host=lab.gil, arrives_on=day, leaves_on=day, by=lab.dee
        ),
        "closure": closures.close(
            instrument=lab.other_instrument, by=lab.dee, why="bake",
            start=now + timedelta(days=2), end=now + timedelta(days=3),
        ),
        "wish": Wish.objects.create(
            person=lab.ben, place=stage, made_at=now,
            starts_at=now + timedelta(days=2), ends_at=now + timedelta(days=3),
        ),
        "offer": Offer.objects.create(
            person=lab.ben, place=stage, made_at=now, until=now + timedelta(hours=9),
            starts_at=now + timedelta(hours=8), ends_at=now + timedelta(hours=9),
        ),
        "feed_token": feed.renew(person=lab.ben, instrument=lab.instrument),
        "welcome_token": invite.new_link(person=lab.ben, by=lab.dee),
    }  # fmt: skip


def path_of(name, our):
    return reverse(name, args=ARGUMENTS[name](our) if name in ARGUMENTS else [])


class Walker:
    """One person's browser; every request is taken back, so that the next finds the same house."""

    def __init__(self, person=None):
        self.client = Client()
        if person is not None:
            self.client.force_login(person)

    def ask(self, method, path, data=None):
        """(response, statements that wrote)."""
        wrote = []

        def watch(execute, sql, params, many, context):
            verb = sql.lstrip().split(" ", 1)[0].upper()
            if verb in ("INSERT", "UPDATE", "DELETE") and "django_session" not in sql:
                wrote.append(sql)
            return execute(sql, params, many, context)

        with transaction.atomic(), connection.execute_wrapper(watch):
            response = getattr(self.client, method)(path, data)
            transaction.set_rollback(True)
        return response, wrote


def is_sign_in(response):
    return response.status_code == 302 and response.url.startswith(reverse("facility:sign_in"))


def test_given_every_address_when_listed_then_each_has_a_policy_and_its_arguments():
    nameless = [name for name in ADDRESSES if name.endswith("None")]
    without = [name for name, entry in ADDRESSES.items() if not hasattr(entry.callback, "policy")]
    takes = {name for name, entry in ADDRESSES.items() if "<" in str(entry.pattern)}

    assert nameless == []
    assert without == []
    assert takes == set(ARGUMENTS), "say in ARGUMENTS what each address is asked for"
    assert STRICTER.keys() | HIDDEN | PUBLIC <= ADDRESSES.keys()


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_nobody_signed_in_when_any_address_is_asked_then_it_leads_to_signing_in(our, name):
    left = build.person("Hal Dune")
    browsers = [Walker(), Walker(left)]
    left.is_active = False
    left.save()

    for browser in browsers:
        for method in ("get", "post"):
            response, wrote = browser.ask(method, path_of(name, our))

            if name in PUBLIC:
                assert response.status_code in (200, 405, 422)
            else:
                assert is_sign_in(response), f"{method} {name}: {response.status_code}"
            assert wrote == []
            assert "default-src 'none'" in response.headers["Content-Security-Policy"]


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_each_role_when_any_address_is_asked_then_only_those_who_may_get_in(our, name):
    entry = ADDRESSES[name]
    let_in = WHO[entry.callback.policy] & STRICTER.get(name, EVERYONE)

    for role, person in cast(our).items():
        for method in ("get", "post"):
            response, wrote = Walker(person).ask(method, path_of(name, our))
            said = f"{method} {name} as {role}: {response.status_code}"
            if response.status_code == 405:  # nobody asks it that way
                assert wrote == [], said
            elif role in let_in:
                assert response.status_code in (200, 204, 302, 422), said
                assert not is_sign_in(response) or name == "facility:sign_out", said
            else:
                may_not_know = name in HIDDEN and role in WHO[entry.callback.policy]
                assert response.status_code in ((404,) if may_not_know else (403, 404)), said
                assert wrote == [], said
            if method == "get":
                assert wrote == [], said


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_people_who_may_not_see_a_sample_when_they_look_round_then_nothing_tells_of_it(
    our, name
):
    for role, person in cast(our).items():
        if role in OWN:
            continue
        for method in ("get", "post"):
            response, _ = Walker(person).ask(method, path_of(name, our))
            text = response.content.decode(errors="replace") if response.content else ""

            assert SECRET not in text, f"{method} {name} as {role}"
            assert FORMULA not in text, f"{method} {name} as {role}"


@pytest.mark.parametrize(
    "name", ["bookings:scanned_holder", "bookings:holder", "bookings:sample", "bookings:label"]
)
@pytest.mark.parametrize("code", ["H0000000", "nothing", "%00", "a" * 300, "🜂"])
def test_given_codes_of_nothing_when_asked_then_they_are_not_here(lab, name, code):
    path = reverse(name, args=["X"]).replace("/X", f"/{code}")

    response, _ = Walker(lab.ben).ask("get", path)

    assert response.status_code in (302, 404)


READ_WITHOUT_A_FORM = {"q", "next", "back", "seen", "what", "handover", "fault"} | {
    "seen_step", "answer", "series", "week", "page", "gone",
    "revision", "do", "reason", "source", "start", "new", "old", "device", "hazard", "kind",
    "day", "time-1", "what-1", "value-1", "sent-1", "photo_sent",
}  # fmt: skip
FIELDS = READ_WITHOUT_A_FORM.union(
    *(
        form.base_fields
        for module in (bookings_forms, forms_sheets, forms_time, facility_forms)
        for form in vars(module).values()
        if isinstance(form, type) and issubclass(form, BaseForm)
    )
)
NONSENSE = {
    "NUL": "a\x00b",
    "script": "<script>alert(1)</script>",
    "huge": "9" * 5000,
    "number": "1e999",
    "words": "🜂 " * 50,
    "minus": "-1",
    "empty": "",
}


@pytest.mark.parametrize("nonsense", NONSENSE)
@pytest.mark.parametrize("name", ADDRESSES)
def test_given_nonsense_in_every_field_when_sent_then_an_answer_comes_back(our, name, nonsense):
    fields = dict.fromkeys(FIELDS, NONSENSE[nonsense])

    for method in ("get", "post"):
        response, _ = Walker(our.ben).ask(method, path_of(name, our), fields)

        assert response.status_code < 500
        assert b"<script>alert" not in (response.content or b"")


def test_given_the_tables_when_anybody_but_a_superuser_asks_then_they_are_shut(lab):
    for role, person in cast(lab).items():
        response, _ = Walker(person).ask("get", "/tables/")

        assert (response.status_code == 200) is (role == "superuser"), role
    assert Walker().ask("get", "/tables/")[0].status_code == 302


def test_given_a_page_when_refused_then_it_says_who_may_and_whom_to_ask(our):
    response, _ = Walker(our.chao).ask("get", reverse("bookings:flags"))

    assert response.status_code == 403
    text = re.sub(r"<[^>]+>", " ", response.content.decode())
    assert "staff, managers, safety officer" in text
    assert "Dee Sealavender" in text or "Ada Sandwort" in text
