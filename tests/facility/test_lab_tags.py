"""The template words of the lab and the components that need no database."""

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.contrib.auth.models import AnonymousUser
from django.template import Context, Template
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.utils import timezone

from facility import views_marks
from facility.context import everywhere
from facility.htmx import page, see
from facility.templatetags import lab


def render(text, **context):
    return Template(text).render(Context(context))


def component(name, **context):
    return " ".join(render_to_string(f"components/{name}.html", context).split())


@pytest.fixture
def london():
    with timezone.override(ZoneInfo("Europe/London")):
        yield


# ---- words


@pytest.mark.parametrize(
    ("pascal", "unit", "mantissa", "power", "text"),
    [
        (1.3e-3, "mbar", "1.3", "−5", "1.3 × 10⁻⁵ mbar"),
        (9.96e-5, "mbar", "1.0", "−6", "1.0 × 10⁻⁶ mbar"),
        (1.333223684e-4, "torr", "1.0", "−6", "1.0 × 10⁻⁶ torr"),
        (100.0, "mbar", "1.0", "0", "1.0 mbar"),
        (101325.0, "Pa", "1.0", "5", "1.0 × 10⁵ Pa"),
    ],
)
def test_a_pressure_prints_two_figures_and_one_unit(pascal, unit, mantissa, power, text):
    figure = lab.pressure(pascal, unit)

    assert (figure.mantissa, figure.power, figure.unit) == (mantissa, power, unit)
    assert lab.pressure_text(pascal, unit).replace("\u202f", " ").replace("\u00a0", " ") == text


@pytest.mark.parametrize("pascal", [None, "", 0, -1.0, float("nan"), float("inf")])
def test_where_no_pressure_is_a_page_says_no_reading(pascal):
    assert lab.pressure(pascal, "mbar") is None
    assert lab.pressure_text(pascal, "mbar") == "no reading"


def test_a_pressure_never_breaks_over_a_line():
    assert not re.search(r"[ \u2009]", lab.pressure_text(1.3e-3, "mbar"))


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (datetime(2026, 7, 14, 16, 11, tzinfo=UTC), "17:11"),
        (datetime(2026, 7, 13, 22, 59, tzinfo=UTC), "Mon 13 Jul, 23:59"),
        (datetime(2026, 7, 13, 23, 30, tzinfo=UTC), "00:30"),
        (datetime(2026, 1, 5, 9, 0, tzinfo=UTC), "Mon 5 Jan, 09:00"),
        (datetime(2025, 11, 10, 9, 0, tzinfo=UTC), "10 Nov 2025, 09:00"),
        (None, ""),
    ],
)
def test_a_moment_is_told_in_the_facilitys_zone_and_as_shortly_as_it_can_be(london, moment, words):
    now = datetime(2026, 7, 14, 17, 0, tzinfo=UTC)

    assert lab.when(moment, now) == words


def test_a_clock_says_its_zone_and_its_machine_time(london):
    moment = datetime(2025, 7, 14, 16, 11, 5, tzinfo=UTC)

    drawn = component("clock", at=moment, zone=True, elapsed="since")

    assert 'datetime="2025-07-14T16:11:05Z"' in drawn
    assert 'data-elapsed="since"' in drawn
    assert "14 Jul 2025, 17:11" in drawn
    assert "<small>BST</small>" in drawn


@pytest.mark.parametrize(
    ("span", "words"),
    [
        (0, "under a minute"),
        (1, "1 min"),
        (59.6, "1 h"),
        (72, "1 h 12 min"),
        (timedelta(hours=25), "25 h"),
        (timedelta(days=2), "2 days"),
        (timedelta(days=2, hours=2), "2 days 2 h"),
        (None, ""),
    ],
)
def test_spans_are_told_in_hours_and_minutes(span, words):
    assert lab.minutes(span) == words


@pytest.mark.parametrize(
    ("code", "engraved"), [("h7kqm4t2", "H7KQ M4T2"), ("H7KQ", "H7KQ"), (None, "")]
)
def test_a_code_is_engraved_four_and_four(code, engraved):
    assert lab.plate(code) == engraved


@pytest.mark.parametrize(
    ("number", "words"),
    [(23.04, "23"), (20, "20"), (1.7, "1.7"), (0.14, "0.14"), (0, "0"), (-0.5, "−0.5"), (None, "")],
)
def test_numbers_in_sentences_carry_no_needless_figures(number, words):
    assert lab.plain(number) == words


def test_a_persons_words_are_kept_as_typed_and_never_as_markup():
    assert lab.hand("a <b> & c") == '<span class="hand">a &lt;b&gt; &amp; c</span>'
    assert lab.hand("") == ""


