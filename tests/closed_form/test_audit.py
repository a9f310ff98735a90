"""The audit where everything that it says is known exactly: linear models with normal errors."""

from __future__ import annotations

import json
import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from arviz_stats.base import array_stats
from scipy import integrate, optimize, special, stats

from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.inference.smoothing import limit, smoothed
from gaugeglass.judgement.audit import _standing, audit
from gaugeglass.judgement.conflicts import contradictions, judged
from gaugeglass.judgement.findings import Audit, Tipping, UnitFinding
from gaugeglass.judgement.leaving import leave_out, units
from gaugeglass.judgement.powers import POWERS, SENSITIVE, Ordered
from gaugeglass.judgement.ratios import log_norm_of_power, log_powered, log_stretched
from gaugeglass.judgement.results import Probability
from gaugeglass.judgement.tipping import Search
from gaugeglass.judgement.verdicts import _propositions
from gaugeglass.judgement.widths import curves, screen
from gaugeglass.language.families import make_prior
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec
from gaugeglass.record.documents import plain
from references.estimates import ERRORS, Estimate

X = np.array([-1.0, -0.4, 0.3, 0.8, 1.5])
U = np.array([0.8, 0.5, 0.6, 0.9, 0.4])
READINGS = np.array([-0.3, 0.9, 0.7, 2.4, 1.6])
PRIOR_SD = np.array([2.0, 1.0])  # level, slope
LEVEL = 0.6
"""The claim is that the level lies above it. [V]"""
HYPOTHESES = {"flat": [0], "sloped": [0, 1]}


def line(readings: np.ndarray = READINGS) -> Spec:
    """Readings of a line that may be flat; two of one origin, and an echo of the first."""
    normal = {"family": "normal", "mean": "0 V"}
    model = {
        "title": "Readings of a line",
        "latents": {
            "level": {"about": "Level", "unit": "V", "prior": normal | {"sd": "2 V"}, "because": "Invented"},
            "slope": {"about": "Slope", "unit": "V", "prior": normal | {"sd": "1 V"}, "because": "Invented"},
        },
        "methods": {
            "reading": {
                "about": "A reading",
                "measures": "level + slope * at",
                "unit": "V",
                "inputs": {"at": {"unit": "1"}},
                "likelihood": {"family": "normal"},
            }
        },
        "hypotheses": {
            "flat": {"says": "It is flat", "fix": {"slope": "0 V"}},
            "sloped": {"says": "It may rise", "priors": {"slope": "as stated"}, "prior_weight": 2},
        },
        "claims": {"high": {"says": "The level is high", "holds": f"level > {LEVEL} [V]"}},
    }
    observations: list[dict[str, Any]] = [
        {"id": f"r{k}", "method": "reading", "value": f"{y} V", "u": f"{u} V", "inputs": {"at": float(x)}}
        | ({"origin": "one bench"} if k in (2, 3) else {})
        for k, (y, u, x) in enumerate(zip(readings, U, X, strict=True))
    ]
    echo = {**observations[0], "id": "echo", "repeats": "r0"}
    return specify(model, {"dossier": "line", "subject": "A line", "observations": [*observations, echo]})


@cache
def posterior() -> Posterior:
    return infer(line(), seed=1, draws=4000)


@cache
def audited() -> Audit:
    return audit(posterior())


