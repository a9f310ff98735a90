"""The density that is sampled against PyMC's graph of the same Spec, for each mechanism and for those that meet."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt
import pytest
from pytensor.compile.mode import Mode

from gaugeglass.inference import graph, rows
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.graph import build, free_variables
from gaugeglass.language.expressions import Node, lower_value
from gaugeglass.language.families import Prior, make_prior
from gaugeglass.language.spec import (
    Basis,
    Correlation,
    Dossier,
    Given,
    Hypothesis,
    Inexact,
    Input,
    Latent,
    Likelihood,
    LikelihoodFamily,
    Method,
    Model,
    Observation,
    Relation,
    Shared,
    Spec,
    Table,
)
from gaugeglass.language.units import parse_unit
from inference.agreement import Twin, agree

ONE = parse_unit("1")
NAMES = (
    "level rate slope share scatter total level_mean level_sd size size_mean size_sd wait wait_mean heavy heavy_mean heavy_sd"
    " half half_sd per_unit double fleet gap middle x z g u trials_of"
)
UNITS = dict.fromkeys(NAMES.split(), ONE)
GROUPED = ("level", "size", "double", "wait", "heavy", "half")
INF = np.inf


def tree(text: str, *, groups: Iterable[str] = ()) -> Node:
    return lower_value(text, UNITS, ONE, groups=dict.fromkeys(groups, "vehicle"))


def prior(family: str, trees: Mapping[str, str] | None = None, **numbers: float) -> Prior:
    held = make_prior(family, numbers)
    return Prior(held.family, held.parameters, trees=tuple((name, tree(text)) for name, text in (trees or {}).items()))


def latent(name: str, held: Prior, per: str | None = None) -> Latent:
    return Latent(name, "", ONE, held, per=per)


def relation(name: str, text: str, per: str | None = None, groups: Iterable[str] = ()) -> Relation:
    return Relation(name, "", ONE, tree(text, groups=groups), text, per=per)


def method(name: str, measures: str, family: LikelihoodFamily = "normal", *, u: str | None = None, groups: Iterable[str] = (),
           nu: float | None = None, trials: str | None = None, inputs: str = "", **more: Any) -> Method:  # fmt: skip
    likelihood = Likelihood(family, nu=nu, u=tree(u) if u else None, trials=tree(trials) if trials else None)
    entries = tuple(Input(i, "", ONE) for i in inputs.split())
    return Method(name, "", ONE, tree(measures, groups=groups), measures, likelihood, entries, **more)


_ids = itertools.count()


def reading(
    by: str, value: float | tuple[float, float], u: float | None = 0.5, name: str = "", **more: Any
) -> Observation:
    lower, upper = value if isinstance(value, tuple) else (value, value)
    shown = lower if np.isfinite(lower) else upper
    return Observation(name or f"{by}-{next(_ids)}", by, "", float(shown), float(lower), float(upper), u, **more)


def spec(latents: Iterable[Latent], methods: Iterable[Method], observations: Iterable[Observation], *,
         relations: Iterable[Relation] = (), correlations: Iterable[Correlation] = (), rows: Iterable[Observation] = (),
         members: Iterable[str] = (), **more: Any) -> Spec:  # fmt: skip
    model = Model("m", "m.yaml", "A model", latents=tuple(latents), methods=tuple(methods), relations=tuple(relations),
                  groups={"vehicle": {"about": "", "members": list(members)}}, grades=GRADES, **more)  # fmt: skip
    by_method: dict[str, list[Observation]] = {}
    for row in rows:
        by_method.setdefault(row.method, []).append(row)
    tables = tuple(Table(held[0].table or "t", "t.csv", name, {}, tuple(held)) for name, held in by_method.items())
    dossier = Dossier("d", "d.yaml", "s", observations=tuple(observations), tables=tables, correlations=tuple(correlations),
                      givens={g.name: 3.0 for g in model.givens})  # fmt: skip
    return Spec(model, dossier)


GRADES = {
    "reliability": {"A": 0.98, "B": 0.8, "C": 0.5, "S": 1.0},
    "credibility": {"1": 0.97, "2": 0.9, "3": 0.6, "5": 0.0, "9": 1.0},
}
LEVEL, RATE, SCATTER = (
    prior("normal", mean=5, sd=1),
    prior("lognormal", median=2, sigma=0.2),
    prior("half_normal", sd=0.4),
)
PLAIN = [latent("level", LEVEL), latent("rate", RATE), latent("scatter", SCATTER)]
WRONG = prior("uniform", lower=-20, upper=30)
SHAPES: tuple[float | tuple[float, float], ...] = (5.2, 4.7, (4.0, 6.0), (5.0, INF), (-INF, 5.5))
"""Two points, an interval and a bound on either side."""


# --- groups and hierarchies -----------------------------------------------------------------------------------


@pytest.mark.parametrize("told", [(0.0, 0.0), (1.5, 0.5), (0.7, 1e4), None])
def test_members_under_a_prior_whose_parameters_are_quantities(told: tuple[float, float] | None) -> None:
    """Each family that may have them, where readings tell nothing, something, all but everything, or what they do."""
    latents = [
        # listed before what they rest on
        latent("level", prior("normal", {"mean": "middle", "sd": "level_sd"}, mean=5, sd=1), "vehicle"),
        latent("level_mean", LEVEL), latent("level_sd", prior("lognormal", median=0.7, sigma=0.3)),
        latent("size", prior("lognormal", {"mu": "log(size_mean)", "sigma": "size_sd"}, median=2, sigma=0.3), "vehicle"),
        latent("size_mean", RATE), latent("size_sd", prior("lognormal", median=0.3, sigma=0.3)),
        latent("wait", prior("exponential", {"mean": "wait_mean"}, mean=2), "vehicle"), latent("wait_mean", RATE),
        latent("heavy", prior("student_t", {"mean": "heavy_mean", "scale": "heavy_sd"}, nu=4, mean=1, scale=2)),
        latent("heavy_mean", LEVEL), latent("heavy_sd", RATE),
        latent("half", prior("half_normal", {"sd": "half_sd + 0.1 * heavy_sd"}, sd=2)), latent("half_sd", RATE),
    ]  # fmt: skip
    relations = [
        relation("middle", "level_mean + 0.1 * heavy_mean"),
        relation("double", "2 * level * size + wait", "vehicle"),
        relation("fleet", "sum(double) + mean(size ** 2) * heavy", groups=("double", "size")),
    ]
    methods = [
        method("gauge", "double * x + heavy", u="sqrt(u ** 2 + half ** 2)", inputs="x"),
        method("counter", "fleet", "student_t", nu=5),
        method("pace", "size", "lognormal"),
    ]
    readings = [
        reading("gauge", s, at={"vehicle": m}, inputs={"x": 1.0 + k}) for k, s in enumerate(SHAPES) for m in "AB"
    ]
    readings += [reading("counter", s) for s in (90, (80, 100))] + [reading("pace", 2.2, 0.1, at={"vehicle": "C"})]
    agree(spec(latents, methods, readings, relations=relations, members="ABCD"), told=told)


def test_members_without_a_hierarchy_fixed_replaced_or_as_stated() -> None:
    own = prior("lognormal", median=3, sigma=0.2)
    hung = prior("normal", {"mean": "level_mean", "sd": "level_sd"}, mean=5, sd=1)
    other = prior("normal", {"mean": "2 * level_mean", "sd": "1"}, mean=10, sd=1)
    latents = [latent("level", prior("normal", mean=5, sd=1), "vehicle"), latent("level_mean", LEVEL),
               latent("level_sd", prior("lognormal", median=0.7, sigma=0.3)), latent("size", own, "vehicle")]  # fmt: skip
    relations = [relation("double", "2 * level + size", "vehicle"), relation("fleet", "sum(double) + mean(level)",
                                                                            groups=("double", "level"))]  # fmt: skip
    hypotheses = (
        Hypothesis("fixed", "", fix={"level": 4.5, "size": 2.5}, relations={"double": tree("3 * size")}),
        Hypothesis("stated", "", priors={"level": None, "size": None}),
        Hypothesis("hung", "", priors={"level": hung, "size": None}, relations={"double": tree("7")}),
        Hypothesis("otherwise", "", priors={"level": other, "size": prior("gamma", mean=3, sd=1)}),
    )
    methods = [method("gauge", "double"), method("counter", "fleet"), method("plain", "level")]
    readings = [reading(m, s, at={"vehicle": v}) for m in ("gauge", "plain") for s in SHAPES[1:3] for v in "AB"]
    held = spec(latents, methods, [*readings, reading("counter", 40, 4)], relations=relations, members="ABC",
                hypotheses=hypotheses)  # fmt: skip
    agree(held)
    agree(held, told=(0.0, 0.0))


# --- errors in common ---------------------------------------------------------------------------------------


def test_shared_errors_by_origin_and_by_member_over_several_methods() -> None:
    """Relative, absolute and for a lognormal; a reading without an origin is an origin of its own."""
    by_member = latent("level", LEVEL, "vehicle")
    methods = [
        method("scale", "level", shared=Shared("origin", 0.03, True, "balance")),
        method("second", "level * rate", "student_t", nu=4, shared=Shared("origin", 0.5, False, "balance")),
        method("pace", "level", "lognormal", shared=Shared("vehicle", 0.1, True, "pacing")),
        method("wide", "rate", u="sqrt(u ** 2 + scatter ** 2)", shared=Shared("vehicle", 0.2, False, "wide")),
    ]
    readings = [
        reading(m.name, s, 0.2, at={"vehicle": v}, origin=o)
        for m in methods for s, v, o in zip(SHAPES, "ABABA", ("lab", "lab", "garage", None, None), strict=True)
    ]  # fmt: skip
    agree(spec([by_member, *PLAIN[1:]], methods, readings, members="ABC"))


@pytest.mark.parametrize("family", ["normal", "lognormal"])
def test_stated_correlations(family: LikelihoodFamily) -> None:
    """Three readings of which each is correlated with each, and a fourth, by methods with a scatter and a shared error."""
    methods = [
        method("gauge", "level", family),
        method(
            "second", "level * rate", family, u="sqrt(u ** 2 + scatter ** 2)", shared=Shared("origin", 0.1, True, "e")
        ),
    ]
    readings = [reading("gauge", 5.1, 0.1, "a"), reading("gauge", 4.9, 0.2, "b"), reading("second", 10.3, 0.1, "c", origin="o"),
                reading("second", 9.6, 0.2, "d", origin="o"), reading("gauge", (4, 6), 0.1)]  # fmt: skip
    pairs = [Correlation(("a", "b"), 0.351), Correlation(("b", "c"), -0.4), Correlation(("d", "a"), -0.2),
             Correlation(("a", "c"), 0.5), Correlation(("a", "gone"), 0.9)]  # fmt: skip
    agree(spec(PLAIN, methods, readings, correlations=pairs))


@pytest.mark.parametrize("family", ["normal", "lognormal"])
def test_a_correlation_of_graded_readings_on_open_bases(family: LikelihoodFamily) -> None:
    """Two of one origin, one of which is simply right, with a third; and what is wrong has no error to share."""
    bases = (Basis("gross", tree("1")), Basis("net", tree("0.9")))
    methods = [method("gauge", "level", family, wrong=prior("lognormal", median=5, sigma=1), basis=bases)]
    readings = [reading("gauge", 5.1, 0.1, "a", origin="o", grade="B2"), reading("gauge", 4.9, 0.2, "b", origin="o"),
                reading("gauge", 4.6, 0.1, "c", grade="C3", basis="net")]  # fmt: skip
    pairs = [Correlation(("a", "b"), 0.4), Correlation(("c", "a"), -0.5)]
    held = spec(PLAIN, methods, readings, correlations=pairs)
    agree(held)
    agree(held, power={"a": 0.0, "c": 0.3})


# --- uncertain inputs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", ["normal", "student_t", "lognormal"])
def test_uncertain_inputs_are_drawn_and_those_of_tables_linear(family: LikelihoodFamily) -> None:
    gauge = method("gauge", "level * exp(0.1 * x) + z ** 2 * rate", family, u="u * (1 + 0.01 * x)", nu=4.0, inputs="x z",
                   shared=Shared("origin", 0.05, True, "e"))  # fmt: skip
    inexact: tuple[dict[str, Inexact], ...] = (
        {"x": Inexact(u=0.3)}, {"x": Inexact(half=0.5), "z": Inexact(u=0.2)}, {"z": Inexact(half=0.4)}, {}, {"z": Inexact(u=1)},
    )  # fmt: skip
    common: dict[str, Any] = {"inputs": {"x": 1.5, "z": 0.7}}
    readings = [reading("gauge", s, 0.2, **common, inexact=i) for s, i in zip(SHAPES, inexact, strict=True)]
    rows = [reading("gauge", s, 0.2, **common, inexact=i, table="t") for s, i in zip(SHAPES, inexact, strict=True)]
    agree(spec(PLAIN, [gauge], readings, rows=rows))


# --- grades and bases ---------------------------------------------------------------------------------------


def _graded(by: str, **more: Any) -> list[Observation]:
    """Points, intervals and bounds of two origins at several grades, one of which is certain and one never right."""
    grades = ("A2", "B3", "B2", "C9", "S3", "C5", "A1", "B1", None, "C2")
    origins = ("lab", "lab", "lab", "club", "club", "club", None, "press", "press", "lab")
    shapes = (*SHAPES, *SHAPES)
    return [
        reading(by, s, 0.5, grade=g, origin=o, **more) for s, g, o in zip(shapes, grades, origins, strict=True)
    ]  # fmt: skip


WRONGS = (
    WRONG, prior("normal", mean=4, sd=10), prior("lognormal", median=5, sigma=1), prior("student_t", nu=3, mean=5, scale=5),
    prior("half_normal", sd=9), prior("half_student_t", nu=3, scale=5), prior("exponential", mean=5),
    prior("gamma", mean=6, sd=4), prior("log_uniform", lower=1, upper=50), prior("triangular", lower=0, mode=5, upper=20),
    prior("truncated_normal", mean=5, sd=9, lower=0, upper=20), prior("truncated_normal", mean=5, sd=9, lower=0),
    prior("truncated_normal", mean=5, sd=9, upper=20), make_prior("beta", {"mean": 40, "sd": 20}, one=100),
    prior("normal", mean=0, sd=1), prior("gamma", shape=0.3, rate=0.001),
)  # fmt: skip


@pytest.mark.parametrize("wrong", WRONGS, ids=lambda p: p.family)
def test_wrong_readings(wrong: Prior) -> None:
    """Their log density, or log probability where they are intervals: inside, across and outside of where it is."""
    for shape in (5.2, -7, 400, (4, 6), (5, INF), (-INF, 5.5), (-INF, INF), (-30, -25), (-50, 1e5)):
        o = reading("any", shape)
        ends = [] if o.is_point else [pt.constant(np.array([end])) for end in (o.lower, o.upper)]
        value = graph.log_wrong(wrong, pt.constant(np.array([o.value])), ends)
        (found,) = pytensor.function([], value, mode=Mode("py", "merge"))()
        assert rows.log_wrong(wrong, o) == pytest.approx(found, rel=1e-9, abs=1e-12), shape


@pytest.mark.parametrize("wrong", [WRONGS[0], WRONGS[2]], ids=lambda p: p.family)
def test_graded_sources(wrong: Prior) -> None:
    """Two methods whose readings are reliable together."""
    methods = [
        method("gauge", "level", wrong=wrong),
        method("second", "level * rate / 2", "student_t", nu=4, wrong=wrong),
    ]
    twin = agree(spec(PLAIN, methods, [*_graded("gauge"), *_graded("second")]))
    held = {o.id: p for o, p in zip(twin.spec.evidence, itertools.cycle((1.0, 0.5, 0.0)), strict=False)}
    x = np.random.default_rng(6).normal(size=len(twin.density.free))
    twin.check(x, twin.density.dials("as_stated", power=held))


BASES = (
    Basis("gross", tree("1"), "1", 3),
    Basis("net", tree("0.9 - 0.1 * scatter"), "", 1),
    Basis("tax", tree("1 + z"), "", 2),
)


@pytest.mark.parametrize("family", ["normal", "student_t", "lognormal"])
def test_bases_open_and_stated(family: LikelihoodFamily) -> None:
    inputs: dict[str, Any] = {"inputs": {"z": 0.2}}
    methods = [
        method("gauge", "level", family, nu=4, basis=BASES, inputs="z"),
        method("other", "rate", basis=BASES[:2]),
    ]
    readings = [reading("gauge", s, 0.2, origin=o, basis=b, **inputs)
                for s, o, b in itertools.product(SHAPES, ("lab", None), (None, "net"))]  # fmt: skip
    readings += [reading("other", 2.0, origin="lab"), reading("other", (1.8, 2.2), basis="gross")]
    agree(spec(PLAIN, methods, readings))


def test_everything_about_one_reading() -> None:
    """Grade, open basis, shared error, group, hierarchy, drawn inputs, correlation, interval, table and hypotheses."""
    hung = prior("normal", {"mean": "level_mean", "sd": "level_sd"}, mean=5, sd=1)
    latents = [latent("level_mean", LEVEL), latent("level_sd", prior("lognormal", median=0.7, sigma=0.3)),
               latent("level", hung, "vehicle"), latent("size", RATE, "vehicle"), *PLAIN[1:]]  # fmt: skip
    relations = [relation("double", "level * size", "vehicle"), relation("fleet", "mean(double)", groups=("double",))]
    bases = (Basis("gross", tree("1")), Basis("net", tree("0.9 - 0.1 * scatter * size"), "", 0.5))
    every: dict[str, Any] = {"wrong": WRONG, "basis": bases, "inputs": "x"}
    methods = [
        method("gauge", "double + 0.1 * x ** 2", "normal", u="sqrt(u ** 2 + scatter ** 2)", groups=("double",),
               shared=Shared("origin", 0.02, True, "balance"), **every),
        method("second", "fleet * level / 5 + 0.1 * x * rate", "student_t", nu=5, shared=Shared("vehicle", 0.3, False, "by"),
               **every),
        method("pace", "sum(level * 0.2) * (1 + 0.1 * x)", "lognormal", groups=("level",),
               shared=Shared("origin", 0.1, True, "balance"), **every),
        method("ungraded", "size", wrong=WRONG),
    ]  # fmt: skip
    inexact = itertools.cycle([{"x": Inexact(u=0.3)}, {"x": Inexact(half=0.5)}, {}])
    readings = []
    for m in methods[:3]:
        for k, o in enumerate(_graded(m.name, inputs={"x": 1.2})):
            more: dict[str, Any] = {
                "at": {"vehicle": "AB"[k % 2]},
                "basis": (None, None, "net")[k % 3],
                "inexact": next(inexact),
            }
            readings.append(replace(o, id=f"{m.name}-{k}", **more))
    readings += [
        reading("ungraded", 2.1, at={"vehicle": "A"}),
        reading("ungraded", 9.1, at={"vehicle": "A"}, grade="B3"),
    ]
    rows = [replace(o, id=f"row-{o.id}", table="t") for o in readings if o.method == "second"]
    pairs = [Correlation(("gauge-0", "gauge-1"), 0.3), Correlation(("gauge-1", "pace-0"), -0.3)]
    hypotheses = (
        Hypothesis("stated", "", priors={"level": None}, relations={"double": tree("level * size")}),
        Hypothesis("fixed", "", fix={"level": 4.5}, relations={"double": tree("level + size")}),
        Hypothesis(
            "free", "", priors={"level": prior("normal", mean=5, sd=2)}, relations={"double": tree("level + size")}
        ),
    )
    held = spec(latents, methods, readings, relations=relations, correlations=pairs, rows=rows, members="ABC",
                hypotheses=hypotheses)  # fmt: skip
    agree(held, power={o.id: 0.5 for o in readings[::4]} | {o.id: 0.0 for o in readings[::7]})


# --- counts and shares --------------------------------------------------------------------------------------


def test_counts_and_shares() -> None:
    """Poisson, binomial and beta, plain and with a shared error, a group, an open basis and grades."""
    share = prior("beta", mean=0.3, sd=0.1)
    latents = [
        latent("rate", RATE, "vehicle"),
        latent("share", share),
        latent("scatter", prior("beta", mean=0.05, sd=0.01)),
    ]
    wrong: dict[str, Any] = {"wrong": WRONG}
    methods = [
        method("tally", "rate * x", "poisson", inputs="x", shared=Shared("origin", 0.05, True, "e"), **wrong),
        method("trial", "share * x / 2", "binomial", trials="g * z", inputs="x z", **wrong),
        method(
            "part",
            "share",
            "beta",
            u="sqrt(u ** 2 + scatter ** 2)",
            basis=(Basis("a", tree("1")), Basis("b", tree("0.8"))),
        ),
        method("whole", "share", "beta"),
    ]
    at: dict[str, Any] = {"at": {"vehicle": "A"}}
    readings = [
        *(reading("tally", n, None, inputs={"x": 2.0}, origin=o, grade=g, **at)
          for n, o, g in ((3, "p", None), (0, "p", "B2"), (7, None, "C3"), (5, "q", None))),
        *(reading("trial", n, None, inputs={"x": 1.2, "z": 7.0}, grade=g) for n, g in ((3, None), (0, "B2"), (21, None), (6, "A1"))),
        *(reading("part", v, 0.1, origin="p") for v in (0.2, 0.35)), reading("whole", 0.31, 0.08),
    ]  # fmt: skip
    agree(spec(latents, methods, readings, members="AB", givens=(Given("g", "", ONE, 3.0),)))


def test_drawn_inputs_of_counts() -> None:
    tally = method("tally", "rate * x", "poisson", inputs="x")
    readings = [reading("tally", n, None, inputs={"x": 2.0}, inexact={"x": Inexact(u=0.1)}) for n in (3, 5)]
    agree(spec(PLAIN, [tally], readings))


TOTALS = (
    prior("lognormal", median=400, sigma=1), prior("log_uniform", lower=10, upper=5000), prior("uniform", lower=1, upper=5000),
    prior("gamma", mean=400, sd=300), prior("exponential", mean=500), prior("truncated_normal", mean=100, sd=400, lower=5),
    make_prior("beta", {"mean": 400, "sd": 200}, one=2000), prior("half_student_t", nu=4, scale=500),
    prior("truncated_normal", mean=100, sd=400, lower=5, upper=3000), prior("triangular", lower=5, mode=200, upper=3000),
)  # fmt: skip


@pytest.mark.parametrize("held", TOTALS, ids=lambda p: p.family)
def test_serial_numbers_and_their_floor(held: Prior) -> None:
    """A total that is not below the greatest number that counts; with a number of none that counts, below its prior."""
    latents = [latent("total", held), *PLAIN]
    methods = [method("found", "total", "serial"), method("gauge", "total / 100")]
    readings = [reading("found", n, None, f"s{n}") for n in (37, 214, 8, 150)]
    twin = agree(spec(latents, methods, [*readings, reading("gauge", 3, 1)]))
    for power in ({"s214": 0.0}, {"s37": 0.5}, {o.id: 0.0 for o in readings}):
        x = np.random.default_rng(7).normal(size=len(twin.density.free))
        twin.check(x, twin.density.dials("as_stated", power=power))


# --- where mechanisms meet ------------------------------------------------------------------------------------


def test_a_method_of_two_groups_and_of_sums() -> None:
    latents = [latent("level", prior("normal", {"mean": "level_mean", "sd": "1"}, mean=5, sd=1), "vehicle"),
               latent("level_mean", LEVEL), latent("rate", RATE, "driver"), latent("scatter", SCATTER)]  # fmt: skip
    methods = [
        method("gauge", "level * rate", shared=Shared("driver", 0.1, True, "e")),
        method("counter", "sum(level) * x + mean(rate)", groups=("level", "rate"), inputs="x"),
    ]
    readings = [reading("gauge", 10, at={"vehicle": v, "driver": d}) for v, d in ("AX", "BY", "AZ", "CX")]
    readings += [reading("counter", s, 4, inputs={"x": x}) for x, s in ((1, 20), (2, 35), (2, (30, 40)))]
    made = spec(latents, methods, readings, members="ABC")
    made.model.groups["driver"] = {"about": "", "members": [*"WXYZ"]}  # type: ignore[index]
    agree(made, told=(0.0, 0.0))


def test_power_0_leaves_out_even_what_is_impossible() -> None:
    """A count of nothing, a reading that cannot be wrong: at 0 none of them spoils the rest."""
    latents = [latent("total", TOTALS[0]), *PLAIN]
    nothing = "max(rate - 100, 0)"
    methods = [
        method("found", "total", "serial"), method("tally", nothing, "poisson"), method("sum", nothing, "poisson", wrong=WRONG),
        method("gauge", "level", wrong=WRONG), method("pace", nothing, "lognormal"),
    ]  # fmt: skip
    odd = [reading("tally", 3, None), reading("sum", 3, None, grade="A2"),
           reading("gauge", 400, 0.1, grade="S9"), reading("gauge", 400, 0.1, grade="A2"), reading("pace", 3, 0.1)]  # fmt: skip
    whole = [
        reading("found", 3, None),
        reading("gauge", 5, 1, grade="A2", origin="a"),
        reading("gauge", 5, 1, origin="b"),
    ]
    less = compile_density(spec(latents, methods, whole))
    for one in (*([o] for o in odd), odd):
        some = compile_density(spec(latents, methods, [*whole, *one]))
        x = np.random.default_rng(8).normal(size=len(less.free))
        left = some.log_density(x, some.pack(some.dials("as_stated", power=dict.fromkeys((o.id for o in one), 0.0))))
        wanted = less.log_density(x, less.pack(less.dials("as_stated")))
        assert left[0] == pytest.approx(wanted[0], rel=1e-12), one[0].id
        assert left[1] == pytest.approx(wanted[1], rel=1e-12), one[0].id


def test_serial_numbers_under_a_fixed_and_a_replaced_total() -> None:
    latents = [latent("total", TOTALS[0]), *PLAIN]
    hypotheses = (Hypothesis("stated", "", priors={"total": None}), Hypothesis("fixed", "", fix={"total": 300.0}),
                  Hypothesis("other", "", priors={"total": TOTALS[2]}))  # fmt: skip
    readings = [reading("found", n, None) for n in (37, 214)]
    agree(spec(latents, [method("found", "total", "serial")], readings, hypotheses=hypotheses))


def test_serial_numbers_by_two_methods() -> None:
    """The total is above what either of them has read."""
    methods = [method("again", "total", "serial"), method("seen", "total", "serial")]
    readings = [reading("again", 812, None), reading("again", 8, None), reading("seen", 99, None)]
    agree(spec([latent("total", TOTALS[1]), *PLAIN], methods, readings))


# --- long tables ----------------------------------------------------------------------------------------------


LONG: dict[str, dict[str, Any]] = {
    "normal": {}, "student_t": {"family": "student_t", "nu": 5.0}, "lognormal": {"family": "lognormal"},
    "basis": {"basis": (Basis("gross", tree("1")), Basis("net", tree("0.95")))}, "graded": {"wrong": WRONG},
    "own u": {"u": "0.2 * x + 0.1"}, "scatter": {"u": "sqrt(u ** 2 + scatter ** 2)"}, "linear": {}, "several": {"offset": True},
}  # fmt: skip


@pytest.mark.parametrize("name", LONG)
def test_long_tables(name: str) -> None:
    """Rows of three members, with a shared error: condensed where many tell of one number only.

    Near what the rows tell, where the curve is, agreement is to its error of 1e-6 a segment; elsewhere it is exact.
    """
    rng, more = np.random.default_rng(9), dict(LONG[name])
    measures = "level * x" + (" + 0.1 * rate" if more.pop("offset", False) else "")
    gauge = method("gauge", measures, inputs="x", shared=Shared("origin", 0.02, True, "e"), **more)
    u = {"lognormal": lambda _: 0.1, "own u": lambda _: None}.get(name, lambda x: 0.5 * x)
    inexact = {"x": Inexact(u=0.02)} if name == "linear" else {}
    rows = [
        reading("gauge", float(5 * x * np.exp(rng.normal() * 0.1)), u(float(x)), f"row-{k}", inputs={"x": float(x)},
                at={"vehicle": "AAABBBC"[k % 7]}, origin=f"o{k % 2}", table="t", inexact=inexact,
                grade="B2" if name == "graded" else None)
        for k, x in enumerate(rng.uniform(1, 2, 250))
    ]  # fmt: skip
    twin = Twin(spec([latent("level", LEVEL, "vehicle"), *PLAIN[1:]], [gauge], [], rows=rows, members="ABC"))
    for power in ({}, {"row-3": 0.0, "row-8": 0.5}, {o.id: 0.5 for o in rows if o.at["vehicle"] == "A"}):
        dials = twin.density.dials("as_stated", power=power)
        for scale in (0.02, 0.1, 1.0):
            twin.check(scale * rng.normal(size=len(twin.density.free)), dials, absolute=6e-6)


# --- names and draws ------------------------------------------------------------------------------------------


def test_the_graph_has_the_names_and_dims_that_its_description_says() -> None:
    latents = [latent("level", prior("normal", {"mean": "level_mean", "sd": "1"}, mean=5, sd=1), "vehicle"),
               latent("level_mean", LEVEL), *PLAIN[1:]]  # fmt: skip
    methods = [method("gauge", "level * x", inputs="x", shared=Shared("origin", 0.1, True, "balance"), wrong=WRONG),
               method("pace", "rate", shared=Shared("vehicle", 0.1, True, "pace"))]  # fmt: skip
    at: dict[str, Any] = {"at": {"vehicle": "B"}}
    readings = [
        reading("gauge", 5, name="a", origin="lab", inputs={"x": 1.0}, inexact={"x": Inexact(u=0.1)}, **at),
        reading("gauge", 5, name="b", inputs={"x": 1.0}, **at), reading("pace", 2, name="c", **at),
        reading("gauge", 5, name="d", origin="lab", inputs={"x": 1.0}, grade="A2", **at),
    ]  # fmt: skip
    held = spec(latents, methods, readings, correlations=[Correlation(("a", "b"), 0.3)], members="AB")
    model = build(held)
    dims = {v.name: model.named_vars_to_dims.get(v.name, ()) for v in model.free_RVs}
    assert dims == {
        "level_mean": (), "level": ("vehicle",), "rate": (), "scatter": (), "balance_error": ("balance_origins",),
        "pace_error": ("pace_vehicle",), "gauge_x_error": ("gauge_x_uncertain",), "correlation_error": ("correlations",),
    }  # fmt: skip
    coords = {name: list(labels) for name, labels in model.coords.items() if labels is not None}
    assert coords["vehicle"] == ["A", "B"]
    assert coords["balance_origins"] == ["lab", "b alone"]
    assert coords["gauge_observations"] == ["a", "b"]
    assert coords["gauge_mixed_observations"] == ["d"]
    assert coords["sources"] == ["lab A"]
    assert [v.name for v in model.potentials] == ["sources_log_likelihood"]
    assert {"gauge_x", "gauge_x_u", "gauge_vehicle", "gauge_load", "sources_reliability"} <= {
        d.name for d in model.data_vars
    }
    assert {d.type.dtype for d in model.data_vars} == {"float64"}
    names = {f.name for f in free_variables(held)}
    assert {"level[A]", "shared balance lab", "input a x", "correlated a"} <= names


def test_counts_and_shares_can_be_drawn() -> None:
    """Whole numbers in their range, serial numbers each but once, shares between 0 and 1."""
    methods = [method("tally", "rate", "poisson"), method("trial", "share", "binomial", trials="g * z", inputs="z"),
               method("part", "share", "beta"), method("found", "total", "serial")]  # fmt: skip
    latents = [
        latent("total", prior("uniform", lower=20, upper=30)),
        latent("share", prior("beta", mean=0.3, sd=0.1)),
        *PLAIN,
    ]
    readings = [reading("tally", 2, None), reading("trial", 3, None, inputs={"z": 2.0}), reading("part", 0.3, 0.1),
                *(reading("found", n, None) for n in (2, 9, 17))]  # fmt: skip
    with build(spec(latents, methods, readings, givens=(Given("g", "", ONE, 3.0),))):
        drawn = pm.sample_prior_predictive(50, random_seed=1, compile_kwargs={"mode": Mode("py", "fast_run")})
    values = {name: v.values[0] for name, v in drawn["prior_predictive"].items()}
    assert (values["tally"] % 1 == 0).all()
    assert ((values["trial"] >= 0) & (values["trial"] <= 6)).all()
    assert ((values["part"] > 0) & (values["part"] < 1)).all()
    assert all(len(set(v)) == 3 for v in values["found"])
    assert ((values["found"] >= 1) & (values["found"] <= 30)).all()
