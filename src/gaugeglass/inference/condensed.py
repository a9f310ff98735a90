"""Long runs of readings that depend on one number only, condensed into a curve of that number.

Five thousand charges of one vehicle tell something about one number: what is charged for a given change of state. The
sum of their log-likelihoods is a smooth function of it, so that it is computed beforehand at nodes a quarter of its own
standard uncertainty apart, sixteen of them to either side, and interpolated; beyond, the readings are run over one by
one. The more readings, the better a curve it is: the error is below ``MOST_ERROR`` and is checked between the nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.likelihoods import SCALAR
from gaugeglass.language.expressions import Node, evaluate

type Floats = NDArray[np.float64]

FEWEST = 32
"""Readings below which they are run over one by one."""
MOST_ERROR = 1e-6
"""Error of a sum of log-likelihoods that is allowed. [nat]"""
_REACH, _STEP = 16.0, 0.25  # standard uncertainties of the number
_CHUNK = 2_000_000
_TURNS = 60


@dataclass(frozen=True)
class Curve:
    """A sum of log-likelihoods over nodes from ``lower`` in steps of ``step``.

    ``table`` dims ("node", "what"): its value [nat] and its slope in steps of the number [nat].
    """

    lower: float
    step: float
    table: Floats

    def __call__(self, s: Floats) -> Floats:
        """Values between the nodes, as the compiled density interpolates them."""
        way = (s - self.lower) / self.step
        j = np.clip(way.astype(int), 0, len(self.table) - 2)
        w = way - j
        (f, m), (g, n) = self.table[j].T, self.table[j + 1].T
        return np.asarray(f + w * (m + w * (3 * (g - f) - 2 * m - n + w * (2 * (f - g) + m + n))))


def condense(tree: Node, rows: dict[str, Floats], powers: Floats, start: Floats) -> Curve | None:
    """The curve of some readings, or None where none is good enough.

    Parameters
    ----------
    tree
        Log-likelihood of a reading over columns and ``SCALAR``.
    rows : each dims ("row",)
        The columns of the readings.
    powers : dims ("row",)
        How much each counts.
    start : dims ("point",)
        Values that the number may have, to search from.
    """

    def total(s: Floats) -> Floats:
        return _total(tree, rows, powers, s)

    found = _peak(total, start[np.isfinite(start)])
    if found is None:
        return None
    centre, sd = found
    step = _STEP * sd
    for _ in range(3):
        curve = _curve(total, centre, step)
        if curve is None:
            return None
        middles = np.asarray(curve.lower + curve.step * (np.arange(len(curve.table) - 1) + 0.5))
        if np.max(np.abs(curve(middles) - total(middles))) < MOST_ERROR:
            return curve
        step /= 2
    return None


def _total(tree: Node, rows: dict[str, Floats], powers: Floats, s: Floats) -> Floats:
    """Sum over rows at each value of the number. dims of ``s`` and the sum: ("point",)"""
    size = len(powers)
    chunk = max(_CHUNK // max(len(s), 1), 1)
    found = np.zeros(len(s))
    with np.errstate(all="ignore"):
        for k in range(0, size, chunk):
            names: dict[str, Any] = {name: column[k : k + chunk, None] for name, column in rows.items()}
            values = np.broadcast_to(
                evaluate(tree, {**names, SCALAR: s[None, :]}), (len(powers[k : k + chunk]), len(s))
            )
            found += powers[k : k + chunk] @ values
    return found


def _peak(total: Any, start: Floats) -> tuple[float, float] | None:
    """Where the sum is greatest, and the standard uncertainty that its curvature there stands for."""
    if len(start) == 0:
        return None
    low, high = float(start.min()), float(start.max())
    pad = max(high - low, 1e-3 * max(abs(low), abs(high)), 1e-12)
    low, high = low - pad, high + pad
    for _ in range(_TURNS):
        grid = np.linspace(low, high, 33)
        values = np.where(np.isfinite(v := total(grid)), v, -np.inf)
        k, gap = int(values.argmax()), (high - low) / 32
        if not np.isfinite(values[k]):
            return None
        if k in (0, 32):
            low, high = low - (high - low), high + (high - low)
            continue
        bend = values[k - 1] - 2 * values[k] + values[k + 1]
        sd = gap / np.sqrt(-bend) if np.isfinite(bend) and bend < 0 else 0.0
        if sd > gap:
            shift = 0.5 * (values[k - 1] - values[k + 1]) / bend
            return float(grid[k] + gap * shift), float(sd)
        low, high = grid[k] - 2 * gap, grid[k] + 2 * gap
    return None


def _curve(total: Any, centre: float, step: float) -> Curve | None:
    from scipy.interpolate import CubicSpline

    half = round(_REACH / _STEP)
    nodes = centre + step * np.arange(-half, half + 1)
    values = total(nodes)
    bad = np.flatnonzero(~np.isfinite(values))
    first = int(bad[bad < half].max(initial=-1)) + 1
    last = int(bad[bad > half].min(initial=len(nodes)))
    if last - first < 8:
        return None
    slopes = CubicSpline(np.arange(last - first), values[first:last])(np.arange(last - first), 1)
    return Curve(float(nodes[first]), float(step), np.stack([values[first:last], slopes], axis=1))
