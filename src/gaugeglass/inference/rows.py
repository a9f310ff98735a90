"""The readings as the tables of numbers that a compiled density runs over."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from gaugeglass.inference.layout import CONDENSED, Block, Layout
from gaugeglass.inference.likelihoods import SCALED
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.families import Prior
from gaugeglass.language.spec import Observation

type Floats = NDArray[np.float64]

_HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)


@dataclass(frozen=True)
class Rows:
    """The readings of one block: ``table`` dims ("row", "column"), ``segments`` [first and number of rows, indices]."""

    block: Block
    readings: tuple[Observation, ...]
    table: Floats
    segments: tuple[tuple[int, ...], ...]

    @cached_property
    def ids(self) -> tuple[str, ...]:
        """The ids of the readings, in the order of the rows."""
        return tuple(o.id for o in self.readings)

    @cached_property
    def place(self) -> dict[str, int]:
        """The row of each reading."""
        return {i: k for k, i in enumerate(self.ids)}

    def column(self, name: str) -> int:
        """The place of a column."""
        return self.block.columns.index(name)


def rows_of(layout: Layout, block: Block) -> Rows:
    """The readings of a block, those next to each other that share what is measured."""
    chosen = [o for o in layout.spec.evidence if layout.kind_of(o) == block.kind]
    keys = {o.id: tuple(_indices(layout, block, o)) for o in chosen}
    chosen.sort(key=lambda o: keys[o.id])
    table = np.array([row_of(layout, block, o) for o in chosen], dtype=np.float64)
    starts = [k for k, o in enumerate(chosen) if k == 0 or keys[o.id] != keys[chosen[k - 1].id]]
    ends = [*starts[1:], len(chosen)]
    blank = (0, 0, 0, 1) if block.condensed else ()
    segments = tuple((a, b - a, *keys[chosen[a].id], *blank) for a, b in zip(starts, ends, strict=True))
    return Rows(block, tuple(chosen), table, segments)


def moved(o: Observation, by: float) -> Observation:
    """The same observation with its reading moved [unit of the method]."""
    return replace(o, value=o.value + by, lower=o.lower + by, upper=o.upper + by)


def _indices(layout: Layout, block: Block, o: Observation) -> Iterator[int]:
    for name in block.header[2:]:
        match name:
            case _ if name in CONDENSED:
                return
            case "shared.error":
                key = layout.shared_error(o)
                yield layout.errors[key] if key is not None else 0
            case "mixed.cluster":
                yield layout.clusters[layout.cluster_of(o)]
            case "mixed.judged":
                yield layout.judged[layout.judged_of(o)]
            case group:
                yield layout.spec.members[group].index(o.at[group])


def row_of(layout: Layout, block: Block, o: Observation) -> list[float]:
    """The numbers of one reading, in the order of its block's columns."""
    kind, method = block.kind, layout.method(block.kind)
    log = method.likelihood.family == "lognormal"
    stated = math.nan if o.u is None else o.u
    if kind.is_points:
        y = math.log(o.value) if log else o.value
        row = [y, stated, 1.0, _norm(layout, block, o)]
    else:
        row = [*([log_or_never(o.lower), log_or_never(o.upper)] if log else [o.lower, o.upper]), stated, 1.0]
    row += [o.inputs[i.name] for i in method.inputs]
    for entry in method.inputs if kind.inexact else ():
        row += _inexact(layout, kind.inexact, o, entry.name)
    if kind.joint:
        row += _joint(layout, kind.joint, o)
    if method.likelihood.family == "binomial":
        row.append(_trials(layout, o))
    if method.likelihood.family == "serial":
        row.append(0.0)
    if kind.is_mixed:
        row += _chances(layout, o, method.wrong)
    return row


def _inexact(layout: Layout, inexact: str, o: Observation, name: str) -> list[float]:
    held = o.inexact.get(name)
    if inexact == "linear":
        return [held.standard if held else 0.0]
    place = layout.errors.get(("input", o.id, name), 0)
    return [place, (held.u or 0.0) if held else 0.0, (held.half or 0.0) if held else 0.0]


