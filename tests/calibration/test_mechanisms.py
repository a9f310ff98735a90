"""Is a 90 % interval right nine times in ten for each way in which evidence comes? Small invented models, one a mechanism.

S. Talts et al., arXiv:1804.06788, with the joint log-likelihood as a test quantity (M. Modrák et al., Bayesian Analysis
2023). Seeds are fixed, so each test gives one answer; limits are such that a right engine fails one seed in a hundred.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from gaugeglass.inference.density import Density, compile_density
from gaugeglass.judgement.calibration import JOINT, calibrate
from gaugeglass.judgement.simulated import coordinates, doubled, simulate_evidence, truth_of_prior
from gaugeglass.language import families
from gaugeglass.language.expressions import Op, Ref
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Observation, Shared, Spec

SIMULATIONS = 200


def latent(family: str, unit: str = "1", **more: Any) -> dict[str, Any]:
    per = {"per": more.pop("per")} if "per" in more else {}
    return {"about": "A quantity", "unit": unit, "because": "Invented", "prior": {"family": family, **more}, **per}


def made(latents: dict[str, Any], methods: dict[str, Any], observations: list[dict[str, Any]], *, sections: dict[str, Any] | None = None,
         **model: Any) -> Spec:  # fmt: skip
    methods = {name: {"about": "A method", **m} for name, m in methods.items()}
    numbered = [{"id": f"o{k}", **o} for k, o in enumerate(observations)]
    dossier = {"dossier": "mechanism", "subject": "A thing", "observations": numbered, **(sections or {})}
    return specify({"title": "One mechanism", "latents": latents, "methods": methods, **model}, dossier)


LEVEL = latent("normal", "kWh", mean="50 kWh", sd="5 kWh")
NORMAL = {"family": "normal"}
WRONG = {"family": "normal", "mean": "50 kWh", "sd": "30 kWh"}
GRADES = {"reliability": {"A": 0.9, "C": 0.6}, "credibility": {"1": 0.95, "2": 0.8, "3": 0.5}}


def read(method: str, value: str | int, u: str | None = None, **more: Any) -> dict[str, Any]:
    return {"method": method, "value": value, **({"u": u} if u else {}), **more}


def shared_error() -> Spec:
    """Two laboratories with an error of their own each, over two methods, relative and absolute."""
    methods = {
        "one": {"measures": "level", "likelihood": NORMAL, "shared": {"by": "origin", "u": "5 %", "name": "balance"}},
        "two": {
            "measures": "2 * level",
            "likelihood": NORMAL,
            "shared": {"by": "origin", "u": "4 kWh", "name": "balance"},
        },
    }
    readings = [read("one", "50 kWh", "2 kWh", origin=o) for o in ("a", "a", "b", "c")]
    return made({"level": LEVEL}, methods, [*readings, read("two", "100 kWh", "3 kWh", origin="a")])


def grades() -> Spec:
    """Sources that may be unreliable as a whole, and readings that may be wrong alone."""
    methods = {"one": {"measures": "level", "likelihood": NORMAL, "wrong": WRONG}}
    graded = [("A2", "a"), ("A3", "a"), ("C2", "b"), ("C2", "b"), ("C2", "b"), ("A2", "c")]
    return made(
        {"level": LEVEL}, methods, [read("one", "50 kWh", "2 kWh", grade=g, origin=o) for g, o in graded], grades=GRADES
    )


def bases() -> Spec:
    """What is stated may be before or after a loss, the same for all readings of an origin."""
    basis = [{"name": "battery", "factor": "1", "weight": 2}, {"name": "wall", "factor": "1.15"}]
    methods = {"one": {"measures": "level", "likelihood": NORMAL, "basis": basis}}
    readings = [read("one", "50 kWh", "2 kWh", origin=o) for o in ("a", "a", "b", "c")]
    return made({"level": LEVEL}, methods, [*readings, read("one", "50 kWh", "2 kWh", origin="d", basis="battery")])


def _inputs(kind: str, width: str) -> Spec:
    methods = {"one": {"measures": "level * used", "unit": "kWh", "likelihood": {"family": "student_t", "nu": 4},
                       "inputs": {"used": {"unit": "%", kind: width}}}}  # fmt: skip
    readings = [read("one", f"{used / 2} kWh", "0.3 kWh", inputs={"used": f"{used} %"}) for used in (30, 45, 60)]
    return made({"level": LEVEL}, methods, readings)


def drawn_inputs() -> Spec:
    """Inputs with a normal error each."""
    return _inputs("u", "2 %")


def rounded_inputs() -> Spec:
    """Inputs that are rounded to a twentieth."""
    return _inputs("rounded", "5 %")


def rounded_readings() -> Spec:
    """Readings of which an interval is known, or only that they are above a bound."""
    methods = {"one": {"measures": "level", "likelihood": NORMAL}}
    readings = [
        read("one", "50 kWh", "1 kWh", rounded="5 kWh"),
        read("one", ">= 48 kWh", "2 kWh"),
        read("one", "50 kWh", "3 kWh"),
    ]
    return made({"level": LEVEL}, methods, readings)


def hierarchy() -> Spec:
    """Members that scatter by an unknown amount about an unknown mean; one of them has no reading, one has many."""
    latents = {
        "mean_level": LEVEL,
        "scatter": latent("half_normal", "kWh", sd="4 kWh"),
        "level": latent("normal", "kWh", mean="mean_level", sd="scatter", per="vehicle"),
    }
    relations = {"fleet": {"about": "All", "unit": "kWh", "equals": "sum(level)"}}
    methods = {"one": {"measures": "level", "likelihood": NORMAL}, "all": {"measures": "fleet", "likelihood": NORMAL}}
    readings = [read("one", "50 kWh", "2 kWh", at={"vehicle": v}) for v in ("V1", "V1", "V2", "V3", "V3", "V3", "V3")]
    groups = {"vehicle": {"about": "A vehicle", "members": ["V1", "V2", "V3", "V4"]}}
    return made(latents, methods, [*readings, read("all", "200 kWh", "15 kWh")], relations=relations, groups=groups)


def groups() -> Spec:
    """Members with a prior of their own each and an error that a member's readings share."""
    latents = {"level": {**LEVEL, "per": "vehicle"}, "gain": latent("lognormal", median=1, sigma=0.1)}
    methods = {"one": {"measures": "level * gain", "likelihood": NORMAL, "shared": {"by": "vehicle", "u": "3 %"}}}
    readings = [read("one", "50 kWh", "2 kWh", at={"vehicle": v}) for v in ("V1", "V1", "V2", "V3")]
    return made(latents, methods, readings, groups={"vehicle": {"about": "A vehicle"}})


