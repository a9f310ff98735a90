"""How far draws can be trusted: R-hat, effective sizes and E-BFMI of many coordinates at once.

A library of the trade computes the same, and a test compares the two; loading it costs more than a fit.

References
----------
.. [1] A. Vehtari et al., "Rank-normalization, folding, and localization: an improved R-hat for assessing convergence of
   MCMC", Bayesian Analysis 16(2), 2021. https://doi.org/10.1214/20-BA1221
.. [2] C. J. Geyer, "Practical Markov chain Monte Carlo", Statistical Science 7(4), 1992.
   https://doi.org/10.1214/ss/1177011137
.. [3] M. Betancourt, "Diagnosing suboptimal cotangent disintegrations in Hamiltonian Monte Carlo", 2016.
   https://arxiv.org/abs/1604.00695
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

type Floats = NDArray[np.float64]

_FEWEST = 4  # draws a chain


def r_hat(x: Floats) -> Floats:
    """Rank-normalised split R-hat, the larger of bulk and tail [1]_. dims ("chain", "draw", "free") to ("free",). [1]

    NaN where all draws agree, or where there is one chain only.
    """
    if x.shape[0] < 2 or x.shape[1] < _FEWEST:
        return np.full(x.shape[2], np.nan)
    halves = _split(x)
    folded = np.abs(halves - np.median(halves, axis=(0, 1)))
    return np.maximum(_r_hat(_normal_scores(halves)), _r_hat(_normal_scores(folded)))


def ess_bulk(x: Floats) -> Floats:
    """Effective number of draws for the bulk [1]_. dims ("chain", "draw", "free") to ("free",). [1]"""
    return _ess(_normal_scores(_split(x)))


def ess_tail(x: Floats) -> Floats:
    """Effective number of draws for the 5 % and 95 % quantiles, the smaller [1]_. dims as in ``ess_bulk``. [1]"""
    lower, upper = (x <= np.quantile(x, q, axis=(0, 1)) for q in (0.05, 0.95))
    return np.minimum(_ess(_split(lower.astype(np.float64))), _ess(_split(upper.astype(np.float64))))


def ess_mean(x: Floats) -> Floats:
    """Effective number of draws for the mean [1]_. dims ("chain", "draw", "free") to ("free",). [1]"""
    return _ess(_split(x))


def e_bfmi(energy: Floats) -> Floats:
    """Energy's fraction of missing information, estimated [3]_. dims ("chain", "draw") to ("chain",). [1]"""
    with np.errstate(all="ignore"):
        scatter = np.sum((energy - energy.mean(axis=1, keepdims=True)) ** 2, axis=1)
        return np.asarray(np.sum(np.diff(energy, axis=1) ** 2, axis=1) / scatter)


def _split(x: Floats) -> Floats:
    half = x.shape[1] // 2
    return np.concatenate([x[:, :half], x[:, -half:]])


def _normal_scores(x: Floats) -> Floats:
    """What a normal value of the same rank would be (eq. 14 of [1]_)."""
    flat = x.reshape(-1, x.shape[2])
    ranks = np.stack([_ranks(column) for column in flat.T], axis=1)
    return np.asarray(special.ndtri((ranks - 3 / 8) / (len(flat) + 1 / 4)).reshape(x.shape))


def _ranks(values: Floats) -> Floats:
    """Ranks from 1; equal values share their mean."""
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((last - (counts - 1) / 2)[which])


def _r_hat(x: Floats) -> Floats:
    size = x.shape[1]
    with np.errstate(all="ignore"):
        ratio = np.var(x.mean(axis=1), axis=0, ddof=1) / np.var(x, axis=1, ddof=1).mean(axis=0)
    return np.asarray(np.sqrt(ratio + (size - 1) / size))


def _ess(x: Floats) -> Floats:
    """Effective number of draws by Geyer's initial monotone sequence (eq. 10 to 13 of [1]_, [2]_)."""
    chains, draws, size = x.shape
    total = float(chains * draws)
    if draws < _FEWEST:
        return np.full(size, np.nan)
    covariance = _autocovariance(x)
    within = covariance[:, 0].mean(axis=0) * draws / (draws - 1)
    between = np.var(x.mean(axis=1), axis=0, ddof=1) if chains > 1 else 0.0
    pooled = within * (draws - 1) / draws + between
    with np.errstate(all="ignore"):
        rho = 1 - (within - covariance.mean(axis=0)) / pooled
    rho[0] = 1.0
    pairs = draws // 2 - 1
    even, odd = rho[0 : 2 * pairs : 2], rho[1 : 2 * pairs : 2]
    sums = even + odd
    ends = np.where((sums <= 0).any(axis=0), (sums <= 0).argmax(axis=0), pairs - 1)
    falling = np.minimum.accumulate(sums, axis=0)
    before = np.where(np.arange(pairs)[:, None] < ends, falling, 0.0).sum(axis=0)
    last = np.maximum(np.take_along_axis(even, ends[None], axis=0)[0], 0.0)
    tau = np.maximum(-1 + 2 * before + last, 1 / np.log10(total))
    return np.asarray(np.where(np.ptp(x, axis=(0, 1)) < 1e-15, total, total / tau))


def _autocovariance(x: Floats) -> Floats:
    """Along draws, at every lag, dims as ``x``."""
    draws = x.shape[1]
    size = 1 << (2 * draws - 1).bit_length()
    spectrum = np.fft.rfft(x - x.mean(axis=1, keepdims=True), n=size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(np.fft.irfft(power, n=size, axis=1)[:, :draws] / draws)
