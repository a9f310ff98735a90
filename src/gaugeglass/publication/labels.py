"""Where the name of a point goes so that it covers neither a line nor another name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

POINTS = 72  # an inch
_ASIDE, _UP = 7.0, 10.0
"""How far a name starts beside its point, and how far its middle is above or below it. [point of the sheet]"""
_ENOUGH = 3.0
"""How far a name has to keep from a line, beyond which nothing is gained. [point of the sheet]"""
_BEYOND = 6.0
"""How far a name may go beyond the edges of the axes. [point of the sheet]"""
_FINE = 200
"""Points along a line, and what a share of a line under a name, or a point beyond the edges, counts for. [1]"""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a name goes, from its point: how far aside and up [point], and which of its ends is there."""

    aside: float
    up: float
    end: str


_PLACES = tuple(
    Place(aside, up, end)
    for up in (_UP, -_UP, 0.0, 2 * _UP, -2 * _UP)
    for aside, end in ((_ASIDE, "left"), (-_ASIDE, "right"), *([(0.0, "center")] if up else []))
)


def places(
    axes: Axes, points: Sequence[tuple[float, float]], sizes: Sequence[tuple[float, float]],
    lines: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]],
) -> list[Place]:  # fmt: skip
    """A place for the name of each point, as clear of all lines, of the other names and of the edges as there is one.

    Parameters
    ----------
    points
        Where the points are, in the units of the axes.
    sizes
        How wide and how high each name is. [inch]
    lines
        Where lines go, in the units of the axes.
    """
    to_points = POINTS / axes.figure.dpi
    window = axes.get_window_extent()
    edges = np.array([[window.x0, window.y0], [window.x1, window.y1]]) * to_points + [[-_BEYOND], [_BEYOND]]
    drawn = [_along(axes.transData.transform(np.column_stack(line)) * to_points) for line in lines]
    found = []
    for point, size in zip(points, sizes, strict=True):
        at = axes.transData.transform(point) * to_points
        boxes = [_box(at, place, np.array(size) * POINTS) for place in _PLACES]
        clear = [min(_clearance(box, line) for line in drawn) - _outside(box, edges) for box in boxes]
        best = int(np.argmax(np.minimum(clear, _ENOUGH)))
        found.append(_PLACES[best])
        drawn.append(_corners(boxes[best]))
    return found


def _along(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Many points along a line through a few."""
    at = np.linspace(0, len(line) - 1, _FINE)
    return np.column_stack([np.interp(at, np.arange(len(line)), column) for column in line.T])


def _box(at: NDArray[np.float64], place: Place, size: NDArray[np.float64]) -> NDArray[np.float64]:
    """The lower left and the upper right corner of a name. [point of the sheet]"""
    start = {"left": 0.0, "right": -1.0, "center": -0.5}[place.end] * size[0]
    low = at + np.array([place.aside + start, place.up - size[1] / 2])
    return np.array([low, low + size])


def _corners(box: NDArray[np.float64]) -> NDArray[np.float64]:
    (left, low), (right, high) = box
    return _along(np.array([[left, low], [right, low], [right, high], [left, high], [left, low]]))


def _clearance(box: NDArray[np.float64], line: NDArray[np.float64]) -> float:
    """How far a line keeps from a box. [point of the sheet]; below 0 where it goes through, the more the longer."""
    apart = np.maximum(np.maximum(box[0] - line, line - box[1]), 0)
    inside = float(np.mean(~apart.any(axis=1)))
    return -_FINE * inside if inside else float(np.hypot(*apart.T).min())


def _outside(box: NDArray[np.float64], edges: NDArray[np.float64]) -> float:
    """How far a box is beyond the edges of the axes, as a penalty that no clearance makes up for."""
    return _FINE * float(np.maximum(np.maximum(edges[0] - box[0], box[1] - edges[1]), 0).sum())