class Exact:
    """All in closed form: the posterior of the level under each hypothesis, and their weights."""

    def __init__(self, kept: list[int], readings: np.ndarray = READINGS) -> None:
        self.kept = kept
        self.log, self.mean, self.covariance = {}, {}, {}
        for name, columns in HYPOTHESES.items():
            design = np.stack([np.ones(len(X)), X], axis=1)[:, columns]
            prior = np.diag(PRIOR_SD[columns] ** 2)
            own, y, noise = design[kept], readings[kept], np.diag(U[kept] ** 2)
            total = own @ prior @ own.T + noise
            gain = prior @ own.T @ np.linalg.inv(total) if kept else np.zeros((len(columns), 0))
            self.log[name] = float(stats.multivariate_normal(np.zeros(len(kept)), total).logpdf(y)) if kept else 0.0
            self.mean[name] = gain @ y
            self.covariance[name] = prior - gain @ own @ prior
        logs = np.array([math.log(p) + self.log[n] for n, p in (("flat", 1), ("sloped", 2))])
        self.weights = dict(zip(HYPOTHESES, special.softmax(logs), strict=True))

    @property
    def claim(self) -> float:
        return sum(
            w * float(stats.norm.sf(LEVEL, self.mean[n][0], math.sqrt(self.covariance[n][0, 0])))
            for n, w in self.weights.items()
        )

    def foretold(self, k: int) -> dict[str, Any]:
        """The predictive distribution of a reading, by hypothesis."""
        found = {}
        for n, columns in HYPOTHESES.items():
            row = np.array([1.0, X[k]])[columns]
            found[n] = stats.norm(row @ self.mean[n], math.sqrt(row @ self.covariance[n] @ row + U[k] ** 2))
        return found

    def level(self) -> tuple[float, float]:
        """Mean and sd over both hypotheses."""
        mean = sum(w * self.mean[n][0] for n, w in self.weights.items())
        square = sum(w * (self.covariance[n][0, 0] + self.mean[n][0] ** 2) for n, w in self.weights.items())
        return float(mean), math.sqrt(square - mean**2)


WHOLE = list(range(len(X)))
UNITS = {f"r{k}": [k] for k in WHOLE} | {"one bench": [2, 3]}


def finding(name: str) -> UnitFinding:
    return next(f for f in audited().units if f.unit.name == name)


def rest(name: str) -> list[int]:
    return [k for k in WHOLE if k not in UNITS[name]]


def test_units_are_observations_and_origins_of_two_readings_or_more_and_echoes_never_count() -> None:
    assert {f.unit.name: f.unit.ids for f in audited().units} == {
        name: tuple(f"r{k}" for k in own) for name, own in UNITS.items()
    }


@pytest.mark.parametrize("name", UNITS)
def test_posteriors_without_each_unit_are_those_known_exactly(name: str) -> None:
    """Closed form, Bayesian linear regression with known errors, two hypotheses with prior weights 1 and 2.

    Marginal likelihoods, weights, the claim's probability and the mean of the level, within four Monte Carlo errors.
    """
    exact, found = Exact(rest(name)), finding(name)
    for h in found.hypotheses:
        assert Estimate(h.log_evidence, h.log_evidence_mcse).agrees(exact.log[h.name])
        assert Estimate(h.posterior, h.mcse).agrees(exact.weights[h.name])
    assert Estimate(found.claims[0].without.value, found.claims[0].without.mcse).agrees(exact.claim)
    assert Estimate(found.claims[0].whole.value, found.claims[0].whole.mcse).agrees(Exact(WHOLE).claim)
    (before, sd), (after, _) = Exact(WHOLE).level(), exact.level()
    level = next(q for q in found.quantities if q.quantity == "level")
    assert Estimate(level.shift, level.shift_mcse).agrees((after - before) / sd, half_digit=0.02)


@pytest.mark.parametrize("k", WHOLE)
def test_surprise_of_a_reading_is_its_predictive_tail(k: int) -> None:
    """Closed form: the mixture of two normal predictive distributions. Four Monte Carlo errors."""
    exact, found = Exact(rest(f"r{k}")), finding(f"r{k}").surprise
    below = sum(w * exact.foretold(k)[n].cdf(READINGS[k]) for n, w in exact.weights.items())
    assert found.kind == "tail"
    assert Estimate(found.probability.value, found.probability.mcse).agrees(2 * min(below, 1 - below))


