"""Chains and parts: what a quantity passes through and what a total is made of, as a model file lists them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gaugeglass.judgement.results import Spread
from gaugeglass.language.spec import Balance, Spec
from gaugeglass.language.units import Unit, convert
from gaugeglass.publication import numbers
from gaugeglass.publication.sheet import (
    CLEAR,
    FAINT,
    INK,
    LEFT,
    PAPER,
    RIGHT,
    RULE,
    SERIES,
    SETTINGS,
    SLATE,
    TEAL,
    WIDTH,
    Draws,
    Picture,
    blank,
    finish,
    spoken,
)


@dataclass(frozen=True, slots=True)
class _Level:
    """One listed quantity with its draws in the unit of the first."""

    name: str
    about: str
    draws: NDArray[np.float64]

    @property
    def spread(self) -> Spread:
        low, middle, high = np.quantile(self.draws, (0.05, 0.5, 0.95))
        return Spread(float(self.draws.mean()), float(self.draws.std()), float(middle), float(low), float(high))


def _levels(spec: Spec, posterior: Draws, names: Sequence[str]) -> tuple[list[_Level], str]:
    unit = spec.unit(names[0])
    quantities = spec.model.quantities
    return [_Level(n, quantities[n].about, _drawn(spec, posterior, n, unit)) for n in names], unit.text


def _drawn(spec: Spec, posterior: Draws, name: str, unit: Unit) -> NDArray[np.float64]:
    own = spec.unit(name)
    zero, one = convert(0.0, own, unit), convert(1.0, own, unit)
    draws = np.asarray(posterior[name] if name in posterior else [spec.givens[name]], dtype=float).ravel()
    return np.asarray(zero + (one - zero) * draws)


def _row_of(level: _Level, unit: str) -> tuple[Any, ...]:
    s = level.spread
    return level.name, numbers.unit_text(unit), s.mean, s.sd, s.lower, s.upper


_LEVEL_HEADINGS = ("quantity", "unit", "mean", "sd", "5 %", "95 %")


def chain(spec: Spec, posterior: Draws, described: Balance, *, name: str = "chain") -> Picture:
    """Successive levels of one quantity as bars, with what is lost or gained between each and the next.

    Parameters
    ----------
    described : Balance
        ``quantities``, names of one dimension in order, and ``title``, as the model file states them.
    """
    levels, unit = _levels(spec, posterior, described.quantities)
    with mpl.rc_context(SETTINGS):
        title = f"{described.title}: {_level_text(levels[0], unit)} to {_level_text(levels[-1], unit)}"
        step = 0.74
        sheet = blank(title, step * len(levels) + 0.5)
        axes = sheet.axes(LEFT, 0, WIDTH - LEFT - RIGHT, step * len(levels))
        ends = [e for level in levels for e in (level.spread.lower, level.spread.upper, 0.0)]
        axes.set(xlim=(min(ends), max(ends) * 1.02 or 1.0), ylim=(len(levels), 0), xlabel=numbers.unit_text(unit))
        for i, level in enumerate(levels):
            _bar(axes, i, level, unit, start=0.0, color=TEAL if i in (0, len(levels) - 1) else SLATE)
            if i:
                _drop(axes, i, levels[i - 1], level, unit)
        alt = f"{title}. " + " ".join(f"{spoken(v.name).capitalize()} {_level_text(v, unit)}." for v in levels)
        alt += f" Whiskers and intervals are central {numbers.percent(0.9, 0)}."
        return finish(sheet, name, title, alt, _LEVEL_HEADINGS, [_row_of(v, unit) for v in levels])


def _level_text(level: _Level, unit: str) -> str:
    return numbers.spread_value(level.spread, unit)


def _bar(axes: Axes, i: int, level: _Level, unit: str, *, start: float, color: str) -> None:
    low, high = axes.get_xlim()
    y, s = i + 0.72, level.spread
    style: Any = {"fontsize": 9, "fontweight": "bold", "va": "top"}
    axes.text(low, i + 0.18, spoken(level.name), **style)
    axes.text(high, i + 0.18, _level_text(level, unit), color=color, ha="right", bbox=CLEAR, **style)
    axes.barh(y, s.mean, height=0.34, left=start, color=color, alpha=0.85, lw=0)
    axes.plot([start + s.lower, start + s.upper], [y, y], color=INK, lw=1.3, marker="|", ms=8, mew=1.3)


def _drop(axes: Axes, i: int, before: _Level, after: _Level, unit: str) -> None:
    difference = after.draws - before.draws
    text = numbers.change(float(difference.mean()), float(difference.std()), unit)
    low, high = axes.get_xlim()
    start, end = before.spread.mean, after.spread.mean
    axes.plot([start, start], [i - 0.11, i + 0.55], color=FAINT, lw=0.7, ls=(0, (2, 2)))
    axes.barh(i + 0.72, start - end, height=0.34, left=end, color="none", edgecolor=FAINT, lw=0.7, ls=(0, (2, 2)))
    axes.text(low + 0.62 * (high - low), i + 0.19, text, fontsize=8, color=FAINT, ha="center", va="top", bbox=CLEAR)


def parts(spec: Spec, posterior: Draws, described: Balance, *, name: str = "parts") -> Picture:
    """What a total is made of: one bar of all parts, and beneath it each part with its uncertainty.

    Parameters
    ----------
    described : Balance
        ``quantities``, names of one dimension that add up, ``title``, and maybe ``total``, the sum's own name.
    """
    levels, unit = _levels(spec, posterior, described.quantities)
    total = _total(spec, posterior, described, levels)
    with mpl.rc_context(SETTINGS):
        title = f"{described.title}: {spoken(total.name)} {_level_text(total, unit)}"
        step = 0.74
        sheet = blank(title, step * (len(levels) + 1) + 0.5)
        axes = sheet.axes(LEFT, 0, WIDTH - LEFT - RIGHT, step * (len(levels) + 1))
        starts = np.concatenate([[0.0], np.cumsum([v.spread.mean for v in levels])])
        reach = max(total.spread.upper, *(s + v.spread.upper for s, v in zip(starts, levels, strict=False)))
        axes.set(xlim=(0, reach * 1.02), ylim=(len(levels) + 1, 0), xlabel=numbers.unit_text(unit))
        _stack(axes, levels, total, starts, unit)
        for i, level in enumerate(levels):
            _bar(axes, i + 1, level, unit, start=float(starts[i]), color=SERIES[i % len(SERIES)])
        alt = f"{title}. " + " ".join(f"{spoken(v.name).capitalize()} {_level_text(v, unit)}." for v in levels)
        return finish(sheet, name, title, alt, _LEVEL_HEADINGS, [_row_of(v, unit) for v in (*levels, total)])


def _total(spec: Spec, posterior: Draws, described: Balance, levels: Sequence[_Level]) -> _Level:
    named = described.total
    if named:
        unit = spec.unit(levels[0].name)
        return _Level(named, spec.model.quantities[named].about, _drawn(spec, posterior, named, unit))
    return _Level("total", "", np.asarray(sum(v.draws for v in levels)))


def _stack(axes: Axes, levels: Sequence[_Level], total: _Level, starts: NDArray[np.float64], unit: str) -> None:
    axes.text(0, 0.18, spoken(total.name), fontsize=9, fontweight="bold", va="top")
    axes.text(axes.get_xlim()[1], 0.18, _level_text(total, unit), fontsize=9, fontweight="bold", ha="right", va="top")
    for i, level in enumerate(levels):
        mean = level.spread.mean
        axes.barh(
            0.72, mean, left=starts[i], height=0.34, color=SERIES[i % len(SERIES)], edgecolor=PAPER, alpha=0.85, lw=1
        )
        axes.plot([starts[i + 1]] * 2, [0.9, i + 1.55], color=RULE, lw=0.8, zorder=0)
    axes.plot([total.spread.lower, total.spread.upper], [0.72, 0.72], color=INK, lw=1.3, marker="|", ms=8, mew=1.3)
