"""What an alternative states that the files say already is found, however it is written."""

from __future__ import annotations

from typing import Any

import pytest

from gaugeglass.language.alternatives import alter
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Alternative, Spec
from gaugeglass.language.unchanged import faults_of, remaining, unchanged

LEAK = {"family": "beta", "mean": "10 %", "sd": "5 %"}
MODEL: dict[str, Any] = {
    "title": "A tank",
    "givens": {"load": {"about": "Load", "unit": "kg", "default": "75 kg"}, "tanks": {"about": "Tanks", "unit": "1"}},
    "latents": {
        "volume": {"about": "Volume", "unit": "L", "because": "Invented",
                   "prior": {"family": "lognormal", "median": "100 L", "sigma": 0.5}},
        "leak": {"about": "What leaks", "unit": "1", "because": "Invented", "prior": LEAK},
    },
    "relations": {"kept": {"unit": "L", "equals": "volume * (1 - leak)"}},
    "methods": {"filling": {"about": "Fill it", "measures": "volume", "likelihood": {"family": "normal"}}},
    "hypotheses": {
        "tight": {"says": "Nothing leaks", "fix": {"leak": 0}, "prior_weight": 2},
        "leaky": {"says": "It leaks", "priors": {"leak": "as stated"}},
        "holed": {"says": "It has a hole", "fix": {"leak": 0.5}},
    },
}  # fmt: skip


@pytest.fixture
def spec() -> Spec:
    readings = [
        {"id": "filled", "method": "filling", "value": "104.0(12) L"},
        {"id": "quoted", "method": "filling", "value": "98 L", "u": "4 L", "k": 2},
        {"id": "between", "method": "filling", "value": "96 .. 99 L", "u": "1 L"},
    ]
    return specify(MODEL, {"dossier": "tank", "subject": "S", "givens": {"tanks": 12}, "observations": readings})


@pytest.mark.parametrize(
    "asked",
    [
        {"replace": {"filled": "104 ± 1.2 L"}},
        {"replace": {"filled": "104000 ± 1200 cm**3"}},  # but for rounding
        {"replace": {"quoted": {"u": "2 L"}}},
        {"replace": {"quoted": "98 ± 2 L"}},
        {"replace": {"between": {"value": "96 .. 99 L"}}},
        {"priors": {"leak": {"family": "beta", "mean": 0.1, "sd": 0.05}}},
        {"priors": {"volume": {"family": "lognormal", "sigma": 0.5, "median": "0.1 m**3"}}},
        {"givens": {"load": "75000 g", "tanks": "12"}},
        {"prior_weights": {"tight": 1, "leaky": 0.5, "holed": 0.5}},
    ],
    ids=str,
)
def test_what_is_as_in_the_files_is_found(spec: Spec, asked: dict[str, Any]) -> None:
    found = unchanged(spec, alter(spec, **asked))
    ((key, names),) = asked.items()
    assert set(getattr(found, key)) == set(names)
    assert remaining(Alternative(**asked), found).is_none


@pytest.mark.parametrize(
    "asked",
    [
        {"replace": {"filled": "104 ± 1.3 L"}},
        {"replace": {"filled": "104.1 L"}},
        {"replace": {"filled": {"rounded": "1 L"}}},
        {"replace": {"between": "96 .. 99.5 L", "quoted": ">= 98 L"}},
        {"priors": {"leak": {"family": "beta", "mean": 0.1, "sd": 0.06}}},
        {"priors": {"leak": {"family": "exponential", "mean": 0.1}}},
        {"givens": {"load": "76 kg", "tanks": 13}},
        {"prior_weights": {"tight": 2, "leaky": 2}},
        {"prior_weights": {"tight": 3, "leaky": 1.25}},  # a quarter of all weights, as before
        {"without": ["filled"]},
    ],
    ids=str,
)
def test_what_is_otherwise_is_not(spec: Spec, asked: dict[str, Any]) -> None:
    found = unchanged(spec, alter(spec, **asked))
    assert found.is_none
    assert remaining(Alternative(**asked), found) == Alternative(**asked)


def test_only_what_changes_nothing_goes_and_is_told_beside_what_the_files_say(spec: Spec) -> None:
    asked = Alternative(replace={"filled": "104 L", "quoted": "99 L"}, without=("between",), givens={"load": "75 kg"})
    altered = alter(spec, replace=asked.replace, without=asked.without, givens=asked.givens)
    part = unchanged(spec, altered)
    assert part == Alternative(replace={"filled": "104 L"}, givens={"load": "75 kg"})
    assert remaining(asked, part) == Alternative(replace={"quoted": "99 L"}, without=("between",))
    assert [(f.field, f.found, f.allowed) for f in faults_of(part, altered)] == [
        ("--replace filled", "'104 L', which changes nothing", "something else; the files say {value: 104.0(12) L}"),
        ("--given load", "'75 kg', which changes nothing", "something else; the files say 75 kg"),
    ]
