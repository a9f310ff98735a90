"""Inputs: the known numbers that come with an observation, and how far each may be from what is stated."""

from __future__ import annotations

from typing import Any

import pytest

from gaugeglass.language.files import specify
from gaugeglass.language.spec import Inexact, Observation
from vessel import MODEL, dossier, faults

METHODS = {
    "loading": {"about": "a", "measures": "mass + load + tare", "unit": "kg", "likelihood": {"family": "normal"},
                "inputs": {"load": {"unit": "kg", "u": "2 kg"}, "tare": {"unit": "kg", "rounded": "10 kg"},
                           "outside": {"unit": "°C"}}},
}  # fmt: skip
LOADED = {**MODEL, "methods": {**MODEL["methods"], **METHODS}}


def observe(**inputs: Any) -> Observation:
    stated = {"load": "100 kg", "tare": "50 kg", "outside": "20 °C", **inputs}
    found = specify(LOADED, dossier({"method": "loading", "value": "2 t", "u": "5 kg", "inputs": stated}))
    return found.dossier.observations[0]


def test_the_method_says_how_far_its_inputs_are_known() -> None:
    """GUM F.2.2.1: what is rounded to a step lies within half of it, which is a u of the step over sqrt(12)."""
    o = observe()
    assert o.inputs == {"load": 100, "tare": 50, "outside": 20}
    assert o.inexact == {"load": Inexact(u=2), "tare": Inexact(half=5)}
    assert o.inexact["tare"].standard == pytest.approx(10 / 12**0.5)


def test_an_observation_goes_before_its_method() -> None:
    o = observe(load="0.1 ± 0.003 t", tare="50(1) kg")
    assert o.inputs == pytest.approx({"load": 100, "tare": 50, "outside": 20})
    assert (o.inexact["load"].u, o.inexact["tare"]) == (pytest.approx(3), Inexact(u=1))


def test_an_exact_input_may_be_stated_with_a_u_of_a_difference() -> None:
    o = observe(outside="68 ± 9 °F")
    assert o.inputs["outside"] == pytest.approx(20)
    assert o.inexact["outside"].u == pytest.approx(5)


@pytest.mark.parametrize("stated", ["100 ± 2 km", "100 ± 0 kg", "100 ± kg", "90 .. 110 kg", ">= 90 kg"])
def test_an_input_is_one_number_with_or_without_its_u(stated: str) -> None:
    inputs = {"load": stated, "tare": "50 kg", "outside": "20 °C"}
    found = faults(LOADED, dossier({"method": "loading", "value": "2 t", "u": "5 kg", "inputs": inputs}))
    assert [fault.field for fault in found] == ["observations[0].inputs.load"]
