"""The audit as pictures: what the leading claim is without each part of the evidence, and over prior odds."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from gaugeglass.judgement.findings import HIGHEST_ODDS, LOWEST_ODDS, Audit, OddsCurve, UnitFinding
from gaugeglass.language.spec import Claim, Spec
from gaugeglass.publication import numbers
from gaugeglass.publication.audits import chances_of, crossings, leading_curves, nearest_crossing, odds
from gaugeglass.publication.carrying import (
    by_influence,
    chance_said,
    chance_text,
    leading_claim,
    moves,
    name_of,
    of_claim,
    turns,
)
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    PAPER,
    PLUM,
    RIGHT,
    RULE,
    SERIES,
    SETTINGS,
    TEAL,
    WIDTH,
    Picture,
    blank,
    finish,
    short,
    spoken,
)
from gaugeglass.publication.turning import tipping_picture

MOST_ROWS = 30
_NAMES, _LETTERS = 1.5, 24
"""Room for the names beside the axes [inch], and how many letters of them there are."""
_STEP = 0.24  # height of a row [inch]
_ENDS = ["0 %", "25 %", "50 %", "75 %", "100 %"]


def audit_pictures(found: Audit, spec: Spec) -> Iterator[Picture]:
    """Every picture of an audit that has something to show."""
    claim = leading_claim(found, spec)
    if claim is None:
        return
    if found.units:
        yield influence(found, claim)
    yield from tipping_picture(found, spec, claim)
    if leading_curves(found):
        yield over_odds(found, claim)


# --- what is left out ---------------------------------------------------------------------------------------


def influence(found: Audit, claim: Claim) -> Picture:
    """The leading claim's probability without each part of the evidence, what moves it most first."""
    ordered = by_influence(found)
    is_open = any(p.is_between for u in ordered for p in (of_claim(u).whole, of_claim(u).without))
    with mpl.rc_context(SETTINGS):
        title = _influence_title(ordered, claim)
        rows = ordered[:MOST_ROWS]
        body = _STEP * len(rows)
        sheet = blank(title, body + 0.92)
        more = f"; the {MOST_ROWS} that move it most" if len(ordered) > MOST_ROWS else ""
        sheet.text(LEFT, 0, short(f"Probability without it: {claim.says}", 74), fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + _NAMES, 0.36, WIDTH - LEFT - RIGHT - _NAMES - 0.62, body)
        _draw_influence(axes, rows, claim)
        dots = "dots: left out, the least and the greatest" if is_open else "dots: left out"
        axes.set_xlabel(f"{dots}, ± two Monte Carlo errors{more}", fontsize=8)
        alt = f"{title}. " + " ".join(_influence_sentence(u) for u in ordered)
        bounds = ("at least", "at most")
        sides = [f"{side}, {bound}" for side in ("with it", "without it") for bound in bounds]
        sides = sides if is_open else ["with it", "without it"]
        headings = ("left out", "kind", "readings", *sides, "Monte Carlo error", "surprise")
        cells = [_influence_cells(u, is_open) for u in ordered]
        return finish(sheet, "influence", title, alt, headings, cells)


def _influence_title(ordered: Sequence[UnitFinding], claim: Claim) -> str:
    top = ordered[0]
    c = of_claim(top)
    if not moves(c):
        at = f"its {chance_text(c.whole)}" if not c.whole.is_between else f"where it is, {chance_said(c.whole)}"
        return f"Nothing alone moves the claim from {at}"
    turning = sum(turns(of_claim(u), claim.threshold) for u in ordered)
    end = "" if not turning else "; that alone turns the verdict" if turning == 1 and turns(c, claim.threshold) else (
        f"; {turning} of {len(ordered)} turn the verdict")  # fmt: skip
    before, after = (
        numbers.in_a_sentence(p) if p.is_between else numbers.chance(p.value) for p in (c.whole, c.without)
    )
    return f"Without {name_of(top)} the claim goes from {before} to {after}{end}"


def _influence_sentence(u: UnitFinding) -> str:
    c = of_claim(u)
    return f"Without {name_of(u)}: {chance_text(c.without)}{'' if moves(c) else ', no move that is seen'}."


