"""Verdicts over the width of a prior: a Bayes factor moves with it, so it is never shown without this curve."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.posterior import Posterior, probability
from gaugeglass.inference.sampling import Fit, fit_many
from gaugeglass.inference.weighing import Weights, log_evidence_by_bridge, weigh
from gaugeglass.judgement.results import WidthCurve, WidthPoint

FACTORS = tuple(float(2.0 ** (k / 2)) for k in range(-4, 5))
"""A quarter to four times the prior's width on its unconstrained scale."""
_CHAINS, _DRAWS, _TUNE = 2, 600, 400
_MOST_LATENTS = 8
_ERRORS = 2.0  # Monte Carlo errors beyond the threshold from which a verdict is seen to turn
_ROUNDING = 1e-9

type Target = Callable[[str, Mapping[str, Floats]], Floats]
"""Whether something holds in each draw of a hypothesis, as 0 and 1."""


@dataclass(frozen=True)
class Refit:
    """Everything under one prior's other width."""

    fits: Mapping[str, Fit]
    priors: Mapping[str, Fit]
    weights: Weights


def curves(posterior: Posterior, targets: Mapping[str, tuple[Target, float]],
           advance: Callable[[float], None] = lambda share: None) -> dict[str, WidthCurve]:  # fmt: skip
    """For each target the curve over the width of the prior that it hinges on most.

    ``targets`` pairs each with the threshold that its probability may cross. Every latent that tells hypotheses
    apart is tried at a quarter and at four times its width (without rivals: those that the evidence narrows most),
    then the widths between for those that some target hinges on. A width whose refit failed is left out.
    """
    base = Refit(posterior.fits, posterior.priors, posterior.weights)
    found: dict[tuple[str, float], Refit] = {}
    latents = mechanisms(posterior)
    _refit(posterior, [(q, f) for q in latents for f in (FACTORS[0], FACTORS[-1])], found, base)
    advance(0.5)
    hinges = {name: _hinge(target, latents, found, base) for name, (target, _) in targets.items()}
    wanted = [(q, f) for q in dict.fromkeys(h for h in hinges.values() if h) for f in FACTORS[1:-1] if f != 1.0]
    _refit(posterior, wanted, found, base)
    advance(1.0)
    return {
        name: _curve(hinge, targets[name], {f: r for (q, f), r in found.items() if q == hinge} | {1.0: base})
        for name, hinge in hinges.items()
        if hinge is not None
    }


def mechanisms(posterior: Posterior) -> tuple[str, ...]:
    """The latents whose priors a verdict can hinge on."""
    spec = posterior.spec
    latents = [q.name for q in spec.model.latents]
    if spec.has_rivals:
        named = {name for h in spec.hypotheses for name in (*h.fix, *h.priors)}
        return tuple(q for q in latents if q in named)[:_MOST_LATENTS]
    ratio = {q: posterior.mixture[q].std() / posterior.prior_mixture[q].std() for q in latents}
    return tuple(sorted(latents, key=lambda q: ratio[q])[:_MOST_LATENTS])


def _refit(
    posterior: Posterior, widths: list[tuple[str, float]], found: dict[tuple[str, float], Refit], base: Refit
) -> None:
    """Fit every hypothesis in which a latent is free, at each width; the others stay as they are."""
    density = posterior.density
    moving = {q: [h for h in posterior.fits if q not in density.hypothesis(h).fix] for q, _ in widths}
    jobs = [(q, f, h) for q, f in widths for h in moving[q]]
    settings = replace(posterior.settings, chains=_CHAINS, draws=_DRAWS, tune=_TUNE)
    starts = {h: fit.centre for h, fit in posterior.fits.items()}
    refits = [(density.dials(h, stretch={q: f}), posterior.seed, starts[h]) for q, f, h in jobs]
    fits = dict(zip(jobs, fit_many(density, refits, settings), strict=True))
    for q, f in widths:
        own = {h: fits[q, f, h] for h in moving[q]}
        if all(fit.diagnostics.is_usable for fit in own.values()):
            found[q, f] = _whole(posterior, q, f, own, base)


def _whole(posterior: Posterior, latent: str, factor: float, own: Mapping[str, Fit], base: Refit) -> Refit:
    density = posterior.density
    fits = {h: own.get(h, base.fits[h]) for h in base.fits}
    evidences = [
        log_evidence_by_bridge(density, own[h]) if h in own else e
        for h, e in zip(fits, base.weights.evidences, strict=True)
    ]
    priors = {h: _restretched(density, base.priors[h], latent, factor) if h in own else base.priors[h] for h in fits}
    weights = weigh(base.weights.names, list(base.weights.prior), evidences, seed=posterior.seed)
    return Refit(fits, priors, weights)


def _restretched(density: Density, prior: Fit, latent: str, factor: float) -> Fit:
    """The same prior draws with one latent's spread stretched: the coordinates stay, the values move."""
    dials = replace(prior.dials, stretch={latent: factor})
    return replace(prior, dials=dials, quantities=density.quantities(prior.x, dials))


def chance(target: Target, at: Refit) -> tuple[float, float]:
    """The probability of a target after the evidence and its Monte Carlo error [1]."""
    values = {h: target(h, f.quantities) for h, f in at.fits.items()}
    return probability(values, at.weights.posterior, at.weights.replicates)


def prior_chance(target: Target, at: Refit) -> tuple[float, float]:
    """The same before the evidence."""
    return probability({h: target(h, f.quantities) for h, f in at.priors.items()}, at.weights.prior, None)


def bayes_factor(before: float, after: float) -> float:
    """Posterior over prior odds; NaN where either is sure, or so near to it that the odds are rounding errors. [1]"""
    told = 0 < before < 1 and 0 < after < 1 - _ROUNDING
    return odds(after) / odds(before) if told else float("nan")


def odds(p: float) -> float:
    """Odds of a probability; infinite at 1."""
    return p / (1 - p) if p < 1 else float("inf")


def _logit(p: float) -> float:
    clipped = min(max(p, 1e-4), 1 - 1e-4)
    return float(np.log(odds(clipped)))


def _hinge(
    target: Target, latents: tuple[str, ...], found: Mapping[tuple[str, float], Refit], base: Refit
) -> str | None:
    centre = _logit(chance(target, base)[0])
    moved = {
        q: max((abs(_logit(chance(target, found[q, f])[0]) - centre) for f in FACTORS if (q, f) in found), default=-1.0)
        for q in latents
    }
    best = max(moved, key=lambda q: moved[q], default=None)
    return best if best is not None and moved[best] >= 0 else None


def _curve(latent: str, target: tuple[Target, float], at: Mapping[float, Refit]) -> WidthCurve:
    holds, threshold = target
    points = tuple(_point(holds, factor, at[factor]) for factor in sorted(at))
    here = next(p.probability for p in points if p.factor == 1.0) >= threshold
    same = [p.factor for p in points]
    for p in points:  # keep the unbroken run of widths around 1 that is not seen on the other side
        over = (p.probability >= threshold) != here and abs(p.probability - threshold) > _ERRORS * p.mcse
        if over:
            same = [f for f in same if (f > p.factor if p.factor < 1 else f < p.factor)]
    return WidthCurve(latent, points, min(same), max(same))


def _point(holds: Target, factor: float, at: Refit) -> WidthPoint:
    after, mcse = chance(holds, at)
    before, _ = prior_chance(holds, at)
    return WidthPoint(factor, after, mcse, bayes_factor(before, after))
