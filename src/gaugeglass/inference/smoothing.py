"""Importance weights with the largest smoothed, and how far they can be trusted.

A. Vehtari et al., "Pareto smoothed importance sampling", Journal of Machine Learning Research 25(72), 2024; the fit of
the tail by J. Zhang and M. A. Stephens, Technometrics 51 (2009) 316.
"""

from __future__ import annotations

import math

import numpy as np

from gaugeglass.inference import convergence
from gaugeglass.inference.density import Floats
from gaugeglass.inference.sampling import effective_size

MOST_K = 0.7
VAGUE = 0.1
"""Error of a log marginal likelihood from weighted draws above which they are not taken for it. [nat]"""
FEWEST_IN_TAIL = 5
"""Draws that a tail has at least. [1]"""
PRIOR_K, PRIOR_SIZE = 0.5, 10.0
"""Shape that a tail is taken to have before it is seen, and how many draws that counts for. [1]"""


def limit(size: int) -> float:
    """The shape of the tail above which weights of so many draws are not to be trusted. [1]"""
    return min(1 - 1 / math.log10(size), MOST_K) if size > 10 else 0.0


def smoothed(logs: Floats) -> tuple[Floats, float]:
    """Logs of importance ratios with the largest replaced by what a Pareto tail has in their places, and its shape k.

    Ratios that all agree have no tail; their k is minus infinity. Dims are kept, and so is the scale.
    """
    flat = np.ravel(logs)
    top = float(np.max(flat))
    count = min(int(3 * math.sqrt(flat.size)), flat.size // 5)
    if count < FEWEST_IN_TAIL or not math.isfinite(top):
        return logs, math.inf
    order = np.argsort(flat, kind="stable")
    tail, cutoff = np.exp(flat[order[-count:]] - top), float(np.exp(flat[order[-count - 1]] - top))
    if float(np.ptp(flat)) < 1e-12:
        return logs, -math.inf
    k, scale = _pareto(tail - cutoff)
    if not math.isfinite(k) or not math.isfinite(scale):
        return logs, k
    rest = -np.log1p(-(np.arange(count) + 0.5) / count)
    over = scale * (np.expm1(k * rest) / k if k != 0 else rest)
    found = flat.copy()
    found[order[-count:]] = np.minimum(np.log(cutoff + over), 0.0) + top
    return found.reshape(np.shape(logs)), k


def _pareto(over: Floats) -> tuple[float, float]:
    """Shape and scale of a generalized Pareto distribution, from sorted distances above the cutoff."""
    n = len(over)
    quartile = over[int(n / 4 + 0.5) - 1]
    if not quartile > over[0] >= 0:
        return math.inf, math.nan
    grid = 30 + int(math.sqrt(n))
    b = 1 / over[-1] + (1 - np.sqrt(grid / (np.arange(1, grid + 1) - 0.5))) / (3 * quartile)
    with np.errstate(all="ignore"):
        shapes = np.mean(np.log1p(-b[:, None] * over), axis=1)
        fits = n * (np.log(-b / shapes) - shapes - 1)
    fits = np.where(np.isfinite(fits), fits, -np.inf)
    shares = np.exp(fits - fits.max())
    mean = float(shares @ b / shares.sum())
    k = float(np.mean(np.log1p(-mean * over)))
    return (n * k + PRIOR_K * PRIOR_SIZE) / (n + PRIOR_SIZE), -k / mean


def mean_and_error(values: Floats, shares: Floats | None = None) -> tuple[float, float]:
    """Weighted mean of draws and its Monte Carlo error, both dims ("chain", "draw"); ``shares`` sum to 1."""
    own = np.full(values.shape, 1 / values.size) if shares is None else shares
    mean = float(np.mean(values)) if shares is None else float(np.sum(own * values))
    pulls = own * values.size * (values - mean)
    return mean, math.sqrt(float(pulls.var()) / effective_size(pulls))


def means_and_errors(values: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """The same of several things at once, dims ("chain", "draw", "what") to ("what",)."""
    own = shares[..., None]
    means = np.sum(own * values, axis=(0, 1))
    pulls = own * shares.size * (values - means)
    variance = pulls.var(axis=(0, 1))
    size = np.where(variance > 0, np.minimum(convergence.ess_mean(pulls), shares.size), shares.size)
    return means, np.sqrt(variance / np.where(np.isfinite(size), size, 1.0))


def effective(shares: Floats) -> float:
    """Effective number of weighted draws, dims ("chain", "draw"): fewer as weights differ and as chains stick."""
    total = float(np.sum(shares))
    kish = total**2 / float(np.sum(shares**2))
    return kish * min(1.0, effective_size(shares) / shares.size)