def _influence_cells(u: UnitFinding, is_open: bool) -> tuple[str | float, ...]:
    c = of_claim(u)
    ends = (p.span[: 1 + is_open] for p in (c.whole, c.without))
    return (u.unit.name, u.unit.kind, len(u.unit.ids), *itertools.chain(*ends), c.without.mcse,
            u.surprise.probability.value)  # fmt: skip


def _draw_influence(axes: Axes, rows: Sequence[UnitFinding], claim: Claim) -> None:
    least, most = of_claim(rows[0]).whole.span
    whole = (least + most) / 2
    axes.set(xlim=(-0.02, 1.02), ylim=(len(rows), 0))
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1], _ENDS)
    if most > least:
        axes.axvspan(least, most, color=FAINT, alpha=0.2, lw=0, zorder=0)
    else:
        axes.axvline(whole, color=FAINT, lw=1.0, zorder=0)
    axes.axvline(claim.threshold, color=PLUM, lw=1.1, ls=(0, (5, 3)), zorder=0)
    axes.text(whole, -0.12, "with it", fontsize=7.5, color=FAINT, ha="center", va="bottom")
    if abs(whole - claim.threshold) > 0.25:
        axes.text(claim.threshold, -0.12, "threshold", fontsize=7.5, color=PLUM, ha="center", va="bottom")
    for i, u in enumerate(rows):
        _influence_row(axes, i + 0.5, u, claim)


def _influence_row(axes: Axes, y: float, u: UnitFinding, claim: Claim) -> None:
    c = of_claim(u)
    seen, turned = moves(c), turns(c, claim.threshold)
    color = PLUM if turned else TEAL if seen else FAINT
    (least, most), error = c.without.span, 2 * c.without.mcse
    own = least if c.without.is_between or c.whole.is_between else c.whole.value
    axes.plot([own, most], [y, y], color=color, lw=3.0 if c.without.is_between else 1.2, alpha=0.6, zorder=1)
    if error > 0:
        axes.plot(np.clip([least - error, most + error], 0, 1), [y, y], color=color, lw=1.2, marker="|", ms=6, zorder=2)
    for end in dict.fromkeys((least, most)):
        axes.plot([end], [y], "D" if turned else "o", color=color if seen else PAPER, mec=color, ms=5, zorder=3)
    weight = "bold" if seen else "normal"
    axes.text(
        -0.05, y, short(name_of(u), _LETTERS), fontsize=7.5, color=color, fontweight=weight, ha="right", va="center"
    )
    axes.text(1.04, y, numbers.brief(c.without), fontsize=7.5, color=color, fontweight=weight, ha="left", va="center")


# --- over prior odds ----------------------------------------------------------------------------------------


def over_odds(found: Audit, claim: Claim) -> Picture:
    """The leading claim over the prior odds of each hypothesis against the others."""
    curves = leading_curves(found)
    with mpl.rc_context(SETTINGS):
        title = _odds_title(curves)
        sheet = blank(title, 3.25)
        sheet.text(LEFT, 0, short(f"Probability: {claim.says}", 74), fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + 0.6, 0.22, WIDTH - LEFT - RIGHT - 1.8, 2.45)
        _draw_odds(axes, curves, claim)
        alt = f"{title}. " + " ".join(_odds_sentence(c) for c in curves)
        headings, cells = _odds_numbers(curves)
        return finish(sheet, "prior-odds", title, alt, headings, cells)


def _odds_numbers(curves: Sequence[OddsCurve]) -> tuple[tuple[str, ...], list[tuple[str | float | None, ...]]]:
    """Every point of the curves, with its upper bound where a claim is left open."""
    turns = "odds at which the verdict turns"
    if not any(c.at_most for c in curves):
        return ("hypothesis", "prior odds", "probability", "odds stated", turns), [
            (c.hypothesis, p.odds, p.probability, c.stated, c.crossing) for c in curves for p in c.points
        ]
    return ("hypothesis", "prior odds", "at least", "at most", "odds stated", f"{turns}: at least", "at most"), [
        (c.hypothesis, p.odds, p.probability, p.most, c.stated, c.crossing, c.at_most.crossing if c.at_most else None)
        for c in curves
        for p in c.points
    ]