# ---- marks


def test_every_mark_that_may_be_named_is_drawn_in_the_sprite(settings):
    drawn = (settings.BASE_DIR / "static" / "img" / "marks.svg").read_text()

    assert set(re.findall(r'id="m-([a-z-]+)"', drawn)) == lab.MARKS


def test_given_an_unknown_mark_when_drawn_then_the_names_are_given():
    with pytest.raises(ValueError, match=r"there is no mark 'bell'.*ready"):
        lab.mark("bell")


@pytest.mark.parametrize("name", sorted(lab.MARKS))
def test_a_mark_never_stands_without_its_word(name):
    drawn = component("state", **{"is": name})

    assert f"#m-{name}" in drawn
    assert re.search(r'class="word">[a-z ]+</span>', drawn)


def test_marks_take_the_spelling_of_the_database():
    assert "#m-in-use" in lab.mark("in_use")
    assert lab.word_of("needs_cleaning") == "needs cleaning"


# ---- components


def test_a_pressure_figure_raises_its_power_and_keeps_its_unit_small():
    drawn = component("pressure", pressure=lab.pressure(1.3e-3, "mbar"), size="room")

    assert 'data-size="room"><b>1.3</b>' in drawn
    assert "10<sup>−5</sup>" in drawn
    assert "<abbr>mbar</abbr>" in drawn


def test_given_a_gauge_that_is_off_when_its_figure_is_drawn_then_words_stand_there():
    assert "gauge off" in component("pressure", pressure=None, says="gauge off")


@pytest.mark.parametrize(
    ("value", "limit", "wide", "more"),
    [(10, 20, 59.0, False), (20, 20, 118.0, False), (90, 20, 236, True)],
)
def test_a_value_at_its_limit_ends_at_the_stroke(value, limit, wide, more):
    bar = lab.against(value, limit)

    assert (bar.wide, bar.more) == (wide, more)
    assert lab.against(20, 20).wide + 2 == bar.limit


def test_what_must_be_at_least_is_said_so():
    drawn = component("against", value=1.7, limit=3.0, unit="mm", at_least=True, **{"is": "warn"})

    assert "1.7 mm where at least 3 is asked" in drawn
    assert "at least 3</text>" in drawn


def test_a_pad_needs_no_script_and_marks_the_last_power():
    drawn = component(
        "pad", unit="mbar", powers=range(-2, -10, -1), last_power=-5, power=-5, figure=1
    )

    assert drawn.count('type="radio"') == 9 + 10 + 8
    assert re.search(r'value="-5" required checked><span>10<sup>−5</sup></span><small>last', drawn)
    assert re.search(r'name="figure" value="1" required checked', drawn)


def test_a_zero_tenth_can_be_chosen():
    drawn = component("pad", unit="mbar", powers=[-5], figure=2, tenth=0)

    assert re.search(r'name="tenth" value="0" checked', drawn)
    assert "<b>2.0</b>" in drawn


@pytest.mark.parametrize(
    ("valve", "kind", "word"),
    [
        ("shut", 'class="shut"', "shut"),
        ("open", 'class="open"', "open"),
        ("unknown", "not-known", "not known"),
    ],
)
def test_a_valve_is_drawn_and_named(valve, kind, word):
    room = {"figure": None, "gauge": "gauge off", "holder": ""}

    drawn = component("plan", introduction=room, main=room, valve=valve)

    assert kind in drawn
    assert f"gate valve {word}" in drawn
    assert "no holder" in drawn


class AskForm(forms.Form):
    start = forms.CharField(
        help_text="such as 09:00", error_messages={"required": "Enter when the booking starts."}
    )
    note = forms.CharField(required=False)
    how = forms.ChoiceField(choices=[("a", "tapped"), ("b", "pressed")], widget=forms.RadioSelect)
    usual = forms.BooleanField(required=False)


def test_what_a_field_asks_stands_beside_it_and_is_read_with_it():
    form = AskForm({"start": "", "how": "a"})

    field = form["start"].as_field_group()

    assert '<p class="asks" id="id_start_error">Enter when the booking starts.</p>' in field
    assert 'aria-describedby="id_start_helptext id_start_error"' in field
    assert 'aria-invalid="true"' in field


def test_what_may_stay_empty_says_so_and_choices_have_a_legend():
    form = AskForm()

    assert "may stay empty" in form["note"].as_field_group()
    assert "may stay empty" not in form["start"].as_field_group()
    assert re.search(r"<fieldset.*<legend>How</legend>", form["how"].as_field_group(), re.DOTALL)
    assert re.search(r"<label[^>]*><input[^>]*><span>Usual", form["usual"].as_field_group())


