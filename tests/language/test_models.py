"""Models: what is read from their sections, and what holds between them."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from gaugeglass.errors import Fault
from gaugeglass.language.expressions import Const, Op, Ref
from gaugeglass.language.files import check_bytes, specify
from gaugeglass.language.spec import Model, Shared
from vessel import MODEL, dossier, faults


def changed(**sections: Any) -> dict[str, Any]:
    """The model of the vessel with sections replaced or, where both are mappings, extended."""
    model = copy.deepcopy(MODEL)
    for key, value in sections.items():
        model[key] = {**model[key], **value} if isinstance(model.get(key), dict) and isinstance(value, dict) else value
    return model


def read(**sections: Any) -> Model:
    return specify(changed(**sections), dossier()).model


def wrong(**sections: Any) -> tuple[Fault, ...]:
    return faults(changed(**sections), dossier())


def latent(unit: str, prior: dict[str, Any]) -> dict[str, Any]:
    return {"about": "a", "unit": unit, "because": "b", "prior": prior}


def test_relations_follow_what_they_use() -> None:
    model = read(relations={"c": {"unit": "kg", "equals": "b * 2"}, "a": {"unit": "kg", "equals": "mass"},
                            "b": {"unit": "kg", "equals": "a * 2"}})  # fmt: skip
    assert [r.name for r in model.relations] == ["a", "b", "c"]


def test_relations_follow_what_they_use_under_every_hypothesis() -> None:
    model = read(
        relations={"a": {"unit": "kg", "equals": "mass"}, "b": {"unit": "kg", "equals": "mass"}},
        hypotheses={"plain": {"says": "p", "relations": {"a": "as stated"}},
                    "other": {"says": "o", "relations": {"a": "b / 2"}}},
    )  # fmt: skip
    assert [r.name for r in model.relations] == ["b", "a"]
    assert model.hypotheses[0].relations == {}
    assert model.hypotheses[1].relations == {"a": Op("div", (Ref("b"), Const(2.0)))}


def test_a_long_chain_of_relations_is_ordered() -> None:
    chain = {f"r{i}": {"unit": "kg", "equals": f"r{i + 1}"} for i in range(1500)} | {
        "r1500": {"unit": "kg", "equals": "mass"}
    }
    names = [r.name for r in read(relations=chain).relations]
    assert names[0] == "r1500"
    assert names[-1] == "r0"


def test_a_circle_is_printed_from_its_first_relation() -> None:
    (fault,) = wrong(relations={"x": {"unit": "1", "equals": "2"}, "a": {"unit": "1", "equals": "x + b"},
                                "b": {"unit": "1", "equals": "c"}, "c": {"unit": "1", "equals": "a"}})  # fmt: skip
    assert (fault.field, fault.found) == ("relations.a.equals", "a -> b -> c -> a")


@pytest.mark.parametrize(
    ("measures", "expected"),
    [("use", "Wh/mi"), ("mass * 2", "kg"), ("share / 2", "%"), ("mass / mass", "1"), ("warmth", "°C")],
)
def test_a_method_has_the_unit_of_the_first_quantity_alike(measures: str, expected: str) -> None:
    model = read(methods={"m": {"about": "a", "measures": measures, "likelihood": {"family": "normal"}}})
    assert str(model.method_by_name["m"].unit) == expected


@pytest.mark.parametrize("measures", ["warmth - 10 °C", "mass * mass", "3 V"])
def test_a_method_whose_unit_is_open_has_to_state_it(measures: str) -> None:
    (fault,) = wrong(methods={"m": {"about": "a", "measures": measures, "likelihood": {"family": "normal"}}})
    assert fault.field == "methods.m.unit"


def test_the_u_of_a_method_is_a_difference_in_its_unit() -> None:
    model = read(methods={
        "m": {"about": "a", "measures": "warmth", "likelihood": {"family": "normal", "u": "u + 2 K"}},
        "k": {"about": "a", "measures": "warmth", "likelihood": {"family": "normal", "u": "sqrt(u**2 + (2 K)**2)"}},
        "l": {"about": "a", "measures": "mass", "likelihood": {"family": "lognormal", "u": "sqrt(u**2 + (2 %)**2)"}},
    })  # fmt: skip
    assert all(model.method_by_name[name].likelihood.takes_stated_u for name in "mkl")


def test_the_u_of_a_method_in_fahrenheit_counts_its_degrees() -> None:
    model = read(methods={"m": {"about": "a", "measures": "warmth", "unit": "°F",
                                "likelihood": {"family": "normal", "u": "u + 2 K"}}})  # fmt: skip
    assert model.method_by_name["m"].likelihood.u == Op("add", (Ref("u"), Const(pytest.approx(3.6))))


def test_parameters_of_a_prior_are_in_the_unit_of_its_quantity() -> None:
    model = read(latents={
        "a": latent("°C", {"family": "normal", "mean": "68 °F", "sd": "9 °F"}),
        "b": latent("Wh", {"family": "gamma", "shape": 2, "rate": "4 1/kWh"}),
        "c": latent("%", {"family": "beta", "mean": 0.1, "sd": "7 %"}),
        "d": latent("kg", {"family": "lognormal", "median": "2 t", "sigma": "5 %"}),
        "e": latent("%", {"family": "beta", "alpha": 2, "beta": 8}),
        "f": latent("km", {"family": "truncated_normal", "mean": "1 km", "sd": "500 m", "lower": "0 m"}),
    })  # fmt: skip
    priors = {q.name: q.prior for q in model.latents}
    assert priors["a"].values == pytest.approx({"mean": 20, "sd": 5})
    assert priors["b"].values == pytest.approx({"shape": 2, "rate": 0.004})
    assert priors["c"].bounds == priors["e"].bounds == (0, 100)
    assert float(priors["d"].ppf(0.5)) == pytest.approx(2000)
    assert priors["f"].values == pytest.approx({"mean": 1, "sd": 0.5, "lower": 0})


def test_a_prior_says_how_it_was_written() -> None:
    quantiles = {"5 %": "150 Wh", "95 %": "0.26 kWh"}
    model = read(latents={"a": latent("Wh", {"family": "lognormal", "quantiles": quantiles}),
                          "b": latent("Wh", {"family": "exponential", "mean": "3 Wh"})})  # fmt: skip
    stated = {q.name: q.prior.stated for q in model.latents}
    assert stated["a"] == "lognormal(5 %: 150 Wh, 95 %: 0.26 kWh)"
    assert stated["b"] == "exponential(mean 3 Wh)"


def test_quantiles_may_be_shares_or_percentages() -> None:
    written = ({"5 %": "150 Wh", "95 %": "260 Wh"}, {0.05: "150 Wh", 0.95: "260 Wh"})
    a, b = (read(latents={"x": latent("Wh", {"family": "normal", "quantiles": q})}).latents[-1].prior for q in written)
    assert a.values == pytest.approx(b.values)


def test_every_mechanism_is_spoken_of_by_every_hypothesis() -> None:
    found = wrong(
        hypotheses={"a": {"says": "a", "fix": {"share": "20 %"}}, "b": {"says": "b", "priors": {"mass": "as stated"}}}
    )
    assert [(f.field, f.found) for f in found] == [
        ("hypotheses.a", "no word on 'mass', of which 'b' speaks"),
        ("hypotheses.b", "no word on 'share', of which 'a' speaks"),
    ]


def test_a_latent_may_be_fixed_on_the_edge_of_its_prior() -> None:
    assert read(hypotheses={"empty": {"says": "a", "fix": {"share": 0}}}).hypotheses[0].fix == {"share": 0}


@pytest.mark.parametrize(
    ("prior", "ok"),
    [({"family": "normal", "mean": 1, "sd": 0.1}, True), ({"family": "normal", "mean": 1, "sd": 0.3}, False),
     ({"family": "student_t", "nu": 3, "mean": 10, "scale": 1}, False),
     ({"family": "uniform", "lower": -1, "upper": 1}, False),
     ({"family": "uniform", "lower": 0, "upper": 1}, True), ({"family": "half_normal", "sd": 1}, True)],
)  # fmt: skip
@pytest.mark.parametrize("equals", ["1 / x", "2 / (3 * x)", "x**-1", "1 / (5 / (1 / x))", "share / (x * share)"])
def test_division_by_a_latent_that_may_be_0_is_a_fault(prior: dict[str, Any], ok: bool, equals: str) -> None:
    found = wrong(latents={"x": latent("1", prior)}, relations={"r": {"unit": "1", "equals": equals}})
    assert [f.field for f in found] == ([] if ok else ["relations.r.equals"])


def test_a_broken_unit_is_said_once_and_not_where_it_is_used() -> None:
    found = wrong(latents={"x": latent("kwh", {"family": "normal", "mean": "1 kWh", "sd": "1 kWh"})},
                  relations={"r": {"unit": "kg", "equals": "x * 2"}, "s": {"unit": "kg", "equals": "r + y"}},
                  claims={"c": {"says": "c", "holds": "x > 3 kg"}})  # fmt: skip
    assert [f.field for f in found] == ["latents.x.unit", "relations.s.equals"]


def test_a_broken_prior_leaves_the_unit_to_others() -> None:
    found = wrong(
        latents={"x": latent("kWh", {"family": "nromal"})}, relations={"r": {"unit": "kg", "equals": "x * 2"}}
    )
    assert [f.field for f in found] == ["latents.x.prior.family", "relations.r.equals"]


def test_groups_grades_and_what_a_method_says_beside_its_likelihood() -> None:
    model = read(
        groups={"row": {"members": ["north", "south"]}},
        grades={"reliability": {"A": "99 %"}, "credibility": {1: 0.9}},
        methods={"m": {"about": "a", "measures": "mass", "likelihood": {"family": "normal"},
                       "shared": {"by": "origin", "u": "1 %"},
                       "wrong": {"family": "normal", "mean": "2 t", "sd": "1 t"},
                       "basis": ["dry", {"name": "wet", "factor": "1 + share", "weight": 2}],
                       "inputs": {"load": {"unit": "kg", "u": "500 g"}}}},
    )  # fmt: skip
    method = model.method_by_name["m"]
    assert model.groups["row"]["members"] == ("north", "south")
    assert model.grades == {"reliability": {"A": 0.99}, "credibility": {"1": 0.9}}
    assert method.shared == Shared("origin", 0.01, relative=True, name="m")
    assert method.wrong is not None
    assert method.wrong.values == {"mean": 2000, "sd": 1000}
    assert [(b.name, b.weight) for b in method.basis] == [("dry", 1), ("wet", 2)]
    assert method.inputs[0].u == 0.5
    assert not method.inputs[0].is_exact


# --- numbers without the unit of what they are compared with ------------------------------------------------

TILTED = {"tilt": latent("deg", {"family": "normal", "mean": "3 deg", "sd": "1 deg"}),
          "turn": latent("rad", {"family": "normal", "mean": "0.1", "sd": "0.05"})}  # fmt: skip


def odd(holds: str, **sections: Any) -> list[tuple[str, str | None]]:
    """What is found odd with a comparison in a claim, with the hint."""
    model = changed(latents=TILTED, claims={"c": {"says": "s", "holds": holds}}, **sections)
    found = check_bytes("model.yaml", json.dumps({"format": 1, **model}).encode()).warnings
    return [(fault.found, fault.hint) for fault in found if fault.field.endswith(("holds", "equals"))]


@pytest.mark.parametrize(
    ("holds", "found", "hint"),
    [
        ("share > 10", "'share > 10', where 10 is 1000 %", "did you mean 10 %?"),
        ("not (-2 <= (tilt))", "'-2 <= tilt', where -2 is -114.592 deg", "did you mean -2 deg?"),
        ("mass > 2 t and tilt > 0.1", "'tilt > 0.1', where 0.1 is 5.72958 deg", "did you mean 0.1 deg?"),
        ("where(share < 40, mass, 2 * mass) > 2 t", "'share < 40', where 40 is 4000 %", "did you mean 40 %?"),
    ],
)
def test_a_number_that_lacks_the_unit_it_is_compared_in_is_odd(holds: str, found: str, hint: str) -> None:
    assert odd(holds) == [(found, hint)]


def test_each_side_of_a_chain_is_looked_at_and_relations_too() -> None:
    assert [found for found, _ in odd("20 < share < 30")] == [
        "'20 < share', where 20 is 2000 %", "'share < 30', where 30 is 3000 %"
    ]  # fmt: skip
    relations = {"heavy": {"unit": "kg", "equals": "where(tilt > 5, mass, 2 * mass)"}}
    assert odd("heavy > 2 t", relations=relations) == [("'tilt > 5', where 5 is 286.479 deg", "did you mean 5 deg?")]


@pytest.mark.parametrize(
    "holds", ["share > 0.5", "share <= 1", "tilt > 0", "turn > 0.2", "share > 10 %", "tilt > 3 deg"]
)
def test_a_share_and_an_angle_in_radians_are_compared_with_bare_numbers(holds: str) -> None:
    assert odd(holds) == []
