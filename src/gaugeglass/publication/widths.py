"""A verdict over the width of the prior that it hinges on most."""

from __future__ import annotations

import math

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from gaugeglass.judgement.results import Assessment, Verdict, WidthCurve
from gaugeglass.publication import numbers
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    OCHRE,
    PLUM,
    RIGHT,
    RULE,
    SETTINGS,
    TEAL,
    WIDTH,
    Picture,
    blank,
    finish,
    short,
    spoken,
)

_UP, _ENOUGH = 0.06, 0.13
"""The middle of the threshold's label above its line, and how far a curve has to keep from a label. [share]"""
_THRESHOLD, _SHADED = 0.25, 0.42  # how wide the labels are, of the axis
_PLAIN = 4
"""Power of ten from which on Bayes factors beside the axis are powers of ten. [1]"""


def width_curve(assessment: Assessment, index: int = 0) -> Picture:
    """A verdict and its Bayes factor over the width of the prior that it hinges on most."""
    verdict = assessment.verdicts[index]
    curve = verdict.curve
    if curve is None:
        raise ValueError(f"the verdict on {verdict.claim!r} has no curve over prior widths")
    with mpl.rc_context(SETTINGS):
        title = _width_title(curve, verdict.threshold)
        factors = [(p.factor, p.bayes_factor) for p in curve.points if 0 < p.bayes_factor < math.inf]
        sheet = blank(title, 4.0 if factors else 2.8)
        width = WIDTH - LEFT - RIGHT - 0.42
        panels = [sheet.axes(LEFT + 0.42, 0.22, width, 1.85)]
        sheet.text(LEFT, 0, f"Probability: {short(verdict.says, 60)}", fontsize=8, color=FAINT)
        _probability_panel(panels[0], verdict, curve)
        if factors:
            panels.append(sheet.axes(LEFT + 0.42, 2.72, width, 0.65))
            sheet.text(LEFT, 2.5, "Bayes factor", fontsize=8, color=FAINT)
            _factor_panel(panels[1], curve, factors)
        panels[-1].set_xlabel(f"width of the prior of “{spoken(curve.latent)}” over the stated one", fontsize=8)
        chance = ("at least", "at most") if curve.is_open else ("probability",)
        headings = ("width factor", *chance, "Monte Carlo error", "Bayes factor")
        cells = [(p.factor, *p.ends[: len(chance)], p.mcse, p.bayes_factor) for p in curve.points]
        name = "width-curve" if index == 0 else f"width-curve-{verdict.claim}"
        return finish(sheet, name, title, _width_alt(verdict, curve, title), headings, cells)


def stands_over(curve: WidthCurve) -> str:
    """Over which widths a verdict stands, in words."""
    return f"{numbers.factor(curve.stands_from)} to {numbers.factor(curve.stands_to)}"


def bayes_range(curve: WidthCurve) -> str:
    """The least and greatest Bayes factor over the widths tried."""
    factors = [p.bayes_factor for p in curve.points if math.isfinite(p.bayes_factor)]
    if not factors:
        return numbers.ABSENT
    return f"{numbers.bayes_factor(min(factors))} to {numbers.bayes_factor(max(factors))}"


def _width_title(curve: WidthCurve, threshold: float) -> str:
    tried = [p.factor for p in curve.points]
    least, most = next(p.ends for p in curve.points if p.factor == 1.0)
    stands = "stays open" if least < threshold <= most else "stands"
    if curve.stands_from <= min(tried) and curve.stands_to >= max(tried):
        return f"The verdict {stands} at every prior width tried, {stands_over(curve)}"
    beyond = "moves" if curve.is_open else "turns"
    return f"The verdict {stands} for prior widths {stands_over(curve)} and {beyond} beyond"


def _width_alt(verdict: Verdict, curve: WidthCurve, title: str) -> str:
    ends = numbers.chances(verdict.lowest, verdict.highest)
    ends += ", of all that draws without a value leave open" if curve.is_open else ""
    return (f"{title}. Curve of the probability that {verdict.says} over the width of the prior of "
            f"{spoken(curve.latent)}: {ends}; Bayes factor {bayes_range(curve)}; "
            f"threshold {numbers.percent(verdict.threshold, 0)}.")  # fmt: skip


