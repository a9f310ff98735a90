"""Figures and frames for a screen, wide and square, with words that are read on a telephone: the evidence as it joins.

All frames of a sequence have the same axes, so that only what is known moves. The probability stands in a gauge glass.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from gaugeglass.judgement.joining import Joined, Joining, date_of, in_order
from gaugeglass.judgement.results import (
    INTERVAL_PROBABILITY,
    Assessment,
    HypothesisSummary,
    LedgerRow,
    Probability,
    QuantitySummary,
    Spread,
    Verdict,
)
from gaugeglass.language.ranges import ANYTHING, Range
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, wording
from gaugeglass.publication.alternatives import what_if
from gaugeglass.publication.densities import FEW, bounds, density, range_of, without_atom
from gaugeglass.publication.labels import POINTS, places
from gaugeglass.publication.page import FIXED_CAUTION
from gaugeglass.publication.sheet import (
    CLEAR,
    EDGE,
    FAINT,
    INK,
    MIST,
    OCHRE,
    PAPER,
    RULE,
    SERIES,
    SETTINGS,
    SLATE,
    TEAL,
    Sheet,
    bare,
    png_of,
    short,
    spoken,
)
from gaugeglass.record.documents import dump

FORMAT = "gaugeglass.frames/1"
"""Name and version of the shape of ``frames.json``."""
ORDER = "in order of date, then of the file; what has no date goes last"
ROUGH = "The draws of this step are out of their limits: take it as rough."

WIDTH, EDGES = 5.0, 0.16
"""Width of every screen and its margins [inch]. A telephone is 5 inch of 72 points wide, so that a size of letters in
points is their size there in pixels; none is below 9."""
_SMALL, _LINE = 9.0, 0.0172
"""Size of the smallest letters [point], and from one line to the next for each point of a size [inch]."""
_NARROW = 0.27
"""Width of the narrowest letter over its size [1]."""
_ROOM = WIDTH - 2 * EDGES
_BINS, _SPANS = 400, 8.0
_DECADES = 100.0
"""Ratio of the highest to the lowest value worth showing from which the axis has powers of ten [1]."""
_MOST_LABELS, _MOST_DECADES = 3, 5
_LEAST_MOVE = 0.08
"""Change of a probability from which a step is worth naming in a figure [1]."""


@dataclass(frozen=True, slots=True)
class Screen:
    """A format: its height [inch] and pixels an inch, and where what all frames have in common stands [inch].

    ``plot`` and ``tube`` are left, top, width and height; ``says`` is left, top and width of what the probability is
    of. ``heading``, ``details`` and ``says_size`` are sizes of letters [point], ``lines`` how many of details and of
    what the probability is of there is room for.
    """

    name: str
    height: float
    dpi: int
    heading: float
    details: float
    plot: tuple[float, float, float, float]
    tube: tuple[float, float, float, float]
    says: tuple[float, float, float]
    says_size: float
    lines: tuple[int, int]


WIDE = Screen("wide", 2.8125, 384, 13, 9, (0.16, 1.5, 2.5, 0.82), (3.19, 1.1, 0.17, 1.5), (3.47, 0.98, 1.37), 9, (2, 7))
SQUARE = Screen("square", 5.0, 216, 16, 10, (0.16, 1.84, 4.68, 1.3), (0.68, 3.76, 0.22, 1.08), (1.1, 3.64, 3.74), 11,
                (3, 4))  # fmt: skip
SCREENS = (WIDE, SQUARE)


@dataclass(frozen=True, slots=True)
class Frame:
    """A picture for screens: what it is called, what it says, its text equivalent, and its bytes by format."""

    name: str
    title: str
    caption: str
    alt: str
    png: Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class _Stage:
    """What all frames of a sequence have in common: the axis and the height of the tallest curve.

    ``grid`` runs from one end of the axis to the other, in the unit of the quantity or, where that spans decades, in
    powers of ten of it; ``within`` is where the quantity is, in the same.
    """

    grid: NDArray[np.float64]
    peak: float
    is_log: bool
    has_bars: bool
    has_atoms: bool
    within: Range

    def placed(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where values of the quantity stand on the axis."""
        return np.log10(values) if self.is_log else np.asarray(values)

    @property
    def ends(self) -> tuple[float, float]:
        """The values of the quantity at the ends of the axis."""
        low, high = (10.0**x if self.is_log else x for x in (float(self.grid[0]), float(self.grid[-1])))
        return low, high


@dataclass(frozen=True, slots=True)
class _Scene:
    """One state to be shown: what is written above it, and what came before."""

    corner: str
    heading: str
    details: str
    step: Joined
    before: Joined | None


# --- the sequence -------------------------------------------------------------------------------------------


def frames(spec: Spec, assessment: Assessment, joining: Joining) -> tuple[Frame, ...]:
    """The prior, each piece of evidence as it joins, and the verdict, numbered so that they sort."""
    return tuple(_frames(spec, _headed(spec, assessment), joining))


