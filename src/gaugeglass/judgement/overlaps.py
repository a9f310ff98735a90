"""Draws of several densities whose integrals are known, as draws of one mixture from which any other is told.

What such draws say of another density is the balance heuristic of E. Veach and L. J. Guibas, "Optimally combining
sampling techniques for Monte Carlo rendering", SIGGRAPH 1995. That integrals of the mixture's own densities are known
takes off the part of the error that goes with them: A. Owen and Y. Zhou, "Safe and effective importance sampling",
Journal of the American Statistical Association 95 (2000) 135.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gaugeglass.language.late import Late

linalg, special = Late("scipy.linalg"), Late("scipy.special")

type Floats = NDArray[np.float64]
type Counts = NDArray[np.int_]

RIDGE = 1e-6
"""Added to the squared length, 1, of what is known, so that what is nearly the same is not set against itself. [1]"""
_TURNS, _LAST_TURNS, _FEW, _EAGER = 12, 5, 60, 0.8
"""In how many steps draws are allotted, at first by a few of each density; how few, and how far a step goes. [1]"""
_TINY = 1e-300
_LARGEST = 600.0  # whose exponential is a number


def log_mixture(logs: Floats, log_z: Floats, counts: Counts) -> Floats:
    """Log of the mixture of densities, times how many draws there are. dims ("draw",) [nat]

    Parameters
    ----------
    logs : dims ("draw", "density")
        Log of each unnormalised density over one that all have in common. [nat]
    log_z : dims ("density",)
        Log of its integral. [nat]
    counts : dims ("density",)
        How many of the draws are each one's; of one that has none only the integral is known. [1]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(special.logsumexp(logs - log_z + np.log(counts), axis=1))


class Known:
    """Sums over draws that are known, dims ("draw", "what"), by which sums of anything else are told better.

    ``errors``, dims ("what",), are their own. Those of sums that were told by the same draws go together as their terms
    do; ``apart``, dims ("what",), is 1 for what was told by draws of its own. Terms shorter than ``least``, dims
    ("what",), are nearly nothing, and tell as good as nothing.
    """

    def __init__(self, terms: Floats, errors: Floats, apart: Floats, least: Floats | float = 0.0) -> None:
        self.terms = terms
        length = np.maximum(np.sqrt(np.sum(terms**2, axis=0)), least)
        self._scale = np.where(length > 0, length, 1.0)
        unit = terms / self._scale
        products = unit.T @ unit
        self._root = linalg.cho_factor(products + RIDGE * np.eye(terms.shape[1]))
        together = np.where(np.maximum.outer(apart, apart) > 0, 0.0, products)
        np.fill_diagonal(together, 1.0)
        self._covariance = errors[:, None] * together * errors

    def variance(self, much: Floats, rest: Floats) -> float:
        """The variance of a sum: so much of each known one, dims ("what",), and something else, dims ("draw",)."""
        return float(rest @ rest) + max(float(much @ self._covariance @ much), 0.0)

    def part(self, values: Floats) -> tuple[Floats, Floats]:
        """How much of each known sum something is, dims ("what",), and what else it is, dims ("draw",)."""
        much = linalg.cho_solve(self._root, (self.terms.T @ values) / self._scale) / self._scale
        return much, values - self.terms @ much


def allotted(logs: Floats, log_z: Floats, own: Counts, *, wanted: Floats, total: int) -> Counts:
    """Which draws to take so that each density is told by about as many as it is wanted to be. dims ("pick",)

    Parameters
    ----------
    logs, log_z
        As above, at all draws there are.
    own : dims ("draw",)
        Which density each is a draw of.
    wanted : dims ("density",)
        For how many effective draws each asks, in any scale. [1]
    total
        How many draws to take in all, or nearly so. [1]
    """
    places = [np.flatnonzero(own == k) for k in range(len(log_z))]
    most = np.array([len(p) for p in places])
    scaled = np.exp(np.minimum(logs - log_z, _LARGEST))
    few = np.sort(np.concatenate([evenly(p, min(len(p), _FEW)) for p in places]))
    counts = np.minimum(np.full(len(most), float(total)), most)
    for _ in range(_TURNS):
        counts = _turned(scaled[few], own[few], _scaled_down(counts, most, total), wanted)
    for _ in range(_LAST_TURNS):  # by those that were taken themselves, since few are
        counts = _scaled_down(counts, most, total)
        picks = _picks(places, counts)
        counts = _turned(scaled[picks], own[picks], counts, wanted)
    return _picks(places, _scaled_down(counts, most, total))


def _turned(scaled: Floats, own: Counts, counts: Floats, wanted: Floats) -> Floats:
    """More draws of the densities by whose draws those are told that are told by less than they are wanted to be."""
    is_own = own[:, None] == np.arange(len(counts))
    taken = is_own * (counts / np.maximum(is_own.sum(axis=0), 1))  # how often a draw of each is taken
    told = scaled / (scaled @ counts)[:, None]
    came_from = told.T @ taken
    sums = came_from.sum(axis=1)
    size = sums**2 / ((told**2).T @ taken.sum(axis=1))
    came_from = came_from / sums[:, None]
    return np.asarray(counts * ((wanted / size) ** _EAGER @ came_from) / np.maximum(came_from.sum(axis=0), _TINY))


def _picks(places: Sequence[Counts], counts: Floats) -> Counts:
    return np.sort(np.concatenate([evenly(p, min(math.ceil(n), len(p))) for p, n in zip(places, counts, strict=True)]))


def _scaled_down(counts: Floats, most: Counts, total: int) -> Floats:
    """So many in all, though no more of each than there are."""
    for _ in range(4):
        counts = np.minimum(counts * (total / counts.sum()), most)
    return counts


def evenly(places: Counts, count: int) -> Counts:
    """So many of some places, evenly spread."""
    return places[np.linspace(0, len(places) - 1, count).round().astype(int)] if count else places[:0]
