"""Names of points cover neither lines nor each other, held against what matplotlib really drew."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gaugeglass.publication.frames import width_of
from gaugeglass.publication.labels import POINTS, places

SIZE, HALF = 9.0, 0.5
WAYS = [
    [0.5, 0.9, 0.2, 0.8],
    [0.6, 0.95, 0.3],
    [0.9, 0.4, 0.85, 0.5],
    [0.1, 0.95, 0.1],
    [0.3, 0.55],
    [0.5, 0.55, 0.7, 0.65, 0.9, 0.85, 0.3, 0.4, 0.45, 0.5, 0.9, 0.92],
]


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_a_name_covers_no_line_and_no_other_name(way: list[float]) -> None:
    figure = Figure(figsize=(5, 2.8))
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0.14, 0.16, 0.8, 0.55))
    at, values = np.arange(len(way), dtype=float), np.array(way)
    axes.set(xlim=(-0.3, at[-1] + 0.3), ylim=(-0.02, 1.02))
    (line,) = axes.plot(at, values)
    level = axes.axhline(HALF)
    named = [int(k) + 1 for k in np.argsort(-np.abs(np.diff(values)))[:3]]
    points = [(float(k), way[k]) for k in named]
    names = [f"reading-{k}" for k in named]
    lines = [(at, values), (np.array(axes.get_xlim()), np.full(2, HALF))]
    found = places(axes, points, [(width_of(name, SIZE), 1.2 * SIZE / POINTS) for name in names], lines)
    texts = [
        axes.annotate(name, point, (p.aside, p.up), textcoords="offset points", fontsize=SIZE, ha=p.end, va="center")
        for name, point, p in zip(names, points, found, strict=True)
    ]
    boxes = [text.get_window_extent(canvas.get_renderer()) for text in texts]
    drawn = [
        line.get_transform().transform_path(line.get_path()),
        level.get_transform().transform_path(level.get_path()),
    ]
    assert [(name, k) for k, path in enumerate(drawn) for name, box in zip(names, boxes, strict=True)
            if path.intersects_bbox(box, filled=False)] == []  # fmt: skip
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
