"""Readings: what a stated value and its uncertainty are in the unit of the method."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaugeglass.language.files import specify
from gaugeglass.language.spec import Observation
from vessel import MODEL, dossier, faults, observe

MILE = 1.609344  # [km], exact by definition


def ends(o: Observation) -> tuple[float, float, float, float | None]:
    return o.value, o.lower, o.upper, o.u


def test_a_point_is_brought_into_the_unit_of_its_method() -> None:
    assert ends(observe("weighing", "2.1 ± 0.01 t")) == pytest.approx((2100, 2100, 2100, 10))
    assert ends(observe("driving", "150 ± 3 Wh/km")) == pytest.approx((150 * MILE, 150 * MILE, 150 * MILE, 3 * MILE))


def test_range_for_energy_becomes_energy_for_range() -> None:
    """4 mi/kWh are 250 Wh/mi; 0.1 mi/kWh is 2.5 % of it, and so is 6.25 Wh/mi."""
    assert ends(observe("driving", "4 ± 0.1 mi/kWh")) == pytest.approx((250, 250, 250, 6.25))
    assert ends(observe("driving", "4 mi/kWh", u="2.5 %")) == pytest.approx((250, 250, 250, 6.25))
    assert observe("driving", "100 mpge_label", u="1 %").value == pytest.approx(337.05)
    assert observe("driving", "100 mpge_petroleum", u="1 %").value == pytest.approx(820.49)


def test_an_inverted_interval_swaps_its_ends() -> None:
    found = observe("driving", "4 .. 5 mi/kWh", u="0.09 mi/kWh")
    assert (found.lower, found.upper) == pytest.approx((200, 250))
    assert found.value == pytest.approx(1000 / 4.5)
    assert found.u == pytest.approx(1000 / 4.5 * 0.02)


def test_rounding_widens_before_it_is_inverted() -> None:
    found = observe("driving", "4 mi/kWh", u="1 %", rounded="0.1 mi/kWh")
    assert (found.lower, found.upper) == pytest.approx((1000 / 4.05, 1000 / 3.95))
    assert found.value == pytest.approx(250)


def test_an_interval_keeps_its_ends_and_shows_its_middle() -> None:
    assert ends(observe("weighing", "1990 .. 2010 kg", u="5 kg")) == (2000, 1990, 2010, 5)


def test_a_bound_is_infinite_on_one_side_and_shows_its_edge() -> None:
    assert ends(observe("weighing", ">= 2 t", u="5 kg")) == (2000, 2000, math.inf, 5)
    assert ends(observe("weighing", "<= 2 t", u="0.5 %")) == (2000, -math.inf, 2000, 10)
    assert observe("weighing", ">= 2 t", u="5 kg", rounded="20 kg").lower == 1990


def test_a_rounded_point_becomes_an_interval_of_one_step() -> None:
    """GUM F.2.2.1: the reading lies within half a step of what is displayed."""
    assert ends(observe("weighing", "2540 kg", u="12 kg", rounded="20 kg")) == (2540, 2530, 2550, 12)
    assert not observe("weighing", "2540 kg", u="12 kg", rounded="20 kg").is_point


def test_a_tolerance_is_a_rectangular_limit() -> None:
    """GUM 4.3.7: a limit of a on either side has u = a / sqrt(3); a class III bridge of 20 kg has 11.5 kg."""
    assert observe("weighing", "2540 kg", tolerance="20 kg").u == pytest.approx(11.547, abs=0.001)
    assert observe("weighing", "2540 kg", tolerance="1 %").u == pytest.approx(25.4 / math.sqrt(3))


def test_k_divides_an_expanded_uncertainty() -> None:
    assert observe("weighing", "2540 ± 24 kg", k=2).u == 12
    assert observe("weighing", "2540 kg", u="24 kg", k=2).u == 12
    assert observe("weighing", "2540 kg", u="1 %", k=2).u == pytest.approx(12.7)


def test_a_percentage_refers_to_the_stated_value() -> None:
    assert observe("weighing", "2 t", u="1 %").u == pytest.approx(20)
    assert observe("weighing", "1990 .. 2010 kg", u="1 ‰").u == pytest.approx(2)
    assert observe("gauge", "40 %", u="10 %").u == pytest.approx(4)


def test_an_uncertainty_of_a_pure_number_is_absolute_unless_it_is_a_percentage() -> None:
    assert observe("gauge", 0.4, u=0.02).u == pytest.approx(2)
    assert observe("gauge", 0.4, u="5 %").u == pytest.approx(2)
    assert observe("gauge", "40 ± 2 %").u == pytest.approx(2)


def test_a_temperature_has_a_zero_and_its_uncertainty_none() -> None:
    assert ends(observe("thermometer", "68 ± 9 °F")) == pytest.approx((20, 20, 20, 5))
    assert ends(observe("thermometer", "293.15 K", u="2 °C")) == pytest.approx((20, 20, 20, 2))
    assert observe("thermometer", "20 °C", u="1 K", rounded="1 K").lower == 19.5


def test_a_lognormal_likelihood_takes_u_relative() -> None:
    assert observe("logged", "250 ± 5 Wh/mi").u == pytest.approx(0.02)
    assert observe("logged", "250 Wh/mi", u="2 %").u == pytest.approx(0.02)
    assert observe("logged", "250 Wh/mi", u=0.02).u == pytest.approx(0.02)
    assert observe("logged", "4 mi/kWh", u="0.08 mi/kWh").u == pytest.approx(0.02)
    assert observe("logged", "240 .. 260 Wh/mi", u="5 Wh/mi").u == pytest.approx(0.02)


def test_a_method_may_have_the_uncertainty() -> None:
    assert observe("stated", "2 t").u is None
    assert observe("stated", "2 t", rounded="10 kg").u is None
    assert observe("widened", "2 ± 0.004 t").u == pytest.approx(4)
    assert [f.field for f in faults(MODEL, dossier({"method": "stated", "value": "2 t", "u": "3 kg"}))] == [
        "observations[0].u"
    ]
    assert [f.field for f in faults(MODEL, dossier({"method": "widened", "value": "2 t"}))] == ["observations[0].u"]


def test_a_value_is_shown_as_it_was_written() -> None:
    assert observe("weighing", "2.10(1) t").stated == "2.10(1) t"
    assert observe("gauge", 0.4, u=0.02).stated == "0.4"


@given(st.floats(0.5, 10), st.floats(0.001, 0.1))
def test_inverting_twice_gives_the_value_and_its_relative_uncertainty(value: float, share: float) -> None:
    once = observe("driving", f"{value!r} mi/kWh", u=f"{100 * share!r} %")
    assert once.u is not None
    assert 1000 / once.value == pytest.approx(value, rel=1e-12)
    assert once.u / once.value == pytest.approx(share, rel=1e-9)


@given(st.floats(1, 1e4), st.floats(0.1, 100), st.sampled_from([("kg", 1.0), ("t", 1000.0), ("lb", 0.45359237)]))
def test_the_unit_that_a_value_is_written_in_does_not_matter(mass: float, u: float, unit: tuple[str, float]) -> None:
    name, factor = unit
    written = observe("weighing", f"{mass / factor!r} ± {u / factor!r} {name}")
    assert ends(written) == pytest.approx((mass, mass, mass, u), rel=1e-9)


def test_a_u_in_the_unit_of_an_angle_is_no_share_of_the_value() -> None:
    latents = {"tilt": {"about": "a", "unit": "deg", "because": "b",
                        "prior": {"family": "normal", "mean": "30 deg", "sd": "6 deg"}}}  # fmt: skip
    method = {"about": "a", "measures": "tilt", "likelihood": {"family": "normal"},
              "shared": {"by": "origin", "u": "0.5 deg"}}  # fmt: skip
    model = {"title": "A ramp", "latents": latents, "methods": {"protractor": method}}
    stated = {"method": "protractor", "origin": "a"}
    stated_u = [{"u": "0.8 deg"}, {"u": "2 %"}, {"tolerance": f"{math.sqrt(3)} deg"}]
    spec = specify(model, dossier(*({**stated, "value": "31.5 deg", **u} for u in stated_u)))
    found = [o.u for o in spec.dossier.observations]
    assert found == pytest.approx([0.8, 0.63, 1])
    shared = spec.model.methods[0].shared
    assert shared is not None
    assert (shared.u, shared.relative) == (pytest.approx(0.5), False)


def test_an_angle_that_cannot_be_is_taken_for_deg_only_where_it_bears_no_unit() -> None:
    prior = {"family": "uniform", "lower": "0 rad", "upper": "1.5 rad"}
    latents = {"tilt": {"about": "a", "unit": "rad", "because": "b", "prior": prior}}
    methods = {"protractor": {"about": "a", "measures": "tilt", "likelihood": {"family": "normal"}}}
    model = {"title": "A ramp", "latents": latents, "methods": methods}
    bare, stated = (
        faults(model, dossier({"method": "protractor", "value": value, "u": "1 deg"})) for value in (31.5, "200 deg")
    )
    assert [fault.hint for fault in (*bare, *stated)] == ["did you mean '31.5 deg'?", None]
