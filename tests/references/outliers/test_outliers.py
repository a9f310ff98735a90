"""A straight line through points of which some are simply wrong: graded readings as a mixture."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.judgement.predictions import chance_right
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, sd_of

SOURCE = "D. W. Hogg, J. Bovy and D. Lang, arXiv:1008.4686, table 1"
with Path(__file__).with_name("points.csv").open() as stream:
    POINTS = np.array([[float(row[key]) for key in ("point", "x", "y", "u")] for row in csv.DictReader(stream)])
WITHOUT_OUTLIERS, NAIVE, MIXTURE = (2.24, 0.11), (1.08, 0.08), (2.257, 0.117)
"""Slope and its standard uncertainty: of points 5 to 20, of all by least squares, of all as a mixture. [1]"""
BAD = (2, 3, 4)
WRONG_MEAN, WRONG_SD = 424.0, 100.0
"""What a wrong point reads: as all twenty do, to the same spread. [1]"""
INTERCEPT_SD, SLOPE_SD = 1e4, 1e2


def line(points: np.ndarray, *, right: float = 1.0) -> Posterior:
    """The straight line; each point is of its own source, and right with the chance given."""
    latents = {
        name: {"about": name, "unit": "1", "because": "Flat", "prior": {"family": "normal", "mean": mean, "sd": sd}}
        for name, mean, sd in (("intercept", 0, INTERCEPT_SD), ("slope", 0, SLOPE_SD))
    }
    method: dict[str, Any] = {
        "about": "A point", "measures": "intercept + slope * x", "inputs": {"x": {"unit": "1"}}, "source": SOURCE,
        "likelihood": {"family": "normal"}, "wrong": {"family": "normal", "mean": WRONG_MEAN, "sd": WRONG_SD},
    }  # fmt: skip
    observations = [
        {"id": f"point-{k:g}", "method": "point", "value": y, "u": u, "inputs": {"x": x}}
        | ({"grade": "A2"} if right < 1 else {})
        for k, x, y, u in points.tolist()
    ]
    grades = {"reliability": {"A": 1}, "credibility": {"2": right}}
    model = {"title": "A line", "latents": latents, "grades": grades, "methods": {"point": method}}
    return infer(
        specify(model, {"dossier": "line", "subject": "A line", "observations": observations}), seed=1, draws=10000
    )


def slope(found: Posterior) -> tuple[Estimate, Estimate]:
    drawn = found.fits["as_stated"].quantities["slope"]
    return mean_of(drawn), sd_of(drawn)


@pytest.mark.parametrize(("points", "published"), [(POINTS[4:], WITHOUT_OUTLIERS), (POINTS, NAIVE)])
def test_least_squares_agree_with_hogg_bovy_and_lang(points: np.ndarray, published: tuple[float, float]) -> None:
    """arXiv:1008.4686, exercises 1 and 2: slope 2.24 ± 0.11 from points 5 to 20, 1.08 ± 0.08 from all twenty.

    Tolerance: four Monte Carlo errors and half the last digit; and against weighted least squares, which is the posterior
    exactly but for 1e-5 of the precision that the priors hold.
    """
    _, x, y, u = points.T
    design = np.stack([np.ones_like(x), x], axis=1) / u[:, None]
    covariance = np.linalg.inv(design.T @ design)
    exact = (covariance @ design.T @ (y / u))[1], np.sqrt(covariance[1, 1])
    found = slope(line(points))
    for ours, published_one, exact_one in zip(found, published, exact, strict=True):
        assert ours.agrees(published_one, half_digit=0.005)
        assert ours.agrees(float(exact_one))


@cache
def mixture(right: float) -> Posterior:
    return line(POINTS, right=right)


@cache
def wrong_chances(right: float) -> list[np.ndarray]:
    """The chance of each point to be wrong in each draw."""
    found = mixture(right)
    fit = found.fits["as_stated"]
    return [1 - chance_right(found.density, o, fit).reshape(fit.x.shape[:2]) for o in found.spec.evidence]


@cache
def exact_mixture(right: float) -> tuple[float, float, np.ndarray]:
    """Mean and sd of the slope, and the chance of each point to be wrong, summed over a grid of lines."""
    _, x, y, u = POINTS.T
    slopes, intercepts = np.linspace(1.2, 3.4, 441)[:, None, None], np.linspace(-170, 230, 401)[None, :, None]
    log_right = np.log(right) - 0.5 * ((y - intercepts - slopes * x) / u) ** 2 - np.log(u)
    log_wrong = np.log(1 - right) - 0.5 * ((y - WRONG_MEAN) / WRONG_SD) ** 2 - np.log(WRONG_SD)
    each = np.logaddexp(log_right, log_wrong)
    weight = np.exp(each.sum(axis=-1) - each.sum(axis=-1).max())
    weight /= weight.sum()
    mean = float(np.sum(weight * slopes[..., 0]))
    sd = float(np.sqrt(np.sum(weight * (slopes[..., 0] - mean) ** 2)))
    return mean, sd, np.sum(weight[..., None] * np.exp(log_wrong - each), axis=(0, 1))


@pytest.mark.parametrize("right", [0.7, 0.8, 0.9])
def test_mixture_agrees_with_a_sum_over_a_grid(right: float) -> None:
    """The same mixture summed over a grid of lines, whose own error is below 1e-5: slope, and each point's chance to be wrong.

    Tolerance: four Monte Carlo errors.
    """
    mean, sd, wrong = exact_mixture(right)
    found = slope(mixture(right))
    assert found[0].agrees(mean)
    assert found[1].agrees(sd)
    for o, drawn, exact in zip(mixture(right).spec.evidence, wrong_chances(right), wrong, strict=True):
        assert mean_of(drawn).agrees(float(exact), half_digit=1e-6), o.id


def test_mixture_finds_what_hogg_bovy_and_lang_found() -> None:
    """arXiv:1008.4686, exercise 6: slope 2.257 ± 0.117 (recomputed); points 2, 3 and 4 are bad with probability ≥ 0.999.

    There the chance of a bad point and what it reads are inferred, here they are stated. The published slope and its
    uncertainty lie between those of the chances 0.7 and 0.9 of being right, within four Monte Carlo errors, and the slope
    without any mixture lies eleven of its uncertainties away.
    """
    for k, published in enumerate(MIXTURE):
        low, high = sorted((slope(mixture(right))[k] for right in (0.7, 0.9)), key=lambda e: e.value)
        assert low.value - 4 * low.mcse <= published <= high.value + 4 * high.mcse
    for right in (0.7, 0.8, 0.9):
        for o, wrong in zip(mixture(right).spec.evidence, wrong_chances(right), strict=True):
            assert (wrong.mean() >= 0.999) == (int(o.id.removeprefix("point-")) in BAD), o.id
