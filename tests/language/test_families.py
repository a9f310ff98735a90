"""Families of priors: each is a density over ``t``, with the quantiles that SciPy gives it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from gaugeglass.language.expressions import Const, Op, Ref, evaluate
from gaugeglass.language.families import (
    FAMILIES,
    FITTED,
    KINDS,
    MAY_BE_QUANTITIES,
    WRITABLE,
    Prior,
    PriorError,
    make_prior,
    prior_from_quantiles,
    prior_from_values,
    prior_over_quantities,
    settled,
)
from gaugeglass.language.located import locate
from gaugeglass.language.priors import is_computable, is_ordinary, read_prior
from gaugeglass.language.reading import Notes
from gaugeglass.language.units import ONE

CASES = [
    ("normal", {"mean": 2, "sd": 3}, stats.norm(2, 3)),
    ("lognormal", {"median": 200, "sigma": 0.2}, stats.lognorm(0.2, scale=200)),
    ("lognormal", {"mean": 3, "sd": 1}, stats.lognorm(math.sqrt(math.log(10 / 9)), scale=3 / math.sqrt(10 / 9))),
    ("student_t", {"nu": 4, "mean": 1, "scale": 2}, stats.t(4, 1, 2)),
    ("half_normal", {"sd": 2}, stats.halfnorm(scale=2)),
    ("half_student_t", {"nu": 3, "scale": 5}, stats.foldcauchy),  # its oracle is the upper half of student_t, below
    ("exponential", {"mean": 3}, stats.expon(scale=3)),
    ("gamma", {"mean": 3, "sd": 1}, stats.gamma(9, scale=1 / 3)),
    ("gamma", {"shape": 0.5, "rate": 2}, stats.gamma(0.5, scale=0.5)),
    ("beta", {"mean": 0.1, "sd": 0.07}, None),
    ("beta", {"alpha": 8, "beta": 120}, stats.beta(8, 120)),
    ("uniform", {"lower": -1, "upper": 3}, stats.uniform(-1, 4)),
    ("log_uniform", {"lower": 0.1, "upper": 30}, stats.loguniform(0.1, 30)),
    ("triangular", {"lower": 0, "mode": 1, "upper": 4}, stats.triang(0.25, 0, 4)),
    ("triangular", {"lower": 0, "mode": 0, "upper": 4}, stats.triang(0, 0, 4)),
    ("triangular", {"lower": 0, "mode": 4, "upper": 4}, stats.triang(1, 0, 4)),
    ("truncated_normal", {"mean": 1, "sd": 2, "lower": 0, "upper": 3}, stats.truncnorm(-0.5, 1, 1, 2)),
    ("truncated_normal", {"mean": -3, "sd": 1, "lower": 0}, stats.truncnorm(3, np.inf, -3, 1)),
    ("truncated_normal", {"mean": 3, "sd": 1, "upper": 4}, stats.truncnorm(-np.inf, 1, 3, 1)),
]
IDS = [f"{family}-{'-'.join(written)}" for family, written, _ in CASES]
PRIORS = [(make_prior(family, written), oracle) for family, written, oracle in CASES]


def log_density(prior: Prior, t: float) -> float:
    """Log density of ``t`` as the table states it."""
    below, above = -np.logaddexp(0, -t), -np.logaddexp(0, t)
    names = prior.values | {"t": t, "v": float(prior.constrained(t)), "below": below, "above": above}
    return float(evaluate(prior.row.kernel, names)) + prior.log_normaliser


@pytest.mark.parametrize("prior", [p for p, _ in PRIORS], ids=IDS)
def test_the_median_is_half_of_the_way(prior: Prior) -> None:
    assert prior.median == pytest.approx(float(prior.ppf(0.5)), rel=1e-12)


VALUES = (201.0, 203.0, 210.0, 207.0, 198.0)


@pytest.mark.parametrize("family", FITTED)
def test_a_family_fitted_to_values_has_their_moments(family: str) -> None:
    """The mean and the sd (n - 1) of the values, or for lognormal of their logarithms, as NumPy computes them."""
    prior = prior_from_values(family, VALUES, one=400.0)
    natural = np.log(VALUES) if family == "lognormal" else np.array(VALUES)
    q = (np.arange(200_000) + 0.5) / 200_000
    drawn = np.log(prior.ppf(q)) if family == "lognormal" else prior.ppf(q)
    assert float(np.mean(drawn)) == pytest.approx(natural.mean(), rel=1e-6)
    # the midpoint rule leaves out the farthest 2.5e-6 of either tail
    assert float(np.std(drawn)) == pytest.approx(natural.std(ddof=1), rel=1e-3)


@pytest.mark.parametrize(
    ("family", "values"), [("lognormal", (0.0, 1.0)), ("beta", (0.2, 1.0)), ("normal", (3.0, 3.0))]
)
def test_values_that_no_member_can_have_are_refused(family: str, values: tuple[float, ...]) -> None:
    with pytest.raises(PriorError):
        prior_from_values(family, values)


@pytest.mark.parametrize(("family", "written"), sorted(MAY_BE_QUANTITIES.items()))
def test_a_prior_over_quantities_is_the_plain_one_where_they_are(family: str, written: tuple[str, ...]) -> None:
    """Each parameter as 2.5 times a quantity at 3, which is the same as 7.5 in its place."""
    numbers = {"nu": 4.0} if family == "student_t" else {}
    trees = {name: Op("mul", (Ref("x"), Const(2.5))) for name in written}
    prior = prior_over_quantities(family, numbers, trees)
    assert all(math.isnan(prior.values[name]) for name, _ in prior.trees)
    plain = make_prior(family, numbers | dict.fromkeys(written, 7.5))
    found = settled(prior, lambda tree: float(evaluate(tree, {"x": 3.0})))
    assert found.values == pytest.approx(plain.values)
    assert {name for name, _ in prior.trees} == set(plain.values) - set(numbers)


@pytest.mark.parametrize("name", ["sd", "mean"])
def test_a_value_that_a_parameter_cannot_have_is_refused(name: str) -> None:
    prior = prior_over_quantities("normal", {"mean": 1.0, "sd": 1.0}, {name: Ref("x")})
    with pytest.raises(PriorError):
        settled(prior, lambda tree: math.inf)
    assert math.isnan(settled(prior, lambda tree: math.nan).values[name])


def test_every_family_has_a_case() -> None:
    assert {prior.family for prior, _ in PRIORS} == set(FAMILIES)


@pytest.mark.parametrize("prior", [p for p, _ in PRIORS], ids=IDS)
def test_density_integrates_to_one(prior: Prior) -> None:
    """Over ``t``, in pieces of one spread about the centre; what is beyond 60 spreads is left out."""
    edges = prior.centre + prior.spread * np.array([-60, -20, -8, -4, -2, -1, 0, 1, 2, 4, 8, 20, 60])
    with np.errstate(over="ignore", under="ignore"):
        pieces = [integrate.quad(lambda t: math.exp(log_density(prior, t)), a, b, limit=200)[0]
                  for a, b in itertools.pairwise(edges)]  # fmt: skip
    heavy_tails = 2e-4 if "student_t" in prior.family and prior.row.support == "real" else 1e-6
    assert sum(pieces) == pytest.approx(1, abs=heavy_tails)


@pytest.mark.parametrize(("prior", "oracle"), PRIORS, ids=IDS)
def test_quantiles_agree_with_scipy(prior: Prior, oracle: object) -> None:
    q = np.array([1e-4, 0.05, 0.25, 0.5, 0.75, 0.95, 0.9999])
    if prior.family == "half_student_t":
        expected = stats.t(3, 0, 5).ppf(0.5 + q / 2)
    elif oracle is None:
        size = 0.1 * 0.9 / 0.07**2 - 1
        expected = stats.beta(0.1 * size, 0.9 * size).ppf(q)
    else:
        expected = oracle.ppf(q)  # type: ignore[attr-defined]
    assert np.asarray(prior.ppf(q)) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("prior", [p for p, _ in PRIORS], ids=IDS)
def test_probability_below_a_quantile_is_its_own(prior: Prior) -> None:
    """The density over ``t`` and the quantile function are of one distribution."""
    low, high = prior.unconstrained(prior.ppf(np.array([0.2, 0.7])))
    found, _ = integrate.quad(lambda t: math.exp(log_density(prior, t)), min(low, high), max(low, high))
    assert found == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize("prior", [p for p, _ in PRIORS], ids=IDS)
def test_values_survive_the_unconstrained_scale(prior: Prior) -> None:
    v = np.asarray(prior.ppf(np.array([0.01, 0.5, 0.99])))
    assert prior.constrained(prior.unconstrained(v)) == pytest.approx(v, rel=1e-9)


@pytest.mark.parametrize(
    ("family", "quantiles", "nu"),
    [
        ("normal", {0.05: -1, 0.95: 3}, None),
        ("lognormal", {0.05: 150, 0.95: 260}, None),
        ("student_t", {0.1: 1, 0.9: 2}, 4),
        ("half_normal", {0.9: 3}, None),
        ("half_student_t", {0.9: 3}, 4),
        ("exponential", {0.5: 2}, None),
        ("gamma", {0.05: 1, 0.95: 3}, None),
        ("gamma", {0.05: 0.001, 0.95: 30}, None),
        ("beta", {0.05: 0.1, 0.95: 0.3}, None),
        ("beta", {0.1: 0.02, 0.9: 0.97}, None),
        ("uniform", {0.25: 1, 0.5: 2}, None),
        ("log_uniform", {0.1: 1, 0.9: 100}, None),
    ],
)
def test_a_prior_has_the_quantiles_it_was_made_from(
    family: str, quantiles: dict[float, float], nu: float | None
) -> None:
    prior = prior_from_quantiles(family, quantiles, nu=nu)
    assert [float(prior.ppf(q)) for q in quantiles] == pytest.approx(list(quantiles.values()), rel=1e-7)


@pytest.mark.parametrize("q", [1e-9, 0.001, 0.05, 0.3, 0.5, 0.9, 0.999, 1 - 1e-9])
def test_a_normal_from_quantiles_has_scipys(q: float) -> None:
    assert prior_from_quantiles("half_normal", {q: 1.0}).values["sd"] == pytest.approx(
        1 / special.ndtri(0.5 + q / 2), rel=1e-14
    )


def test_a_beta_in_percent_is_the_beta_of_shares() -> None:
    percent = make_prior("beta", {"mean": 10, "sd": 7}, one=100)
    share = make_prior("beta", {"mean": 0.1, "sd": 0.07})
    q = np.array([0.05, 0.5, 0.95])
    assert percent.ppf(q) == pytest.approx(100 * share.ppf(q))
    assert percent.bounds == (0, 100)


@pytest.mark.parametrize(
    ("family", "written"),
    [("normal", {"mean": 1}), ("normal", {"mean": 1, "sd": 0}), ("lognormal", {"median": -1, "sigma": 1}),
     ("beta", {"mean": 0.5, "sd": 0.6}), ("beta", {"mean": 1.5, "sd": 0.1}), ("uniform", {"lower": 1, "upper": 1}),
     ("log_uniform", {"lower": 0, "upper": 1}), ("triangular", {"lower": 0, "mode": 5, "upper": 4}),
     ("student_t", {"nu": 0, "mean": 0, "scale": 1}), ("truncated_normal", {"mean": 0, "sd": 1})],
)  # fmt: skip
def test_impossible_parameters_are_refused(family: str, written: dict[str, float]) -> None:
    with pytest.raises(PriorError):
        make_prior(family, written)


@pytest.mark.parametrize(
    ("family", "quantiles"),
    [("normal", {0.05: 1}), ("normal", {0.05: 2, 0.95: 1}), ("lognormal", {0.05: -1, 0.95: 1}),
     ("beta", {0.05: 0.1, 0.95: 1.2}), ("student_t", {0.05: 1, 0.95: 2}), ("triangular", {0.05: 1, 0.95: 2}),
     ("normal", {0: 1, 0.95: 2})],
)  # fmt: skip
def test_impossible_quantiles_are_refused(family: str, quantiles: dict[float, float]) -> None:
    with pytest.raises(PriorError):
        prior_from_quantiles(family, quantiles)


@pytest.mark.parametrize("prior", [p for p, _ in PRIORS], ids=IDS)
def test_usual_parameters_are_ordinary(prior: Prior) -> None:
    assert is_ordinary(prior)


def sizes(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high).map(lambda exponent: 10**exponent)


def parameters(kind: str) -> st.SearchStrategy[float]:
    if kind == "value":
        return st.just(0.0) | st.tuples(st.sampled_from([-1, 1]), sizes(-5, 7)).map(math.prod)
    return sizes(-5, 7) if kind in ("spread", "rate") else sizes(-4, 6)


@given(st.data())
def test_an_ordinary_prior_is_computable(data: st.DataObject) -> None:
    family = data.draw(st.sampled_from(WRITABLE))
    form = data.draw(st.sampled_from(FAMILIES[family].forms))
    try:
        prior = make_prior(family, {name: data.draw(parameters(KINDS[name])) for name in form})
    except (PriorError, ArithmeticError):
        return
    assert not is_ordinary(prior) or is_computable(prior)


@pytest.mark.parametrize(
    "written",
    [{"family": "gamma", "mean": 1, "sd": 1e9}, {"family": "uniform", "lower": 1, "upper": 1 + 2e-16},
     {"family": "lognormal", "median": 1, "sigma": 1e3}, {"family": "normal", "mean": 1e20, "sd": 1},
     {"family": "truncated_normal", "mean": 0, "sd": 1, "lower": 1e9}],
)  # fmt: skip
def test_a_prior_that_cannot_be_computed_is_refused(written: dict[str, object]) -> None:
    notes = Notes("model")
    assert read_prior(locate(written), ONE, notes) is None
    assert len(notes.faults) == 1
