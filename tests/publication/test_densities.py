"""Drawn densities against closed forms, above all at their ends."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

import gaugeglass
from gaugeglass.language.ranges import ANYTHING, Range
from gaugeglass.publication.densities import bounds, density, range_of

N = 20_000
NEAR = 0.02
"""Of the peak. Noise of a kernel density of so many draws is 0.9 % of it at one standard deviation, at most."""
type Floats = NDArray[np.float64]


def evenly(law: Any) -> Floats:
    """Draws without chance: the quantiles of a law amid equal shares."""
    return np.asarray(law.ppf((np.arange(N) + 0.5) / N))


def area(heights: Floats, grid: Floats) -> float:
    return float(heights.sum() * (grid[1] - grid[0]))


@pytest.mark.parametrize("within", [ANYTHING, (-50.0, 50.0)])
def test_a_normal_trails_off_at_its_last_draws(within: Range) -> None:
    """Mirrored at its last draws, it would be twice as high there and end in a cliff."""
    draws, grid = np.random.default_rng(1).normal(0, 1, 400), np.linspace(-6, 6, 400)
    found, wide = density(draws, grid, within=within), np.hypot(1, 1.06 * min(draws.std(), 1.0) * 400**-0.2)
    smoothed = stats.norm(draws.mean(), wide * draws.std()).pdf(grid)
    assert area(found, grid) == pytest.approx(1, abs=1e-3)
    for end in (draws.min(), draws.max()):
        assert np.interp(end, grid, found) == pytest.approx(np.interp(end, grid, smoothed), abs=NEAR * found.max())
    assert np.abs(np.diff(found)).max() < 0.05 * found.max()


def test_a_normal_of_many_draws_is_itself() -> None:
    grid = np.linspace(-5, 5, 400)
    found = density(evenly(stats.norm()), grid)
    assert found == pytest.approx(stats.norm.pdf(grid), abs=NEAR * stats.norm.pdf(0))
    assert area(found, grid) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("within", [ANYTHING, (0.0, math.inf)])
@pytest.mark.parametrize("law", [stats.halfnorm(), stats.expon()], ids=["half-normal", "exponential"])
def test_a_density_is_whole_right_up_to_its_bound(law: Any, within: Range) -> None:
    """An exponential is mirrored into a cusp, which a kernel of width h lowers by about 0.8 h: 0.09 at 20,000 draws."""
    grid = np.linspace(-0.1, 12, 800)
    found = density(evenly(law), grid, within=within)
    assert found[np.abs(grid).argmin()] > 0.88 * law.pdf(0)
    assert found[grid < -0.02].max() == 0
    assert area(found, grid) == pytest.approx(1, abs=0.01)


def test_a_uniform_is_level_between_its_ends() -> None:
    grid = np.linspace(1.5, 4.5, 400)
    found = density(evenly(stats.uniform(2, 2)), grid)
    assert found[(grid > 2.0) & (grid < 4.0)] == pytest.approx(0.5, abs=NEAR * 0.5)
    assert not found[(grid < 1.99) | (grid > 4.01)].any()


def test_a_beta_falls_to_nothing_and_does_not_leak_out_of_its_range() -> None:
    """It falls to 0 in a straight line, and so does what is drawn."""
    law, grid = stats.beta(2, 5), np.linspace(-0.1, 1.1, 600)
    found = density(evenly(law), grid, within=(0.0, 1.0))
    assert not found[(grid < -0.002) | (grid > 1.002)].any()
    assert found[np.abs(grid).argmin()] < NEAR * law.pdf(0.2)
    assert area(found, grid) == pytest.approx(1, abs=0.02)
    assert found[np.abs(grid - 1).argmin()] < 1e-3
    assert found[grid > 0] == pytest.approx(law.pdf(grid[grid > 0]), abs=0.03 * law.pdf(0.2))


def test_a_known_bound_of_few_draws_stays_hard_and_high() -> None:
    """Of so few that hardly any lie as near to it as counts are fine."""
    grid = np.linspace(-0.2, 1.2, 400)
    found = density(np.random.default_rng(4).uniform(size=100), grid, within=(0.0, 1.0))
    assert found[(grid > 0) & (grid < 1)].min() > 0.5


@pytest.mark.parametrize("ends", [(-1.0, 1.5), (0.5, 0.6), (1.0, 9.0)])
def test_a_window_narrower_than_the_draws_shows_what_a_wide_one_shows(ends: tuple[float, float]) -> None:
    """Draws beyond the window count, so that curves do not turn level or up at its edge."""
    grid, draws = np.linspace(*ends, 400), evenly(stats.norm())
    assert density(draws, grid) == pytest.approx(stats.norm.pdf(grid), abs=NEAR * stats.norm.pdf(0))
    if ends[0] > 0:
        assert (np.diff(density(draws, grid)) <= 0).all()


def test_draws_much_wider_than_the_window_cost_no_more() -> None:
    grid = np.linspace(-1e-6, 1e-6, 400)
    assert density(evenly(stats.norm()), grid) == pytest.approx(stats.norm.pdf(0), rel=NEAR)


def test_an_end_at_which_draws_pile_up_is_a_bound_within_the_known_one() -> None:
    """As where a claim of the evidence cuts a quantity off: at 3, of what may be anything above 0."""
    law, grid = stats.truncnorm(-0.5, 9, 4, 2), np.linspace(0, 12, 600)
    found = density(evenly(law), grid, within=(0.0, math.inf))
    assert np.interp(3.02, grid, found) == pytest.approx(law.pdf(3), rel=0.04)
    assert not found[grid < 2.97].any()


def test_draws_beyond_the_known_range_trail_off_all_the_same() -> None:
    grid = np.linspace(-5, 5, 400)
    assert density(evenly(stats.norm()), grid, within=(1.0, 2.0)) == pytest.approx(density(evenly(stats.norm()), grid))


def test_a_steep_flank_of_a_wide_density_is_no_bound() -> None:
    """As of the demo's health before the evidence: within a bandwidth of the last draw the flank is a third as high."""
    rng, grid = np.random.default_rng(2), np.linspace(-30, 10, 400)
    draws = np.concatenate([rng.normal(-15, 6, 2000), rng.normal(0, 1, 2000)])
    found = density(draws, grid)
    assert found[-1] < 1e-4 * found.max()
    assert np.abs(np.diff(found)).max() < 0.05 * found.max()


def test_ranges_are_those_of_priors_under_any_hypothesis() -> None:
    """Of the demo: what is held back is 0 under some hypotheses and a share under others, and health is a share."""
    known = bounds(gaugeglass.load("observations/heron-35.yaml"))
    assert known["held_back"] == known["health"] == (0.0, 1.0)
    assert known["cell_nominal_voltage"] == (1.5, math.inf)
    assert known["glider_difference"] == ANYTHING
    assert range_of("health[A1]", known) == (0.0, 1.0)
    assert range_of("nothing", known) == ANYTHING
