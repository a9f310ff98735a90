"""What a candidate may read in each draw of the posterior: draws with every error it would share, and channels."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Density, Dials, Floats, Quantities
from gaugeglass.inference.layout import Layout
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.rows import log_density_of_values, log_norm
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.predictions import predict, simulate, trials
from gaugeglass.language.families import Prior
from gaugeglass.language.late import Late
from gaugeglass.language.spec import Candidate, Observation

special = Late("scipy.special")

BATCHES = 20
"""Runs of successive draws that are left out in turn, for errors and biases (jackknife). [1]"""
_DRAWS = 2000
_LEAST_SHARE = 0.05
"""Share of the draws that a hypothesis has at least, whatever its weight. [1]"""
_NODES = 400
"""Values of a reading that are told apart at most. [1]"""
_STEP = 1.2
"""Distance of values in the least u: the trapezoidal rule then errs by 2 exp(-2 (pi/1.2)**2), 2e-6, on a normal. [1]"""
_REACH = 4.5
_FAR = 1000.0
_GROWTH = 1.4
_OUTCOMES = 400
"""Sets of several readings that are simulated where no one number says all that they tell. [1]"""
_SEED = 0xCA4D
_LOCATED = ("normal", "student_t", "lognormal")
"""Likelihoods in which a prediction only moves the readings (of lognormal their logarithms)."""
_NEARLY = ("poisson", "binomial", "beta")
_MANY = 25.0
"""Expected count, or variance of it, from which it scatters nearly as a normal reading does: common practice. [1]"""
_ENDED = 1e-12


# --- draws --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Draws:
    """Draws of all hypotheses, thinned, each with its share of the whole.

    ``weights`` dims ("draw",) sum to 1. ``parts`` lists by hypothesis the runs of successive draws, as many for each.
    ``density`` knows the candidates' observations, ``x`` by hypothesis has a coordinate for every error that they share
    with what has been observed or among each other.
    """

    posterior: Posterior = field(repr=False)
    density: Density = field(repr=False)
    hypotheses: tuple[str, ...]
    kept: Mapping[str, NDArray[np.int_]]
    quantities: Mapping[str, Quantities]
    x: Mapping[str, Floats]
    weights: Floats
    private: frozenset[tuple[str, ...]]
    labels: Mapping[str, Floats] = field(default_factory=dict)

    @cached_property
    def parts(self) -> tuple[tuple[slice, ...], ...]:
        """Runs of successive draws, dims ("hypothesis", "batch")."""
        found, first = [], 0
        for h in self.hypotheses:
            n = len(self.kept[h]) // BATCHES
            found.append(tuple(slice(first + b * n, first + (b + 1) * n) for b in range(BATCHES)))
            first += n * BATCHES
        return tuple(found)

    @cached_property
    def batch(self) -> NDArray[np.int_]:
        """The batch of each draw, dims ("draw",)."""
        return np.concatenate([np.repeat(np.arange(BATCHES), len(self.kept[h]) // BATCHES) for h in self.hypotheses])

    @property
    def size(self) -> int:
        """How many draws there are. [1]"""
        return len(self.weights)

    def values(self, name: str) -> Floats:
        """A quantity in every draw [its unit], dims ("draw",)."""
        return np.concatenate([self.quantities[h][name] for h in self.hypotheses])

    def among(self, known: NDArray[np.bool_]) -> Draws:
        """The same where only some count, dims ("draw",)."""
        if known.all() or not known.any():
            return self
        left = self.weights * known
        return replace(self, weights=left / left.sum())

    def fit(self, hypothesis: str) -> Fit:
        """The fit that draws of a hypothesis are from."""
        return self.posterior.fits[hypothesis]

    def known_x(self, hypothesis: str) -> Floats:
        """Draws as the fit has them, dims ("draw", "free")."""
        x = self.fit(hypothesis).x
        return x.reshape(-1, x.shape[-1])[self.kept[hypothesis]]


def as_observation(candidate: Candidate) -> Observation:
    """A candidate as an observation whose value is not known; errors of its inputs go into ``u`` if it has one."""
    name = f"candidate {candidate.name}"
    return Observation(
        id=name, method=candidate.method, stated="", value=0.0, lower=0.0, upper=0.0, u=candidate.u,
        inputs=candidate.inputs, inexact=candidate.inexact, origin=candidate.origin, grade=candidate.grade,
        at=candidate.at, table=None if candidate.u is None else name,
    )  # fmt: skip


def gather(posterior: Posterior, candidates: Sequence[Candidate], *, draws: int = _DRAWS) -> Draws:
    """About so many draws to judge candidates by."""
    weights, fits = posterior.weights.posterior, posterior.fits
    kept = {h: _kept(f, draws * max(w, _LEAST_SHARE)) for (h, f), w in zip(fits.items(), weights, strict=True)}
    quantities = {h: fit.quantities.each(lambda v, h=h: v.ravel()[kept[h]]) for h, fit in fits.items()}  # type: ignore[misc]
    density = _extended(posterior.density, candidates)
    layout, known = density.layout, posterior.density.layout
    planned = Counter(key for c in candidates if (key := layout.shared_error(as_observation(c))) is not None)
    private = frozenset(key for key, n in planned.items() if n == 1 and key not in known.errors)
    size = sum(map(len, kept.values()))
    rng = np.random.default_rng([posterior.seed, _SEED])
    fresh = {key: _even_normal(size, rng) for key in layout.errors if key not in known.errors}
    x, first = {}, 0
    for h, fit in fits.items():
        own = fit.x.reshape(-1, fit.x.shape[-1])[kept[h]]
        part = slice(first, first + len(own))
        errors = [
            own[:, known.first_error + known.errors[key]] if key in known.errors else fresh[key][part]
            for key in layout.errors
        ]
        x[h] = np.column_stack([own[:, : known.first_error], *errors])
        first = part.stop
    shares = np.concatenate([np.full(len(kept[h]), w / len(kept[h])) for h, w in zip(fits, weights, strict=True)])
    found = Draws(posterior, density, tuple(fits), kept, quantities, x, shares, private)
    return replace(found, labels=_labels(found, candidates, rng))


def _kept(fit: Fit, wanted: float) -> NDArray[np.int_]:
    size = fit.x.shape[0] * fit.x.shape[1]
    n = BATCHES * max(int(min(size, wanted) // BATCHES), 1)
    return np.linspace(0, size - 1, n).round().astype(int)


def _extended(density: Density, candidates: Sequence[Candidate]) -> Density:
    """The same, but that it knows the candidates as observations: for predictions alone."""
    dossier = density.spec.dossier
    spec = replace(
        density.spec,
        dossier=replace(dossier, observations=(*dossier.observations, *map(as_observation, candidates))),
    )
    return Density(spec, Layout(spec), density.machine)


def _even_normal(size: int, rng: np.random.Generator) -> Floats:
    """Standard normal numbers, one from each of as many equally probable parts, in random order."""
    return np.asarray(special.ndtri((rng.permutation(size) + rng.uniform(size=size)) / size))


# --- what came about how ------------------------------------------------------------------------------------


def _labels(draws: Draws, candidates: Sequence[Candidate], rng: np.random.Generator) -> dict[str, Floats]:
    """Whether a source is reliable, and which basis its values have, drawn where several readings share it."""
    layout, found = draws.density.layout, dict[str, Floats]()
    planned = [as_observation(c) for c in candidates for _ in range(c.count)]
    sources = Counter(layout.judged_of(o) for o in planned if o.grade)
    for o in {layout.judged_of(o): o for o in planned if o.grade and sources[layout.judged_of(o)] > 1}.values():
        chance = _chance_reliable(draws, o)
        found[layout.judged_of(o)] = (rng.uniform(size=draws.size) < chance).astype(np.float64)
    mixed = [o for o in (as_observation(c) for c in candidates) if len(draws.density.spec.method(o).basis) > 1]
    clusters = Counter(layout.cluster_of(o) for o in mixed)
    for o in {layout.cluster_of(o): o for o in mixed if clusters[layout.cluster_of(o)] > 1}.values():
        edges = np.cumsum(_chances_of_bases(draws, o), axis=0)
        chosen = (rng.uniform(size=draws.size) > edges[:-1]).sum(axis=0)
        found[repr(layout.cluster_of(o))] = (chosen == np.arange(len(edges))[:, None]).astype(np.float64)
    return found


def _chance_reliable(draws: Draws, o: Observation) -> Floats:
    """Probability that a reading's source is reliable, given what it said before, in each draw [1], dims ("draw",)."""
    layout, judged = draws.posterior.density.layout, draws.density.layout.judged_of(o)
    if judged not in layout.judged:
        stated = draws.density.spec.model.grades["reliability"][o.grade[0]] if o.grade else 1.0
        return np.full(draws.size, float(stated))
    place = layout.slots[f"judged.{layout.judged[judged]}.unreliable"]
    return np.concatenate([_share(draws, h, draws.fit(h).dials, place) for h in draws.hypotheses])


