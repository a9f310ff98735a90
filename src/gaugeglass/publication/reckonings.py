"""A calibration as pictures: ranks within their band, shares inside of intervals, and what came true."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from gaugeglass.judgement.calibration import LEVELS, Calibration, RankFinding
from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.judgement.uniformity import band, binomial_band
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers
from gaugeglass.publication.calibrations import Bin, binned, name_of, shown
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    MIST,
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
)
from gaugeglass.record.calibrations import Recorded

_MOST_NAMED = 3
_MOST_ROWS = 24
_NAMES, _LETTERS = 1.5, 24
"""Room for the names beside the axes [inch], and how many letters of them there are."""
_STEP = 0.2  # height of a row [inch]


def prefix(found: Calibration) -> str:
    """What the names of a calibration's pictures begin with."""
    return f"calibration-{found.truths}-"


def recorded_pictures(calibrations: Iterable[Recorded], spec: Spec) -> list[Picture]:
    """Every picture of the calibrations that a page shows."""
    return [picture for made in calibrations for picture in calibration_pictures(made.found, spec)]


def calibration_pictures(found: Calibration, spec: Spec) -> Iterator[Picture]:
    """Every picture of a calibration that has something to show."""
    if found.quantities:
        yield shares_inside(found, spec)
        yield rank_curves(found)
    if found.chances:
        yield borne_out(found)


# --- ranks --------------------------------------------------------------------------------------------------


def rank_curves(found: Calibration) -> Picture:
    """How far the ECDF of each quantity's ranks is from a uniform one, within the band of a right engine."""
    with mpl.rc_context(SETTINGS):
        off = [f for f in found.quantities if f.p_value < found.limit]
        title = _ranks_title(found, off)
        sheet = blank(title, 2.95)
        axes = sheet.axes(LEFT + 0.55, 0.1, WIDTH - LEFT - RIGHT - 0.63, 2.35)
        size = max(len(f.ranks) for f in found.quantities)
        held = band(size, LEVELS, found.limit)
        at = np.arange(1, LEVELS) / LEVELS
        axes.fill_between(at, held.lower / size - at, held.upper / size - at, color=MIST, alpha=0.35, lw=0, step="post")
        axes.plot([0, 1], [0, 0], color=RULE, lw=1.0, zorder=1)
        alpha = 0.75 if off else 0.55 if len(found.quantities) <= _MOST_ROWS else 0.25
        for f in found.quantities:
            _curve(axes, f, color=MIST if off else TEAL, lw=0.8, alpha=alpha)
        for f, color in zip(off[:_MOST_NAMED], (PLUM, OCHRE, TEAL), strict=False):
            _curve(axes, f, color=color, lw=1.8, alpha=1.0, label=short(name_of(f), _LETTERS))
        if off:
            axes.legend(frameon=False, fontsize=8, loc="upper right")
        axes.set(xlim=(0, 1))
        axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "¼", "½", "¾", "1"])
        axes.set_xlabel("rank of the truth among draws, as a share", fontsize=8)
        axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(5))
        axes.set_ylabel("ECDF of ranks less a uniform one", fontsize=8)
        alt = (
            f"{title}. The band holds the whole curve of a right engine but for a chance of "
            f"{numbers.percent(found.limit, 3)}, at {size} simulations."
        )
        headings = ("quantity", "simulations", "greatest distance", "p-value")
        cells = [(name_of(f), len(f.ranks), _farthest(f), f.p_value) for f in found.quantities]
        return finish(sheet, f"{prefix(found)}ranks", title, alt, headings, cells)


def _ranks_title(found: Calibration, off: Sequence[RankFinding]) -> str:
    count = len(found.quantities)
    if not off:
        return f"Ranks of all {count} quantities stay within the band of a right engine"
    names = ", ".join(name_of(f) for f in off[:_MOST_NAMED]) + (", …" if len(off) > _MOST_NAMED else "")
    return f"Ranks of {len(off)} of {count} quantities leave the band of a right engine: {names}"


def _distance(f: RankFinding) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    counts = np.cumsum(np.bincount(np.array(f.ranks), minlength=LEVELS))[:-1]
    return np.asarray(counts / len(f.ranks) - np.arange(1, LEVELS) / LEVELS)


def _farthest(f: RankFinding) -> float:
    distance = _distance(f)
    return float(distance[np.argmax(np.abs(distance))])


def _curve(axes: Axes, f: RankFinding, **style: Any) -> None:
    axes.step(np.arange(1, LEVELS) / LEVELS, _distance(f), where="post", **style)


# --- intervals ----------------------------------------------------------------------------------------------


