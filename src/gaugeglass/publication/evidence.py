"""The ledger: each observation against its posterior prediction."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from gaugeglass.judgement.results import Assessment, LedgerRow
from gaugeglass.publication import numbers
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    MIST,
    PAPER,
    PLUM,
    RIGHT,
    SETTINGS,
    TEAL,
    WIDTH,
    Picture,
    blank,
    finish,
    short,
    spoken,
)

SURPRISING = 0.05
"""Tail probability below which a reading is marked [1]."""
FARTHEST = 5.0
"""Where the ledger's axis ends [sd of the prediction]."""
MOST_ROWS = 60
_LEDGER_LETTERS = 66


def ledger(assessment: Assessment) -> Picture:
    """Each reading against its posterior prediction, in standard deviations of the prediction."""
    with mpl.rc_context(SETTINGS):
        rows = _most_surprising(assessment.ledger)
        counted = [r for r in rows if r.withdrawn is None]
        title = _ledger_title(assessment.ledger)
        step = 0.6
        sheet = blank(title, step * len(rows) + 0.62)
        axes = sheet.axes(LEFT, 0, WIDTH - LEFT - RIGHT, step * max(len(rows), 1))
        axes.set(xlim=(-FARTHEST - 0.2, FARTHEST + 0.2), ylim=(len(rows), 0))
        axes.set_xlabel("standard deviations from the predicted mean; grey: its central 90 %", fontsize=8)
        axes.set_xticks(range(-4, 5, 2), [numbers.fixed(x, 0) for x in range(-4, 5, 2)])
        for i, row in enumerate(rows):
            _ledger_row(axes, i, row)
        alt = f"{title}. " + " ".join(_ledger_sentence(r) for r in counted)
        headings = ("observation", "unit", "reading", "from", "to", "predicted", "predicted sd", "tail probability")
        return finish(sheet, "ledger", title, alt, headings, [_ledger_numbers(r) for r in rows])


