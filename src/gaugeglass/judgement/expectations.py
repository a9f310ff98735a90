"""What a reading is expected to tell, before it is known.

D. V. Lindley, Annals of Mathematical Statistics 27 (1956) 986. Everything is taken from sums over draws of the chance
of each outcome times something. Runs of successive draws are left out in turn: that gives errors which know that draws
follow each other, and takes out the bias of judging by few draws (the jackknife: B. Efron, The Jackknife, the Bootstrap
and Other Resampling Plans, SIAM 1982, from memory). The errors of the hypotheses' weights are carried to first order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.outlooks import (
    BATCHES,
    Channel,
    Draws,
    Outlook,
    can_be_centred,
    centred,
    channel,
    nearly_normal,
)
from gaugeglass.judgement.rankings import Expected
from gaugeglass.judgement.ranks import Ranks
from gaugeglass.language.late import Late

special = Late("scipy.special")

_NUDGE = 1e-3
_LEAST = 1e-300
_FLAT = 1e-12
_BLUR = 0.2
"""Noise added to a sharp reading, in units of what scatters about it anyway, so that few draws can tell its entropy.

It takes log(1 + 0.2**2) / 2, 0.02 nats, at most. [1]
"""


@dataclass(frozen=True)
class Target:
    """What is asked: whether the claim holds, as 0 and 1, and what the quantity is, dims ("draw",).

    ``ranks`` are those of the quantity.
    """

    claim: Floats | None
    threshold: float
    quantity: Floats
    ranks: Ranks


@dataclass(frozen=True)
class Telling:
    """All that is expected of one reading, or of several together, as ``Worth`` has it."""

    claim_bits: Expected | None
    crossing: Expected | None
    expected: Expected | None
    quantity_nats: Expected
    narrowing: Expected


def expect(draws: Draws, outlook: Outlook, target: Target) -> Telling:
    """What a reading is expected to tell of the claim and of the quantity."""
    told, one = channel(draws, outlook), np.ones(draws.size)
    z = standardised(target.quantity, draws.weights)
    sums = _sums(draws, told, np.stack([one, one if target.claim is None else target.claim, z, z**2]))
    quantity = _about_quantity(draws, outlook, told, target.ranks)
    narrowing = _estimate(draws, _narrowing(sums), unbiased=True)
    if target.claim is None:
        return Telling(None, None, None, quantity, narrowing)
    whole, holding = sums.told[:, 0], sums.told[:, 1]
    return Telling(
        claim_bits=_positive(_estimate(draws, information(whole, holding), unbiased=True)),
        crossing=_estimate(draws, _crossing(sums, target.threshold, is_ordered=told.is_ordered)),
        expected=_estimate(draws, holding.sum(axis=-1) / whole.sum(axis=-1)),
        quantity_nats=quantity,
        narrowing=narrowing,
    )


def standardised(values: Floats, weights: Floats) -> Floats:
    """Values less their mean, in units of their sd, dims ("draw",); 0 everywhere where they have none."""
    away = values - float(weights @ values)
    sd = math.sqrt(float(weights @ away**2))
    return np.asarray(away / sd) if sd > 0 else np.zeros_like(away)


def _positive(found: Expected) -> Expected:
    return Expected(max(found.value, 0.0), found.mcse)


# --- sums and their errors ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Sums:
    """Sums over draws: of all of them, then with each batch left out, then with each hypothesis a little likelier.

    ``told`` dims ("replicate", "what", "outcome") are of something times the chance of each outcome, ``whole``
    dims ("replicate", "what") of something alone.
    """

    told: Floats
    whole: Floats


def _sums(draws: Draws, told: Channel, what: Floats) -> _Sums:
    """Sums of something in each draw, dims ("what", "draw")."""
    weighted = what * draws.weights
    parts = np.array([[weighted[:, s] @ told.chances[s] for s in row] for row in draws.parts])
    wholes = np.array([[weighted[:, s].sum(axis=1) for s in row] for row in draws.parts])
    found = _replicates(parts)
    if told.made_by is not None:  # outcomes go with the draws that made them
        kept = draws.batch[told.made_by] != np.arange(BATCHES)[:, None]
        found[1 : 1 + BATCHES] *= kept[:, None, :]
    return _Sums(found, _replicates(wholes))


def _replicates(parts: Floats) -> Floats:
    """From sums by hypothesis and batch to those that errors are taken from."""
    by_batch, by_hypothesis = parts.sum(axis=0), parts.sum(axis=1)
    whole = by_batch.sum(axis=0)
    return np.concatenate([whole[None], whole - by_batch, whole + _NUDGE * by_hypothesis])


def _estimate(draws: Draws, values: Floats, *, unbiased: bool = False) -> Expected:
    """A number from what it is in each replicate, dims ("replicate",), and its Monte Carlo error."""
    whole, without, nudged = values[0], values[1 : 1 + BATCHES], values[1 + BATCHES :]
    drawn = (BATCHES - 1) * float(np.var(without))
    errors = np.array([e.mcse for e in draws.posterior.weights.evidences])
    weighed = float(np.sum(((nudged - whole) / _NUDGE * errors) ** 2))
    value = BATCHES * whole - (BATCHES - 1) * without.mean() if unbiased else whole
    return Expected(float(value), math.sqrt(drawn + weighed))


# --- what is told -------------------------------------------------------------------------------------------


def information(whole: Floats, holding: Floats) -> Floats:
    """Information about a claim [bit], dims (...).

    Parameters
    ----------
    whole, holding : dims (..., "outcome")
        Probability of each outcome, in any scale, and of it and the claim together.
    """
    size = whole.sum(axis=-1, keepdims=True)
    p = np.clip(holding.sum(axis=-1, keepdims=True) / size, 0.0, 1.0)
    failing = np.maximum(whole - holding, 0.0)
    joint = special.rel_entr(holding, p * whole) + special.rel_entr(failing, (1 - p) * whole)
    return np.asarray(np.where(np.isfinite(joint), joint, 0.0).sum(axis=-1) / size[..., 0] / math.log(2))


def _narrowing(sums: _Sums) -> Floats:
    """Expected sd after the reading over the sd now, of a quantity; NaN where it has none."""
    p, first, second = sums.told[:, 0], sums.told[:, 2], sums.told[:, 3]
    with np.errstate(all="ignore"):
        variance = np.where(p > 0, second / p - (first / p) ** 2, 0.0)
        after = (p * np.sqrt(np.maximum(variance, 0.0))).sum(axis=-1) / p.sum(axis=-1)
        now = np.sqrt(sums.whole[:, 3] / sums.whole[:, 0] - (sums.whole[:, 2] / sums.whole[:, 0]) ** 2)
        return np.asarray(np.where(now > 0, after / now, np.nan))


def _crossing(sums: _Sums, threshold: float, *, is_ordered: bool) -> Floats:
    """Probability that the claim's probability ends on the other side of its threshold."""
    p = sums.told[:, 0]
    after = sums.told[:, 1] / np.maximum(p, _LEAST)
    below = (after < threshold).astype(np.float64)
    if is_ordered and p.shape[-1] > 1:  # an outcome stands for a range, over which the probability moves
        middle = (after[:, 1:] + after[:, :-1]) / 2
        left, right = np.column_stack([after[:, :1], middle]), np.column_stack([middle, after[:, -1:]])
        low, wide = np.minimum(left, right), np.abs(right - left)
        below = np.where(wide > _FLAT, np.clip((threshold - low) / np.maximum(wide, _FLAT), 0.0, 1.0), below)
    share = (p * below).sum(axis=-1) / p.sum(axis=-1)
    is_below = sums.whole[0, 1] / sums.whole[0, 0] < threshold
    return np.asarray(1 - share if is_below else share)


