"""Hierarchies: one value for each member of a group, priors over quantities, and what methods are of."""

from __future__ import annotations

import copy
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.expressions import Const, Op, Ref
from gaugeglass.language.files import check, load, specify
from gaugeglass.language.spec import Model, Shared

NORMAL = {"family": "normal"}
FLEET: dict[str, Any] = {
    "title": "An invented fleet",
    "givens": {"label": {"about": "What the label says", "unit": "kWh"}, "days": {"about": "a", "unit": "d", "default": "365 d"}},
    "groups": {"van": {"members": ["V1", "V2", "V3"]}, "charger": {}},
    "latents": {
        "typical": {"about": "a", "unit": "kWh", "because": "b",
                    "prior": {"family": "lognormal", "median": "60 kWh", "sigma": 0.2}},
        "spread": {"about": "a", "unit": "%", "because": "b", "prior": {"family": "half_normal", "sd": "5 %"}},
        "energy": {"about": "a", "unit": "Wh", "per": "van", "because": "b",
                   "prior": {"family": "lognormal", "median": "typical", "sigma": "spread"}},
        "loss": {"about": "a", "unit": "kWh", "because": "b",
                 "prior": {"family": "normal", "mean": "2 % * label", "sd": "0.5 kWh"}},
        "efficiency": {"about": "a", "unit": "%", "per": "charger", "because": "b",
                       "prior": {"family": "beta", "mean": "90 %", "sd": "4 %"}},
        "rate": {"about": "a", "unit": "1/year", "because": "b",
                 "prior": {"family": "exponential", "mean": "3 1/year"}},
        "faulty": {"about": "a", "unit": "%", "because": "b", "prior": {"family": "beta", "mean": "9 %", "sd": "4 %"}},
        "made": {"about": "a", "unit": "1", "because": "b",
                 "prior": {"family": "log_uniform", "lower": 10, "upper": 10000}},
    },
    "relations": {
        "usable": {"unit": "kWh", "per": "van", "equals": "energy * 0.9"},
        "whole": {"unit": "kWh", "equals": "sum(usable) - loss"},
    },
    "methods": {
        "charge": {"about": "a", "measures": "usable / efficiency", "unit": "kWh", "likelihood": NORMAL,
                   "shared": {"by": "charger", "u": "1 %", "name": "meter"}},
        "fleet": {"about": "a", "measures": "whole", "likelihood": {"family": "normal", "u": "u + 0 kWh * usable / whole"}},
        "relative": {"about": "a", "measures": "whole", "likelihood": NORMAL,
                     "basis": ["plain", {"name": "worn", "factor": "usable / mean(usable)"}]},
        "metered": {"about": "a", "measures": "typical", "likelihood": NORMAL,
                    "shared": {"by": "charger", "u": "2 %", "name": "meter"}},
        "own": {"about": "a", "measures": "typical", "likelihood": NORMAL, "shared": {"by": "origin", "u": "1 kWh"}},
        "faults": {"about": "a", "measures": "rate * days", "likelihood": {"family": "poisson"}},
        "tested": {"about": "a", "measures": "faulty", "inputs": {"tried": {"unit": "1"}},
                   "likelihood": {"family": "binomial", "trials": "2 * tried"}},
        "estimate": {"about": "a", "measures": "faulty", "likelihood": {"family": "beta"}},
        "plate": {"about": "a", "measures": "made", "likelihood": {"family": "serial"}},
    },
    "hypotheses": {
        "plain": {"says": "p", "priors": {"energy": "as stated"}},
        "heavy": {"says": "h", "priors": {"energy": {"family": "student_t", "nu": 4, "mean": "0.9 * typical",
                                                     "scale": "3 kWh"}}},
    },
}  # fmt: skip
DOSSIER = {"dossier": "fleet", "subject": "s", "givens": {"label": "55 kWh"},
           "members": {"charger": ["C1"]}}  # fmt: skip


def changed(**sections: Any) -> dict[str, Any]:
    model = copy.deepcopy(FLEET)
    for key, value in sections.items():
        model[key] = {**model.get(key, {}), **value} if isinstance(value, dict) else value
    return model


def read(**sections: Any) -> Model:
    return specify(changed(**sections), DOSSIER).model


