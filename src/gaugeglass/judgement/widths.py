"""Verdicts over the width of a prior: a Bayes factor moves with it, so it is never shown without this curve."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.modes import may_be_several, refit_many
from gaugeglass.inference.posterior import Posterior, probability
from gaugeglass.inference.sampling import ESS, Fit, effective_size
from gaugeglass.inference.smoothing import VAGUE, effective, limit, mean_and_error, smoothed
from gaugeglass.inference.weighing import Evidence, Weights, log_evidence_by_bridge, weigh
from gaugeglass.judgement.ratios import log_stretched, numeric_latents
from gaugeglass.judgement.results import WidthCurve, WidthPoint

FACTORS = tuple(float(2.0 ** (k / 2)) for k in range(-4, 5))
"""A quarter to four times the prior's width on its unconstrained scale."""
_CHAINS, _DRAWS, _TUNE = 2, 600, 400
_KEPT = 0.6
"""Share of the effective draws of a refit that are left by weights which stand in for another. [1]"""
_NEARBY = (2.0**-0.25, 2.0**0.25)
_ERRORS = 2.0  # Monte Carlo errors beyond the threshold from which a verdict is seen to turn
_ROUNDING = 1e-9

type Target = Callable[[str, Mapping[str, Floats]], Floats]
"""Whether something holds in each draw of a hypothesis, as 0 and 1."""


@dataclass(frozen=True)
class Refit:
    """Everything under one prior's other width.

    ``shares`` are those of the draws at hand, by hypothesis, where they stand in for a refit, dims ("chain", "draw");
    ``pareto_k`` [1] is the shape of their tail.
    """

    fits: Mapping[str, Fit]
    priors: Mapping[str, Fit]
    weights: Weights
    shares: Mapping[str, Floats] = field(default_factory=dict)
    pareto_k: Mapping[str, float] = field(default_factory=dict)


def curves(posterior: Posterior, targets: Mapping[str, tuple[Target, float]],
           advance: Callable[[float], None] = lambda share: None, *,
           possible: Mapping[str, Target] | None = None) -> dict[str, WidthCurve]:  # fmt: skip
    """For each target the curve over the width of the prior that it hinges on most.

    ``targets`` pairs each with the threshold that its probability may cross; ``possible`` says where one may hold, if
    that is not just where it surely does. Which latent that is, importance weights of priors a little narrower and a
    little wider tell; then every hypothesis in which it is free is fitted anew, unless weights of the draws that there
    are do as well. A width whose refit failed is left out.
    """
    base = Refit(posterior.fits, posterior.priors, posterior.weights)
    hinges = screen(posterior, {name: target for name, (target, _) in targets.items()})
    known = _known(posterior, list(dict.fromkeys(hinges.values())), advance)
    widths = [(q, f) for q in dict.fromkeys(hinges.values()) for f in FACTORS if f != 1.0]

    def curve(name: str) -> WidthCurve:
        hinge = hinges[name]
        at = {f: found[hinge, f] for f in FACTORS if (hinge, f) in found} | {1.0: base}
        return _curve(hinge, (*targets[name], (possible or {}).get(name)), at)

    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        every = pool.map(lambda width: _whole(posterior, width[0], width[1], known, base), widths)
        found = {width: whole for width, whole in zip(widths, every, strict=True) if whole is not None}
        return dict(zip(hinges, pool.map(curve, hinges), strict=True))


def screen(posterior: Posterior, targets: Mapping[str, Target]) -> dict[str, str]:
    """The latent whose prior's width moves each target most: the log odds, between factors of 2**-0.25 and 2**0.25.

    Of those whose change exceeds two Monte Carlo errors the one with the largest; where there is none, the one whose
    change comes nearest to that.
    """
    fits = posterior.fits
    holding = {name: {h: target(h, f.quantities) for h, f in fits.items()} for name, target in targets.items()}
    changes: dict[str, dict[str, tuple[float, float]]] = {name: {} for name in targets}
    for latent in numeric_latents(posterior.spec):
        if latent in posterior.density.layout.floored:
            continue
        ratios = [{h: np.exp(log_stretched(posterior.density, f, latent, s)) for h, f in fits.items()} for s in _NEARBY]
        for name, values in holding.items():
            changes[name][latent] = _change(posterior, values, ratios)
    return {name: _largest(found) for name, found in changes.items() if found}


def _largest(changes: Mapping[str, tuple[float, float]]) -> str:
    clear = {q: abs(c) for q, (c, error) in changes.items() if abs(c) > _ERRORS * error}
    near = {q: abs(c) / error if error > 0 else 0.0 for q, (c, error) in changes.items()}
    return max(clear or near, key=lambda q: (clear or near)[q])


