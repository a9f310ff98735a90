"""The ledger as a picture: each reading against its posterior prediction, each table against its expected misses."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Assessment, LedgerRow
from gaugeglass.publication import numbers, wording
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    MIST,
    PAPER,
    PLUM,
    RIGHT,
    RULE,
    SETTINGS,
    TEAL,
    WIDTH,
    Picture,
    Sheet,
    blank,
    finish,
    short,
)

FARTHEST = 5.0
"""Where the ledger's axis ends [sd of the prediction]."""
MOST_ROWS = 60
_LEDGER_LETTERS, _NAME_LETTERS = 66, 58
_STEP, _FOOT = 0.6, 0.62
"""Height of a row, and of what stands below an axis [inch]."""
_GREY = "#7d868b"
_HEADINGS = ("observation", "unit", "reading", "from", "to", "predicted", "predicted sd", "tail probability", "grade",
             "probability of being wrong", "basis", "readings", "share outside 90 %", "set aside")  # fmt: skip


def ledger(assessment: Assessment) -> Picture:
    """Each reading against its posterior prediction, in standard deviations of it, and below them each table."""
    with mpl.rc_context(SETTINGS):
        shown = _most_surprising(assessment.ledger)
        tables = [r for r in shown if r.rows is not None and r.aside is None]
        rows = [r for r in shown if r not in tables]
        title = _ledger_title(assessment.ledger)
        heights = [_STEP * len(part) + _FOOT if part else 0.0 for part in (rows, tables)]
        sheet = blank(title, sum(heights))
        if rows:
            _readings_panel(sheet, rows)
        if tables:
            _tables_panel(sheet, tables, top=heights[0])
        alt = f"{title}. " + " ".join(_ledger_sentence(r) for r in assessment.ledger)
        return finish(sheet, "ledger", title, alt, _HEADINGS, [_ledger_numbers(r) for r in (*rows, *tables)])


