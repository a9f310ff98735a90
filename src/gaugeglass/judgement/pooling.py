"""How a pool is made from a posterior and what was drawn without each unit of its evidence."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from gaugeglass.inference.density import Density, Floats, Quantities
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.asked import Asked
from gaugeglass.judgement.atoms import Split, is_numbered, split
from gaugeglass.judgement.blocks import Block, told
from gaugeglass.judgement.leaving import Left
from gaugeglass.judgement.overlaps import Counts, allotted
from gaugeglass.judgement.pieces import Piece, laid_out
from gaugeglass.judgement.pieces import told as columns_of
from gaugeglass.judgement.pools import Component, Pool, PooledHypothesis, PooledUnit

_ANCHORED = ("importance weights", "bridge to the draws with it")
"""Routes to a marginal likelihood that start from that of the whole evidence."""
_NUMBERS = 320_000
"""Numbers that a pool holds, so that some 700 kB of text carry it: that many, over columns, are the draws. [1]"""
_MOST_DRAWS = 12_000
"""Draws of a pool of few columns. [1]"""
_CHOICE, _FEWEST_CHOICE = 2.0, 160
"""How many draws of a component there are to choose from: over those that there would be of each were all alike, and at
least. [1]"""
_WHOLE, _SELDOM, _MATTERS = 2.0, 0.25, 0.01
"""How many draws the whole evidence asks for, and what hardly matters, over what matters: of that weight. [1]"""


def make_pool(posterior: Posterior, lefts: Sequence[Left]) -> Pool:
    """The pool of a posterior's draws and those without each unit, from which what-ifs are answered."""
    parts = split(posterior.density, [left.unit for left in lefts])
    blocks, pieces = laid_out(posterior.density, parts)
    asked = Asked(posterior, parts)
    first = len(pieces)
    sizes = _sizes(posterior, lefts, first + len(asked.keys))

    def one(name: str) -> tuple[_Cloud, list[Floats]]:
        cloud = _cloud(posterior, lefts, (parts, blocks, pieces), name, sizes[name])
        return cloud, [cloud.each(lambda fit, key=key: asked.answer(fit, key)) for key in asked.keys]  # type: ignore[misc]

    with ThreadPoolExecutor(posterior.settings.cores) as threads:
        found = list(threads.map(one, posterior.fits))
    clouds = [cloud for cloud, _ in found]
    told_of = np.concatenate([c.told for c in clouds], axis=1)
    columns = [piece.coded(own) for piece, own in zip(pieces, told_of, strict=True)]
    columns += asked.coded([np.concatenate(own) for own in zip(*(answers for _, answers in found), strict=True)])
    components = tuple(c for k, cloud in enumerate(clouds) for c in _components(posterior, lefts, cloud, k))
    return Pool(
        hypotheses=tuple(_hypotheses(posterior, clouds)),
        components=components,
        atoms=parts.atoms,
        units=tuple(PooledUnit(w.unit.kind, w.unit.name, own) for w, own in zip(lefts, parts.units, strict=True)),
        blocks=blocks,
        readings=tuple(asked.readings(first)),
        quantities=tuple(asked.pooled_quantities(first)),
        claims=tuple(asked.pooled_claims(first, [_drawn(posterior, lefts, c) for c in components])),
        columns=tuple(columns),
    )


def _hypotheses(posterior: Posterior, clouds: Sequence[_Cloud]) -> Iterator[PooledHypothesis]:
    weights, first = posterior.weights, 0
    for k, (h, cloud) in enumerate(zip(posterior.spec.hypotheses, clouds, strict=True)):
        own = weights.evidences[k]
        yield PooledHypothesis(h.name, h.says, float(weights.prior[k]), own.log, own.mcse, first, cloud.size)
        first += cloud.size


def _components(posterior: Posterior, lefts: Sequence[Left], cloud: _Cloud, k: int) -> Iterator[Component]:
    whole = posterior.weights.evidences[k]
    for off, count in zip(cloud.offs, cloud.counts, strict=True):
        if off is None:
            yield Component(k, None, int(count), whole.log, 0.0, anchored=True, anew=False)
            continue
        part = lefts[off].parts[cloud.hypothesis]
        log, anew = part.evidence.log, part.route != "importance weights"
        if part.evidence.route in _ANCHORED:
            rest = math.sqrt(max(part.evidence.mcse**2 - whole.mcse**2, 0.0))
            yield Component(k, off, int(count), log, rest, anchored=True, anew=anew)
        else:
            yield Component(k, off, int(count), log, part.evidence.mcse, anchored=False, anew=anew)


