"""The PyMC model of a Spec against a density written here from the Spec's meaning with SciPy alone."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt
import pytest
from pytensor.compile.mode import Mode
from scipy import special, stats

from gaugeglass.inference.graph import OPERATIONS, build, free_variables, log_between, log_normal_cdf, log_student_cdf
from gaugeglass.language import expressions
from gaugeglass.language.expressions import lower_value
from gaugeglass.language.families import FAMILIES, Prior, make_prior
from gaugeglass.language.spec import (
    Dossier,
    Given,
    Hypothesis,
    Input,
    Latent,
    Likelihood,
    Method,
    Model,
    Observation,
    Relation,
    Spec,
    Withdrawal,
)
from gaugeglass.language.units import Unit, parse_unit

# Compiling to machine code takes a minute; interpreted, the same graph takes a second to prepare. Long sums stay
# unmerged because an interpreted sum has at most 32 terms.
INTERPRETED = Mode("py", "fast_run").excluding("fusion", "inplace", "local_add_canonizer")
UNSIMPLIFIED = Mode("py", "merge")

ONE, PERCENT, WH, KWH = (parse_unit(u) for u in ("1", "%", "Wh", "kWh"))
INF = math.inf

UNITS: dict[str, Unit] = {
    "cells": ONE, "energy": WH, "ratio": ONE, "held": ONE, "loss": PERCENT, "buffer": PERCENT, "shift": ONE,
    "heavy": ONE, "half": ONE, "half_heavy": ONE, "waiting": ONE, "shape": ONE, "share": ONE, "flat": ONE,
    "decades": ONE, "peak": ONE, "cut": ONE, "cut_below": ONE, "cut_above": ONE, "gross": KWH, "usable": KWH,
    "blend": ONE, "logic": ONE, "soc": PERCENT,
}  # fmt: skip

PRIORS: dict[str, Prior] = {
    "energy": make_prior("lognormal", {"median": 200, "sigma": 0.1}),
    "ratio": make_prior("normal", {"mean": 1, "sd": 0.02}),
    "held": make_prior("beta", {"mean": 0.1, "sd": 0.07}),
    "loss": make_prior("beta", {"mean": 6, "sd": 2}, one=100),
    "buffer": make_prior("beta", {"alpha": 3, "beta": 40}, one=100),
    "shift": make_prior("normal", {"mean": 3, "sd": 2}),
    "heavy": make_prior("student_t", {"nu": 4, "mean": -1, "scale": 2}),
    "half": make_prior("half_normal", {"sd": 0.5}),
    "half_heavy": make_prior("half_student_t", {"nu": 3, "scale": 1.5}),
    "waiting": make_prior("exponential", {"mean": 2}),
    "shape": make_prior("gamma", {"mean": 3, "sd": 1}),
    "share": make_prior("beta", {"alpha": 2, "beta": 5}),
    "flat": make_prior("uniform", {"lower": -1, "upper": 4}),
    "decades": make_prior("log_uniform", {"lower": 0.1, "upper": 30}),
    "peak": make_prior("triangular", {"lower": 1, "mode": 2, "upper": 5}),
    "cut": make_prior("truncated_normal", {"mean": 1, "sd": 2, "lower": 2, "upper": 7}),
    "cut_below": make_prior("truncated_normal", {"mean": 1, "sd": 2, "lower": 0.5}),
    "cut_above": make_prior("truncated_normal", {"mean": 3, "sd": 1, "upper": 2}),
}
SECOND = {
    "ratio": make_prior("lognormal", {"median": 1.05, "sigma": 0.03}),
    "shift": make_prior("normal", {"mean": 5, "sd": 1}),
    "peak": make_prior("triangular", {"lower": 0, "mode": 3, "upper": 4}),
    "cut": make_prior("truncated_normal", {"mean": 9, "sd": 1, "lower": 2, "upper": 7}),
}
THIRD = SECOND | {"ratio": make_prior("normal", {"mean": 1.1, "sd": 0.05})}

SUMMED = list(PRIORS)[5:]
BLEND = " + ".join(SUMMED)
LOGIC = (
    "where(shift > 2 and not heavy >= 1 or flat == 7, min(half, share, 0.2), max(-heavy, abs(flat) ** 1.5))"
    " + where(cut <= 3 or peak != 2 and share < 0.5, sqrt(waiting), exp(-shape) / (1 + log(1 + decades)))"
)


def _value(text: str, unit: Unit, **more: Unit) -> expressions.Node:
    return lower_value(text, UNITS | more, unit)


def _method(name: str, measures: str, unit: Unit, likelihood: Likelihood, *inputs: str) -> Method:
    entries = tuple(Input(i, "", UNITS[i]) for i in inputs)
    return Method(name, "", unit, _value(measures, unit), measures, likelihood, entries)


def _model() -> Model:
    usable = "gross * (1 - held) * (1 - loss) * (1 - buffer)"
    relations = {"gross": "cells * energy", "usable": usable, "blend": BLEND, "logic": LOGIC}
    same = dict.fromkeys(SECOND)
    by_shape = _value("0.1 * shape * soc", ONE)
    return Model(
        "m", "m.yaml", "A model with every family",
        givens=(Given("cells", "", ONE, 400.0),),
        latents=tuple(Latent(n, "", UNITS[n], p) for n, p in PRIORS.items()),
        relations=tuple(Relation(n, "", UNITS[n], _value(t, UNITS[n]), t) for n, t in relations.items()),
        methods=(
            _method("bench", "energy * ratio", WH, Likelihood("normal")),
            _method("charge", "usable * soc", KWH, Likelihood("student_t", nu=4), "soc"),
            _method("rating", "usable * (1 + logic / 100)", KWH, Likelihood("lognormal")),
            _method("scatter", "blend", ONE, Likelihood("normal", u=_value("sqrt(u ** 2 + half ** 2)", ONE, u=ONE))),
            _method("spread", "blend * soc", ONE, Likelihood("student_t", nu=9, u=by_shape), "soc"),
            _method("relative", "decades", ONE, Likelihood("lognormal", u=_value("u + share / 2", ONE, u=ONE))),
            _method("unused", "shift", ONE, Likelihood("normal")),
        ),
        hypotheses=(
            Hypothesis("first", "", 1, {"held": 0.0, "loss": 5.0}, same),
            Hypothesis("second", "", 1, {"held": 0.02}, SECOND, {"usable": _value("gross * (1 - loss)", KWH)}),
            Hypothesis("third", "", 1, {}, THIRD),
        ),
    )  # fmt: skip


def _observations() -> Iterator[Observation]:
    """For each method two points, an interval, a bound from below and one from above."""
    rows = (("bench", 205, 4, 2.0), ("charge", 40, 1, 0.8), ("rating", 70, 2, 0.03),
            ("scatter", 20, 1, 1.5), ("spread", 14, 1, None), ("relative", 3, 1, 0.2))  # fmt: skip
    for method, middle, width, u in rows:
        inputs = {"charge": {"soc": 60.0}, "spread": {"soc": 75.0}}.get(method, {})
        shapes = {"point": (middle, middle), "again": (middle + width, middle + width),
                  "interval": (middle, middle + width), "above": (middle, INF), "below": (-INF, middle)}  # fmt: skip
        for shape, (lower, upper) in shapes.items():
            own = {name: value + len(shape) for name, value in inputs.items()}
            shown = lower if math.isfinite(lower) else upper
            yield Observation(f"{method}-{shape}", method, "", float(shown), float(lower), float(upper), u, own)


@pytest.fixture(scope="module")
def spec() -> Spec:
    gone = Observation("gone", "bench", "", 1.0, 1.0, 1.0, 1.0, withdrawn=Withdrawal("2026-01-02", "mistaken"))
    return Spec(_model(), Dossier("d", "d.yaml", "s", observations=(*_observations(), gone)))


# --- the same density by SciPy ------------------------------------------------------------------------------


def _frozen(prior: Prior) -> Any:
    p = prior.values
    a, b = ((p.get(n, s * INF) - p.get("mean", 0)) / p.get("sd", 1) for n, s in (("lower", -1), ("upper", 1)))
    lower, width = p.get("lower", 0.0), p.get("upper", 0.0) - p.get("lower", 0.0)
    return {
        "normal": lambda: stats.norm(p["mean"], p["sd"]),
        "lognormal": lambda: stats.lognorm(p["sigma"], scale=math.exp(p["mu"])),
        "student_t": lambda: stats.t(p["nu"], p["mean"], p["scale"]),
        "half_normal": lambda: stats.halfnorm(scale=p["sd"]),
        "half_student_t": lambda: stats.t(p["nu"], 0, p["scale"]),
        "exponential": lambda: stats.expon(scale=p["mean"]),
        "gamma": lambda: stats.gamma(p["shape"], scale=1 / p["rate"]),
        "beta": lambda: stats.beta(p["alpha"], p["beta"], scale=p["upper"]),
        "uniform": lambda: stats.uniform(lower, width),
        "log_uniform": lambda: stats.loguniform(p["lower"], p["upper"]),
        "triangular": lambda: stats.triang((p["mode"] - lower) / width, lower, width),
        "truncated_normal": lambda: stats.truncnorm(a, b, p["mean"], p["sd"]),
        "truncated_normal_above": lambda: stats.truncnorm(a, b, p["mean"], p["sd"]),
        "truncated_normal_below": lambda: stats.truncnorm(a, b, p["mean"], p["sd"]),
    }[prior.family]()


def _t_and_log_slope(prior: Prior, v: float) -> tuple[float, float]:
    """The unconstrained value and log |dv/dt|."""
    p = prior.values
    match prior.family:
        case "normal" | "student_t":
            return v, 0.0
        case "truncated_normal_below":
            return math.log(p["upper"] - v), math.log(p["upper"] - v)
        case "lognormal" | "half_normal" | "half_student_t" | "exponential" | "gamma" | "truncated_normal_above":
            above = v - p.get("lower", 0.0)
            return math.log(above), math.log(above)
        case _:
            share = (v - p["lower"]) / (p["upper"] - p["lower"])
            return float(special.logit(share)), math.log(share * (1 - share) * (p["upper"] - p["lower"]))


def _log_prior(prior: Prior, v: float) -> float:
    twice = math.log(2) if prior.family == "half_student_t" else 0.0
    return float(_frozen(prior).logpdf(v)) + twice + _t_and_log_slope(prior, v)[1]


def _prior_of(latent: str, family: str, hypothesis: int) -> Prior:
    """The prior of a free variable: the hypothesis's, else the first of its family."""
    all_three = [PRIORS[latent], SECOND.get(latent, PRIORS[latent]), THIRD.get(latent, PRIORS[latent])]
    return next(p for p in (all_three[hypothesis], *all_three) if p.family == family)