def shares_inside(found: Calibration, spec: Spec) -> Picture:
    """How often the truth was inside of the 90 % interval of each quantity."""
    with mpl.rc_context(SETTINGS):
        rows = shown(found, spec)[:_MOST_ROWS]
        off = sum(f.inside_p_value < found.limit for f in found.quantities)
        title = _inside_title(found, off)
        body = _STEP * len(rows)
        sheet = blank(title, body + 0.62)
        axes = sheet.axes(LEFT + _NAMES, 0.08, WIDTH - LEFT - RIGHT - _NAMES - 0.5, body)
        size = max(len(f.ranks) for f in rows)
        low, high = binomial_band(size, INTERVAL_PROBABILITY, found.limit)
        shares = [f.share for f in rows]
        axes.set(xlim=(min(0.98 * low / size, *shares) - 0.02, 1.005), ylim=(len(rows), 0))
        axes.axvspan(low / size, high / size, color=MIST, alpha=0.35, lw=0)
        axes.axvline(INTERVAL_PROBABILITY, color=FAINT, lw=1.0, zorder=1)
        for i, f in enumerate(rows):
            _inside_row(axes, i + 0.5, f, color=PLUM if f.inside_p_value < found.limit else TEAL)
        axes.xaxis.set_major_formatter(lambda share, _: numbers.percent(share, 0))
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(4))
        more = f"; {len(rows)} of {len(found.quantities)} quantities" if len(found.quantities) > len(rows) else ""
        axes.set_xlabel(f"truths inside the 90 % interval{more}", fontsize=8)
        alt = f"{title}. " + " ".join(f"{name_of(f)}: {f.inside} of {len(f.ranks)}." for f in rows)
        headings = ("quantity", "inside", "simulations", "share", "p-value")
        cells = [(name_of(f), f.inside, len(f.ranks), f.share, f.inside_p_value) for f in found.quantities]
        return finish(sheet, f"{prefix(found)}inside", title, alt, headings, cells)


def _inside_title(found: Calibration, off: int) -> str:
    count = len(found.quantities)
    if not off:
        low, high = (numbers.percent(end(f.share for f in found.quantities), 0) for end in (min, max))
        return f"90 % intervals held the truth {low if low == high else f'{low} to {high}'} of the time"
    return f"90 % intervals of {off} of {count} quantities hold the truth too often or too seldom"


def _inside_row(axes: Axes, y: float, f: RankFinding, *, color: str) -> None:
    axes.plot([f.share], [y], "o", color=color, ms=5, zorder=3, clip_on=False)
    place = axes.get_yaxis_transform()
    style: dict[str, Any] = {"fontsize": 7.5, "color": color, "va": "center", "transform": place}
    axes.text(-0.03, y, short(name_of(f), _LETTERS), ha="right", **style)
    axes.text(1.03, y, numbers.percent(f.share, 0), ha="left", **style)


# --- probabilities ------------------------------------------------------------------------------------------


def borne_out(found: Calibration) -> Picture:
    """How often what was given a probability came true, claims and hypotheses each taken together."""
    with mpl.rc_context(SETTINGS):
        off = [c for c in found.chances if c.shape]
        title = (
            f"Probabilities of {len(off)} of {len(found.chances)} claims and hypotheses are off"
            if off
            else "What was given a probability came true as often"
        )
        sheet = blank(title, 3.3)
        axes = sheet.axes(LEFT + 0.55, 0.1, 2.75, 2.75)
        axes.plot([0, 1], [0, 1], color=FAINT, lw=1.0, zorder=1)
        cells: list[tuple[str, float, float, int, float]] = []
        for kind, color, shift in (("claim", TEAL, -0.006), ("hypothesis", OCHRE, 0.006)):
            bins = binned([c for c in found.chances if c.kind == kind])
            plural = "claims" if kind == "claim" else "hypotheses"
            _draw_bins(axes, bins, color=color, shift=shift, label=plural)
            cells += [(plural, b.lower, b.mean, b.size, b.seen / b.size) for b in bins]
        axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02))
        ends = ["0 %", "25 %", "50 %", "75 %", "100 %"]
        axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ends)
        axes.set_yticks([0, 0.25, 0.5, 0.75, 1], ends)
        axes.set_xlabel("probability given; bars: two binomial errors about it", fontsize=8)
        axes.set_ylabel("share that came true", fontsize=8)
        axes.legend(frameon=False, fontsize=8, loc="upper left", bbox_to_anchor=(1.0, 1.0))
        alt = f"{title}. " + " ".join(
            f"Of {size} {kind} given {numbers.percent(mean, 0)} on average, {numbers.percent(share, 0)} came true."
            for kind, _, mean, size, share in cells
        )
        headings = ("kind", "given from", "given on average", "how many", "share that came true")
        return finish(sheet, f"{prefix(found)}chances", title, alt, headings, cells)


def _draw_bins(axes: Axes, bins: Sequence[Bin], *, color: str, shift: float, label: str) -> None:
    for k, b in enumerate(bins):
        share, x = b.seen / b.size, b.mean + shift
        error = 2 * math.sqrt(max(b.mean * (1 - b.mean), 1e-6) / b.size)
        axes.plot([x, x], np.clip([b.mean - error, b.mean + error], 0, 1), color=color, lw=1.3, alpha=0.5, zorder=2)
        axes.plot([x], [share], "o", color=color, ms=5.5, zorder=3, clip_on=False, label=None if k else label)
