"""Every address for every role, GET and POST: who gets in, who is refused, and that nothing leaks.

A new address fails here until tests/walk.py knows what to ask it for. Its policy decides who may;
an address that is stricter than its policy stands in STRICTER with those it lets in.
"""

import importlib
import re
import uuid

import pytest
from django.db import transaction
from django.forms import BaseForm
from django.urls import reverse

from facility.models import Person
from tests import build, walk
from tests.facility.test_access import EVERYONE, OWN, STAFF, WHO, cast
from tests.walk import ADDRESSES, FORMULA, PATHS, SECRET, Walker, path_of, text_of

PUBLIC = {
    "facility:sign_in",
    "facility:health",
    "facility:welcome",
    "bookings:feed_file",
    "bookings:answer_by_link",
    "bookings:board",
    "bookings:worker",
    "bookings:tablet_items",
    "bookings:sign_on_by_pin",
}
BY_LINK = {"bookings:answer_by_link"}  # whoever holds the link sees what it asks
STRICTER = {
    "bookings:load": OWN,
    "bookings:scanned_sample": OWN,
    "bookings:sample_label_png": OWN,
    "bookings:offer": {"user"},
    **dict.fromkeys(  # Gil, the lead, hosts the visit
        ["bookings:visit", "bookings:induct", "bookings:close_visit"], STAFF | {"lead"}
    ),
    **{  # who writes in a session: those who signed on to it, and staff
        name: STAFF | {"user"}
        for name, view in ADDRESSES.items()
        if PATHS[name].startswith("sessions/<int:pk>/")
        and view.policy == "session.see"
        and name != "bookings:session"
    },
}
HIDDEN = {
    "bookings:offer",
    "bookings:sample",
    "bookings:sample_label_png",
    "bookings:session",
    "bookings:session_record",
    "bookings:load",
    "bookings:incident",
    "bookings:add_word",
    "bookings:finish_follow_up",
}
GOOD = {200, 204, 302, 422}
ANSWERS = {  # where those who may get in hear something else
    "bookings:frozen_review": GOOD | {404},  # not signed yet
    "bookings:tablet_items": {400, 401},  # an empty post is no list of items
}


