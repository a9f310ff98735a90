"""Prior beside posterior: densities of quantities before and after the evidence."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy import ndimage

from gaugeglass.judgement.results import Assessment, QuantitySummary
from gaugeglass.language.ranges import ANYTHING, Range, ranges
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers
from gaugeglass.publication.sheet import (
    EDGE,
    FAINT,
    LEFT,
    MIST,
    PAPER,
    RIGHT,
    SETTINGS,
    TEAL,
    WIDTH,
    Draws,
    Picture,
    Sheet,
    blank,
    finish,
    spoken,
)

_ATOM_SHARE = 0.01
_BINS = 400
PILED, LEAST_PILED = 0.1, 5
"""Draws at an end, as near as counts are fine, that make it a bound: a share of the most so near [1], and at least."""
FINE, REACH = 8, 4
"""Counts to a bandwidth, and how many bandwidths a kernel reaches [1]."""
FEW = 64  # values of a quantity up to which each has a bar of its own
type _End = tuple[float, int]
"""A bound, and the sign with which draws are mirrored at it: 1 where the density stays high, -1 where it falls to 0."""
_KEY = 0.27
"""Height of the line that says which curve is which [inch]."""


def prior_beside_posterior(
    assessment: Assessment, prior: Draws, posterior: Draws, names: Sequence[str], *, name: str = "prior-posterior",
    within: Mapping[str, Range] | None = None,
) -> Picture:  # fmt: skip
    """Densities of quantities before and after the evidence, with the credible interval of each.

    Parameters
    ----------
    prior, posterior : mapping of str to array, dims ("draw",)
        Draws of the quantities, in their units.
    names : sequence of str
        Which quantities to show.
    within : mapping of str to pair, optional
        Between which values [its unit] each quantity is, as ``bounds`` has them.
    """
    with mpl.rc_context(SETTINGS):
        summaries = [q for wanted in names for q in assessment.quantities if q.name == wanted]
        title = _densities_title(summaries)
        columns = 1 if len(summaries) == 1 else 2
        height = 2.7 if columns == 1 else 2.08
        sheet = blank(title, _KEY + 0.1 + height * math.ceil(len(summaries) / columns))
        sheet.key("posterior", (0.82, "prior, dashed"), (1.85, "bar: median and 90 % credible interval"))
        for i, quantity in enumerate(summaries):
            axes = _density_panel(sheet, quantity, columns=columns, at=divmod(i, columns), height=height)
            both = (draws[quantity.name][np.isfinite(draws[quantity.name])] for draws in (prior, posterior))
            _densities(axes, quantity, *both, within=range_of(quantity.name, within or {}))
        alt = f"{title}. " + " ".join(_density_sentence(q) for q in summaries)
        headings = ("quantity", "unit", "prior median", "prior 5 %", "prior 95 %", "posterior median", "posterior 5 %",
                    "posterior 95 %", "posterior sd over prior sd")  # fmt: skip
        return finish(sheet, name, title, alt, headings, [_density_row(q) for q in summaries])


def _densities_title(summaries: Sequence[QuantitySummary]) -> str:
    if len(summaries) == 1:
        only = summaries[0]
        return f"{spoken(only.name).capitalize()}: {numbers.interval(only.posterior, only.unit)}"
    spread = [q for q in summaries if not math.isnan(q.ratio)]
    halved = sum(q.ratio < 0.5 for q in spread)
    return f"The evidence narrows {halved} of {len(spread)} leading quantities to less than half of their prior width"


def _density_sentence(q: QuantitySummary) -> str:
    before, after = numbers.bounds(q.prior, q.unit), numbers.interval(q.posterior, q.unit)
    return f"{spoken(q.name).capitalize()}: {after}; before the evidence {before}."


def _density_row(q: QuantitySummary) -> tuple[Any, ...]:
    return (q.name, numbers.unit_text(q.unit), q.prior.median, q.prior.lower, q.prior.upper, q.posterior.median,
            q.posterior.lower, q.posterior.upper, q.ratio)  # fmt: skip


def _density_panel(sheet: Sheet, q: QuantitySummary, *, columns: int, at: tuple[int, int], height: float) -> Axes:
    """Where the densities of a quantity go, under what it is."""
    gap = 0.26
    width = (WIDTH - LEFT - RIGHT - gap * (columns - 1)) / columns
    left, top = LEFT + at[1] * (width + gap), _KEY + at[0] * height
    named = 0.2 if columns > 1 else 0.0
    if named:
        sheet.text(left, top, spoken(q.name), fontsize=9, fontweight="bold")
    about = textwrap.wrap(q.about, 31 if columns > 1 else 68, max_lines=2, placeholder=" …")
    for i, line in enumerate(about):
        sheet.text(left, top + named + 0.15 * i, line, fontsize=8, color=FAINT)
    if named:
        shown = numbers.with_unit(numbers.rounded(q.posterior.median, q.posterior.sd), q.unit)
        sheet.text(left, top + named + 0.34, shown, fontsize=9, fontweight="bold", color=TEAL)
    above = 0.7 if named else 0.32
    return sheet.axes(left, top + above, width, height - above - 0.5)


def _densities(axes: Axes, q: QuantitySummary, prior: Any, posterior: Any, *, within: Range) -> None:
    grid = np.linspace(*_window(q), _BINS)
    has_steps = 1 < np.unique(posterior).size <= FEW < np.size(posterior)
    if has_steps:
        _bars(axes, prior, posterior, grid)
    else:
        _curves(axes, grid, *(density(draws, grid, within=within) for draws in (prior, posterior)))
    axes.plot([q.posterior.lower, q.posterior.upper], [-0.09, -0.09], color=TEAL, lw=3.2, solid_capstyle="butt")
    axes.plot([q.posterior.median], [-0.09], "o", color=PAPER, mec=TEAL, ms=4.5)
    axes.set(ylim=(-0.17, 1.08), xlim=(grid[0], grid[-1]))
    if not has_steps:
        _atoms(axes, prior, posterior)
    _label_axis(axes, q.unit, numbers.scale_of(max(abs(grid[0]), abs(grid[-1]))))


def _curves(axes: Axes, grid: NDArray[np.float64], before: NDArray[np.float64], after: NDArray[np.float64]) -> None:
    peak = max(after.max(), before.max()) or 1.0
    axes.fill_between(grid, before / peak, color=MIST, alpha=0.55, lw=0)
    axes.plot(grid, before / peak, color=EDGE, lw=1, ls=(0, (4, 2)))
    axes.fill_between(grid, after / peak, color=TEAL, alpha=0.28, lw=0)
    axes.plot(grid, after / peak, color=TEAL, lw=1.6)


def _bars(axes: Axes, prior: Any, posterior: Any, grid: NDArray[np.float64]) -> None:
    """The share of each value, where a quantity has only a few: a count, or a share of some members."""
    shares = [np.unique(draws, return_counts=True) for draws in (prior, posterior)]
    tops = [counts / np.size(draws) for (_, counts), draws in zip(shares, (prior, posterior), strict=True)]
    peak = max(
        top[(at >= grid[0]) & (at <= grid[-1])].max(initial=0.0) for (at, _), top in zip(shares, tops, strict=True)
    )
    width = 0.8 * np.diff(shares[1][0]).min()
    for (at, _), top, color, edge in zip(shares, tops, (MIST, TEAL), (EDGE, TEAL), strict=True):
        axes.bar(at, top / (peak or 1.0), width, color=color, alpha=0.45, edgecolor=edge, lw=0.6)


def _label_axis(axes: Axes, unit: str, exponent: int) -> None:
    shown = numbers.unit_text(unit) or ("" if exponent else "pure number")
    axes.set_xlabel(f"{numbers.power_text(exponent)} {shown}".strip() if exponent else shown, fontsize=8)
    axes.locator_params(axis="x", nbins=5)
    axes.xaxis.set_major_formatter(lambda x, _: f"{x / 10.0**exponent:.6g}".replace("-", numbers.MINUS))


def _window(q: QuantitySummary) -> tuple[float, float]:
    """What to show: the posterior with as much of the prior as leaves the posterior readable."""
    after = max(q.posterior.upper - q.posterior.lower, 1e-3 * (q.prior.upper - q.prior.lower))
    if not after > 0:
        after = abs(q.posterior.median) or 1.0
    low = max(min(q.prior.lower, q.posterior.lower), q.posterior.lower - 2.5 * after)
    high = min(max(q.prior.upper, q.posterior.upper), q.posterior.upper + 2.5 * after)
    margin = 0.08 * (high - low) + 0.35 * after
    bounded = min(q.prior.lower, q.posterior.lower) >= 0
    return (max(low - margin, -0.02 * (high - low)) if bounded else low - margin), high + margin


def bounds(spec: Spec) -> dict[str, Range]:
    """Between which numbers [its unit] each quantity is under its priors, whichever hypothesis holds.

    The members of a group have those of the quantity.
    """
    every = [ranges(spec, h, of_prior=lambda prior: prior.bounds) for h in spec.hypotheses]
    return {name: (min(of[name][0] for of in every), max(of[name][1] for of in every)) for name in every[0]}


def range_of(name: str, known: Mapping[str, Range]) -> Range:
    """The range of a quantity or of a member of one, which may be anything where none is known."""
    return known.get(name, known.get(name.partition("[")[0], ANYTHING))


def density(draws: NDArray[np.float64], grid: NDArray[np.float64], *, within: Range = ANYTHING) -> NDArray[np.float64]:
    """A smoothed density on a grid, mirrored at bounds so that they stay hard; elsewhere it trails off.

    At a known bound that few draws come near it falls to 0.

    Parameters
    ----------
    within
        Between which values the quantity is. An end of the draws at which they pile up is a bound as well.
    """
    every = np.asarray(draws, dtype=float).ravel()
    values, share = without_atom(np.sort(every[np.isfinite(every)]))
    if values.size < 2 or np.ptp(values) == 0:
        return np.zeros_like(grid)
    width = _bandwidth(values)
    low, high = _bound(values, within[0], width), _bound(-values[::-1], -within[1], width)
    ends = low, (-high[0], high[1])
    return _smoothed(values, ends, grid, max(width, (grid[1] - grid[0]) / 2)) * share


def _bound(values: NDArray[np.float64], known: float, width: float) -> _End:
    """The lower bound of sorted draws: the known one, or a least draw at which they pile up well off it."""
    counts = np.searchsorted(values, values + width / FINE, side="right") - np.arange(values.size)
    is_high = bool(counts[0] >= PILED * counts.max())
    is_piled = is_high and counts[0] >= LEAST_PILED
    if abs(values[0] - known) > width and (is_piled or known > values[0]):
        return (float(values[0]), 1) if is_piled else (-math.inf, 0)
    return float(min(known, values[0])), 1 if is_high else -1


def _smoothed(
    values: NDArray[np.float64], ends: tuple[_End, _End], grid: NDArray[np.float64], width: float
) -> NDArray[np.float64]:
    """The density of draws by a normal kernel as wide, counted well beyond the grid, and 0 beyond the ends."""
    step = width / FINE
    fine = np.arange(grid[0] - REACH * width, grid[-1] + (REACH + 1) * width, step)
    edges = np.append(fine, fine[-1] + step) - step / 2
    counts = np.histogram(values, bins=edges)[0].astype(float)
    for end, sign in ends:
        if math.isfinite(end):
            counts += sign * np.histogram(2 * end - values, bins=edges)[0]
    smooth = ndimage.gaussian_filter1d(counts / (values.size * step), FINE, mode="constant", truncate=REACH)
    slack = (grid[1] - grid[0]) / 2
    is_inside = (grid >= ends[0][0] - slack) & (grid <= ends[1][0] + slack)
    return np.where(is_inside, np.interp(grid, fine, smooth).clip(min=0), 0.0)


def _bandwidth(values: NDArray[np.float64]) -> float:
    """Silverman's rule with the interquartile range (B. W. Silverman, Density Estimation, 1986; from memory)."""
    quarter, threequarter = np.quantile(values, (0.25, 0.75))
    spread = min(values.std(), (threequarter - quarter) / 1.34) or values.std()
    return float(1.06 * spread * values.size**-0.2)