def _change(
    posterior: Posterior, values: Mapping[str, Floats], ratios: Sequence[Mapping[str, Floats]]
) -> tuple[float, float]:
    """Change of a target's log odds from the first ratios to the second, and its Monte Carlo error."""
    weights = dict(zip(posterior.weights.names, posterior.weights.posterior, strict=True))
    sums = [
        [sum(weights[h] * float(np.mean(r[h] * np.abs(v - no))) for h, v in values.items()) for no in (0, 1)]
        for r in ratios
    ]
    if min(*sums[0], *sums[1]) <= 0:
        return 0.0, math.inf
    (true, false), (true_then, false_then) = sums
    change = math.log(true_then / false_then) - math.log(true / false)
    variance = 0.0
    for h, v in values.items():
        first, second = ratios[0][h], ratios[1][h]
        pull = second * (v / true_then - (1 - v) / false_then) - first * (v / true - (1 - v) / false)
        variance += weights[h] ** 2 * float(pull.var()) / effective_size(pull)
    return change, math.sqrt(variance)


@dataclass(frozen=True)
class _Own:
    """One hypothesis under one width: a refit, or draws at hand with their shares."""

    fit: Fit
    evidence: Evidence
    shares: Floats | None = None
    pareto_k: float = math.nan


type _Job = tuple[str, float, str]
"""A latent, the factor on its prior's width, and a hypothesis in which it is free."""


def _known(posterior: Posterior, latents: Sequence[str], advance: Callable[[float], None]) -> dict[_Job, _Own]:
    """Every hypothesis in which a latent is free, at each width of its prior; what fails is left out.

    Importance weights of the draws at hand stand in for a refit where they do as well, and at every other width those
    of the refit that is wider by one: the narrower prior is nowhere much greater than the wider.
    """
    names = {q: [h for h in posterior.fits if q not in posterior.density.hypothesis(h).fix] for q in latents}
    evidences = dict(zip(posterior.weights.names, posterior.weights.evidences, strict=True))
    base = {h: _Own(fit, evidences[h]) for h, fit in posterior.fits.items()}
    every = [(q, f, h) for q in latents for f in FACTORS if f != 1.0 for h in names[q]]
    known = _weighed(posterior, {job: base[job[2]] for job in every})
    first, wider = FACTORS[FACTORS.index(1.0) % 2 :: 2], dict(pairwise(FACTORS))
    _draw(posterior, [job for job in every if job[1] in first], known, advance)
    drawn = {job: known.get((job[0], wider.get(job[1], math.nan), job[2])) for job in every if job not in known}
    known |= _weighed(posterior, {job: own for job, own in drawn.items() if own is not None and own.shares is None})
    _draw(posterior, [job for job in every if job[1] not in first], known, lambda _: advance(1.0))
    return known


def _draw(
    posterior: Posterior, jobs: Sequence[_Job], known: dict[_Job, _Own], advance: Callable[[float], None]
) -> None:
    """Add a refit of each that is not known, but for those that fail."""
    density = posterior.density
    settings = replace(posterior.settings, chains=_CHAINS, draws=_DRAWS, tune=_TUNE)
    missing = [job for job in jobs if job not in known]
    done = iter(range(1, len(missing) + 1))
    refits = refit_many(
        density,
        [(density.dials(h, stretch={q: f}), posterior.seed, posterior.fits[h]) for q, f, h in missing],
        settings,
        advance=lambda: advance(next(done) / len(missing)),
    )
    usable = {job: found for job, found in zip(missing, refits, strict=True) if found.fit.diagnostics.is_usable}
    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        evidences = pool.map(
            lambda found: found.evidence or log_evidence_by_bridge(density, found.fit), usable.values()
        )
        known |= {job: _Own(usable[job].fit, own) for job, own in zip(usable, evidences, strict=True)}


def _weighed(posterior: Posterior, sources: Mapping[_Job, _Own]) -> dict[_Job, _Own]:
    """Hypotheses at a width from draws at another, of those whose weights can be trusted."""
    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        found = pool.map(lambda job: _at_hand(posterior, job[0], sources[job], job[1]), sources)
        return {job: own for job, own in zip(sources, found, strict=True) if own is not None}


@np.errstate(all="ignore")  # of a thread, which has no such state from the one that started it
def _at_hand(posterior: Posterior, latent: str, source: _Own, factor: float) -> _Own | None:
    """A hypothesis at a width from draws at another, if their weights can be trusted."""
    if may_be_several(posterior.density):
        return None
    if latent in posterior.density.layout.floored or latent not in numeric_latents(posterior.spec):
        return None
    logs = log_stretched(posterior.density, source.fit, latent, factor)
    smooth, k = smoothed(logs)
    if not k < limit(logs.size):
        return None
    ratios = np.exp(smooth - smooth.max())
    mean, error = mean_and_error(ratios)
    told = source.fit.diagnostics
    if effective(ratios) < min(ESS, _KEPT * told.ess_bulk) or error > VAGUE * mean:
        return None
    log = source.evidence.log + math.log(mean) + float(smooth.max())
    evidence = Evidence(log, math.hypot(source.evidence.mcse, error / mean), "importance weights")
    return _Own(source.fit, evidence, ratios / ratios.sum(), k)


