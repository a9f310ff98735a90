"""A sketch: every hypothesis inferred briefly, for calibration, where there are hundreds of dossiers.

Draws come from the same sampler as in a whole inference, and weights from the same bridge; chains are short, start at a
peak and go along its axes, and the bridge's other end is the peak's proposal. A hypothesis whose weight is seen to be
negligible is not sampled: weighted draws of the proposal stand for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import special

from gaugeglass.inference.density import Density, Dials, Floats
from gaugeglass.inference.metrics import Metric
from gaugeglass.inference.peaks import Proposal, peak, propose
from gaugeglass.inference.sampling import Diagnostics, Fit, Settings, fit, fit_along
from gaugeglass.inference.weighing import bridge, log_evidence_by_bridge
from gaugeglass.judgement.smoothing import limit, smoothed

_SETTINGS = Settings(0, draws=400, tune=150, chains=2, accept=0.85, cores=1)
_AGAIN = Settings(0, draws=700, tune=200, chains=2, accept=0.95, cores=1)
_LONGER = Settings(0, draws=400, tune=400, chains=2, cores=1)
"""How a hypothesis is drawn along the axes of a peak, then along those of these draws, and how without any."""
_PROPOSED = 2000
_STARTS, _MOST_CLUSTERS = 4, 12
"""From how many draws of the prior, and how many sources, more peaks are looked for where there may be some. [1]"""
_ELSEWHERE = 0.1
"""Share of the draws that are made far from peaks then: what may be wrong says little, but widely. [1]"""
_NEGLIGIBLE = 1e-2
"""Weight below which a hypothesis is not sampled. [1]"""
_ENOUGH = 200.0
"""Effective number of weighted draws that may stand for a hypothesis. [1]"""
_LEVELS = (1.0, 0.7, 0.5, 0.3)
"""Powers of the weights that axes are taken from. [1]"""
_FEWEST = 10
"""Draws a coordinate that they are worth at least. [1]"""
_VAGUE = 0.2
"""Error of a bridge to the proposal above which one that is fitted to the draws is tried. [nat]"""
WEIGHTED = "weighted draws of a proposal"


@dataclass(frozen=True)
class Sketch:
    """What is known after the evidence, roughly: draws of every hypothesis, and their weights in the Spec's order.

    ``mcse`` are the errors of the log marginal likelihoods. [nat]
    """

    fits: Mapping[str, Fit]
    weights: Floats
    mcse: Floats

    @property
    def remedies(self) -> dict[str, int]:
        """How often each way of drawing was taken."""
        taken = [f.diagnostics.remedy for f in self.fits.values()]
        return {remedy: taken.count(remedy) for remedy in dict.fromkeys(taken)}

    @property
    def faults(self) -> str:
        """What is out of the limits of a refit, in words; empty where nothing is."""
        bad = [f for f in self.fits.values() if not f.diagnostics.is_usable and f.diagnostics.remedy != WEIGHTED]
        return "; ".join(f"{f.hypothesis}: {', '.join(f.diagnostics.faults)}" for f in bad)


@dataclass(frozen=True)
class _Rough:
    """A hypothesis before it is sampled: a proposal about its peaks, and draws of that with their log weights.

    ``x`` dims ("draw", "free"), ``logs`` dims ("draw",) [nat].
    """

    name: str
    proposal: Proposal | None
    x: Floats
    logs: Floats

    @cached_property
    def shares(self) -> Floats:
        """The weights of the draws, the largest smoothed; they sum to 1. dims ("draw",) [1]"""
        return np.asarray(special.softmax(self._smoothed[0]))

    @property
    def log_evidence(self) -> float:
        """Log marginal likelihood as the weights tell it. [nat]"""
        return float(special.logsumexp(self._smoothed[0]) - math.log(len(self.logs)))

    @property
    def mcse(self) -> float:
        """Its error. [nat]"""
        return math.sqrt(max(float(np.sum(self.shares**2)) - 1 / len(self.logs), 0.0))

    @property
    def size(self) -> float:
        """How many independent draws the weighted ones are worth. [1]"""
        return 1 / float(np.sum(self.shares**2))

    @property
    def stands(self) -> bool:
        """Whether weighted draws may stand for the hypothesis."""
        return self.proposal is not None and self._smoothed[1] < limit(len(self.logs)) and self.size >= _ENOUGH

    @cached_property
    def _smoothed(self) -> tuple[Floats, float]:
        return smoothed(self.logs)


def sketch(density: Density, *, seed: int) -> Sketch:
    """Every hypothesis of a density, briefly; look at ``faults``.

    Parameters
    ----------
    seed
        Decides every draw.
    """
    spec, rough = density.spec, list[_Rough]()
    for k, h in enumerate(spec.hypotheses):
        rough.append(_rough(density, h.name, rough[-1] if rough else None, np.random.default_rng([seed, k, 0x5CE7C4])))
    priors = np.array([h.prior_weight for h in spec.hypotheses])
    idle = _negligible(rough, priors)
    fits = [_weighted(density, r, seed) if r.name in idle else _drawn(density, r, seed) for r in rough]
    if len(rough) == 1:
        return Sketch({rough[0].name: fits[0]}, np.ones(1), np.zeros(1))
    found = [
        (r.log_evidence, r.mcse) if f.diagnostics.remedy == WEIGHTED else _evidence(density, r, f)
        for r, f in zip(rough, fits, strict=True)
    ]
    logs, errors = np.array(found).T
    weights = np.asarray(special.softmax(np.log(priors / priors.sum()) + logs))
    return Sketch({r.name: f for r, f in zip(rough, fits, strict=True)}, weights, errors)


def _rough(density: Density, name: str, before: _Rough | None, rng: np.random.Generator) -> _Rough:
    """The peak is sought from that of the hypothesis before, which is seldom far."""
    dials, size = density.dials(name), len(density.free)
    known = before.proposal.peaks if before is not None and before.proposal is not None else ()
    starts = [*(p.axes.centre for p in known), *([] if known else [np.zeros(size)])]
    starts += _more_starts(density, dials, rng)
    elsewhere = _ELSEWHERE if density.layout.clustered else 0.0
    found = propose(density, dials, starts, elsewhere=elsewhere) if density.active(name) else None
    if found is None and known:
        found = propose(density, dials, [np.zeros(size)])
    if found is None:
        return _Rough(name, None, np.empty((0, size)), np.array([-math.inf]))
    x = found.draw(_PROPOSED, rng)
    logs = density.log_densities(x, density.pack(dials)) - found.log_density(x)
    return _Rough(name, found, x, np.where(np.isfinite(logs), logs, -math.inf))


def _more_starts(density: Density, dials: Dials, rng: np.random.Generator) -> list[Floats]:
    """Where other peaks may be near, where a source may be wrong or a basis is open: as if that were settled."""
    clusters = list(density.layout.clustered.values())[:_MOST_CLUSTERS]
    if not clusters:
        return []
    graded = [frozenset(o.id for o in own if o.grade) for own in clusters]
    ways = [replace(dials, right=right) for right in dict.fromkeys([frozenset().union(*graded), *graded]) if right]
    for own in clusters:
        chances = density.chances_of_bases(own[0])
        if len(chances) > 1:
            ways += [replace(dials, basis={o.id: name for o in own}) for name, p in chances.items() if p > 0]
    middle = np.zeros(len(density.free))
    settled = [found.axes.centre for way in ways if (found := peak(density, way, middle)) is not None]
    return [*settled, *rng.standard_normal((_STARTS, len(middle)))]


def _negligible(rough: list[_Rough], priors: Floats) -> set[str]:
    """Hypotheses that are surely negligible beside the best."""
    if any(r.proposal is None for r in rough):
        return set()
    shares = special.softmax(np.log(priors) + [r.log_evidence for r in rough])
    return {r.name for r, share in zip(rough, shares, strict=True) if share < _NEGLIGIBLE and r.stands}


def _weighted(density: Density, rough: _Rough, seed: int) -> Fit:
    """Draws of the proposal, each as often as its weight has it."""
    rng = np.random.default_rng([seed, 0x3E1647])
    x = rough.x[rng.choice(len(rough.x), size=2 * _SETTINGS.draws, p=rough.shares)][None]
    dials = density.dials(rough.name)
    told = Diagnostics(1.0, rough.size, rough.size, 1.0, 0, x.shape[1], 1, WEIGHTED)
    return Fit(rough.name, dials, x, density.quantities(x, dials), told)


def _drawn(density: Density, rough: _Rough, seed: int) -> Fit:
    """Draws of the sampler; weighted ones where it does not settle at once and they may stand for it."""
    dials = density.dials(rough.name)
    if rough.proposal is None:
        return fit(density, dials, replace(_LONGER, seed=seed), strict=False)
    if len(rough.proposal.peaks) > 1:  # chains along axes would stay at one
        return _weighted(density, rough, seed) if rough.stands else fit(density, dials, _many(seed), strict=False)
    found = fit_along(density, dials, replace(_SETTINGS, seed=seed), _axes(rough))
    if found.diagnostics.is_usable:
        return found
    if rough.stands:
        return _weighted(density, rough, seed)
    found = fit_along(density, dials, replace(_AGAIN, seed=seed), _axes_of(found, rough))
    if found.diagnostics.is_usable:
        return found
    start = rough.proposal.peaks[0].axes.centre
    return fit(density, dials, replace(_LONGER, seed=seed), start=start, strict=False)


def _many(seed: int) -> Settings:
    """Chains as in a whole inference, which are more likely to show that there are several peaks."""
    return Settings(seed, cores=1)


def _axes(rough: _Rough) -> Metric:
    """Axes that the draws of the proposal have by their weights, which are levelled until enough of them count."""
    size = rough.x.shape[1]
    for power in _LEVELS:
        shares = special.softmax(power * rough.logs)
        if np.sum(shares**2) * _FEWEST * size < 1:
            mean = shares @ rough.x
            apart = rough.x - mean
            return Metric(mean, np.linalg.cholesky((shares[:, None] * apart).T @ apart))
    assert rough.proposal is not None  # noqa: S101 - there are no draws without it
    return rough.proposal.peaks[0].axes


def _axes_of(found: Fit, rough: _Rough) -> Metric:
    """Axes that draws have; those of the proposal where they have none."""
    flat = found.x.reshape(-1, found.x.shape[-1])
    try:
        return Metric(flat.mean(axis=0), np.linalg.cholesky(np.atleast_2d(np.cov(flat.T))))
    except np.linalg.LinAlgError:
        return _axes(rough)


def _evidence(density: Density, rough: _Rough, found: Fit) -> tuple[float, float]:
    """Log marginal likelihood and its error [nat]: by a bridge to the proposal, or to one fitted to the draws."""
    if rough.proposal is not None and not found.dials.untold:
        flat = found.x.reshape(-1, found.x.shape[-1])
        own = density.log_densities(flat, density.pack(found.dials)) - rough.proposal.log_density(flat)
        log, mcse = bridge(own.reshape(found.x.shape[:2]), rough.logs)
        if mcse <= _VAGUE:
            return log, mcse
    fitted = log_evidence_by_bridge(density, found)
    return fitted.log, fitted.mcse


def effective_draws(found: Fit) -> float:
    """How many independent draws a fit is worth, by its worst coordinate. [1]"""
    told = found.diagnostics
    return max(min(told.ess_bulk, told.ess_tail, float(told.draws * told.chains)), 1.0)
