"""Scores: closed forms, and a package of scoring rules that is independent of this one."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scoringrules
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gaugeglass.judgement.results import Probability
from gaugeglass.judgement.scores import (
    bins,
    brier,
    brier_of_many,
    crps,
    decomposition,
    log_score,
    rank,
    scored,
)

SIZE = 20_000
EVENLY = stats.norm.ppf((np.arange(SIZE) + 0.5) / SIZE)
"""A standard normal distribution as so many draws, none of them random."""
pairs = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40)


@pytest.mark.parametrize(("truth", "sd"), [(0.0, 1.0), (0.7, 1.0), (-3.0, 1.0), (2.0, 5.0)])
def test_crps_of_a_normal_is_as_published(truth: float, sd: float) -> None:
    """T. Gneiting et al., Monthly Weather Review 133 (2005) 1098, eq. 5: sd (z (2 Phi(z) - 1) + 2 phi(z) - 1 / sqrt(pi)).

    At z = 0 that is (sqrt(2) - 1) / sqrt(pi) = 0.23370 sd. Tolerance: what so many even draws leave of the tails.
    """
    z = truth / sd
    published = sd * (z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / math.sqrt(math.pi))
    assert crps(sd * EVENLY, truth) == pytest.approx(published, abs=sd * 2e-4)
    assert z != 0 or published == pytest.approx(0.23370 * sd, abs=1e-5 * sd)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=50), st.floats(-1e3, 1e3))
def test_crps_of_draws_agrees_with_another_implementation(draws: list[float], truth: float) -> None:
    theirs = scoringrules.crps_ensemble(truth, np.array(draws), estimator="nrg")
    assert crps(np.array(draws), truth) == pytest.approx(float(theirs), abs=1e-9)


def test_crps_of_one_draw_is_its_distance() -> None:
    assert crps(np.array([3.0]), 5.0) == 2.0


@given(st.floats(1e-6, 1 - 1e-6), st.booleans())
def test_brier_and_log_scores_agree_with_another_implementation(said: float, came: bool) -> None:
    assert brier(said, came) == pytest.approx(float(scoringrules.brier_score(float(came), said)))
    assert log_score(said, came) == pytest.approx(float(scoringrules.log_score(float(came), said)))


def test_what_was_said_to_be_impossible_scores_infinity() -> None:
    assert log_score(0.0, True) == math.inf
    assert log_score(1.0, True) == 0.0


def test_of_two_alternatives_brier_counts_both() -> None:
    assert brier_of_many([0.3, 0.7], 1) == pytest.approx(2 * brier(0.7, True))
    assert brier_of_many([0.0, 1.0, 0.0], 0) == 2.0


@given(pairs)
def test_the_parts_of_a_brier_score_add_up_to_it(said: list[tuple[float, bool]]) -> None:
    p, y = [p for p, _ in said], [came for _, came in said]
    assert decomposition(p, y).brier == pytest.approx(np.mean([brier(*pair) for pair in said]), abs=1e-12)


def test_the_parts_of_a_brier_score_by_hand() -> None:
    """Ten times 0.1, of which 2 came true, and ten times 0.7, of which 6 did: in parts, by Murphy's eq. 13 (1973).

    Reliability (0.1 - 0.2)^2 / 2 + (0.7 - 0.6)^2 / 2 = 0.01, resolution 0.2^2 = 0.04, uncertainty 0.4 * 0.6 = 0.24.
    """
    found = decomposition([0.1] * 10 + [0.7] * 10, [True] * 2 + [False] * 8 + [True] * 6 + [False] * 4)
    assert (found.reliability, found.resolution) == pytest.approx((0.01, 0.04))
    assert (found.uncertainty, found.within) == pytest.approx((0.24, 0.0), abs=1e-15)


def test_classes_hold_what_falls_into_them() -> None:
    found = bins([0.0, 0.1, 0.2, 1.0], [False, True, True, True])
    assert [(b.count, b.share) for b in found] == [(2, 0.5), (1, 1.0), (1, 1.0)]
    assert found[0].mean == pytest.approx(0.05)


def test_the_interval_of_a_share_is_jeffreys() -> None:
    """3 of 10 under a beta(1/2, 1/2) prior: beta(3.5, 7.5), of which a grid integral gives the 5 and 95 % points."""
    (found,) = bins([0.3] * 10, [True] * 3 + [False] * 7)
    x = np.linspace(0, 1, 200_001)
    cumulative = np.cumsum(x**2.5 * (1 - x) ** 6.5)
    ends = np.interp([0.05, 0.95], cumulative / cumulative[-1], x)
    assert (found.lower, found.upper) == pytest.approx(tuple(ends), abs=1e-4)
    (none,) = bins([0.3] * 10, [False] * 10)
    assert none.lower == 0.0


def test_a_bound_is_scored_by_itself() -> None:
    assert scored(Probability(1.0, math.nan, at_least=0.998)) == 0.998
    assert scored(Probability(0.0, math.nan, at_most=0.002)) == 0.002
    assert scored(Probability(0.3, 0.01)) == 0.3


def test_a_rank_halves_ties() -> None:
    assert rank(np.array([1.0, 2.0, 2.0, 3.0]), 2.0) == 0.5


@given(st.floats(0.01, 0.99), st.floats(0.01, 0.99))
def test_nobody_expects_to_do_better_than_by_saying_what_they_believe(belief: float, said: float) -> None:
    for score in (brier, log_score):
        expected = [belief * score(p, True) + (1 - belief) * score(p, False) for p in (belief, said)]
        assert expected[0] <= expected[1] + 1e-12
