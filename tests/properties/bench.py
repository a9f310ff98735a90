"""An invented bench with a table beside its dossier, for properties of evidence as it really comes."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gaugeglass.inference.density import Density, compile_density
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import Spec

BECAUSE = "Invented"

MODEL: dict[str, Any] = {
    "format": 1,
    "title": "A store of energy, by its charges and by benches",
    "groups": {"vehicle": {"about": "A vehicle", "members": ["V1", "V2"]}, "season": {"about": "A season"}},
    "grades": {
        "reliability": {"A": "98 %", "B": "90 %", "D": "60 %"},
        "credibility": {"1": "99 %", "2": "90 %", "3": "70 %"},
    },
    "latents": {
        "capacity": {"about": "What the mean vehicle holds", "unit": "kWh", "because": BECAUSE,
                     "prior": {"family": "lognormal", "median": "60 kWh", "sigma": 0.2}},
        "loss": {"about": "Share lost in charging", "unit": "1", "because": BECAUSE,
                 "prior": {"family": "beta", "mean": 0.1, "sd": 0.04}},
        "wear": {"about": "What a vehicle holds over the mean", "unit": "1", "per": "vehicle", "because": BECAUSE,
                 "prior": {"family": "normal", "mean": 1, "sd": 0.03}},
    },
    "relations": {"held": {"about": "What a vehicle holds", "unit": "kWh", "per": "vehicle", "equals": "capacity * wear"}},
    "methods": {
        "bench": {"about": "A bench", "measures": "capacity", "likelihood": {"family": "normal"},
                  "shared": {"by": "origin", "u": "1 %"}, "wrong": {"family": "student_t", "nu": 3, "mean": "60 kWh", "scale": "30 kWh"}},
        "hearsay": {"about": "What is said", "measures": "capacity", "likelihood": {"family": "normal"},
                    "wrong": {"family": "normal", "mean": "60 kWh", "sd": "30 kWh"}},
        "rumour": {"about": "What is said, with long tails", "measures": "capacity", "likelihood": {"family": "student_t", "nu": 4},
                   "wrong": {"family": "student_t", "nu": 3, "mean": "60 kWh", "scale": "30 kWh"}},
        "charge": {"about": "A charge at the wall", "measures": "held * (soc_end - soc_start) / (1 - loss)",
                   "inputs": {"soc_start": {"unit": "%", "u": "0.3 %"}, "soc_end": {"unit": "%", "u": "0.3 %"}},
                   "likelihood": {"family": "student_t", "nu": 5}, "shared": {"by": "origin", "u": "0.5 %"},
                   "wrong": {"family": "student_t", "nu": 3, "mean": "30 kWh", "scale": "30 kWh"}},
    },
    "hypotheses": {
        "lossless": {"says": "Nothing is lost", "fix": {"loss": 0}},
        "lossy": {"says": "Something is lost", "prior_weight": 2, "priors": {"loss": "as stated"}},
    },
    "claims": {"large": {"says": "It holds more than 61 kWh", "holds": "capacity > 61 kWh"}},
}  # fmt: skip

LISTED: list[dict[str, Any]] = [
    {"id": "bench-1", "method": "bench", "value": "61 kWh", "u": "0.6 kWh", "origin": "laboratory", "grade": "A2"},
    {"id": "bench-2", "method": "bench", "value": "60 .. 63 kWh", "u": "0.8 kWh", "origin": "laboratory"},
    {"id": "said-1", "method": "hearsay", "value": "62 kWh", "u": "1 kWh", "grade": "B2"},
    {"id": "charge-0", "method": "charge", "value": "40 kWh", "u": "0.5 kWh", "at": {"vehicle": "V1"},
     "inputs": {"soc_start": "20 %", "soc_end": "80 %"}},
]  # fmt: skip


def charges(count: int, seed: int = 3) -> list[tuple[str, str, float, float, float, float]]:
    """Rows of charges: vehicle, origin, state of charge before and after [%], energy and its u [kWh]."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(count):
        start, end = float(rng.integers(5, 40)), float(rng.integers(60, 95))
        energy = 61 * (0.99, 1.01)[k % 2] * (end - start) / 100 / 0.9
        rows.append(
            (("V1", "V2")[k % 2], ("ann", "ben")[k % 2], start, end, round(float(energy + rng.normal() * 0.5), 2), 0.4)
        )
    return rows


def sheet(rows: Sequence[tuple[str, str, float, float, float, float]], scale: float = 1.0) -> str:
    """The same as the text of a CSV file, energies in kWh over ``scale``."""
    lines = [f"{v},{o},{a!r},{b!r},{y * scale!r},{u * scale!r}" for v, o, a, b, y, u in rows]
    return "\n".join(["van,owner,from,to,energy,u", *lines, ""])


def table(name: str, unit: str = "kWh", *, scale: float = 1.0, **more: Any) -> dict[str, Any]:
    """How a table of charges is described; ``scale`` is what one kWh is in the unit."""
    return {
        "id": name, "file": f"{name}.csv", "method": "charge", "value": {"column": "energy", "unit": unit},
        "u": f"{0.4 * scale!r} {unit}", "origin": {"column": "owner"}, "at": {"vehicle": {"column": "van"}},
        "inputs": {"soc_start": {"column": "from", "unit": "%"}, "soc_end": {"column": "to", "unit": "%"}}, **more,
    }  # fmt: skip


def bench(
    observations: Sequence[Mapping[str, Any]] = LISTED, *, model: Mapping[str, Any] = MODEL, **sections: Any
) -> Spec:
    """A dossier of the bench without tables."""
    return specify(
        model, {"dossier": "bench", "subject": "A store", "observations": [dict(o) for o in observations], **sections}
    )


def filed(folder: Path, tables: Sequence[Mapping[str, Any]], sheets: Mapping[str, str], *, model: Mapping[str, Any] = MODEL,
          observations: Sequence[Mapping[str, Any]] = LISTED, **sections: Any) -> Spec:  # fmt: skip
    """A dossier of the bench with tables, written to a workspace and read again."""
    for room in ("models", "observations"):
        (folder / room).mkdir(parents=True, exist_ok=True)
    (folder / "models/bench.yaml").write_text(json.dumps({"format": 1, **model}), "utf-8")
    for name, text in sheets.items():
        (folder / f"observations/{name}.csv").write_text(text, "utf-8")
    dossier = {"format": 1, "dossier": "bench", "model": "bench", "subject": "A store", "observations": list(observations),
               "tables": list(tables), **sections}  # fmt: skip
    path = folder / "observations/bench.yaml"
    path.write_text(json.dumps(dossier), "utf-8")
    return load(path)


def points(density: Density, count: int = 30, *, width: float = 1.0) -> np.ndarray:
    """Standardised coordinates about the prior."""
    return width * np.random.default_rng(7).standard_normal((count, len(density.free)))


def log_densities(spec: Spec, hypothesis: str, *, width: float = 1.0) -> np.ndarray:
    """Log density of a Spec at points about the prior."""
    density = compile_density(spec)
    return density.log_densities(points(density, width=width), density.pack(density.dials(hypothesis)))
