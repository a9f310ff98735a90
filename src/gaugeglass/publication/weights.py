"""Weights of the rival explanations before and after the evidence."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from gaugeglass.judgement.results import Assessment, HypothesisSummary
from gaugeglass.publication import numbers
from gaugeglass.publication.sheet import (
    FAINT,
    LEFT,
    PAPER,
    RIGHT,
    RULE,
    SERIES,
    SETTINGS,
    WIDTH,
    Picture,
    blank,
    finish,
    short,
    spoken,
)


def hypotheses(assessment: Assessment) -> Picture:
    """Weights of the rival explanations before and after the evidence, with their Monte Carlo errors."""
    with mpl.rc_context(SETTINGS):
        rows = assessment.hypotheses
        title = _hypotheses_title(rows)
        step = 0.62
        sheet = blank(title, step * len(rows) + 0.5)
        axes = sheet.axes(LEFT, 0, WIDTH - LEFT - RIGHT, step * len(rows))
        axes.set(xlim=(-0.015, 1.015), ylim=(len(rows), 0), xlabel="weight: open dot before, filled dot after")
        axes.xaxis.label.set_fontsize(8)
        axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0 %", "25 %", "50 %", "75 %", "100 %"])
        for i, row in enumerate(rows):
            _hypothesis_row(axes, i, row, color=SERIES[i % len(SERIES)])
        alt = f"{title}. " + " ".join(_hypothesis_sentence(h) for h in rows)
        headings = ("hypothesis", "prior", "posterior", "Monte Carlo error", "log evidence", "misfit")
        cells = [(h.name, h.prior, h.posterior, h.mcse, h.log_evidence, h.misfit) for h in rows]
        return finish(sheet, "hypotheses", title, alt, headings, cells)


def _hypotheses_title(rows: Sequence[HypothesisSummary]) -> str:
    best = max(rows, key=lambda h: h.posterior)
    shown = numbers.percent_with_error(best.posterior, best.mcse)
    verb = "gains" if best.posterior > best.prior else "keeps"
    return f"“{spoken(best.name)}” {verb} most weight: from {numbers.percent_beside(best.prior, best.mcse)} to {shown}"


def _hypothesis_sentence(h: HypothesisSummary) -> str:
    after = numbers.percent_with_error(h.posterior, h.mcse)
    return f"{spoken(h.name).capitalize()} ({h.says}): {numbers.percent_beside(h.prior, h.mcse)} before, {after} after."


def _hypothesis_row(axes: Axes, i: int, h: HypothesisSummary, *, color: str) -> None:
    y = i + 0.74
    axes.text(-0.015, i + 0.08, spoken(h.name), fontsize=9, fontweight="bold", color=color, va="top")
    axes.text(-0.015, i + 0.33, short(h.says, 56), fontsize=8, color=FAINT, va="top")
    shown = numbers.percent_with_error(h.posterior, h.mcse)
    axes.text(1.015, i + 0.08, shown, fontsize=9, fontweight="bold", color=color, ha="right", va="top")
    before = f"from {numbers.percent_beside(h.prior, h.mcse)}"
    axes.text(1.015, i + 0.33, before, fontsize=8, color=FAINT, ha="right", va="top")
    axes.plot([0, 1], [y, y], color=RULE, lw=0.8, zorder=0)
    if abs(h.posterior - h.prior) > 0.02:
        axes.annotate(
            "", (h.posterior, y), (h.prior, y), arrowprops={"arrowstyle": "-", "color": color, "lw": 2.2, "alpha": 0.5}
        )
    axes.plot([h.prior], [y], "o", color=PAPER, mec=color, mew=1.4, ms=7, zorder=2)
    if h.mcse > 0:
        ends = np.clip([h.posterior - 2 * h.mcse, h.posterior + 2 * h.mcse], 0, 1)
        axes.plot(ends, [y, y], color=color, lw=1.2, marker="|", ms=9, zorder=2)
    axes.plot([h.posterior], [y], "o", color=color, ms=7.5, mec=PAPER, zorder=3)