def wrong(**sections: Any) -> tuple[Fault, ...]:
    with pytest.raises(SpecError) as caught:
        specify(changed(**sections), DOSSIER)
    return caught.value.faults


def latent(unit: str, prior: dict[str, Any], **keys: Any) -> dict[str, Any]:
    return {"about": "a", "unit": unit, "because": "b", "prior": prior, **keys}


# --- priors over quantities ---------------------------------------------------------------------------------


def test_a_parameter_is_a_tree_in_the_unit_of_its_quantity_and_a_value_at_the_medians() -> None:
    prior = read().quantities["energy"].prior  # type: ignore[union-attr]
    assert prior.trees == (
        ("mu", Op("log", (Op("mul", (Ref("typical"), Const(1000.0))),))),
        ("sigma", Op("mul", (Ref("spread"), Const(0.01)))),
    )
    # the median of a half normal is 0.67449 sd (from memory: the upper quartile of the standard normal)
    assert prior.values == pytest.approx({"mu": math.log(60_000), "sigma": 0.05 * 0.67449}, rel=1e-5)
    assert prior.stated == "lognormal(median typical, sigma spread)"


def test_a_number_stays_a_number_beside_a_tree() -> None:
    prior = read().hypotheses[1].priors["energy"]
    assert prior is not None
    assert dict(prior.trees).keys() == {"mean"}
    assert prior.values == pytest.approx({"nu": 4, "mean": 54_000, "scale": 3000})


def test_the_value_follows_the_givens_of_the_dossier() -> None:
    prior = read().quantities["loss"].prior  # type: ignore[union-attr]
    assert prior.values == pytest.approx({"mean": 1.1, "sd": 0.5})


def test_the_value_under_a_hypothesis_is_where_that_puts_the_quantities() -> None:
    model = read(hypotheses={
        "plain": {"says": "p", "priors": {"energy": "as stated"}, "fix": {"typical": "60 kWh"}},
        "heavy": {"says": "h", "priors": {"energy": {"family": "normal", "mean": "typical", "sd": "1 kWh"}},
                  "fix": {"typical": "80 kWh"}},
    })  # fmt: skip
    prior = model.hypotheses[1].priors["energy"]
    assert prior is not None
    assert prior.values["mean"] == pytest.approx(80_000)


def test_a_parameter_may_rest_on_a_sum_over_members() -> None:
    model = read(latents={"spare": latent("kWh", {"family": "normal", "mean": "whole / 3", "sd": "mean(energy) / 10"})})
    prior = model.quantities["spare"].prior  # type: ignore[union-attr]
    assert prior.values == pytest.approx({"mean": (3 * 54 - 1.1) / 3, "sd": 6})


def test_a_temperature_keeps_its_zero_and_its_width_does_not() -> None:
    model = read(latents={
        "air": latent("°C", {"family": "normal", "mean": "20 °C", "sd": "5 K"}),
        "gap": latent("K", {"family": "half_normal", "sd": "3 K"}),
        "pack": latent("°F", {"family": "normal", "mean": "air", "sd": "gap"}),
    })  # fmt: skip
    prior = model.quantities["pack"].prior  # type: ignore[union-attr]
    assert prior.values == pytest.approx({"mean": 68, "sd": 1.8 * 3 * 0.67449}, rel=1e-5)


def test_everything_follows_what_it_rests_on() -> None:
    order = read().order
    assert set(order) == {*FLEET["latents"], *FLEET["relations"]}
    for first, then in (("typical", "energy"), ("spread", "energy"), ("energy", "usable"), ("usable", "whole")):
        assert order.index(first) < order.index(then)


def test_a_prior_that_rests_on_itself_by_a_hypothesis_is_a_circle() -> None:
    (fault,) = wrong(hypotheses={
        "plain": {"says": "p", "priors": {"energy": "as stated", "typical": "as stated"}},
        "heavy": {"says": "h", "priors": {"energy": "as stated", "typical": {
            "family": "lognormal", "median": "whole / 3", "sigma": 0.1}}},
    })  # fmt: skip
    assert fault.found.startswith("usable -> energy -> typical -> whole -> usable, where hypothesis heavy replaces")


def test_a_prior_that_rests_on_itself_is_a_circle_of_one() -> None:
    (fault,) = wrong(latents={"spread": latent("%", {"family": "half_normal", "sd": "spread"})})
    assert (fault.field, fault.found) == ("latents.spread.prior", "spread -> spread")