def pairs() -> Spec:
    """Three readings of which every two are correlated, one of them negatively with the others."""
    methods = {
        "one": {"measures": "level", "likelihood": NORMAL},
        "two": {"measures": "2 * level", "likelihood": {"family": "lognormal"}},
    }
    readings = [read("one", "50 kWh", "2 kWh"), read("one", "50 kWh", "3 kWh"), read("two", "100 kWh", "5 %")]
    matrix = {("o0", "o1"): 0.6, ("o1", "o2"): -0.3, ("o2", "o0"): -0.7}
    stated = [{"between": list(pair), "r": r} for pair, r in matrix.items()]
    return made({"level": LEVEL}, methods, readings, sections={"correlations": stated})


def poisson() -> Spec:
    methods = {
        "one": {"measures": "rate * hours", "inputs": {"hours": {"unit": "1"}}, "likelihood": {"family": "poisson"}}
    }
    readings = [read("one", 5, inputs={"hours": h}) for h in (1, 2, 0.5)]
    return made({"rate": latent("gamma", shape=2, rate=0.5)}, methods, readings)


def binomial() -> Spec:
    methods = {
        "one": {
            "measures": "chance",
            "inputs": {"n": {"unit": "1"}},
            "likelihood": {"family": "binomial", "trials": "n"},
        }
    }
    return made(
        {"chance": latent("beta", alpha=2, beta=5)}, methods, [read("one", 3, inputs={"n": n}) for n in (10, 25)]
    )


def beta() -> Spec:
    methods = {"one": {"measures": "share", "likelihood": {"family": "beta"}}}
    return made({"share": latent("beta", alpha=4, beta=6)}, methods, [read("one", 0.4, u=f"{u}") for u in (0.05, 0.08)])


def serial() -> Spec:
    """Six numbers of things that are numbered from 1 on, drawn without replacement."""
    methods = {"one": {"measures": "total", "likelihood": {"family": "serial"}}}
    latents = {"total": latent("lognormal", median=60, sigma=0.5)}
    return made(latents, methods, [read("one", n) for n in (3, 41, 17, 29, 8, 33)])


def scatter() -> Spec:
    """A scatter of readings that is itself unknown, with a prior that begins at 0."""
    methods = {"one": {"measures": "level", "likelihood": {"family": "normal", "u": "scatter"}}}
    latents = {"level": LEVEL, "scatter": latent("half_normal", "kWh", sd="4 kWh")}
    return made(latents, methods, [read("one", f"{value} kWh") for value in (48, 50, 53)])


