"""The best set of candidates within a budget, chosen greedily, gains reckoned anew given those chosen.

What those chosen would read is simulated from draws spread over the posterior; every other draw judges it, and what the
next candidate adds is then exact over its own reading, each outcome told from the next: a sharp reading has many of
them, and few for each draw, so that only those are kept. Few draws agree with much that is known: how many are left is
said, and where they are too few nothing more is added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.expectations import Target, information, standardised
from gaugeglass.judgement.outlooks import BATCHES, Channel, Draws, Outlook, channel, systematic
from gaugeglass.judgement.rankings import LEAST_BITS, LEAST_NATS, BestSet, Expected, Step
from gaugeglass.language.late import Late
from gaugeglass.language.spec import Candidate

sparse = Late("scipy.sparse")

_SIMULATED = 100
"""What those chosen would read is simulated so many times. [1]"""
_FEWEST = 200.0
"""Draws that must be left to judge by, on average. [1]"""
_ERRORS = 3.0
"""Monte Carlo errors by which a candidate has to be seen to add: the best of several noisy gains is taken. [1]"""
_POOLED = 30.0
"""Draws that scatter is taken from at least: outcomes next to each other have one scatter where they have fewer. [1]"""
_IMPOSSIBLE = 1e-12
"""Chance of an outcome in a draw that is left out. [1]"""
_SPARSE = 0.2
"""Share of the chances that are kept up to which it is worth to skip the others. [1]"""
_LEAST = 1e-300
_SEED = 0x5E7


@dataclass(frozen=True)
class Option:
    """A candidate with a cost, and how it would scatter."""

    candidate: Candidate
    outlook: Outlook

    @property
    def name(self) -> str:
        """The candidate's name."""
        return self.candidate.name

    @property
    def cost(self) -> float:
        """What it costs."""
        return self.candidate.cost or 0.0


def choose(draws: Draws, target: Target, options: Sequence[Option], budget: float, *, by_claim: bool) -> BestSet:
    """The best set within a budget, each time the candidate that adds most for its cost."""
    about, least = ("claim", LEAST_BITS) if by_claim else ("quantity", LEAST_NATS)
    known = _Known.nothing(draws, target, by_claim=by_claim)
    channels = {o.name: _table(draws, o) for o in options}
    left, steps, spent, total = list(options), list[Step](), 0.0, Expected(0.0, 0.0)
    ended = "nothing is left"
    while left:
        left = [o for o in left if spent + o.cost <= budget * (1 + 1e-12)]
        if not left:
            ended = "nothing that is left is within the budget"
            break
        gains = {o.name: known.gain(channels[o.name]) for o in left}
        telling = [o for o in left if gains[o.name].value > max(least, _ERRORS * gains[o.name].mcse)]
        if not telling:
            ended = "nothing that is left is seen to add anything"
            break
        best = max(telling, key=lambda o: _for_cost(gains[o.name].value, o.cost))
        gain, spent = gains[best.name], spent + best.cost
        total = Expected(total.value + gain.value, math.hypot(total.mcse, gain.mcse))
        steps.append(Step(best.name, gain, total, spent, known.effective))
        known, left = known.having(channel(draws, best.outlook)), [o for o in left if o is not best]
        if left and known.effective < _FEWEST:
            ended = (
                f"too few draws would be left to judge by: of {draws.size}, {known.effective:.0f} agree with what is "
                "known by then, on average"
            )
            break
    return BestSet(budget, about, tuple(steps), ended)


def _for_cost(gain: float, cost: float) -> tuple[float, float]:
    return (gain / cost if cost > 0 else math.inf, gain)


@dataclass(frozen=True)
class _Table:
    """The chance of every outcome in each draw, dims ("draw", "outcome"): the sum of two parts.

    ``told`` is in sparse form where most of it is 0; ``alike``, dims ("outcome",), is common to all draws but for the
    factor ``astray``, dims ("draw",), as of a reading that is simply wrong.
    """

    told: Any
    astray: Floats
    alike: Floats

    def times(self, weights: Floats, part: slice) -> Floats:
        """Sums over a run of draws of weights times the chances, dims (..., "draw") to (..., "outcome")."""
        found = _product(weights, self.told[part])
        return found + (weights @ self.astray[part])[..., None] * self.alike if self.alike.any() else found

    def squares(self, weights: Floats, part: slice) -> Floats:
        """The same of the squares of weights and chances."""
        own, told, astray = weights**2, self.told[part], self.astray[part]
        found = _product(own, told * told)
        if not self.alike.any():
            return found
        return found + self.alike * (2 * _product(own * astray, told) + (own @ astray**2)[..., None] * self.alike)


def _product(weights: Floats, told: Any) -> Floats:
    """Dims (..., "draw") by ("draw", "outcome"), which may be sparse."""
    flat = told.T @ weights.reshape(-1, weights.shape[-1]).T
    return np.asarray(flat).T.reshape(*weights.shape[:-1], -1)


def _table(draws: Draws, option: Option) -> _Table:
    told, astray = channel(draws, option.outlook), 1 - option.outlook.right
    chances, alike = told.chances, np.zeros(told.chances.shape[1])
    if told.y is not None and astray.any():
        is_mixed = astray > 0
        alike = np.min(chances[is_mixed] / astray[is_mixed, None], axis=0)
        chances = chances - astray[:, None] * alike
    kept = chances > _IMPOSSIBLE
    return _Table(sparse.csr_array(chances * kept) if kept.mean() < _SPARSE else chances, astray, alike)