def _frames(spec: Spec, assessment: Assessment, joining: Joining) -> Iterator[Frame]:
    steps, stage = joining.steps, _stage(joining, _within(spec, joining))
    rows = {row.id: row for row in assessment.ledger}
    digits = max(2, len(str(len(steps) + 1)))
    for k, step in enumerate(steps):
        before = steps[k - 1] if k else None
        row = rows[step.unit.name] if step.unit else None
        scene = _Scene(
            f"{k} of {len(steps) - 1}" if row else "", _heading(row), _source_of(row, spec, step), step, before
        )
        caption = _caption(row, spec, joining, step, before)
        name = f"{k + 1:0{digits}}-{_file_name(row.id) if row else 'prior'}"
        yield _frame(name, assessment, joining, stage, scene, caption)
    final = _Scene("", _verdict_heading(joining), _tally(assessment), steps[-1], steps[0] if len(steps) > 1 else None)
    said = f"{assessment.sentence} {_tally(assessment)}"
    yield _frame(f"{len(steps) + 1:0{digits}}-verdict", assessment, joining, stage, final, said)


def _frame(name: str, assessment: Assessment, joining: Joining, stage: _Stage, scene: _Scene, caption: str) -> Frame:
    drawn = _drawn(lambda screen: _draw_scene(screen, assessment, joining, stage, scene))
    return Frame(name, scene.heading, caption, f"{scene.heading}. {_state_text(joining, scene.step)}", drawn)


def _drawn(draw: Callable[[Screen], Sheet]) -> dict[str, bytes]:
    with mpl.rc_context(SETTINGS):
        return {screen.name: png_of(draw(screen), screen.dpi) for screen in SCREENS}


def _heading(row: LedgerRow | None) -> str:
    if row is None:
        return "Before any evidence"
    return f"{wording.name_of(row)}: {_stated(row)}"


def _stated(row: LedgerRow) -> str:
    """A reading as it was stated, its unit as it is printed."""
    if row.rows is not None:
        return wording.rows_text(row)
    return row.stated.replace(row.unit, numbers.unit_text(row.unit)) if len(row.unit) > 1 else row.stated


def _source_of(row: LedgerRow | None, spec: Spec, step: Joined) -> str:
    """Where what joins can be looked up, as far as that may be said."""
    if row is None:
        return f"What the model alone expects: {spec.model.title}"
    title = row.source or ("private source" if row.private else row.about)
    date = date_of(spec, step.unit) if step.unit else ""
    return f"{title}, {date}" if date else title


def _verdict_heading(joining: Joining) -> str:
    asked = joining.asked
    if asked is None:
        return f"After all of it: {_middle(joining.quantity.posterior, joining.quantity.unit)}"
    return f"Verdict: {asked.words.phrase}" if asked.words else f"Verdict: {_chance(asked.posterior)}"


def _tally(assessment: Assessment) -> str:
    """How many pieces of evidence counted, and by name what did not."""
    counted = wording.counted(assessment.ledger)
    gone = [f"{wording.name_of(r)} ({_why(r)})" for r in assessment.ledger if r.aside is not None]
    said = f"{_pieces(len(counted))} of evidence counted."
    return f"{said} Not counted: {', '.join(gone)}." if gone else said


def _why(row: LedgerRow) -> str:
    return "withdrawn" if row.withdrawn is not None else wording.aside_text(row).removeprefix("an ")


def _caption(row: LedgerRow | None, spec: Spec, joining: Joining, step: Joined, before: Joined | None) -> str:
    state = _state_text(joining, step)
    if row is None:
        return f"Before any evidence. {state}"
    was = f" Before it: {_chance(before.probability)}." if before and before.probability and step.probability else ""
    rough = "" if step.usable else f" {ROUGH}"
    joined = f"{wording.name_of(row)} joins: {_stated(row)} ({_source_of(row, spec, step)})."
    return f"{joined} {state}{was}{rough}"


def _state_text(joining: Joining, step: Joined) -> str:
    """What is known at a step, in words."""
    q = joining.quantity
    known = f"{spoken(q.name).capitalize()}: {numbers.interval(step.spread, q.unit)}."
    if joining.asked is None or step.probability is None:
        return known
    return f"The probability that {_says(joining.asked)} is {numbers.probability(step.probability)}. {known}"


def _says(asked: Verdict) -> str:
    """What is asked, to stand within a sentence; a hypothesis is named as one."""
    said = asked.says.rstrip(".")
    return f"“{said}” is the explanation" if asked.kind == "hypothesis" else said[:1].lower() + said[1:]


def _chance(p: Probability) -> str:
    """A probability in few letters, whole percents where they tell enough."""
    if p.is_between:
        return numbers.brief(p)
    if p.at_least is not None or p.at_most is not None:
        return numbers.probability(p)
    return numbers.percent(p.value, 0 if 0.05 <= p.value <= 0.95 else 1)


def _middle(spread: Spread, unit: str) -> str:
    return numbers.with_unit(numbers.rounded(spread.median, spread.sd), unit)


