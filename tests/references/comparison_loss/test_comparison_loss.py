"""A loss that cannot be negative: propagation at and near a boundary, where first order says zero."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import mean_of, quantile_of, sd_of

U = 0.005
"""Standard uncertainty of each part of the reflection coefficient (JCGM 101, 9.4.2). [1]"""


def loss_at(x_1: float) -> np.ndarray:
    latents = {
        name: {
            "about": about,
            "unit": "1",
            "prior": {"family": "normal", "mean": mean, "sd": U},
            "because": "JCGM 101:2008, 9.4.2",
        }
        for name, about, mean in (("x_1", "Real part", x_1), ("x_2", "Imaginary part", 0))
    }
    model = {
        "title": "Comparison loss of a power meter",
        "latents": latents,
        "relations": {
            "loss": {
                "about": "Comparison loss",
                "unit": "1",
                "equals": "x_1**2 + x_2**2",
                "source": "JCGM 101:2008, 9.4.1",
            }
        },
        "methods": {"reading": {"about": "Unused", "measures": "loss", "likelihood": {"family": "normal"}}},
    }
    found = infer(specify(model, {"dossier": "loss", "subject": "A power meter"}), seed=1, draws=4000)
    return found.fits["as_stated"].quantities["loss"]


def test_comparison_loss_at_zero_agrees_with_jcgm_101() -> None:
    """JCGM 101:2008, 9.4.3 (from memory, recomputed): x₁ = 0, uncorrelated.

    Published, in 1e-6: estimate 50, u 50, shortest 95 % interval [0, 150], where first order gives 0 ± 0. The loss is
    exponential with mean 2u² = 50e-6 exactly, whose shortest interval ends at the 95 % quantile, 149.8. Tolerance: four
    Monte Carlo errors of ours about the exact numbers, which the published ones are, rounded.
    """
    loss = 1e6 * loss_at(0.0)
    assert mean_of(loss).agrees(50)
    assert sd_of(loss).agrees(50)
    assert quantile_of(loss, 0.95).agrees(50 * math.log(20))
    assert round(50 * math.log(20), -1) == 150
    assert loss.min() >= 0


@pytest.mark.parametrize(("x_1", "mean", "u"), [(0.010, 150, 112), (0.050, 2550, 502)])
def test_comparison_loss_off_zero_agrees_with_jcgm_101(x_1: float, mean: float, u: float) -> None:
    """JCGM 101:2008, 9.4.3 (from memory, recomputed): x₁ = 0.010 and x₁ = 0.050, uncorrelated.

    Published, in 1e-6: 150 with u 112, and 2550 with u 502. Exactly: mean x₁² + 2u², variance 4u⁴ + 4x₁²u². Tolerance:
    four Monte Carlo errors, and half the last published digit.
    """
    loss = 1e6 * loss_at(x_1)
    assert mean_of(loss).agrees(1e6 * (x_1**2 + 2 * U**2))
    assert sd_of(loss).agrees(1e6 * math.sqrt(4 * U**4 + 4 * x_1**2 * U**2))
    assert mean_of(loss).agrees(mean, half_digit=0.5)
    assert sd_of(loss).agrees(u, half_digit=0.5)
