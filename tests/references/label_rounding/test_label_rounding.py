"""Fuel economy labels, whose three numbers are each rounded: which rule combines city and highway?"""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import special

from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, sd_of

with Path(__file__).with_name("labels.csv").open() as stream:
    LABELS = [{key: int(value) for key, value in row.items()} for row in csv.DictReader(stream)]
"""Labels of two model years [mi/US_gal], each combination once, with the number of rows that have it.

Real rows, without names: the data sets epa2012 and epa2021 of the R package openintro, as its mirror of R data sets has them,
after the fuel economy guides of the United States' Environmental Protection Agency.
"""
ROWS = {2012: 1129, 2021: 1108}
EQUAL_MEANS = {2012: 375, 2021: 502}
"""Rows whose combined number is the arithmetic mean of the other two, rounded half to even."""
CITY, HIGHWAY = 0.55, 0.45
CHOSEN = [(19, 26), (25, 33), (15, 22), (22, 31), (17, 25), (12, 19)]
"""City and highway numbers of some labels of 2012 that differ much. [mi/US_gal]"""
SHARP = 0.05
"""Scatter of a label before it is rounded, which should not matter. [mi/US_gal]"""
LOWEST, HIGHEST = 5.0, 60.0


def harmonic(city: float, highway: float) -> float:
    """Economy over a distance of which 55 % are in the city. [mi/US_gal]"""
    return 1 / (CITY / city + HIGHWAY / highway)


def arithmetic(city: float, highway: float) -> float:
    return CITY * city + HIGHWAY * highway


def count(year: int, fits: Any) -> int:
    return sum(
        row["rows"] for row in LABELS if row["year"] == year and fits(row["city"], row["highway"], row["combined"])
    )


def half_to_even(hundredths: int) -> int:
    whole, rest = divmod(hundredths, 100)
    return whole + (rest > 50 or (rest == 50 and whole % 2 == 1))


@pytest.mark.parametrize("year", ROWS)
def test_every_label_is_harmonic_within_its_rounding(year: int) -> None:
    """40 CFR 600.210, combined 55 to 45: with ±0.5 on each number all 1,129 and all 1,108 rows are consistent. Exact."""

    def fits(city: int, highway: int, combined: int) -> bool:
        low, high = harmonic(city - 0.5, highway - 0.5), harmonic(city + 0.5, highway + 0.5)
        return low < combined + 0.5 and high > combined - 0.5

    assert count(year, lambda *_: True) == ROWS[year]
    assert count(year, fits) == ROWS[year]


@pytest.mark.parametrize("year", ROWS)
def test_few_labels_are_the_rounded_arithmetic_mean(year: int) -> None:
    """The arithmetic mean of the printed numbers, rounded, is the combined number in only 375 and 502 rows. Exact."""
    assert count(year, lambda c, h, both: half_to_even(55 * c + 45 * h) == both) == EQUAL_MEANS[year]


# --- inferred -----------------------------------------------------------------------------------------------


def chosen() -> list[tuple[int, int, int]]:
    found = []
    for city, highway in CHOSEN:
        rows = [r for r in LABELS if (r["year"], r["city"], r["highway"]) == (2012, city, highway)]
        found.append((city, highway, max(rows, key=lambda r: r["rows"])["combined"]))
    return found


@cache
def posterior() -> Posterior:
    """Six labels, each of its own vehicle, under both rules."""
    unit = "mi/US_gal"
    prior = {"family": "uniform", "lower": f"{LOWEST:g} {unit}", "upper": f"{HIGHEST:g} {unit}"}
    rules = {
        "harmonic": f"1 / ({CITY} / city + {HIGHWAY} / highway)",
        "arithmetic": f"{CITY} * city + {HIGHWAY} * highway",
    }
    likelihood = {"family": "normal", "u": f"{SHARP} [{unit}]"}
    latents = {
        name: {"about": name, "unit": unit, "per": "vehicle", "because": "Flat", "prior": prior}
        for name in ("city", "highway")
    }
    names = ("city", "highway", "combined")
    model = {
        "title": "Labels",
        "groups": {"vehicle": {"about": "A vehicle", "members": [f"V{k}" for k in range(len(CHOSEN))]}},
        "latents": latents,
        "relations": {"combined": {"about": "Combined", "unit": unit, "per": "vehicle", "equals": rules["harmonic"]}},
        "methods": {f"{n}_label": {"about": n, "measures": n, "likelihood": likelihood} for n in names},
        "hypotheses": {
            name: {"says": f"The {name} mean", "relations": {"combined": rule}} for name, rule in rules.items()
        },
    }
    observations = [
        {
            "id": f"{n}-{k}",
            "method": f"{n}_label",
            "value": f"{y} {unit}",
            "rounded": f"1 {unit}",
            "at": {"vehicle": f"V{k}"},
        }
        for k, label in enumerate(chosen())
        for n, y in zip(names, label, strict=True)
    ]
    return infer(
        specify(model, {"dossier": "labels", "subject": "Vehicles", "observations": observations}), seed=1, draws=4000
    )


def by_quadrature(label: tuple[int, int, int], rule: Any) -> tuple[float, float, float]:
    """Log evidence of one label, and mean and sd of the city number, by sums over a grid of city and highway."""
    city, highway, combined = label
    x, h = (np.linspace(y - 0.5 - 6 * SHARP, y + 0.5 + 6 * SHARP, 1601) for y in (city, highway))

    def told(mu: np.ndarray, y: int) -> np.ndarray:
        return special.ndtr((y + 0.5 - mu) / SHARP) - special.ndtr((y - 0.5 - mu) / SHARP)

    weight = told(x, city)[:, None] * told(h, highway)[None, :] * told(rule(x[:, None], h[None, :]), combined)
    whole, own = weight.sum(), weight.sum(axis=1)
    mean = float(own @ x / whole)
    evidence = whole * (x[1] - x[0]) * (h[1] - h[0]) / (HIGHEST - LOWEST) ** 2
    return math.log(evidence), mean, math.sqrt(own @ (x - mean) ** 2 / whole)


@pytest.mark.parametrize(("name", "rule"), [("harmonic", harmonic), ("arithmetic", arithmetic)])
def test_evidence_of_a_rule_agrees_with_quadrature(name: str, rule: Any) -> None:
    """Six real labels: the evidence of each rule, and the city number of each vehicle, by sums over a grid.

    Rounding enters as an interval, so that labels that no pair of true numbers allows speak against a rule at once. Tolerance: four
    Monte Carlo errors; the grid's own error is below 1e-4.
    """
    exact = [by_quadrature(label, rule) for label in chosen()]
    weights = posterior().weights
    found = weights.evidences[weights.names.index(name)]
    assert Estimate(found.log, found.mcse).agrees(sum(e[0] for e in exact), half_digit=1e-3)
    for k, (_, mean, sd) in enumerate(exact):
        city = posterior().fits[name].quantities[f"city[V{k}]"]
        assert mean_of(city).agrees(mean, half_digit=1e-4)
        assert sd_of(city).agrees(sd, half_digit=1e-4)


def test_labels_are_harmonic() -> None:
    """The same six: the harmonic mean holds and the arithmetic one does not, whatever was believed before."""
    assert posterior().weights.posterior[posterior().weights.names.index("harmonic")] > 0.9999
