"""Every number is printed by one module: digits, signs, bounds and units."""

from __future__ import annotations

import math

import pytest

from gaugeglass.judgement.results import Probability, Spread, Words
from gaugeglass.publication import numbers


def _flat(text: str) -> str:
    """The text with ordinary spaces and minus signs, easier to compare."""
    return text.replace(numbers.SPACE, " ").replace(numbers.MINUS, "-")


@pytest.mark.parametrize(
    ("x", "u", "unit", "shown"),
    [
        (72.1134, 1.3, "kWh", "72.1 ± 1.3 kWh"),
        (1234.5, 23.0, "kg", "1234 ± 23 kg"),
        (123456.7, 2300.0, "kg", "123 457 ± 2300 kg"),
        (-0.0123, 0.00995, "1", "-0.012 ± 0.010"),
        (5.2, 0.31, "%", "(5.20 ± 0.31) %"),
        (6.6743e-11, 1.5e-15, "m**3/(kg*s**2)", "(6.67430 ± 0.00015) × 10⁻¹¹ m³/(kg·s²)"),
        (408.0, 0.0, "1", "408"),
        (3.3, math.nan, "kWh", "3.3 kWh"),
    ],
)
def test_values_keep_two_digits_of_their_uncertainty(x: float, u: float, unit: str, shown: str) -> None:
    assert _flat(numbers.value(x, u, unit)) == shown


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (Probability(0.8312, 0.0058), "83.1 % ± 0.6 %"),
        (Probability(0.8312, 0.0002), "83.12 % ± 0.02 %"),
        (Probability(0.5, 0.0), "50.0 %"),
        (Probability(1.0, math.nan, at_least=0.9993), "above 99.93 %"),
        (Probability(1.0, math.nan, at_least=0.99995), "above 99.995 %"),
        (Probability(0.0, math.nan, at_most=0.00071), "below 0.08 %"),
        (Probability(0.99999, 0.001), "above 99.9 %"),
        (Probability(0.00001, 0.001), "below 0.1 %"),
        (Probability(math.nan, math.nan), "–"),
    ],
)
def test_probabilities_carry_their_error_and_never_read_0_or_100(p: Probability, shown: str) -> None:
    assert _flat(numbers.probability(p)) == shown


@pytest.mark.parametrize("at_least", [0.9, 0.95, 0.99, 0.9937, 0.999, 0.99931, 0.999999])
def test_a_lower_bound_is_never_rounded_up(at_least: float) -> None:
    shown = numbers.probability(Probability(1.0, math.nan, at_least=at_least))
    assert float(_flat(shown).removeprefix("above ").removesuffix(" %")) <= 100 * at_least + 1e-9


def test_intervals_say_their_probability_and_kind() -> None:
    spread = Spread(mean=72.2, sd=1.3, median=72.11, lower=70.04, upper=74.31)
    assert _flat(numbers.interval(spread, "kWh")) == "72.1 kWh (90 % credible interval 70.0 to 74.3 kWh)"
    assert _flat(numbers.interval(Spread(4, 0, 4, 4, 4), "1")) == "4"


def test_minus_signs_are_true_and_spaces_do_not_break() -> None:
    shown = numbers.value(-3.25, 0.11, "m")
    assert "-" not in shown
    assert " " not in shown
    assert shown.startswith(numbers.MINUS)


def test_changes_show_their_sign() -> None:
    assert _flat(numbers.change(3.25, 0.11, "m")) == "+3.25 ± 0.11 m"
    assert _flat(numbers.change(-3.25, 0.11, "m")) == "-3.25 ± 0.11 m"


@pytest.mark.parametrize(("x", "shown"), [(4.94, "4.9"), (0.2049, "0.20"), (123456789.0, "1.2 × 10⁸"), (None, "–")])
def test_bayes_factors_have_two_digits(x: float | None, shown: str) -> None:
    assert _flat(numbers.bayes_factor(x)) == shown


def test_words_name_their_band() -> None:
    assert _flat(numbers.words(Words("likely", 0.55, 0.8), 0.7)) == "likely (55 to 80 %)"
    assert numbers.words(None, 0.995) == "surer than any published word"
    assert numbers.words(None, 0.005) == "less probable than any published word"


def test_a_range_whose_ends_read_alike_is_said_once() -> None:
    assert _flat(numbers.chances(0.21, 0.9)) == "21.0 % to 90.0 %"
    assert _flat(numbers.chances(0.99951, 0.9999)) == "above 99.9 %"
    assert _flat(numbers.chances(0.9991, 0.9994)) == "99.9 %"


@pytest.mark.parametrize(
    ("x", "shown"), [(4.0, "×4"), (0.25, "×1/4"), (1.0, "×1"), (2**0.5, "×1.41"), (2**-0.5, "×1/1.41")]
)
def test_width_factors_read_as_multiples(x: float, shown: str) -> None:
    assert numbers.factor(x) == shown


@pytest.mark.parametrize(("unit", "shown"), [("kWh", "kWh"), ("1", ""), ("Wh/km", "Wh/km"), ("m**2", "m²")])
def test_units_read_as_in_print(unit: str, shown: str) -> None:
    assert numbers.unit_text(unit) == shown


def test_shared_powers_of_ten_are_printed_once() -> None:
    spread = Spread(mean=6.6742e-11, sd=2e-15, median=6.67425e-11, lower=6.67367e-11, upper=6.67451e-11)
    assert _flat(numbers.middle(spread, "m")) == "6.67425 (6.67367 to 6.67451) × 10⁻¹¹ m"
    assert _flat(numbers.interval(spread, "m")) == "(6.67425, 90 % credible interval 6.67367 to 6.67451) × 10⁻¹¹ m"
    assert _flat(numbers.bounds(spread, "m")) == "(6.67367 to 6.67451) × 10⁻¹¹ m"


@pytest.mark.parametrize(("share", "shown"), [(0.0, "below 0.1 %"), (1.0, "above 99.9 %"), (0.4567, "45.7 %")])
def test_counted_shares_never_read_0_or_100(share: float, shown: str) -> None:
    assert _flat(numbers.chance(share)) == shown