def test_surprise_of_two_readings_is_that_of_their_distance() -> None:
    """Closed form: under each hypothesis the two readings are jointly normal; their squared Mahalanobis distance from the
    mixture's mean in the mixture's covariance, against 400 000 simulated pairs. Four Monte Carlo errors of both, and
    0.02 for the mean and covariance that the audit takes from half of its draws.
    """
    exact, rng = Exact(rest("one bench")), np.random.default_rng(1)
    pairs = []
    for n, columns in HYPOTHESES.items():
        rows = np.stack([np.ones(2), X[[2, 3]]], axis=1)[:, columns]
        covariance = rows @ exact.covariance[n] @ rows.T + np.diag(U[[2, 3]] ** 2)
        pairs.append(rng.multivariate_normal(rows @ exact.mean[n], covariance, size=round(400_000 * exact.weights[n])))
    drawn = np.concatenate(pairs)
    inverse = np.linalg.inv(np.cov(drawn.T))
    z, own = drawn - drawn.mean(axis=0), READINGS[[2, 3]] - drawn.mean(axis=0)
    expected = float(np.mean(np.einsum("ij,jk,ik->i", z, inverse, z) >= own @ inverse @ own))
    found = finding("one bench").surprise
    assert found.kind == "misfit"
    assert Estimate(found.probability.value, found.probability.mcse).agrees(expected, half_digit=0.02)


# --- tipping ------------------------------------------------------------------------------------------------


def tipped(own: list[int], shift: float) -> float:
    """The claim's probability with readings shifted by so many of their u."""
    readings = READINGS.copy()
    readings[own] += shift * U[own]
    return Exact(WHOLE, readings).claim


@pytest.mark.parametrize("name", UNITS)
def test_tipping_values_are_those_known_exactly(name: str) -> None:
    """Closed form: the nearest shift on either side at which the claim's probability is its threshold, 0.5.

    Four of its Monte Carlo errors. One that lies farther than what was searched is not found, and none that is not
    there.
    """
    found, own = finding(name), UNITS[name]
    assert found.sought is not None
    grid = np.linspace(*found.sought, 2001)
    over = np.array([tipped(own, s) for s in grid]) - 0.5
    roots = [
        optimize.brentq(lambda s: tipped(own, s) - 0.5, a, b)
        for a, b, p, q in zip(grid, grid[1:], over, over[1:], strict=False)
        if p * q < 0
    ]
    near = [max((r for r in roots if r < 0), default=None), min((r for r in roots if r > 0), default=None)]
    by_side = {t.side: t for t in found.tipping}
    for side, root in zip(("below", "above"), near, strict=True):
        if root is None:
            assert side not in by_side or abs(by_side[side].shift) > 0.97 * abs(found.sought[side == "above"])
            continue
        t = by_side[side]
        assert Estimate(t.shift, t.shift_mcse).agrees(root, half_digit=0.01 * abs(root))
        assert t.draws >= 50
        if len(own) == 1:
            exact, (k,) = Exact(rest(name)), own
            assert t.value == pytest.approx(READINGS[k] + t.shift * U[k])
            y = READINGS[k] + t.shift * U[k]
            chance = sum(
                w * (exact.foretold(k)[n].cdf(y) if side == "below" else exact.foretold(k)[n].sf(y))
                for n, w in exact.weights.items()
            )
            assert Estimate(t.chance.value, t.chance.mcse).agrees(chance)


def test_some_tipping_values_are_found_and_the_three_nearest_confirmed_by_a_refit() -> None:
    """A refit there finds the threshold again, within four combined Monte Carlo errors."""
    found = [t for f in audited().units for t in f.tipping]
    assert len(found) >= 5
    checked = [t.confirmed for t in found if t.confirmed is not None]
    assert len(checked) == 3
    for p in checked:
        assert Estimate(p.value, p.mcse).agrees(0.5, half_digit=0.02)


# --- pairs --------------------------------------------------------------------------------------------------