def _about_quantity(draws: Draws, outlook: Outlook, told: Channel, ranks: Ranks) -> Expected:
    """Information about a quantity. [nat]

    It is the entropy of the reading less what is left of it where the quantity is known. What the quantity foretells of
    the reading is taken off first, which changes no entropy, so that chances may be smoothed over the quantity's ranks
    as wide as noise asks, and nothing is lost. What cannot be moved so, a small count or several readings, is smoothed
    over narrow ranks alone; a sharp one that tells nothing may be found to tell a little there.
    """
    if ranks.is_one:
        return Expected(0.0, 0.0)
    normal = nearly_normal(outlook)
    if normal is not outlook:
        outlook, told = normal, channel(draws, normal)
    if not can_be_centred(outlook):
        kernel, share = ranks.narrow
        sums = _sums(draws, told, kernel)
        smooth, shares = _rows(sums.told), _shares(sums, share)
        middle = np.einsum("rj,rjg->rg", shares, smooth)
        each = special.rel_entr(smooth, np.maximum(middle, _LEAST)[:, None, :]).sum(axis=-1)
        return _positive(_estimate(draws, np.sum(each * shares, axis=-1), unbiased=True))
    kernel, share = ranks.wide if len(outlook.chances) == 1 else ranks.narrow  # bases move apart with the quantity
    mu = np.sum(outlook.chances * outlook.mu, axis=0)
    moved = ranks.foretold(mu)
    blurred = replace(outlook, u=np.hypot(outlook.u, _BLUR * _least_rest(kernel * draws.weights, mu - moved)))
    rest, told = centred(blurred, moved), channel(draws, blurred)
    sums = _sums(draws, rest, kernel)
    left = np.sum(_entropy(_rows(sums.told), rest.width) * _shares(sums, share), axis=-1)
    whole = _entropy(_rows(_sums(draws, told, np.ones((1, draws.size))).told), told.width)[:, 0]
    return _positive(_estimate(draws, whole - left, unbiased=True))


def _least_rest(kernel: Floats, rest: Floats) -> float:
    """How far predictions scatter where the quantity is known, at that rank where they scatter least."""
    rest = np.where(np.isfinite(rest), rest, 0.0)
    whole = np.maximum(kernel.sum(axis=1), _LEAST)
    variance = kernel @ rest**2 / whole - (kernel @ rest / whole) ** 2
    return math.sqrt(max(float(variance.min()), 0.0))


def _shares(sums: _Sums, share: Floats) -> Floats:
    """The share of each rank among the draws of each replicate, dims ("replicate", "rank")."""
    found = share * sums.whole / sums.whole[0]
    return np.asarray(found / found.sum(axis=-1, keepdims=True))


def _rows(told: Floats) -> Floats:
    """Sums made into chances of outcomes, along the last axis."""
    return np.asarray(told / np.maximum(told.sum(axis=-1, keepdims=True), _LEAST))


def _entropy(chances: Floats, width: Floats) -> Floats:
    """Entropy of a reading whose outcomes each stand for a width [nat], dims (...)."""
    return np.asarray(special.entr(chances).sum(axis=-1) + chances @ np.log(width))
