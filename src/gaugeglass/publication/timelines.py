"""Every verdict of a dossier through time: one panel a claim, each step labelled with what came."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

import matplotlib as mpl
from matplotlib.axes import Axes

from gaugeglass.judgement.moves import Chance
from gaugeglass.judgement.results import Probability
from gaugeglass.publication import numbers
from gaugeglass.publication.histories import came, chances, numbered
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    MIST,
    OCHRE,
    PAPER,
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
    spoken,
)
from gaugeglass.record.histories import History, Moment

MOST_RUNS = 30
"""How many runs a picture shows; the latest ones."""
_STEP, _LABEL, _VALUE = 0.34, 2.4, 0.78  # height of a row, width of its label and of its number [inch]
_LETTERS, _LINES = 43, 2  # of a label
_TOP = 0.34  # of the rows, below what is shown [inch]

type Row = tuple[str, Moment, Probability]


def timeline_pictures(found: History) -> Iterator[Picture]:
    """A picture of each claim, and where the model has none, of each hypothesis."""
    every = chances(found)
    for chance in [c for c in every if c.kind == "claim"] or every:
        if rows := list(_rows(found, chance)):
            yield timeline(found, chance, rows)


def timeline(found: History, chance: Chance, rows: Sequence[Row]) -> Picture:
    """One claim's probability in every run, the oldest at the top, beside what came with each."""
    shown = rows[-MOST_RUNS:]
    with mpl.rc_context(SETTINGS):
        title = _title(chance, rows)
        body = _STEP * len(shown)
        sheet = blank(title, body + 1.0)
        sheet.text(LEFT, 0, short(f"Probability: {chance.says}", 74), fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + _LABEL, _TOP, WIDTH - LEFT - RIGHT - _LABEL - _VALUE, body)
        _draw(axes, shown)
        for i, row in enumerate(shown):
            _draw_row(axes, i + 0.5, row)
            _label(sheet, _TOP + _STEP * (i + 0.5), row)
        axes.set_xlabel("oldest at the top; ± two Monte Carlo errors", fontsize=8)
        alt = f"{title}. " + " ".join(_sentence(*row) for row in rows)
        headings = ("number", "run", "made", "probability", "Monte Carlo error", "at least", "at most", "what came")
        cells = [(n.strip(), m.name, m.created, p.value, p.mcse, p.at_least, p.at_most, came(m)) for n, m, p in rows]
        return finish(sheet, f"runs-{chance.name}", title, alt, headings, cells)


def _rows(found: History, chance: Chance) -> Iterator[Row]:
    for label, m in numbered(found):
        held = m.standing.chances if m.standing else ()
        yield from ((label, m, c.probability) for c in held if (c.kind, c.name) == (chance.kind, chance.name))


def _title(chance: Chance, rows: Sequence[Row]) -> str:
    own = [p for label, _, p in rows if not _is_alternative(label)] or [p for _, _, p in rows]
    name = f"“{spoken(chance.name)}”"
    if len(own) == 1:
        return f"{name} stands at {numbers.probability(own[0])} in the only run"
    first, last = (numbers.in_a_sentence(p) for p in (own[0], own[-1]))
    return f"{name} went from {first} to {last} in {len(own)} runs"


def _is_alternative(label: str) -> bool:
    return label.startswith(" ")


def _sentence(label: str, m: Moment, p: Probability) -> str:
    return f"Run {label.strip()}, {came(m)}: {numbers.probability(p)}."


def _draw(axes: Axes, rows: Sequence[Row]) -> None:
    axes.set(xlim=(-0.02, 1.02), ylim=(len(rows), 0))
    axes.set_xticks([0, 0.5, 1], ["0 %", "50 %", "100 %"])
    axes.axvline(0.5, color=RULE, lw=0.8, zorder=0)
    own = [(i + 0.5, p.value) for i, (label, _, p) in enumerate(rows) if not _is_alternative(label)]
    if own:
        y, x = zip(*own, strict=True)
        axes.plot(x, y, color=TEAL, lw=1.2, alpha=0.55, zorder=1)


def _draw_row(axes: Axes, y: float, row: Row) -> None:
    label, _, p = row
    color, mark, face = (OCHRE, "D", PAPER) if _is_alternative(label) else (TEAL, "o", TEAL)
    axes.axhline(y, color=MIST, lw=0.4, alpha=0.5, zorder=0)
    if p.mcse > 0:
        ends = [min(max(end + k * p.mcse, 0.0), 1.0) for end, k in zip(p.span, (-2, 2), strict=True)]
        axes.plot(ends, [y, y], color=color, lw=1.2, marker="|", ms=6, zorder=2)
    for end in dict.fromkeys(p.span):
        axes.plot([end], [y], mark, color=face, mec=color, ms=5, zorder=3)
    axes.text(1.06, y, numbers.brief(p), fontsize=7.5, color=color, ha="left", va="center")


def _label(sheet: Sheet, y: float, row: Row) -> None:
    """The number of a run and what came with it, alternatives indented."""
    label, m, _ = row
    indent = 0.14 if _is_alternative(label) else 0.0
    color = OCHRE if _is_alternative(label) else FAINT
    lines = textwrap.wrap(short(came(m), _LETTERS * _LINES - 8), _LETTERS - (3 if indent else 0))[:_LINES]
    sheet.text(LEFT + indent, y, label.strip(), fontsize=7.5, fontweight="bold", color=color, va="center")
    sheet.text(LEFT + indent + 0.2, y, "\n".join(lines), fontsize=7, color=color, va="center", linespacing=1.15)