def without_atom(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """The draws without a value that many of them share exactly, and the share that is left."""
    unique, counts = np.unique(values, return_counts=True)
    most = int(counts.argmax())
    if counts[most] < max(_ATOM_SHARE * values.size, 3):
        return values, 1.0
    rest = values[values != unique[most]]
    return rest, rest.size / values.size


def _atoms(axes: Axes, prior: NDArray[np.float64], posterior: NDArray[np.float64]) -> None:
    """Stems for the value that a hypothesis fixes, as high as its share of the draws."""
    said = []
    for draws, color, name in ((prior, EDGE, "prior"), (posterior, TEAL, "posterior")):
        values = np.asarray(draws, dtype=float).ravel()
        rest, share = without_atom(values)
        if share in (0.0, 1.0):
            continue
        at = float(values[~np.isin(values, rest)][0])
        axes.plot([at, at], [0, 1 - share], color=color, lw=2.4, solid_capstyle="butt")
        said.append(f"{name} {numbers.percent(1 - share, 0)} at {numbers.exact(at)}")
    if said:
        low, high = axes.get_xlim()
        axes.set_ylim(-0.17, 1.34)
        axes.text(low + 0.01 * (high - low), 1.34, f"stem: {', '.join(said)}", color=FAINT, fontsize=7, va="top")
