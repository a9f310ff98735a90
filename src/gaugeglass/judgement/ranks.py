"""A quantity's draws by rank, over which chances are smoothed to see what is known where the quantity is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Floats

_WIDE, _NARROW = (0.025, 32), (0.012, 64)
"""Standard width of the smoothing over ranks [1], and at how many of them it is taken."""
_KNOTS = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0)
"""Ranks between which what a quantity foretells is taken to be straight. [1]"""
_ATOM = 0.005
"""Share of the whole from which one and the same value stands by itself. [1]"""
_SMALL = 1e-9


@dataclass(frozen=True)
class Ranks:
    """Draws of a quantity with their shares of the whole, dims ("draw",).

    A value that many draws have, as where a hypothesis fixes it, stands by itself: an atom.
    """

    values: Floats
    weights: Floats

    @cached_property
    def _atoms(self) -> tuple[NDArray[np.bool_], ...]:
        _, place, count = np.unique(self.values, return_inverse=True, return_counts=True)
        share = np.bincount(place, self.weights)
        return tuple(place == k for k in np.flatnonzero((share >= _ATOM) & (count > 1)))

    @cached_property
    def _rest(self) -> NDArray[np.bool_]:
        return ~np.any([np.zeros(len(self.values), dtype=bool), *self._atoms], axis=0)

    @property
    def is_one(self) -> bool:
        """Whether all draws have the same value."""
        return len(self._atoms) == 1 and not self._rest.any()

    @cached_property
    def wide(self) -> tuple[Floats, Floats]:
        """Kernels for what changes little with the quantity, dims ("rank", "draw"), and the share of each rank [1]."""
        return self._kernels(*_WIDE)

    @cached_property
    def narrow(self) -> tuple[Floats, Floats]:
        """The same for what may change much with it."""
        return self._kernels(*_NARROW)

    def _kernels(self, width: float, points: int) -> tuple[Floats, Floats]:
        kernels = [atom.astype(np.float64) for atom in self._atoms]
        shares = [float(self.weights @ k) for k in kernels]
        if self._rest.any():
            rank = self._of_rest()
            at = (np.arange(points) + 0.5) / points
            mirrored = (rank, -rank, 2 - rank)  # at the ends as much is smoothed as in the middle
            near = sum(np.exp(-0.5 * ((r - at[:, None]) / width) ** 2) for r in mirrored)
            kernels += list(near * self._rest)
            shares += [(1 - sum(shares)) / points] * points
        return np.array(kernels), np.array(shares)

    def _of_rest(self) -> Floats:
        """Rank of each draw among those that are in no atom, from 0 to 1."""
        order = np.argsort(self.values, kind="stable")
        own = (self.weights * self._rest)[order]
        rank = np.empty(len(order))
        rank[order] = (np.cumsum(own) - own / 2) / own.sum()
        return rank

    def decide(self, y: Floats) -> bool:
        """Whether something, dims ("draw",), is known once the quantity is: it rises with it throughout, or falls."""
        order = np.lexsort((y, self.values))
        steps, is_one = np.diff(y[order]), np.diff(self.values[order]) == 0
        return not steps[is_one].any() and bool((steps >= 0).all() or (steps <= 0).all())

    def foretold(self, y: Floats) -> Floats:
        """What the quantity foretells of something, dims ("draw",): straight between some ranks, the mean in an atom.

        What is left scatters as much as it would about a line that was not fitted to it.
        """
        design, inverse, leverage = self._lines
        y = np.where(np.isfinite(y), y, np.mean(y[np.isfinite(y)]))
        fitted = design @ (inverse @ y)
        return np.asarray(y - (y - fitted) / np.sqrt(1 - leverage))

    @cached_property
    def _lines(self) -> tuple[Floats, Floats, Floats]:
        """What may be foretold, as columns; what gives the weight of each; how far a draw decides its own value."""
        design = np.stack([*(a.astype(np.float64) for a in self._atoms), *self._hats()], axis=1)
        root = np.sqrt(self.weights)
        u, s, v = np.linalg.svd(root[:, None] * design, full_matrices=False)
        u, s, v = u[:, s > _SMALL * s[0]], s[s > _SMALL * s[0]], v[s > _SMALL * s[0]]
        return design, (v.T / s) @ (u * root[:, None]).T, np.minimum(np.sum(u**2, axis=1), 0.5)

    def _hats(self) -> list[Floats]:
        """Functions of the quantity that are 1 at one knot, 0 at the others and straight between."""
        if not self._rest.any():
            return []
        own = self.values[self._rest]
        order = np.argsort(own)
        rank = np.cumsum(self.weights[self._rest][order])
        knots = np.unique(np.interp(_KNOTS, rank / rank[-1], own[order]))
        if len(knots) == 1:
            return [self._rest.astype(np.float64)]
        return [self._rest * np.interp(self.values, knots, hat) for hat in np.eye(len(knots))]