def test_pairs_are_compared_as_linear_regression_without_both_would() -> None:
    """Closed form: residuals of two readings and their covariance by the regression on the rest.

    A line is linear, so that the two agree to rounding: 1e-6. All pairs are told, though only some contradict.
    """
    from gaugeglass.judgement import conflicts

    shown = contradictions(infer(line(READINGS + np.array([0, 3.0, -3.0, 0, 0])), seed=2))
    assert shown[1] == len(WHOLE) * (len(WHOLE) - 1) // 2
    ids, residuals, scatter, foretold = conflicts._linear(posterior())
    best = max(Exact(WHOLE).weights, key=Exact(WHOLE).weights.get)
    columns = HYPOTHESES[best]
    for i in WHOLE:
        for j in range(i):
            without = Exact([k for k in WHOLE if k not in (i, j)])
            rows = np.stack([np.ones(2), X[[j, i]]], axis=1)[:, columns]
            e = READINGS[[j, i]] - rows @ without.mean[best]
            covariance = rows @ without.covariance[best] @ rows.T + np.diag(U[[j, i]] ** 2)
            found = conflicts._compare(ids, (j, i), residuals, scatter, foretold)
            sd = np.sqrt(np.diag(covariance))
            assert (found.distance_first, found.distance_second) == pytest.approx(tuple(e / sd), abs=1e-6)
            assert found.correlation == pytest.approx(covariance[0, 1] / sd.prod(), abs=1e-6)
            zero = np.zeros(2)
            both = stats.multivariate_normal(zero, covariance).logpdf(e) - stats.norm(0, sd).logpdf(e).sum()
            assert found.log_ratio == pytest.approx(both, abs=1e-6)


def test_two_readings_that_disagree_are_named() -> None:
    found, _ = contradictions(infer(line(READINGS + np.array([0, 3.0, -3.0, 0, 0])), seed=2))
    assert ("r1", "r2") in {(c.first, c.second) for c in found}


@pytest.mark.parametrize(("first", "second", "correlation"), [(0.7, -1.1, 0.8), (1.0, 1.2, 0.5), (2.0, 1.0, -0.4)])
def test_chance_of_a_contradiction_is_that_of_its_own_distribution(
    first: float, second: float, correlation: float
) -> None:
    """Against a million simulated pairs of standard normal residuals with that correlation: four binomial errors."""
    value, p = judged(first, second, correlation)
    z = np.random.default_rng(3).multivariate_normal([0, 0], [[1, correlation], [correlation, 1]], size=1_000_000)
    both = stats.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]]).logpdf(z)
    share = float(np.mean(both - stats.norm.logpdf(z).sum(axis=1) <= value))
    assert abs(p - share) <= ERRORS * math.sqrt(p * (1 - p) / 1_000_000)


# --- priors -------------------------------------------------------------------------------------------------


def one_level(y: float) -> Posterior:
    """A level with the prior N(0, 1) and one reading of u 1."""
    model = {
        "title": "A level",
        "latents": {
            "level": {"about": "Level", "unit": "V", "because": "Invented", "prior": {"family": "normal", "mean": "0 V", "sd": "1 V"}},
            "idle": {"about": "What nothing reads", "unit": "V", "because": "Invented", "prior": {"family": "normal", "mean": "0 V", "sd": "1 V"}},
        },
        "methods": {"reading": {"about": "A reading", "measures": "level", "likelihood": {"family": "normal"}}},
        "claims": {"high": {"says": "The level is high", "holds": "level > 1 [V]"}},
    }  # fmt: skip
    observation = {"id": "one", "method": "reading", "value": f"{y} V", "u": "1 V"}
    return infer(
        specify(model, {"dossier": "level", "subject": "A level", "observations": [observation]}), seed=4, draws=4000
    )


def exact_distance(p: Any, q: Any) -> float:
    """Cumulative Jensen-Shannon distance of two distributions by quadrature over the range of 16 000 draws."""
    ends = p.ppf([1 / 32000, 1 - 1 / 32000])

    def one_way(f: Any, g: Any) -> float:
        def both(x: float) -> float:
            a, b = f(x), g(x)
            return a * math.log2(2 * a / (a + b)) + b * math.log2(2 * b / (a + b))

        whole = integrate.quad(lambda x: f(x) + g(x), *ends)[0]
        return math.sqrt(integrate.quad(both, *ends)[0] / whole)

    return max(one_way(p.cdf, q.cdf), one_way(p.sf, q.sf))