@np.errstate(all="ignore")
def _whole(posterior: Posterior, latent: str, factor: float, known: Mapping[_Job, _Own], base: Refit) -> Refit | None:
    """All hypotheses at a width, those in which the latent is fixed as they are; None where one failed."""
    density = posterior.density
    moving = [h for h in posterior.fits if latent not in density.hypothesis(h).fix]
    if any((latent, factor, h) not in known for h in moving):
        return None
    own = {h: known[latent, factor, h] for h in moving}
    fits = {h: own[h].fit if h in own else base.fits[h] for h in base.fits}
    evidences = [own[h].evidence if h in own else e for h, e in zip(fits, base.weights.evidences, strict=True)]
    priors = {h: _restretched(density, base.priors[h], latent, factor) if h in own else base.priors[h] for h in fits}
    weights = weigh(base.weights.names, list(base.weights.prior), evidences, seed=posterior.seed)
    shares = {h: o.shares for h, o in own.items() if o.shares is not None}
    return Refit(fits, priors, weights, shares, {h: own[h].pareto_k for h in shares})


def _restretched(density: Density, prior: Fit, latent: str, factor: float) -> Fit:
    """The same prior draws with one latent's spread stretched: the coordinates stay, the values move."""
    dials = replace(prior.dials, stretch={latent: factor})
    return replace(prior, dials=dials, quantities=density.quantities(prior.x, dials))


def chance(target: Target, at: Refit) -> tuple[float, float]:
    """The probability of a target after the evidence and its Monte Carlo error [1]."""
    found = [mean_and_error(target(h, f.quantities), at.shares.get(h)) for h, f in at.fits.items()]
    weights, shares = at.weights, np.array([p for p, _ in found])
    drawn = weights.posterior * np.array([error for _, error in found])
    whole = float(weights.posterior @ np.ones_like(shares))  # divided by, what is certain has 1 and not nearly
    return float(weights.posterior @ shares) / whole, math.hypot(*drawn, float(np.std(weights.replicates @ shares)))


def prior_chance(target: Target, at: Refit) -> tuple[float, float]:
    """The same before the evidence."""
    return probability({h: target(h, f.quantities) for h, f in at.priors.items()}, at.weights.prior, None)


def is_told_from_sure(probability: float, mcse: float) -> bool:
    """Whether a probability is farther from 0 and 1 than draws could leave it by chance."""
    return min(probability, 1 - probability) > _ERRORS * mcse


def bayes_factor(before: float, after: float) -> float:
    """Posterior over prior odds; NaN where either is sure, or so near to it that the odds are rounding errors. [1]"""
    told = 0 < before < 1 and 0 < after < 1 - _ROUNDING
    return odds(after) / odds(before) if told else float("nan")


def odds(p: float) -> float:
    """Odds of a probability; infinite at 1."""
    return p / (1 - p) if p < 1 else float("inf")


@np.errstate(all="ignore")
def _curve(latent: str, target: tuple[Target, float, Target | None], at: Mapping[float, Refit]) -> WidthCurve:
    holds, threshold, possible = target
    points = tuple(_point(holds, possible, factor, at[factor]) for factor in sorted(at))
    here = next(p for p in points if p.factor == 1.0)
    same = [p.factor for p in points]
    for p in points:  # keep the unbroken run of widths around 1 that is not seen elsewhere
        if _is_elsewhere(p, here, threshold):
            same = [f for f in same if (f > p.factor if p.factor < 1 else f < p.factor)]
    return WidthCurve(latent, points, min(same), max(same))


def _is_elsewhere(p: WidthPoint, here: WidthPoint, threshold: float) -> bool:
    """Whether an end of what a probability may be is seen on the other side of a threshold than that end is here."""
    return any(
        (end >= threshold) != (own >= threshold) and abs(end - threshold) > _ERRORS * p.mcse
        for end, own in zip(p.ends, here.ends, strict=True)
    )


def _point(holds: Target, possible: Target | None, factor: float, at: Refit) -> WidthPoint:
    after, mcse = chance(holds, at)
    before, before_mcse = prior_chance(holds, at)
    at_most = None
    is_told = is_told_from_sure(after, mcse)
    if possible is not None:
        most, its_mcse = chance(possible, at)
        before_most, before_its_mcse = prior_chance(possible, at)
        mcse = max(mcse, its_mcse)
        at_most = most if most - after > mcse else None
        is_told = is_told and at_most is None and before_most - before <= max(before_mcse, before_its_mcse)
    told = bayes_factor(before, after) if is_told else float("nan")
    return WidthPoint(factor, after, mcse, told, at.pareto_k, at_most)
