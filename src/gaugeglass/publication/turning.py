"""What would overturn the leading claim, as a picture: every reading on one axis of its own standard uncertainty."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes

from gaugeglass.judgement.findings import Audit, Tipping, UnitFinding
from gaugeglass.language.spec import Claim, Spec
from gaugeglass.publication import numbers
from gaugeglass.publication.carrying import (
    by_influence,
    is_open,
    most_probable_tipping,
    name_of,
    shift_text,
    shifted_to,
    value_text,
)
from gaugeglass.publication.sheet import (
    CLEAR,
    FAINT,
    INK,
    LEFT,
    MIST,
    PAPER,
    PLUM,
    RIGHT,
    SETTINGS,
    WIDTH,
    Picture,
    blank,
    finish,
    short,
)

MOST_ROWS = 12
"""How many rows are drawn at most, beside those that turn the claim."""
_NAMES, _CHANCES, _LETTERS = 1.5, 0.8, 24
"""Room beside the axes for names and for chances [inch], and how many letters of a name there are."""
_STEP = 0.24  # height of a row [inch]
_LINEAR = 1.0
"""Shift up to which the axis is linear, and logarithmic beyond [own u]."""
_WIDE = 20.0  # shift from which there is room for fewer ticks [own u]
_ROOM = 0.31  # of the axis, for the value beside a diamond
_STRETCH, _STRETCHES = 1.25, 16  # by how much an end of the axis is moved out for that room, and how often at most


def tipping_picture(found: Audit, spec: Spec, claim: Claim) -> Iterator[Picture]:
    """How far each reading was shifted, and where the claim turns; none where nothing was searched."""
    searched = [u for u in found.units if u.sought is not None]
    if not searched:
        return
    by_rank = [u for u in by_influence(found) if u.sought is not None]
    ordered = sorted(by_rank, key=lambda u: -_chance(u))
    turning = sum(bool(u.tipping) for u in ordered)
    rows = ordered[: max(MOST_ROWS, turning)]
    with mpl.rc_context(SETTINGS):
        title = _title(searched, spec, "The verdict's lower bound" if is_open(found) else "The verdict")
        body = _STEP * len(rows)
        sheet = blank(title, body + 1.12)
        sheet.text(LEFT, 0, "Shift at which the verdict turns, and the chance of going there", fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + _NAMES, 0.36, WIDTH - LEFT - RIGHT - _NAMES - _CHANCES, body)
        _draw(axes, rows, spec)
        axes.set_xlabel("shift, in the reading's own standard uncertainty u", fontsize=8)
        rest = f"; nor do {len(ordered) - len(rows)} more" if ordered[len(rows) :] else ""
        key = f"grey: shifts searched; rows without a diamond do not turn there{rest}"
        sheet.text(LEFT, body + 0.86, key, fontsize=7.5, color=FAINT)
        alt = f"{title}. It turns where “{claim.says}” crosses {numbers.percent(claim.threshold, 0)}. "
        alt += " ".join(_sentence(u, spec) for u in ordered)
        headings = ("shifted", "kind", "readings", "side", "shift [own u]", "Monte Carlo error", "value", "chance",
                    "Monte Carlo error of it", "searched from [own u]", "searched to [own u]")  # fmt: skip
        yield finish(sheet, "tipping", title, alt, headings, [row for u in ordered for row in _cells(u, spec)])


def _chance(u: UnitFinding) -> float:
    return max((t.chance.value for t in u.tipping), default=-1.0)


def _ends(u: UnitFinding) -> tuple[float, float]:
    """The range of shifts that was searched."""
    sought = u.sought or (0.0,)
    return min(sought), max(sought)


def _title(searched: Sequence[UnitFinding], spec: Spec, verdict: str) -> str:
    found = most_probable_tipping(searched)
    if found is None:
        return f"No shift of a reading turns {verdict[:1].lower()}{verdict[1:]}, as far as draws reach"
    t, unit = found
    chance = numbers.chance(t.chance.value)
    if not (value := value_text(t, unit, spec, bare=True)):
        side = "lower" if t.side == "below" else "higher"
        return f"{verdict} turns if {name_of(unit)} lies {shift_text(t)} u {side} or more: a chance of {chance}"
    beyond = "less" if t.side == "below" else "more"
    return f"{verdict} turns if {name_of(unit)} lies at {value} or {beyond}: a chance of {chance}"


def _sentence(u: UnitFinding, spec: Spec) -> str:
    if not u.tipping:
        low, high = _ends(u)
        return f"{name_of(u)}: no turn from {numbers.fixed(low, 1)} to {numbers.fixed(high, 1)} u."
    turns = (f"{shifted_to(t, u, spec)}, a chance of {numbers.chance(t.chance.value)}" for t in u.tipping)
    return f"{name_of(u)} turns it at {'; and at '.join(turns)}."


def _cells(u: UnitFinding, spec: Spec) -> Iterator[tuple[str | float | None, ...]]:
    head = (u.unit.name, u.unit.kind, len(u.unit.ids))
    ends = _ends(u)
    for t in u.tipping:
        value = value_text(t, u, spec, bare=True) or None
        yield (*head, t.side, t.shift, t.shift_mcse, value, t.chance.value, t.chance.mcse, *ends)
    if not u.tipping:
        yield (*head, None, None, None, None, None, None, *ends)


# --- drawing ------------------------------------------------------------------------------------------------


def _draw(axes: Axes, rows: Sequence[UnitFinding], spec: Spec) -> None:
    low, high = (1.15 * side(e for u in rows for e in _ends(u)) for side in (min, max))
    low, high = min(low, -2.0), max(high, 2.0)
    axes.set_xscale("symlog", linthresh=_LINEAR, linscale=0.6)
    axes.set(xlim=(low, high), ylim=(len(rows), 0))
    low, high = _stretched(axes, [t for u in rows for t in u.tipping if value_text(t, u, spec, bare=True)])
    steps = (1, 10, 100, 1000) if max(-low, high) > _WIDE else (1, 3, 10)
    ticks = [0, *(t for t in steps if t <= high), *(-t for t in steps if -t >= low)]
    axes.set_xticks(ticks, [numbers.fixed(t, 0) if t <= 0 else f"+{t}" for t in ticks])
    axes.minorticks_off()
    axes.axvline(0, color=FAINT, lw=1.0, zorder=0)
    axes.text(0, -0.12, "as stated", fontsize=7.5, color=FAINT, ha="center", va="bottom")
    axes.text(1.04, 1.0, "chance", fontsize=7.5, color=FAINT, ha="left", va="bottom", transform=axes.transAxes)
    for i, u in enumerate(rows):
        _draw_row(axes, i + 0.5, u, spec)


def _stretched(axes: Axes, turns: Sequence[Tipping]) -> tuple[float, float]:
    """The ends of the axis, moved out until there is room for the value beyond each diamond."""
    for _ in range(_STRETCHES):
        low, high = axes.get_xlim()
        is_short = {t.side for t in turns if not _has_room(axes, t)}
        axes.set_xlim(low * (_STRETCH if "below" in is_short else 1), high * (_STRETCH if "above" in is_short else 1))
    low, high = axes.get_xlim()
    return low, high


def _has_room(axes: Axes, t: Tipping) -> bool:
    """Whether the value where the verdict turns fits between its diamond and the end of the axis."""
    (place, _), (left, right) = axes.transData.transform((t.shift, 0.0)), axes.bbox.intervalx
    return bool((place - left if t.side == "below" else right - place) > _ROOM * (right - left))


def _draw_row(axes: Axes, y: float, u: UnitFinding, spec: Spec) -> None:
    color, weight = (PLUM, "bold") if u.tipping else (FAINT, "normal")
    beside = axes.get_yaxis_transform()
    label: Any = {"fontsize": 7.5, "color": color, "fontweight": weight, "va": "center"}
    axes.plot(_ends(u), [y, y], color=MIST, lw=1.2, marker="|", ms=5, zorder=1)
    axes.plot([0], [y], "o", color=INK if u.tipping else PAPER, mec=INK if u.tipping else FAINT, ms=4, zorder=3)
    axes.text(-0.05, y, short(name_of(u), _LETTERS), ha="right", transform=beside, **label)
    for t in u.tipping:
        axes.plot([0, t.shift], [y, y], color=PLUM, lw=1.4, zorder=2)
        if t.shift_mcse > 0:
            ends = [t.shift - 2 * t.shift_mcse, t.shift + 2 * t.shift_mcse]
            axes.plot(ends, [y, y], color=PLUM, lw=1.2, marker="|", ms=6, zorder=3)
        axes.plot([t.shift], [y], "D", color=PLUM, ms=5, zorder=4)
        _label(axes, y, t, value_text(t, u, spec, bare=True))
    chances = "\n".join(numbers.chance(t.chance.value) for t in u.tipping) or numbers.ABSENT
    small = {"fontsize": 6.5, "linespacing": 1.0} if len(u.tipping) > 1 else {}
    axes.text(1.04, y, chances, ha="left", transform=beside, **label | small)


def _label(axes: Axes, y: float, t: Tipping, text: str) -> None:
    """The value at which the verdict turns, beyond its diamond where there is room, otherwise small above the line."""
    if not text:
        return
    is_beyond, is_below = _has_room(axes, t), t.side == "below"
    offset = (-6 if is_below else 6, 0) if is_beyond else (0, 4)
    axes.annotate(text, (t.shift, y), offset, textcoords="offset points", fontsize=7.5 if is_beyond else 6.5,
                  color=PLUM, fontweight="bold", ha="right" if is_beyond == is_below else "left",
                  va="center" if is_beyond else "bottom", bbox=CLEAR if is_beyond else None, zorder=2)  # fmt: skip