def _quantities(free: Mapping[tuple[str, str], float], hypothesis: int) -> dict[str, float]:
    q: dict[str, float] = {"cells": 400.0}
    for latent, stated in PRIORS.items():
        prior = SECOND.get(latent, stated) if hypothesis == 1 else stated
        q[latent] = free[latent, prior.family]
    q |= ({"held": 0.0, "loss": 5.0}, {"held": 0.02}, {})[hypothesis]
    q["gross"] = q["cells"] * q["energy"] / 1000
    q["usable"] = q["gross"] * (1 - q["loss"] / 100)
    if hypothesis != 1:
        q["usable"] *= (1 - q["held"]) * (1 - q["buffer"] / 100)
    q["blend"] = sum(q[name] for name in SUMMED)
    is_first = q["shift"] > 2 and q["heavy"] < 1
    first = min(q["half"], q["share"], 0.2) if is_first else max(-q["heavy"], abs(q["flat"]) ** 1.5)
    is_second = q["cut"] <= 3 or (q["peak"] != 2 and q["share"] < 0.5)
    second = math.sqrt(q["waiting"]) if is_second else math.exp(-q["shape"]) / (1 + math.log(1 + q["decades"]))
    q["logic"] = first + second
    return q


def _reading(o: Observation, q: Mapping[str, float]) -> Any:
    """How a reading by a method is distributed, before anything is rounded or cut."""
    soc, u = o.inputs.get("soc", 0) / 100, o.u or math.nan
    match o.method:
        case "bench":
            return stats.norm(q["energy"] * q["ratio"], u)
        case "charge":
            return stats.t(4, q["usable"] * soc, u)
        case "rating":
            return stats.lognorm(u, scale=q["usable"] * (1 + q["logic"] / 100))
        case "scatter":
            return stats.norm(q["blend"], math.hypot(u, q["half"]))
        case "spread":
            return stats.t(9, q["blend"] * soc, 0.1 * q["shape"] * soc)
        case "relative":
            return stats.lognorm(u + q["share"] / 2, scale=q["decades"])
    raise AssertionError(o.method)