@pytest.mark.parametrize("y", [0.5, 3.0])
def test_power_scaling_is_that_known_exactly(y: float) -> None:
    """Prior N(0, 1), one reading of u 1: the prior to the power a leaves N(y / (1 + a), 1 / (1 + a)).

    The rate is of distances between normals, by quadrature (Kallioinen et al. 2024). It is flagged from 0.05 on. Ten
    percent, since the distance depends on how far the draws reach, and 0.01 for noise where it is small.
    """
    found = audit(one_level(y))

    def posterior_at(prior: float, likelihood: float) -> Any:
        precision = prior + likelihood
        return stats.norm(likelihood * y / precision, 1 / math.sqrt(precision))

    base = posterior_at(1.0, 1.0)
    rate = {
        "prior": sum(exact_distance(base, posterior_at(a, 1.0)) for a in POWERS) / (2 * math.log2(1.25)),
        "likelihood": sum(exact_distance(base, posterior_at(1.0, a)) for a in POWERS) / (2 * math.log2(1.25)),
    }
    (own,) = [s for s in found.priors.sensitivities if (s.latent, s.target) == ("level", "level")]
    assert own.to_prior == pytest.approx(rate["prior"], rel=0.1, abs=0.01)
    assert own.to_likelihood == pytest.approx(rate["likelihood"], rel=0.1, abs=0.01)
    assert (own.diagnosis == "prior and evidence may conflict") == (min(rate.values()) >= SENSITIVE)
    assert own.pareto_k < limit(16000)
    assert {s.diagnosis for s in found.priors.sensitivities if s.latent == "idle" and s.target != "idle"} == {
        "insensitive"
    }
    assert found.priors.returned == ("idle",)
    assert found.priors.not_identified == ("idle",)


def test_prior_that_conflicts_is_named_only_where_it_does() -> None:
    assert "level" in audit(one_level(5.0)).priors.conflicts


def test_rate_agrees_with_the_library_of_the_trade() -> None:
    """ArviZ's power scaling on the same draws. Its weights smooth both tails, ours the upper: 0.005."""
    p = one_level(3.0)
    fit = p.fits["as_stated"]
    values = fit.quantities["level"]
    log_prior = stats.norm.logpdf(values)
    weights = [np.exp(array_stats.power_scale_lw(log_prior, alpha=a, axis=(0, 1))) for a in POWERS]
    theirs = array_stats.power_scale_sense(
        values, *(w / w.sum() for w in weights), lower_alpha=POWERS[0], upper_alpha=POWERS[1], chain_axis=0, draw_axis=1
    )
    ours = 0.0
    for a in POWERS:
        shares = np.exp(smoothed(log_powered(p.density, fit, "level", a))[0]).ravel()
        apart = Ordered(values.ravel()).distance(np.full(values.size, 1 / values.size), shares)
        ours += apart / (2 * math.log2(POWERS[1]))
    assert ours == pytest.approx(float(theirs), abs=0.005)


@pytest.mark.parametrize("power", POWERS)
@pytest.mark.parametrize(
    ("family", "parameters", "own"),
    [
        ("normal", {"mean": 3.0, "sd": 2.0}, stats.norm(3, 2)),
        ("lognormal", {"median": 5.0, "sigma": 0.6}, stats.lognorm(0.6, scale=5)),
        ("beta", {"alpha": 2.0, "beta": 7.0}, stats.beta(2, 7)),
        ("exponential", {"mean": 4.0}, stats.expon(scale=4)),
        ("uniform", {"lower": 2.0, "upper": 5.0}, stats.uniform(2, 3)),
        ("student_t", {"nu": 4.0, "mean": 1.0, "scale": 2.0}, stats.t(4, 1, 2)),
    ],
)
def test_integral_of_a_power_of_a_prior(family: str, parameters: dict[str, float], own: Any, power: float) -> None:
    """SciPy's quadrature of its own density to the power: 1e-4, as little of a heavy tail lies beyond what is summed."""
    ends = own.support() if family in ("beta", "uniform") else own.ppf([1e-13, 1 - 1e-13])
    exact = integrate.quad(lambda v: own.pdf(v) ** power, *ends, limit=500, points=own.ppf([0.01, 0.5, 0.99]))[0]
    assert log_norm_of_power(make_prior(family, parameters), power) == pytest.approx(math.log(exact), abs=2e-3)


