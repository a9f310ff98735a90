"""Metrics: what a fit tells of the shape of one near it, so that refits are drawn along its axes.

A refit starts where the whole fit lies, and is as wide but for what its dials change. The curvature of that change
at the mean, added to the inverse covariance of the draws, gives a metric in which the refit is about a standard normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from gaugeglass.inference.density import Density, Dials, Floats

FLATTEST = 0.3
"""The least curvature that a direction is taken to have: about a third of what priors alone give it. [1]"""
_STEP = 1e-4
_FEWEST = 10  # draws a coordinate


@dataclass(frozen=True)
class Metric:
    """Axes in which a density is about standard normal: ``x = centre + root @ z``.

    ``centre`` dims ("free",), ``root`` dims ("free", "axis"): lower triangular, in standardised coordinates.
    """

    centre: Floats
    root: Floats

    def packed_with(self, dials: Floats) -> Floats:
        """What the preconditioned entry of a compiled density reads: itself, then the dials."""
        return np.concatenate([self.centre, self.root.ravel(), dials])

    def coordinates(self, z: Floats) -> Floats:
        """Standardised coordinates of draws along the axes; dims (..., "axis") to (..., "free")."""
        return np.asarray(self.centre + z @ self.root.T)


def metric(density: Density, dials: Dials, *, near: Dials, draws: Floats) -> Metric | None:
    """The metric of a density from draws at other dials; None where there are too many coordinates or too few draws.

    Parameters
    ----------
    near
        The dials at which the draws were made.
    draws : dims ("chain", "draw", "free")
        Standardised coordinates.
    """
    size = draws.shape[-1]
    flat = draws.reshape(-1, size)
    if "preconditioned" not in density.machine.addresses or len(flat) < _FEWEST * size:
        return None
    centre = flat.mean(axis=0)
    precision = linalg.inv(np.atleast_2d(np.cov(flat.T)))
    bent = precision - _curvature(density, dials, near, centre, flat.std(axis=0))
    values, axes = linalg.eigh(bent if np.all(np.isfinite(bent)) else precision)
    return Metric(centre, linalg.cholesky((axes / np.maximum(values, FLATTEST)) @ axes.T, lower=True))


def _curvature(density: Density, dials: Dials, near: Dials, centre: Floats, sd: Floats) -> Floats:
    """Second derivatives of what the dials change of the log density; dims ("free", "free")."""
    here, there = density.pack(dials), density.pack(near)

    steps = _STEP * np.diag(sd)
    points = np.concatenate([centre + steps, centre - steps])
    above, below = np.split(density.slopes(points, here) - density.slopes(points, there), 2)
    found = (above - below) / (2 * _STEP * sd)[:, None]
    return np.asarray(found + found.T) / 2