def _log_likelihood(o: Observation, q: Mapping[str, float]) -> float:
    reading = _reading(o, q)
    if o.is_point:
        return float(reading.logpdf(o.value))
    if not math.isfinite(o.upper):
        return float(reading.logsf(o.lower))
    if not math.isfinite(o.lower):
        return float(reading.logcdf(o.upper))
    if o.lower > reading.median():
        return math.log(reading.sf(o.lower) - reading.sf(o.upper))
    return math.log(reading.cdf(o.upper) - reading.cdf(o.lower))


# --- the two compared ---------------------------------------------------------------------------------------

type Point = dict[tuple[str, str], float]


def _draw(rng: np.random.Generator, spec: Spec, hypothesis: int) -> Point:
    point = {}
    for free in free_variables(spec):
        prior = _prior_of(free.latent, free.family, hypothesis)
        v = float(_frozen(prior).ppf(rng.uniform(0.02, 0.98)))
        point[free.latent, free.family] = abs(v) if prior.family == "half_student_t" else v
    return point


@dataclasses.dataclass
class Graph:
    """A model, and each variable's log density at a point of its value variables."""

    model: pm.Model
    spec: Spec
    terms: Callable[[dict[str, float]], list[Any]]

    def values(self, point: Point, hypothesis: int) -> dict[str, float]:
        t = {f.name: _t_and_log_slope(_prior_of(f.latent, f.family, hypothesis), point[f.latent, f.family])[0]
             for f in free_variables(self.spec)}  # fmt: skip
        return {self.model.rvs_to_values[self.model[name]].name: value for name, value in t.items()}

    def log_densities(self, point: Point, hypothesis: int) -> dict[str, Any]:
        found = self.terms(self.values(point, hypothesis))
        return dict(zip((v.name for v in self.model.basic_RVs), found, strict=True))


