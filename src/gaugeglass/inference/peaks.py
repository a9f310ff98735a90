"""Where a density has peaks, and a proposal that is as wide about them as it is, either way along each axis.

The proposal is the split Student of J. Geweke, "Bayesian inference in econometric models using Monte Carlo
integration", Econometrica 57 (1989) 1317, section 4. It is the one end of a bridge, and where a hypothesis hardly
matters its weighted draws do alone; else the axes serve a sampler.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import linalg, special

from gaugeglass.inference.density import Density, Dials, Floats
from gaugeglass.inference.metrics import FLATTEST, Metric

_TURNS, _NEAR, _SHORTEST = 60, 1e-3, 1e-6
"""Newton's steps at most; the rise in one below which it is the last [nat]; the least share of a step. [1]"""
_STEP = 1e-4
_PROBES = (1.0, 2.0, 3.0)
"""How far out a width is looked for along each axis. [1]"""
_NARROWEST, _WIDEST, _WIDER = 0.5, 4.0, 1.1
_NU = 10.0
"""Degrees of freedom of the proposal. [1]"""
_APART = 0.1
"""Squared distance of two peaks along the axes of one, below which they are the same. [1]"""
_NEGLIGIBLE = 12.0
"""How much less may lie under a peak than under the greatest to count. [nat]"""
_NO_SHARE = 1e-9
_LEAST_SHARE = 0.05
"""Of the draws, for a peak that counts. [1]"""


@dataclass(frozen=True)
class Peak:
    """A peak with its axes and its height [nat]; ``up`` and ``down`` are the widths along each, dims ("axis",)."""

    axes: Metric
    height: float
    up: Floats
    down: Floats

    @property
    def log_mass(self) -> float:
        """About how much lies under it. [nat]"""
        return self.height - self._top

    def draw(self, count: int, rng: np.random.Generator) -> Floats:
        """Independent draws of the proposal, dims ("draw", "free")."""
        size = len(self.up)
        far = np.abs(rng.standard_normal((count, size)))
        goes_up = rng.uniform(size=(count, size)) < self.up / (self.up + self.down)
        stretch = np.sqrt(rng.chisquare(_NU, size=count) / _NU)[:, None]
        return self.axes.coordinates(np.where(goes_up, far * self.up, -far * self.down) / stretch)

    def log_density(self, x: Floats) -> Floats:
        """Log density of the proposal at coordinates. dims ("draw", "free") to ("draw",) [nat]"""
        z = (x - self.axes.centre) @ self._across
        z *= np.where(z > 0, 1 / self.up, 1 / self.down)
        return np.asarray(self._top - (_NU + len(self.up)) / 2 * np.log1p(np.einsum("ij,ij->i", z, z) / _NU))

    @cached_property
    def _across(self) -> Floats:
        """What takes distances from the centre to its axes, dims ("free", "axis")."""
        return np.asarray(linalg.solve_triangular(self.axes.root, np.eye(len(self.up)), lower=True).T)

    @cached_property
    def _top(self) -> float:
        """Log density of the proposal at its peak. [nat]"""
        size = len(self.up)
        log = special.gammaln((_NU + size) / 2) - special.gammaln(_NU / 2) - size / 2 * math.log(_NU * math.pi)
        return float(log - np.log((self.up + self.down) / 2).sum() - np.log(np.diag(self.axes.root)).sum())


@dataclass(frozen=True)
class Proposal:
    """Peaks, the greatest first, and the share of draws that each has; what is left is drawn about as priors are."""

    peaks: tuple[Peak, ...]
    shares: Floats

    def draw(self, count: int, rng: np.random.Generator) -> Floats:
        """Independent draws, dims ("draw", "free")."""
        counts = rng.multinomial(count, [share for share, _ in self.parts])
        return np.concatenate([p.draw(int(n), rng) for (_, p), n in zip(self.parts, counts, strict=True)])

    def log_density(self, x: Floats) -> Floats:
        """Log density of the proposal at coordinates. dims ("draw", "free") to ("draw",) [nat]"""
        return np.asarray(special.logsumexp([math.log(s) + p.log_density(x) for s, p in self.parts], axis=0))

    def with_peak(self, peak: Peak, share: float) -> Proposal:
        """The same with one more peak that has a share of the draws; the others keep theirs of what is left."""
        return Proposal((peak, *self.peaks), np.array([share, *((1 - share) * self.shares)]))

    @cached_property
    def parts(self) -> list[tuple[float, Peak]]:
        """Peaks with the share of draws that each has, and with them what is drawn about as priors are."""
        parts = [(float(share), p) for share, p in zip(self.shares, self.peaks, strict=True)]
        size, rest = len(self.peaks[0].up), 1 - float(self.shares.sum())
        wide = Peak(Metric(np.zeros(size), np.eye(size)), 0.0, np.ones(size), np.ones(size))
        return [*parts, (rest, wide)] if rest > _NO_SHARE else parts


