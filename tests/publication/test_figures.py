"""Pictures state what they show, in words too, and are the same bytes each time."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from gaugeglass.judgement.results import Assessment
from gaugeglass.publication import densities, figures, numbers, widths
from gaugeglass.publication.figures import Picture
from publication import water_tank

CURVE = water_tank.assessment().verdicts[0].curve
assert CURVE is not None
EXPECTED = ["leading", "prior-posterior", "hypotheses", "width-curve", "chain-1", "parts-2", "ledger"]


@pytest.fixture(scope="module")
def drawn() -> dict[str, Picture]:
    pictures = figures.pictures(water_tank.spec(), water_tank.assessment(), *water_tank.draws())
    return {p.name: p for p in pictures}


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The sheets of the curves that are drawn, before they are made pictures."""
    found: list[Any] = []
    monkeypatch.setattr(widths, "finish", lambda sheet, *told: found.append(sheet))
    return found


def with_curve(**columns: Iterable[float]) -> Assessment:
    """The assessment with other numbers along its curve."""
    full = water_tank.assessment()
    points = tuple(
        dataclasses.replace(point, **{name: float(number) for name, number in zip(columns, row, strict=True)})
        for point, *row in zip(CURVE.points, *columns.values(), strict=True)
    )
    verdict = dataclasses.replace(full.verdicts[0], curve=dataclasses.replace(CURVE, points=points))
    return dataclasses.replace(full, verdicts=(verdict,))


def test_a_report_has_every_picture_that_has_something_to_show(drawn: dict[str, Picture]) -> None:
    assert list(drawn) == EXPECTED


@pytest.mark.parametrize("name", EXPECTED)
def test_each_picture_has_two_formats_a_text_and_its_numbers(drawn: dict[str, Picture], name: str) -> None:
    picture = drawn[name]
    ET.fromstring(picture.svg)  # noqa: S314 - our own bytes
    assert picture.png.startswith(b"\x89PNG")
    assert picture.alt.startswith(picture.title)
    assert len(picture.alt) > len(picture.title)
    assert picture.numbers["rows"]
    assert {len(row) for row in picture.numbers["rows"]} == {len(picture.numbers["columns"])}


def test_pictures_are_the_same_bytes_each_time(drawn: dict[str, Picture]) -> None:
    again = figures.pictures(water_tank.spec(), water_tank.assessment(), *water_tank.draws())
    assert {p.name: (p.svg, p.png) for p in again} == {n: (p.svg, p.png) for n, p in drawn.items()}


def test_pictures_carry_no_date_and_no_text_that_needs_a_font(drawn: dict[str, Picture]) -> None:
    for picture in drawn.values():
        assert b"<dc:date>" not in picture.svg
        assert b"<text" not in picture.svg


@pytest.mark.parametrize(
    ("prior", "posterior", "mcse", "title"),
    [(2 / 3, 0.6665, 0.0009, "keeps most weight: from 66.67 % to 66.65 % ± 0.09 %"),
     (2 / 3, 0.671, 0.004, "gains most weight: from 66.7 % to 67.1 % ± 0.4 %"),
     (0.6, 0.671, 0.004, "gains most weight: from 60 % to 67.1 % ± 0.4 %"),
     (0.6125, 0.67, 0.0, "gains most weight: from 61.3 % to 67.0 %")],
)  # fmt: skip
def test_weights_before_are_said_as_finely_as_those_after(
    prior: float, posterior: float, mcse: float, title: str
) -> None:
    """So that what hardly moves does not seem to; a prior weight has no more digits than it has."""
    full = water_tank.assessment()
    first, *rest = full.hypotheses
    moved = dataclasses.replace(first, prior=prior, posterior=posterior, mcse=mcse)
    rest = [dataclasses.replace(h, posterior=0.1) for h in rest]
    drawn = figures.hypotheses(dataclasses.replace(full, hypotheses=(moved, *rest)))
    assert drawn.title.replace("\u202f", " ").endswith(title)
    assert f"{numbers.percent_beside(prior, mcse)} before" in drawn.alt


