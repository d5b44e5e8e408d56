import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum.units import (
    UNITS,
    Typed,
    from_pascal,
    likely_slip,
    parse_pressure,
    show,
    to_pascal,
    unit_named,
)

NEVER_SAID = ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops")
pressures = st.floats(min_value=1e-12, max_value=1e8)
units = st.sampled_from(UNITS)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("1.2e-6", 1.2e-6, None),
        ("1,2E-06", 1.2e-6, None),
        ("1.2 x 10^-6", 1.2e-6, None),
        ("1.2 × 10⁻⁶", 1.2e-6, None),
        ("1.2×10⁻⁶mbar", 1.2e-6, "mbar"),
        ("1.2·10-6", 1.2e-6, None),
        ("1.2*10**-6 mbar", 1.2e-6, "mbar"),
        ("1.2E-6 mbar", 1.2e-6, "mbar"),
        ("1.2e\u22126", 1.2e-6, None),
        ("1.2\u00a0e-6\u202fTorr", 1.2e-6, "torr"),
        ("  5\u2009e-9 \u2009 Pa ", 5e-9, "Pa"),
        ("10^-6", 1e-6, None),
        ("10⁻⁶ hPa", 1e-6, "hPa"),
        ("5", 5.0, None),
        ("+5", 5.0, None),
        ("5.", 5.0, None),
        (".5e-6", 5e-7, None),
        ("1e6", 1e6, None),
        ("0,200", 0.2, None),
        ("1,200e-6", 1.2e-6, None),
        ("1 013 mbar", 1013.0, "mbar"),
        ("1\u2009013 hPa", 1013.0, "hPa"),
        ("20 mTorr", 20.0, "mTorr"),
        ("20 microns", 20.0, "micron"),
        ("20 µ", 20.0, "micron"),
        ("3 mm Hg", 3.0, "mmHg"),
        ("14.7 PSIA", 14.7, "psi"),
        ("１．２e-6", 1.2e-6, None),
    ],
)
def test_given_a_way_of_writing_when_parsed_then_the_number_and_unit_are_read(text, value, unit):
    typed = parse_pressure(text)

    assert typed == Typed(pytest.approx(value, rel=1e-12), unit, "number", text)


@pytest.mark.parametrize(
    ("text", "state", "unit"),
    [
        ("OFF", "off", None),
        ("off", "off", None),
        (" Off ", "off", None),
        ("OFF mbar", "off", "mbar"),
        ("---", "off", None),
        ("not lit", "off", None),
        ("over", "over", None),
        ("Over  Range", "over", None),
        (">1000 mbar", "over", "mbar"),
        ("under range", "under", None),
        ("UNDER", "under", None),
        ("<1e-9 torr", "under", "torr"),
        ("≤ 5e-10", "under", None),
    ],
)
def test_given_what_a_gauge_says_when_parsed_then_there_is_a_state_and_no_value(text, state, unit):
    assert parse_pressure(text) == Typed(None, unit, state, text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Enter the pressure"),
        ("   ", "Enter the pressure"),
        ("\u200b", "Enter the pressure"),
        ("\0", "character that cannot be read"),
        ("1\x002", "character that cannot be read"),
        ("abc", "“abc” is not a pressure"),
        ("-1", "above zero"),
        ("\u22121e-6 mbar", "above zero"),
        ("0", "No gauge reads zero"),
        ("0.0e-5 mbar", "No gauge reads zero"),
        ("1.2.3", "not a pressure"),
        ("1e-6e-3", "not a pressure"),
        ("1e", "not a pressure"),
        ("e-6", "not a pressure"),
        ("1 2", "not a pressure"),
        ("5²", "not a pressure"),
        ("nan", "not a pressure"),
        ("inf", "not a pressure"),
        ("~1e-6", "not a pressure"),
        ("mbar", "not a pressure"),
        ("٣", "digits other than 0 to 9"),
        ("1,200", "may mean 1.200 or 1200"),
        ("1,200.5", "groups its thousands"),
        ("1.2-6", "range or a power of ten"),
        ("1.2–1.6 mbar", "not a pressure"),
        ("1e400", "outside anything"),
        ("1e-99", "outside anything"),
        ("1" * 61, "shorter than these 61 characters"),
        ("5 furlong", "“furlong” is not known"),
        ("5 mPa", "“mPa” is not known"),
        ("200 psig", "counts from the air"),
    ],
)
def test_given_nonsense_when_parsed_then_one_sentence_says_what_is_so(text, says):
    with pytest.raises(ValueError, match=re.escape(says)) as refusal:
        parse_pressure(text)

    sentence = str(refusal.value)
    assert sentence.endswith(".")
    assert not any(word in sentence.lower() for word in NEVER_SAID)


@settings(deadline=None, max_examples=400)
@given(
    st.one_of(
        st.text(max_size=80), st.text("0123456789.,eExX×·^*-+ <>mbartoPh⁻⁶\u2009\0", max_size=20)
    )
)
def test_any_text_is_read_or_refused_in_one_line(text):
    typed, sentence = outcome(text)

    if typed is None:
        assert len(sentence) < 220
        assert sentence.isprintable()
        return
    assert typed.text == text
    assert (typed.value is None) == (typed.state != "number")
    assert typed.value is None or 0 < typed.value < math.inf


