"""How much sources are worth that err alike, and reports that only repeat one another."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, sd_of

VALUE, U = 90.0, 4.0
PRIOR = (80.0, 5.0)
ECHOED, COUNTED_FOUR_TIMES = (86.10, 3.12), (88.62, 1.86)
"""Posterior where three of four reports repeat the first, and where all count. [1]"""
HALF_DIGIT = 0.005


def level(count: int, *, prior: tuple[float, float] = PRIOR, rho: float = 0.0, echoes: bool = False,
          values: tuple[float, ...] = ()) -> np.ndarray:  # fmt: skip
    """Reports of one level with errors of the same size, correlated by an error that all share."""
    method: dict[str, object] = {
        "about": "A report", "measures": "level", "likelihood": {"family": "normal", "u": f"{U * math.sqrt(1 - rho)!r} kWh"},
    }  # fmt: skip
    if rho:
        method["shared"] = {"by": "origin", "u": f"{U * math.sqrt(rho)!r} kWh"}
    about = {"family": "normal", "mean": f"{prior[0]} kWh", "sd": f"{prior[1]} kWh"}
    model = {
        "title": "Reports",
        "latents": {"level": {"about": "A level", "unit": "kWh", "because": "Invented", "prior": about}},
        "methods": {"report": method},
    }
    values = values or (VALUE,) * count
    observations = [
        {"id": f"report-{k}", "method": "report", "value": f"{v} kWh", "origin": "a school of thought"}
        | ({"repeats": "report-0"} if echoes and k else {})
        for k, v in enumerate(values)
    ]
    spec = specify(model, {"dossier": "reports", "subject": "A level", "observations": observations})
    return infer(spec, seed=1, draws=4000).fits["as_stated"].quantities["level"]


@pytest.mark.parametrize(
    ("count", "rho", "worth"), [(5, 0.5, 1.667), (2, 0.5, 1.333), (5, 0.2, 2.778), (60, 0.5, 1.967)]
)
def test_correlated_sources_are_worth_fewer_independent_ones(count: int, rho: float, worth: float) -> None:
    """R. L. Winkler, Management Science 27 (1981) 479; R. T. Clemen and R. L. Winkler, Operations Research 33 (1985) 427.

    The formula is from memory, recomputed: k sources with correlation ρ are worth k/(1 + (k − 1)ρ) independent ones; k = 5 and ρ = 0.5
    are 1.667, and the limit is 1/ρ. What the sources are worth is how many times the precision of one the posterior gained.
    Tolerance: four Monte Carlo errors of the sd, carried to the worth, and half the last digit.
    """
    assert count / (1 + (count - 1) * rho) == pytest.approx(worth, abs=0.0005)
    assert worth < 1 / rho
    sd = sd_of(level(count, prior=(VALUE, 1000.0), rho=rho))
    found = Estimate((U / sd.value) ** 2, 2 * (U / sd.value) ** 2 * sd.mcse / sd.value)
    assert found.agrees(worth, half_digit=0.0005)


def test_mean_of_correlated_sources_is_their_average() -> None:
    """Sources that are exchangeable weigh alike: the posterior mean is the average whatever ρ is. Four Monte Carlo errors."""
    values = (84.0, 91.0, 87.0, 95.0, 90.0)
    found = level(5, prior=(VALUE, 1000.0), rho=0.5, values=values)
    assert mean_of(found).agrees(float(np.mean(values)), half_digit=1e-4)


def test_reports_that_copy_one_count_once() -> None:
    """Closed form: four reports of 90 ± 4 that copy one, prior N(80, 5), leave 86.10 ± 3.12 and not 88.62 ± 1.86.

    Tolerance: four Monte Carlo errors and half the last digit; the echoes do not even change a draw.
    """
    echoed, fourfold = level(4, echoes=True), level(4)
    for drawn, (mean, sd) in ((echoed, ECHOED), (fourfold, COUNTED_FOUR_TIMES)):
        assert mean_of(drawn).agrees(mean, half_digit=HALF_DIGIT)
        assert sd_of(drawn).agrees(sd, half_digit=HALF_DIGIT)
    assert np.array_equal(echoed, level(1))