def test_the_ledger_names_what_is_surprising_and_keeps_what_was_withdrawn(drawn: dict[str, Picture]) -> None:
    assert drawn["ledger"].title == "1 of 6 readings lies where fewer than 5 % were expected; 1 withdrawn"
    assert [row[0] for row in drawn["ledger"].numbers["rows"]][-1] == "meter-0"
    assert "private source" in drawn["ledger"].alt


def test_parts_of_other_units_are_converted_to_the_first(drawn: dict[str, Picture]) -> None:
    lid = next(row for row in drawn["parts-2"].numbers["rows"] if row[0] == "lid")
    assert lid[1] == "kg"
    assert lid[2] == pytest.approx(9.2, abs=0.1)


def test_a_density_keeps_its_area_and_its_bound() -> None:
    draws = np.random.default_rng(3).exponential(1.0, 40_000)
    grid = np.linspace(-1, 12, 400)
    density = densities.density(draws, grid)
    assert density.sum() * (grid[1] - grid[0]) == pytest.approx(1, abs=0.02)
    assert density[grid < -0.1].max() == 0
    assert density.max() > 0.85


def test_a_density_leaves_out_what_a_hypothesis_fixes() -> None:
    rng = np.random.default_rng(3)
    draws = np.where(rng.uniform(size=20_000) < 0.4, 0.0, rng.normal(5, 1, 20_000))
    grid = np.linspace(-2, 10, 400)
    assert densities.density(draws, grid).sum() * (grid[1] - grid[0]) == pytest.approx(0.6, abs=0.02)


def test_an_assessment_without_rivals_curve_or_observations_still_draws() -> None:
    full = water_tank.assessment()
    verdicts = tuple(dataclasses.replace(v, curve=None, bayes_factor=None) for v in full.verdicts)
    bare = dataclasses.replace(full, hypotheses=full.hypotheses[:1], verdicts=verdicts, ledger=())
    names = [p.name for p in figures.pictures(water_tank.spec(), bare, *water_tank.draws())]
    assert names == ["leading", "prior-posterior", "chain-1", "parts-2"]


def test_a_verdict_without_a_curve_has_no_picture_of_one() -> None:
    full = water_tank.assessment()
    bare = dataclasses.replace(full, verdicts=(dataclasses.replace(full.verdicts[0], curve=None),))
    with pytest.raises(ValueError, match="no curve"):
        figures.width_curve(bare)


def test_infinite_and_missing_bayes_factors_do_not_break_the_curve() -> None:
    factors = [math.inf if p.factor > 1 else math.nan for p in CURVE.points]
    assert figures.width_curve(with_curve(bayes_factor=factors, mcse=[math.nan] * len(factors))).png


def test_dollar_signs_in_names_are_plain_text() -> None:
    full = water_tank.assessment()
    row = dataclasses.replace(full.ledger[0], id="$\\frac{broken", stated="1 $ 2")
    assert figures.ledger(dataclasses.replace(full, ledger=(row,))).svg


@pytest.mark.parametrize(("ends", "side"), [((0.95, 0.53), "left"), ((0.53, 0.95), "right"), ((0.47, 0.05), "right")])
def test_the_label_of_the_threshold_keeps_clear_of_the_curve(
    ends: tuple[float, float], side: str, sheets: list[Any]
) -> None:
    figures.width_curve(with_curve(probability=np.linspace(*ends, len(CURVE.points))))
    (label,) = [t for axes in sheets[0].figure.axes for t in axes.texts if t.get_text().startswith("threshold")]
    assert label.get_ha() == side


@pytest.mark.parametrize(
    ("least", "greatest"), [(3.3e-162, 3.3e-138), (3.3e-20, 3.3e20), (1.2e15, 9e15), (0.00034, 0.00073), (3.3, 85.0)]
)
def test_numbers_beside_bayes_factors_are_whole_and_apart(least: float, greatest: float, sheets: list[Any]) -> None:
    figures.width_curve(with_curve(bayes_factor=np.geomspace(least, greatest, len(CURVE.points))))
    figure = sheets[0].figure
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in figure.axes[1].get_yticklabels()]
    assert boxes
    assert min(box.x0 for box in boxes) >= 0
    ordered = sorted(boxes, key=lambda box: box.y0)
    assert all(below.y1 <= above.y0 for below, above in itertools.pairwise(ordered))
