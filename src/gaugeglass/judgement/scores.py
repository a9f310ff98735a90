"""How good probabilities and distributions were, once the truth is known: proper scores, which are better the lower.

A score is proper where nobody expects to do better than by saying what they believe (T. Gneiting and A. E. Raftery,
J. Amer. Statist. Assoc. 102 (2007) 359).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Probability

BINS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
"""Edges of the classes of probability over which reliability is shown: our convention. [1]"""
_A_HALF = 0.5  # Jeffreys' prior of a share is beta(1/2, 1/2)


@dataclass(frozen=True, slots=True)
class Decomposition:
    """A mean Brier score in parts: reliability - resolution + uncertainty + what is left within classes. [1]

    ``reliability`` is how far the probabilities of a class are from what came of it, 0 at best; ``resolution`` how far
    that differs from class to class; ``uncertainty`` what the share of all that came true would score. ``within`` is
    nil where all probabilities of a class agree.
    """

    reliability: float
    resolution: float
    uncertainty: float
    within: float

    @property
    def brier(self) -> float:
        """The mean Brier score."""
        return self.reliability - self.resolution + self.uncertainty + self.within


@dataclass(frozen=True, slots=True)
class Bin:
    """A class of probabilities: how many, their mean, and the share of them that came true with its interval.

    ``lower`` and ``upper`` [1] are of the equal-tailed 90 % interval under Jeffreys' prior.
    """

    count: int
    mean: float
    share: float
    lower: float
    upper: float


def scored(p: Probability) -> float:
    """The probability that is scored: the bound, where every draw agrees. [1]"""
    if p.at_least is not None:
        return p.at_least
    return p.value if p.at_most is None else p.at_most


def brier(probability: float, came_true: bool) -> float:
    """The squared distance of a probability from what came out: 0 at best, 1 at worst. [1]

    G. W. Brier, Monthly Weather Review 78 (1950) 1, halved as is usual for two outcomes.
    """
    return (probability - came_true) ** 2


def log_score(probability: float, came_true: bool) -> float:
    """Minus the log of the probability of what came out [nat]; infinite where that was said to be impossible.

    I. J. Good, J. Roy. Statist. Soc. B 14 (1952) 107.
    """
    held = probability if came_true else 1 - probability
    return -math.log(held) if held > 0 else math.inf


def brier_of_many(probabilities: Sequence[float], true: int) -> float:
    """The same as Brier's, of alternatives of which the one at ``true`` came out: 0 at best, 2 at worst. [1]"""
    return sum(brier(p, k == true) for k, p in enumerate(probabilities))


def crps(draws: Floats, truth: float) -> float:
    """Continuous ranked probability score of the distribution of draws, in their unit; an error's size for one draw.

    The integral of the squared distance between the draws' cumulative distribution and the truth's step, as the mean
    distance to the truth less half of that between two draws (Gneiting and Raftery 2007, eq. 21).
    """
    x = np.sort(np.asarray(draws, dtype=np.float64).ravel())
    ranks = np.arange(1, x.size + 1)
    apart = 2 * float(np.sum((2 * ranks - x.size - 1) * x)) / x.size**2
    return float(np.mean(np.abs(x - truth))) - apart / 2


def rank(draws: Floats, truth: float) -> float:
    """The share of draws below the truth, ties halved. [1]"""
    return float(np.mean(draws < truth) + np.mean(draws == truth) / 2)


def bins(probabilities: Sequence[float], came_true: Sequence[bool]) -> tuple[Bin, ...]:
    """Every class that holds a probability, from the least probable on."""
    p, y = np.asarray(probabilities, dtype=np.float64), np.asarray(came_true, dtype=np.float64)
    return tuple(_bin(p[own], y[own]) for own in _classes(p))


def decomposition(probabilities: Sequence[float], came_true: Sequence[bool]) -> Decomposition:
    """The parts of a mean Brier score over the classes of probability.

    A. H. Murphy, J. Appl. Meteorology 12 (1973) 595; the parts within classes by D. B. Stephenson et al., Weather and
    Forecasting 23 (2008) 752.
    """
    p, y = np.asarray(probabilities, dtype=np.float64), np.asarray(came_true, dtype=np.float64)
    base, parts = y.mean(), np.zeros(3)
    for own in _classes(p):
        mean, share = p[own].mean(), y[own].mean()
        variance, covariance = np.mean((p[own] - mean) ** 2), np.mean((p[own] - mean) * (y[own] - share))
        parts += np.mean(own) * np.array([(mean - share) ** 2, (share - base) ** 2, variance - 2 * covariance])
    return Decomposition(float(parts[0]), float(parts[1]), float(base * (1 - base)), float(parts[2]))


def _classes(p: Floats) -> Iterator[np.ndarray[tuple[int, ...], np.dtype[np.bool_]]]:
    places = np.clip(np.searchsorted(BINS, p, side="right") - 1, 0, len(BINS) - 2)
    yield from (places == k for k in range(len(BINS) - 1) if np.any(places == k))


def _bin(p: Floats, y: Floats) -> Bin:
    came, edge = float(y.sum()), (1 - INTERVAL_PROBABILITY) / 2
    shape = stats.beta(_A_HALF + came, _A_HALF + y.size - came)
    lower = float(shape.ppf(edge)) if came > 0 else 0.0
    upper = float(shape.ppf(1 - edge)) if came < y.size else 1.0
    return Bin(y.size, float(p.mean()), float(y.mean()), lower, upper)
