"""Tests of uniformity and of probabilities against what is known exactly, and against what chance does."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from gaugeglass.judgement.uniformity import (
    band,
    binomial_band,
    binomial_p_value,
    came_true_p_value,
    p_value,
    score_p_value,
    spiegelhalter_z,
)


def test_the_p_value_of_ranks_is_that_of_all_outcomes_counted() -> None:
    """Four ranks among five levels: 625 outcomes, each as probable, of which the least tail is compared."""
    levels, size = 5, 4

    def least(ranks: tuple[int, ...]) -> float:
        counts = [sum(r <= j for r in ranks) for j in range(levels - 1)]
        tails = []
        for j, count in enumerate(counts):
            law = stats.binom(size, (j + 1) / levels)
            tails.append(2 * min(law.cdf(count), law.sf(count - 1)))
        return float(min(tails))

    every = [least(outcome) for outcome in itertools.product(range(levels), repeat=size)]
    for ranks in [(0, 0, 0, 0), (0, 1, 3, 4), (0, 0, 2, 3), (4, 4, 4, 1)]:
        exact = np.mean(np.array(every) <= least(ranks) * (1 + 1e-9))
        assert p_value(np.array(ranks), levels) == pytest.approx(exact, abs=1e-9), ranks


def test_uniform_ranks_leave_the_band_as_often_as_it_says() -> None:
    """Säilynoja, Bürkner and Vehtari 2022: one band for the whole curve. 4,000 curves: four errors are 0.014."""
    held = band(150, 100, 0.05)
    ranks = np.random.default_rng(8).integers(0, 100, size=(4000, 150))
    counts = np.array([np.cumsum(np.bincount(own, minlength=100))[:-1] for own in ranks])
    share = np.mean(np.any((counts < held.lower) | (counts > held.upper), axis=1))
    assert share == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 4000))


def test_the_band_and_the_p_value_agree() -> None:
    held = band(80, 100, 0.05)
    rng = np.random.default_rng(2)
    for shape in (1.0, 0.8, 0.7, 1.4, 1.6):
        ranks = (rng.beta(shape, shape, 80) * 100).astype(int)
        counts = np.cumsum(np.bincount(ranks, minlength=100))[:-1]
        leaves = bool(np.any((counts < held.lower) | (counts > held.upper)))
        assert leaves == (p_value(ranks, 100) <= 0.05), shape


def test_ranks_of_a_thousand_are_tested_too() -> None:
    rng = np.random.default_rng(4)
    assert p_value(rng.integers(0, 100, 1000), 100) > 0.01
    assert p_value((rng.beta(0.7, 0.7, 1000) * 100).astype(int), 100) < 0.001


def test_a_share_is_tested_by_its_binomial_law() -> None:
    assert binomial_p_value(90, 100, 0.9) == 1.0
    assert binomial_p_value(80, 100, 0.9) == pytest.approx(2 * stats.binom.cdf(80, 100, 0.9))
    low, high = binomial_band(200, 0.9, 0.01)
    assert stats.binom.cdf(low - 1, 200, 0.9) <= 0.005 <= stats.binom.cdf(low, 200, 0.9)
    assert stats.binom.sf(high, 200, 0.9) <= 0.005 <= stats.binom.sf(high - 1, 200, 0.9)


def test_how_many_came_true_is_tested_exactly() -> None:
    """Three things of 10, 50 and 80 %: none comes true with 0.9 · 0.5 · 0.2 = 9 %."""
    p = np.array([0.1, 0.5, 0.8])
    assert came_true_p_value(p, np.zeros(3, dtype=bool)) == pytest.approx(2 * 0.09)
    assert came_true_p_value(p, np.ones(3, dtype=bool)) == pytest.approx(2 * 0.04)
    assert came_true_p_value(p, np.array([False, False, True])) == 1.0


def test_spiegelhalters_z_is_the_brier_score_in_its_own_standard_deviations() -> None:
    """Spiegelhalter 1986: E(B) = mean of p(1 - p), Var(B) = sum of (1 - 2p)² p(1 - p) over n²."""
    p, came = np.array([0.1, 0.3, 0.9, 0.6]), np.array([True, False, True, False])
    brier, expected = np.mean((p - came) ** 2), np.mean(p * (1 - p))
    sd = np.sqrt(np.sum((1 - 2 * p) ** 2 * p * (1 - p))) / 4
    assert spiegelhalter_z(p, came) == pytest.approx((brier - expected) / sd)
    assert spiegelhalter_z(np.array([0.5, 0.5]), np.array([True, True])) == 0.0


def test_the_score_is_tested_against_what_the_probabilities_draw() -> None:
    """One thing of 10 %: it comes true, and the score is as far off, with 10 %."""
    assert score_p_value(np.array([0.1]), np.array([True]), seed=1) == pytest.approx(0.2, abs=0.012)
    assert score_p_value(np.array([0.1]), np.array([False]), seed=1) == 1.0
    rng = np.random.default_rng(6)
    p = rng.uniform(size=300)
    assert score_p_value(p, rng.uniform(size=300) < p, seed=1) > 0.01
    assert score_p_value(p, rng.uniform(size=300) < 0.5 + 0.5 * (p - 0.5), seed=1) < 0.001