def _odds_title(curves: Sequence[OddsCurve]) -> str:
    nearest = nearest_crossing(curves)
    if nearest is None:
        return f"No prior odds of a hypothesis from {odds(LOWEST_ODDS)} to {odds(HIGHEST_ODDS)} turn the verdict"
    curve, crossing = nearest
    side = "over" if crossing > curve.stated else "under"
    given = f"“{spoken(curve.hypothesis)}” is given {side} {odds(crossing)} before the evidence"
    turns = "A bound of the verdict" if curve.at_most else "The verdict"
    return f"{turns} turns first where {given}, in place of {odds(curve.stated)}"


def _odds_sentence(c: OddsCurve) -> str:
    found = [at for at in (c.crossing, c.at_most.crossing if c.at_most else None) if at is not None]
    what = "a bound of the verdict" if c.at_most else "the verdict"
    at = f"{what} turns at {' and '.join(odds(o) for o in found) or 'no odds'}"
    under, otherwise = (numbers.between(*ends) for ends in chances_of(c))
    name = spoken(c.hypothesis).capitalize()
    return f"{name}, stated {odds(c.stated)}: {under} if it holds, {otherwise} if not; {at}."


def _draw_odds(axes: Axes, curves: Sequence[OddsCurve], claim: Claim) -> None:
    axes.set_xscale("log")
    axes.set(xlim=(LOWEST_ODDS, HIGHEST_ODDS), ylim=(0, 1.03))
    ticks = [0.01, 0.1, 1, 10, 100]
    axes.set_xticks(ticks, [odds(t) for t in ticks])
    axes.minorticks_off()
    at = claim.threshold
    ends = [(end, text) for end, text in ((0.0, "0 %"), (1.0, "100 %")) if abs(end - at) > 0.1]
    axes.set_yticks([at, *(end for end, _ in ends)],
                    [f"threshold\n{numbers.percent(at, 0)}", *(text for _, text in ends)])  # fmt: skip
    axes.set_xlabel("prior odds of the hypothesis against all others; dot: as stated", fontsize=8)
    axes.axhline(claim.threshold, color=RULE, lw=1.2, ls=(0, (5, 3)), zorder=0)
    styles = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))
    labels = _apart([c.points[-1].probability for c in curves], least=0.075)
    for i, (c, end) in enumerate(zip(curves, labels, strict=True)):
        color, x, y = SERIES[i % len(SERIES)], [p.odds for p in c.points], [p.probability for p in c.points]
        axes.plot(x, y, color=color, lw=1.7, ls=styles[i % len(styles)])
        if c.at_most:
            most = [p.most for p in c.points]
            axes.fill_between(x, y, most, color=color, alpha=0.15, lw=0)
            axes.plot(x, most, color=color, lw=0.9, ls=styles[i % len(styles)])
        if LOWEST_ODDS <= c.stated <= HIGHEST_ODDS:
            axes.plot(
                [c.stated],
                [float(np.interp(math.log(c.stated), np.log(x), y))],
                "o",
                color=color,
                ms=5,
                mec=PAPER,
                zorder=3,
            )
        for at in crossings(c):
            axes.plot([at], [c.threshold], "D", color=PAPER, mec=color, mew=1.3, ms=5.5, zorder=3)
        axes.plot([HIGHEST_ODDS, HIGHEST_ODDS * 1.25], [y[-1], end], color=color, lw=0.7, clip_on=False)
        axes.text(HIGHEST_ODDS * 1.35, end, short(spoken(c.hypothesis), 16), color=color, fontsize=8, va="center")


def _apart(heights: Sequence[float], *, least: float) -> list[float]:
    """Heights of labels, moved apart so far that none covers another."""
    order = np.argsort(heights, kind="stable")
    placed = np.array(heights, dtype=float)[order]
    for k in range(1, len(placed)):
        placed[k] = max(placed[k], placed[k - 1] + least)
    over = placed[-1] - max(1.0, *heights) if len(placed) else 0.0
    placed -= max(over, 0.0)
    for k in range(len(placed) - 2, -1, -1):
        placed[k] = min(placed[k], placed[k + 1] - least)
    found = np.empty(len(placed))
    found[order] = placed
    return [float(y) for y in found]