def propose(density: Density, dials: Dials, starts: Sequence[Floats], *, elsewhere: float = 0.0) -> Proposal | None:
    """A proposal about every peak that matters of those that are reached from some starts; None where there is none.

    Parameters
    ----------
    elsewhere
        The share of draws that are made about as priors are, where peaks may stand on wide ground. [1]
    """
    found: list[Peak] = []
    for start in starts:
        own = peak(density, dials, start)
        if own is not None and not any(_same(own, other) for other in found):
            found.append(own)
    if not found:
        return None
    found.sort(key=lambda p: -p.log_mass)
    masses = np.array([p.log_mass for p in found])
    kept = masses > masses[0] - _NEGLIGIBLE
    shares = special.softmax(masses[kept])
    return Proposal(tuple(p for p, keep in zip(found, kept, strict=True) if keep), (1 - elsewhere) * _floored(shares))


def _floored(shares: Floats) -> Floats:
    """Shares of which none is too small for its draws to say what lies under its peak."""
    raised = np.maximum(shares, _LEAST_SHARE)
    return np.asarray(raised / raised.sum())


def _same(one: Peak, other: Peak) -> bool:
    apart = linalg.solve_triangular(one.axes.root, other.axes.centre - one.axes.centre, lower=True)
    return float(apart @ apart) < _APART


def peak(density: Density, dials: Dials, start: Floats) -> Peak | None:
    """The peak that Newton's steps lead to; None where there are too many coordinates or they lead nowhere.

    Parameters
    ----------
    start : dims ("free",)
        Where to begin, in standardised coordinates.
    """
    if "preconditioned" not in density.machine.addresses:
        return None
    packed, x = density.pack(dials), start.copy()
    value, slope = density.log_density(x, packed)
    if not math.isfinite(value):
        return None
    for _ in range(_TURNS):
        bend = _bend(density, packed, x)
        if not (np.all(np.isfinite(bend)) and np.all(np.isfinite(slope))):
            return None
        values, directions = linalg.eigh(bend)
        step = (directions / np.maximum(np.abs(values), FLATTEST)) @ (directions.T @ slope)
        rise = float(step @ slope)
        if rise < _NEAR:
            break
        share = 1.0
        while share >= _SHORTEST:
            higher, next_slope = density.log_density(x + share * step, packed)
            if higher > value + 1e-4 * share * rise:
                break
            share /= 2
        else:
            break
        x, value, slope = x + share * step, higher, next_slope
    root = linalg.cholesky((directions / np.maximum(values, FLATTEST)) @ directions.T, lower=True)
    return _widened(density, packed, Metric(x, root), value)


def _bend(density: Density, packed: Floats, x: Floats) -> Floats:
    """Minus the second derivatives of the log density; dims ("free", "free")."""
    steps = _STEP * np.eye(len(x))
    below, above = np.split(density.slopes(np.concatenate([x - steps, x + steps]), packed), 2)
    found = (below - above) / (2 * _STEP)
    return np.asarray(found + found.T) / 2


def fitted(x: Floats, shares: Floats) -> Peak:
    """A peak that is where weighted draws are, and as wide as they are, either way along each of their axes.

    Parameters
    ----------
    x : dims ("draw", "free")
        More draws than coordinates.
    shares : dims ("draw",)
        Their weights, which sum to 1.
    """
    mean = shares @ x
    apart = x - mean
    return _as_wide_as(x, shares, Metric(mean, np.linalg.cholesky((shares[:, None] * apart).T @ apart)))


def refitted(known: Peak, x: Floats, shares: Floats) -> Peak:
    """The same along the axes of a peak that is known, and wider by a little: fewer numbers are fitted to the draws."""
    found = _as_wide_as(x, shares, Metric(shares @ x, known.axes.root))
    return replace(found, up=_WIDER * found.up, down=_WIDER * found.down)


def _as_wide_as(x: Floats, shares: Floats, axes: Metric) -> Peak:
    z = linalg.solve_triangular(axes.root, (x - axes.centre).T, lower=True)
    up, down = (np.sqrt(np.where(side, z * z, 0.0) @ shares / np.maximum(side @ shares, _NO_SHARE))
                for side in (z > 0, z <= 0))  # fmt: skip
    return Peak(axes, math.nan, *(np.clip(w, _NARROWEST, _WIDEST) for w in (up, down)))


def _widened(density: Density, packed: Floats, axes: Metric, height: float) -> Peak:
    """A peak with its widths: those at which the density has fallen as far as a normal one would have."""
    size = len(axes.centre)
    out = np.concatenate([side * far * np.eye(size) for side in (1, -1) for far in _PROBES])
    fall = np.maximum(2 * (height - density.log_densities(axes.coordinates(out), packed)), 1e-3)
    widths = np.array(_PROBES)[None, :, None] / np.sqrt(fall.reshape(2, len(_PROBES), size))
    up, down = np.clip(np.nan_to_num(widths, nan=1.0).max(axis=1), _NARROWEST, _WIDEST)
    return Peak(axes, height, up, down)