def _chances_of_bases(draws: Draws, o: Observation) -> Floats:
    """Probability of each basis, given what the same source said before, dims ("basis", "draw") [1]."""
    known, key = draws.posterior.density.layout, draws.density.layout.cluster_of(o)
    chances = draws.density.chances_of_bases(o)
    if key not in known.clusters:
        return np.outer(list(chances.values()), np.ones(draws.size))
    before = known.clustered[key][0].id
    rows = [
        np.concatenate([_share(draws, h, replace(draws.fit(h).dials, basis={before: b})) for h in draws.hypotheses])
        for b in chances
    ]
    return np.asarray(np.array(rows) / np.sum(rows, axis=0))


def _share(draws: Draws, hypothesis: str, dials: Dials, never: int | None = None) -> Floats:
    """What part of the density is due to dials that leave something out, or to all but what is said never to be."""
    density, x = draws.posterior.density, draws.known_x(hypothesis)
    packed = density.pack(dials)
    if never is not None:
        packed[never] = -math.inf
    whole = density.log_densities(x, density.pack(draws.fit(hypothesis).dials))
    return np.minimum(np.exp(density.log_densities(x, packed) - whole), 1.0)


# --- how it would be read -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outlook:
    """How a candidate would scatter in each draw.

    ``mu`` and ``u`` [unit of the method; for lognormal of logarithms], and ``chances`` [1] of each basis: dims
    ("basis", "draw"). ``right`` [1] is the chance that a reading is right rather than simply wrong, dims ("draw",).
    ``count`` readings are taken; ``is_whole`` says that one number, such as their mean, says all that they tell.
    """

    observation: Observation
    family: str
    mu: Floats
    u: Floats
    chances: Floats
    right: Floats
    wrong: Prior | None
    nu: float | None
    trials: float
    count: int
    is_whole: bool

    def log_density(self, y: Floats, *, moved: Floats | float = 0.0) -> Floats:
        """Log density of readings y, dims ("outcome",), in each draw moved so far; dims ("draw", "outcome")."""
        parts = [np.log(p)[:, None] + self.log_right(y, b, moved=moved) for b, p in enumerate(self.chances) if p.any()]
        whole = np.logaddexp.reduce(parts)
        if self.wrong is None:
            return np.asarray(whole)
        with np.errstate(divide="ignore"):
            right, astray = np.log(self.right)[:, None], np.log1p(-self.right)[:, None]
        return np.asarray(np.logaddexp(right + whole, astray + self.log_wrong(y, moved=moved)))

    def log_right(self, y: Floats, basis: int, *, moved: Floats | float = 0.0) -> Floats:
        """The same of a right reading on one basis."""
        mu, u = (self.mu[basis] - moved)[:, None], self.u[basis][:, None]
        match self.family:
            case "poisson":
                return np.asarray(special.xlogy(y, mu) - mu - special.gammaln(y + 1))
            case "binomial":
                return np.asarray(
                    special.xlogy(y, mu) + special.xlog1py(self.trials - y, -mu)
                    + special.gammaln(self.trials + 1) - special.gammaln(y + 1) - special.gammaln(self.trials - y + 1)
                )  # fmt: skip
            case "beta":
                size = np.maximum(mu * (1 - mu) / u**2 - 1, 1e-6)
                a, b = mu * size, (1 - mu) * size
                ends = special.xlogy(a - 1, y) + special.xlog1py(b - 1, -y)
                return np.asarray(ends + special.gammaln(size) - special.gammaln(a) - special.gammaln(b))
            case "serial":
                return np.where(y <= mu, -np.log(mu), -np.inf)
            case "student_t":
                nu = self.nu or 1.0
                tail = -0.5 * (nu + 1) * np.log1p(((y - mu) / u) ** 2 / nu)
                return np.asarray(tail - np.log(u) + log_norm("student_t", nu))
        return np.asarray(-0.5 * ((y - mu) / u) ** 2 - np.log(u) + log_norm("normal", None))

    def log_wrong(self, y: Floats, *, moved: Floats | float = 0.0) -> Floats:
        """The same of a reading that is simply wrong, dims ("draw" or 1, "outcome")."""
        assert self.wrong is not None  # noqa: S101 - asked for where there is one
        at = y + (moved[:, None] if isinstance(moved, np.ndarray) else moved)
        at = at if at.ndim > 1 else at[None, :]
        if self.family != "lognormal":
            return log_density_of_values(self.wrong, at)
        return np.asarray(log_density_of_values(self.wrong, np.exp(at)) + at)


