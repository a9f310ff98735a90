"""The audit: how far each verdict rests on each observation, origin, table, prior and hypothesis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior, Progress, holds, probability
from gaugeglass.inference.sampling import Fit
from gaugeglass.inference.smoothing import mean_and_error
from gaugeglass.judgement.conflicts import contradictions
from gaugeglass.judgement.findings import (
    Audit,
    ClaimInfluence,
    QuantityInfluence,
    Tipping,
    UnitFinding,
    WithoutHypothesis,
)
from gaugeglass.judgement.leaving import Left, leave_out, units
from gaugeglass.judgement.moves import leading
from gaugeglass.judgement.odds import odds_curves
from gaugeglass.judgement.pooling import make_pool
from gaugeglass.judgement.powers import priors
from gaugeglass.judgement.predictions import chance_wrong
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Probability, Spread
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.judgement.surprises import readings_of, surprise
from gaugeglass.judgement.tipping import CONFIRMED, Search, confirmed, search
from gaugeglass.judgement.undefined import may_hold, refuse_without_any
from gaugeglass.judgement.verdicts import _bounded
from gaugeglass.language.spec import Claim, Given

_FAR = 4.0
"""Errors beyond which a refit belies where weights say that a claim turns. [1]"""
_SURE = 0.001
"""Probability within which a claim is so sure that the rate at which it moves with a power is one of few draws. [1]"""

type _Tell = Callable[[float], None]


@np.errstate(all="ignore")  # what is too large to compute has no value, and that is said
def audit(posterior: Posterior, *, progress: Progress | None = None) -> Audit:
    """How far each verdict rests on each thing it rests on.

    Each observation, origin and table is left out in turn, and shifted until the leading claim (the first listed)
    turns; pairs are held against each other; priors and the likelihood are raised to powers; and verdicts are followed
    over the prior odds of hypotheses. The same posterior gives the same audit.

    Parameters
    ----------
    progress
        Called with what is being done and the share of it that is done. [1]

    Raises
    ------
    InferenceError
        If a quantity has no value in any draw.
    """
    refuse_without_any(posterior)
    tell = progress or (lambda what, share: None)
    spec = posterior.spec
    claim = next(iter(spec.model.claims), None)

    def step(what: str) -> _Tell:
        tell(what, 0.0)
        return lambda share: tell(what, share)

    whole = _Whole(posterior)
    lefts = leave_out(posterior, units(spec), step("leaving observations out"))
    found = _found(posterior, whole, lefts, claim, step)
    against, pairs = contradictions(posterior)
    targets = _targets(posterior, claim)
    quantities = [name for name, q in spec.quantities.items() if not isinstance(q, Given)]
    scaled = priors(posterior, targets, quantities, step("scaling priors"))
    odds = tuple(odds_curves(posterior, whole.shares, whole.possible))
    name = claim.name if claim else None
    return Audit(
        subject=spec.dossier.subject,
        claim=name,
        seed=posterior.seed,
        units=found,
        contradictions=against,
        pairs=pairs,
        priors=scaled,
        odds=odds,
        notes=tuple(_notes(found)),
        pool=make_pool(posterior, lefts),
        undecided={name: p.no_value for name, p in whole.claims.items() if p.no_value} or None,
    )


class _Whole:
    """What the whole evidence says of claims and leading quantities, once for all units.

    ``shares`` are claims' probabilities under every hypothesis [1]; ``possible`` has what those that are left open may
    be at most.
    """

    def __init__(self, posterior: Posterior) -> None:
        weights = posterior.weights
        self.claims: dict[str, Probability] = {}
        self.shares: dict[str, dict[str, float]] = {}
        self.possible: dict[str, dict[str, float]] = {}
        for claim in posterior.spec.model.claims:
            ends = []
            for truth, shares in ((holds, self.shares), (may_hold, self.possible)):
                values = {h: truth(claim, fit.quantities) for h, fit in posterior.fits.items()}
                shares[claim.name] = {h: float(v.mean()) for h, v in values.items()}
                found = probability(values, weights.posterior, weights.replicates)
                ends.append(_bounded(found, lambda h, _, v=values: v[h], posterior.fits, weights.posterior))  # type: ignore[misc]
            self.claims[claim.name] = Probability.between(*ends)
            if self.shares[claim.name] == self.possible[claim.name]:
                del self.possible[claim.name]
        names = leading(posterior.spec)
        self.spreads = {name: spread_of(posterior.mixture[name]) for name in names}
        self.means = {name: self._mean(posterior, name) for name in names}

    @staticmethod
    def _mean(posterior: Posterior, name: str) -> tuple[float, float]:
        """Mean over the mixture, and its Monte Carlo error."""
        weights = posterior.weights
        found = [mean_and_error(fit.quantities[name]) for fit in posterior.fits.values()]
        means, errors = np.array([m for m, _ in found]), np.array([e for _, e in found])
        weighed = float(np.std(weights.replicates @ means))
        return float(weights.posterior @ means), math.hypot(*(weights.posterior * errors), weighed)


def _found(
    posterior: Posterior, whole: _Whole, lefts: Sequence[Left], claim: Claim | None, step: Callable[[str], _Tell]
) -> tuple[UnitFinding, ...]:
    advance = step("seeking tipping values")
    done = iter(range(1, len(lefts) + 1))

    def sought(left: Left) -> Search:
        found = search(posterior, left, claim) if claim else Search((), None, math.nan, "no claim was stated")
        advance(next(done) / len(lefts))
        return found

    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        searches = list(pool.map(sought, lefts))
    if claim is not None:
        confirmed = _with_confirmation(posterior, claim, lefts, searches, step("confirming tipping values"))
        searches = [_standing(found, claim.threshold, whole.claims[claim.name].value) for found in confirmed]
    return tuple(_finding(posterior, whole, left, found) for left, found in zip(lefts, searches, strict=True))


def _with_confirmation(
    posterior: Posterior, claim: Claim, lefts: Sequence[Left], searches: Sequence[Search], advance: _Tell
) -> list[Search]:
    """The same with the nearest tipping values of all confirmed by a refit, by predictive standard deviations."""
    places = [(k, n, abs(t.shift) / s.sd) for k, s in enumerate(searches) for n, t in enumerate(s.tipping)]
    nearest = sorted(places, key=lambda place: place[2])[:CONFIRMED]
    by_refit = confirmed(posterior, claim, [(lefts[k], searches[k].tipping[n]) for k, n, _ in nearest], advance)
    values = {(k, n): p for (k, n, _), p in zip(nearest, by_refit, strict=True)}
    return [
        replace(s, tipping=tuple(replace(t, confirmed=values.get((k, n))) for n, t in enumerate(s.tipping)))
        for k, s in enumerate(searches)
    ]


def _standing(found: Search, threshold: float, unshifted: float) -> Search:
    """A search without what a refit belies: the claim is not at its threshold there, nor as near as errors may be."""

    def stands(t: Tipping) -> bool:
        if t.confirmed is None:
            return True
        steepness = abs(unshifted - threshold) / abs(t.shift)
        return abs(t.confirmed.value - threshold) <= _FAR * math.hypot(t.confirmed.mcse, steepness * t.shift_mcse)

    return replace(found, tipping=tuple(t for t in found.tipping if stands(t)))


def _finding(posterior: Posterior, whole: _Whole, left: Left, found: Search) -> UnitFinding:
    spec = posterior.spec
    claims = tuple(
        ClaimInfluence(
            c.name,
            whole.claims[c.name],
            Probability.between(
                *(
                    left.probability(lambda _, fit, c=c, truth=truth: truth(c, fit.quantities))  # type: ignore[misc]
                    for truth in (holds, may_hold)
                )
            ),
        )
        for c in spec.model.claims
    )
    graded = [chance_wrong(posterior, o) for o in readings_of(spec, left.unit) if o.grade]
    return UnitFinding(
        unit=left.unit,
        surprise=surprise(posterior.density, left, seed=posterior.seed),
        claims=claims,
        quantities=tuple(_quantity(posterior, whole, left, name) for name in whole.spreads),
        wrong=float(np.mean(graded)) if graded else None,
        tipping=found.tipping,
        sought=found.sought,
        untipped=found.untipped,
        hypotheses=tuple(_without(left, name) for name in left.parts),
    )


def _quantity(posterior: Posterior, whole: _Whole, left: Left, name: str) -> QuantityInfluence:
    mean, mcse = left.mean(lambda h, fit: fit.quantities[name])
    (before, error), sd = whole.means[name], whole.spreads[name].sd
    return QuantityInfluence(
        quantity=name,
        unit=posterior.spec.unit(name).text,
        whole=whole.spreads[name],
        without=_weighted_spread(*left.draws(name)),
        shift=(mean - before) / sd if sd > 0 else math.nan,
        shift_mcse=math.hypot(mcse, error) / sd if sd > 0 else math.nan,
    )


def _weighted_spread(values: Floats, shares: Floats) -> Spread:
    """A distribution in five numbers from weighted draws; what is not finite is left out."""
    kept = np.isfinite(values) & (shares > 0)
    order = np.argsort(values[kept], kind="stable")
    v, w = values[kept][order], shares[kept][order]
    w = w / w.sum()
    mean = float(w @ v)
    below = np.cumsum(w) - w / 2
    edge = (1 - INTERVAL_PROBABILITY) / 2
    lower, median, upper = (float(np.interp(p, below, v)) for p in (edge, 0.5, 1 - edge))
    return Spread(mean, math.sqrt(float(w @ (v - mean) ** 2)), median, lower, upper)


def _without(left: Left, name: str) -> WithoutHypothesis:
    k, part = left.weights.names.index(name), left.parts[name]
    return WithoutHypothesis(
        name=name,
        posterior=float(left.weights.posterior[k]),
        mcse=float(left.weights.mcse[k]),
        log_evidence=part.evidence.log,
        log_evidence_mcse=part.evidence.mcse,
        route=part.route,
        evidence_route=part.evidence.route,
        pareto_k=part.pareto_k,
        draws=part.size,
        usable=part.usable,
    )


def _targets(posterior: Posterior, claim: Claim | None) -> Mapping[str, Callable[[str, Fit], Floats]]:
    """The leading claim and the leading quantities, each as what it is in every draw."""
    found: dict[str, Callable[[str, Fit], Floats]] = {}
    if claim is not None and _SURE < _probability(posterior, claim) < 1 - _SURE:
        found[claim.name] = lambda h, fit: holds(claim, fit.quantities)
    for name in leading(posterior.spec):
        found[name] = lambda h, fit, name=name: fit.quantities[name]  # type: ignore[misc]
    return found


def _probability(posterior: Posterior, claim: Claim) -> float:
    shares = [holds(claim, fit.quantities).mean() for fit in posterior.fits.values()]
    return float(posterior.weights.posterior @ np.array(shares))


def _notes(found: Sequence[UnitFinding]) -> list[str]:
    poor = [f"{f.unit.name} under {h.name}" for f in found for h in f.hypotheses if not h.usable]
    return [f"draws without {', '.join(poor)} are out of their limits"] if poor else []
