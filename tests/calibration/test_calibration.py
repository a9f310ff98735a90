"""Is a 90 % interval right nine times in ten? Simulation-based calibration of the shipped models, and of broken ones.

S. Talts et al., arXiv:1804.06788; the joint log-likelihood as a test quantity by M. Modrák et al., Bayesian Analysis
2023. Seeds are fixed, so each test gives one answer; limits are such that a right engine fails one seed in a hundred.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calibration.limits import PROBABILITY, SIMULATIONS, moving, off, off_in_coverage
from conftest import OBSERVATIONS
from gaugeglass.inference.density import Density, compile_density
from gaugeglass.judgement.calibration import JOINT, Calibration, calibrate
from gaugeglass.language.families import make_prior
from gaugeglass.language.files import load


@cache
def density(dossier: str) -> Density:
    return compile_density(load(OBSERVATIONS / f"{dossier}.yaml"))


@pytest.mark.slow
@pytest.mark.parametrize("dossier", ["gravitation", "heron-35"])
def test_shipped_model_is_calibrated(dossier: str) -> None:
    """A hundred truths from the prior, the dossier's own evidence simulated from each: ranks uniform, 90 % are 90 %."""
    found = calibrate(density(dossier), simulations=SIMULATIONS, seed=1)
    assert found.failed <= SIMULATIONS / 20
    assert JOINT in moving(found)
    assert off(found) == []
    assert off_in_coverage(found) == []


def with_halved_u(right: Density) -> Density:
    """Refits believe every laboratory twice as much as they should."""
    return right.with_observations(tuple(replace(o, u=(o.u or 0) / 2) for o in right.spec.evidence))


def with_evidence_counted_twice(right: Density) -> Density:
    """Refits see every reading twice, as of two laboratories."""
    own = right.spec.evidence
    return right.with_observations((*own, *(replace(o, id=f"{o.id}-again") for o in own)))


def with_another_prior(right: Density) -> Density:
    """Refits believe in another factor than truths are drawn with."""
    other = make_prior("lognormal", {"median": 4, "sigma": 0.2})
    model = right.spec.model
    latents = tuple(replace(q, prior=other) if q.name == "birge" else q for q in model.latents)
    return compile_density(replace(right.spec, model=replace(model, latents=latents)))


@pytest.mark.slow
@pytest.mark.parametrize("breaking", [with_halved_u, with_evidence_counted_twice, with_another_prior])
def test_broken_density_is_caught(breaking: Callable[[Density], Density]) -> None:
    """What is wrong on purpose is found out by the same limits, in ranks and in coverage alike or in ranks alone."""
    found = calibrate(density("gravitation"), simulations=SIMULATIONS, seed=1, refit=breaking)
    assert off(found) != []


def test_ranks_are_judged_as_they_are() -> None:
    """Uniform ranks pass; those of intervals too narrow, too wide or shifted do not. Coverage counts shares."""
    rng = np.random.default_rng(3)
    uniform = rng.integers(0, 100, 100) / 99
    narrow, wide = rng.beta(0.3, 0.3, 100), rng.beta(4, 4, 100)
    found = Calibration({"right": uniform, "narrow": narrow, "wide": wide, "shifted": uniform**3}, 0)
    assert off(found) == ["narrow", "wide", "shifted"]
    assert found.coverage("narrow", PROBABILITY) == pytest.approx(np.mean((narrow >= 0.05) & (narrow <= 0.95)))
    assert off_in_coverage(Calibration({"narrow": narrow, "wide": wide}, 0)) == ["narrow", "wide"]
