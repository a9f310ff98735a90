"""What is shown of a run: the table, the raw numbers as JSON, and the figure."""

from __future__ import annotations

import json
import math
import os
import platform
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path
from typing import Any

from .contenders import GAUGEGLASS
from .measures import GRADIENT, REFIT, WHOLE, Row

WIDTH = 80
_PACKAGES = ("gaugeglass", "pymc", "pytensor", "nutpie", "numba", "numpy", "scipy", "arviz-stats")
_SYMBOLS = {"s": "s", "us": "µs", "MiB": "MiB", "1/s": "/s"}


def machine() -> dict[str, Any]:
    """What it ran on."""
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30, 1),
        "system": platform.platform(terse=True),
        "python": platform.python_version(),
        "versions": {name: version(name) for name in _PACKAGES},
    }


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    return next((x.partition(":")[2].strip() for x in lines if x.startswith("model name")), platform.machine())


# --- the table ----------------------------------------------------------------------------------------------


def table(rows: Iterable[Row]) -> str:
    """Every group of rows: name, repeats, median, the least and the greatest, and the ratio to its first row."""
    lines = [f"{'':34}{'n':>3}{'median':>12}{'least .. greatest':>21}{'ratio':>10}"]
    for group, members in grouped(rows).items():
        first = members[0].median
        lines += ["", group, "-" * min(len(group), WIDTH)]
        for row in members:
            lines += _line(row, row.median / first if row.values else math.nan)
    return "\n".join(lines)


def _line(row: Row, ratio: float) -> list[str]:
    name = f"  {row.name}"[:34]
    if not row.values:
        return [f"{name:34}   not measured", *(f"      {text}" for text in _wrapped(row.note))]
    unit = _SYMBOLS[row.unit]
    spread = f"{number(min(row.values))} .. {number(max(row.values))}"
    text = f"{name:34}{len(row.values):3d}{f'{number(row.median)} {unit}':>12}{spread:>21}{number(ratio):>10}"
    return [text, *(f"      {t}" for t in _wrapped(row.note))]


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, WIDTH - 6)


def number(value: float) -> str:
    """Three significant digits, without an exponent."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    return f"{value:,.{max(0, 2 - math.floor(math.log10(abs(value))))}f}"


def grouped(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Rows by group, answers first and gaugeglass first in each; else in the order in which they came."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    order = [*WHOLE.values(), "gaugeglass infer", REFIT, "Effective", GRADIENT, "Where", "Peak", "Growth with r", ""]
    place = {group: next(k for k, start in enumerate(order) if group.startswith(start)) for group in groups}
    return {
        group: sorted(groups[group], key=lambda row: row.name != GAUGEGLASS)
        for group in sorted(groups, key=lambda group: place[group])
    }


def heading(about: dict[str, Any]) -> str:
    """The machine in words."""
    packages = "  ".join(f"{name} {found}" for name, found in about["versions"].items())
    first = f"{about['processor']}, {about['cores']} cores, {about['memory_gib']} GiB"
    load = f"load average {about['load_at_start']:.2f} at the start, {about['load_at_end']:.2f} at the end"
    return "\n".join([first, f"{about['system']}, Python {about['python']}", *_wrapped(packages), load])


def write_json(path: Path, about: dict[str, Any], rows: Iterable[Row], means: Any, disagreements: list[str]) -> None:
    """All raw numbers."""
    document = {
        "format": "gaugeglass.benchmark/1",
        "machine": about,
        "rows": [
            {"group": r.group, "name": r.name, "unit": r.unit, "median": r.median if r.values else None,
             "values": r.values, "note": r.note}
            for r in rows
        ],
        "means": means,
        "disagreements": disagreements,
    }  # fmt: skip
    path.write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")


# --- the figure ---------------------------------------------------------------------------------------------

_STEPS = {
    WHOLE["empty"]: "First answer,\nnothing cached",
    WHOLE["warm"]: "The same again,\neverything cached",
    WHOLE["more"]: "One more\nobservation",
    WHOLE["edited"]: "An edited\nequation",
    REFIT: "A refit inside\nthe process",
}
_LOOKS = {  # Okabe and Ito's colours, which the colour-blind can tell apart; each with a shape of its own
    GAUGEGLASS: ("#0072B2", "o", "gaugeglass"),
    "Stan by pystan": ("#009E73", "D", "Stan"),
    "numpyro": ("#CC79A7", "^", "numpyro"),
    "PyMC, sampler nutpie": ("#E69F00", "s", "PyMC with nutpie"),
    "PyMC, sampler pymc": ("#D55E00", "v", "stock PyMC"),
}
_TICKS = {0.01: "10 ms", 0.1: "0.1 s", 1.0: "1 s", 10.0: "10 s", 60.0: "1 min", 300.0: "5 min"}
_INK, _GAP = "#222222", 0.9


def figure(rows: Iterable[Row], folder: Path, about: dict[str, Any]) -> list[Path]:
    """How long each contender takes from a question to its answer, on a log scale; SVG and PNG."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    groups = grouped(rows)
    by_step = {step: {r.name: r for r in groups[step] if r.values} for step in _STEPS}
    style = {"svg.hashsalt": "benchmark", "font.family": "DejaVu Sans", "font.size": 10, "text.color": _INK}
    with plt.rc_context(style):
        drawn, axes = plt.subplots(figsize=(10, 8.6))
        drawn.subplots_adjust(left=0.165, right=0.985, top=0.875, bottom=0.105)
        y = 0.0
        for step, found in by_step.items():
            middle = y - (len(found) - 1) / 2
            axes.annotate(_STEPS[step], (0, middle), xycoords=("axes fraction", "data"), xytext=(-14, 0),
                          textcoords="offset points", ha="right", va="center", linespacing=1.3)  # fmt: skip
            y = _step(axes, y, found)
        _frame(axes, y, [v for found in by_step.values() for r in found.values() for v in r.values])
        drawn.text(0.02, 0.975, _finding(by_step), fontsize=15, weight="bold", va="top", linespacing=1.25)
        drawn.text(0.02, 0.015, _caption(rows, about), fontsize=8.5, color="#555555", va="bottom", linespacing=1.45)
        paths = [folder / f"benchmark.{ending}" for ending in ("svg", "png")]
        for path in paths:
            drawn.savefig(path, dpi=160, metadata={"Date": None} if path.suffix == ".svg" else None)
        plt.close(drawn)
    return paths


