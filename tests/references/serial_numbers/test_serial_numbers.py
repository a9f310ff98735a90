"""How many there are, from the serial numbers of a few."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import mean_of, quantile_of, sd_of

SERIALS = (19, 40, 42, 60)
"""Invented, of which only their number and the greatest of them matter. [1]"""
GREATEST, COUNT = 60, 4
ESTIMATE, MEAN, SD, MEDIAN = 74, 88.5, 50.22, 75
"""m + m/k − 1, and the posterior of a flat prior without end. [1]"""
HISTORY = {"1940-06": (169, 1000, 122), "1941-06": (244, 1550, 271), "1942-08": (327, 1550, 342)}
"""Tanks a month: by serial numbers, by conventional intelligence, and by the maker's records afterwards (Ruggles and Brodie). [1]"""


def totals(upper: float, serials: tuple[int, ...] = SERIALS) -> np.ndarray:
    """Draws of the total under a flat prior up to a number."""
    prior = {"family": "uniform", "lower": 0, "upper": upper}
    model = {
        "title": "Serial numbers from 1 on",
        "latents": {"total": {"about": "How many there are", "unit": "1", "because": "Flat", "prior": prior}},
        "methods": {
            "plate": {"about": "A plate that was seen", "measures": "total", "likelihood": {"family": "serial"}}
        },
    }
    observations = [{"id": f"plate-{n}", "method": "plate", "value": n} for n in serials]
    spec = specify(model, {"dossier": "plates", "subject": "Things", "observations": observations})
    return infer(spec, seed=1, draws=8000).fits["as_stated"].quantities["total"]


@cache
def unlimited() -> np.ndarray:
    return totals(1e6)


def exact(upper: int, greatest: int = GREATEST, count: int = COUNT) -> tuple[np.ndarray, np.ndarray]:
    """Whole totals and the posterior probability of each, ∝ 1/(N (N − 1) … (N − k + 1)) from the greatest number on."""
    n = np.arange(greatest, upper + 1, dtype=np.float64)
    weight = np.prod([1 / (n - j) for j in range(count)], axis=0)
    return n, weight / weight.sum()


def test_closed_forms_are_the_published_ones() -> None:
    """R. Ruggles and H. Brodie, JASA 42 (1947) 72: m + m/k − 1 = 74 at m = 60, k = 4; the posterior of a flat prior has mean
    (m − 1)(k − 1)/(k − 2) = 88.5, sd 50.22 and median 75. Half the last digit, by the sum over whole totals up to 4 million.
    """
    assert GREATEST + GREATEST / COUNT - 1 == ESTIMATE
    assert (GREATEST - 1) * (COUNT - 1) / (COUNT - 2) == MEAN
    n, p = exact(4_000_000)
    assert n @ p == pytest.approx(MEAN, abs=0.05)
    assert math.sqrt((n - MEAN) ** 2 @ p) == pytest.approx(SD, abs=0.005)
    assert n[np.searchsorted(p.cumsum(), 0.5)] == MEDIAN


def test_posterior_of_a_total_agrees_with_the_closed_form() -> None:
    """The same: mean 88.5, and quantiles by the sum over whole totals. A whole number N is taken for the real ones within half of it.

    Tolerance: four Monte Carlo errors; a quantile of real numbers lies within half of the whole one.
    """
    n, p = exact(1_000_000)
    assert mean_of(unlimited()).agrees(MEAN, half_digit=0.05)
    for probability in (0.05, 0.25, 0.5, 0.75, 0.95):
        whole = n[np.searchsorted(p.cumsum(), probability)]
        assert quantile_of(unlimited(), probability).agrees(float(whole), half_digit=0.5)
    assert round(float(np.median(unlimited()))) == MEDIAN
    assert unlimited().min() >= GREATEST - 0.5


@pytest.mark.parametrize("upper", [100, 300])
def test_posterior_of_a_bounded_total_agrees_with_the_sum(upper: int) -> None:
    """Under a flat prior with an end every moment is finite: mean and sd by the sum over whole totals.

    The prior ends at half above the last whole number. Tolerance: four Monte Carlo errors, and 0.02 for whole numbers taken
    for real ones, of which the sd has 1/24/sd and the mean a tenth of that.
    """
    n, p = exact(upper)
    mean = float(n @ p)
    sd = math.sqrt((n - mean) ** 2 @ p)
    drawn = totals(upper + 0.5)
    assert mean_of(drawn).agrees(mean, half_digit=0.02)
    assert sd_of(drawn).agrees(sd, half_digit=0.02)


def test_order_and_place_of_lesser_numbers_do_not_matter() -> None:
    """Only how many there are and the greatest count: other lesser numbers in another order draw the same posterior."""
    other = totals(300.5, (60, 3, 5, 4))
    same = totals(300.5)
    assert mean_of(other).agrees(mean_of(same).value, mcse=mean_of(same).mcse)


def test_serial_numbers_told_more_than_intelligence() -> None:
    """Ruggles and Brodie, table: 169, 244 and 327 tanks a month by serial numbers, 122, 271 and 342 by the records, 1000 and 1550 by intelligence.

    So many serials of a month's making as give the estimate 40 % too high in June 1940 and 10 % too low a year after were few;
    with a dozen drawn at random of what the records say, the 99 % interval holds every one of the three records and
    none of what intelligence said.
    """
    rng = np.random.default_rng(1)
    for by_serials, conventional, records in HISTORY.values():
        assert abs(by_serials - records) < abs(conventional - records)
        seen = rng.choice(records, size=12, replace=False) + 1
        n, p = exact(5000, int(seen.max()), len(seen))
        low, high = (n[np.searchsorted(p.cumsum(), q)] for q in (0.005, 0.995))
        drawn = totals(5000.5, tuple(int(s) for s in seen))
        assert low <= records <= high < conventional
        assert quantile_of(drawn, 0.995).agrees(float(high), half_digit=0.5)
