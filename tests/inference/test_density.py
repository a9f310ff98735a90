"""The flat density that is sampled against PyMC's graph of the same Spec, which shares no arithmetic with it."""

from __future__ import annotations

import functools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gaugeglass.inference.density import Density, compile_density
from gaugeglass.inference.kernel import emit
from gaugeglass.inference.layout import Layout
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import Spec
from inference.agreement import Twin

PRIORS: dict[str, dict[str, Any]] = {
    "n": {"family": "normal", "mean": 1, "sd": 2},
    "ln": {"family": "lognormal", "median": 5, "sigma": 0.3},
    "st": {"family": "student_t", "nu": 4, "mean": 0, "scale": 2},
    "hn": {"family": "half_normal", "sd": 2},
    "hs": {"family": "half_student_t", "nu": 3, "scale": 2},
    "ex": {"family": "exponential", "mean": 3},
    "ga": {"family": "gamma", "mean": 3, "sd": 1},
    "be": {"family": "beta", "mean": 0.1, "sd": 0.07},
    "un": {"family": "uniform", "lower": -1, "upper": 3},
    "lu": {"family": "log_uniform", "lower": 0.1, "upper": 30},
    "tr": {"family": "triangular", "lower": 0, "mode": 1, "upper": 4},
    "tn": {"family": "truncated_normal", "mean": 1, "sd": 2, "lower": 0, "upper": 3},
    "ta": {"family": "truncated_normal", "mean": 1, "sd": 2, "lower": 0},
    "tb": {"family": "truncated_normal", "mean": 3, "sd": 1, "upper": 4},
}

MODEL: dict[str, Any] = {
    "format": 1,
    "title": "Every family, likelihood, operation and kind of interval",
    "givens": {"g": {"about": "a count", "unit": "1"}},
    "latents": {name: {"about": name, "unit": "1", "prior": prior, "because": "a test"} for name, prior in PRIORS.items()},
    "relations": {
        "all": {"unit": "1", "equals": "n + ln - st + hn * hs / (1 + ex) + ga + be + un + lu + tr + tn + ta + tb"},
        "bent": {"unit": "1", "equals": "g * exp(-be) * sqrt(ln) + log(ga) + abs(n) + min(tr, tn) * max(ta, tb) + ex ** 2"},
        "either": {"unit": "1", "equals": "where(n > 0 and not tr < 1, n ** 2 * ga, hn / ga)"},
        "positive": {"unit": "1", "equals": "1 + ln * ga"},
        "turned": {"unit": "deg", "equals": "sin(n) * cos(g * be) + tan(be) + asin(be) * acos(be / 2) - atan(st)"},
    },
    "methods": {
        "normal": {"about": "x", "measures": "all + slope * bent", "likelihood": {"family": "normal"},
                   "inputs": {"slope": {"about": "x", "unit": "1"}}},
        "heavy": {"about": "x", "measures": "bent + either + turned", "likelihood": {"family": "student_t", "nu": 4}},
        "relative": {"about": "x", "measures": "positive", "likelihood": {"family": "lognormal"}},
        "scattered": {"about": "x", "measures": "all", "likelihood": {"family": "normal", "u": "sqrt(u ** 2 + hn ** 2)"}},
        "unstated": {"about": "x", "measures": "all", "likelihood": {"family": "normal", "u": "hs"}},
    },
    "hypotheses": {
        "stated": {"says": "as stated", "priors": {"be": "as stated", "ln": "as stated"}, "relations": {"either": "n + 1"}},
        "fixed": {"says": "be is fixed", "fix": {"be": 0.2}, "priors": {"ln": "as stated"}, "relations": {"either": "n * 2"}},
        "other": {"says": "another family", "priors": {"be": {"family": "beta", "mean": 0.3, "sd": 0.1},
                  "ln": {"family": "gamma", "mean": 4, "sd": 1}}, "relations": {"either": "n * 2"}},
    },
    "claims": {"c": {"says": "n is positive", "holds": "n > 0"}},
}  # fmt: skip

SHIPPED = Path(__file__).parents[2] / "observations"
FORMS = ({"value": 7, "u": 2}, {"value": "6 .. 8", "u": 2}, {"value": ">= 7", "u": 2}, {"value": "<= 7", "u": 2})