def _file_name(name: str) -> str:
    """A name in letters that every file system takes."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name)[:60].strip("-") or "observation"


# --- what goes with them --------------------------------------------------------------------------------------


def files(spec: Spec, assessment: Assessment, joining: Joining, reproduction: Mapping[str, Any]) -> dict[str, bytes]:
    """Every figure and frame in each format, and ``frames.json`` that says what they show, by their paths."""
    drawn, single = frames(spec, assessment, joining), figures(spec, assessment, joining)
    found = {
        _path(folder, screen, frame): png
        for folder, group in (("figures", single), ("frames", drawn))
        for frame in group
        for screen, png in frame.png.items()
    }
    return found | {"frames.json": dump(document(spec, assessment, joining, (drawn, single), reproduction))}


def document(
    spec: Spec,
    assessment: Assessment,
    joining: Joining,
    drawn: tuple[Sequence[Frame], Sequence[Frame]],
    reproduction: Mapping[str, Any],
) -> dict[str, Any]:
    """What frames and figures show, in words and numbers, and how to reproduce the number."""
    asked, q, ledger = joining.asked, joining.quantity, {row.id: row for row in assessment.ledger}
    last = joining.steps[-1]
    return {
        "format": FORMAT,
        "dossier": spec.dossier.name,
        "model": spec.model.name,
        "subject": assessment.subject,
        "alternative": None if spec.alternative is None else what_if(spec.alternative),
        "sentence": assessment.sentence,
        "caption": f"{_summary(joining)} {FIXED_CAUTION}",
        "reproduction": dict(reproduction),
        "order": ORDER,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
        "asked": None if asked is None else {
            "name": asked.claim, "says": asked.says, "kind": asked.kind, "threshold": asked.threshold,
        },
        "quantity": {"name": q.name, "about": q.about, "unit": q.unit, "axis": list(_stage(joining).ends)},
        "frames": [
            _entry(frame, "frames") | _numbers(step) | {"joined": _joined(step, spec, ledger) if k < len(joining.steps)
                                                        else None}
            for k, (frame, step) in enumerate(zip(drawn[0], (*joining.steps, last), strict=True))
        ],
        "figures": [_entry(figure, "figures") for figure in drawn[1]],
        "not_counted": [{"id": r.id, "why": wording.aside_text(r)} for r in assessment.ledger if r.aside is not None],
    }  # fmt: skip


def _summary(joining: Joining) -> str:
    pieces = len(joining.steps) - 1
    count = f"{_pieces(pieces)} of evidence {'joins' if pieces == 1 else 'join'}"
    what = f"the probability that {_says(joining.asked)}" if joining.asked else spoken(joining.quantity.name)
    return f"{what[:1].upper()}{what[1:]}, and what is known as {count}, {ORDER}."


def _entry(frame: Frame, folder: str) -> dict[str, Any]:
    paths = {screen: _path(folder, screen, frame) for screen in frame.png}
    return {"name": frame.name, "files": paths, "title": frame.title, "caption": frame.caption, "alt": frame.alt}


def _path(folder: str, screen: str, frame: Frame) -> str:
    return f"{folder}/{screen}/{frame.name}.png"


def _numbers(step: Joined) -> dict[str, Any]:
    weights = [{"name": n, "weight": w, "mcse": step.errors[n]} for n, w in step.hypotheses.items()]
    return {"probability": step.probability, "quantity": step.spread, "hypotheses": weights, "usable": step.usable}


def _joined(step: Joined, spec: Spec, ledger: Mapping[str, LedgerRow]) -> dict[str, Any] | None:
    if step.unit is None:
        return None
    row = ledger[step.unit.name]
    return {"kind": step.unit.kind, "id": row.id, "method": row.method, "stated": row.stated, "source": row.source,
            "date": date_of(spec, step.unit), "rows": row.rows, "private": row.private}  # fmt: skip


# --- single figures -----------------------------------------------------------------------------------------


def figures(spec: Spec, assessment: Assessment, joining: Joining) -> tuple[Frame, ...]:
    """Single figures: the verdict with the leading quantity, the rival explanations, and the way of the evidence."""
    return tuple(_figures(_headed(spec, assessment), joining, _stage(joining, _within(spec, joining))))


def verdict_figure(spec: Spec, assessment: Assessment, joining: Joining) -> Frame:
    """The leading quantity and the probability of the leading claim, before and after the evidence."""
    stage = _stage(joining, _within(spec, joining))
    return _verdict(_headed(spec, assessment), joining, stage, len(in_order(spec)))


def _headed(spec: Spec, assessment: Assessment) -> Assessment:
    """The assessment under the subject that stands on every picture; an alternative says so there."""
    if spec.alternative is None:
        return assessment
    return replace(assessment, subject=f"{what_if(spec.alternative)} ({assessment.subject})")


def _verdict(assessment: Assessment, joining: Joining, stage: _Stage, pieces: int) -> Frame:
    steps = joining.steps
    say = "says" if pieces == 1 else "say"
    details = f"What {_pieces(pieces)} of evidence {say}, under the assumptions that are stated with it."
    scene = _Scene("", _verdict_heading(joining), details, steps[-1], steps[0] if len(steps) > 1 else None)
    return _frame("verdict", assessment, joining, stage, scene, assessment.sentence)


def _figures(assessment: Assessment, joining: Joining, stage: _Stage) -> Iterator[Frame]:
    yield _verdict(assessment, joining, stage, len(joining.steps) - 1)
    if len(assessment.hypotheses) > 1:
        yield _hypotheses(assessment)
    if len(joining.steps) > 2:
        yield _way(assessment, joining)


def _hypotheses(assessment: Assessment) -> Frame:
    ordered = sorted(assessment.hypotheses, key=lambda h: -h.posterior)
    best = ordered[0]
    title = f"“{spoken(best.name)}” explains most: {numbers.percent(best.posterior, 0)}"
    told = " ".join(
        f"{spoken(h.name).capitalize()} ({h.says.rstrip('.')}): {numbers.percent_beside(h.prior, h.mcse)} before, "
        f"{numbers.percent_with_error(h.posterior, h.mcse)} after."
        for h in ordered
    )
    drawn = _drawn(lambda screen: _draw_hypotheses(screen, assessment.subject, title, ordered))
    return Frame("hypotheses", title, f"Rival explanations of the same evidence. {told}", f"{title}. {told}", drawn)


def _draw_hypotheses(screen: Screen, subject: str, title: str, ordered: Sequence[HypothesisSummary]) -> Sheet:
    sheet = bare(WIDTH, screen.height)
    _top(sheet, screen, subject, "", title)
    top, foot = 0.42 + screen.heading * _LINE, 0.38
    most = int((screen.height - top - foot) / 0.34)
    shown = ordered[:most] if len(ordered) <= most else ordered[: most - 1]
    step = min((screen.height - top - foot) / (len(shown) + (len(shown) < len(ordered))), 0.76)
    for k, h in enumerate(shown):
        _hypothesis(sheet, h, top + k * step, step, SERIES[k % len(SERIES)])
    if len(shown) < len(ordered):
        rest = sum(h.posterior for h in ordered[len(shown) :])
        said = f"and {len(ordered) - len(shown)} more, together {numbers.percent(rest)}"
        sheet.text(EDGES, top + len(shown) * step, said, fontsize=_SMALL, color=FAINT)
    key = "open dot: before the evidence, filled dot: after"
    sheet.text(EDGES, screen.height - 0.24, key, fontsize=_SMALL, color=FAINT)
    return sheet


def _hypothesis(sheet: Sheet, h: HypothesisSummary, top: float, height: float, color: str) -> None:
    value = numbers.percent(h.posterior, 1)
    room = _ROOM - width_of(value, _SMALL, bold=True) - 0.1
    sheet.text(EDGES, top, fitted(h.says.rstrip("."), room, _SMALL), fontsize=_SMALL, color=INK)
    sheet.text(WIDTH - EDGES, top, value, fontsize=_SMALL, fontweight="bold", color=color, ha="right")
    axes = sheet.axes(EDGES, top + 0.15, _ROOM, max(height - 0.2, 0.12))
    axes.set(xlim=(-0.012, 1.012), ylim=(-1, 1), xticks=[])
    axes.spines[:].set_visible(False)
    axes.plot([0, 1], [0, 0], color=RULE, lw=1)
    axes.plot([h.prior, h.posterior], [0, 0], color=color, lw=3, alpha=0.5)
    axes.plot([h.prior], [0], "o", color=PAPER, mec=color, mew=1.5, ms=6.5)
    axes.plot([h.posterior], [0], "o", color=color, ms=7, mec=PAPER)


def _way(assessment: Assessment, joining: Joining) -> Frame:
    """How the probability, or the quantity where nothing is asked, went as the evidence joined."""
    title = _way_title(joining)
    told = " ".join(f"{_step_name(step)}: {_now(joining, step)}." for step in joining.steps)
    caption = f"What is known as the evidence joins, {ORDER}."
    if joining.asked is not None:
        caption = f"The probability that {_says(joining.asked)} as the evidence joins, {ORDER}."
    drawn = _drawn(lambda screen: _draw_way(screen, assessment.subject, title, joining))
    return Frame("joining", title, caption, f"{title}. {told}", drawn)


def _step_name(step: Joined) -> str:
    return step.unit.name if step.unit else "Before any evidence"


def _now(joining: Joining, step: Joined) -> str:
    if step.probability is not None:
        return numbers.probability(step.probability)
    return numbers.middle(step.spread, joining.quantity.unit)


def _way_title(joining: Joining) -> str:
    first, last = joining.steps[0], joining.steps[-1]
    if first.probability is None or last.probability is None:
        unit = joining.quantity.unit
        return f"From {_middle(first.spread, unit)} to {_middle(last.spread, unit)}"
    before, after = _chance(first.probability), _chance(last.probability)
    if first.probability.is_between or last.probability.is_between:
        return f"First {before}, in the end {after}"
    return f"From {before} to {after}"


def _draw_way(screen: Screen, subject: str, title: str, joining: Joining) -> Sheet:
    sheet = bare(WIDTH, screen.height)
    _top(sheet, screen, subject, "", title)
    top = 0.36 + screen.heading * _LINE
    of = f"The probability that {_says(joining.asked)}" if joining.asked else joining.quantity.about
    taken = _paragraph(sheet, (EDGES, top, _ROOM), of, size=screen.details, lines=2, color=FAINT)
    above = top + taken * screen.details * _LINE + 0.12
    axes = sheet.axes(0.68, above, WIDTH - 0.68 - EDGES, screen.height - above - 0.36)
    at = np.arange(len(joining.steps))
    axes.set_xlim(-0.3, at[-1] + 0.3)
    axes.set_xticks([])
    axes.set_xlabel(f"{_pieces(len(at) - 1)} of evidence, by date", fontsize=_SMALL, labelpad=4)
    middle = _draw_probabilities(axes, joining) if joining.asked else _draw_intervals(axes, joining)
    axes.tick_params(labelsize=_SMALL)
    _name_moves(axes, joining, middle)
    return sheet


def _draw_probabilities(axes: Axes, joining: Joining) -> NDArray[np.float64]:
    ends = np.array([step.probability.span for step in joining.steps if step.probability], dtype=np.float64)
    values: NDArray[np.float64] = ends[:, 0]
    most = ends[:, 1]
    errors = np.array([np.nan_to_num(step.probability.mcse) for step in joining.steps if step.probability])
    at = np.arange(len(values))
    threshold = joining.asked.threshold if joining.asked else 0.5
    axes.axhline(threshold, color=OCHRE, lw=1.4, zorder=1)
    low, high = np.clip(values - 2 * errors, 0, 1), np.clip(most + 2 * errors, 0, 1)
    axes.fill_between(at, low, high, color=TEAL, alpha=0.22, lw=0)
    axes.plot(at, values, "-o", color=TEAL, lw=2, ms=4.5, zorder=3)
    if np.any(most > values):
        axes.plot(at, most, "-o", color=TEAL, lw=1, ms=3, zorder=3)
    marks = sorted({0.0, threshold, 1.0})
    axes.set(ylim=(-0.02, 1.02))
    axes.set_yticks(marks, [numbers.percent(m, 0) for m in marks])
    return values


def _draw_intervals(axes: Axes, joining: Joining) -> NDArray[np.float64]:
    spreads = [step.spread for step in joining.steps]
    medians = np.array([s.median for s in spreads])
    at, unit = np.arange(len(spreads)), joining.quantity.unit
    axes.fill_between(at, [s.lower for s in spreads], [s.upper for s in spreads], color=TEAL, alpha=0.22, lw=0)
    axes.plot(at, medians, "-o", color=TEAL, lw=2, ms=4.5, zorder=3)
    low, high = _window(spreads, is_positive=False)
    axes.set_ylim(low, high)
    marks = [float(medians[0]), float(medians[-1])]
    axes.set_yticks(marks, [numbers.rounded(m, spreads[0].sd) for m in marks])
    axes.set_xlabel(f"{axes.get_xlabel()}; band: 90 % interval, {numbers.unit_text(unit) or 'pure number'}",
                    fontsize=_SMALL, labelpad=4)  # fmt: skip
    return medians


def _name_moves(axes: Axes, joining: Joining, values: NDArray[np.float64]) -> None:
    """Name the steps that moved most, each where it arrives."""
    low, high = axes.get_ylim()
    moves = np.abs(np.diff(values)) / (high - low)
    largest = [int(k) + 1 for k in np.argsort(-moves)[:_MOST_LABELS] if moves[k] >= _LEAST_MOVE]
    names = [short(_step_name(joining.steps[k]), 18) for k in largest]
    points = [(float(k), float(values[k])) for k in largest]
    lines = [(np.arange(len(values), dtype=np.float64), values)]
    if joining.asked is not None:
        lines.append((np.array(axes.get_xlim()), np.full(2, joining.asked.threshold)))
    sizes = [(width_of(name, _SMALL), 1.2 * _SMALL / POINTS) for name in names]
    for name, point, place in zip(names, points, places(axes, points, sizes, lines), strict=True):
        axes.annotate(
            name, point, (place.aside, place.up), textcoords="offset points", fontsize=_SMALL, color=INK, ha=place.end,
            va="center", bbox=CLEAR, zorder=2,
        )  # fmt: skip


def _pieces(count: int) -> str:
    return f"{count} {'piece' if count == 1 else 'pieces'}"


# --- what all frames have in common -------------------------------------------------------------------------


def _within(spec: Spec, joining: Joining) -> Range:
    """Where the quantity that is shown is, in its unit."""
    return range_of(joining.quantity.name, bounds(spec))


def _stage(joining: Joining, within: Range = ANYTHING) -> _Stage:
    every = [np.ravel(step.draws) for step in joining.steps]
    spreads = [step.spread for step in joining.steps]
    is_log = _spans_decades(spreads, every)
    if is_log:
        every, spreads = [np.log10(d) for d in every], [_log_spread(s) for s in spreads]
        within = _log10(within[0]), _log10(within[1])
    grid = np.linspace(*_window(spreads, is_positive=all(d.min() >= 0 for d in every)), _BINS)
    has_bars = not is_log and any(1 < np.unique(d).size <= FEW < d.size for d in every)
    if has_bars:
        tops = [_shares(d, grid)[1].max(initial=0.0) for d in every]
    else:
        tops = [density(d, grid, within=within).max() for d in every]
    has_atoms = not has_bars and any(0 < without_atom(d)[1] < 1 for d in every)
    return _Stage(grid, float(max(tops)) or 1.0, is_log, has_bars, has_atoms, within)


def _spans_decades(spreads: Sequence[Spread], every: Sequence[NDArray[np.float64]]) -> bool:
    """Whether a positive quantity is known so much better in the end that powers of ten are the scale for it."""
    if not all(d.min() > 0 for d in every):
        return False
    return max(s.upper for s in spreads) > _DECADES * min(s.lower for s in spreads)


def _log10(end: float) -> float:
    """The logarithm of an end of a range of what is positive."""
    if math.isinf(end):
        return end
    return math.log10(end) if end > 0 else -math.inf


def _log_spread(s: Spread) -> Spread:
    ends = [float(np.log10(x)) for x in (s.median, s.lower, s.upper)]
    return Spread(ends[0], (ends[2] - ends[1]) / 2, *ends)


def _window(spreads: Sequence[Spread], *, is_positive: bool) -> tuple[float, float]:
    """Where the axis ends: all medians are in it, and as much else of every step as leaves the last one readable."""
    last, medians = spreads[-1], [s.median for s in spreads]
    low, high = min(last.lower, *medians), max(last.upper, *medians)
    own = last.upper - last.lower or max(s.upper - s.lower for s in spreads) or abs(last.median) or 1.0
    room = max(_SPANS * own - (high - low), 0.3 * (high - low))
    below = max(low - min(s.lower for s in spreads), 0.0)
    above = max(max(s.upper for s in spreads) - high, 0.0)
    share = min(1.0, room / (below + above)) if below + above > 0 else 0.0
    start, end = low - share * below - 0.3 * own, high + share * above + 0.3 * own
    return (max(start, -0.02 * (end - start)) if is_positive else start), end


def _shares(draws: NDArray[np.float64], grid: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The values within the axis, and the share of the draws at each."""
    values, counts = np.unique(draws, return_counts=True)
    inside = (values >= grid[0]) & (values <= grid[-1])
    return values[inside], counts[inside] / np.size(draws)