def _most_surprising(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """As many rows as a picture holds: tables, what was taken back, then what is farthest out."""
    if len(rows) <= MOST_ROWS:
        return list(rows)
    kept = sorted(range(len(rows)), key=lambda i: _urgency(rows[i]))[:MOST_ROWS]
    return [rows[i] for i in sorted(kept)]


def _urgency(row: LedgerRow) -> float:
    if row.rows is not None and row.aside is None:
        return -1.0
    return 2.0 if row.tail is None else row.tail


def _ledger_title(rows: Sequence[LedgerRow]) -> str:
    counted = wording.counted(rows)
    single, tables = ([r for r in counted if (r.rows is None) is alone] for alone in (True, False))
    gone = [f"{len(found)} {why}" for found, why in (
        (wording.withdrawn(rows), "withdrawn"), (wording.set_aside(rows), "set aside")) if found]  # fmt: skip
    some = [f"the {MOST_ROWS} farthest out shown"] if len(rows) > MOST_ROWS else []
    told = [_of_single(single)] if single or not tables else []
    return "; ".join([*told, *([_of_tables(tables)] if tables else []), *gone, *some])


def _of_single(rows: Sequence[LedgerRow]) -> str:
    far = sum(map(wording.is_surprising, rows))
    if not far:
        return f"No reading of {len(rows)} lies where fewer than 5 % were expected"
    return f"{far} of {len(rows)} readings {'lies' if far == 1 else 'lie'} where fewer than 5 % were expected"


def _of_tables(tables: Sequence[LedgerRow]) -> str:
    shares = [r.outside for r in tables if r.outside is not None]
    if len(tables) == 1 and shares:
        return f"of {wording.rows_text(tables[0])} in {wording.name_of(tables[0])}, {_outside_90(shares[0])}"
    most = max(shares, default=math.nan)
    if most <= wording.EXPECTED_OUTSIDE:
        return f"in none of {len(tables)} tables do more than the expected 10 % lie outside their 90 % predictions"
    return f"of {len(tables)} tables, at most {_outside_90(most)}"


def _outside_90(share: float) -> str:
    inside, expected = (numbers.percent(p, 0) for p in (INTERVAL_PROBABILITY, wording.EXPECTED_OUTSIDE))
    return f"{wording.share_text(share)} lie outside their {inside} predictions ({expected} expected)"


def _ledger_sentence(row: LedgerRow) -> str:
    if row.aside is not None:
        return f"{wording.name_of(row)}: stated {row.stated}, does not count: {wording.aside_text(row)}."
    tail = "" if row.tail is None else f", tail probability {numbers.chance(row.tail)}"
    grade, bases = wording.grade_text(row), wording.bases_text(row)
    more = f"{f', {grade}' if grade else ''}{f', refers to {bases}' if bases else ''}"
    verb = "predicted" if row.rows is None else "of them"
    return f"{wording.name_of(row)}: {wording.reading_text(row)}, {verb} {wording.predicted_text(row)}{tail}{more}."


def _ledger_numbers(r: LedgerRow) -> tuple[Any, ...]:
    mean, sd = (r.predicted.mean, r.predicted.sd) if r.predicted else (None, None)
    return (wording.name_of(r), numbers.unit_text(r.unit), r.value, r.lower, r.upper, mean, sd, r.tail, r.grade,
            r.wrong, wording.bases_text(r) or None, r.rows, r.outside, wording.aside_text(r) or None)  # fmt: skip


# --- readings, against their predictions --------------------------------------------------------------------


def _readings_panel(sheet: Sheet, rows: Sequence[LedgerRow]) -> None:
    axes = sheet.axes(LEFT, 0, WIDTH - LEFT - RIGHT, _STEP * len(rows))
    axes.set(xlim=(-FARTHEST - 0.2, FARTHEST + 0.2), ylim=(len(rows), 0))
    axes.set_xlabel("standard deviations from the predicted mean; grey: its central 90 %", fontsize=8)
    axes.set_xticks(range(-4, 5, 2), [numbers.fixed(x, 0) for x in range(-4, 5, 2)])
    for i, row in enumerate(rows):
        _reading_row(axes, i, row)


def _reading_row(axes: Axes, i: int, row: LedgerRow) -> None:
    if row.aside is not None or row.predicted is None:
        _row_aside(axes, i, row)
        return
    color = PLUM if wording.is_surprising(row) or wording.is_doubted(row) else TEAL
    _heading(axes, i, _named(row), _against(row), color=color)
    y, middle = i + 0.78, row.predicted
    scale = middle.sd if middle.sd > 0 else 1.0
    axes.plot([0, 0], [y - 0.16, y + 0.16], color=FAINT, lw=0.8, zorder=1.5)
    band = [np.clip((end - middle.mean) / scale, -FARTHEST, FARTHEST) for end in (middle.lower, middle.upper)]
    axes.plot(band, [y, y], color=MIST, alpha=0.6, lw=7, solid_capstyle="butt", zorder=1)
    _reading(axes, y, row, scale=scale, color=color)


def _heading(axes: Axes, i: int, first: str, second: str, *, color: str) -> None:
    left = axes.get_xlim()[0]
    axes.text(left, i + 0.06, first, fontsize=8.5, fontweight="bold", color=color, va="top")
    axes.text(left, i + 0.33, second, fontsize=8, color=FAINT, va="top")


def _named(row: LedgerRow) -> str:
    """The name of an observation with whatever is remarkable about it, in one line."""
    marks = []
    if row.tail is not None and wording.is_surprising(row):
        marks.append(f"tail {numbers.chance(row.tail)}")
    if row.grade is not None:
        doubt = "" if row.wrong is None else f", {wording.wrong_text(row)} wrong"
        marks.append(f"{row.grade}{doubt}")
    if row.bases:
        marks.append(wording.bases_text(row).partition(", ")[0])
    behind = "".join(f" · {mark}" for mark in marks)
    return short(wording.name_of(row), max(_NAME_LETTERS - len(behind), 12)) + behind


def _against(row: LedgerRow) -> str:
    """A reading and its prediction on one line, the unit named once where both would not fit."""
    stated = numbers.unit_text(wording.reading_text(row))
    text = f"{stated}, predicted {wording.predicted_text(row)}"
    if len(text) <= _LEDGER_LETTERS or row.predicted is None:
        return text
    return short(f"{stated}, predicted {numbers.spread_value(row.predicted)}", _LEDGER_LETTERS)


def _reading(axes: Axes, y: float, row: LedgerRow, *, scale: float, color: str) -> None:
    mean = row.predicted.mean if row.predicted else 0.0
    ends = [(-math.inf if row.lower is None else (row.lower - mean) / scale),
            (math.inf if row.upper is None else (row.upper - mean) / scale)]  # fmt: skip
    shown = np.clip(ends, -FARTHEST, FARTHEST)
    if shown[1] > shown[0]:
        axes.plot(shown, [y, y], color=color, lw=2.4, solid_capstyle="butt", zorder=2)
    for end, place in zip(ends, shown, strict=True):
        if abs(end) > FARTHEST:
            axes.plot([place], [y], "<" if end < 0 else ">", color=color, ms=6, zorder=3)
        elif ends[0] != ends[1]:
            axes.plot([place], [y], "|", color=color, ms=8, mew=1.6, zorder=3)
    if ends[0] == ends[1] and abs(ends[0]) <= FARTHEST:
        _point(axes, ends[0], y, row, color=color)


def _point(axes: Axes, x: float, y: float, row: LedgerRow, *, color: str) -> None:
    """A reading that is one number: crossed out where it is more probably wrong than right."""
    if wording.is_doubted(row):
        axes.plot([x], [y], "X", color=PAPER, mec=color, mew=1.2, ms=8, zorder=3)
        return
    axes.plot([x], [y], "D" if wording.is_surprising(row) else "o", color=color, ms=6.5, mec=PAPER, zorder=3)


def _row_aside(axes: Axes, i: int, row: LedgerRow) -> None:
    left = axes.get_xlim()[0]
    text = f"{short(wording.name_of(row), 26)}  {short(row.stated, 30)}"
    drawn = axes.text(left, i + 0.1, text, fontsize=8.5, color=_GREY, va="top")
    if row.withdrawn is not None:
        axes.figure.canvas.draw()
        box = drawn.get_window_extent().transformed(axes.transData.inverted())
        middle = (box.y0 + box.y1) / 2
        axes.plot([box.x0, box.x1], [middle, middle], color=_GREY, lw=0.9)
    why = wording.aside_text(row) if row.withdrawn is not None else f"set aside: {wording.aside_text(row)}"
    lines = textwrap.wrap(why, 64, max_lines=2, placeholder=" …")
    axes.text(left, i + 0.4, "\n".join(lines), fontsize=8, color=FAINT, va="top", style="italic")


# --- tables, by how many of their readings lie outside ------------------------------------------------------


def _tables_panel(sheet: Sheet, tables: Sequence[LedgerRow], *, top: float) -> None:
    axes = sheet.axes(LEFT, top, WIDTH - LEFT - RIGHT, _STEP * len(tables))
    most = max((r.outside or 0.0 for r in tables), default=0.0)
    reach = min(max(1.25 * most, 0.3), 1.0)
    axes.set(xlim=(-0.012 * reach, 1.012 * reach), ylim=(len(tables), 0))
    axes.set_xlabel("share of a table's readings outside their 90 % predictions; grey line: expected", fontsize=8)
    step = 0.1 if reach <= 0.5 else 0.25
    ticks = np.arange(0, reach + 1e-9, step)
    axes.set_xticks(ticks, [f"{numbers.fixed(100 * t, 0)} %" for t in ticks])
    for i, row in enumerate(tables):
        _table_row(axes, i, row)


def _table_row(axes: Axes, i: int, row: LedgerRow) -> None:
    y, expected = i + 0.78, wording.EXPECTED_OUTSIDE
    share = f" · {wording.share_text(row.outside)} outside" if row.outside is not None else ""
    name = short(wording.name_of(row), max(_NAME_LETTERS - len(share), 12)) + share
    _heading(axes, i, name, short(numbers.unit_text(wording.reading_text(row)), _LEDGER_LETTERS), color=TEAL)
    across = blended_transform_factory(axes.transAxes, axes.transData)
    axes.plot([0, 1], [y, y], color=RULE, lw=0.8, zorder=0, transform=across)
    axes.plot([expected, expected], [y - 0.16, y + 0.16], color=FAINT, lw=1.2, zorder=1.5)
    if row.outside is None:
        return
    axes.plot([expected, row.outside], [y, y], color=TEAL, lw=2.4, solid_capstyle="butt", alpha=0.5, zorder=1)
    axes.plot([row.outside], [y], "s", color=TEAL, ms=6.5, mec=PAPER, zorder=3)