def outcome(text):
    try:
        return parse_pressure(text), None
    except ValueError as refusal:
        return None, str(refusal)


WRITINGS = (
    lambda value, unit: f"{value:.3e} {unit}",
    lambda value, unit: f"{value:.3E}{unit}",
    lambda value, unit: f"{value:.3e}".replace(".", ",") + f"\u202f{unit.upper()}",
    lambda value, unit: "{} × 10^{} {}".format(*f"{value:.3e}".split("e"), unit),
    lambda value, unit: "{}·10{} {}".format(*f"{value:.3e}".split("e"), unit),
)


@settings(deadline=None)
@given(pressures, units, st.sampled_from(WRITINGS))
def test_a_written_pressure_is_read_back(value, unit, writing):
    typed = parse_pressure(writing(value, unit))

    assert typed.unit == unit
    assert typed.value == float(f"{value:.3e}")


@settings(deadline=None)
@given(pressures, units)
def test_units_round_trip(value, unit):
    assert from_pascal(to_pascal(value, unit), unit) == pytest.approx(value, rel=1e-14)


def test_arrays_convert_with_their_shape():
    assert to_pascal(np.array([[1.0], [2.0]]), "mbar").tolist() == [[100.0], [200.0]]


@settings(deadline=None)
@given(pressures, units)
def test_what_a_page_shows_is_the_pressure_to_two_digits(pascal, unit):
    mantissa, exponent = show(pascal, unit)

    assert re.fullmatch(r"[1-9]\.[0-9]", mantissa)
    shown = to_pascal(float(f"{mantissa}e{exponent}"), unit)
    assert shown == pytest.approx(pascal, rel=0.0501)


@pytest.mark.parametrize("pascal", [0.0, -1.0, math.nan, math.inf])
def test_given_no_pressure_when_shown_then_it_is_refused(pascal):
    with pytest.raises(ValueError, match="finite and above zero"):
        show(pascal, "mbar")


def test_torr_and_conventional_mmhg_differ_by_a_seventh_of_a_millionth():
    assert to_pascal(1.0, "mmHg") / to_pascal(1.0, "torr") - 1 == pytest.approx(1.4e-7, rel=0.05)


@pytest.mark.parametrize("unit", ["", "furlong", "psig", "mPa", "MPa", None])
def test_given_an_unknown_unit_when_converting_then_a_sentence_says_so(unit):
    with pytest.raises(ValueError, match=r"not known|counts from"):
        to_pascal(1.0, unit)


@pytest.mark.parametrize(
    ("typed", "own"),
    [("Torr", "torr"), ("MBAR", "mbar"), ("mtorr", "mTorr"), ("hpa", "hPa"), (" mm Hg ", "mmHg")],
)
def test_spellings_have_one_name(typed, own):
    assert unit_named(typed) == own


@pytest.mark.parametrize(
    ("value", "expected", "kind", "factor"),
    [
        (1.33e-2, 1e-4, "unit", 133.322),  # pascal typed on a torr gauge
        (7.5e-7, 1e-4, "unit", 1 / 133.322),
        (1e-2, 1e-4, "unit", 100),
        (1e-6, 1e-4, "unit", 1 / 100),
        (1e-3, 1e-4, "decade", 10),
        (1.3e-5, 1e-4, "decade", 1 / 10),
        (1.0, 1e-4, "decade", 1e4),
        (7.5e-2, 1e-4, "unit", 750.06),
    ],
)
def test_given_a_usual_slip_when_compared_then_it_is_recognised(value, expected, kind, factor):
    slip = likely_slip(value, expected)

    assert slip.kind == kind
    assert slip.factor == pytest.approx(factor, rel=1e-4)
    assert slip.meant_pa == pytest.approx(value / factor, rel=1e-4)
    assert not any(word in slip.says.lower() for word in NEVER_SAID)


@pytest.mark.parametrize("value", [1e-4, 2e-4, 4e-5, 3.3e-4, 3.2e-5])
def test_given_an_ordinary_surprise_when_compared_then_no_slip_is_claimed(value):
    assert likely_slip(value, 1e-4) is None


def test_the_sentence_of_a_slip_speaks_the_gauge_unit():
    assert "1.0 × 10⁻⁶ mbar expected" in likely_slip(1e-3, 1e-4, unit="mbar").says


@settings(deadline=None)
@given(st.floats(1e-8, 1e2), st.floats(1e-8, 1e2))
def test_undoing_a_slip_always_comes_near_what_was_expected(value, expected):
    slip = likely_slip(value, expected)

    if slip:
        assert max(slip.meant_pa / expected, expected / slip.meant_pa) <= 1.6 * (1 + 1e-9)


@pytest.mark.parametrize("spread", [1.0, 4.0, math.nan])
def test_given_a_spread_that_decides_nothing_when_compared_then_it_is_refused(spread):
    with pytest.raises(ValueError, match="spread"):
        likely_slip(1.0, 1.0, spread=spread)


def test_given_zero_when_compared_then_it_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        likely_slip(0.0, 1.0)


def test_the_gauge_unit_stands_in_where_none_was_typed():
    assert parse_pressure("2").in_pascal("mbar") == 200.0
    assert parse_pressure("2 Pa").in_pascal("mbar") == 2.0
    assert parse_pressure("OFF").in_pascal("mbar") is None