def _most_surprising(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    if len(rows) <= MOST_ROWS:
        return list(rows)
    kept = sorted(range(len(rows)), key=lambda i: 2.0 if (tail := rows[i].tail) is None else tail)[:MOST_ROWS]
    return [rows[i] for i in sorted(kept)]


def _is_surprising(row: LedgerRow) -> bool:
    return row.tail is not None and row.tail < SURPRISING


def _ledger_title(rows: Sequence[LedgerRow]) -> str:
    counted = [r for r in rows if r.withdrawn is None]
    far = [r for r in counted if _is_surprising(r)]
    gone = len(rows) - len(counted)
    withdrawn = f"; {gone} withdrawn" if gone else ""
    some = f"; the {MOST_ROWS} farthest out shown" if len(rows) > MOST_ROWS else ""
    if not far:
        return f"No reading of {len(counted)} lies where fewer than 5 % were expected{withdrawn}{some}"
    verb = "lies" if len(far) == 1 else "lie"
    return f"{len(far)} of {len(counted)} readings {verb} where fewer than 5 % were expected{withdrawn}{some}"


def name_of(row: LedgerRow) -> str:
    """What an observation is called in public."""
    return row.id or "private source"


def predicted_text(row: LedgerRow) -> str:
    """The posterior prediction of a reading, or that it no longer counts."""
    if row.predicted is None:
        return "not counted"
    return numbers.spread_value(row.predicted, row.unit)


def reading_text(row: LedgerRow) -> str:
    """A reading as it was stated, and in the unit of its method where that is another."""
    converted = row.unit != "1" and row.unit not in row.stated
    parts = [row.stated]
    if converted:
        parts.append(f" = {numbers.with_unit(numbers.plain(row.value), row.unit)}")
    if row.u is not None and not any(sign in row.stated for sign in "±("):
        parts.append(f", u {numbers.with_unit(numbers.plain(row.u, 2), row.unit)}")
    return "".join(parts)


def tail_text(tail: float | None) -> str:
    """A tail probability, with a decimal where it is small."""
    return numbers.ABSENT if tail is None else numbers.percent(tail, 1 if tail < 0.1 else 0)


def open_questions(assessment: Assessment) -> tuple[str, ...]:
    """What is not identified, each quantity with what it is about."""
    abouts = {q.name: q.about for q in assessment.quantities}
    return tuple(f"{spoken(n)}: {abouts[n]}" if abouts.get(n) else spoken(n) for n in assessment.not_identified)


def _ledger_sentence(row: LedgerRow) -> str:
    tail = "" if row.tail is None else f", tail probability {numbers.percent(row.tail)}"
    return f"{name_of(row)}: stated {reading_text(row)}, predicted {predicted_text(row)}{tail}."


def _ledger_numbers(r: LedgerRow) -> tuple[Any, ...]:
    mean, sd = (r.predicted.mean, r.predicted.sd) if r.predicted else (None, None)
    return name_of(r), numbers.unit_text(r.unit), r.value, r.lower, r.upper, mean, sd, r.tail


def _against(row: LedgerRow) -> str:
    """A reading and its prediction on one line, the unit named once where both would not fit."""
    stated = numbers.unit_text(reading_text(row))
    text = f"{stated}, predicted {predicted_text(row)}"
    if len(text) <= _LEDGER_LETTERS or row.predicted is None:
        return text
    return short(f"{stated}, predicted {numbers.spread_value(row.predicted)}", _LEDGER_LETTERS)


def _ledger_row(axes: Axes, i: int, row: LedgerRow) -> None:
    if row.withdrawn is not None or row.predicted is None:
        _struck_row(axes, i, row)
        return
    color = PLUM if _is_surprising(row) else TEAL
    far = f" · tail {numbers.percent(row.tail)}" if row.tail is not None and _is_surprising(row) else ""
    axes.text(axes.get_xlim()[0], i + 0.06, short(name_of(row), 36) + far, fontsize=8.5, fontweight="bold", color=color,
              va="top")  # fmt: skip
    axes.text(axes.get_xlim()[0], i + 0.33, _against(row), fontsize=8, color=FAINT, va="top")
    y, middle = i + 0.78, row.predicted
    scale = middle.sd if middle.sd > 0 else 1.0
    axes.plot([0, 0], [y - 0.16, y + 0.16], color=FAINT, lw=0.8, zorder=1.5)
    band = [np.clip((end - middle.mean) / scale, -FARTHEST, FARTHEST) for end in (middle.lower, middle.upper)]
    axes.plot(band, [y, y], color=MIST, alpha=0.6, lw=7, solid_capstyle="butt", zorder=1)
    _reading(axes, y, row, scale=scale, color=color)


def _reading(axes: Axes, y: float, row: LedgerRow, *, scale: float, color: str) -> None:
    mean = row.predicted.mean if row.predicted else 0.0
    ends = [(-math.inf if row.lower is None else (row.lower - mean) / scale),
            (math.inf if row.upper is None else (row.upper - mean) / scale)]  # fmt: skip
    shown = np.clip(ends, -FARTHEST, FARTHEST)
    if shown[1] > shown[0]:
        axes.plot(shown, [y, y], color=color, lw=2.4, solid_capstyle="butt", zorder=2)
    for end, place, marker in ((ends[0], shown[0], "<"), (ends[1], shown[1], ">")):
        if abs(end) > FARTHEST:
            axes.plot([place], [y], marker, color=color, ms=6, zorder=3)
        elif ends[0] != ends[1]:
            axes.plot([place], [y], "|", color=color, ms=8, mew=1.6, zorder=3)
    if ends[0] == ends[1] and abs(ends[0]) <= FARTHEST:
        axes.plot([ends[0]], [y], "D" if _is_surprising(row) else "o", color=color, ms=6.5, mec=PAPER, zorder=3)


def _struck_row(axes: Axes, i: int, row: LedgerRow) -> None:
    left = axes.get_xlim()[0]
    text = f"{short(name_of(row), 26)}  {short(row.stated, 30)}"
    drawn = axes.text(left, i + 0.1, text, fontsize=8.5, color="#7d868b", va="top")
    axes.figure.canvas.draw()
    box = drawn.get_window_extent().transformed(axes.transData.inverted())
    middle = (box.y0 + box.y1) / 2
    axes.plot([box.x0, box.x1], [middle, middle], color="#7d868b", lw=0.9)
    why = textwrap.wrap(f"withdrawn {row.withdrawn or ''}", 64, max_lines=2, placeholder=" …")
    axes.text(left, i + 0.4, "\n".join(why), fontsize=8, color=FAINT, va="top", style="italic")
