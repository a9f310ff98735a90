"""Claims and quantities against the truth: how often the probable came true, and what the intervals hold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import matplotlib as mpl
from matplotlib.axes import Axes

from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.judgement.scores import BINS
from gaugeglass.publication import numbers
from gaugeglass.publication.outcomes import claim_name, count_text, coverage_text, few_text, said_text, share_text
from gaugeglass.publication.sheet import (
    FAINT,
    INK,
    LEFT,
    PAPER,
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
from gaugeglass.record.outcomes import Outcomes, QuantityOutcome

MOST_QUANTITIES = 30
"""How many quantities a picture shows; the first ones."""
_STEP, _NAMES, _LETTERS = 0.24, 1.45, 24  # height of a row and width of the names [inch], and letters of a name
_FAR = 2.6
"""How far the picture goes to either side, in half widths of an interval; what is farther is drawn at its edge. [1]"""


def outcome_pictures(found: Outcomes) -> Iterator[Picture]:
    """Every picture of what was scored that has something to show."""
    if found.claims:
        yield reliability(found)
    if found.quantities:
        yield coverage(found)


# --- claims -------------------------------------------------------------------------------------------------


def reliability(found: Outcomes) -> Picture:
    """How many claims of each class of probability came true, over what was said of them."""
    with mpl.rc_context(SETTINGS):
        title = _reliability_title(found)
        sheet = blank(title, 4.2)
        sheet.text(LEFT, 0, f"{count_text(found)}{'; few' if found.is_few else ''}", fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + 0.62, 0.4, WIDTH - LEFT - RIGHT - 0.8, 3.2)
        _draw_reliability(axes, found)
        alt = f"{title}. {_few(found)}" + " ".join(
            f"{claim_name(c, with_dossier=True).capitalize()}: {said_text(c)} said, {_came(c.came_true)}."
            for c in found.claims
        )
        headings = ("dossier", "claim", "probability scored", "came true", "Brier", "log score [nat]")
        cells = [(c.dossier, c.claim, c.scored, str(c.came_true).lower(), c.brier, c.log_score) for c in found.claims]
        return finish(sheet, "reliability", title, alt, headings, cells)


def _reliability_title(found: Outcomes) -> str:
    came, expected = sum(c.came_true for c in found.claims), sum(c.scored for c in found.claims)
    noun = "claim" if len(found.claims) == 1 else "claims"
    return f"Of {len(found.claims)} {noun}, {came} came true where {numbers.fixed(expected, 1)} were expected to"


def _few(found: Outcomes) -> str:
    return f"{few_text(found)} " if found.is_few else ""


def _came(came_true: bool) -> str:
    return "came true" if came_true else "came out false"


def _draw_reliability(axes: Axes, found: Outcomes) -> None:
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.08, 1.08))
    ends = ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"]
    axes.set_xticks(BINS, ends)
    axes.set_yticks(BINS, ends)
    for edge in BINS[1:-1]:
        axes.axvline(edge, color=RULE, lw=0.6, zorder=0)
    axes.plot([0, 1], [0, 1], color=PLUM, lw=1.1, ls=(0, (5, 3)), zorder=1)
    axes.text(0.99, 0.86, "as said", color=PLUM, fontsize=8, ha="right", va="top")
    for c in found.claims:
        y = 1.05 if c.came_true else -0.05
        axes.plot([c.scored], [y], "|", color=TEAL if c.came_true else FAINT, ms=9, mew=1.4, zorder=2)
    for b in found.bins:
        axes.plot([b.mean, b.mean], [b.lower, b.upper], color=TEAL, lw=1.6, alpha=0.5, zorder=2)
        axes.plot([b.mean], [b.share], "o", color=TEAL, mec=PAPER, ms=7, zorder=3)
        side = "left" if b.mean < 0.75 else "right"
        at = b.mean + (0.025 if side == "left" else -0.025)
        axes.text(at, b.share, share_text(b).partition(" (")[0], fontsize=7.5, color=INK, ha=side, va="center")
    share = numbers.percent(INTERVAL_PROBABILITY, 0)
    axes.set_xlabel(f"probability said; ticks: claims, true above, false below; bars: {share}", fontsize=7.5)
    axes.set_ylabel("came true", fontsize=8)


# --- quantities ---------------------------------------------------------------------------------------------


def coverage(found: Outcomes) -> Picture:
    """Where the truth of each quantity lies in the interval that was printed of it."""
    with mpl.rc_context(SETTINGS):
        title = f"Quantities: {coverage_text(found)}"
        shown = found.quantities[:MOST_QUANTITIES]
        body = _STEP * len(shown)
        sheet = blank(title, body + 0.85)
        share = numbers.percent(INTERVAL_PROBABILITY, 0)
        said = f"Bars: the {share} interval and the median as printed; diamonds: the truth"
        sheet.text(LEFT, 0, said, fontsize=8, color=FAINT)
        axes = sheet.axes(LEFT + _NAMES, 0.32, WIDTH - LEFT - RIGHT - _NAMES - 0.95, body)
        _draw_coverage(axes, shown)
        alt = f"{title}. " + " ".join(_quantity_sentence(q) for q in found.quantities)
        headings = (
            "dossier",
            "quantity",
            "unit",
            "truth",
            "median",
            "lower",
            "upper",
            "CRPS",
            "CRPS of the prior",
            "rank",
        )
        cells = [
            (q.dossier, q.quantity, q.unit, q.truth, q.median, q.lower, q.upper, q.crps, q.prior_crps, q.rank)
            for q in found.quantities
        ]
        return finish(sheet, "coverage", title, alt, headings, cells)


def _quantity_sentence(q: QuantityOutcome) -> str:
    where = "within" if q.covered else "outside of"
    lower, upper = numbers.plain(q.lower), numbers.with_unit(numbers.plain(q.upper), q.unit)
    return f"{spoken(q.quantity).capitalize()}: {numbers.exact(q.truth, q.unit)}, {where} {lower} to {upper}."


def _draw_coverage(axes: Axes, shown: Sequence[QuantityOutcome]) -> None:
    axes.set(xlim=(-_FAR, _FAR), ylim=(len(shown), 0))
    axes.set_xticks([-1, 1], ["lower end", "upper end"])
    for edge in (-1, 1):
        axes.axvline(edge, color=RULE, lw=0.8, zorder=0)
    for i, q in enumerate(shown):
        y, half = i + 0.5, (q.upper - q.lower) / 2
        middle = (q.upper + q.lower) / 2
        at, median = ((x - middle) / half if half > 0 else 0.0 for x in (q.truth, q.median))
        color = TEAL if q.covered else PLUM
        axes.plot([-1, 1], [y, y], color=color, lw=2.4, alpha=0.4, zorder=1, solid_capstyle="butt")
        axes.plot([median], [y], "|", color=color, ms=8, mew=1.6, zorder=2)
        axes.plot(
            [min(max(at, -_FAR), _FAR)], [y], "D", color=PAPER, mec=color, mew=1.4, ms=5.5, zorder=3, clip_on=False
        )
        name = short(spoken(q.quantity), _LETTERS)
        axes.text(-_FAR - 0.15, y, name, fontsize=7.5, color=color, ha="right", va="center")
        axes.text(_FAR + 0.2, y, numbers.exact(q.truth, q.unit), fontsize=7.5, color=color, ha="left", va="center")
