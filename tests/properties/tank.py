"""An invented water tank with every kind of reading, for properties that hold whatever is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from gaugeglass.inference.density import compile_density
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec

BECAUSE = "Invented"

HYPOTHESES: dict[str, dict[str, Any]] = {
    "tight": {"says": "Nothing leaks", "prior_weight": 1, "fix": {"leak": "0"}},
    "leaky": {"says": "The tank leaks", "prior_weight": 2, "priors": {"leak": "as stated"}},
    "broken": {
        "says": "The tank leaks much",
        "prior_weight": 1,
        "priors": {"leak": {"family": "beta", "mean": 0.3, "sd": 0.1}},
    },
}
CLAIMS: dict[str, dict[str, Any]] = {
    "leaks": {"says": "More than 4 % leaks", "holds": "leak > 4 %"},
    "tight_enough": {"says": "At most 4 % leaks", "holds": "not (leak > 4 %)"},
    "not_empty": {"says": "Something was let in", "holds": "inflow > 1 L"},
    "flooded": {"says": "The tank keeps more than 10 m³", "holds": "kept > 10 [m**3]"},
}
OBSERVATIONS: list[dict[str, Any]] = [
    {"id": "meter-1", "method": "meter", "value": "1010 L", "u": "20 L"},
    {"id": "meter-2", "method": "meter", "value": "960 .. 1000 L", "u": "25 L"},
    {"id": "dip-1", "method": "dipstick", "value": "905 L", "u": "30 L", "inputs": {"share": "100 %"}},
    {"id": "dip-2", "method": "dipstick", "value": "460 L", "u": "30 L", "inputs": {"share": "50 %"}},
    {"id": "dip-3", "method": "dipstick", "value": ">= 400 L", "u": "30 L", "inputs": {"share": "50 %"}},
    {"id": "pump-1", "method": "pump", "value": "930 L", "u": "6 %"},
    {"id": "pump-2", "method": "pump", "value": "940 L", "u": "6 %", "rounded": "20 L"},
]


KEPT: list[dict[str, Any]] = [
    {"id": "meter-point", "method": "meter", "value": "990 L", "u": "40 L"},
    {"id": "meter-interval", "method": "meter", "value": "900 .. 1000 L", "u": "40 L"},
    {"id": "dip-point", "method": "dipstick", "value": "700 L", "u": "40 L", "inputs": {"share": "75 %"}},
    {"id": "dip-interval", "method": "dipstick", "value": "<= 750 L", "u": "40 L", "inputs": {"share": "75 %"}},
    {"id": "pump-point", "method": "pump", "value": "900 L", "u": "8 %"},
    {"id": "pump-interval", "method": "pump", "value": "850 .. 950 L", "u": "8 %"},
]
"""One of each kind that is always there, so that what is left out changes data and not the compiled function."""


def tank(observations: Sequence[Mapping[str, Any]] = OBSERVATIONS, *, hypotheses: Mapping[str, Any] = HYPOTHESES,
         latents: Mapping[str, Any] | None = None, claims: Mapping[str, Any] = CLAIMS,
         unit: str = "L") -> Spec:  # fmt: skip
    """The tank, with other observations, hypotheses, latents or claims, or all volumes in another unit."""
    model = {
        "title": "A tank",
        "latents": {
            "inflow": {
                "about": "Let in",
                "unit": unit,
                "prior": {"family": "lognormal", "median": "1 m**3", "sigma": 0.3},
                "because": BECAUSE,
            },
            "leak": {
                "about": "Leaks",
                "unit": "1",
                "prior": {"family": "beta", "mean": 0.08, "sd": 0.05},
                "because": BECAUSE,
            },
            "scatter": {
                "about": "Waves",
                "unit": unit,
                "prior": {"family": "half_normal", "sd": "20 L"},
                "because": BECAUSE,
            },
            **(latents or {}),
        },
        "relations": {"kept": {"about": "Kept", "unit": unit, "equals": "inflow * (1 - leak)"}},
        "methods": {
            "meter": {"about": "A meter", "measures": "inflow", "likelihood": {"family": "normal"}},
            "dipstick": {
                "about": "A dipstick in a part of the tank",
                "measures": "kept * share",
                "inputs": {"share": {"unit": "%"}},
                "likelihood": {"family": "student_t", "nu": 5, "u": "sqrt(u**2 + scatter**2)"},
            },
            "pump": {"about": "A pump's counter", "measures": "kept", "likelihood": {"family": "lognormal"}},
        },
        "hypotheses": dict(hypotheses),
        "claims": dict(claims),
    }
    return specify(
        model, {"dossier": "tank", "subject": "A tank", "observations": [dict(o) for o in (*observations, *KEPT)]}
    )


@cache
def whole_tank() -> Spec:
    """The tank as it stands, read once."""
    return tank()


def points(spec: Spec, count: int = 40) -> np.ndarray:
    """Standardised coordinates about the prior."""
    return np.random.default_rng(7).standard_normal((count, len(compile_density(spec).free)))


def log_densities(
    spec: Spec, hypothesis: str, *, power: Mapping[str, float] | None = None, stretch: Mapping[str, float] | None = None
) -> np.ndarray:
    """Log density of a Spec at its points."""
    density = compile_density(spec)
    return density.log_densities(points(spec), density.pack(density.dials(hypothesis, power=power, stretch=stretch)))


def log_priors(spec: Spec, hypothesis: str) -> np.ndarray:
    """Log prior density at the points, summed over the coordinates."""
    density, x = compile_density(spec), points(spec)
    return sum(density.log_prior(x[:, k], free, hypothesis) for k, free in enumerate(density.free))