# --- drawing a frame ----------------------------------------------------------------------------------------


def _draw_scene(screen: Screen, assessment: Assessment, joining: Joining, stage: _Stage, scene: _Scene) -> Sheet:
    sheet = bare(WIDTH, screen.height)
    _top(sheet, screen, assessment.subject, scene.corner, scene.heading)
    top = 0.36 + screen.heading * _LINE
    _paragraph(sheet, (EDGES, top, _ROOM), scene.details, size=screen.details, lines=screen.lines[0], color=FAINT)
    left, above, width, height = screen.plot
    if joining.asked is None:
        width = _ROOM
    _quantity(sheet, (left, above, width), joining.quantity, scene.step.spread)
    _curves(sheet.axes(left, above, width, height), joining, stage, scene)
    if joining.asked is not None and scene.step.probability is not None:
        _gauge(sheet, screen, joining.asked, scene.step.probability, scene.before)
    return sheet


def _top(sheet: Sheet, screen: Screen, subject: str, corner: str, heading: str) -> None:
    room = _ROOM - width_of(corner, _SMALL) - (0.15 if corner else 0.0)
    sheet.text(EDGES, 0.12, fitted(subject, room, _SMALL), fontsize=_SMALL, color=FAINT)
    sheet.text(WIDTH - EDGES, 0.12, corner, fontsize=_SMALL, color=FAINT, ha="right")
    size = next((s for s in (screen.heading, 11.5, 10) if width_of(heading, s, bold=True) <= _ROOM), 10.0)
    shown = fitted(heading, _ROOM, size, bold=True)
    sheet.text(EDGES, 0.32 + (screen.heading - size) * _LINE / 2, shown, fontsize=size, fontweight="bold")