def _observations() -> list[dict[str, Any]]:
    found = []
    for method in MODEL["methods"]:
        for k, form in enumerate(FORMS):
            entry: dict[str, Any] = {"id": f"{method}-{k}", "method": method, **form}
            if method == "unstated":
                del entry["u"]
            if method == "relative":
                entry["u"] = "20 %" if k == 0 else 1.4
            if method == "normal":
                entry["inputs"] = {"slope": 0.5 * k}
            found.append(entry)
    return found


@functools.cache
def every_kind() -> Spec:
    return specify(
        MODEL,
        {
            "format": 1,
            "dossier": "d",
            "model": "m",
            "subject": "s",
            "givens": {"g": 3},
            "observations": _observations(),
        },
    )


@functools.cache
def compiled() -> Density:
    return compile_density(every_kind())


@pytest.mark.parametrize("hypothesis", ["stated", "fixed", "other"])
def test_gradient_agrees_with_differences(hypothesis: str) -> None:
    """Central differences of step 1e-6 are right to about 1e-9 of the value's scale."""
    density, rng = compiled(), np.random.default_rng(1)
    packed = density.pack(density.dials(hypothesis, stretch={"ga": 1.5, "be": 0.5}))
    for _ in range(5):
        x = rng.normal(size=len(density.free))
        value, gradient = density.log_density(x, packed)
        steps = 1e-6 * np.eye(len(x))
        moved = density.log_densities(np.concatenate([x + steps, x - steps]), packed)
        numeric = (moved[: len(x)] - moved[len(x) :]) / 2e-6
        assert math.isfinite(value)
        np.testing.assert_allclose(gradient, numeric, rtol=1e-5, atol=1e-5 * max(1, abs(value)) ** 0.5)


def test_equal_structures_give_one_source() -> None:
    """Other readings, uncertainties, givens and prior parameters are dials; another equation is not."""
    base = emit(Layout(every_kind()))
    dossier = {"format": 1, "dossier": "d", "model": "m", "subject": "s", "givens": {"g": 5},
               "observations": [{**o, "value": 9} if o["value"] == 7 else o for o in _observations()]}  # fmt: skip
    assert emit(Layout(specify(MODEL, dossier))) == base
    other = {**MODEL, "relations": {**MODEL["relations"], "positive": {"unit": "1", "equals": "2 + ln * ga"}}}
    assert emit(Layout(specify(other, dossier))) != base


def test_power_0_leaves_a_reading_out() -> None:
    density = compiled()
    without = tuple(o for o in density.spec.dossier.observations if o.id != "heavy-0")
    x = np.random.default_rng(2).normal(size=len(density.free))
    off, _ = density.log_density(x, density.pack(density.dials("stated", power={"heavy-0": 0.0})))
    reduced = density.with_observations(without)
    left, _ = reduced.log_density(x, reduced.pack(reduced.dials("stated")))
    assert off == pytest.approx(left, rel=1e-14)


def test_log_prior_of_each_coordinate_adds_up_to_the_density_without_readings() -> None:
    density = compiled()
    off = {o.id: 0.0 for o in density.spec.evidence}
    for hypothesis in ("stated", "fixed", "other"):
        x = np.random.default_rng(3).normal(size=len(density.free))
        value, _ = density.log_density(x, density.pack(density.dials(hypothesis, power=off)))
        parts = sum(float(density.log_prior(x[k], free, hypothesis)) for k, free in enumerate(density.free))
        assert value == pytest.approx(parts, rel=1e-12)


@pytest.mark.parametrize(
    "name",
    [
        "every kind",
        pytest.param("heron-35", marks=pytest.mark.slow),
        pytest.param("gravitation", marks=pytest.mark.slow),
    ],
)
def test_value_and_gradient_agree_with_the_pymc_model(name: str) -> None:
    """The same log density and gradient at random points of prior and posterior under every hypothesis.

    Every mechanism by itself, and those that meet, are compared in ``test_agreement``.
    """
    twin = Twin(every_kind() if name == "every kind" else load(SHIPPED / f"{name}.yaml"))
    rng = np.random.default_rng(4)
    for hypothesis in twin.spec.hypotheses:
        dials = twin.density.dials(hypothesis.name)
        near = fit(twin.density, dials, Settings(seed=5, draws=20, tune=400, chains=2), strict=False).x
        for x in (near[0, 0], near[1, 9], rng.normal(size=len(twin.density.free))):
            twin.check(x, dials)