@pytest.fixture(scope="module")
def graph(spec: Spec) -> Graph:
    model = build(spec)
    terms = model.compile_fn(model.logp(vars=model.basic_RVs, sum=False), inputs=model.value_vars, mode=INTERPRETED)
    return Graph(model, spec, terms)


@pytest.fixture(autouse=True)
def _as_built(graph: Graph) -> Iterator[None]:
    before = {d.name: d.get_value() for d in graph.model.data_vars}
    coords = dict(graph.model.coords)
    yield
    for name, value in before.items():
        dims = graph.model.named_vars_to_dims.get(name, ())
        graph.model.set_data(name, value, coords={d: coords[d] for d in dims if d != "hypotheses"})


def test_every_family_and_operation_is_there(spec: Spec) -> None:
    assert {f.family for f in free_variables(spec)} == set(FAMILIES)
    assert set(OPERATIONS) == set(expressions.OPERATIONS)


def test_free_variables_come_in_order_and_say_what_they_are(spec: Spec) -> None:
    rows = [(f.name, f.latent, f.family) for f in free_variables(spec)]
    assert rows[:6] == [
        ("energy", "energy", "lognormal"),
        ("ratio_normal", "ratio", "normal"),
        ("ratio_lognormal", "ratio", "lognormal"),
        ("held_free", "held", "beta"),
        ("loss_share", "loss", "beta"),
        ("buffer_share", "buffer", "beta"),
    ]
    assert [latent for _, latent, _ in rows[6:]] == list(PRIORS)[5:]


