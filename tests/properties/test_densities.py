"""Truths about a log density, at points spread over the prior: they hold for each draw, so no sampling is needed."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaugeglass.inference.density import compile_density
from gaugeglass.language.units import convert, parse_unit
from properties.tank import HYPOTHESES, KEPT, OBSERVATIONS, log_densities, log_priors, points, tank, whole_tank

NAMES = list(HYPOTHESES)
IDS = [str(o["id"]) for o in OBSERVATIONS]
few = settings(max_examples=10, deadline=None, derandomize=True)


def the_same(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two log densities agree to rounding."""
    return bool(np.allclose(a, b, rtol=1e-9, atol=1e-9))


def differ_by_a_constant(a: np.ndarray, b: np.ndarray, *, within: float = 1e-9) -> bool:
    """Whether two log densities are one posterior."""
    gap = a - b
    return bool(np.ptp(gap) <= within * (1 + np.max(np.abs(a))))


@given(order=st.permutations(range(len(OBSERVATIONS))), hypothesis=st.sampled_from(NAMES))
@few
def test_order_of_observations_is_irrelevant(order, hypothesis) -> None:
    permuted = tank([OBSERVATIONS[k] for k in order])
    assert the_same(log_densities(permuted, hypothesis), log_densities(whole_tank(), hypothesis))


@given(
    unit=st.sampled_from(["m**3", "US_gal", "mL", "cm**3"]),
    which=st.sampled_from(["meter-1", "dip-1", "pump-1"]),
    name=st.sampled_from(NAMES),
)
@few
def test_unit_of_an_observation_is_irrelevant(unit, which, name) -> None:
    def in_unit(text: str) -> str:
        number, _, own = text.partition(" ")
        return text if own == "%" else f"{convert(float(number), parse_unit(own), parse_unit(unit))!r} {unit}"

    changed = [
        o | {"value": in_unit(o["value"]), "u": in_unit(o["u"])} if o["id"] == which else o for o in OBSERVATIONS
    ]
    assert the_same(log_densities(tank(changed), name), log_densities(whole_tank(), name))


@pytest.mark.parametrize("name", NAMES)
def test_unit_of_quantities_only_scales_the_readings(name) -> None:
    """In m³ rather than L a density of a reading is a thousand times larger, a probability of an interval is not."""
    litres, cubic_metres = log_densities(whole_tank(), name), log_densities(tank(unit="m**3"), name)
    readings_of_points = ("meter-1", "dip-1", "dip-2", "pump-1", "meter-point", "dip-point", "pump-point")
    assert the_same(litres + len(readings_of_points) * math.log(1000), cubic_metres)


@given(left_out=st.sets(st.sampled_from(IDS)), name=st.sampled_from(NAMES))
@few
def test_power_zero_is_leaving_out(left_out, name) -> None:
    without = tank([o for o in OBSERVATIONS if o["id"] not in left_out])
    assert the_same(log_densities(whole_tank(), name, power=dict.fromkeys(left_out, 0.0)), log_densities(without, name))


@pytest.mark.parametrize("which", IDS)
def test_withdrawn_is_leaving_out(which) -> None:
    withdrawn = {"withdrawn": {"date": "2026-03-01", "because": "Retracted"}}
    marked = tank([o | withdrawn if o["id"] == which else o for o in OBSERVATIONS])
    without = tank([o for o in OBSERVATIONS if o["id"] != which])
    assert the_same(log_densities(marked, "leaky"), log_densities(without, "leaky"))


@pytest.mark.parametrize("name", NAMES)
def test_no_observations_is_the_prior(name) -> None:
    prior = log_priors(whole_tank(), name)
    everything = [*IDS, *(str(o["id"]) for o in KEPT)]
    assert the_same(log_densities(whole_tank(), name, power=dict.fromkeys(everything, 0.0)), prior)