# --- hypotheses ---------------------------------------------------------------------------------------------


def test_verdict_over_prior_odds_is_that_known_exactly() -> None:
    """Closed form: at prior odds o of "sloped" to "flat" the claim's probability, and the odds where it is 0.5."""
    exact = Exact(WHOLE)
    factor = math.exp(exact.log["sloped"] - exact.log["flat"])
    (curve,) = [c for c in audited().odds if (c.claim, c.hypothesis) == ("high", "sloped")]
    assert Estimate(curve.log_bayes_factor, curve.log_bayes_factor_mcse).agrees(math.log(factor))
    assert curve.stated == pytest.approx(2.0)
    for point in curve.points:
        share = point.odds * factor / (1 + point.odds * factor)
        level = {n: stats.norm.sf(LEVEL, exact.mean[n][0], math.sqrt(exact.covariance[n][0, 0])) for n in HYPOTHESES}
        assert point.probability == pytest.approx(share * level["sloped"] + (1 - share) * level["flat"], abs=0.02)
    (own,) = [c for c in audited().odds if (c.claim, c.hypothesis) == (None, "sloped")]
    assert own.crossing == pytest.approx(math.exp(-own.log_bayes_factor))
    assert [own.points[0].odds, own.points[-1].odds] == pytest.approx([0.01, 100])


# --- widths -------------------------------------------------------------------------------------------------


def test_hinge_is_the_latent_whose_width_moves_the_verdict() -> None:
    """The verdict on the slope hinges on the prior of the slope, and so does the weight of "sloped"; idle ones never."""
    p = posterior()
    targets = {x.name: x.target for x in _propositions(p)}
    found = screen(p, targets)
    assert found["sloped"] == found["flat"] == "slope"
    assert screen(one_level(3.0), {"high": lambda h, q: (q["level"] > 1).astype(float)}) == {"high": "level"}


# --- weights ------------------------------------------------------------------------------------------------


def test_limit_of_pareto_k() -> None:
    """Vehtari et al., JMLR 25(72) 2024: k < min(1 - 1 / log10 S, 0.7)."""
    assert (limit(100), limit(1000), limit(4000)) == pytest.approx((0.5, 2 / 3, 0.7))


def test_smoothing_agrees_with_the_library_of_the_trade() -> None:
    """ArviZ's psislw on the same log ratios: k to 1e-6, weights to 1e-6 of the largest."""
    logs = 0.8 * np.random.default_rng(5).exponential(size=(4, 1000))
    theirs, k = array_stats.psislw(-logs, axis=(0, 1))
    ours, own_k = smoothed(logs)
    assert own_k == pytest.approx(float(k), abs=1e-6)
    ours = np.exp(ours) / np.exp(ours).sum()
    assert ours.ravel() == pytest.approx(np.exp(np.ravel(theirs)) / np.exp(theirs).sum(), abs=1e-6 * float(ours.max()))


# --- sources ------------------------------------------------------------------------------------------------