def _joint(layout: Layout, size: int, o: Observation) -> Iterator[float]:
    """What is left of a correlated error, and the errors in common, of which the last stand for none."""
    loads = layout.loads[o.id]
    yield math.sqrt(1 - sum(load**2 for _, load in loads))
    for first, load in (*loads, *[(loads[0][0], 0.0)] * (size - len(loads))):
        yield from (layout.errors["correlated", first], load)


def _trials(layout: Layout, o: Observation) -> float:
    tree = layout.spec.method(o).likelihood.trials
    return float(evaluate(tree, {**layout.spec.givens, **o.inputs})) if tree is not None else math.nan


def _norm(layout: Layout, block: Block, o: Observation) -> float:
    """What the log density of a point lacks that depends on neither prediction nor a scatter that is inferred."""
    method, kind = layout.method(block.kind), block.kind
    match method.likelihood.family:
        case "poisson":
            return -math.lgamma(o.value + 1)
        case "binomial":
            n = _trials(layout, o)
            return math.lgamma(n + 1) - math.lgamma(o.value + 1) - math.lgamma(n - o.value + 1)
        case family if family not in SCALED:
            return 0.0
    is_number = method.likelihood.u is None and kind.inexact != "linear" and not kind.joint
    norm = log_norm(method.likelihood.family, method.likelihood.nu) - (math.log(o.u or math.nan) if is_number else 0.0)
    return norm - (math.log(o.value) if method.likelihood.family == "lognormal" else 0.0)


def log_norm(family: str, nu: float | None) -> float:
    """The constant of a log-likelihood that depends on neither reading nor u."""
    if family != "student_t":
        return -_HALF_LOG_2PI
    nu = nu or 0.0
    return float(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2)) - 0.5 * math.log(nu * math.pi)


def log_or_never(value: float) -> float:
    """The log of a chance or of an end of an interval; minus infinity from 0 down."""
    return math.log(value) if value > 0 else -math.inf


def _chances(layout: Layout, o: Observation, wrong: Prior | None) -> list[float]:
    """Logs: a reliable source's reading is right; it is not, and what is read then; the latter alone."""
    if o.grade is None or wrong is None:
        return [0.0, -math.inf, 0.0]
    right = layout.spec.model.grades["credibility"][o.grade[1]]
    read = log_wrong(wrong, o)
    return [log_or_never(right), log_or_never(1 - right) + read, read]


def reliability(layout: Layout, o: Observation) -> float:
    """The chance that an observation's source is reliable. [1]"""
    return float(layout.spec.model.grades["reliability"][o.grade[0]]) if o.grade else 1.0


def log_wrong(prior: Prior, o: Observation) -> float:
    """Log density of a wrong reading where one was read, or the log probability of the interval."""
    if o.is_point:
        return float(log_density_of_values(prior, np.array([o.value]))[0])
    return log_or_never(_below(prior, o.upper) - _below(prior, o.lower))


def _below(prior: Prior, v: float) -> float:
    """Probability of less than a value, as that of which it is the quantile. [1]"""
    lower, upper = prior.bounds
    if not lower < v < upper:
        return float(v >= upper)

    def above(q: float) -> float:
        return float(prior.ppf(q)) - v if 0 < q < 1 else q - 0.5

    with np.errstate(all="ignore"):
        from scipy import optimize

        return float(optimize.bisect(above, 0.0, 1.0, xtol=1e-300, rtol=1e-15, maxiter=2000))


def log_density_of_values(prior: Prior, v: Floats) -> Floats:
    """Log density of a prior over the quantity's own scale; minus infinity beyond its bounds."""
    lower, upper = prior.bounds
    with np.errstate(all="ignore"):
        t = prior.unconstrained(v)
        names = {"t": t, "v": v, "below": -np.logaddexp(0, -t), "above": -np.logaddexp(0, t)}
        density = evaluate(prior.row.kernel, {**prior.values, **names}) + prior.log_normaliser
        match prior.row.support:
            case "above":
                density = density - np.log(v - lower)
            case "below":
                density = density - np.log(upper - v)
            case "between":
                density = density - math.log(upper - lower) - names["below"] - names["above"]
    return np.where((v > lower) & (v < upper), density, -np.inf)


def counted_before(powers: Sequence[float]) -> list[float]:
    """For each serial number how many that count were drawn before it."""
    before, found = 0, []
    for power in powers:
        found.append(float(before))
        before += power > 0
    return found