def _paragraph(
    sheet: Sheet, place: tuple[float, float, float], text: str, *, size: float, lines: int, color: str = INK
) -> int:
    """Write a text in a column (left, top, width), cut after so many lines; how many it took is returned."""
    left, top, width = place
    found = wrapped(text, width, size, lines)
    for i, line in enumerate(found):
        sheet.text(left, top + size * _LINE * i, line, fontsize=size, color=color)
    return len(found)


def _quantity(sheet: Sheet, place: tuple[float, float, float], q: QuantitySummary, spread: Spread) -> None:
    """What the quantity is called and what it is now, right above its curve."""
    left, bottom, width = place
    heading = f"{spoken(q.name)} {_middle(spread, q.unit)}"
    said = f"{numbers.percent(INTERVAL_PROBABILITY, 0)} credible interval {numbers.bounds(spread, q.unit)}"
    if width_of(heading, 11, bold=True) > width:
        heading, said = spoken(q.name), numbers.interval(spread, q.unit)
    lines = wrapped(said, width, _SMALL, 2) if spread.upper > spread.lower or heading == spoken(q.name) else []
    top = bottom - 0.06 - _SMALL * _LINE * len(lines) - 0.2
    sheet.text(left, top, fitted(heading, width, 11, bold=True), fontsize=11, fontweight="bold", color=TEAL)
    for i, line in enumerate(lines):
        sheet.text(left, top + 0.2 + _SMALL * _LINE * i, line, fontsize=_SMALL, color=FAINT)