@cache
def base_and_likelihoods(name: str) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Log density without the observations, and what each adds to it."""
    off = dict.fromkeys(IDS, 0.0)
    base = log_densities(whole_tank(), name, power=off)
    return base, {i: log_densities(whole_tank(), name, power=off | {i: 1.0}) - base for i in IDS}


@given(power=st.fixed_dictionaries({i: st.floats(0, 2) for i in IDS}), name=st.sampled_from(NAMES))
@few
def test_power_is_linear(power, name) -> None:
    """Each observation adds its log-likelihood times its power, whatever the others have."""
    base, each = base_and_likelihoods(name)
    assert the_same(log_densities(whole_tank(), name, power=power), base + sum(p * each[i] for i, p in power.items()))


@pytest.mark.parametrize("which", ["meter-1", "meter-2", "dip-1", "dip-2", "dip-3"])
@pytest.mark.parametrize("name", NAMES)
def test_endless_uncertainty_changes_no_posterior(which, name) -> None:
    """An observation with u a hundred million times the prior's width is one that is not there, but for a constant."""
    blunt = tank([o | {"u": "1e12 L"} if o["id"] == which else o for o in OBSERVATIONS])
    without = tank([o for o in OBSERVATIONS if o["id"] != which])
    assert differ_by_a_constant(log_densities(blunt, name), log_densities(without, name))


def test_endless_uncertainty_favours_no_hypothesis() -> None:
    """The constant above is the same under every hypothesis, so weights stay."""
    blunt = tank([o | {"u": "1e12 L"} if o["id"] == "dip-1" else o for o in OBSERVATIONS])
    without = tank([o for o in OBSERVATIONS if o["id"] != "dip-1"])
    gaps = [np.mean(log_densities(blunt, n) - log_densities(without, n)) for n in NAMES]
    assert np.ptp(gaps) < 1e-8


def test_relative_uncertainty_without_end_changes_no_posterior() -> None:
    for which in ("pump-1", "pump-2"):
        blunt = tank([o | {"u": "1e12"} if o["id"] == which else o for o in OBSERVATIONS])
        without = tank([o for o in OBSERVATIONS if o["id"] != which])
        assert differ_by_a_constant(log_densities(blunt, "leaky"), log_densities(without, "leaky"))


@given(value=st.floats(500, 1500), u=st.floats(1, 100))
@few
def test_two_equal_readings_are_one_with_less_uncertainty(value, u) -> None:
    twice = [{"id": f"m{k}", "method": "meter", "value": f"{value!r} L", "u": f"{u!r} L"} for k in range(2)]
    once = [{"id": "m", "method": "meter", "value": f"{value!r} L", "u": f"{u / math.sqrt(2)!r} L"}]
    assert differ_by_a_constant(log_densities(tank(twice), "leaky"), log_densities(tank(once), "leaky"))


@given(lower=st.floats(700, 1100), width=st.floats(1, 200), u=st.floats(5, 100))
@few
def test_probabilities_of_all_intervals_sum_to_one(lower, width, u) -> None:
    """A reading lies below, in or above an interval."""
    values = (f"<= {lower!r} L", f"{lower!r} .. {lower + width!r} L", f">= {lower + width!r} L")
    told = [tank([{"id": "m", "method": "meter", "value": v, "u": f"{u!r} L"}]) for v in values]
    without = log_densities(tank([]), "leaky")
    chances = sum(np.exp(log_densities(spec, "leaky") - without) for spec in told)
    assert the_same(chances, np.ones_like(chances))


@given(value=st.floats(900, 1100), u=st.floats(20, 60))
@few
def test_a_narrow_interval_is_a_density_times_its_width(value, u) -> None:
    width = 1e-3
    interval = tank([{"id": "m", "method": "meter", "value": f"{value!r} L", "rounded": f"{width} L", "u": f"{u!r} L"}])
    point = tank([{"id": "m", "method": "meter", "value": f"{value!r} L", "u": f"{u!r} L"}])
    gap = log_densities(interval, "leaky") - log_densities(point, "leaky")
    assert np.allclose(gap, math.log(width), atol=1e-6)


@given(factor=st.floats(0.25, 4))
@few
def test_stretching_a_prior_is_stating_a_wider_one(factor) -> None:
    """The scale of a lognormal prior, about its median; coordinates are standardised, so quantities show it."""
    wider = {
        "inflow": {
            "about": "Let in",
            "unit": "L",
            "prior": {"family": "lognormal", "median": "1 m**3", "sigma": 0.3 * factor},
            "because": "-",
        }
    }
    stated, stretched = compile_density(tank(latents=wider)), compile_density(whole_tank())
    x = points(whole_tank())
    a = stated.quantities(x, stated.dials("leaky"))
    b = stretched.quantities(x, stretched.dials("leaky", stretch={"inflow": factor}))
    assert np.allclose(a["inflow"], b["inflow"], rtol=1e-9)
    assert the_same(
        log_densities(tank(latents=wider), "leaky"), log_densities(whole_tank(), "leaky", stretch={"inflow": factor})
    )
