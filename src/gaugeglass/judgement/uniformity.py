"""Are ranks uniform, intervals right as often as they say, and probabilities borne out? Exact tests, each by itself.

References
----------
.. [1] T. Säilynoja, P.-C. Bürkner and A. Vehtari, "Graphical test for discrete uniformity and its applications in
   goodness-of-fit evaluation and multiple sample comparison", Statistics and Computing 32 (2022) 32.
   https://doi.org/10.1007/s11222-022-10090-6
.. [2] D. J. Spiegelhalter, "Probabilistic prediction in patient management and clinical trials", Statistics in
   Medicine 5 (1986) 421. https://doi.org/10.1002/sim.4780050506
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

type Floats = NDArray[np.float64]
type Whole = NDArray[np.int64]

_HALVINGS = 40
_NULL, _AT_ONCE = 50_000, 5_000
"""Outcomes that are drawn to see how far a score strays by chance, and how many at a time."""


# --- ranks --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Band:
    """Between which counts the ECDF of uniform ranks stays as a whole, dims ("rank",): of ranks no higher than each."""

    lower: Whole
    upper: Whole


def p_value(ranks: Whole, levels: int) -> float:
    """Probability that uniform ranks stray at least as far from the diagonal of their ECDF somewhere. [1]

    How far is how improbable the count is at a rank, by itself; the least over all ranks is held against its own
    distribution [1]_, which is found by going from rank to rank (section 2.3 there).

    Parameters
    ----------
    ranks : dims ("simulation",)
        From 0 to ``levels - 1``.
    """
    counts = np.cumsum(np.bincount(ranks, minlength=levels))[:-1]
    least = float(_tails(len(ranks), levels)[np.arange(levels - 1), counts].min())
    return max(1 - _chance_within(_inside(len(ranks), levels, least), len(ranks), levels), 0.0)


def band(size: int, levels: int, mistake: float) -> Band:
    """The band that the ECDF of so many uniform ranks leaves anywhere with a probability of ``mistake`` at most."""
    low, high = 0.0, mistake
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if 1 - _chance_within(_inside(size, levels, middle), size, levels) <= mistake:
            low = middle
        else:
            high = middle
    lower, upper = _inside(size, levels, low)
    return Band(lower, upper)


@functools.lru_cache(maxsize=4)
def _tails(size: int, levels: int) -> Floats:
    """Twice the smaller tail probability of each count of the ECDF at each rank. dims ("rank", "count") [1]"""
    chance, counts = np.arange(1, levels)[:, None] / levels, np.arange(size + 1)
    return np.asarray(2 * np.minimum(stats.binom.cdf(counts, size, chance), stats.binom.sf(counts - 1, size, chance)))


def _inside(size: int, levels: int, tail: float) -> tuple[Whole, Whole]:
    """The least and the greatest count at each rank whose tail probability is above ``tail``."""
    within = _tails(size, levels) > tail * (1 + 1e-9)
    lower = np.where(within.any(axis=1), within.argmax(axis=1), 1)
    upper = np.where(within.any(axis=1), size - within[:, ::-1].argmax(axis=1), 0)
    return lower, upper


def _chance_within(limits: tuple[Whole, Whole], size: int, levels: int) -> float:
    """Probability that the counts stay within their limits at every rank: a Markov chain from rank to rank."""
    factorials = special.gammaln(np.arange(1, size + 2))
    held, at = np.ones(1), np.zeros(1, dtype=np.int64)
    for j, (lower, upper) in enumerate(zip(*limits, strict=True)):
        to = np.arange(lower, upper + 1)
        step = 1 / (levels - j)
        more, left = to[None, :] - at[:, None], (size - at)[:, None]
        can = (more >= 0) & (more <= left)
        more = np.where(can, more, 0)
        log = factorials[left] - factorials[more] - factorials[left - more]
        log += more * math.log(step) + (left - more) * math.log1p(-step)
        held, at = held @ np.where(can, np.exp(log), 0.0), to
    return float(min(held.sum(), 1.0))


def binomial_p_value(count: int, size: int, chance: float) -> float:
    """Probability of a count as improbable on its side, twice: the two-sided test of a share. [1]"""
    law = stats.binom(size, chance)
    return float(min(1.0, 2 * min(law.cdf(count), law.sf(count - 1))))


def binomial_band(size: int, chance: float, mistake: float) -> tuple[int, int]:
    """The counts between which a share of so many stays but for a probability of ``mistake``."""
    law = stats.binom(size, chance)
    return int(law.ppf(mistake / 2)), int(law.ppf(1 - mistake / 2))


# --- probabilities ------------------------------------------------------------------------------------------


def came_true_p_value(probabilities: Floats, came: NDArray[np.bool_]) -> float:
    """Two-sided test of how many things came true that had these probabilities, exactly. [1]"""
    law = np.ones(1)
    for p in probabilities:
        law = np.convolve(law, [1 - p, p])
    count = int(came.sum())
    return float(min(1.0, 2 * min(law[: count + 1].sum(), law[count:].sum())))


def spiegelhalter_z(probabilities: Floats, came: NDArray[np.bool_]) -> float:
    """How far the Brier score is from what the probabilities expect of it, in standard deviations [2]_. [1]

    Above 0 where probabilities are nearer to 0 and 1 than they should be; 0 where all are one half.
    """
    lever = 1 - 2 * probabilities
    sd = math.sqrt(float(np.sum(lever**2 * probabilities * (1 - probabilities))))
    return float(np.sum((came - probabilities) * lever)) / sd if sd > 0 else 0.0


def score_p_value(probabilities: Floats, came: NDArray[np.bool_], *, seed: int) -> float:
    """Two-sided test of the same, against what is drawn by the probabilities; never 0. [1]"""
    lever = 1 - 2 * probabilities
    own = float(np.sum((came - probabilities) * lever))
    rng, above, below = np.random.default_rng([seed, 0x5B1E6]), 0, 0
    for _ in range(_NULL // _AT_ONCE):
        drawn = rng.random((_AT_ONCE, len(probabilities)), dtype=np.float32) < probabilities
        scores = (drawn - probabilities) @ lever
        above, below = above + int(np.sum(scores >= own - 1e-12)), below + int(np.sum(scores <= own + 1e-12))
    return float(min(1.0, 2 * (min(above, below) + 1) / (_NULL + 1)))
