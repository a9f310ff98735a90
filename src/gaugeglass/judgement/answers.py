"""What-ifs answered from a pool: other evidence, other uncertainties, prior weights and numbers of claims.

Nothing is drawn again. Draws are reweighted, and what is known of components beside them takes off most of the error:
with all of the evidence, and without any one unit, the answer is what was found by all draws there were. An answer says
how far it can be trusted.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from gaugeglass.inference.smoothing import limit, smoothed
from gaugeglass.judgement.overlaps import Known
from gaugeglass.judgement.pools import Floats, Mixture, Pool, PooledReading
from gaugeglass.judgement.results import DOUBT, Probability
from gaugeglass.language.late import Late

special = Late("scipy.special")

FEWEST = 100.0
"""Effective draws of a hypothesis below which what it says is not to be relied on. [1]"""
MATTERS = 0.01
"""Probability of a hypothesis above which it has to be known well. [1]"""
VAGUE = 10.0
"""Effective draws of a hypothesis below which it may be more probable by far than it seems. [1]"""
FEWEST_OWN = 50.0
"""The same where just that was drawn before, so that what is known of it is the answer, whatever the weights. [1]"""
FEWEST_TOLD = 25
"""Draws among which the tail of weights is told at least. [1]"""
HARDLY_ONE = 0.05
"""Effective draws, in which a claim is otherwise than in the rest, up to which all are said to agree. [1]"""
FEWEST_OTHERWISE = 100
"""Effective draws on a claim's lesser side from which what is known beside them can be trusted. [1]"""
NEARLY_ZERO = 1e-12  # what rounding leaves of a probability on which all draws agree
FLAT = 0.7
"""Difference of log weights that makes no tail to speak of: of a Pareto one with k above 0.25 it is wider. [nat]"""


@dataclass(frozen=True, slots=True)
class State:
    """What is asked of a pool.

    ``off`` are labels of units left out; ``scale`` are factors of readings' u by id [1]; ``prior`` are weights of
    hypotheses in any scale, in place of the model's; ``at`` are numbers of claims [their unit].
    """

    off: Collection[str] = ()
    scale: Mapping[str, float] = field(default_factory=dict)
    prior: Mapping[str, float] = field(default_factory=dict)
    at: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Answer:
    """What a pool says of a state.

    ``claims`` and ``hypotheses`` are probabilities by name; ``shares`` [1] are how much each draw counts, dims
    ("draw",). ``effective`` draws and ``pareto_k`` [1] are by hypothesis. The answer is ``reliable`` where those of
    every hypothesis that matters are within limits, of which ``weakest`` is the one that is nearest to them or
    farthest beyond. A state that the pool cannot tell, or for which it lacks draws, is not ``answered``: its numbers
    are NaN, and it takes a refit.
    """

    answered: bool
    claims: Mapping[str, Probability]
    hypotheses: Mapping[str, Probability]
    shares: Floats
    effective: Mapping[str, float]
    pareto_k: Mapping[str, float]
    reliable: bool
    weakest: str


def what_if(pool: Pool, state: State) -> Answer:
    """The claims and the hypotheses as a state has them.

    Raises
    ------
    ValueError
        If the state names what the pool does not have, or scales what cannot be scaled.
    """
    told = _told(pool, state)
    if told is None:
        return _unanswered(pool)
    parts = [
        _Part(pool, k, told[h.first : h.first + h.count] - mixture.log_density, _own(pool, state, mixture))
        for k, (h, mixture) in enumerate(zip(pool.hypotheses, pool.mixtures, strict=True))
    ]
    prior = _prior(pool, state)
    logs = np.array([part.log_z for part in parts])
    with np.errstate(divide="ignore"):
        weights = special.softmax(np.log(prior) + logs)
    claims = {c.name: _claim(pool, parts, weights, n, state.at.get(c.name)) for n, c in enumerate(pool.claims)}
    variances = np.array([part.variance_of_log_z for part in parts])
    pulls = weights[:, None] * (np.eye(len(weights)) - weights)
    errors = np.sqrt(pulls**2 @ variances)
    names = [h.name for h in pool.hypotheses]
    matters = (weights > MATTERS) | (pool.weights > MATTERS) | np.array([p.size < VAGUE for p in parts])
    worst = min(np.flatnonzero(matters & (prior > 0)), key=lambda k: parts[k].trust)
    return Answer(
        answered=True,
        claims=claims,
        hypotheses={n: Probability(float(w), float(e)) for n, w, e in zip(names, weights, errors, strict=True)},
        shares=np.concatenate([w * part.a for w, part in zip(weights, parts, strict=True)]),
        effective={n: part.size for n, part in zip(names, parts, strict=True)},
        pareto_k={n: part.k for n, part in zip(names, parts, strict=True)},
        reliable=parts[worst].trust > 0,
        weakest=names[worst],
    )