def ratio() -> Spec:
    """What the wall delivers, through an efficiency of which a prior alone is known."""
    methods = {
        "one": {"measures": "level / efficiency", "likelihood": NORMAL},
        "two": {"measures": "level", "likelihood": NORMAL},
    }
    latents = {"level": LEVEL, "efficiency": latent("beta", mean=0.85, sd=0.05)}
    return made(latents, methods, [read("one", "58 kWh", "1.5 kWh"), read("two", "50 kWh", "1.5 kWh")])


def rivals() -> Spec:
    """Three explanations of the same readings: a fixed latent, another prior, another equation."""
    latents = {"level": LEVEL, "loss": latent("beta", mean=0.1, sd=0.06)}
    relations = {"usable": {"about": "What is left", "unit": "kWh", "equals": "level * (1 - loss)"}}
    methods = {"one": {"measures": "usable", "likelihood": NORMAL}, "two": {"measures": "level", "likelihood": NORMAL}}
    hypotheses = {
        "none": {
            "says": "Nothing is lost",
            "fix": {"loss": 0},
            "relations": {"usable": "as stated"},
            "prior_weight": 2,
        },
        "some": {"says": "Some is lost", "priors": {"loss": "as stated"}, "relations": {"usable": "as stated"}},
        "much": {
            "says": "A fixed part is lost",
            "priors": {"loss": "as stated"},
            "relations": {"usable": "level * (0.85 - loss)"},
        },
    }
    claims = {"low": {"says": "Less than 45 kWh are usable", "holds": "usable < 45 kWh"},
              "lost": {"says": "A tenth is lost", "holds": "loss > 10 %"}}  # fmt: skip
    readings = [read("one", "46 kWh", "1 kWh"), read("two", "50 kWh", "2 kWh"), read("one", "46 kWh", "1 kWh")]
    return made(latents, methods, readings, relations=relations, hypotheses=hypotheses, claims=claims)


MECHANISMS: tuple[Callable[[], Spec], ...] = (
    shared_error, grades, bases, drawn_inputs, rounded_inputs, rounded_readings, hierarchy, groups, pairs, poisson, binomial, beta, serial,
    scatter, ratio, rivals,
)  # fmt: skip


@cache
def density(mechanism: Callable[[], Spec]) -> Density:
    return compile_density(mechanism())


@pytest.mark.parametrize(
    "truths", [pytest.param("prior", marks=pytest.mark.slow), pytest.param("posterior", marks=pytest.mark.long)]
)
@pytest.mark.parametrize("mechanism", MECHANISMS, ids=lambda m: m.__name__)
def test_mechanism_is_calibrated(mechanism: Callable[[], Spec], truths: Any) -> None:
    """Two hundred truths, the evidence simulated from each: ranks uniform, 90 % are 90 %, probabilities borne out."""
    found = calibrate(mechanism(), simulations=SIMULATIONS, truths=truths, seed=1)
    assert len(found.failures) <= SIMULATIONS / 20
    assert JOINT in [f.quantity for f in found.quantities]
    assert found.off == ()


def without_shared_error(right: Density) -> Density:
    """Refits take what readings share for nothing."""
    model = right.spec.model
    methods = tuple(
        replace(m, shared=Shared(m.shared.by, m.shared.u / 20, m.shared.relative, m.shared.name)) if m.shared else m
        for m in model.methods
    )
    return compile_density(replace(right.spec, model=replace(model, methods=methods)))


def without_grades(right: Density) -> Density:
    """Refits take every source at its word."""
    return right.with_observations(tuple(replace(o, grade=None) for o in right.spec.evidence))


def with_exact_inputs(right: Density) -> Density:
    """Refits take inputs as exact."""
    return right.with_observations(tuple(replace(o, inexact={}) for o in right.spec.evidence))


def with_halved_u(right: Density) -> Density:
    """Refits believe every reading twice as much as they should."""
    return right.with_observations(tuple(replace(o, u=(o.u or 0) / 2) for o in right.spec.evidence))


def with_variances(right: Density) -> Density:
    """Refits take each u for a variance."""
    return right.with_observations(tuple(replace(o, u=(o.u or 0) ** 2) for o in right.spec.evidence))


def with_swapped_bounds(right: Density) -> Density:
    """Refits take what is above a bound for below, and the other way round."""

    def swapped(o: Observation) -> Observation:
        if math.isinf(o.upper):
            return replace(o, lower=-math.inf, upper=o.lower)
        return replace(o, lower=o.upper, upper=math.inf) if math.isinf(o.lower) else o

    return right.with_observations(tuple(map(swapped, right.spec.evidence)))