SINGLE = {"half_student_t": 3e-9} | dict.fromkeys((f for f in FAMILIES if f.startswith("truncated_normal")), 1e-6)
"""What PyMC's normaliser of a family may be off by, because it takes log 2 and the root of 2 in single precision."""


@pytest.mark.parametrize("hypothesis", [0, 1, 2])
def test_priors_agree_with_scipy(graph: Graph, hypothesis: int) -> None:
    """Each free variable, as a density of t, at five points of its prior.

    Tolerance 1e-9 relative: what rounding leaves of sums of some ten terms, with room for SciPy's own. Where the
    normaliser is in single precision, the same for the differences between points.
    """
    graph.model.set_data("hypothesis", hypothesis)
    rng = np.random.default_rng(1)
    points = [_draw(rng, graph.spec, hypothesis) for _ in range(5)]
    found = [graph.log_densities(p, hypothesis) for p in points]
    for free in free_variables(graph.spec):
        prior = _prior_of(free.latent, free.family, hypothesis)
        wanted = np.array([_log_prior(prior, p[free.latent, free.family]) for p in points])
        off = np.array([f[free.name] for f in found]) - wanted
        assert off == pytest.approx(np.full(5, off[0]), abs=1e-9 * max(1, abs(wanted).max())), free
        assert abs(off[0]) <= SINGLE.get(free.family, 1e-9 * max(1, abs(wanted).max())), free


@pytest.mark.parametrize("hypothesis", [0, 1, 2])
def test_observations_agree_with_scipy(graph: Graph, hypothesis: int) -> None:
    """Each observation of each method and shape, the withdrawn one left out, at five points of the prior."""
    graph.model.set_data("hypothesis", hypothesis)
    rng = np.random.default_rng(2)
    for _ in range(5):
        point = _draw(rng, graph.spec, hypothesis)
        found = _by_observation(graph, graph.log_densities(point, hypothesis))
        q = _quantities(point, hypothesis)
        assert list(found) == [o.id for o in graph.spec.evidence]
        for o in graph.spec.evidence:
            assert found[o.id] == pytest.approx(_log_likelihood(o, q), rel=1e-9, abs=1e-11), o.id


def _by_observation(graph: Graph, found: Mapping[str, Any]) -> dict[str, float]:
    values = {}
    for variable in graph.model.observed_RVs:
        (dim,) = graph.model.named_vars_to_dims[variable.name]
        values |= dict(zip(graph.model.coords[dim], found[variable.name], strict=True))
    return values


@pytest.mark.slow
def test_gradient_agrees_with_differences(graph: Graph) -> None:
    """The whole log density, under each hypothesis, by central differences over t of the density written here.

    Tolerance 1e-5 of the largest component: a step of 1e-5 leaves some 1e-10 of truncation and 1e-9 of rounding.
    """
    inputs = graph.model.value_vars
    # PyMC's own dlogp walks the graph once a variable, this once; simplifying takes ten times as long as is won here.
    gradient = graph.model.compile_fn(pytensor.grad(graph.model.logp(), inputs), inputs=inputs, mode=UNSIMPLIFIED)
    names = [v.name for v in inputs]
    for hypothesis in range(3):
        graph.model.set_data("hypothesis", hypothesis)
        point = _draw(np.random.default_rng(3), graph.spec, hypothesis)
        values = graph.values(point, hypothesis)
        found = dict(zip(names, gradient(values), strict=True))
        wanted = {}
        for free in free_variables(graph.spec):
            prior, key = _prior_of(free.latent, free.family, hypothesis), (free.latent, free.family)
            t = _t_and_log_slope(prior, point[key])[0]
            up, down = ({**point, key: float(prior.constrained(t + s))} for s in (1e-5, -1e-5))
            rise = _log_density(graph.spec, up, hypothesis) - _log_density(graph.spec, down, hypothesis)
            wanted[graph.model.rvs_to_values[graph.model[free.name]].name] = rise / 2e-5
        scale = max(abs(g) for g in wanted.values())
        assert found == pytest.approx(wanted, abs=1e-5 * scale)