@pytest.fixture(scope="module")
def house(django_db_setup, django_db_blocker):
    """Furnished once for the whole walk, because every request is taken back."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield walk.furnish(build.lab())
        transaction.set_rollback(True)


@pytest.fixture
def our(house):
    """The house, and what a test itself does to it is taken back too."""
    with transaction.atomic():
        yield house
        transaction.set_rollback(True)


def is_sign_in(response):
    return response.status_code == 302 and response.url.startswith(reverse("facility:sign_in"))


def test_given_every_address_when_listed_then_each_has_a_policy_and_its_arguments():
    nameless = [name for name in ADDRESSES if name.endswith("None")]
    without = [name for name, view in ADDRESSES.items() if not hasattr(view, "policy")]
    unknown = [
        f"{name}: {PATHS[name]}"
        for name in ADDRESSES
        if None in walk.asks(name, PATHS[name]).values()
        or len(walk.asks(name, PATHS[name])) != PATHS[name].count("<")
    ]

    assert nameless == []
    assert without == []
    assert unknown == [], "say in tests/walk.py what these are asked for"
    assert STRICTER.keys() | HIDDEN | PUBLIC | ANSWERS.keys() <= ADDRESSES.keys()
    assert {name for name, _ in walk.RATHER} <= ADDRESSES.keys()


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_nobody_signed_in_when_any_address_is_asked_then_it_leads_to_signing_in(our, name):
    browsers = [Walker(), Walker(our.chao)]
    Person.objects.filter(pk=our.chao.pk).update(is_active=False)  # who has left

    for browser in browsers:
        for method in ("get", "post"):
            response, wrote = browser.ask(method, path_of(name, our))

            if name in PUBLIC:
                assert response.status_code in GOOD | {405} | ANSWERS.get(name, set())
            else:
                assert is_sign_in(response), f"{method} {name}: {response.status_code}"
            assert wrote == []
            assert "default-src 'none'" in response.headers["Content-Security-Policy"]


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_each_role_when_any_address_is_asked_then_only_those_who_may_get_in(our, name):
    policy = ADDRESSES[name].policy
    let_in = WHO[policy] & STRICTER.get(name, EVERYONE)
    path = path_of(name, our)

    for role, person in cast(our).items():
        for method in ("get", "post"):
            response, wrote = Walker(person).ask(method, path)
            said = f"{method} {name} as {role}: {response.status_code}"
            if response.status_code == 405:  # nobody asks it that way
                assert wrote == [], said
            elif role in let_in:
                assert response.status_code in ANSWERS.get(name, GOOD), said
                assert not is_sign_in(response) or name == "facility:sign_out", said
            else:
                may_not_know = name in HIDDEN and role in WHO[policy]
                assert response.status_code in ((404,) if may_not_know else (403, 404)), said
                assert wrote == [], said
            if method == "get":
                assert wrote == [], said
            if role not in OWN and name not in BY_LINK:  # they may not know of Ben's samples
                text = text_of(response)
                assert SECRET not in text, said
                assert FORMULA not in text, said


@pytest.mark.parametrize("name", ["bookings:scanned_holder", "bookings:holder", "bookings:sample"])
@pytest.mark.parametrize("code", ["H0000000", "nothing", "%00", "a" * 300, "🜂"])
def test_given_codes_of_nothing_when_asked_then_they_are_not_here(our, name, code):
    path = reverse(name, args=["X"]).replace("/X", f"/{code}")

    response, _ = Walker(our.ben).ask("get", path)

    assert response.status_code in (302, 404)


# Nonsense and good sense in every field that any form or address of the house reads

READ_WITHOUT_A_FORM = {"q", "next", "back", "seen", "seen_step", "what", "handover", "fault"} | {
    *("answer", "series", "week", "page", "gone", "part", "devices_unknown")
}
FORMS = [
    "facility.forms",
    "bookings.forms",
    "bookings.forms_bench",
    "bookings.forms_house",
    "bookings.forms_incidents",
    "bookings.forms_keep",
    "bookings.forms_people",
    "bookings.forms_review",
    "bookings.forms_sheets",
    "bookings.forms_stores",
    "bookings.forms_tablet",
    "bookings.forms_time",
]
FIELDS = READ_WITHOUT_A_FORM.union(
    *(
        form.base_fields
        for module in FORMS
        for form in vars(importlib.import_module(module)).values()
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


@pytest.mark.parametrize("name", ADDRESSES)
def test_given_nonsense_in_every_field_when_sent_then_an_answer_comes_back(our, name):
    path = path_of(name, our)
    browser = Walker(our.dee)

    for what, nonsense in NONSENSE.items():
        for method in ("get", "post"):
            response, _ = browser.ask(method, path, dict.fromkeys(FIELDS, nonsense))

            assert response.status_code < 500, f"{method} {name} with {what}"
            assert "<script>alert" not in text_of(response), f"{method} {name} with {what}"
            if name == "facility:sign_out":
                browser = Walker(our.dee)


@pytest.mark.parametrize("name", [name for name in STRICTER if PATHS[name].startswith("sessions/")])
def test_given_one_odd_field_among_good_ones_when_written_in_a_session_then_it_is_answered(
    our, name
):
    good = {
        "text": "all well", "pressure": "1.2e-6", "what": "gate_valve=open", "sentence": "it moved",
        "handover": "the stage is warm", "sent_id": str(uuid.uuid4()), "says": "a picture",
    }  # fmt: skip
    odd = [{}, *({field: text} for field in good for text in NONSENSE.values())]
    path, browser = path_of(name, our), Walker(our.ben)

    for fields in odd:
        response, _ = browser.ask("post", path, good | fields)

        assert response.status_code in GOOD, f"{name} with {fields}"


def test_given_the_tables_when_anybody_but_a_superuser_asks_then_they_are_shut(our):
    for role, person in cast(our).items():
        response, _ = Walker(person).ask("get", "/tables/")

        assert (response.status_code == 200) is (role == "superuser"), role
    assert Walker().ask("get", "/tables/")[0].status_code == 302


def test_given_a_page_when_refused_then_it_says_who_may_and_whom_to_ask(our):
    response, _ = Walker(our.chao).ask("get", reverse("bookings:flags"))

    assert response.status_code == 403
    text = re.sub(r"<[^>]+>", " ", response.content.decode())
    assert "staff, managers, safety officer" in text
    assert "Dee Sealavender" in text or "Ada Sandwort" in text
