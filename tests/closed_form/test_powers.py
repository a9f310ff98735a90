"""How fast a posterior of several modes moves as prior and likelihood are raised to powers, against a grid."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from scipy import special, stats

from closed_form.camps import WRONG_SD, Camps, Reading
from gaugeglass.inference.posterior import Posterior, holds, infer
from gaugeglass.inference.smoothing import smoothed
from gaugeglass.judgement.findings import PriorFindings
from gaugeglass.judgement.powers import POWERS, Ordered, priors
from gaugeglass.judgement.ratios import log_powered
from references.estimates import Estimate

CAMPS = {
    "two against three": Camps(
        (10,), tuple(Reading(y, 0.3, right=right) for y, right in ((-6, 0.8), (-5.8, 0.8), (7, 0.6), (7.3, 0.6), (7.1, 0.6)))
    ),
    "two origins": Camps(
        (10,),
        tuple(
            Reading(y, 0.3, right=0.9, origin=origin, reliable=reliable)
            for y, origin, reliable in ((-6, "X", 0.6), (-5.7, "X", 0.6), (-6.2, "X", 0.6), (3, "Y", 0.7), (3.2, "Y", 0.7))
        ),
    ),
    "open bases": Camps(
        (40,), (*(Reading(y, 0.5, bases=(1.0, 1.3)) for y in (30, 30.3, 29.5)), Reading(23.5, 3)), above=26
    ),
}  # fmt: skip


def log_likelihood(camps: Camps, x: np.ndarray) -> np.ndarray:
    """Of all readings at each level, what is right and what is meant summed over. [nat]"""
    sources: dict[str, list[Reading]] = {}
    for k, r in enumerate(camps.readings):
        sources.setdefault(r.origin or f"{k} alone", []).append(r)
    whole = np.zeros_like(x)
    for own in sources.values():
        wrong = [stats.norm.pdf(r.value, 0, WRONG_SD) for r in own]
        by_basis = [
            np.prod([r.right * stats.norm.pdf(r.value, x * f, r.u) + (1 - r.right) * w
                     for r, w in zip(own, wrong, strict=True)], axis=0)
            for f in own[0].bases
        ]  # fmt: skip
        with np.errstate(divide="ignore"):
            whole += np.log(own[0].reliable * np.mean(by_basis, axis=0) + (1 - own[0].reliable) * math.prod(wrong))
    return whole


class Grid:
    """The posterior of the level over the range of some draws, each to a power."""

    def __init__(self, camps: Camps, draws: np.ndarray) -> None:
        self.x = np.linspace(-6 * camps.sd[0], 6 * camps.sd[0], 200_001)
        self.ends = np.searchsorted(self.x, [draws.min(), draws.max()])
        self.prior, self.likelihood = stats.norm.logpdf(self.x, 0, camps.sd[0]), log_likelihood(camps, self.x)
        self.above = self.x > camps.above

    def at(self, prior: float, likelihood: float) -> Mapping[str, np.ndarray]:
        shares = special.softmax(prior * self.prior + likelihood * self.likelihood)
        return {"level": np.cumsum(shares)[slice(*self.ends)], "high": np.array([1 - float(shares[self.above].sum())])}

    def rate(self, target: str, *, of_prior: bool) -> float:
        base = self.at(1, 1)[target]
        apart = [distance(base, self.at(a if of_prior else 1, 1 if of_prior else a)[target]) for a in POWERS]
        return sum(apart) / (2 * math.log2(POWERS[1]))


def distance(p: np.ndarray, q: np.ndarray) -> float:
    """Cumulative Jensen-Shannon distance of two distribution functions on even steps, the greater of two directions."""

    def one_way(f: np.ndarray, g: np.ndarray) -> float:
        both = special.rel_entr(f, (f + g) / 2).sum() + special.rel_entr(g, (f + g) / 2).sum()
        return math.sqrt(float(both) / math.log(2) / float((f + g).sum()))

    return max(one_way(p, q), one_way(np.maximum(1 - p, 0), np.maximum(1 - q, 0)))


def found(posterior: Posterior) -> PriorFindings:
    (claim,) = posterior.spec.model.claims
    targets = {"level": lambda h, fit: fit.quantities["x0"], "high": lambda h, fit: holds(claim, fit.quantities)}
    return priors(posterior, targets, ["x0"], lambda share: None)


@pytest.mark.parametrize("name", CAMPS)
def test_rates_are_those_of_a_grid_in_every_mode(name: str) -> None:
    """Four seeds, whose scatter is the error: the mean of them within four of its own, and each error below 0.03."""
    off: dict[tuple[str, str], list[float]] = {}
    for seed in range(1, 5):
        posterior = infer(CAMPS[name].spec(), seed=seed)
        grid = Grid(CAMPS[name], posterior.fits["as_stated"].quantities["x0"])
        for s in found(posterior).sensitivities:
            off.setdefault((s.target, "prior"), []).append(s.to_prior - grid.rate(s.target, of_prior=True))
            off.setdefault((s.target, "likelihood"), []).append(s.to_likelihood - grid.rate(s.target, of_prior=False))
    assert {target for target, _ in off} == {"level", "high"}
    for key, each in off.items():
        error = float(np.std(each, ddof=1)) / math.sqrt(len(each))
        assert error < 0.03, key
        assert Estimate(float(np.mean(each)), error).agrees(0.0, half_digit=0.001), key


def test_every_draw_counts() -> None:
    """A mode that holds one draw in a thousand may decide a small rate."""
    posterior = infer(CAMPS["two origins"].spec(), seed=1)
    fit = posterior.fits["as_stated"]
    level = fit.quantities["x0"].ravel()
    even = np.full(level.size, 1 / level.size)
    shares = [special.softmax(smoothed(log_powered(posterior.density, fit, "x0", a))[0].ravel()) for a in POWERS]
    rate = sum(Ordered(level).distance(even, s) for s in shares) / (2 * math.log2(POWERS[1]))
    (own,) = [s for s in found(posterior).sensitivities if s.target == "level"]
    assert own.to_prior == pytest.approx(rate, rel=1e-9)
