"""Pairs of observations that contradict each other in view of the rest.

Locally: in the most probable hypothesis, at the posterior mean, predictions are linear in the standardised coordinates,
whose prior is near a standard normal. So with the covariance ``C`` of the coordinates and slopes ``J``, residuals ``e``
of a pair and their covariance ``S`` without it follow from ``H = J C J'`` and the scatter ``R`` of the readings:
``e (1 - H / R)**-1`` and ``R (R - H)**-1 R``. Of standardised residuals with the correlation r, ``log p(both) - log
p(first) - log p(second)`` is ``-log(1 - r**2) / 2 - r g h`` with independent standard normal g and h, whose product has
the density K0(|t|)/pi.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.posterior import Posterior
from gaugeglass.judgement.findings import Contradiction
from gaugeglass.judgement.identification import slope
from gaugeglass.judgement.predictions import chance_right, moments, predict
from gaugeglass.language.spec import Observation

UNLIKELY = 0.05
"""Chance of a disagreement at least as large below which a pair contradicts: our convention. [1]"""
TOGETHER = 0.1
"""Correlation of two predictions up to which they have nothing to do with each other: our convention. [1]"""
_STEP = 1e-4
_MOST_ROWS = 2000
"""Readings that the rest is made of at most; rows of tables beyond it are thinned and count for more. [1]"""


def contradictions(posterior: Posterior) -> tuple[tuple[Contradiction, ...], int]:
    """Pairs of listed observations that contradict each other, the worst first, and how many were compared."""
    found = _linear(posterior)
    if found is None:
        return (), 0
    ids, residuals, scatter, foretold = found
    pairs = [(i, j) for i in range(len(ids)) for j in range(i)]
    compared = [_compare(ids, (j, i), residuals, scatter, foretold) for i, j in pairs]
    wrong = [c for c in compared if c is not None and c.p_value < UNLIKELY and abs(c.correlation) > TOGETHER]
    return tuple(sorted(wrong, key=lambda c: c.p_value)), len(pairs)


def _linear(posterior: Posterior) -> tuple[list[str], Floats, Floats, Floats] | None:
    """Ids of the listed readings, their residuals in the linear model, their variances, and ``H``."""
    density = posterior.density
    fit = posterior.fits[posterior.weights.names[int(np.argmax(posterior.weights.posterior))]]
    active = density.active(fit.hypothesis)
    readings, repeats = _chosen(posterior)
    if not active or sum(o.table is None for o in readings) < 2:
        return None
    centre, size = fit.centre, len(fit.centre)
    steps = _STEP * np.eye(size)[active]
    sides = np.concatenate([centre + steps, centre - steps, centre[None]])
    moved = density.quantities(sides, fit.dials)
    slopes, residuals, scatter = [], [], []
    for o in readings:
        middle, sd = moments(density, o, *predict(density, o, moved, sides))
        slopes.append(slope(middle[:-1], _STEP))
        residuals.append(_observed(density, o) - float(middle[-1]))
        right = float(chance_right(density, o, fit).mean()) if o.grade else 1.0
        scatter.append((float(sd[-1]) ** 2 + _rounding(density, o)) / max(right, 1e-6))
    j, e, r = np.array(slopes), np.array(residuals), np.array(scatter)
    scaled = j * np.sqrt(repeats / r)[:, None]
    covariance = np.linalg.inv(np.eye(len(active)) + scaled.T @ scaled)
    at = covariance @ (j.T @ (repeats * (e + j @ centre[active]) / r))
    listed = [k for k, o in enumerate(readings) if o.table is None]
    foretold = j[listed] @ covariance @ j[listed].T
    left = e[listed] - j[listed] @ (at - centre[active])
    return [readings[k].id for k in listed], left, r[listed], foretold


def _chosen(posterior: Posterior) -> tuple[list[Observation], Floats]:
    """Readings that are no one-sided bounds, and how many each stands for."""
    two_sided = [o for o in posterior.spec.evidence if math.isfinite(o.upper - o.lower)]
    listed, rows = [o for o in two_sided if o.table is None], [o for o in two_sided if o.table is not None]
    kept = rows[:: max(1, math.ceil(len(rows) / _MOST_ROWS))]
    stands_for = len(rows) / len(kept) if kept else 1.0
    return [*listed, *kept], np.array([1.0] * len(listed) + [stands_for] * len(kept))


def _observed(density: Density, o: Observation) -> float:
    middle = (o.lower + o.upper) / 2
    return math.log(middle) if density.spec.method(o).likelihood.family == "lognormal" else middle


def _rounding(density: Density, o: Observation) -> float:
    """Variance that an interval adds. [unit of the method, squared]"""
    width = o.upper - o.lower
    if density.spec.method(o).likelihood.family == "lognormal":
        width /= (o.lower + o.upper) / 2
    return width**2 / 12


def _compare(
    ids: list[str], pair: tuple[int, int], residuals: Floats, scatter: Floats, foretold: Floats
) -> Contradiction | None:
    both = list(pair)
    r, h, e = np.diag(scatter[both]), foretold[np.ix_(both, both)], residuals[both]
    if not np.all(np.isfinite(e)):
        return None
    apart = np.linalg.inv(r - h)
    own, covariance = r @ apart @ e, r @ apart @ r
    sd = np.sqrt(np.diag(covariance))
    z = own / sd
    correlation = float(covariance[0, 1] / (sd[0] * sd[1]))
    log_ratio, p = judged(float(z[0]), float(z[1]), correlation)
    return Contradiction(ids[pair[0]], ids[pair[1]], float(z[0]), float(z[1]), correlation, log_ratio, p)


def judged(first: float, second: float, correlation: float) -> tuple[float, float]:
    """Log density of two standardised residuals less those of each alone [nat], and the chance of one so low. [1]"""
    inside = 1 - correlation**2
    excess = ((first**2 + second**2 - 2 * correlation * first * second) / inside) - first**2 - second**2
    log_ratio = -0.5 * math.log(inside) - 0.5 * excess
    if correlation == 0:
        return 0.0, 1.0
    t = excess / (2 * abs(correlation))
    tail = float(special.iti0k0(abs(t))[1]) / math.pi
    return log_ratio, max(0.5 - tail, 0.0) if t > 0 else 0.5 + tail
