"""What is known without an observation, an origin or a table.

Each hypothesis is drawn again with the unit's readings at power 0, unless importance weights of the draws at hand do as
well. What the readings tell is a difference of two log densities, ``l``, whatever mixture they are in. The marginal
likelihood of all over that of the rest is the mean of ``exp(l)`` over draws without the unit, and one over the mean of
``exp(-l)`` over draws with it; where both kinds are there, a bridge between them has the errors of neither.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from gaugeglass.inference.density import Density, Dials, Floats
from gaugeglass.inference.modes import Crossing, may_be_several, refit_many
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import ESS, Fit, Settings, effective_size
from gaugeglass.inference.smoothing import VAGUE, effective, limit, mean_and_error, smoothed
from gaugeglass.inference.weighing import Evidence, Weights, bridge, log_evidence_by_bridge, weigh
from gaugeglass.judgement.findings import Route, Unit
from gaugeglass.judgement.results import DOUBT, Probability
from gaugeglass.language.spec import Observation, Spec

_CHAINS, _DRAWS, _TUNE = 2, 800, 400


def units(spec: Spec) -> tuple[Unit, ...]:
    """What is left out in turn: every listed observation, every origin of two readings or more, every table.

    An origin all of whose readings are in one table is that table.
    """
    counted = {o.id for o in spec.evidence}
    listed = [Unit("observation", o.id, (o.id,)) for o in spec.dossier.observations if o.id in counted]
    origins: dict[str, list[Observation]] = {}
    for o in spec.evidence:
        if o.origin is not None:
            origins.setdefault(o.origin, []).append(o)
    several = [
        Unit("origin", name, tuple(o.id for o in own))
        for name, own in origins.items()
        if len(own) > 1 and (own[0].table is None or {o.table for o in own} != {own[0].table})
    ]
    tables = [
        Unit("table", t.id, ids) for t in spec.dossier.tables if (ids := tuple(r.id for r in t.rows if r.id in counted))
    ]
    return (*listed, *several, *tables)


@dataclass(frozen=True)
class Without:
    """One hypothesis without a unit.

    ``fit`` has its dials at power 0 for the unit; ``shares`` sum to 1 and ``told`` is ``l`` [nat], both dims ("chain",
    "draw"). ``size`` [1] is the effective number of draws, ``pareto_k`` [1] the tail of the weights that replaced a
    refit.
    """

    fit: Fit
    shares: Floats
    told: Floats
    evidence: Evidence
    route: Route
    size: float
    pareto_k: float | None = None

    def thinned(self, most: int) -> Without:
        """The same with so many draws at most, evenly spread over its chains."""
        chains, draws = self.shares.shape
        kept = np.linspace(0, draws - 1, min(draws, max(most // chains, 1))).round().astype(int)
        shares = self.shares[:, kept]
        fit = replace(self.fit, x=self.fit.x[:, kept], quantities=self.fit.quantities.each(lambda v: v[..., kept]))
        size = self.size * len(kept) / draws
        return replace(self, fit=fit, shares=shares / shares.sum(), told=self.told[:, kept], size=size)

    @property
    def usable(self) -> bool:
        """Whether a refit is within its limits."""
        return self.route != "refit" or self.fit.diagnostics.is_usable


@dataclass(frozen=True)
class Left:
    """All hypotheses without a unit, and their weights then."""

    unit: Unit
    parts: Mapping[str, Without]
    weights: Weights

    def thinned(self, most: int) -> Left:
        """The same with so many draws of each hypothesis at most."""
        return replace(self, parts={name: part.thinned(most) for name, part in self.parts.items()})

    def mean(self, value: Callable[[str, Fit], Floats]) -> tuple[float, float]:
        """The mean of something over the mixture, and its Monte Carlo error, that of the weights included."""
        found = [mean_and_error(value(h, p.fit), p.shares) for h, p in self.parts.items()]
        means = np.array([m for m, _ in found])
        drawn = self.weights.posterior * np.array([e for _, e in found])
        weighed = float(np.std(self.weights.replicates @ means))
        return float(self.weights.posterior @ means), math.hypot(*drawn, weighed)

    def probability(self, value: Callable[[str, Fit], Floats]) -> Probability:
        """The probability of something that holds in each draw or does not; a bound where all agree."""
        values = [value(h, p.fit) for h, p in self.parts.items()]
        found, mcse = self.mean(value)
        agreed = {float(v.flat[0]) if np.ptp(v) == 0 else math.nan for v in values}
        if agreed not in ({0.0}, {1.0}):
            return Probability(min(max(found, 0.0), 1.0), mcse)
        sizes = np.array([p.size for p in self.parts.values()])
        doubt = float(self.weights.posterior @ (1 - DOUBT ** (1 / sizes)))
        is_sure = agreed == {1.0}
        return Probability(
            float(is_sure), math.nan, at_least=1 - doubt if is_sure else None, at_most=None if is_sure else doubt
        )

    def draws(self, name: str) -> tuple[Floats, Floats]:
        """Draws of a quantity over the mixture and their shares, dims ("draw",)."""
        values = [p.fit.quantities[name].ravel() for p in self.parts.values()]
        shares = [w * p.shares.ravel() for w, p in zip(self.weights.posterior, self.parts.values(), strict=True)]
        return np.concatenate(values), np.concatenate(shares)


def leave_out(
    posterior: Posterior, chosen: Sequence[Unit], advance: Callable[[float], None] = lambda share: None
) -> list[Left]:
    """The posterior without each unit in turn."""
    jobs = [(unit, name) for unit in chosen for name in posterior.fits]
    with ThreadPoolExecutor(posterior.settings.cores) as pool:
        whole = list(pool.map(lambda job: told_by(posterior.density, posterior.fits[job[1]], job[0].ids), jobs))
        found = list(pool.map(lambda job, told: _at_hand(posterior, job[0], job[1], told), jobs, whole))
        missing = [k for k, part in enumerate(found) if part is None]
        refits = _refits(posterior, [jobs[k] for k in missing], advance)
        weighed = list(pool.map(lambda k, fit: _weighed(posterior, jobs[k][0], fit, whole[k]), missing, refits))
    for k, part in zip(missing, weighed, strict=True):
        found[k] = part
    parts = {job: part for job, part in zip(jobs, found, strict=True) if part is not None}
    return [_left(posterior, unit, {name: parts[unit, name] for name in posterior.fits}) for unit in chosen]


def _left(posterior: Posterior, unit: Unit, parts: Mapping[str, Without]) -> Left:
    weights = posterior.weights
    evidences = [part.evidence for part in parts.values()]
    return Left(unit, parts, weigh(weights.names, list(weights.prior), evidences, seed=posterior.seed))


def told_by(density: Density, fit: Fit, ids: Sequence[str]) -> Floats:
    """Log density of the readings named in each draw, dims ("chain", "draw") [nat]."""
    x = fit.x.reshape(-1, fit.x.shape[-1])
    on, off = (density.pack(telling(density, fit.dials, ids, power)) for power in (1.0, 0.0))
    return (density.log_densities(x, on) - density.log_densities(x, off)).reshape(fit.x.shape[:2])


def telling(density: Density, dials: Dials, ids: Sequence[str], power: float) -> Dials:
    """The dials with some readings at a power, all others silent where each tells by itself: silence costs nothing."""
    others = dials.power
    if not density.layout.clustered and not density.layout.floored:
        others = {o.id: 0.0 for o in density.spec.evidence}
    return replace(dials, power={**others, **dict.fromkeys(ids, power)})


def moves_floor(spec: Spec, unit: Unit) -> bool:
    """Whether a unit has serial numbers, without which a coordinate stands for another value."""
    own = set(unit.ids)
    return any(o.id in own and spec.method(o).likelihood.family == "serial" for o in spec.evidence)


def _at_hand(posterior: Posterior, unit: Unit, name: str, told: Floats) -> Without | None:
    """A hypothesis without a unit from draws there are: of the prior where nothing is left, weighted ones else.

    Draws of the whole evidence say nothing of a mode that only the unit rules out.
    """
    if len(unit.ids) == len(posterior.spec.evidence):
        return _of_prior(posterior, unit, name)
    if moves_floor(posterior.spec, unit) or may_be_several(posterior.density):
        return None
    fit = posterior.fits[name]
    logs, k = smoothed(-told)
    if not k < limit(told.size):
        return None
    ratios = np.exp(logs - logs.max())
    mean, error = mean_and_error(ratios)
    size = effective(ratios)
    if size < ESS or error > VAGUE * mean:
        return None
    own = posterior.weights.evidences[posterior.weights.names.index(name)]
    change, error = math.log(mean) + float(logs.max()), error / mean
    evidence = Evidence(own.log + change, math.hypot(own.mcse, error), "importance weights")
    bare = replace(fit, dials=_without(posterior, unit, name))
    return Without(bare, ratios / ratios.sum(), told, evidence, "importance weights", size, k)


def _without(posterior: Posterior, unit: Unit, name: str) -> Dials:
    return posterior.density.dials(name, power=dict.fromkeys(unit.ids, 0.0))


def _of_prior(posterior: Posterior, unit: Unit, name: str) -> Without:
    fit = posterior.priors[name]
    shares = np.full(fit.x.shape[:2], 1 / fit.x[..., 0].size)
    told = told_by(posterior.density, fit, unit.ids)
    return Without(fit, shares, told, Evidence(0.0, 0.0, "no readings"), "no evidence left", float(shares.size))


def refit_settings(posterior: Posterior) -> Settings:
    """How long a refit is."""
    return replace(posterior.settings, chains=_CHAINS, draws=_DRAWS, tune=_TUNE)


def _refits(posterior: Posterior, jobs: Sequence[tuple[Unit, str]], advance: Callable[[float], None]) -> list[Crossing]:
    dials = [(_without(posterior, unit, name), posterior.seed, posterior.fits[name]) for unit, name in jobs]
    done = iter(range(1, len(jobs) + 1))
    return refit_many(
        posterior.density, dials, refit_settings(posterior), advance=lambda: advance(next(done) / len(jobs))
    )


def _weighed(posterior: Posterior, unit: Unit, found: Crossing, whole: Floats) -> Without:
    fit, evidence = found.fit, found.evidence
    told = told_by(posterior.density, fit, unit.ids)
    shares = np.full(told.shape, 1 / told.size)
    size = fit.diagnostics.ess_bulk if posterior.density.active(fit.hypothesis) else float(told.size)
    if evidence is None and not moves_floor(posterior.spec, unit):
        evidence = _from_both(posterior, fit.hypothesis, whole, told)
    if evidence is None:
        evidence = log_evidence_by_bridge(posterior.density, fit)
    return Without(fit, shares, told, evidence, "refit", size)


def _from_both(posterior: Posterior, name: str, with_it: Floats, told: Floats) -> Evidence | None:
    """The marginal likelihood of the rest by a bridge between draws without the unit and draws with it, if it holds."""
    own = posterior.weights.evidences[posterior.weights.names.index(name)]
    apart = told[:, :: max(1, math.ceil(told.size / effective_size(told)))].ravel()  # as good as independent
    if not np.all(np.isfinite(with_it)) or not np.any(np.isfinite(apart)):
        return None
    change, error = bridge(with_it, apart)
    if not error <= VAGUE:
        return None
    return Evidence(own.log - change, math.hypot(own.mcse, error), "bridge to the draws with it")
