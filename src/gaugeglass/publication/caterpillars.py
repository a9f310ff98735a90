"""One quantity of many members: their intervals in the order of their medians, each named on its own line."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from gaugeglass.judgement.results import QuantitySummary
from gaugeglass.publication import numbers
from gaugeglass.publication.members import Members, medians_text, split_name
from gaugeglass.publication.sheet import (
    EDGE,
    FAINT,
    LEFT,
    MIST,
    PAPER,
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

MOST_MEMBERS = 60
"""How many members are drawn at most: as many of the lowest as of the highest."""
_KEY, _FOOT = 0.27, 0.5
_LETTERS = 14
_NAMES, _VALUES = 0.95, 0.75
"""Room for the names on the left and the medians on the right [inch]."""


def caterpillar(group: Members, *, per: str = "") -> Picture:
    """The 90 % credible interval of every member before and after the evidence, from the lowest median to the highest.

    Parameters
    ----------
    per
        What the members are, as the model names the group.
    """
    with mpl.rc_context(SETTINGS):
        rows, left_out = _shown(group)
        by = f"{spoken(group.name).capitalize()} by {spoken(per) or 'member'}"
        title = f"{by}: medians of {group.count} from {medians_text(group)}"
        step = 0.27 if len(rows) <= 12 else 0.18
        sheet = blank(title, _KEY + step * (len(rows) + bool(left_out)) + _FOOT)
        sheet.key("after the evidence", (1.3, "before"), (1.85, "medians and 90 % credible intervals"))
        width = WIDTH - LEFT - RIGHT - _NAMES - _VALUES
        axes = sheet.axes(LEFT + _NAMES, _KEY, width, step * (len(rows) + bool(left_out)))
        _draw(axes, group, rows, left_out)
        alt = f"{title}. " + " ".join(_sentence(q) for q in group.ordered)
        headings = ("member", "unit", "prior median", "prior 5 %", "prior 95 %", "posterior median", "posterior 5 %",
                    "posterior 95 %", "posterior sd over prior sd")  # fmt: skip
        return finish(sheet, f"members-{group.name}", title, alt, headings, [_cells(q) for q in group.ordered])


def _shown(group: Members) -> tuple[list[QuantitySummary], int]:
    """Which members are drawn, and how many between them are not."""
    ordered = list(group.ordered)
    left_out = max(len(ordered) - MOST_MEMBERS, 0)
    half = MOST_MEMBERS // 2
    return (ordered if not left_out else ordered[:half] + ordered[-half:]), left_out


def _draw(axes: Axes, group: Members, rows: Sequence[QuantitySummary], left_out: int) -> None:
    low, high = _window(group)
    exponent = numbers.scale_of(max(abs(low), abs(high)))
    axes.set(xlim=(low, high), ylim=(len(rows) + bool(left_out), 0))
    beside = blended_transform_factory(axes.transAxes, axes.transData)
    heights = [i + 0.5 + (1 if left_out and i >= len(rows) // 2 else 0) for i in range(len(rows))]
    _intervals(axes, heights, rows)
    for y, q in zip(heights, rows, strict=True):
        _labels(axes, y, q, exponent=exponent)
    if left_out:
        axes.text(0.5, len(rows) / 2 + 0.5, f"{left_out} members between these", fontsize=7.5, color=FAINT, ha="center",
                  va="center", style="italic", transform=beside)  # fmt: skip
    shown = numbers.unit_text(group.unit) or ("" if exponent else "pure number")
    axes.set_xlabel(f"{numbers.power_text(exponent)} {shown}".strip() if exponent else shown, fontsize=8)
    axes.locator_params(axis="x", nbins=5)
    axes.grid(axis="x", color=RULE, lw=0.6)
    axes.set_axisbelow(True)
    axes.xaxis.set_major_formatter(lambda x, _: f"{x / 10.0**exponent:.6g}".replace("-", numbers.MINUS))


def _intervals(axes: Axes, heights: Sequence[float], rows: Sequence[QuantitySummary]) -> None:
    low, high = axes.get_xlim()
    before = np.clip([(q.prior.lower, q.prior.upper) for q in rows], low, high).T
    axes.hlines(heights, *before, color=MIST, lw=4.5, alpha=0.55, zorder=1)
    medians = [(q.prior.median, y) for y, q in zip(heights, rows, strict=True) if low <= q.prior.median <= high]
    axes.plot([x for x, _ in medians], [y for _, y in medians], "|", color=EDGE, ms=5, mew=1, zorder=1.5)
    ends = np.array([(q.posterior.lower, q.posterior.upper) for q in rows]).T
    axes.hlines(heights, *ends, color=TEAL, lw=2, zorder=2)
    axes.plot([q.posterior.median for q in rows], heights, "o", color=PAPER, mec=TEAL, mew=1.2, ms=4, zorder=3)


def _labels(axes: Axes, y: float, q: QuantitySummary, *, exponent: int) -> None:
    beside, scale = blended_transform_factory(axes.transAxes, axes.transData), 10.0**exponent
    name = short(split_name(q.name)[1], _LETTERS)
    axes.text(-0.02, y, name, fontsize=7.5, ha="right", va="center", transform=beside)
    median = numbers.rounded(q.posterior.median / scale, q.posterior.sd / scale)
    axes.text(1.02, y, median, fontsize=7.5, color=TEAL, ha="left", va="center", transform=beside)


def _window(group: Members) -> tuple[float, float]:
    """Every interval after the evidence, with as much of those before as leaves them readable."""
    low, high = min(q.posterior.lower for q in group.members), max(q.posterior.upper for q in group.members)
    width = high - low or abs(high) or 1.0
    before = min(q.prior.lower for q in group.members), max(q.prior.upper for q in group.members)
    left, right = max(min(before[0], low), low - 0.5 * width), min(max(before[1], high), high + 0.5 * width)
    return left - 0.03 * width, right + 0.03 * width


def _sentence(q: QuantitySummary) -> str:
    return f"{split_name(q.name)[1]}: {numbers.middle(q.posterior, q.unit)}."


def _cells(q: QuantitySummary) -> tuple[str | float, ...]:
    member, unit = split_name(q.name)[1], numbers.unit_text(q.unit)
    return (member, unit, q.prior.median, q.prior.lower, q.prior.upper, q.posterior.median, q.posterior.lower,
            q.posterior.upper, q.ratio)  # fmt: skip