def _told(pool: Pool, state: State) -> Floats | None:
    """Log-likelihood of the evidence as a state has it, dims ("draw",) [nat]."""
    units = {u.label: u for u in pool.units}
    known = {
        "off": (state.off, units),
        "scale": (state.scale, {r.id for r in pool.readings if r.scaling}),
        "prior": (state.prior, {h.name for h in pool.hypotheses}),
        "at": (state.at, {c.name for c in pool.claims if c.compare}),
    }
    for what, (asked, there) in known.items():
        if unknown := sorted(set(asked) - set(there)):
            raise ValueError(f"{what}: {', '.join(unknown)}; allowed: {', '.join(sorted(there))}")
    if not all(weight >= 0 for weight in state.prior.values()) or not any(_prior(pool, state) > 0):
        raise ValueError("prior: weights; allowed: none below 0, and one at least above")
    off = frozenset(atom for label in state.off for atom in units[label].atoms)
    other: dict[int, Floats] = {}
    for r in pool.readings:
        if r.id in state.scale and r.atom not in off:
            stated = next(b.columns_of(r.atom) for b in pool.blocks if r.atom in b.atoms)
            scaled = _scaled(pool, r, [pool.columns[c].values for c in stated], state.scale[r.id])
            other |= zip(stated, scaled, strict=True)
    return pool.log_likelihood(off, other) if pool.reaches(off) else None


def _prior(pool: Pool, state: State) -> Floats:
    return np.array([state.prior.get(h.name, h.prior) for h in pool.hypotheses])


def _own(pool: Pool, state: State, mixture: Mixture) -> int | None:
    """Which component of a mixture a state's evidence is, if it is one."""
    if any(factor != 1 for factor in state.scale.values()):
        return None
    units = {u.label: set(u.atoms) for u in pool.units}
    off = set[int]().union(*(units[label] for label in state.off))
    offs = [pool.components[n].off for n in mixture.components]
    return next((k for k, o in enumerate(offs) if off == (set() if o is None else set(pool.units[o].atoms))), None)


def _scaled(pool: Pool, reading: PooledReading, stated: list[Floats], factor: float) -> list[Floats]:
    """Columns of a reading with its u multiplied, from those as it is stated. dims ("draw",) [nat]"""
    scaling = reading.scaling
    if scaling is None or factor == 1:
        return stated
    there = scaling.columns or scaling.curves or scaling.bases
    if there is not None and factor not in there:
        raise ValueError(f"scale: {reading.id} by {factor:g}; allowed: {', '.join(f'{f:g}' for f in there)}")
    if scaling.columns is not None:
        return [pool.columns[scaling.columns[factor]].values]
    if scaling.bases is not None:
        return [pool.columns[column].values for column in scaling.bases[factor]]
    (told,) = stated
    if scaling.curves is not None:
        return [_straight(told, np.array(scaling.at), np.array(scaling.curves[factor]))]
    peak, nu = scaling.peak or 0.0, scaling.nu
    off = np.maximum(peak - told, 0.0)
    if nu is None:
        return [np.asarray(peak - math.log(factor) - off / factor**2)]
    square = np.expm1(2 * off / (nu + 1)) / factor**2
    return [np.asarray(peak - math.log(factor) - (nu + 1) / 2 * np.log1p(square))]


