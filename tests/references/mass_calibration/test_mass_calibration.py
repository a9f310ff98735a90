"""A mass calibrated in air: distributions propagated through a relation, where first order is not enough."""

from __future__ import annotations

from functools import cache

import numpy as np

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import mean_of, quantile_of, sd_of

BECAUSE = "JCGM 101:2008, 9.3.1.3"
UNIT = "kg/m**3"
MODEL = {
    "title": "Calibration of a mass against a reference of the same nominal mass",
    "givens": {"nominal": {"about": "Nominal mass", "unit": "mg"}},
    "latents": {
        "reference": {
            "about": "Conventional mass of the reference",
            "unit": "mg",
            "prior": {"family": "normal", "mean": "100000 mg", "sd": "0.050 mg"},
            "because": BECAUSE,
        },
        "difference": {
            "about": "Mass of the small weight added to balance",
            "unit": "mg",
            "prior": {"family": "normal", "mean": "1.234 mg", "sd": "0.020 mg"},
            "because": BECAUSE,
        },
        "air": {
            "about": "Density of air",
            "unit": UNIT,
            "prior": {"family": "uniform", "lower": f"1.10 {UNIT}", "upper": f"1.30 {UNIT}"},
            "because": BECAUSE,
        },
        "weight_density": {
            "about": "Density of the weight",
            "unit": UNIT,
            "prior": {"family": "uniform", "lower": f"7000 {UNIT}", "upper": f"9000 {UNIT}"},
            "because": BECAUSE,
        },
        "reference_density": {
            "about": "Density of the reference",
            "unit": UNIT,
            "prior": {"family": "uniform", "lower": f"7950 {UNIT}", "upper": f"8050 {UNIT}"},
            "because": BECAUSE,
        },
    },
    "relations": {
        "deviation": {
            "about": "Deviation of the weight's conventional mass from nominal",
            "unit": "mg",
            "equals": f"(reference + difference) * (1 + (air - 1.2 [{UNIT}]) "
            "* (1 / weight_density - 1 / reference_density)) - nominal",
            "source": "JCGM 101:2008, 9.3.1",
        }
    },
    "methods": {"reading": {"about": "Unused", "measures": "deviation", "likelihood": {"family": "normal"}}},
}
DOSSIER = {"dossier": "mass", "subject": "A weight", "givens": {"nominal": "100000 mg"}}

THEIR_MCSE = 0.00025
"""Published digits were drawn until twice the standard error was below 0.0005 mg (JCGM 101, 7.9.4). [mg]"""
HALF_DIGIT = 0.00005
"""Half a unit in the last published digit. [mg]"""


@cache
def deviation() -> np.ndarray:
    return infer(specify(MODEL, DOSSIER), seed=1, draws=4000).fits["as_stated"].quantities["deviation"]


def test_mass_calibration_agrees_with_jcgm_101() -> None:
    """JCGM 101:2008, "Propagation of distributions using a Monte Carlo method", 9.3, table 5 (from memory, recomputed).

    Published: estimate 1.234 mg, u = 0.0754 mg, 95 % interval [1.0834, 1.3825] mg. First order gives 0.0539 mg, so
    this also shows that the second-order term is kept. Tolerance: four combined Monte Carlo errors, theirs as 7.9.4
    bounds it, and half the last published digit.
    """
    y = deviation()
    assert mean_of(y).agrees(1.2341, mcse=THEIR_MCSE, half_digit=HALF_DIGIT)
    assert sd_of(y).agrees(0.0754, mcse=THEIR_MCSE, half_digit=HALF_DIGIT)
    assert quantile_of(y, 0.025).agrees(1.0834, mcse=THEIR_MCSE, half_digit=HALF_DIGIT)
    assert quantile_of(y, 0.975).agrees(1.3825, mcse=THEIR_MCSE, half_digit=HALF_DIGIT)


def test_mass_calibration_has_the_variance_known_exactly() -> None:
    """The same input distributions; the variance in closed form, a rectangular value's variance being width² / 12.

    Air (less 1.2) and the densities are independent and air is centred, so Var = (Var m + Var δm) (1 + ...) + M² Var(a)
    E[(1/ρ_W − 1/ρ_R)²], M = 100 001.234 mg, of which the factor 1 + ... differs from 1 by less than 1e-9. The moments
    of 1/ρ over a rectangle are ln(b/a)/(b−a) and 1/(ab).
    """
    first_w, second_w = np.log(9000 / 7000) / 2000, 1 / (7000 * 9000)
    first_r, second_r = np.log(8050 / 7950) / 100, 1 / (7950 * 8050)
    square = second_w - 2 * first_w * first_r + second_r
    exact = np.sqrt(0.050**2 + 0.020**2 + 100_001.234**2 * (0.2**2 / 12) * square)
    assert sd_of(deviation()).agrees(float(exact))
