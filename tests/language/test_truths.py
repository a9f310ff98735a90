"""What came out in the end, as a dossier states it."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest

from gaugeglass.errors import SpecError
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Source, Spec, Truth
from gaugeglass.language.truths import follows

MODEL: dict[str, Any] = {
    "title": "An invented pair of tanks",
    "groups": {"tank": {"about": "A tank", "members": ["north", "south"]}},
    "givens": {"tanks": {"about": "Tanks", "unit": "1", "default": 2}},
    "latents": {
        "share": {"about": "Share that is full", "unit": "%", "because": "invented",
                  "prior": {"family": "beta", "mean": "50 %", "sd": "20 %"}},
        "level": {"about": "Level", "unit": "cm", "per": "tank", "because": "invented",
                  "prior": {"family": "normal", "mean": "1 m", "sd": "20 cm"}},
    },
    "methods": {
        "gauge": {"about": "a", "measures": "share", "likelihood": {"family": "normal"}},
        "dipstick": {"about": "b", "measures": "level", "likelihood": {"family": "normal"}},
    },
    "hypotheses": {
        "tight": {"says": "It is tight", "priors": {"share": "as stated"}},
        "leaky": {"says": "It leaks", "fix": {"share": "10 %"}},
    },
    "claims": {
        "full": {"says": "It is more than half full", "holds": "share > 50 %"},
        "filled": {"says": "More than one tank's worth", "holds": "tanks * share > 1"},
        "deep": {"says": "The mean level is high", "holds": "mean(level) > 1 m"},
    },
}  # fmt: skip


def spec(**truth: Any) -> Spec:
    return specify(MODEL, {"dossier": "pair", "subject": "A pair", "observations": [], "truth": truth})


def test_a_truth_has_numbers_truth_values_and_a_hypothesis() -> None:
    found = spec(share="0.6", full=True, hypothesis="tight").dossier.truth
    assert found == Truth({"share": pytest.approx(60.0)}, {"full": True}, "tight")
    assert found


def test_each_member_has_a_number_of_its_own() -> None:
    assert spec(level={"south": "1.2 m"}).dossier.truth.quantities == {"level[south]": pytest.approx(120.0)}


def test_it_says_since_when_it_is_known_and_from_where() -> None:
    found = spec(date="2026-05", source={"title": "The manual", "locator": "page 3"}).dossier.truth
    assert (found.date, found.source) == ("2026-05", Source("The manual", locator="page 3"))
    assert not found, "a source alone is no truth"


@pytest.mark.parametrize(
    ("known", "claim", "told"),
    [
        ({"share": 60.0}, "full", True),
        ({"share": 40.0}, "full", False),
        ({}, "full", None),
        ({"share": 60.0}, "filled", True),
        ({"level[north]": 120.0, "level[south]": 120.0}, "deep", None),
    ],
)
def test_a_claim_follows_from_numbers_that_are_all_known(
    known: dict[str, float], claim: str, told: bool | None
) -> None:
    found = spec(share="60 %")
    by_name = {c.name: c for c in found.model.claims}
    assert follows(by_name[claim], {**found.givens, **known}) is told


@pytest.mark.parametrize(
    ("truth", "field", "allowed"),
    [
        ({"share": "0.2"}, "truth.share", "10 %, as hypothesis 'leaky' fixes it"),
        ({"full": True}, "truth.full", "false, as hypothesis 'leaky' has it: It is more than half full"),
        ({"share": "10 %", "full": True}, "truth.full", "false, as the numbers have it: It is more than half full"),
    ],
)
def test_what_the_true_hypothesis_fixes_is_not_otherwise(truth: dict[str, Any], field: str, allowed: str) -> None:
    with pytest.raises(SpecError) as refused:
        spec(hypothesis="leaky", **truth)
    (fault,) = refused.value.faults
    assert (fault.field, fault.allowed) == (field, allowed)


@pytest.mark.parametrize(
    ("truth", "field", "allowed"),
    [
        ({"share": "130 %"}, "truth.share", "from 0 % to 100 %, which is all that it can be"),
        ({"share": "-1 %", "hypothesis": "tight"}, "truth.share",
         "from 0 % to 100 %, which is all that it can be under hypothesis 'tight'"),
        ({"depth": {"south": "-2 cm"}}, "truth.depth.south", "0 cm or more, which is all that it can be"),
        ({"held": "-5 L"}, "truth.held", "0 L or more, which is all that it can be"),
        ({"held": "1 L", "hypothesis": "leaky"}, "truth.held",
         "0 L, which is all that it can be under hypothesis 'leaky'"),
    ],
)  # fmt: skip
def test_what_the_model_thinks_impossible_did_not_come_out(truth: dict[str, Any], field: str, allowed: str) -> None:
    model = deepcopy(MODEL)
    model["latents"]["depth"] = {"about": "Depth", "unit": "cm", "per": "tank", "because": "invented",
                                 "prior": {"family": "lognormal", "median": "1 m", "sigma": 0.2}}  # fmt: skip
    model["relations"] = {"held": {"unit": "L", "equals": "share * mean(depth) * 1 [m**2]"}}
    model["hypotheses"]["leaky"]["relations"] = {"held": "0 L"}
    model["hypotheses"]["tight"]["relations"] = {"held": "as stated"}
    model["methods"]["probe"] = {"about": "c", "measures": "depth", "likelihood": {"family": "normal"}}
    with pytest.raises(SpecError) as refused:
        specify(model, {"dossier": "pair", "subject": "A pair", "observations": [], "truth": truth})
    (fault,) = refused.value.faults
    assert (fault.field, fault.allowed) == (field, allowed)


def test_a_given_that_is_missing_is_the_only_fault_where_the_truth_has_its_number() -> None:
    model = deepcopy(MODEL)
    del model["givens"]["tanks"]["default"]
    with pytest.raises(SpecError) as refused:
        specify(model, {"dossier": "pair", "subject": "A pair", "observations": [], "truth": {"tanks": 3}})
    assert [fault.field for fault in refused.value.faults] == ["givens.tanks"]


@pytest.mark.parametrize("truth", [{"share": "0 %"}, {"share": "100 %"}, {"level": {"south": "-3 m"}}])
def test_what_is_just_possible_may_come_out(truth: dict[str, Any]) -> None:
    assert spec(**truth).dossier.truth


def test_a_prior_that_left_out_what_came_out_is_scored_and_no_fault() -> None:
    model = deepcopy(MODEL)
    model["latents"]["level"]["prior"] = {"family": "uniform", "lower": "1 m", "upper": "2 m"}
    dossier = {"dossier": "pair", "subject": "A pair", "observations": [], "truth": {"level": {"south": "2.5 m"}}}
    assert specify(model, dossier).dossier.truth.quantities == {"level[south]": pytest.approx(250.0)}


def test_what_the_true_hypothesis_fixes_may_be_said_again() -> None:
    assert spec(hypothesis="leaky", share="0.1", full=False).dossier.truth.hypothesis == "leaky"
    assert spec(hypothesis="tight", share="0.2").dossier.truth.quantities == {"share": pytest.approx(20.0)}
