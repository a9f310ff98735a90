"""Marginal likelihoods and weights of hypotheses where they are known exactly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gaugeglass.inference.density import compile_density
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.inference.weighing import _path, log_evidence_by_bridge
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec
from references.estimates import Estimate, mean_of

READINGS = np.array([0.9, 0.1, 1.4, 0.6, 1.1])
U = np.array([0.8, 1.0, 1.2, 0.9, 1.1])
TAU = 2.0


def offset_spec(prior: dict[str, Any], hypotheses: dict[str, Any], *, equals: str = "size",
                readings: np.ndarray = READINGS) -> Spec:  # fmt: skip
    """Readings of one offset."""
    model = {
        "title": "Readings of one offset",
        "latents": {"size": {"about": "Size", "unit": "V", "prior": prior, "because": "Invented"}},
        "relations": {"offset": {"about": "Offset", "unit": "V", "equals": equals}},
        "methods": {"reading": {"about": "A reading", "measures": "offset", "likelihood": {"family": "normal"}}},
        "hypotheses": hypotheses,
        "claims": {},
    }
    observations = [
        {"id": f"r{k}", "method": "reading", "value": f"{y} V", "u": f"{u} V"}
        for k, (y, u) in enumerate(zip(readings, U, strict=True))
    ]
    return specify(model, {"dossier": "offset", "subject": "An offset", "observations": observations})


NORMAL = {"family": "normal", "mean": "0 V", "sd": f"{TAU} V"}
NESTED = {
    "zero": {"says": "There is no offset", "fix": {"size": "0 V"}},
    "free": {"says": "There is some offset", "priors": {"size": "as stated"}},
}


def exact_log_evidence(tau: float, readings: np.ndarray = READINGS) -> float:
    """Readings are jointly normal with covariance diag(u²) + τ²."""
    return float(stats.multivariate_normal(np.zeros(len(U)), np.diag(U**2) + tau**2).logpdf(readings))


def log_evidences(posterior: Posterior) -> dict[str, Estimate]:
    return {
        n: Estimate(e.log, e.mcse) for n, e in zip(posterior.weights.names, posterior.weights.evidences, strict=True)
    }


def test_nested_pair_has_the_evidences_known_exactly() -> None:
    """Closed form, normal–normal: "the mean is zero" against "the mean is N(0, τ)", five readings with their own u.

    The first has nothing unknown, so its evidence is exact; the second within four of its Monte Carlo errors, and so
    the weight. The posterior mean of the second is closed form too.
    """
    found = infer(offset_spec(NORMAL, NESTED), seed=1)
    evidences = log_evidences(found)
    assert evidences["zero"].value == pytest.approx(exact_log_evidence(0.0), abs=1e-12)
    assert evidences["zero"].mcse == 0
    assert evidences["free"].agrees(exact_log_evidence(TAU))
    assert 0 < evidences["free"].mcse < 0.01
    odds = math.exp(exact_log_evidence(TAU) - exact_log_evidence(0.0))
    assert Estimate(found.weights.posterior[1], found.weights.mcse[1]).agrees(odds / (1 + odds))
    mean = np.sum(READINGS / U**2) / (np.sum(1 / U**2) + 1 / TAU**2)
    assert mean_of(found.fits["free"].quantities["offset"]).agrees(float(mean))


@pytest.mark.parametrize("tau", [0.01, 1.0, 30.0, 1000.0])
@pytest.mark.parametrize("shift", [0.0, 8.0])
def test_bridge_and_path_find_the_evidence_known_exactly(tau: float, shift: float) -> None:
    """Closed form, normal–normal, from a prior that decides to one that is a thousand times too wide.

    Both routes within four of their Monte Carlo errors. Readings far from the prior are there as well.
    """
    readings = READINGS + shift
    spec = offset_spec({"family": "normal", "mean": "0 V", "sd": f"{tau} V"}, NESTED, readings=readings)
    density = compile_density(spec)
    settings = Settings(seed=2)
    found = fit(density, density.dials("free"), settings)
    exact = exact_log_evidence(tau, readings)
    by_bridge = log_evidence_by_bridge(density, found)
    assert Estimate(by_bridge.log, by_bridge.mcse).agrees(exact)
    by_path = _path(density, found, [0], settings)
    assert Estimate(by_path.log, by_path.mcse).agrees(exact)


def test_weights_agree_with_the_hypothesis_marginalised_in_one_model() -> None:
    """Two hypotheses, "above zero" and "below zero", are one model in which the offset is N(0, τ) and a claim its sign.

    The weight by bridge sampling, the share of draws of the one model, and Φ(m/s) of the closed form agree within four
    combined Monte Carlo errors. In the one model each draw carries its own hypothesis, so nothing is bridged.
    """
    half = {"family": "half_normal", "sd": f"{TAU} V"}
    signs = {
        "above": {"says": "Above zero", "priors": {"size": "as stated"}, "relations": {"offset": "size"}},
        "below": {"says": "Below zero", "priors": {"size": "as stated"}, "relations": {"offset": "-size"}},
    }
    readings = READINGS - 0.6
    two = infer(offset_spec(half, signs, readings=readings), seed=3)
    one = infer(offset_spec(NORMAL, {}, readings=readings), seed=4, draws=4000)
    weight = Estimate(two.weights.posterior[0], two.weights.mcse[0])
    share = mean_of((one.fits["as_stated"].quantities["offset"] > 0).astype(float))
    precision = np.sum(1 / U**2) + 1 / TAU**2
    exact = float(stats.norm.cdf(np.sum(readings / U**2) / math.sqrt(precision)))
    assert 0.6 < exact < 0.9
    assert weight.agrees(exact)
    assert share.agrees(exact)
    assert weight.agrees(share.value, mcse=share.mcse)


def test_prior_weights_count() -> None:
    """A uniform prior over 0 to 3 V, cut at 1 V: two hypotheses with prior weights 1 and 2 are it again.

    Closed form: the posterior probability that the offset lies below 1 V under the whole prior.
    """
    cut = {
        "lower": {
            "says": "Below 1 V",
            "prior_weight": 1,
            "priors": {"size": {"family": "uniform", "lower": "0 V", "upper": "1 V"}},
        },
        "upper": {
            "says": "Above 1 V",
            "prior_weight": 2,
            "priors": {"size": {"family": "uniform", "lower": "1 V", "upper": "3 V"}},
        },
    }
    found = infer(offset_spec({"family": "uniform", "lower": "0 V", "upper": "3 V"}, cut), seed=5)
    w = 1 / U**2
    exact = stats.norm(np.sum(READINGS * w) / np.sum(w), 1 / math.sqrt(np.sum(w)))
    below = (exact.cdf(1) - exact.cdf(0)) / (exact.cdf(3) - exact.cdf(0))
    assert Estimate(found.weights.posterior[0], found.weights.mcse[0]).agrees(float(below))