def reports(count: int, rho: float, *, echoes: bool = False) -> Posterior:
    """Reports of 90 with u 4 of one level, whose errors are correlated; or which repeat the first."""
    method: dict[str, Any] = {
        "about": "A report", "measures": "level", "likelihood": {"family": "normal", "u": f"{4 * math.sqrt(1 - rho)!r} kWh"},
        "shared": {"by": "origin", "u": f"{4 * math.sqrt(rho)!r} kWh"},
    }  # fmt: skip
    prior = {"family": "normal", "mean": "80 kWh", "sd": "5 kWh"}
    model = {
        "title": "Reports",
        "latents": {"level": {"about": "A level", "unit": "kWh", "because": "Invented", "prior": prior}},
        "methods": {"report": method},
        "claims": {"high": {"says": "The level is high", "holds": "level > 84 [kWh]"}},
    }
    observations = [
        {"id": f"report-{k}", "method": "report", "value": "90 kWh", "origin": "a school"}
        | ({"repeats": "report-0"} if echoes and k else {})
        for k in range(count)
    ]
    return infer(
        specify(model, {"dossier": "reports", "subject": "A level", "observations": observations}), seed=6, draws=4000
    )


def test_one_of_correlated_sources_takes_little_away() -> None:
    """Winkler 1981: k sources with correlation r are worth k / (1 + (k - 1) r); so are the four that are left of five.

    The mean without one, within four Monte Carlo errors; without all five the prior is left.
    """
    p = reports(5, 0.5)
    for left in leave_out(p, units(p.spec)):
        count = 5 - len(left.unit.ids)
        precision = count / (1 + (count - 1) * 0.5) / 16 if count else 0.0
        expected = (80 / 25 + 90 * precision) / (1 / 25 + precision)
        mean, mcse = left.mean(lambda h, fit: fit.quantities["level"])
        assert Estimate(mean, mcse).agrees(expected)
    assert {left.unit.name: len(left.unit.ids) for left in leave_out(p, units(p.spec))}["a school"] == 5


def test_leaving_an_original_out_takes_its_echoes_with_it() -> None:
    """Four reports of 90 that copy one: without it the prior N(80, 5) is left, and nothing else can be left out."""
    p = reports(4, 0.0001, echoes=True)
    (only,) = audit(p).units
    assert only.unit.ids == ("report-0",)
    assert only.hypotheses[0].route == "no evidence left"
    level = only.quantities[0].without
    assert (level.mean, level.sd) == pytest.approx((80, 5), abs=4 * 5 / math.sqrt(16000))


def test_audit_is_decided_by_the_seed() -> None:
    again = audit(infer(line(), seed=1, draws=4000))
    assert json.dumps(plain(again)) == json.dumps(plain(audited()))


def test_where_weights_replaced_a_refit_at_another_width_is_recorded() -> None:
    """Each width of the curve lists the hypotheses whose draws were weighted, and how good the weights were."""
    whole = posterior()
    target = {"high": (next(p.target for p in _propositions(whole) if p.name == "high"), 0.5)}
    (curve,) = curves(whole, target).values()
    at = {p.factor: p.weighted for p in curve.points}
    assert at[1.0] == {}
    near = at[2.0**0.5]
    assert set(near) == {h.name for h in whole.spec.hypotheses if curve.latent not in h.fix}
    assert all(k < limit(whole.fits[h].x[..., 0].size) for h, k in near.items())
    logs = {h: log_stretched(whole.density, whole.fits[h], curve.latent, 2.0**0.5) for h in near}
    assert near == pytest.approx({h: smoothed(log)[1] for h, log in logs.items()})


@pytest.mark.parametrize(("at", "stands"), [(0.5, True), (0.53, True), (0.6, False), (None, True)])
def test_a_shift_that_a_refit_belies_is_not_told(at: float | None, stands: bool) -> None:
    """The refit errs by 0.01, and the shift by 0.1 of its own u, over which the claim moves by 0.005."""
    by_refit = None if at is None else Probability(at, 0.01)
    tipping = Tipping("below", -6.0, 0.1, None, 500.0, Probability(0.2, 0.01), by_refit)
    found = _standing(Search((tipping,), (-9.0, 0.0), 1.0), threshold=0.5, unshifted=0.8)
    assert found.tipping == ((tipping,) if stands else ())
    assert found.sought == (-9.0, 0.0)
