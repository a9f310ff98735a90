"""Readings and inputs that are rounded to a unit."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import Spec
from references.estimates import mean_of, quantile_of, sd_of

U_ROUNDED = 0.29
"""Of a reading that is rounded, in units of what it is rounded to. [1]"""
U_DIFFERENCE = 0.41
"""Of a difference of two readings that are rounded to 1 %. [%]"""
HALF_DIGIT = 0.005
SHARP = 0.01
"""A scatter that does not matter beside the rounding: it adds its square, 1e-4. [1]"""

MODEL: dict[str, Any] = {
    "title": "A display that shows whole numbers",
    "latents": {
        "shown": {"about": "What is shown", "unit": "1", "because": "Flat",
                  "prior": {"family": "normal", "mean": 40, "sd": 1000}},
        "used": {"about": "Share of charge that was used", "unit": "%", "because": "Flat",
                 "prior": {"family": "normal", "mean": "50 %", "sd": "1000 %"}},
    },
    "methods": {
        "display": {"about": "A display", "measures": "shown", "likelihood": {"family": "normal", "u": SHARP}},
        "balance": {"about": "What is left open by two readings of the state of charge", "unit": "%",
                    "measures": "used - (soc_start - soc_end)",
                    "inputs": {name: {"unit": "%", "rounded": "1 %"} for name in ("soc_start", "soc_end")},
                    "likelihood": {"family": "normal", "u": f"{SHARP} %"}},
    },
}  # fmt: skip


def dossier(**sections: Any) -> dict[str, Any]:
    return {"dossier": "display", "subject": "A display", **sections}


@cache
def listed() -> Spec:
    inputs = {"soc_start": "80 %", "soc_end": "30 %"}
    return specify(MODEL, dossier(observations=[
        {"id": "number", "method": "display", "value": 40, "rounded": 1},
        {"id": "charges", "method": "balance", "value": "0 %", "inputs": inputs},
    ]))  # fmt: skip


@cache
def drawn() -> dict[str, np.ndarray]:
    return dict(infer(listed(), seed=1, draws=4000).fits["as_stated"].quantities)


def test_rounded_reading_agrees_with_the_gum() -> None:
    """JCGM 100:2008 (GUM), F.2.2.1: a reading rounded to δx has u = 0.29 δx, exactly 1/√12. Half the last digit.

    The posterior is rectangular, as its quantiles show, but for the scatter of 0.01 that the reading has before rounding.
    """
    shown = drawn()["shown"]
    assert sd_of(shown).agrees(U_ROUNDED, half_digit=HALF_DIGIT)
    assert sd_of(shown).agrees(math.sqrt(1 / 12 + SHARP**2))
    for probability in (0.1, 0.25, 0.5, 0.75, 0.9):
        assert quantile_of(shown, probability).agrees(39.5 + probability)


def test_difference_of_two_rounded_inputs_has_the_u_of_both() -> None:
    """Two states of charge as whole percentages: the difference has u = 0.41 % (F.2.2.1 twice), exactly 1/√6 %.

    Each input's own error is drawn, so that their difference is triangular from −1 to 1 %, as its quantiles show.
    """
    used = drawn()["used"]
    exact = stats.triang(0.5, loc=49, scale=2)
    assert mean_of(used).agrees(50)
    assert sd_of(used).agrees(U_DIFFERENCE, half_digit=HALF_DIGIT)
    assert sd_of(used).agrees(math.sqrt(1 / 6 + SHARP**2))
    for probability in (0.025, 0.25, 0.75, 0.975):
        assert quantile_of(used, probability).agrees(float(exact.ppf(probability)), half_digit=SHARP**2)


def test_a_row_of_a_table_has_the_same_u_as_a_normal_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows of tables carry the errors of their inputs in u: the same sd, 1/√6 %, of a normal posterior rather than a triangular one.

    At 2.5 and 97.5 % the normal is 0.80 % from the middle, the triangular 0.78 %: that is what is lost.
    """
    monkeypatch.chdir(tmp_path)
    for folder in ("models", "observations"):
        (tmp_path / folder).mkdir()
    (tmp_path / "models/display.yaml").write_text(json.dumps({"format": 1, **MODEL}), "utf-8")
    (tmp_path / "observations/charges.csv").write_text("open,start,end\n0,80,30\n", "utf-8")
    inputs = {"soc_start": {"column": "start", "unit": "%"}, "soc_end": {"column": "end", "unit": "%"}}
    table = {
        "id": "charges",
        "file": "charges.csv",
        "method": "balance",
        "value": {"column": "open", "unit": "%"},
        "inputs": inputs,
    }
    text = json.dumps(dossier(format=1, model="display", tables=[table]))
    (tmp_path / "observations/display.yaml").write_text(text, "utf-8")
    used = infer(load("observations/display.yaml"), seed=1, draws=4000).fits["as_stated"].quantities["used"]
    exact = stats.norm(50, math.sqrt(1 / 6 + SHARP**2))
    assert sd_of(used).agrees(U_DIFFERENCE, half_digit=HALF_DIGIT)
    for probability in (0.025, 0.25, 0.75, 0.975):
        assert quantile_of(used, probability).agrees(float(exact.ppf(probability)))
    assert exact.ppf(0.975) - 50 == pytest.approx(0.80, abs=HALF_DIGIT)
    assert stats.triang(0.5, loc=-1, scale=2).ppf(0.975) == pytest.approx(0.78, abs=HALF_DIGIT)