def look(draws: Draws, candidate: Candidate, *, times: int = 1) -> Outlook:
    """How a candidate would scatter in each draw, if it is made so many times."""
    o, density = as_observation(candidate), draws.density
    method, layout, count = density.spec.method(o), density.layout, candidate.count * times
    likelihood = method.likelihood
    names = [b.name for b in method.basis] or [""]
    key, place = layout.shared_error(o), -1
    if key is not None:
        place = layout.first_error + layout.errors[key]
    located = likelihood.family in ("normal", "lognormal")
    drawn = [_predict(draws, o, name, None) for name in names]
    u = np.array([d[1] for d in drawn])
    is_whole = count == 1 or likelihood.is_count or (
        located and o.grade is None and (likelihood.u is None or _is_same(u))
    )  # fmt: skip
    if is_whole and located:
        u = u / math.sqrt(count)
        if key in draws.private and method.shared is not None:  # nobody else's error is integrated out
            drawn = [_predict(draws, o, name, place) for name in names]
            share = method.shared.u
            if method.shared.relative and likelihood.family == "normal":
                u = np.hypot(u, share * np.array([d[0] for d in drawn]))
            else:
                u = np.hypot(u, share)
    mu = np.array([d[0] for d in drawn])
    with np.errstate(all="ignore"):
        mu = np.log(mu) if likelihood.family == "lognormal" else count * mu if likelihood.family == "poisson" else mu
    chances = draws.labels.get(repr(layout.cluster_of(o)))
    if chances is None:
        chances = _chances_of_bases(draws, o) if len(names) > 1 else np.ones((1, draws.size))
    n = trials(density, o) * (count if likelihood.family == "binomial" else 1)
    wrong = method.wrong if o.grade else None
    return Outlook(
        o, likelihood.family, mu, u, chances, _right(draws, o), wrong, likelihood.nu, n, count, bool(is_whole)
    )