def _drawn(posterior: Posterior, lefts: Sequence[Left], component: Component) -> tuple[Fit, Floats]:
    """All draws that there were of a component, and their shares."""
    name = posterior.weights.names[component.hypothesis]
    if component.off is not None:
        part = lefts[component.off].parts[name]
        return part.fit, part.shares
    fit = posterior.fits[name]
    return fit, _alike(fit)


def _size(fit: Fit) -> float:
    """How many independent draws a fit is worth. [1]"""
    size, apart = float(fit.x.shape[0] * fit.x.shape[1]), fit.diagnostics.ess_bulk
    return min(size, apart) if math.isfinite(apart) else size


def _alike(fit: Fit) -> Floats:
    return np.full(fit.x.shape[:2], 1 / fit.x[..., 0].size)


def _sizes(posterior: Posterior, lefts: Sequence[Left], columns: int) -> dict[str, int]:
    """How many draws of each hypothesis there is room for: the more, the oftener it matters."""
    wanted = {name: sum(_wanted(posterior, lefts, name)) for name in posterior.fits}
    total = min(_NUMBERS // max(columns, 1), _MOST_DRAWS)
    return {name: int(total * own / sum(wanted.values())) for name, own in wanted.items()}


# --- draws of one hypothesis --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Cloud:
    """Draws under one hypothesis, of the whole evidence and without units.

    ``fits`` hold them in stretches in which a coordinate means the same. ``offs`` are the components by their units,
    with their ``counts``. ``told`` are the columns of which the evidence is told, dims ("column", "draw").
    """

    hypothesis: str
    fits: tuple[Fit, ...]
    offs: tuple[int | None, ...]
    counts: Counts
    told: Floats

    @property
    def size(self) -> int:
        """How many draws there are."""
        return sum(f.x.shape[1] for f in self.fits)

    def each(self, value: Callable[[Fit], Floats]) -> Floats:
        """Something that each stretch has of each draw, dims (..., "draw")."""
        return np.concatenate([np.asarray(value(f)) for f in self.fits], axis=-1)


@dataclass(frozen=True)
class _Source:
    """Draws of a component to choose from, ``off`` being its unit, and how much they matter.

    ``picks`` are those that are about independent, dims ("pick",), as places among all draws of ``fit``.
    """

    off: int | None
    fit: Fit
    picks: Counts
    log_z: float
    wanted: float


def _sources(posterior: Posterior, lefts: Sequence[Left], name: str, size: int) -> Iterator[_Source]:
    """The whole evidence, then what is left without each unit; refits out of limits have no draws to choose from."""
    fit, k = posterior.fits[name], posterior.weights.names.index(name)
    most = max(round(_CHOICE * size / (len(lefts) + _WHOLE)), _FEWEST_CHOICE)
    whole = _independent(
        np.full(fit.x.shape[:2], 1 / fit.x[..., 0].size), fit.diagnostics.ess_bulk, round(_WHOLE * most)
    )
    wanted = _wanted(posterior, lefts, name)
    yield _Source(None, fit, whole, posterior.weights.evidences[k].log, wanted[0])
    left_over = 1 - len(whole) / _size(fit)
    for n, (left, own) in enumerate(zip(lefts, wanted[1:], strict=True)):
        part = left.parts[name]
        room = most if part.usable else 0
        if part.route == "importance weights":  # draws of the whole evidence, none of which should be there twice
            room = min(room, int(left_over / part.shares.max()))
        yield _Source(n, part.fit, _independent(part.shares, part.size, room), part.evidence.log, own)


def _wanted(posterior: Posterior, lefts: Sequence[Left], name: str) -> list[float]:
    """For how many draws each component of a hypothesis asks, in any scale."""
    k = posterior.weights.names.index(name)
    often = posterior.weights.posterior[k] > _MATTERS
    return [_WHOLE, *(1.0 if often or left.weights.posterior[k] > _MATTERS else _SELDOM for left in lefts)]


def _independent(shares: Floats, size: float, most: int) -> Counts:
    """Places of weighted draws, each as often as its share has it, no more than are worth as many independent ones."""
    count = min(most, int(size), shares.size)
    return np.searchsorted(np.cumsum(shares), (np.arange(count) + 0.5) / max(count, 1)).clip(0, shares.size - 1)


def _cloud(
    posterior: Posterior,
    lefts: Sequence[Left],
    laid: tuple[Split, Sequence[Block], Sequence[Piece]],
    name: str,
    size: int,
) -> _Cloud:
    """As many draws as there is room for, chosen so that each component is told about as well as it is wanted to be.

    Of components that are the same density the first stands for all, as they may have the very same draws.
    """
    sources = list(_sources(posterior, lefts, name, size))
    fits, own = _joined(posterior.density, sources)
    parts, blocks, pieces = laid
    columns = np.concatenate([columns_of(posterior.density, pieces, f) for f in fits], axis=-1)
    logs = _logs(columns, parts, blocks, [s.off for s in sources])
    apart = [k for k in range(len(sources)) if not any(np.array_equal(logs[:, j], logs[:, k]) for j in range(k))]
    sources, places = [sources[k] for k in apart], np.flatnonzero(np.isin(own, apart))
    own, logs = np.searchsorted(apart, own[places]), logs[np.ix_(places, apart)]
    if len(places) > size:
        log_z, wanted = np.array([s.log_z for s in sources]), np.array([s.wanted for s in sources])
        picks = allotted(logs, log_z, own, wanted=wanted, total=size)
        own, places = own[picks], places[picks]
    ends = np.cumsum([0, *(f.x.shape[1] for f in fits)])
    inside = [places[(places >= a) & (places < b)] - a for a, b in pairwise(ends)]
    return _Cloud(
        hypothesis=name,
        fits=tuple(_picked(f, k) for f, k in zip(fits, inside, strict=True)),
        offs=tuple(s.off for s in sources),
        counts=np.bincount(own, minlength=len(sources)),
        told=columns[:, places],
    )


def _joined(density: Density, sources: Sequence[_Source]) -> tuple[list[Fit], Counts]:
    """Draws in as few stretches as there are meanings of a coordinate, and which source each draw is from."""
    numbered = [o.id for o in density.spec.evidence if is_numbered(density, o)]
    alike: dict[Hashable, list[int]] = {}
    for k, source in enumerate(sources):
        dials = source.fit.dials
        alike.setdefault((dials.untold, tuple(dials.power.get(i, 1.0) for i in numbered)), []).append(k)
    fits = []
    for group in alike.values():
        each = [_picked(sources[k].fit, sources[k].picks) for k in group]
        power = {i: each[0].dials.power.get(i, 1.0) for i in numbered}
        fits.append(
            replace(
                each[0],
                dials=replace(each[0].dials, power=power),
                x=np.concatenate([f.x for f in each], axis=1),
                quantities=Quantities(
                    {n: np.concatenate([f.quantities[n] for f in each], axis=1) for n in each[0].quantities},
                    each[0].quantities.members,
                ),
            )
        )
    return fits, np.array([k for group in alike.values() for k in group for _ in sources[k].picks])


def _picked(fit: Fit, picks: Counts) -> Fit:
    """Some of the draws of a fit as one chain."""
    x = fit.x.reshape(-1, fit.x.shape[-1])[picks]
    return replace(fit, x=x[None], quantities=fit.quantities.each(lambda v: v.ravel()[picks][None]))


def _logs(columns: Floats, parts: Split, blocks: Sequence[Block], offs: Sequence[int | None]) -> Floats:
    """Log-likelihood of what is on in each component, dims ("draw", "component")."""
    each = []
    for off in offs:
        own = told(blocks, () if off is None else parts.units[off], columns.__getitem__, columns.shape[1])
        assert own is not None  # noqa: S101 - blocks can tell whatever a unit leaves of them
        each.append(own)
    return np.stack(each, axis=1)