def _log_density(spec: Spec, point: Point, hypothesis: int) -> float:
    q = _quantities(point, hypothesis)
    priors = (_log_prior(_prior_of(latent, family, hypothesis), v) for (latent, family), v in point.items())
    return sum(priors) + sum(_log_likelihood(o, q) for o in spec.evidence)


def test_quantities_are_those_of_the_hypothesis(graph: Graph) -> None:
    """Every latent and relation by its own name; fixed, replaced and as stated."""
    model = graph.model
    outputs = [model[name] for name in model_quantities(graph.spec)]
    by_value = model.replace_rvs_by_values(outputs)
    evaluate = model.compile_fn(by_value, inputs=model.value_vars, mode=INTERPRETED, point_fn=True)
    for hypothesis in range(3):
        model.set_data("hypothesis", hypothesis)
        point = _draw(np.random.default_rng(4), graph.spec, hypothesis)
        found = evaluate(graph.values(point, hypothesis))
        wanted = _quantities(point, hypothesis)
        for name, value in zip(model_quantities(graph.spec), found, strict=True):
            assert value == pytest.approx(wanted[name], rel=1e-12), name


def model_quantities(spec: Spec) -> list[str]:
    return [q.name for q in (*spec.model.latents, *spec.model.relations)]


# --- dials --------------------------------------------------------------------------------------------------


def test_a_power_multiplies_and_0_leaves_out_even_what_is_impossible(graph: Graph) -> None:
    point = _draw(np.random.default_rng(5), graph.spec, 0)
    whole = graph.log_densities(point, 0)["bench"]
    graph.model.set_data("bench_power", np.array([0.25, 0.0]))
    graph.model.set_data("bench_value", np.array([205.0, 1e300]))
    assert graph.log_densities(point, 0)["bench"] == pytest.approx([whole[0] / 4, 0.0], rel=1e-12)


def test_prior_parameters_are_dials(graph: Graph) -> None:
    point = _draw(np.random.default_rng(6), graph.spec, 0)
    graph.model.set_data("shift_mean", np.array([7.0, 0.0, 0.0]))
    wanted = stats.norm(7, 2).logpdf(point["shift", "normal"])
    assert graph.log_densities(point, 0)["shift"] == pytest.approx(wanted, rel=1e-12)


def test_one_more_observation_is_data(graph: Graph) -> None:
    point = _draw(np.random.default_rng(7), graph.spec, 0)
    before = graph.log_densities(point, 0)["charge"]
    ids = ["charge-point", "charge-again", "charge-new"]
    for dial, value in (("value", 40.0), ("u", 0.8), ("power", 1.0), ("soc", 65.0)):
        old = graph.model[f"charge_{dial}"].get_value()
        graph.model.set_data(f"charge_{dial}", np.append(old, value), coords={"charge_observations": ids})
    after = graph.log_densities(point, 0)["charge"]
    assert after[:2] == pytest.approx(before, rel=1e-14)
    assert after[2] == pytest.approx(after[0], rel=1e-14)


def test_every_dial_is_float64(graph: Graph) -> None:
    assert {d.type.dtype for d in graph.model.data_vars} == {"float64"}


