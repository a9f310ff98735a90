"""Resistance, reactance and impedance from five sets of simultaneous readings, whose errors are correlated."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gaugeglass.inference.density import Quantities
from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, quantile_of, sd_of

SOURCE = "JCGM 100:2008, H.2"
READINGS = np.array(
    [
        (5.007, 19.663, 1.0456),
        (4.994, 19.639, 1.0438),
        (5.005, 19.640, 1.0468),
        (4.990, 19.685, 1.0428),
        (4.999, 19.678, 1.0433),
    ]
)
"""Voltage [V], current [mA] and phase [rad] of five sets (JCGM 100:2008, table H.2)."""
PUBLISHED = {"resistance": (127.732, 0.071), "reactance": (219.847, 0.295), "impedance": (254.260, 0.236)}
"""Value and combined standard uncertainty [Ω] (table H.3)."""
CORRELATIONS = {
    ("resistance", "reactance"): -0.588,
    ("resistance", "impedance"): -0.485,
    ("reactance", "impedance"): 0.993,
}
"""Of the results [1] (table H.3)."""
UNCORRELATED = {"resistance": 0.195, "reactance": 0.201, "impedance": 0.204}
"""Combined standard uncertainty where the correlations of the readings are ignored [Ω] (H.2.4)."""
HALF_DIGIT = 0.0005
NAMES, UNITS = ("voltage", "current", "phase"), ("V", "mA", "rad")
MEANS = READINGS.mean(axis=0).tolist()


def model(latents: dict[str, Any], relations: dict[str, Any], methods: dict[str, Any]) -> dict[str, Any]:
    """Three results from voltage, current and phase. The language has no cosine, so that both are series about the mean phase.

    Four terms leave out less than 1e-13 at a phase five standard uncertainties away.
    """
    sine, cosine, turn = math.sin(MEANS[2]), math.cos(MEANS[2]), f"(phase / (1 rad) - {MEANS[2]!r})"
    equals = {
        "cosine": f"{cosine!r} - {sine!r} * {turn} - {cosine / 2!r} * {turn}**2 + {sine / 6!r} * {turn}**3",
        "sine": f"{sine!r} + {cosine!r} * {turn} - {sine / 2!r} * {turn}**2 - {cosine / 6!r} * {turn}**3",
        "resistance": "voltage / current * cosine",
        "reactance": "voltage / current * sine",
        "impedance": "voltage / current",
    }
    results = {
        name: {"about": name, "unit": "ohm" if name in PUBLISHED else "1", "equals": text, "source": SOURCE}
        for name, text in equals.items()
    }
    return {
        "title": "Impedance of an element",
        "latents": latents,
        "relations": {**relations, **results},
        "methods": methods,
    }


def latent(unit: str, **prior: Any) -> dict[str, Any]:
    return {"about": "A part", "unit": unit, "prior": prior, "because": SOURCE}


UNUSED = {"reading": {"about": "Unused", "measures": "impedance", "likelihood": {"family": "normal"}}}


@cache
def correlated() -> Quantities:
    """The means, moved by three independent parts as the covariance of the five sets has them."""
    root = np.linalg.cholesky(np.cov(READINGS, rowvar=False) / len(READINGS))
    parts = {f"part_{k}": latent("1", family="normal", mean=0, sd=1) for k in range(3)}
    relations = {}
    for name, unit, mean, row in zip(NAMES, UNITS, MEANS, root, strict=True):
        moved = " + ".join(f"({a!r}) * part_{k}" for k, a in enumerate(row.tolist()))
        relations[name] = {"about": name, "unit": unit, "equals": f"({mean!r} + {moved}) * (1 {unit})"}
    found = infer(specify(model(parts, relations, UNUSED), {"dossier": "element", "subject": "An element"}), seed=1)
    return found.fits["as_stated"].quantities


def correlation_of(a: np.ndarray, b: np.ndarray) -> Estimate:
    """Correlation of draws, by how far they lie from the nearer diagonal, each in its own standard deviations."""
    a, b = ((v - v.mean()) / v.std() for v in (a, b))
    sign = np.sign(np.mean(a * b))
    apart = mean_of((a - sign * b) ** 2)
    return Estimate(float(sign * (1 - apart.value / 2)), apart.mcse / 2)


@pytest.mark.parametrize("name", PUBLISHED)
def test_results_agree_with_the_gum(name: str) -> None:
    """JCGM 100:2008 (GUM), H.2, table H.3: R = 127.732 Ω, u 0.071; X = 219.847 Ω, u 0.295; Z = 254.260 Ω, u 0.236.

    With the covariance of the means plugged in, as the GUM does: five sets alone would give Student's t with four degrees of
    freedom. Tolerance: four Monte Carlo errors and half the last digit; what is beyond first order is below 1e-3 of u.
    """
    value, u = PUBLISHED[name]
    assert mean_of(correlated()[name]).agrees(value, half_digit=HALF_DIGIT)
    assert sd_of(correlated()[name]).agrees(u, half_digit=HALF_DIGIT)


@pytest.mark.parametrize("pair", CORRELATIONS)
def test_results_are_correlated_as_in_the_gum(pair: tuple[str, str]) -> None:
    """The same table: r(R, X) = −0.588, r(R, Z) = −0.485, r(X, Z) = 0.993. Four Monte Carlo errors and half the last digit."""
    a, b = (correlated()[name] for name in pair)
    assert correlation_of(a, b).agrees(CORRELATIONS[pair], half_digit=HALF_DIGIT)


def test_ignoring_correlations_gives_what_the_gum_warns_of() -> None:
    """H.2.4: the means as three readings on their own give u 0.195, 0.201 and 0.204 Ω. Tolerance as above.

    Priors are flat to 1e-4 of the precision of the readings.
    """
    u = READINGS.std(axis=0, ddof=1) / math.sqrt(len(READINGS))
    latents = {
        name: latent(unit, family="normal", mean=f"{mean} {unit}", sd=f"{100 * s} {unit}")
        for name, unit, mean, s in zip(NAMES, UNITS, MEANS, u, strict=True)
    }
    methods = {f"{n}_reading": {"about": n, "measures": n, "likelihood": {"family": "normal"}} for n in NAMES}
    observations = [
        {"id": n, "method": f"{n}_reading", "value": f"{mean!r} {unit}", "u": f"{s!r} {unit}"}
        for n, unit, mean, s in zip(NAMES, UNITS, MEANS, u.tolist(), strict=True)
    ]
    dossier = {"dossier": "element", "subject": "An element", "observations": observations}
    drawn = infer(specify(model(latents, {}, methods), dossier), seed=1, draws=4000).fits["as_stated"].quantities
    for name, expected in UNCORRELATED.items():
        assert sd_of(drawn[name]).agrees(expected, half_digit=HALF_DIGIT)


def by_sets(name: str) -> np.ndarray:
    """A result of each set by itself, so that no covariance is needed (the GUM's second approach, H.2.4). [Ω]"""
    voltage, current, phase = READINGS.T * np.array([[1], [1e-3], [1]])
    return voltage / current * {"resistance": np.cos(phase), "reactance": np.sin(phase), "impedance": 1.0}[name]


@pytest.mark.parametrize("name", PUBLISHED)
def test_scale_of_results_by_sets_agrees_with_the_gum(name: str) -> None:
    """H.2.4, second approach: the same u from the five results themselves.

    With a scatter that is unknown the posterior is Student's t with four degrees of freedom about their mean, whose scale is
    the published u and whose sd is √2 of it. Tolerance: four Monte Carlo errors of a quantile, and half the last digit.
    """
    readings = by_sets(name)
    middle, spread = float(readings.mean()), float(readings.std())
    latents = {
        "result": latent("ohm", family="normal", mean=f"{middle!r} ohm", sd=f"{1e5 * spread!r} ohm"),
        "sigma": latent("ohm", family="log_uniform", lower=f"{1e-4 * spread!r} ohm", upper=f"{1e5 * spread!r} ohm"),
    }
    methods = {"one": {"about": "One set", "measures": "result", "likelihood": {"family": "normal", "u": "sigma"}}}
    observations = [{"id": f"set-{k}", "method": "one", "value": f"{y!r} ohm"} for k, y in enumerate(readings.tolist())]
    spec = specify(
        {"title": "Sets", "latents": latents, "methods": methods},
        {"dossier": "sets", "subject": "An element", "observations": observations},
    )
    drawn = infer(spec, seed=1, draws=4000).fits["as_stated"].quantities["result"]
    value, u = PUBLISHED[name]
    t = stats.t(4)
    for probability in (0.05, 0.25, 0.75, 0.95):
        off = float(t.ppf(probability))
        assert quantile_of(drawn, probability).agrees(value + off * u, half_digit=HALF_DIGIT * (1 + abs(off)))