def _straight(x: Floats, at: Floats, values: Floats) -> Floats:
    """A curve straight between its nodes, and on beyond the lowest; minus infinity stays."""
    k = np.clip(np.searchsorted(at, x) - 1, 0, len(at) - 2)
    slope = (values[k + 1] - values[k]) / (at[k + 1] - at[k])
    found = values[k] + slope * (np.minimum(x, at[-1]) - at[k])
    return np.where(np.isfinite(x), found, -np.inf)


class _Part:
    """One hypothesis in a state, from the log of its density over the mixture in each draw.

    ``own`` is which of its components the state is, if it is one: then what is known of that is the answer.
    """

    def __init__(self, pool: Pool, index: int, logs: Floats, own: int | None) -> None:
        self.pool, self.index, self.mixture, self.own = pool, index, pool.mixtures[index], own
        self.place = slice(pool.hypotheses[index].first, pool.hypotheses[index].first + len(logs))
        self.is_possible = bool(np.any(np.isfinite(logs)))
        w = np.exp(logs - logs.max()) if self.is_possible else np.zeros(len(logs))
        self.a = w / w.sum() if self.is_possible else w
        self.size = 1 / float(self.a @ self.a) if self.is_possible else 0.0
        self.k, self.most_k = _shape(logs, self.size) if self.is_possible else math.inf, limit(len(logs))
        each = [pool.components[n] for n in self.mixture.components]
        self.is_anchored = np.array([c.anchored for c in each])
        sums = self.mixture.sums
        self.log_sums = np.log(np.where(sums > 0, sums, 1.0))
        if own is None:
            self.much, self.rest = self.mixture.known.part(self.a)
        else:
            self.much, self.rest = np.eye(len(each))[own], np.zeros(len(logs))
        top = float(logs.max()) + math.log(float(w.sum())) if self.is_possible else -math.inf
        self.log_z = top - float(self.much @ self.log_sums)

    @property
    def trust(self) -> float:
        """Above 0 where there are draws enough and no few of them decide."""
        if self.own is not None:
            return math.log(self.size / FEWEST_OWN) if self.size else -math.inf
        if self.k >= self.most_k:
            return self.most_k - self.k - 1
        return math.log(self.size / FEWEST)

    def variance(self, known: Known, much: Floats, rest: Floats) -> float:
        """The variance of what is so much of what is known, components' integrals first, and something else."""
        shared = float(much[: len(self.much)][self.is_anchored].sum())
        return known.variance(much, rest) + (shared * self.pool.hypotheses[self.index].log_evidence_mcse) ** 2

    @property
    def variance_of_log_z(self) -> float:
        """The variance of the log marginal likelihood. [nat**2]"""
        return self.variance(self.mixture.known, self.much, self.rest)


