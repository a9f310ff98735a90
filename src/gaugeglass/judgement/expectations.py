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
interpolate = Late("scipy.interpolate")

_NUDGE = 1e-3
_LEAST = 1e-300
_FLAT = 1e-12
_FINER = 12
"""Steps from one outcome to the next at which a crossing is looked for. [1]"""
_FEWEST_NODES = 3
"""Outcomes from which on they are read between. [1]"""
_FADED = 1e-10
"""Density of an outcome, over the greatest, below which it is as good as impossible. [1]"""
_SURE = 1e-9
"""How near to certain a claim's probability is taken to be at most. [1]"""
_BLUR = 0.2
"""Noise added to a sharp reading, in units of what scatters about it anyway, so that few draws can tell its entropy.

It takes log(1 + 0.2**2) / 2, 0.02 nats, at most. [1]
"""


@dataclass(frozen=True)
class Target:
    """What is asked: whether the claim holds, as 0 and 1, and what the quantity is, dims ("draw",).

    Of the quantity only the draws ``among`` which it has a value count.
    ``probability`` [1] is the claim's by all draws there are, NaN without one; ``ranks`` are those of the quantity.
    """

    claim: Floats | None
    threshold: float
    probability: float
    quantity: Floats
    ranks: Ranks
    among: Draws


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
    told, one, among = channel(draws, outlook), np.ones(draws.size), target.among
    of_quantity = told if among is draws else channel(among, outlook)
    z = standardised(target.quantity, among.weights)
    quantity = _about_quantity(among, outlook, of_quantity, target.ranks)
    narrowing = _estimate(among, _narrowing(_sums(among, of_quantity, np.stack([one, z, z**2]))), unbiased=True)
    if target.claim is None:
        return Telling(None, None, None, quantity, narrowing)
    sums = _sums(draws, told, np.stack([one, target.claim]))
    whole, holding = sums.told[:, 0], sums.told[:, 1]
    return Telling(
        claim_bits=_positive(_estimate(draws, information(whole, holding), unbiased=True)),
        crossing=_crossing(draws, sums, told, target),
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
    p, first, second = sums.told[:, 0], sums.told[:, 1], sums.told[:, 2]
    with np.errstate(all="ignore"):
        variance = np.where(p > 0, second / p - (first / p) ** 2, 0.0)
        after = (p * np.sqrt(np.maximum(variance, 0.0))).sum(axis=-1) / p.sum(axis=-1)
        now = np.sqrt(sums.whole[:, 2] / sums.whole[:, 0] - (sums.whole[:, 1] / sums.whole[:, 0]) ** 2)
        return np.asarray(np.where(now > 0, after / now, np.nan))


def _crossing(draws: Draws, sums: _Sums, told: Channel, target: Target) -> Expected:
    """Probability that the claim's probability ends on the other side of its threshold.

    Outcomes that stand for a range are read between: over it the log odds are straight and the logarithm of the density
    is a cubic spline, so that the place of crossing is found to a fraction of their distance. Outcomes that are counts
    or were simulated stand on one side or the other; that they may be on the wrong one is part of the error.
    """
    chances, after = _rows(sums.told[:, 0]), sums.told[:, 1] / np.maximum(sums.told[:, 0], _LEAST)
    is_read_between = told.y is not None and chances.shape[-1] > _FEWEST_NODES
    share_below = _below_between if is_read_between else _below_told_apart
    below = share_below(told, chances, after, target.threshold)
    found = _estimate(draws, 1 - below if target.probability < target.threshold else below)
    if is_read_between:
        return found
    errors = np.array([_estimate(draws, column).mcse for column in after.T])
    astray = special.ndtr(-np.abs(after[0] - target.threshold) / np.maximum(errors, _LEAST))
    return Expected(found.value, math.hypot(found.mcse, math.sqrt(float(chances[0] ** 2 @ (astray * (1 - astray))))))


def _below_told_apart(told: Channel, chances: Floats, after: Floats, threshold: float) -> Floats:
    """Chance of an outcome after which the claim's probability is below its threshold, dims ("replicate",)."""
    return np.asarray((chances * (after < threshold)).sum(axis=-1))


def _below_between(told: Channel, chances: Floats, after: Floats, threshold: float) -> Floats:
    """The same, each outcome standing for a range."""
    density = chances / told.width
    seen = np.flatnonzero(density[0] > _FADED * density[0].max())
    part = slice(seen[0], seen[-1] + 1) if len(seen) > _FEWEST_NODES else slice(None)
    nodes = np.asarray(told.y)[part]
    density = np.maximum(density[:, part], _FADED * density.max(axis=-1, keepdims=True))
    y = np.interp(np.arange((len(nodes) - 1) * _FINER + 1) / _FINER, np.arange(len(nodes)), nodes)
    fine = np.exp(interpolate.CubicSpline(nodes, np.log(density), axis=-1)(y))
    mass = (fine[:, 1:] + fine[:, :-1]) / 2 * np.diff(y)
    above = special.logit(np.clip(after[:, part], _SURE, 1 - _SURE)) - special.logit(threshold)
    above = interpolate.make_interp_spline(nodes, above, k=1, axis=-1)(y)
    low = np.minimum(above[:, 1:], above[:, :-1])
    wide = np.abs(above[:, 1:] - above[:, :-1])
    share = np.clip(-low / np.maximum(wide, _FLAT), 0.0, 1.0)
    return np.asarray((mass * share).sum(axis=-1) / mass.sum(axis=-1))


def _about_quantity(draws: Draws, outlook: Outlook, told: Channel, ranks: Ranks) -> Expected:
    """Information about a quantity. [nat]

    It is the entropy of the reading less what is left of it where the quantity is known. What the quantity foretells of
    the reading is taken off first, which changes no entropy, so that chances may be smoothed over the quantity's ranks
    as wide as noise asks, and nothing is lost. What cannot be moved so, a small count or several readings, needs no
    smoothing where the quantity decides how it scatters, and is smoothed over narrow ranks alone else; a sharp one that
    tells nothing may be found to tell a little there.
    """
    if ranks.is_one:
        return Expected(0.0, 0.0)
    normal = nearly_normal(outlook)
    if normal is not outlook:
        outlook, told = normal, channel(draws, normal)
    if not can_be_centred(outlook):
        if outlook.is_whole and _is_decided(outlook, ranks):
            return _about_decided(draws, told)
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


def _is_decided(outlook: Outlook, ranks: Ranks) -> bool:
    """Whether nothing but the quantity says how a reading scatters."""
    u = np.nan_to_num(outlook.u)  # counts have none
    return all(ranks.decide(row) for row in (*outlook.mu, *u, *outlook.chances, outlook.right))


def _about_decided(draws: Draws, told: Channel) -> Expected:
    """Information about a quantity that decides how the reading scatters [nat]: each draw stands for its own value."""
    own = special.entr(told.chances).sum(axis=1)
    sums = _sums(draws, told, np.stack([np.ones(draws.size), own]))
    whole, left = special.entr(_rows(sums.told[:, 0])).sum(axis=-1), sums.whole[:, 1] / sums.whole[:, 0]
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
