"""The best set of candidates within a budget, chosen greedily, gains reckoned anew given those chosen.

What those chosen would read is simulated from draws spread over the posterior; every other draw judges it, and what the
next candidate adds is then exact over its own reading. Few draws agree with much that is known: how many are left is
said, and where they are too few nothing more is added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.expectations import Target, information, standardised
from gaugeglass.judgement.outlooks import BATCHES, Channel, Draws, Outlook, channel, systematic
from gaugeglass.judgement.rankings import LEAST_BITS, LEAST_NATS, BestSet, Expected, Step
from gaugeglass.language.spec import Candidate

_SIMULATED = 100
"""What those chosen would read is simulated so many times. [1]"""
_FEWEST = 200.0
"""Draws that must be left to judge by, on average. [1]"""
_ERRORS = 3.0
"""Monte Carlo errors by which a candidate has to be seen to add: the best of several noisy gains is taken. [1]"""
_MOST_NODES = 100
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
    channels = {o.name: _coarse(channel(draws, o.outlook)) for o in options}
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
        known, left = known.having(channels[best.name]), [o for o in left if o is not best]
        if left and known.effective < _FEWEST:
            ended = (
                f"too few draws would be left to judge by: of {draws.size}, {known.effective:.0f} agree with what is "
                "known by then, on average"
            )
            break
    return BestSet(budget, about, tuple(steps), ended)


def _for_cost(gain: float, cost: float) -> tuple[float, float]:
    return (gain / cost if cost > 0 else math.inf, gain)


def _coarse(told: Channel) -> Channel:
    """The same with fewer outcomes: those next to each other are not told apart."""
    n = told.chances.shape[1]
    stride = math.ceil(n / _MOST_NODES)
    if stride == 1 or not told.is_ordered:
        return told
    starts = np.arange(0, n, stride)
    return Channel(
        np.add.reduceat(told.chances, starts, axis=1), np.add.reduceat(told.width, starts), told.width[starts]
    )


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

    def gain(self, told: Channel) -> Expected:
        """What one more reading is expected to add, and its Monte Carlo error."""
        weights = self.weights
        parts = []
        for batch in zip(*self.draws.parts, strict=True):
            parts.append(sum(_times(self.what, weights, told, s) for s in batch))
        by_batch = np.array(parts)
        whole = by_batch.sum(axis=0)
        each = self._gains(np.concatenate([whole[None], whole - by_batch]))
        without = np.array([self._mean(each[1 + b], b) for b in range(BATCHES)])
        value = BATCHES * each[0].mean() - (BATCHES - 1) * without.mean()
        return Expected(float(max(value, 0.0)), math.sqrt((BATCHES - 1) * float(np.var(without))))

    def _mean(self, each: Floats, batch: int) -> float:
        """The mean over readings of the set that draws of other batches made."""
        kept = self.draws.batch[self.made_by] != batch if self.chosen else np.ones(1, dtype=bool)
        return float(each[kept].mean())

    def _gains(self, sums: Floats) -> Floats:
        """Gains for each reading of the set, dims (..., "outcome" of the set), from dims ("what", ..., "outcome")."""
        if self.by_claim:
            return information(sums[:, 0], sums[:, 1])
        p, first, second = sums[:, 0], sums[:, 1], sums[:, 2]
        size = np.maximum(p.sum(axis=-1), _LEAST)
        then = _log_variance(p, first, second)
        now = _log_variance(size, first.sum(axis=-1), second.sum(axis=-1))
        return np.asarray((now - np.sum(p * then, axis=-1) / size) / 2)


def _log_variance(whole: Floats, first: Floats, second: Floats) -> Floats:
    """Log of the variance of something standardised from its sums, dims (...); 0 where there is nothing to sum."""
    is_there = whole > _LEAST
    size = np.where(is_there, whole, 1.0)
    variance = second / size - (first / size) ** 2
    return np.asarray(np.where(is_there, np.log(np.maximum(variance, _LEAST)), 0.0))


def _times(what: Floats, weights: Floats, told: Channel, part: slice) -> Floats:
    """Sums over a run of draws, dims ("what", "outcome" of the set, "outcome" of the next)."""
    return np.stack([(weights[:, part] * w[part]) @ told.chances[part] for w in what])
