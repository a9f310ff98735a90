"""Verdicts over the prior odds of hypotheses, in closed form: no draw has to be made again for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from gaugeglass.inference.posterior import Posterior
from gaugeglass.judgement.findings import HIGHEST_ODDS, LOWEST_ODDS, ODDS_POINTS, OddsAtMost, OddsCurve, OddsPoint

_HYPOTHESIS_THRESHOLD = 0.5


def odds_curves(
    posterior: Posterior, shares: Mapping[str, Mapping[str, float]], possible: Mapping[str, Mapping[str, float]]
) -> Iterator[OddsCurve]:
    """The curve of each claim over the odds of each hypothesis, then that of each hypothesis itself.

    ``shares`` are each claim's probabilities under every hypothesis [1]; ``possible`` has what they may be at most, of
    claims that draws without a value leave open.
    """
    if not posterior.spec.has_rivals or len(posterior.fits) < 2:
        return
    thresholds = {c.name: c.threshold for c in posterior.spec.model.claims}
    for claim, by_hypothesis in shares.items():
        for name in posterior.fits:
            curve = _curve(posterior, claim, name, by_hypothesis, thresholds[claim])
            most = _curve(posterior, claim, name, possible[claim], thresholds[claim]) if claim in possible else None
            yield curve if most is None else _bounded(curve, most)
    for name in posterior.fits:
        yield _curve(posterior, None, name, {h: float(h == name) for h in posterior.fits}, _HYPOTHESIS_THRESHOLD)


def _bounded(least: OddsCurve, most: OddsCurve) -> OddsCurve:
    """The curve of the least that a claim's probability may be, with what that of the greatest has otherwise."""
    points = (replace(p, at_most=q.probability) for p, q in zip(least.points, most.points, strict=True))
    at_most = OddsAtMost(most.under, most.otherwise, most.crossing)
    return replace(least, points=tuple(points), at_most=at_most)


def _curve(
    posterior: Posterior, claim: str | None, hypothesis: str, shares: Mapping[str, float], threshold: float
) -> OddsCurve:
    weights = posterior.weights
    logs = np.array([e.log for e in weights.evidences])
    errors = np.array([e.mcse for e in weights.evidences])
    is_it = np.array([h == hypothesis for h in weights.names])
    rest = np.where(is_it, 0.0, weights.prior)
    rest = rest / rest.sum()
    top = float(np.max(logs[~is_it]))
    parts = rest * np.exp(logs - top, where=~is_it, out=np.zeros_like(logs))
    log_factor = float(logs[is_it][0]) - top - math.log(parts.sum())
    among = parts / parts.sum()
    under = shares[hypothesis]
    otherwise = float(sum(a * shares[h] for a, h in zip(among, weights.names, strict=True)))
    at = probability_at(under, otherwise, log_factor)
    grid = np.geomspace(LOWEST_ODDS, HIGHEST_ODDS, ODDS_POINTS)
    own = float(weights.prior[is_it][0])
    return OddsCurve(
        claim=claim,
        hypothesis=hypothesis,
        threshold=threshold,
        stated=own / (1 - own),
        under=under,
        otherwise=otherwise,
        log_bayes_factor=log_factor,
        log_bayes_factor_mcse=math.hypot(float(errors[is_it][0]), *(among * errors)),
        crossing=crossing(under, otherwise, log_factor, threshold),
        points=tuple(OddsPoint(float(o), at(float(o))) for o in grid),
    )


def probability_at(under: float, otherwise: float, log_factor: float) -> Callable[[float], float]:
    """A claim's probability as a function of prior odds, where its hypothesis has that log Bayes factor. [1]"""

    def at(odds: float) -> float:
        share = 1 / (1 + math.exp(min(-math.log(odds) - log_factor, 700.0)))
        return share * under + (1 - share) * otherwise

    return at


def crossing(under: float, otherwise: float, log_factor: float, threshold: float) -> float | None:
    """The prior odds at which a claim's probability is at a threshold; None where it never is."""
    if not min(under, otherwise) < threshold < max(under, otherwise):
        return None
    log_odds = math.log((threshold - otherwise) / (under - threshold)) - log_factor
    return math.exp(log_odds) if abs(log_odds) < 700 else None
