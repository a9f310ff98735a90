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
from scipy import fft, special

type Floats = NDArray[np.float64]

_FEWEST = 4  # draws a chain


def mixing(x: Floats) -> tuple[Floats, Floats]:
    """Rank-normalised split R-hat, the larger of bulk and tail, and the effective number of draws for the bulk [1]_.

    Dims ("chain", "draw", "free") to ("free",), both. [1] R-hat is NaN where all draws agree, or where there is one
    chain only.
    """
    halves = _split(x)
    scores = _normal_scores(halves)
    if x.shape[0] < 2 or x.shape[1] < _FEWEST:
        return np.full(x.shape[2], np.nan), _ess(scores)
    flat = halves.reshape(len(halves), -1)
    folded = np.abs(flat - np.median(flat, axis=1, keepdims=True)).reshape(halves.shape)
    return np.maximum(_r_hat(scores), _r_hat(_normal_scores(folded))), _ess(scores)


def ess_tail(x: Floats) -> Floats:
    """Effective number of draws for the 5 % and 95 % quantiles, the smaller [1]_. dims as in ``mixing``. [1]"""
    halves = _split(x)
    lower, upper = np.quantile(x, (0.05, 0.95), axis=(0, 1))[..., None, None]
    both = np.concatenate([halves <= lower, halves <= upper]).astype(np.float64)
    return np.asarray(_ess(both).reshape(2, -1).min(axis=0))


def ess_mean(x: Floats) -> Floats:
    """Effective number of draws for the mean [1]_. dims ("chain", "draw", "free") to ("free",). [1]"""
    return _ess(_split(x))


def e_bfmi(energy: Floats) -> Floats:
    """Energy's fraction of missing information, estimated [3]_. dims ("chain", "draw") to ("chain",). [1]"""
    with np.errstate(all="ignore"):
        scatter = np.sum((energy - energy.mean(axis=1, keepdims=True)) ** 2, axis=1)
        return np.asarray(np.sum(np.diff(energy, axis=1) ** 2, axis=1) / scatter)


def _split(x: Floats) -> Floats:
    """Halves of the chains, dims ("free", "half", "draw"): what is summed and transformed lies together."""
    half = x.shape[1] // 2
    return np.ascontiguousarray(np.moveaxis(np.concatenate([x[:, :half], x[:, -half:]]), 2, 0))


def _normal_scores(x: Floats) -> Floats:
    """What a normal value of the same rank would be (eq. 14 of [1]_), ranks being over each coordinate."""
    flat = x.reshape(len(x), -1)
    order = np.argsort(flat, axis=1)
    twice = _twice_ranks(np.take_along_axis(flat, order, axis=1))
    size = flat.shape[1]
    of_rank = special.ndtri((np.arange(2, 2 * size + 1) / 2 - 3 / 8) / (size + 1 / 4))
    scores = np.empty_like(flat)
    np.put_along_axis(scores, order, of_rank[twice - 2], axis=1)
    return scores.reshape(x.shape)


def _twice_ranks(ordered: Floats) -> NDArray[np.int64]:
    """Twice the ranks from 1 of rows in order; equal values share their mean."""
    rows, size = ordered.shape
    is_new = np.ones(ordered.shape, dtype=np.bool_)
    is_new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    which = np.cumsum(is_new) - 1
    counts = np.bincount(which)
    twice = (2 * np.cumsum(counts) - counts + 1)[which].reshape(ordered.shape)
    return np.asarray(twice - 2 * size * np.arange(rows)[:, None])


def _r_hat(x: Floats) -> Floats:
    size = x.shape[2]
    with np.errstate(all="ignore"):
        ratio = np.var(x.mean(axis=2), axis=1, ddof=1) / np.var(x, axis=2, ddof=1).mean(axis=1)
    return np.asarray(np.sqrt(ratio + (size - 1) / size))


def _ess(x: Floats) -> Floats:
    """Effective number of draws by Geyer's initial monotone sequence (eq. 10 to 13 of [1]_, [2]_)."""
    size, chains, draws = x.shape
    total = float(chains * draws)
    if draws < _FEWEST:
        return np.full(size, np.nan)
    covariance = _autocovariance(x)
    within = covariance[:, :, 0].mean(axis=1) * draws / (draws - 1)
    between = np.var(x.mean(axis=2), axis=1, ddof=1) if chains > 1 else 0.0
    pooled = within * (draws - 1) / draws + between
    with np.errstate(all="ignore"):
        rho = 1 - (within[:, None] - covariance.mean(axis=1)) / np.asarray(pooled)[:, None]
    rho[:, 0] = 1.0
    pairs = draws // 2 - 1
    even, odd = rho[:, 0 : 2 * pairs : 2], rho[:, 1 : 2 * pairs : 2]
    sums = even + odd
    ends = np.where((sums <= 0).any(axis=1), (sums <= 0).argmax(axis=1), pairs - 1)
    falling = np.minimum.accumulate(sums, axis=1)
    before = np.where(np.arange(pairs) < ends[:, None], falling, 0.0).sum(axis=1)
    last = np.maximum(np.take_along_axis(even, ends[:, None], axis=1)[:, 0], 0.0)
    tau = np.maximum(-1 + 2 * before + last, 1 / np.log10(total))
    return np.asarray(np.where(np.ptp(x, axis=(1, 2)) < 1e-15, total, total / tau))


def _autocovariance(x: Floats) -> Floats:
    """Along draws, at every lag, dims as ``x``."""
    draws = x.shape[2]
    size = fft.next_fast_len(2 * draws - 1, real=True)
    spectrum = fft.rfft(x - x.mean(axis=2, keepdims=True), n=size)
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(fft.irfft(power, n=size)[..., :draws] / draws)