def _log_axis(axes: Axes, curve: WidthCurve) -> None:
    axes.set_xscale("log", base=2)
    tried = [p.factor for p in curve.points]
    low, high = min(tried), max(tried)
    ticks = [2.0**k for k in range(math.ceil(math.log2(low) - 1e-9), math.floor(math.log2(high) + 1e-9) + 1)]
    axes.set_xticks(ticks, [f"{numbers.factor(t)}\nas stated" if t == 1 else numbers.factor(t) for t in ticks])
    axes.minorticks_off()
    axes.set_xlim(low * 0.94, high * 1.06)


def _probability_panel(axes: Axes, verdict: Verdict, curve: WidthCurve) -> None:
    _log_axis(axes, curve)
    x = [p.factor for p in curve.points]
    y, most = np.array([p.ends for p in curve.points]).T
    error = 2 * np.nan_to_num([p.mcse for p in curve.points])
    axes.axvspan(curve.stands_from, curve.stands_to, color=TEAL, alpha=0.07, lw=0)
    axes.fill_between(x, np.clip(y - error, 0, 1), np.clip(most + error, 0, 1), color=TEAL, alpha=0.3, lw=0)
    for bound in (y, most) if curve.is_open else (y,):
        axes.plot(x, bound, color=TEAL, lw=1.8, marker="o", ms=4)
    axes.axhline(verdict.threshold, color=PLUM, lw=1.1, ls=(0, (5, 3)))
    start, end = axes.get_xlim()
    whole = math.log(end / start)
    firsts = {"right": end * math.exp(-_THRESHOLD * whole), "left": start}
    labels = [(side, verdict.threshold + up) for side in firsts for up in (_UP, -_UP)]
    side, middle = max(labels, key=lambda at: _clearance(curve, firsts[at[0]], at[1], _THRESHOLD * whole))
    edge = end / 1.01 if side == "right" else start * 1.01
    said = f"threshold {numbers.percent(verdict.threshold, 0)}"
    axes.text(edge, middle, said, color=PLUM, fontsize=8, ha=side, va="center")
    shaded = curve.stands_from * 1.02
    heights = [y for y in (0.08, 0.2, 0.3, 0.7, 0.8, 0.92) if abs(y - verdict.threshold) > 2 * _UP]
    height = max(heights, key=lambda y: _clearance(curve, shaded, y, _SHADED * whole))
    axes.text(shaded, height, "shaded: the verdict stands", color=TEAL, fontsize=8, va="center")
    axes.axvline(1, color=RULE, lw=0.9, zorder=0)
    axes.set_ylim(0, 1.05)
    axes.set_yticks([0, 0.5, 1], ["0 %", "50 %", "100 %"])


def _clearance(curve: WidthCurve, start: float, middle: float, width: float) -> float:
    """How far the curve keeps from a label that starts at a width factor, up to what is enough. [share]"""
    across = np.linspace(math.log(start), math.log(start) + width, 40)
    x = np.log([p.factor for p in curve.points])
    least, most = (np.interp(across, x, ends) for ends in np.array([p.ends for p in curve.points]).T)
    return min(float(np.clip(np.maximum(least - middle, middle - most), 0.0, None).min()), _ENOUGH)


def _factor_panel(axes: Axes, curve: WidthCurve, factors: list[tuple[float, float]]) -> None:
    _log_axis(axes, curve)
    x, y = zip(*factors, strict=True)
    axes.set_yscale("log")
    axes.plot(x, y, color=OCHRE, lw=1.8, marker="o", ms=3.5)
    axes.axhline(1, color=RULE, lw=0.9)
    low, high = min(*y, 1) / 1.5, max(*y, 1) * 1.5
    axes.set_ylim(low, high)
    axes.minorticks_off()
    ticks = _spaced([_tick(end) for end in (min(y), max(y))], least=0.22 * math.log(high / low))
    axes.set_yticks(ticks, [_tick_text(t) for t in ticks])


def _tick(end: float) -> float:
    """An end of the curve to two digits; far from 1 the power of ten next to it on the side of 1, to be short."""
    return float(f"{end:.2g}") if _is_near_one(end) else 10.0 ** int(math.log10(end))


def _tick_text(tick: float) -> str:
    return numbers.bayes_factor(tick) if _is_near_one(tick) else numbers.power_text(round(math.log10(tick)))


def _is_near_one(x: float) -> bool:
    return -_PLAIN < math.log10(x) < _PLAIN


def _spaced(ends: list[float], *, least: float) -> list[float]:
    """The end farther from 1, and the other and 1 where there is room for their labels."""
    found: list[float] = []
    for tick in (*sorted(ends, key=lambda end: -abs(math.log(end))), 1.0):
        if all(abs(math.log(tick / other)) > least for other in found):
            found.append(tick)
    return found
