"""A small recorded run without an inference: a dossier with one private observation, and made-up draws."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from gaugeglass.judgement.results import Assessment, LedgerRow, Probability, QuantitySummary, Spread, Verdict
from gaugeglass.language.files import load
from plain_tank import lay_out

READINGS = """\
  - id: public-1
    method: filling
    value: 104 ± 2 L
    origin: a bucket
    source: {title: Notes on a tank, url: "https://example.org/tank"}
  # overheard from Quillfeather
  - id: whisper-7
    method: filling
    value: 98(3) L
    origin: Quillfeather's cousin
    date: 2026-01-05
    private: true
    source: {title: "Talk at the quarry",
      kind: hearsay, locator: bench 3, url: "https://example.org/whisper", quote: "Ninety-eight, give
      or take"}
    note: >-
      Said in
      confidence
  - {id: echo-1, method: filling, value: 98 L, u: 3 L, repeats: whisper-7}
"""

SECRETS = (
    "whisper-7", "whisper", "Quillfeather", "cousin", "2026-01-05", "quarry", "bench 3", "Ninety-eight", "confidence",
)  # fmt: skip


@dataclass(frozen=True)
class Sketch:
    name: str = "leading"
    title: str = "Volume"
    alt: str = "Volume before and after"
    svg: bytes = b"<svg/>"
    png: bytes = b"\x89PNG"
    numbers: Any = None


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    lay_out(tmp_path, READINGS)
    return tmp_path


@pytest.fixture
def posterior(workspace: Path) -> SimpleNamespace:
    spec = load(workspace / "observations" / "tank.yaml")
    rng = np.random.default_rng(1)
    group = xr.Dataset({"volume": (("chain", "draw"), rng.normal(100, 2, (1, 200)), {"units": "L"})})
    return SimpleNamespace(
        spec=spec, seed=1, settings={"draws": 50, "chains": 4}, note="", versions={"numpy": np.__version__},
        seconds={"sampling": 0.12}, fits={"as_stated": SimpleNamespace(diagnostics={"r_hat": 1.0})},
        weights=SimpleNamespace(names=("as_stated",), evidences=({"log": -1.0},)),
        tree=xr.DataTree.from_dict({"posterior": group, "prior": group, "hypotheses/as_stated/posterior": group}),
    )  # fmt: skip


@pytest.fixture
def assessment() -> Assessment:
    spread = Spread(100.0, 2.0, 100.0, 97.0, 103.0)
    certain = Probability(1.0, float("nan"), at_least=0.99)
    verdict = Verdict(
        "large", "The tank holds more than 100 L", "claim", 0.5, Probability(0.5, 0.01), certain, None, {}, False, None,
        None, 0.5, 1.0,
    )  # fmt: skip
    quantity = QuantitySummary(
        "volume",
        "Volume of the tank",
        "L",
        "latent",
        spread,
        spread,
        0.1,
        float("nan"),
        0.1,
        "identified",
        {"as_stated": spread},
    )
    rows = (
        LedgerRow("public-1", "filling", "Fill it and count", "L", "104 ± 2 L", 104.0, 104.0, 104.0, 2.0,
                  "a bucket", "",
                  "Notes on a tank", "https://example.org/tank", "", False, None, spread, 0.1),
        LedgerRow("whisper-7", "filling", "Fill it and count", "L", "98(3) L", 98.0, 98.0, 98.0, 3.0,
                  "Quillfeather's cousin", "2026-01-05",
                  "Talk at the quarry", "https://example.org/whisper", "Said in confidence", True, None, spread, 0.5),
    )  # fmt: skip
    return Assessment("An invented tank", "It is large.", False, (verdict,), (), (quantity,), rows, ())


@pytest.fixture
def picture() -> Sketch:
    return Sketch(numbers={"columns": ["x"], "rows": [[1.5], [None]]})


@pytest.fixture
def secrets() -> tuple[str, ...]:
    """Texts that only the private observation says, and the comment above it."""
    return SECRETS
