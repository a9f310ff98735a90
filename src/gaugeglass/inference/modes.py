"""Draws that go from mode to mode, where readings may be wrong or a basis is open.

Each way of taking such readings may be a mode of its own, and chains that follow the slope stay in the one that they
come to first: they may all agree and be wrong. Here a density is laid about the peaks of those ways and of whatever is
reached from them, and fitted to its own draws by their weights (O. Cappé et al., "Adaptive importance sampling in
general mixture classes", Statistics and Computing 18 (2008) 447). Chains take each draw of it or stay where they are by
the ratio of posterior to proposal (J. S. Liu, "Metropolized independent sampling", Statistics and Computing 6 (1996)
113), and the mean of that ratio is the marginal likelihood. Where coordinates are many, chains stay too long, and their
diagnostics show it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from scipy import linalg, special

from gaugeglass.inference.density import Density, Dials, Floats
from gaugeglass.inference.metrics import Metric
from gaugeglass.inference.nuts import Chains
from gaugeglass.inference.peaks import Peak, Proposal, peak, propose
from gaugeglass.inference.sampling import Fit, Settings, diagnose, draw_prior, fit
from gaugeglass.inference.weighing import Evidence
from gaugeglass.language.spec import Observation

REMEDY = "from mode to mode"
"""How such a fit is called in the record."""
_MOST_WAYS = 64
"""Ways of taking what may be wrong of which each has a peak. [1]"""
_ALIKE = 0.1
"""Squared distance of two of them along the axes of one, with that of the logs of their widths, that is none. [1]"""
_NEGLIGIBLE, _LEAST = 8.0, 0.01
"""How much less may lie under a peak than under the greatest to count [nat], and its least share of draws then. [1]"""
_TRIED, _STARTS = 1000, 8
"""Draws of the prior, and how many of those that fit best are starts as well. [1]"""
_LEVEL = 20.0
"""How many of them count alike when those are picked, so that not all are from the best mode. [1]"""
_ELSEWHERE = 0.1
"""Share of the draws that are made far from peaks: what may be wrong says little, but widely. [1]"""
_EVEN, _ROUNDS = 0.4, 5
"""Share of the draws that weights are worth where the proposal will do, and how many are tried. [1]"""
_FEWEST, _RIDGE = 10, 1e-9
"""Weighted draws a coordinate that have axes, and what is added to their variance. [1]"""
_APIECE = 8
"""Proposals a draw; they cost microseconds each. [1]"""


@dataclass(frozen=True)
class Crossing:
    """A fit, and the log marginal likelihood where its chains went from mode to mode."""

    fit: Fit
    evidence: Evidence | None = None


@dataclass(frozen=True)
class _Tried:
    """Draws of a proposal, dims ("draw", "free"), their log densities and the logs of their weights [nat]."""

    proposal: Proposal
    x: Floats
    own: Floats
    logs: Floats

    @property
    def shares(self) -> Floats:
        """The weights; they sum to 1. dims ("draw",) [1]"""
        return np.asarray(special.softmax(self.logs))

    @property
    def is_even(self) -> bool:
        """Whether no place has so much more weight than draws that there may be a peak that is not known."""
        return float(np.sum(self.shares**2)) * _EVEN * len(self.logs) < 1


def cross(density: Density, dials: Dials, settings: Settings, *, near: Fit | None = None) -> Crossing | None:
    """Draw from mode to mode; None where there can be but one, or where that leaves the limits of a refit.

    Parameters
    ----------
    near
        A fit by other dials, from which a peak is sought first.
    """
    if not may_be_several(density) or not density.active(dials.hypothesis):
        return None
    rng = np.random.default_rng([settings.seed, 0x30DE])
    tried = _tried(density, dials, settings, near, rng)
    if tried is None or not np.all(np.any(np.isfinite(tried.logs.reshape(settings.chains, -1)), axis=1)):
        return None
    shape = (settings.chains, settings.draws)
    kept = np.stack([_chain(part, settings.draws, rng) for part in np.split(tried.logs, settings.chains)])
    kept += np.arange(settings.chains)[:, None] * (len(tried.x) // settings.chains)
    chains = Chains(tried.x[kept], np.zeros(shape, dtype=bool), -tried.own[kept], np.ones(shape, dtype=np.int64))
    told = replace(diagnose(density, dials, chains), remedy=REMEDY)
    if not told.is_usable:
        return None
    found = Fit(dials.hypothesis, dials, chains.x, density.quantities(chains.x, dials), told)
    return Crossing(found, _evidence(tried.logs))


def _tried(
    density: Density, dials: Dials, settings: Settings, near: Fit | None, rng: np.random.Generator
) -> _Tried | None:
    """Draws of a proposal about all peaks; while some weigh too much, it is given peaks there or fitted to them."""
    count = settings.chains * settings.draws * _APIECE
    proposal = _proposal(density, dials, settings, near)
    found: _Tried | None = None
    for _ in range(_ROUNDS):
        if proposal is None:
            return found
        x = rng.permutation(proposal.draw(count, rng))
        own = density.log_densities(x, density.pack(dials))
        logs = own - proposal.log_density(x)
        if not np.any(np.isfinite(logs)):
            return found
        found = _Tried(proposal, x, own, np.where(np.isfinite(logs), logs, -math.inf))
        if found.is_even:
            break
        heavy = x[rng.choice(count, size=_STARTS, p=found.shares)]
        more = propose(density, dials, [*(p.axes.centre for p in proposal.peaks), *heavy], elsewhere=_ELSEWHERE)
        proposal = more if more and len(more.peaks) > len(proposal.peaks) else _adapted(found)
    return found


def _adapted(tried: _Tried) -> Proposal | None:
    """A proposal with as many normal densities more, each as the weighted draws about one that it has are.

    None where too few of the draws count to tell how they are.
    """
    shares, peaks = zip(*tried.proposal.parts, strict=True)  # with what is drawn elsewhere
    logs = np.array([math.log(s) + p.log_density(tried.x) for s, p in zip(shares, peaks, strict=True)])
    counted = tried.shares * special.softmax(logs, axis=0)
    fitted = [(float(own.sum()), _normal(tried.x, own / own.sum())) for own in counted if own.sum() > 0]
    more = [(mass, p) for mass, p in fitted if p is not None]
    if not more:
        return None
    both = np.array([*tried.proposal.shares, *(mass for mass, _ in more)])
    return Proposal((*tried.proposal.peaks, *(p for _, p in more)), both * (1 - _ELSEWHERE) / both.sum())


def _normal(x: Floats, shares: Floats) -> Peak | None:
    """The normal density that weighted draws have; None where too few of them count."""
    size = x.shape[1]
    if np.sum(shares**2) * _FEWEST * size > 1:
        return None
    apart = x - shares @ x
    root = linalg.cholesky((shares[:, None] * apart).T @ apart + _RIDGE * np.eye(size), lower=True)
    return Peak(Metric(shares @ x, root), 0.0, np.ones(size), np.ones(size))


def may_be_several(density: Density) -> bool:
    """Whether there may be several modes and means to go from one to another."""
    return bool(density.layout.clustered) and "preconditioned" in density.machine.addresses


def refit_many(density: Density, jobs: Sequence[tuple[Dials, int, Fit | None]], settings: Settings, *,
               advance: Callable[[], None] = lambda: None) -> list[Crossing]:  # fmt: skip
    """Refits as ``sampling.fit_many`` has them, each from mode to mode where there may be several."""

    def one(job: tuple[Dials, int, Fit | None]) -> Crossing:
        dials, seed, near = job
        own = replace(settings, seed=seed, cores=1)
        found = cross(density, dials, own, near=near)
        if found is None:
            found = Crossing(fit(density, dials, own, near=near, strict=False))
        advance()
        return found

    with ThreadPoolExecutor(settings.cores) as pool:
        return list(pool.map(one, jobs))


def _chain(logs: Floats, draws: int, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.int_]]:
    """Which of the proposals each draw of one chain is, dims ("draw",); it begins at one by their weights."""
    thresholds = np.log(rng.uniform(size=len(logs)))
    here = int(rng.choice(len(logs), p=special.softmax(logs)))
    places = np.empty(len(logs), dtype=np.int_)
    for k, (log, threshold) in enumerate(zip(logs.tolist(), thresholds.tolist(), strict=True)):
        if log - logs[here] > threshold:
            here = k
        places[k] = here
    return places[_APIECE - 1 :: _APIECE][:draws]


def _evidence(logs: Floats) -> Evidence:
    top = float(np.max(logs))
    ratios = np.exp(logs - top)
    mean = float(ratios.mean())
    return Evidence(math.log(mean) + top, float(ratios.std()) / mean / math.sqrt(len(ratios)), REMEDY)


def _proposal(density: Density, dials: Dials, settings: Settings, near: Fit | None) -> Proposal | None:
    """About every peak, and as wide as each way of taking what may be wrong leaves it."""
    middle = np.zeros(len(density.free)) if near is None else near.centre
    ways = _distinct([p for way in _ways(density, dials) if (p := peak(density, way, middle)) is not None])
    packed = density.pack(dials)
    masses = [density.log_density(p.axes.centre, packed)[0] - p.height + p.log_mass for p in ways]
    best = [ways[k] for k in np.argsort(masses)[::-1]]
    begin = [middle, *(p.axes.centre for p in best[:_STARTS]), *_fitting_draws(density, dials, settings)]
    found = propose(density, dials, begin, elsewhere=_ELSEWHERE)
    if found is None:
        return None
    every = np.array([*(p.log_mass for p in found.peaks), *masses])
    kept = every > every.max() - _NEGLIGIBLE
    shares = np.maximum(special.softmax(every[kept]), _LEAST)
    peaks = [p for p, keep in zip([*found.peaks, *ways], kept, strict=True) if keep]
    return Proposal(tuple(peaks), (1 - _ELSEWHERE) * shares / shares.sum())


def _distinct(peaks: Sequence[Peak]) -> list[Peak]:
    """Those of other places or widths than the ones before."""
    found: list[Peak] = []
    for own in peaks:
        apart = [linalg.solve_triangular(p.axes.root, own.axes.centre - p.axes.centre, lower=True) for p in found]
        wide = [np.log(np.diag(own.axes.root) / np.diag(p.axes.root)) for p in found]
        if not any(a @ a + w @ w < _ALIKE for a, w in zip(apart, wide, strict=True)):
            found.append(own)
    return found


def _ways(density: Density, dials: Dials) -> Iterator[Dials]:
    """Each choice of which readings are right and which bases they have, or of which sources where those are many.

    Where these are many too, all of them, none, and each alone.
    """
    mixed = {o.id: o for own in density.layout.clustered.values() for o in own if dials.power.get(o.id, 1.0) > 0}
    sources = [tuple(o.id for o in own if o.id in mixed) for own in density.layout.clustered.values()]
    sources = [own for own in sources if own]
    for groups in ([(i,) for i in mixed], sources):
        options = [_options(density, mixed, own) for own in groups]
        if math.prod(map(len, options)) <= _MOST_WAYS:
            yield from (_way(dials, mixed, dict(zip(groups, choice, strict=True))) for choice in product(*options))
            return
    options = [[o for o in own if o is not None] for own in (_options(density, mixed, own) for own in sources)]
    yield _way(dials, mixed, {})
    yield _way(dials, mixed, {own: each[0] for own, each in zip(sources, options, strict=True)})
    alone = [(own, o) for own, each in zip(sources, options, strict=True) for o in each]
    yield from (_way(dials, mixed, {own: o}) for own, o in alone[:_MOST_WAYS])


def _options(density: Density, mixed: Mapping[str, Observation], own: Sequence[str]) -> list[str | None]:
    """The bases of readings, one nameless where there is but one, and None for being wrong."""
    chances = density.chances_of_bases(mixed[own[0]])
    bases = [name for name, p in chances.items() if p > 0] if len(chances) > 1 else [""]
    return [*bases, None] if any(mixed[i].grade for i in own) else list(bases)


def _way(dials: Dials, mixed: Mapping[str, Observation], taken: Mapping[Sequence[str], str | None]) -> Dials:
    """The dials at which some readings are right, by a basis, and all others silent."""
    right = {i: basis for own, basis in taken.items() if basis is not None for i in own}
    return replace(
        dials,
        right=frozenset(i for i in right if mixed[i].grade),
        basis={i: basis for i, basis in right.items() if basis},
        power={**dials.power, **{i: 0.0 for i in mixed if i not in right}},
    )


def _fitting_draws(density: Density, dials: Dials, settings: Settings) -> Floats:
    """Draws of the prior, picked by the likelihood at such a power that many of them count. dims ("start", "free")"""
    prior = draw_prior(density, dials.hypothesis, draws=_TRIED, chains=1, seed=settings.seed, stretch=dials.stretch)
    x = prior.x[0]
    logs = density.log_densities(x, density.pack(dials)) - density.log_densities(x, density.pack(prior.dials))
    logs = np.where(np.isfinite(logs), logs, -math.inf)
    if not np.any(np.isfinite(logs)):
        return np.empty((0, x.shape[1]))
    power = 1.0
    while np.sum(special.softmax(power * logs) ** 2) * _LEVEL > 1 and power > 1e-3:
        power *= 0.7
    rng = np.random.default_rng([settings.seed, 0x57A27])
    return np.asarray(x[rng.choice(len(x), size=_STARTS, p=special.softmax(power * logs))])
