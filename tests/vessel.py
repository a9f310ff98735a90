"""A small invented model in Python, and readings made with it, for tests of what is read."""

from __future__ import annotations

from typing import Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Observation

MODEL: dict[str, Any] = {
    "title": "An invented vehicle",
    "latents": {
        "use": {"about": "Energy for distance", "unit": "Wh/mi", "because": "invented",
                "prior": {"family": "lognormal", "median": "250 Wh/mi", "sigma": 0.3}},
        "mass": {"about": "Mass", "unit": "kg", "because": "invented",
                 "prior": {"family": "lognormal", "median": "2 t", "sigma": 0.3}},
        "share": {"about": "A share", "unit": "%", "because": "invented",
                  "prior": {"family": "beta", "mean": "50 %", "sd": "20 %"}},
        "warmth": {"about": "A temperature", "unit": "°C", "because": "invented",
                   "prior": {"family": "normal", "mean": "20 °C", "sd": "5 K"}},
    },
    "methods": {
        "driving": {"about": "a", "measures": "use", "likelihood": {"family": "normal"}},
        "logged": {"about": "a", "measures": "use", "likelihood": {"family": "lognormal"}},
        "weighing": {"about": "a", "measures": "mass", "likelihood": {"family": "normal"}},
        "gauge": {"about": "a", "measures": "share", "likelihood": {"family": "normal"}},
        "thermometer": {"about": "a", "measures": "warmth", "likelihood": {"family": "normal"}},
        "stated": {"about": "a", "measures": "mass", "likelihood": {"family": "normal", "u": "20 kg"}},
        "widened": {"about": "a", "measures": "mass",
                    "likelihood": {"family": "normal", "u": "sqrt(u**2 + (3 kg)**2)"}},
    },
}  # fmt: skip


def dossier(*observations: dict[str, Any], **sections: Any) -> dict[str, Any]:
    """A dossier of some observations, numbered where they have no id."""
    numbered = [{"id": f"o{i}", **observation} for i, observation in enumerate(observations)]
    return {"dossier": "van", "subject": "An invented van", "observations": numbered, **sections}


def observe(method: str, value: str | float, **keys: Any) -> Observation:
    """One observation as it is read."""
    return specify(MODEL, dossier({"method": method, "value": value, **keys})).dossier.observations[0]


def faults(model: dict[str, Any], dossier: dict[str, Any]) -> tuple[Fault, ...]:
    """What is wrong with a model and a dossier."""
    try:
        specify(model, dossier)
    except SpecError as problem:
        return problem.faults
    return ()