def _is_same(u: Floats) -> bool:
    return bool(np.ptp(u) <= 1e-9 * np.max(np.abs(u)))


def _predict(draws: Draws, o: Observation, basis: str, without: int | None) -> tuple[Floats, Floats]:
    """Prediction and u in all draws, dims ("draw",), one of the errors set at 0."""
    found = []
    for h in draws.hypotheses:
        x = draws.x[h]
        if without is not None:
            x = x.copy()
            x[:, without] = 0.0
        found.append(predict(draws.density, o, draws.quantities[h], x, basis=basis))
    return np.concatenate([m for m, _ in found]), np.concatenate([u for _, u in found])


def _right(draws: Draws, o: Observation) -> Floats:
    """Chance that a reading is right rather than simply wrong, in each draw. [1]"""
    if o.grade is None:
        return np.ones(draws.size)
    reliable = draws.labels.get(draws.density.layout.judged_of(o))
    if reliable is None:
        reliable = _chance_reliable(draws, o)
    return np.asarray(reliable * float(draws.density.spec.model.grades["credibility"][o.grade[1]]))


# --- channels -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Channel:
    """The chance of every outcome in each draw.

    ``chances`` dims ("draw", "outcome") [1], rows summing to 1: the probability of a count, or of a reading about one
    of ``y`` [as the outlook has it], of which each stands for a ``width``. Simulated outcomes instead have columns that
    sum to 1 over their number by ``weights``; ``made_by`` says which draw made each, and has no say in it.
    """

    chances: Floats
    width: Floats
    y: Floats | None = None
    made_by: NDArray[np.int_] | None = None

    @property
    def is_ordered(self) -> bool:
        """Whether outcomes next to each other are like each other, with more of them between."""
        return self.y is not None