# --- words that fit -----------------------------------------------------------------------------------------


@functools.cache
def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """How wide a text is in letters of a size [point]. [inch]"""
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(size, 72)
    font.set_text(text, 0.0)
    return float(font.get_width_height()[0] / 64 / 72)


def fitted(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """A text in one line, cut where it would be wider than there is room [inch]."""
    text = " ".join(_words(text))
    if width_of(text, size, bold=bold) <= width:
        return text
    most = int(width * 72 / (_NARROW * size))
    cuts = (short(text, letters) for letters in range(min(len(text) - 1, most), 3, -1))
    return next((cut for cut in cuts if width_of(cut, size, bold=bold) <= width), "…")


def wrapped(text: str, width: float, size: float, lines: int) -> list[str]:
    """A text in lines no wider than there is room [inch], cut after so many."""
    found: list[str] = []
    for word in _words(text):
        if found and width_of(f"{found[-1]} {word}", size) <= width:
            found[-1] += f" {word}"
        else:
            found.append(fitted(word, width, size))
    if len(found) > lines:
        found[lines - 1] = fitted(f"{found[lines - 1]} {found[lines]} …", width, size)
    return found[:lines]


def _words(text: str) -> list[str]:
    """The words of a text; a number and its unit, between which is a narrow space, are one."""
    return [word for word in re.split(r"[ \t\r\n]+", text) if word]


# --- curves and the gauge -----------------------------------------------------------------------------------


def _curves(axes: Axes, joining: Joining, stage: _Stage, scene: _Scene) -> None:
    grid, first, is_between = stage.grid, joining.steps[0], _is_between(joining, scene)
    layers = [(first, "prior"), *([(scene.before, "before")] if is_between and scene.before else [])]
    for step, kind in [*layers, (scene.step, "now")]:
        (_bars if stage.has_bars else _curve)(axes, stage.placed(np.ravel(step.draws)), kind, stage)
    spread = scene.step.spread
    lower, median, upper = np.clip(
        stage.placed(np.array([spread.lower, spread.median, spread.upper])), grid[0], grid[-1]
    )
    axes.plot([lower, upper], [-0.1, -0.1], color=TEAL, lw=3.4, solid_capstyle="butt")
    axes.plot([median], [-0.1], "o", color=PAPER, mec=TEAL, mew=1.4, ms=5)
    axes.set(xlim=(grid[0], grid[-1]), ylim=(-0.18, 1.3 if stage.has_atoms else 1.06))
    if stage.has_atoms:
        _atom(axes, np.ravel(scene.step.draws), stage)
    key = "" if scene.step is first else "dashed: prior"
    _label(axes, joining.quantity.unit, f"{key}, thin: before" if is_between else key, stage)


def _is_between(joining: Joining, scene: _Scene) -> bool:
    """Whether there is something before that is not the prior, which is drawn anyway."""
    return scene.before is not None and scene.before is not joining.steps[0]


_STYLES: Mapping[str, tuple[str, float, Any, str | None, float]] = {
    "prior": (EDGE, 1.1, (0, (4, 2)), MIST, 0.5),
    "before": (SLATE, 0.9, "-", None, 0.0),
    "now": (TEAL, 2.0, "-", TEAL, 0.3),
}
"""By what a curve is of: its colour, width and dashes, and what is under it."""


def _curve(axes: Axes, draws: NDArray[np.float64], kind: str, stage: _Stage) -> None:
    color, width, dashes, under, alpha = _STYLES[kind]
    height = density(draws, stage.grid, within=stage.within) / stage.peak
    if under is not None:
        axes.fill_between(stage.grid, height, color=under, alpha=alpha, lw=0)
    axes.plot(stage.grid, height, color=color, lw=width, ls=dashes)


def _bars(axes: Axes, draws: NDArray[np.float64], kind: str, stage: _Stage) -> None:
    color, width, dashes, under, alpha = _STYLES[kind]
    values, shares = _shares(draws, stage.grid)
    wide = 0.8 * float(np.diff(values).min()) if values.size > 1 else (stage.grid[-1] - stage.grid[0]) / 40
    axes.bar(values, shares / stage.peak, wide, facecolor=(under or "none"), alpha=alpha if under else None, lw=0)
    axes.bar(values, shares / stage.peak, wide, facecolor="none", edgecolor=color, lw=width / 2, ls=dashes)


def _atom(axes: Axes, values: NDArray[np.float64], stage: _Stage) -> None:
    """A stem for the value that a hypothesis fixes, as high as its share of the draws."""
    rest, share = without_atom(values)
    if not 0 < share < 1:
        return
    at = values[~np.isin(values, rest)][:1]
    axes.plot(np.repeat(stage.placed(at), 2), [0, 1 - share], color=TEAL, lw=3, solid_capstyle="butt")
    said = f"stem: {numbers.percent(1 - share, 0)} at {numbers.exact(float(at[0]))}"
    axes.text(0.02, 1.0, said, transform=axes.transAxes, fontsize=_SMALL, color=FAINT, va="top")


def _label(axes: Axes, unit: str, key: str, stage: _Stage) -> None:
    """Ticks, the unit, and which curve is which."""
    exponent = 0 if stage.is_log else numbers.scale_of(max(map(abs, stage.ends)))
    power = numbers.power_text(exponent) if exponent else ""
    shown = " ".join(part for part in (power, numbers.unit_text(unit)) if part)
    axes.tick_params(labelsize=_SMALL, pad=2)
    if stage.is_log:
        _tick_decades(axes, stage)
        shown = f"{shown}, log scale".removeprefix(", ")
    else:
        axes.locator_params(axis="x", nbins=4)
        axes.xaxis.set_major_formatter(lambda x, _: f"{x / 10.0**exponent:.6g}".replace("-", numbers.MINUS))
    axes.set_xlabel("; ".join(part for part in (shown, key) if part), fontsize=_SMALL, labelpad=1)


def _tick_decades(axes: Axes, stage: _Stage) -> None:
    """Ticks at powers of ten, at every second or third one where they are many."""
    low, high = int(np.ceil(stage.grid[0])), int(np.floor(stage.grid[-1]))
    places = list(range(low, high + 1, max(1, -(-(high - low + 1) // _MOST_DECADES))))
    axes.set_xticks(places, [numbers.plain(10.0**x, 1) for x in places])


def _gauge(sheet: Sheet, screen: Screen, asked: Verdict, p: Probability, before: Joined | None) -> None:
    """The probability as the level in a gauge glass, and what it is of."""
    axes = sheet.axes(*screen.tube)
    axes.set(xlim=(0, 1), ylim=(0, 1), xticks=[], yticks=[])
    axes.spines[:].set_visible(False)
    axes.add_patch(Rectangle((0, 0), 1, 1, facecolor=MIST, alpha=0.35, lw=0))
    least, most = p.span
    axes.add_patch(Rectangle((0, 0), 1, least, facecolor=TEAL, lw=0))
    if most > least:
        axes.add_patch(Rectangle((0, least), 1, most - least, facecolor=TEAL, alpha=0.35, lw=0))
    axes.add_patch(Rectangle((0, 0), 1, 1, facecolor="none", edgecolor=EDGE, lw=1.2, clip_on=False))
    axes.plot([-0.35, 1.35], [asked.threshold] * 2, color=OCHRE, lw=1.6, clip_on=False, solid_capstyle="butt")
    was = before.probability if before else None
    if was is not None:
        for end in dict.fromkeys(was.span):
            axes.plot([-0.2, 1.2], [end] * 2, color=INK, lw=1.0, ls=(0, (2, 1.2)), clip_on=False)
    between = [asked.threshold] if 0.12 < asked.threshold < 0.88 else []
    for share in (0.0, *between, 1.0):
        axes.text(-0.5, share, numbers.percent(share, 0), fontsize=_SMALL, color=FAINT, ha="right", va="center")
    _say(sheet, screen, asked, p, was)


def _say(sheet: Sheet, screen: Screen, asked: Verdict, p: Probability, was: Probability | None) -> None:
    left, top, width = screen.says
    shown = _chance(p)
    size = next((s for s in (24.0, 18.0, 14.0, 11.0) if width_of(shown, s, bold=True) <= width), _SMALL)
    sheet.text(left, top + 0.36 - size * 0.015, shown, fontsize=size, fontweight="bold", color=TEAL)
    has_error = p.at_least is None and p.at_most is None and p.mcse > 0
    notes = ([f"± {numbers.percent(p.mcse)}"] if has_error else []) + ([f"was {_chance(was)}"] if was else [])
    below = top + 0.42
    below += _SMALL * _LINE * _paragraph(sheet, (left, below, width), "; ".join(notes), size=_SMALL, lines=2,
                                         color=FAINT)  # fmt: skip
    _paragraph(sheet, (left, below + 0.05, width), f"that {_says(asked)}", size=screen.says_size, lines=screen.lines[1])