def test_readings_can_be_drawn(graph: Graph) -> None:
    """The prior predictive draw of every observed variable, against the truth that was drawn with it.

    Over 200 draws the readings' standardised residuals have mean 0 within 4 / sqrt(200) = 0.28 standard errors.
    """
    with graph.model:
        names = ["energy", "ratio", *(v.name for v in graph.model.observed_RVs)]
        drawn = pm.sample_prior_predictive(200, var_names=names, random_seed=8, compile_kwargs={"mode": INTERPRETED})
    truth = (drawn["prior"]["energy"] * drawn["prior"]["ratio"]).values[0]
    readings = drawn["prior_predictive"]["bench"].values[0]
    assert readings.shape == (200, 2)
    residuals = (readings - truth[:, None]) / 2.0
    assert abs(residuals.mean(axis=0)).max() < 4 / math.sqrt(200)
    assert residuals.std() == pytest.approx(1, abs=4 / math.sqrt(2 * 400))
    assert all(np.isfinite(v.values).all() for v in drawn["prior_predictive"].values())


# --- names and refusals -------------------------------------------------------------------------------------


def test_names_made_up_here_give_way_to_the_user_s() -> None:
    latents = tuple(Latent(n, "", ONE, PRIORS["shift"]) for n in ("hypothesis", "x", "x_mean", "x_free", "hypotheses"))
    methods = (_named("x"), _named("y"), _named("y_value"))
    held = (Hypothesis("a", "", fix={"x": 1.0}), Hypothesis("b", "", priors={"x": None}))
    model = Model("m", "m.yaml", "Clashes", latents=latents, methods=methods, hypotheses=held)
    seen = tuple(Observation(f"o-{m.name}", m.name, "", 1.0, 1.0, 1.0, 0.5) for m in methods)
    spec = Spec(model, Dossier("d", "d.yaml", "s", observations=seen))
    built = build(spec)
    assert [f.name for f in free_variables(spec)] == ["hypothesis", "x_free_", "x_mean", "x_free", "hypotheses"]
    assert [v.name for v in built.free_RVs] == [f.name for f in free_variables(spec)]
    assert [v.name for v in built.observed_RVs] == ["x_", "y", "y_value"]
    assert {"hypothesis_", "x_mean_", "y_value_"} <= {d.name for d in built.data_vars}


def _named(name: str) -> Method:
    return Method(name, "", ONE, expressions.Ref("x_mean"), "x_mean", Likelihood("normal"))


def test_a_model_without_rivals_is_one_hypothesis() -> None:
    model = Model("m", "m.yaml", "One", latents=(Latent("x", "", ONE, PRIORS["shift"]),))
    built = build(Spec(model, Dossier("d", "d.yaml", "s")))
    assert built.coords == {"hypotheses": ("as_stated",)}
    assert [v.name for v in built.free_RVs] == ["x"]


# --- intervals in the tails ---------------------------------------------------------------------------------

DISTANCES = [0.0, 0.5, 1.0, 3.0, 30.0, 1e3, 1e4]
"""How far the nearer bound is from the prediction, in u."""


def _between(log_cdf: Any, mode: Mode) -> Callable[..., list[Any]]:
    """The log probability of an interval about centre 0 at u = 1, and its gradient over centre and u."""
    lower, upper, centre, u = (pt.dscalar(n) for n in ("lower", "upper", "centre", "u"))
    value = log_between(lower, upper, centre, u, log_cdf)
    outputs = [value, *pytensor.grad(value, [centre, u])]
    compiled = pytensor.function([lower, upper, centre, u], outputs, mode=mode)
    return lambda a, b: compiled(a, b, 0.0, 1.0)  # type: ignore[no-any-return]


@pytest.fixture(scope="module", params=[INTERPRETED, UNSIMPLIFIED], ids=["simplified", "as written"])
def normal_between(request: pytest.FixtureRequest) -> Callable[..., list[Any]]:
    return _between(log_normal_cdf, request.param)