def channel(draws: Draws, outlook: Outlook) -> Channel:
    """What may be read, and how probable it is in each draw."""
    if not outlook.is_whole:
        return _simulated(draws, outlook)
    if outlook.family == "serial":
        return _serial(draws, outlook)
    if outlook.family in ("poisson", "binomial"):
        y, width = _counts(outlook)
        return Channel(_tabulate(outlook, y, width), width, y if width[0] > 1 else None)
    y, width = _values(outlook, outlook.mu)
    return Channel(_tabulate(outlook, y, width), width, y)


def centred(outlook: Outlook, moved: Floats) -> Channel:
    """The same of the reading less ``moved`` [as the outlook has it], a number for each draw, dims ("draw",)."""
    y, width = _values(outlook, outlook.mu - moved)
    return Channel(_tabulate(outlook, y, width, moved=moved), width, y)


def can_be_centred(outlook: Outlook) -> bool:
    """Whether moving the prediction only moves the reading, and one number is read."""
    return outlook.is_whole and outlook.family in _LOCATED


def nearly_normal(outlook: Outlook) -> Outlook:
    """The same with a normal reading of the same mean and sd, where a share or a count is so sharp."""
    if outlook.family not in _NEARLY or not outlook.is_whole or outlook.wrong is not None:
        return outlook
    mu, u = outlook.mu, outlook.u
    with np.errstate(all="ignore"):
        if outlook.family == "poisson":
            size, u = mu, np.sqrt(mu)
        elif outlook.family == "binomial":
            mu, u = outlook.trials * mu, np.sqrt(outlook.trials * mu * (1 - mu))
            size = u**2
        else:
            size = np.minimum(mu, 1 - mu) * (mu * (1 - mu) / u**2 - 1)
    return replace(outlook, family="normal", mu=mu, u=u) if np.nanquantile(size, 0.1) > _MANY else outlook


def _tabulate(outlook: Outlook, y: Floats, width: Floats, *, moved: Floats | float = 0.0) -> Floats:
    """Chances of the outcomes; what a draw gives no outcome any chance goes to the nearest."""
    log_width = np.log(width)
    whole = 0.0
    for b, p in enumerate(outlook.chances):
        whole = whole + p[:, None] * _normalised(outlook.log_right(y, b, moved=moved) + log_width)
    if outlook.wrong is None:
        return np.asarray(whole)
    astray = _normalised(outlook.log_wrong(y, moved=moved) + log_width)
    return np.asarray(outlook.right[:, None] * whole + (1 - outlook.right)[:, None] * astray)


def _normalised(logs: Floats) -> Floats:
    """Chances from logarithms, along the last axis; all the same where none is finite."""
    top = np.max(logs, axis=-1, keepdims=True)
    if not np.all(np.isfinite(top)):
        logs = np.where(np.isfinite(top), logs, 0.0)
        top = np.where(np.isfinite(top), top, 0.0)
    chances = np.exp(logs - top)
    chances /= chances.sum(axis=-1, keepdims=True)
    return np.asarray(chances)