def with_inverted_ratio(right: Density) -> Density:
    """Refits multiply by the efficiency where the wall's energy is what it divides."""
    model = right.spec.model
    inverted = Op("mul", (Ref("level"), Ref("efficiency")))
    methods = tuple(replace(m, measures=inverted) if m.name == "one" else m for m in model.methods)
    return compile_density(replace(right.spec, model=replace(model, methods=methods)))


def without_jacobian(right: Density) -> Density:
    """Refits take the density of a scatter for that of its logarithm."""
    with _COMPILING:
        return replace(right, machine=_without_jacobian().machine)


_COMPILING = threading.Lock()


@cache
def _without_jacobian() -> Density:
    row = families.FAMILIES["half_normal"]
    assert isinstance(row.kernel, Op)
    assert row.kernel.args[0] == Ref("t")
    try:
        families.FAMILIES["half_normal"] = replace(row, kernel=row.kernel.args[1])
        return compile_density(scatter())
    finally:
        families.FAMILIES["half_normal"] = row


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mechanism", "breaking", "seen"),
    [
        (shared_error, without_shared_error, "level"),
        (grades, without_grades, "level"),
        (drawn_inputs, with_exact_inputs, "level"),
        (drawn_inputs, with_halved_u, "level"),
        (pairs, with_variances, "level"),
        (rounded_readings, with_swapped_bounds, "level"),
        (ratio, with_inverted_ratio, "efficiency"),
        (scatter, without_jacobian, "scatter"),
    ],
    ids=["shared error", "grades", "inputs", "halved u", "variance", "swapped bound", "inverted ratio", "Jacobian"],
)
def test_a_mistake_is_caught_and_named(
    mechanism: Callable[[], Spec], breaking: Callable[[Density], Density], seen: str
) -> None:
    """Refits that are wrong on purpose are found out by the same limits, in the quantity that is wrong or in the joint."""
    found = calibrate(mechanism(), simulations=SIMULATIONS, seed=1, refit=breaking)
    assert {seen, JOINT} & set(found.off)


@pytest.mark.parametrize("mechanism", MECHANISMS, ids=lambda m: m.__name__)
def test_a_truth_keeps_its_quantities_in_the_coordinates_of_other_readings(mechanism: Callable[[], Spec]) -> None:
    """A hierarchy's coordinates rest on readings and a floor on the greatest; what they stand for must not move."""
    held = density(mechanism)
    for name in (h.name for h in held.spec.hypotheses):
        truth = truth_of_prior(held, name, 7)
        for other in (held.with_observations(simulate_evidence(held, truth, np.random.default_rng(2))), doubled(held)):
            moved = other.quantities(coordinates(held, other, truth), other.dials(name))
            for quantity, value in truth.quantities.items():
                assert moved[quantity] == pytest.approx(value, rel=1e-9), quantity


def test_evidence_beside_evidence_is_simulated_alone() -> None:
    """Of the doubled dossier the observed stays, the rest is drawn; graded origins of the second are others."""
    held = density(grades)
    twice = doubled(held)
    observed = [o.id for o in held.spec.evidence]
    truth = truth_of_prior(twice, "as_stated", 3)
    found = simulate_evidence(twice, truth, np.random.default_rng(1), beside=frozenset(observed))
    assert [o.id for o in found] == [*observed, *(f"{i} again" for i in observed)]
    assert [o.value for o in found[:6]] == [50.0] * 6
    assert all(o.value != 50.0 for o in found[6:])
    assert [o.origin for o in found[6:]] == [f"{o.origin} again" for o in found[:6]]


def test_simulated_serial_numbers_are_drawn_without_replacement() -> None:
    """Every simulated dossier could be one: no number twice, none beyond the total, none that is not whole."""
    held, rng = density(serial), np.random.default_rng(2)
    for k in range(200):
        truth = truth_of_prior(held, "as_stated", k)
        total = round(float(truth.quantities["total"]))
        numbers = [o.value for o in simulate_evidence(held, truth, rng)]
        assert len(set(numbers)) == len(numbers)
        assert all(n == int(n) and 1 <= n <= total for n in numbers)


def test_what_has_no_value_in_some_draws_is_not_called_off() -> None:
    """The root of what may be negative: such a simulation says nothing of it."""
    spec = made(
        {"level": latent("normal", mean=1, sd=1)}, {"one": {"measures": "level", "likelihood": NORMAL}},
        [read("one", 1, "0.5")], relations={"root": {"about": "Its root", "unit": "1", "equals": "sqrt(level)"}},
    )  # fmt: skip
    found = calibrate(spec, simulations=60, seed=1)
    ranked = {f.quantity: len(f.ranks) for f in found.quantities}
    assert 10 < ranked["root"] < 60 == ranked["level"]
    assert not found.off