# --- one value for each member ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "groups"),
    [
        ("charge", {"van", "charger"}),
        ("fleet", {"van"}),
        ("relative", {"van"}),
        ("metered", {"charger"}),
        ("own", set()),
        ("faults", set()),
    ],
)
def test_a_method_needs_the_groups_of_what_it_names(method: str, groups: set[str]) -> None:
    model = read()
    assert model.groups_of(model.method_by_name[method]) == groups


def test_methods_share_an_error_by_its_name() -> None:
    methods = read().method_by_name
    assert methods["charge"].shared == Shared("charger", 0.01, relative=True, name="meter")
    assert methods["metered"].shared == Shared("charger", 0.02, relative=True, name="meter")
    assert methods["own"].shared == Shared("origin", 1.0, relative=False, name="own")


# --- what is counted ----------------------------------------------------------------------------------------


def test_a_method_of_a_pure_number_is_in_1() -> None:
    methods = read().method_by_name
    assert [str(methods[name].unit) for name in ("faults", "tested", "estimate", "plate")] == ["1"] * 4
    assert methods["tested"].measures == Op("mul", (Ref("faulty"), Const(0.01)))
    assert methods["tested"].likelihood.trials == Op("mul", (Const(2.0), Ref("tried")))


def test_counts_have_no_u() -> None:
    likelihoods = {name: method.likelihood for name, method in read().method_by_name.items()}
    assert {name for name, found in likelihoods.items() if found.is_count} == {"faults", "tested", "plate"}
    assert not any(found.takes_stated_u for found in likelihoods.values() if found.is_count)
    assert likelihoods["estimate"].takes_stated_u


# --- from files ---------------------------------------------------------------------------------------------

MODEL_TEXT = """\
format: 1
title: A row of invented vessels
latents:
  volume:
    about: What a vessel holds
    unit: L
    because: Measured at ten of them
    prior: {family: lognormal, from: {file: vessels.csv, column: volume, unit: m**3, where: {kind: steel}}}
  spread: {about: a, unit: "1", because: b, prior: {family: half_normal, sd: 5 %}}
  north: {about: a, unit: L, because: b, prior: {family: lognormal, median: volume, sigma: spread}}
methods:
  filling: {about: a, measures: north, likelihood: {family: normal}}
"""
VESSELS = "kind,volume\n" + "".join(f"steel,{v}\n" for v in (0.201, 0.203, 0.210, 0.207, 0.198)) + "glass,\n"


@pytest.fixture
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, text in {"models/row.yaml": MODEL_TEXT, "models/vessels.csv": VESSELS,
                       "observations/row.yaml": "format: 1\ndossier: row\nmodel: row\nsubject: A row\nobservations:\n"
                                                "  - {id: a, method: filling, value: 201 ± 2 L}\n"}.items():  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_prior_is_fitted_to_a_table_beside_the_model(workspace: Path) -> None:
    spec = load("observations/row.yaml")
    prior = spec.model.quantities["volume"].prior  # type: ignore[union-attr]
    logs = [math.log(v) for v in (201, 203, 210, 207, 198)]
    mean = sum(logs) / 5
    sd = math.sqrt(sum((x - mean) ** 2 for x in logs) / 4)
    assert prior.values == pytest.approx({"mu": mean, "sigma": sd})
    assert prior.stated == "lognormal(from 5 values of volume in vessels.csv)"
    assert spec.texts["models/vessels.csv"] == VESSELS


def test_a_model_made_in_python_has_no_table_beside_it() -> None:
    prior = {"family": "normal", "from": {"file": "vessels.csv", "column": "volume", "unit": "kWh"}}
    assert [fault.field for fault in wrong(latents={"loss": latent("kWh", prior)})] == ["latents.loss.prior.from.file"]


def test_a_hierarchy_is_checked_without_loading_anything_slow(workspace: Path) -> None:
    code = (
        "import sys; from gaugeglass.language.files import check; faults = check('observations/row.yaml').faults;"
        "print(faults, sorted({'numpy', 'scipy', 'pandas'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "() []"


def test_what_a_parameter_rests_on_is_used(workspace: Path) -> None:
    assert check("models/row.yaml").warnings == ()