@dataclass(frozen=True)
class _Known:
    """Draws and how much each counts once a set has been read, dims ("outcome", "draw"), over what may be read.

    ``made_by`` says which draw made each of the simulated readings of the set, and has no say in it.
    """

    draws: Draws
    what: Floats
    by_claim: bool
    logs: Floats
    made_by: NDArray[np.int_]
    chosen: int

    @staticmethod
    def nothing(draws: Draws, target: Target, *, by_claim: bool) -> _Known:
        one = np.ones(draws.size)
        z = standardised(target.quantity, draws.weights)
        what = np.stack([one, target.claim] if by_claim and target.claim is not None else [one, z, z**2])
        logs = np.log(np.maximum(draws.weights, _LEAST))[None, :]
        return _Known(draws, what, by_claim, logs, np.array([-1]), 0)

    @property
    def weights(self) -> Floats:
        """How much each draw counts, dims ("outcome", "draw"), summing to 1."""
        found = np.exp(self.logs - self.logs.max(axis=1, keepdims=True))
        return np.asarray(found / found.sum(axis=1, keepdims=True))

    @property
    def effective(self) -> float:
        """Effective number of draws, on average over what may be read. [1]"""
        return float(np.mean(1 / np.sum(self.weights**2, axis=1)))

    def having(self, told: Channel) -> _Known:
        """What is known once one more has been read as well."""
        rng = np.random.default_rng([self.draws.posterior.seed, _SEED, self.chosen])
        logs, made_by = self.logs, self.made_by
        if self.chosen == 0:
            made_by = systematic(self.draws.weights, _SIMULATED)
            logs = np.repeat(logs, len(made_by), axis=0)
            logs[np.arange(len(made_by)), made_by] = -np.inf
        own = np.cumsum(told.chances[made_by], axis=1)
        at = rng.uniform(size=len(made_by)) * own[:, -1]
        outcome = np.minimum((own < at[:, None]).sum(axis=1), own.shape[1] - 1)
        with np.errstate(divide="ignore"):
            logs = logs + np.log(told.chances[:, outcome].T)
        return _Known(self.draws, self.what, self.by_claim, logs, made_by, self.chosen + 1)

    def gain(self, told: _Table) -> Expected:
        """What one more reading is expected to add, and its Monte Carlo error."""
        weights, batches = self.weights, zip(*self.draws.parts, strict=True)
        parts = np.array([sum(self._sums(told, weights[:, s], s) for s in batch) for batch in batches])
        whole = parts.sum(axis=0)
        sums = np.concatenate([whole[None], whole - parts])
        each = information(sums[:, 0], sums[:, 1]) if self.by_claim else _fall(sums)
        without = np.array([self._mean(each[1 + b], b) for b in range(BATCHES)])
        value = BATCHES * each[0].mean() - (BATCHES - 1) * without.mean()
        return Expected(float(max(value, 0.0)), math.sqrt((BATCHES - 1) * float(np.var(without))))

    def _sums(self, told: _Table, weights: Floats, part: slice) -> Floats:
        """Sums over a run of draws, dims ("what", "outcome" of the set, "outcome" of the next)."""
        found = told.times(weights * self.what[:, None, part], part)
        return found if self.by_claim else np.concatenate([found, told.squares(weights[None], part)])

    def _mean(self, each: Floats, batch: int) -> float:
        """The mean over readings of the set that draws of other batches made."""
        kept = self.draws.batch[self.made_by] != batch if self.chosen else np.ones(1, dtype=bool)
        return float(each[kept].mean())


def _fall(sums: Floats) -> Floats:
    """Expected fall of the log of the sd of something standardised [nat], dims ("replicate", "outcome" of the set).

    An outcome leaves a scatter as that of a sample is, of so many draws as speak for it in effect. Outcomes next to
    each other share one where too few do.

    Parameters
    ----------
    sums : dims ("replicate", "what", "outcome" of the set, "outcome" of the next)
        Of weights, of weights times it and times its square, and of their squares; the first replicate has all draws.
    """
    p, first, second, squares = np.moveaxis(sums, 1, 0)
    is_there = p > _LEAST
    safe = np.where(is_there, p, 1.0)
    apart = np.where(is_there, np.maximum(second - first**2 / safe, 0.0), 0.0)
    free = np.where(is_there, np.maximum(p - squares / safe, 0.0), 0.0)
    size = np.maximum(p.sum(axis=-1), _LEAST)
    now = np.maximum(second.sum(axis=-1) / size - (first.sum(axis=-1) / size) ** 2, _LEAST)
    first_of_pool = _begins(p[0] ** 2 / np.maximum(squares[0], _LEAST))
    pools, rows = np.flatnonzero(first_of_pool), first_of_pool.sum(axis=-1)
    share, apart, free = (np.add.reduceat(v.reshape(len(v), -1), pools, axis=-1) for v in (p, apart, free))
    then = np.where(free > _LEAST, apart / np.maximum(free, _LEAST), np.repeat(now, rows, axis=-1))
    left = np.add.reduceat(share * np.log(np.maximum(then, _LEAST)), np.cumsum(rows) - rows, axis=-1)
    return np.asarray((np.log(now) - left / size) / 2)


def _begins(speaking: Floats) -> NDArray[np.bool_]:
    """Where a pool begins, from how many draws speak for each outcome; dims ("outcome" of the set, "outcome")."""
    until = np.cumsum(speaking, axis=-1)
    pool = np.minimum((until - speaking / 2) // _POOLED, np.maximum(until[:, -1:] // _POOLED - 1, 0))
    return np.diff(pool, axis=-1, prepend=-1) > 0