def _values(outlook: Outlook, mu: Floats) -> tuple[Floats, Floats]:
    """Values that are told apart, close where most readings fall, and how wide a range each stands for."""
    finite = np.isfinite(mu) & (outlook.u > 0)
    m, u = mu[finite], outlook.u[finite]
    if outlook.family == "beta":
        lower, upper = max(float(np.min(m - 8 * u)), 0.0), min(float(np.max(m + 8 * u)), 1.0)
        edges = np.linspace(lower, upper, _NODES // 2 + 1)
        return (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    small = float(np.quantile(u, 0.05))
    lower, upper = float(np.quantile(m - _REACH * u, 0.002)), float(np.quantile(m + _REACH * u, 0.998))
    step = max(_STEP * small * (0.5 if outlook.wrong else 1.0), (upper - lower) / _NODES)
    core = np.arange(lower, upper + step, step)
    far = _FAR * float(np.median(u)) if outlook.family == "student_t" else 0.0
    below = core[0] - _tail(core[0] - (float(np.min(m)) - max(far, _REACH * small)), step)
    above = core[-1] + _tail((float(np.max(m)) + max(far, _REACH * small)) - core[-1], step)
    y = np.concatenate([below[::-1], core, above])
    if outlook.wrong is not None:
        read = outlook.wrong.ppf(np.linspace(0.0025, 0.9975, 200))
        read = np.log(read[read > 0]) if outlook.family == "lognormal" else read
        y = np.unique(np.concatenate([y, read[(read < y[0]) | (read > y[-1])]]))
    gaps = np.diff(y)
    return y, np.concatenate([gaps[:1], gaps[1:] + gaps[:-1], gaps[-1:]]) / 2


def _tail(reach: float, step: float) -> Floats:
    """Distances that grow from a step on until they reach so far."""
    if reach <= 0:
        return np.empty(0)
    n = math.ceil(math.log1p(reach * (_GROWTH - 1) / step) / math.log(_GROWTH))
    return np.asarray(step * np.cumsum(_GROWTH ** np.arange(n)))


def _counts(outlook: Outlook) -> tuple[Floats, Floats]:
    """Counts that are told apart: each one, or runs of several where there are too many."""
    mu = outlook.mu[np.isfinite(outlook.mu)]
    ends = np.array([max(float(mu.min()), 0.0), float(mu.max())])
    middle = ends if outlook.family == "poisson" else outlook.trials * ends
    away = 6 * np.sqrt(middle) + 8
    lower, upper = max(math.floor(middle[0] - away[0]), 0), math.ceil(middle[1] + away[1])
    if outlook.family == "binomial":
        upper = min(upper, round(outlook.trials))
    stride = max(1, math.ceil((upper - lower + 1) / _NODES))
    y = np.arange(lower, upper + 1, stride, dtype=np.float64)
    return np.minimum(y + (stride - 1) / 2, upper), np.full(len(y), float(stride))


def _serial(draws: Draws, outlook: Outlook) -> Channel:
    """The greatest of so many further numbers, which says all that they tell of how many there are."""
    o, total = outlook.observation, outlook.mu[0]
    seen = [p.value for p in draws.posterior.spec.evidence if p.method == o.method and p.at == o.at]
    known, before = max(seen, default=0.0), len(seen)
    above = np.fmax(total, known)
    parts = np.geomspace(max(float(above.min()), 1.0), max(float(above.max()), 1.0), _NODES // 2)  # for the tail
    edges = np.unique(np.concatenate([[known], np.quantile(above, np.linspace(0, 1, _NODES // 2)), parts]))
    below = np.ones((len(total), len(edges)))
    for j in range(before, before + outlook.count):  # drawn without putting back
        left = np.minimum(edges, total[:, None]) - j
        below *= np.clip(left / np.maximum(total[:, None] - j, _ENDED), 0.0, 1.0)
    chances = np.diff(below, axis=1, prepend=0.0)
    return Channel(chances, np.ones(chances.shape[1]))


def _simulated(draws: Draws, outlook: Outlook) -> Channel:
    """Sets of readings made by draws chosen by weight, each judged by all other draws."""
    rng = np.random.default_rng([draws.posterior.seed, _SEED, outlook.count])
    made_by = systematic(draws.weights, _OUTCOMES)
    logs = np.zeros((draws.size, len(made_by)))
    for _ in range(outlook.count):
        logs += outlook.log_density(_readings(draws, outlook, made_by, rng))
    logs[made_by, np.arange(len(made_by))] = -np.inf
    chances = np.exp(logs - logs.max(axis=0))
    chances /= draws.weights @ chances * len(made_by)
    return Channel(chances, np.ones(len(made_by)), made_by=made_by)


def systematic(weights: Floats, size: int) -> NDArray[np.int_]:
    """Draws that stand for the whole, evenly spread over it by weight."""
    edges = np.cumsum(weights)
    at = np.searchsorted(edges, (np.arange(size) + 0.5) / size * edges[-1])
    found: NDArray[np.int_] = np.minimum(at, len(weights) - 1)
    return found


def _readings(draws: Draws, outlook: Outlook, made_by: NDArray[np.int_], rng: np.random.Generator) -> Floats:
    """A reading of each of some draws, dims ("outcome",)."""
    chances = np.cumsum(outlook.chances[:, made_by], axis=0)
    basis = np.minimum((rng.uniform(size=len(made_by)) > chances).sum(axis=0), len(chances) - 1)
    mu, u = outlook.mu[basis, made_by], outlook.u[basis, made_by]
    scatter: Any = np.exp(mu) if outlook.family == "lognormal" else mu
    reading = simulate(draws.density, outlook.observation, scatter, u, rng)
    if outlook.wrong is not None:
        astray = rng.uniform(size=len(made_by)) > outlook.right[made_by]
        reading = np.where(astray, outlook.wrong.ppf(rng.uniform(size=len(made_by))), reading)
    return np.log(reading) if outlook.family == "lognormal" else reading