@pytest.fixture(scope="module", params=[INTERPRETED, UNSIMPLIFIED], ids=["simplified", "as written"])
def student_between(request: pytest.FixtureRequest) -> Callable[..., list[Any]]:
    return _between(lambda z: log_student_cdf(z, 4.0), request.param)


def _wanted(near: float, far: float, log_between: float, log_pdf: Callable[[float], float]) -> list[float]:
    """Log probability and its slopes over centre and u, from the density at both bounds."""
    at_near, at_far = (math.exp(log_pdf(z) - log_between) if math.isfinite(z) else 0.0 for z in (near, far))
    steep = near * at_near - (far * at_far if math.isfinite(far) else 0.0)
    return [log_between, at_far - at_near, -steep]


def _check(between: Any, near: float, far: float, wanted: list[float]) -> None:
    """An interval from ``far`` up to ``near`` and its mirror image.

    Tolerances: 1e-9 relative for the value; for the slopes 1e-6 of their two terms, which nearly cancel far out.
    """
    value, centre, u = wanted
    loose = 1e-6 * max(1.0, abs(centre), abs(u))
    for ends, sign in (((far, near), 1), ((-near, -far), -1)):
        found, *slopes = between(*ends)
        assert found == pytest.approx(value, rel=1e-9)
        assert slopes == pytest.approx([sign * centre, u], abs=loose)


@pytest.mark.parametrize("z", DISTANCES)
def test_normal_intervals_keep_their_digits_in_the_tails(normal_between: Any, z: float) -> None:
    """Against SciPy's log_ndtr: 0.8 u wide on one side of the prediction, and one-sided on either."""
    near, far = -z, -z - 0.8
    log_near, log_far = special.log_ndtr(near), special.log_ndtr(far)
    inside = float(log_near + np.log1p(-np.exp(log_far - log_near)))
    _check(normal_between, near, far, _wanted(near, far, inside, stats.norm.logpdf))
    _check(normal_between, near, -INF, _wanted(near, -INF, float(log_near), stats.norm.logpdf))
    _check(normal_between, z, -INF, _wanted(z, -INF, float(special.log_ndtr(z)), stats.norm.logpdf))


@pytest.mark.parametrize("z", DISTANCES)
def test_student_intervals_keep_their_digits_in_the_tails(student_between: Any, z: float) -> None:
    """Against the closed form of the distribution function at nu = 4, in 120 decimal digits; shapes as above."""
    near, far = -z, -z - 0.8
    log_pdf = stats.t(4).logpdf
    inside = _log(lambda: _student_4(near) - _student_4(far))
    _check(student_between, near, far, _wanted(near, far, inside, log_pdf))
    _check(student_between, near, -INF, _wanted(near, -INF, _log(lambda: _student_4(near)), log_pdf))
    _check(student_between, z, -INF, _wanted(z, -INF, _log(lambda: _student_4(z)), log_pdf))


def _student_4(t: float) -> Decimal:
    """F(t) = 1/2 + 3/8 s (1 - s**2 / 12) with s = t / sqrt(1 + t**2 / 4)."""
    x = Decimal(t)
    s = x / (1 + x * x / 4).sqrt()
    return Decimal("0.5") + Decimal(3) / 8 * s * (1 - s * s / 12)


def _log(probability: Callable[[], Decimal]) -> float:
    with localcontext(prec=120):
        return float(probability().ln())


def test_student_tails_do_not_underflow_at_many_degrees_of_freedom() -> None:
    """At nu = 150 and 1e6 u the probability is below the least double; its log is finite.

    The leading term of the tail is (nu/2) log(nu / t**2) - log(nu) - log B(nu/2, 1/2); the next is 1e-8 of it.
    """
    z = pt.dscalar("z")
    log_cdf = pytensor.function([z], log_student_cdf(z, 150.0), mode=INTERPRETED)
    wanted = 75 * math.log(150 / 1e12) - math.log(150) - float(special.betaln(75, 0.5))
    assert wanted < math.log(5e-324)
    assert log_cdf(-1e6) == pytest.approx(wanted, rel=1e-9)