def _step(axes: Any, y: float, found: dict[str, Row]) -> float:
    """One situation: a line a contender, from gaugeglass's median to its own; the next free height is returned."""
    own = found[GAUGEGLASS].median if GAUGEGLASS in found else math.nan
    for row in sorted(found.values(), key=lambda row: row.median):
        colour, marker, name = _LOOKS[row.name]
        axes.plot([own, row.median], [y, y], color=colour, lw=1.3, alpha=0.45, zorder=1)
        axes.plot([min(row.values), max(row.values)], [y, y], color=colour, lw=6, alpha=0.3, zorder=2,
                  solid_capstyle="round")  # fmt: skip
        axes.plot(row.median, y, marker=marker, ms=8, color=colour, mec="white", mew=1, zorder=3)
        times = "" if row.name == GAUGEGLASS else f"  ({_times(row.median / own)})"
        axes.annotate(f"{name}  {_seconds(row.median)}{times}", (max(row.values), y), xytext=(9, 0), va="center",
                      textcoords="offset points", fontsize=9.5, weight="bold" if row.name == GAUGEGLASS else "normal",
                      color=colour if row.name == GAUGEGLASS else _INK)  # fmt: skip
        y -= 1
    return y - _GAP


def _times(ratio: float) -> str:
    return f"{ratio:.1f}×" if ratio < 10 else f"{ratio:,.0f}×"


def _frame(axes: Any, end: float, values: list[float]) -> None:
    low, high = min(values) / 1.7, max(values) * 12  # names stand to the right of the dots
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(end + _GAP + 0.4, 0.8)
    axes.set_yticks([])
    inside = {x: text for x, text in _TICKS.items() if low < x < max(values) * 1.7}
    axes.set_xticks(list(inside), list(inside.values()), color="#555555")
    axes.minorticks_off()
    axes.grid(axis="x", color="#EBEBEB", lw=1, zorder=0)
    axes.set_axisbelow(True)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _finding(by_step: dict[str, dict[str, Row]]) -> str:
    """The title says what one more observation costs, since that is what happens every day, and who comes next."""
    found = dict(by_step[WHOLE["more"]])
    own = found.pop(GAUGEGLASS).median
    text = f"After one more observation gaugeglass answers in {_seconds(own)}"
    if not found:
        return text
    said = [
        f"{_LOOKS[name][2]} takes {_seconds(found[name].median)}" for name in ("PyMC, sampler pymc",) if name in found
    ]
    quickest = min(found.values(), key=lambda row: row.median)
    if not said or quickest.name != "PyMC, sampler pymc":
        said.append(f"{_LOOKS[quickest.name][2]}, the quickest rival, {_seconds(quickest.median)}")
    return f"{text};\n{', '.join(said)}"


def _caption(rows: Iterable[Row], about: dict[str, Any]) -> str:
    absent = sorted({row.name for row in rows if row.note and not row.values and row.name in _LOOKS})
    what = "One pack model of 19 latents and 15 readings under one hypothesis, 4 × (1000 + 1000) draws"
    where = f"{about['processor']}, {about['cores']} cores; medians on a log scale, with least to greatest as a band"
    return f"{what}; a refit is 2 × (500 + 500).\n{where}." + (f" Not measured: {', '.join(absent)}." if absent else "")


def _seconds(value: float) -> str:
    if value < 1:
        return f"{1000 * value:.0f} ms"
    return f"{value:.1f} s" if value < 10 else f"{value:.0f} s"