def test_what_was_typed_is_kept_and_shown_as_text():
    form = AskForm({"start": "", "note": '"><script>', "how": "a"})

    assert "&quot;&gt;&lt;script&gt;" in form["note"].as_field_group()


def test_the_summary_says_the_same_sentence_and_leads_to_the_field():
    form = AskForm({"start": "", "how": "a"})

    drawn = component("refusal", form=form)

    assert '<a href="#id_start">Enter when the booking starts.</a>' in drawn
    assert component("refusal", form=AskForm({"start": "9", "how": "a"})) == ""


# ---- pages


class Htmx:
    """What django_htmx puts on a request, as far as pages ask."""

    def __init__(self, asked, boosted=False):
        self.asked, self.boosted, self.history_restore_request = asked, boosted, False

    def __bool__(self):
        return self.asked


def request_at(path, *, asked=False, boosted=False):
    request = RequestFactory().get(path)
    request.user = AnonymousUser()
    request.htmx = Htmx(asked, boosted)
    return request


def test_given_an_htmx_post_that_worked_when_sent_on_then_the_header_says_where():
    assert see(request_at("/", asked=True), "/there/").headers["HX-Redirect"] == "/there/"


def test_given_a_plain_post_that_worked_when_sent_on_then_it_is_redirected():
    answer = see(request_at("/"), "/there/")

    assert (answer.status_code, answer.url) == (302, "/there/")


@pytest.mark.parametrize(
    ("asked", "boosted", "whole"), [(False, False, True), (True, False, False), (True, True, True)]
)
def test_a_fragment_is_answered_only_to_htmx(asked, boosted, whole, settings, tmp_path):
    (tmp_path / "some_page.html").write_text(
        "{% load partials %}<html>{% partialdef form inline %}<form></form>{% endpartialdef form %}</html>"
    )
    settings.TEMPLATES = [settings.TEMPLATES[0] | {"DIRS": [tmp_path]}]

    answer = page(request_at("/", asked=asked, boosted=boosted), "some_page.html#form", status=422)

    assert answer.status_code == 422
    assert ("<html>" in answer.content.decode()) is whole
    assert "HX-Request" in answer.headers["Vary"]


def test_given_nobody_signed_in_when_a_page_is_drawn_then_no_contents_are_offered(settings):
    settings.HTTPS = False

    context = everywhere(request_at("/"))

    assert context["contents"] == []
    assert context["who"] is None
    assert context["https_off"] is True


def test_the_sheet_for_the_wall_shows_every_mark_and_carries_no_inline_style_or_script():
    html = render_to_string(
        "facility/marks.html", views_marks.sample_context(), request=request_at("/marks/")
    )

    assert {name for name in lab.MARKS if f"#m-{name}" in html} == lab.MARKS
    assert not re.search(r"\sstyle=|<script>|\son[a-z]+=|javascript:", html)
    assert html.count("<h1") == 1


def test_every_page_tells_htmx_once_what_it_may_do():
    html = render_to_string(
        "facility/marks.html", views_marks.sample_context(), request=request_at("/marks/")
    )

    config = re.search(r"name=\"htmx-config\" content='([^']+)'", html)[1]
    assert '"allowEval":false' in config
    assert '{"code":"[23]..|422","swap":true}' in config


def test_ids_are_given_once_on_the_sheet_for_the_wall():
    html = render_to_string(
        "facility/marks.html", views_marks.sample_context(), request=request_at("/marks/")
    )

    ids = re.findall(r'\sid="([^"]+)"', html)
    assert sorted(ids) == sorted(set(ids))


# ---- stylesheets


def test_raw_colours_stand_in_the_tokens_alone_and_there_are_at_most_forty(settings):
    folder = settings.BASE_DIR / "static" / "css"
    tokens = (folder / "tokens.css").read_text()

    names = set(re.findall(r"^\s+(--[a-z-]+):", tokens.split("@media print")[0], re.MULTILINE))
    assert len(names) <= 40
    for name in ("base", "components", "print"):
        text = re.sub(r"/\*.*?\*/", "", (folder / f"{name}.css").read_text(), flags=re.DOTALL)
        assert not re.search(r"#[0-9a-fA-F]{3,8}\b(?=[\s;,)])|rgb\(|hsl\(", text), name
        for used in re.findall(r"var\((--[a-z-]+)", text):
            assert used in names | {"--tone", "--ground", "--edge", "--rivet"}, (name, used)
