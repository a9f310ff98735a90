"""How fast the posterior moves as a prior, or the likelihood, is raised to powers about 1.

N. Kallioinen, T. Paananen, P.-C. Bürkner and A. Vehtari, "Detecting and diagnosing prior and likelihood sensitivity
with power-scaling", Statistics and Computing 34 (2024) 57: the distance of two distributions is the cumulative
Jensen-Shannon distance, its rate is taken between the powers 0.8 and 1.25. Hypotheses are reweighed with
their draws. A prior is scaled over its quantity in its own unit, so that a uniform one never moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import Fit
from gaugeglass.inference.smoothing import smoothed
from gaugeglass.judgement.findings import Diagnosis, PriorFindings, Sensitivity
from gaugeglass.judgement.leaving import told_by
from gaugeglass.judgement.quantities import summarise
from gaugeglass.judgement.ratios import log_powered, numeric_latents

POWERS = (0.8, 1.25)
SENSITIVE = 0.05
"""Rate from which a posterior is called sensitive, as in the paper. [1]"""
RETURNED = 0.1
"""Greatest difference of the distribution functions of prior and posterior up to which the one is merely the other: our
convention; two thousand effective draws of the same differ by 0.04 seldom. [1]"""

type Ratio = Callable[[Fit, float], Floats]
type Target = Callable[[str, Fit], Floats]
"""What something is in each draw of a hypothesis."""


class Ordered:
    """Draws of one target in order, so that shares of them can be held against each other many times."""

    def __init__(self, values: Floats) -> None:
        self.order = np.argsort(values, kind="stable")
        ordered = values[self.order]
        self.apart: NDArray[np.int_] = np.flatnonzero(np.diff(ordered) > 0)
        self.width = np.diff(ordered)[self.apart] / np.ptp(ordered) if len(self.apart) else np.empty(0)
        self.has_distance = len(self.apart) > 0 and bool(np.isfinite(np.ptp(ordered)))

    def distance(self, base: Floats, other: Floats) -> float:
        """Cumulative Jensen-Shannon distance of two sets of shares of the draws, the greater of two directions. [1]"""
        if not self.has_distance:
            return 0.0
        p, q = np.cumsum(base[self.order])[self.apart], np.cumsum(other[self.order])[self.apart]
        p, q = p / float(np.sum(base)), q / float(np.sum(other))
        return max(_one_way(p, q, self.width), _one_way(np.maximum(1 - p, 0), np.maximum(1 - q, 0), self.width))


@dataclass(frozen=True)
class _Mixture:
    """Draws of all hypotheses in one: ``base`` are their shares, dims ("draw",), ``values`` by target."""

    base: Floats
    values: Mapping[str, Ordered]


def priors(
    posterior: Posterior, targets: Mapping[str, Target], quantities: list[str], advance: Callable[[float], None]
) -> PriorFindings:
    """What the priors do to targets (by name, what each is in every draw), and what comes of ``quantities``."""
    spec = posterior.spec
    latents = numeric_latents(spec)
    mixture = _mixture(posterior, targets)
    ids = [o.id for o in spec.evidence]
    told = {name: told_by(posterior.density, fit, ids) for name, fit in posterior.fits.items()}
    to_likelihood, likelihood_k = _rates(posterior, mixture, lambda fit, a: (a - 1) * told[fit.hypothesis])
    done = iter(range(1, len(latents) + 1))

    def of(latent: str) -> list[Sensitivity]:
        rates, k = _rates(posterior, mixture, partial(_powered, posterior.density, latent))
        advance(next(done) / len(latents))
        return [
            Sensitivity(latent, t, rates[t], to_likelihood[t], k, _diagnosis(rates[t], to_likelihood[t]))
            for t in targets
        ]

    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        found = [each for own in pool.map(of, latents) for each in own]
    return PriorFindings(
        sensitivities=tuple(found),
        conflicts=tuple(dict.fromkeys(s.latent for s in found if s.diagnosis == "prior and evidence may conflict")),
        returned=tuple(q for q in quantities if _is_returned(posterior, q)),
        not_identified=tuple(q.name for q in summarise(posterior) if q.identified == "not identified"),
        left=tuple(q.name for q in spec.model.latents if q.name not in latents),
        likelihood_pareto_k=likelihood_k,
    )


def _diagnosis(to_prior: float, to_likelihood: float) -> Diagnosis:
    if to_prior < SENSITIVE:
        return "insensitive"
    return "prior and evidence may conflict" if to_likelihood >= SENSITIVE else "the prior decides"


def _powered(density: Density, latent: str, fit: Fit, power: float) -> Floats:
    return log_powered(density, fit, latent, power)


def _mixture(posterior: Posterior, targets: Mapping[str, Target]) -> _Mixture:
    fits = posterior.fits
    each = zip(posterior.weights.posterior, fits.values(), strict=True)
    base = np.concatenate([np.full(size, w / size) for w, fit in each for size in (math.prod(fit.x.shape[:2]),)])
    values = {
        name: Ordered(np.concatenate([np.ravel(value(h, fit)) for h, fit in fits.items()]))
        for name, value in targets.items()
    }
    return _Mixture(base, values)


@np.errstate(all="ignore")  # of a thread, which has no such state from the one that started it
def _rates(posterior: Posterior, mixture: _Mixture, ratio: Ratio) -> tuple[dict[str, float], float]:
    """The rate of each target, and the worst shape of the weights' tails among hypotheses that count."""
    distances, worst = dict.fromkeys(mixture.values, 0.0), -math.inf
    for power in POWERS:
        shares, k = _scaled(posterior, ratio, power)
        worst = max(worst, k)
        for name, values in mixture.values.items():
            distances[name] += values.distance(mixture.base, shares)
    return {name: d / (2 * math.log2(POWERS[1])) for name, d in distances.items()}, worst


def _scaled(posterior: Posterior, ratio: Ratio, power: float) -> tuple[Floats, float]:
    logs, worst = [], -math.inf
    weights = posterior.weights.posterior
    for log_weight, fit in zip(np.log(weights), posterior.fits.values(), strict=True):
        own, k = smoothed(ratio(fit, power))
        logs.append(log_weight - math.log(own.size) + own.ravel())
        worst = max(worst, k) if log_weight > math.log(0.01) else worst
    flat = np.concatenate(logs)
    shares = np.exp(flat - flat.max())
    return shares / shares.sum(), worst


def _one_way(p: Floats, q: Floats, width: Floats) -> float:
    middle = (p + q) / 2
    with np.errstate(all="ignore"):
        both = np.where(p > 0, p * np.log2(p / middle), 0) + np.where(q > 0, q * np.log2(q / middle), 0)
    bound = float(width @ (p + q))
    return math.sqrt(max(float(width @ both), 0.0) / bound) if bound > 0 else 0.0


def _is_returned(posterior: Posterior, quantity: str) -> bool:
    before, after = np.sort(posterior.prior_mixture[quantity]), np.sort(posterior.mixture[quantity])
    if before[0] == before[-1]:
        return False
    points = np.concatenate([before, after])
    gap = np.searchsorted(before, points, "right") / len(before) - np.searchsorted(after, points, "right") / len(after)
    return float(np.max(np.abs(gap))) <= RETURNED
