"""The sheet that every picture is drawn on: one palette, one width but for screens, one way of finishing."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from gaugeglass.publication.vectors import compact

type Draws = Mapping[str, NDArray[np.float64]]

PAPER, INK, FAINT, RULE = "#fdfcf9", "#22303a", "#5c6870", "#d9d6cd"
TEAL, OCHRE, PLUM, SLATE, MIST = "#0e6e6e", "#c98a1b", "#8a3f6f", "#51687d", "#b3b9bc"
"""The palette; lightness differs between neighbours, so that it survives colour blindness and a grey printer."""
EDGE = "#7f888d"
SERIES = (TEAL, OCHRE, PLUM, SLATE, "#6fa8a0", "#7a5a2a", "#b98fae", "#93a5b5")

WIDTH, LEFT, RIGHT = 4.8, 0.18, 0.18
"""Width and margins of every picture [inch]: narrow, so that its words stay readable on a telephone."""
TITLE_LETTERS, LINE = 47, 0.215
CLEAR: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.5}
"""A patch of paper behind a label that a thin line passes."""
SETTINGS: Any = {
    "font.family": "DejaVu Sans", "font.size": 9, "svg.fonttype": "path", "svg.hashsalt": "gaugeglass",
    "axes.edgecolor": RULE, "axes.labelcolor": FAINT, "text.color": INK, "xtick.color": FAINT, "ytick.color": FAINT,
    "text.usetex": False, "text.parse_math": False, "axes.unicode_minus": True,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture in two formats, its text equivalent and the numbers it shows.

    ``numbers`` holds ``columns``, a list of headings, and ``rows``, a list of lists of text, numbers or None.
    """

    name: str
    title: str
    alt: str
    svg: bytes
    png: bytes
    numbers: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure measured in inches from its top left corner; ``top`` is where the body begins."""

    figure: Figure
    height: float
    top: float
    width: float = WIDTH

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Axes at a place below the title. [inch]"""
        bottom = 1 - (self.top + top + height) / self.height
        place = (left / self.width, bottom, width / self.width, height / self.height)
        axes = self.figure.add_axes(place, facecolor="none")
        axes.spines[["top", "right", "left"]].set_visible(False)
        axes.tick_params(length=3, labelsize=8)
        axes.set_yticks([])
        return axes

    def text(self, x: float, y: float, text: str, **style: Any) -> None:
        """Write a text at a place below the title. [inch]"""
        self.figure.text(x / self.width, 1 - (self.top + y) / self.height, text, **{"va": "top", **style})

    def key(self, now: str, *others: tuple[float, str]) -> None:
        """What is drawn how, in a line below the title: what holds now, and others so far to the right. [inch]"""
        self.text(LEFT, 0, now, fontsize=8, color=TEAL, fontweight="bold")
        for x, text in others:
            self.text(LEFT + x, 0, text, fontsize=8, color=FAINT)


def blank(title: str, body: float) -> Sheet:
    """An empty sheet under its title, with so much room below. [inch]"""
    lines = _balanced(title, TITLE_LETTERS)
    top = 0.2 + LINE * len(lines) + 0.16
    sheet = bare(WIDTH, top + body, top=top)
    for i, line in enumerate(lines):
        sheet.text(LEFT, 0.2 + LINE * i - top, line, fontsize=11, fontweight="bold")
    return sheet


def bare(width: float, height: float, *, top: float = 0.0) -> Sheet:
    """An empty sheet of a size, without a title. [inch]"""
    figure = Figure(figsize=(width, height), facecolor=PAPER)
    FigureCanvasAgg(figure)
    return Sheet(figure, height, top, width)


def _balanced(text: str, letters: int) -> list[str]:
    """A text in as few lines as it needs, none much shorter than the others."""
    lines = textwrap.wrap(text, letters)
    narrower = (textwrap.wrap(text, width) for width in range(max(letters // 3, 1), letters))
    return next((w for w in narrower if len(w) == len(lines)), lines)


def finish(sheet: Sheet, name: str, title: str, alt: str, columns: Sequence[str], rows: Sequence[Any]) -> Picture:
    """The picture in both formats, the same bytes whenever the same is drawn."""
    svg = io.BytesIO()
    sheet.figure.savefig(svg, format="svg", facecolor=PAPER, metadata={"Date": None, "Creator": "gaugeglass"})
    table = {"columns": list(columns), "rows": [list(row) for row in rows]}
    return Picture(name, title, alt, compact(svg.getvalue(), title), png_of(sheet, 200), table)


def png_of(sheet: Sheet, dpi: float) -> bytes:
    """A sheet in so many pixels an inch, the same bytes whenever the same is drawn."""
    png = io.BytesIO()
    sheet.figure.savefig(png, format="png", facecolor=PAPER, dpi=dpi, metadata={"Software": "gaugeglass"})
    return png.getvalue()


def spoken(name: str) -> str:
    """A name as it is read aloud; that of a member stays as it is written."""
    plain, bracket, member = name.partition("[")
    return plain.replace("_", " ") + (f" [{member}" if bracket else "")


def short(text: str, letters: int) -> str:
    """A text cut at a word to so many letters; a word that is longer itself loses its middle."""
    found = textwrap.shorten(text, letters, placeholder=" …")
    if found.strip() != "…":
        return found
    behind = max(letters // 2 - 1, 1)
    return f"{text[: letters - behind - 1]}…{text[-behind:]}"
