"""A sketch against a whole inference: the same weights and the same draws, within their errors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calibration.test_mechanisms import rivals
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.inference.sampling import Fit, effective_size
from gaugeglass.judgement.sketches import WEIGHTED, Sketch, effective_draws, sketch
from inference.test_peaks import tank


@pytest.fixture(scope="module")
def whole() -> Posterior:
    return infer(rivals(), seed=2)


@pytest.fixture(scope="module")
def rough(whole: Posterior) -> Sketch:
    return sketch(whole.density, seed=5)


def test_weights_agree_with_those_of_a_whole_inference(whole: Posterior, rough: Sketch) -> None:
    error = np.hypot(whole.weights.mcse, rough.weights * rough.mcse)
    assert np.all(np.abs(rough.weights - whole.weights.posterior) <= 4 * error)
    assert rough.weights.sum() == pytest.approx(1.0)
    assert np.all(rough.mcse < 0.1)


def test_draws_agree_with_those_of_a_whole_inference(whole: Posterior, rough: Sketch) -> None:
    def mean_and_error(found: Fit, name: str) -> tuple[float, float]:
        values = found.quantities[name]
        size = found.diagnostics.ess_bulk if found.diagnostics.remedy == WEIGHTED else effective_size(values)
        return float(values.mean()), float(values.std() / np.sqrt(size))

    for hypothesis in whole.fits:
        for name in ("level", "usable"):
            theirs, ours = (mean_and_error(fits[hypothesis], name) for fits in (whole.fits, rough.fits))
            assert abs(ours[0] - theirs[0]) <= 4 * np.hypot(ours[1], theirs[1]), (hypothesis, name)


def test_a_sketch_is_the_same_each_time(whole: Posterior, rough: Sketch) -> None:
    again = sketch(whole.density, seed=5)
    assert np.array_equal(again.weights, rough.weights)
    assert all(np.array_equal(again.fits[name].x, rough.fits[name].x) for name in rough.fits)
    assert not np.array_equal(sketch(whole.density, seed=6).weights, rough.weights)


def test_two_sources_of_which_one_is_wrong_are_both_kept() -> None:
    """Chains along the axes of one peak would never tell of the other, whose share is known by quadrature."""
    prior = {"family": "normal", "mean": "50 kWh", "sd": "10 kWh"}
    readings: list[dict[str, object]] = [
        {"value": f"{value} ± 0.1 kWh", "grade": "A2", "origin": str(value)} for value in (50, 66)
    ]
    density = compile_density(tank(prior, readings, grades={"reliability": {"A": 0.9}, "credibility": {"2": 1}}))
    found = sketch(density, seed=1).fits["as_stated"]

    def joint(level: np.ndarray) -> np.ndarray:
        each = [0.9 * stats.norm(level, 0.1).pdf(y) + 0.1 * stats.norm(50, 30).pdf(y) for y in (50, 66)]
        return stats.norm(50, 10).pdf(level) * each[0] * each[1]

    level = np.linspace(0, 100, 200_001)
    exact = joint(level[level > 62]).sum() / joint(level).sum()
    share = np.mean(found.quantities["level"] > 62)
    assert abs(share - exact) <= 4 * np.sqrt(exact * (1 - exact) / effective_draws(found))
    assert 0.1 < exact < 0.4
