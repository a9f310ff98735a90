"""Candidates as a picture: what each is expected to tell over what it costs."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from gaugeglass.judgement.rankings import Ranking, Worth
from gaugeglass.publication.prospects import asks_claim, best_of, expected, money, unit_of, worth_of
from gaugeglass.publication.sheet import (
    CLEAR,
    FAINT,
    LEFT,
    MIST,
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

_LETTERS = 24
_ROOM, _WIDE = 0.06, 0.35  # how far labels keep apart, of the height and of the width
_LATE = 0.6  # share of the width beyond which a label stands before its dot
_APART = 1.5  # least factor between two costs that each have a tick of their own
_BEYOND = 2.0  # least factor of costs by which the axis goes beyond them


def worth_and_cost(found: Ranking) -> Iterator[Picture]:
    """The picture of candidates that have a cost; none where none has."""
    priced = [w for w in found.worths if w.cost]
    if not priced:
        return
    with mpl.rc_context(SETTINGS):
        title = _title(found, priced)
        sheet = blank(title, 3.45)
        about = f"“{found.says}”" if asks_claim(found) else spoken(found.quantity)
        sheet.text(
            LEFT, 0, short(f"Expected information about {about} [{unit_of(found)}]", 74), fontsize=8, color=FAINT
        )
        axes = sheet.axes(LEFT + 0.42, 0.26, WIDTH - LEFT - RIGHT - 0.62, 2.3)
        idle = _draw(axes, found, priced)
        for i, line in enumerate(textwrap.wrap(f"grey, cannot help: {', '.join(idle)}", 72)[:2] if idle else []):
            sheet.text(LEFT, 3.05 + 0.15 * i, line, fontsize=7.5, color=FAINT)
        alt = f"{title}. " + " ".join(_sentence(w, found) for w in priced)
        headings = ("candidate", "cost", f"expected information [{unit_of(found)}]", "Monte Carlo error", "helps")
        cells = [
            (w.name, w.cost, worth_of(w, found).value, worth_of(w, found).mcse, str(_helps(w, found))) for w in priced
        ]
        yield finish(sheet, "candidates", title, alt, headings, cells)


def _helps(w: Worth, found: Ranking) -> bool:
    return w.helps_claim if asks_claim(found) else w.helps_quantity


def _title(found: Ranking, priced: Sequence[Worth]) -> str:
    best = best_of(found)
    if best is None or best.cost is None:
        if len(priced) == 1:
            return "The one candidate with a cost is not the best, or not seen to help"
        return f"None of {len(priced)} candidates with a cost is the best, or seen to help"
    helping = [w for w in priced if _helps(w, found)]
    first = max(helping, key=lambda w: worth_of(w, found).value / (w.cost or 1), default=best)
    worth = f"{expected(worth_of(best, found))} {unit_of(found)} for {money(best.cost)}"
    most = " most:" if len(found.worths) > 1 else ""
    told = f"“{spoken(best.name)}” is expected to tell{most} {worth}"
    return told if first is best else f"{told}; for its cost, “{spoken(first.name)}” tells more"


def _sentence(w: Worth, found: Ranking) -> str:
    helps = "" if _helps(w, found) else ", which cannot be told from nothing"
    return f"{spoken(w.name)}: {expected(worth_of(w, found))} {unit_of(found)} for {money(w.cost or 0)}{helps}."


def _draw(axes: Axes, found: Ranking, priced: Sequence[Worth]) -> list[str]:
    """Draw them, and return the names of those that cannot help."""
    costs = [w.cost or 1.0 for w in priced]
    top = 1.1 * max([1e-3, *(worth_of(w, found).value + 2 * worth_of(w, found).mcse for w in priced)])
    axes.set_ylim(-0.03 * top, top)
    low, high = _cost_axis(axes, costs)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    taken: list[tuple[float, float]] = []
    for w in sorted(priced, key=lambda w: -worth_of(w, found).value):
        e, helps = worth_of(w, found), _helps(w, found)
        color = TEAL if helps else MIST
        x = w.cost or 1.0
        axes.plot([x, x], [max(e.value - 2 * e.mcse, 0), e.value + 2 * e.mcse], color=color, lw=1.3)
        axes.plot([x], [e.value], "o", color=color, ms=6 if helps else 4.5, zorder=3)
        if helps:
            share = math.log(x / low) / math.log(high / low)
            y, is_late = _free(e.value, share, taken, least=_ROOM * top), share > _LATE
            axes.annotate(
                short(spoken(w.name), _LETTERS), (x, y), (-8 if is_late else 8, 0), textcoords="offset points",
                fontsize=8, color=TEAL, ha="right" if is_late else "left", va="center", bbox=CLEAR, zorder=2,
            )  # fmt: skip
    return [spoken(w.name) for w in priced if not _helps(w, found)]


def _cost_axis(axes: Axes, costs: Sequence[float]) -> tuple[float, float]:
    """Lay out the axis of costs, of which there may be one alone, and return its ends."""
    low, high = min(costs), max(costs)
    beyond = max((high / low) ** 0.12, _BEYOND)
    low, high = low / beyond, high * beyond
    decades = [10.0**k for k in range(math.ceil(math.log10(low)), math.floor(math.log10(high)) + 1)]
    ends = [min(costs), max(costs)] if max(costs) > _APART * min(costs) else [min(costs)]
    ticks = decades if len(decades) > 1 else ends
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_xticks(ticks, [money(tick) for tick in ticks])
    axes.minorticks_off()
    axes.set_xlabel("cost; bars: ± two Monte Carlo errors", fontsize=8)
    return low, high


def _free(y: float, x: float, taken: list[tuple[float, float]], *, least: float) -> float:
    """The height nearest below at which a label covers no other; ``x`` is a share of the axis."""
    for at, other in sorted(taken, key=lambda place: -place[1]):
        if abs(at - x) < _WIDE and abs(other - y) < least:
            y = other - least
    taken.append((x, y))
    return y
