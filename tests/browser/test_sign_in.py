"""Signing in, as a person does it on each screen and in both lights."""

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def cast(transactional_db):
    from tests import build

    return build.lab()


@pytest.mark.both
@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("name", ["tablet", "phone", "desk"])
def test_given_a_screen_when_ben_signs_in_then_he_is_greeted_and_nothing_is_in_the_way(
    cast, screen, sign_in, accessible, name, light
):
    page = screen(name, light=light)
    page.goto("/")
    assert "/sign-in/?next=/" in page.url
    accessible(page)

    sign_in(page, cast.ben)

    assert "Yours" in page.inner_text("main")
    accessible(page)


def test_given_a_wrong_password_when_signing_in_then_a_sentence_says_what_to_do(
    cast, screen, accessible
):
    page = screen("tablet")
    page.goto("/sign-in/")

    page.fill("input[name=username]", "ben")
    page.fill("input[name=password]", "not this")
    page.get_by_role("button", name="Sign in").tap()

    page.get_by_text("Name and password do not belong together.").first.wait_for()
    assert page.input_value("input[name=username]") == "ben"
    accessible(page)
    assert all("422" in complaint for complaint in page.complaints)
    page.complaints.clear()