def _shape(logs: Floats, size: float) -> float:
    """Shape k of the tail of weights, told among the greatest, as many as there are effective draws. [1]

    Draws that count for little, since they are of other components, would be taken for the body of which the rest is
    the tail. Weights of draws that are all of one component are about equal, and have no tail.
    """
    greatest = np.sort(logs)[-max(math.ceil(size), FEWEST_TOLD) :]
    tail = greatest[-max(min(int(3 * math.sqrt(len(greatest))), len(greatest) // 5), 1) - 1 :]
    return -math.inf if tail[-1] - tail[0] < FLAT else smoothed(greatest)[1]


def _claim(pool: Pool, parts: Sequence[_Part], weights: Floats, claim: int, at: float | None) -> Probability:
    """A claim's probability; what draws leave open of it in which it is neither true nor false."""
    surely = _probability(pool, parts, weights, claim, at, at_most=False)
    if pool.claims[claim].most is None:
        return surely
    return Probability.between(surely, _probability(pool, parts, weights, claim, at, at_most=True))


def _probability(
    pool: Pool, parts: Sequence[_Part], weights: Floats, claim: int, at: float | None, *, at_most: bool
) -> Probability:
    """A claim's probability, corrected by what all draws there were say of it in each component.

    ``at_most`` of its being true or neither true nor false.
    """
    found = [_chance(pool, part, claim, at, at_most=at_most) for part in parts]
    whole = float(weights @ np.array([p for p, *_ in found]))
    variance = 0.0
    for weight, part, (p, much, rest) in zip(weights, parts, found, strict=True):
        of_weight = np.concatenate([part.much, np.zeros(len(part.much))])
        known = pool.known_of_claim(claim, part.index, at_most=at_most)[0]
        own = part.variance(known, much + (p - whole) * of_weight, rest + (p - whole) * part.rest)
        variance += float(weight) ** 2 * own
    if NEARLY_ZERO < whole < 1 - NEARLY_ZERO:
        held = (pool.may_hold if at_most else pool.holds)(claim, at)
        return Probability(whole, math.hypot(math.sqrt(variance), _led(parts, weights, held, whole)))
    doubt = sum(float(w) * (1 - DOUBT ** (1 / max(part.size, 1))) for w, part in zip(weights, parts, strict=True))
    is_sure = whole > 0.5
    return Probability(float(is_sure), math.nan, 1 - doubt if is_sure else None, None if is_sure else doubt)


def _led(parts: Sequence[_Part], weights: Floats, held: Floats, whole: float) -> float:
    """How far what is known has led a probability where few draws are on its lesser side, so that it may mislead."""
    if all(part.own is not None for part in parts):
        return 0.0
    shares = np.concatenate([w * part.a for w, part in zip(weights, parts, strict=True)])
    drawn = float(shares @ held)
    lesser = shares * (held if drawn < 0.5 else 1 - held)
    few = float(lesser.sum()) ** 2 < FEWEST_OTHERWISE * float(lesser @ lesser)
    return abs(whole - drawn) if few else 0.0


def _chance(pool: Pool, part: _Part, claim: int, at: float | None, *, at_most: bool) -> tuple[float, Floats, Floats]:
    """The probability under one hypothesis; then how much of what is known it is, and what else.

    Where the draws that count agree they do not tell how the claim moves; as published it is then taken to be what it
    is in the components that the state is like. What is known cannot lead beyond 0 and 1; it is left out before.
    """
    known, off = pool.known_of_claim(claim, part.index, at_most=at_most)
    held, size = (pool.may_hold if at_most else pool.holds)(claim, at)[part.place], len(off)
    is_published = at in (None, _published_at(pool, claim))
    p, nothing = float(part.a @ held), np.zeros(2 * len(off))
    agree = min(p, 1 - p) * part.size < HARDLY_ONE
    if is_published and (part.own is not None or agree):
        much = np.concatenate([np.zeros(size), part.much])
        return min(max(p + float(part.much @ off), 0.0), 1.0), much, np.zeros(len(held))
    if agree:
        return round(p), nothing, np.zeros(len(held))
    much, rest = known.part(part.a * (held - p))
    corrected = p + float(much[size:] @ off - much[:size] @ part.log_sums)
    return (corrected, much, rest) if 0 <= corrected <= 1 else (p, nothing, part.a * (held - p))


def _published_at(pool: Pool, claim: int) -> float | None:
    compare = pool.claims[claim].compare
    return None if compare is None else compare.at


def _unanswered(pool: Pool) -> Answer:
    nothing = Probability(math.nan, math.nan)
    names = [h.name for h in pool.hypotheses]
    return Answer(
        answered=False,
        claims={c.name: nothing for c in pool.claims},
        hypotheses=dict.fromkeys(names, nothing),
        shares=np.full(pool.draws, math.nan),
        effective=dict.fromkeys(names, math.nan),
        pareto_k=dict.fromkeys(names, math.nan),
        reliable=False,
        weakest=names[0],
    )
