"""The value grammar: every form, what it must not take, and a round trip."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat_fromstr

from gaugeglass.language.units import ONE, parse_unit
from gaugeglass.language.values import Value, ValueFault, parse_number, parse_value

WH = parse_unit("Wh")


@pytest.mark.parametrize(
    ("text", "lower", "upper", "u"),
    [
        ("97.5 ± 1.5 Wh", 97.5, 97.5, 1.5),
        ("97.5±1.5 Wh", 97.5, 97.5, 1.5),
        ("97.5(15) Wh", 97.5, 97.5, 1.5),
        ("97.5(1.5) Wh", 97.5, 97.5, 1.5),
        ("97(2) Wh", 97, 97, 2),
        ("9.75(15)e1 Wh", 97.5, 97.5, 1.5),
        ("97.5 Wh", 97.5, 97.5, None),
        ("97.5Wh", 97.5, 97.5, None),
        ("9.75e1 Wh", 97.5, 97.5, None),
        ("96 .. 99 Wh", 96, 99, None),
        ("96..99 Wh", 96, 99, None),
        ("-3 .. -1 Wh", -3, -1, None),
        (">= 67 Wh", 67, math.inf, None),
        ("≥67 Wh", 67, math.inf, None),
        ("<= 71 Wh", -math.inf, 71, None),
        ("≤ 71 Wh", -math.inf, 71, None),
        ("\u22125 Wh", -5, -5, None),
        ("97.5\u202f±\u20091.5\u00a0Wh", 97.5, 97.5, 1.5),
        (" +5 Wh ", 5, 5, None),
        (".5 Wh", 0.5, 0.5, None),
    ],
)
def test_every_form_is_read(text: str, lower: float, upper: float, u: float | None) -> None:
    found = parse_value(text)
    assert (found.lower, found.upper, found.unit) == (lower, upper, WH)
    assert found.u == (pytest.approx(u, rel=1e-12) if u is not None else None)


def test_a_bare_number_has_unit_one() -> None:
    assert parse_value("97.5") == parse_value(97.5) == Value(97.5, 97.5, ONE)
    assert parse_value("1e-3").lower == 0.001
    assert parse_value("5 %").unit == parse_unit("%")
    assert parse_value("2 1/h").unit == parse_unit("1/h")
    assert parse_value("6.67430(15)e-11 m**3/(kg*s**2)").u == pytest.approx(1.5e-15, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    ["", " ", "Wh", "97,5 Wh", "1 000 Wh", "nan Wh", "inf Wh", "-inf", "1e400 Wh", "97.5 ± 0 Wh", "97.5 ± -1 Wh",
     "97.5(0) Wh", "97.5 ± 1e400 Wh", "99 .. 96 Wh", "96 .. 96 Wh", ".. 3 Wh", "96 - 99 Wh", "< 3 Wh",
     "97.5 +/- 1 Wh", "97.5 kwh", "97.5 k W h", "97.5 Wh 3", "97.5 ± 1 % of it", "three Wh", "0x1f Wh", "1_000 Wh",
     "97.5()", "1e76 Wh", "97.5 ± 1e-76 Wh", "-1e-76 Wh", "9" * 201, "= 3 Wh", "96 .. Wh"],
)  # fmt: skip
def test_what_has_no_form_is_refused(text: str) -> None:
    with pytest.raises(ValueFault):
        parse_value(text)


def test_a_truth_value_is_no_number() -> None:
    with pytest.raises(ValueFault):
        parse_value(True)


@pytest.mark.parametrize(
    ("text", "hint"),
    [("97,5 Wh", "decimals are written with a point: '97.5 Wh'"),
     ("97,5 ± 1,5 Wh", "decimals are written with a point: '97.5 ± 1.5 Wh'"),
     ("97.5 +/- 1 Wh", "did you mean '97.5 ± 1 Wh'?"), ("96 - 99 Wh", "an interval is written 96 .. 99 Wh"),
     ("< 3 Wh", "a bound is written >= 67 kWh or <= 71 kWh"), ("3 kwh", "did you mean kWh?")],
)  # fmt: skip
def test_a_slip_is_refused_with_a_suggestion(text: str, hint: str) -> None:
    with pytest.raises(ValueFault) as caught:
        parse_value(text)
    assert caught.value.hint == hint


def test_a_number_is_one_value_without_uncertainty() -> None:
    assert parse_number("75 kg") == (75, parse_unit("kg"))
    for text in ("75 ± 1 kg", "74 .. 76 kg", ">= 3 kg"):
        with pytest.raises(ValueFault):
            parse_number(text)


_NUMBERS = st.floats(-1e12, 1e12).map(lambda x: x if abs(x) > 1e-70 else 0.0)
_WIDTHS = st.floats(min_value=1e-9, max_value=1e9)
_UNITS = st.sampled_from(["Wh", "kWh/km", "m**3/(kg*s**2)", "%", "°C", "1/h", "mi/kWh"])


@given(_NUMBERS, _WIDTHS, _UNITS)
def test_a_written_value_reads_as_itself(value: float, u: float, unit: str) -> None:
    assert parse_value(f"{value!r} ± {u!r} {unit}") == Value(value, value, parse_unit(unit), u)
    assert parse_value(f"{value!r} {unit}") == Value(value, value, parse_unit(unit))
    assert parse_value(f">= {value!r} {unit}") == Value(value, math.inf, parse_unit(unit))


@given(_NUMBERS, _NUMBERS, _UNITS)
def test_a_written_interval_reads_as_itself(a: float, b: float, unit: str) -> None:
    assume(a != b)
    assert parse_value(f"{min(a, b)!r} .. {max(a, b)!r} {unit}") == Value(min(a, b), max(a, b), parse_unit(unit))


@given(st.integers(-99999, 99999), st.integers(0, 6), st.integers(1, 999), st.integers(-20, 20))
def test_concise_notation_agrees_with_uncertainties(digits: int, places: int, u: int, exponent: int) -> None:
    """The package ``uncertainties`` reads the same texts; its parser is the oracle."""
    text = f"{digits * 10**-places:.{places}f}({u})e{exponent:+d}"
    theirs, ours = ufloat_fromstr(text), parse_value(text)
    assert ours.lower == pytest.approx(theirs.nominal_value, rel=1e-12, abs=0)
    assert ours.u == pytest.approx(theirs.std_dev, rel=1e-12, abs=0)


@given(st.text(max_size=40))
def test_any_text_is_a_value_or_refused(text: str) -> None:
    try:
        value = parse_value(text)
    except ValueFault:
        return
    assert value.lower <= value.upper
