"""Readings whose errors are correlated, against the normal distribution that they have together."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from gaugeglass.inference.density import compile_density
from gaugeglass.inference.loads import loads_of
from gaugeglass.inference.posterior import infer
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.judgement.answers import State, what_if
from gaugeglass.judgement.leaving import leave_out, units
from gaugeglass.judgement.pooling import make_pool
from gaugeglass.judgement.predictions import predict
from gaugeglass.judgement.scalings import FACTORS
from gaugeglass.judgement.simulated import simulate_evidence, truth_of_prior
from gaugeglass.language.alternatives import alter
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Correlation, Spec
from references.estimates import Estimate, mean_of, sd_of

READINGS, U = np.array([10.4, 9.1, 9.7, 10.9]), np.array([1.0, 1.5, 0.8, 2.0])
MEAN, SD = 9.0, 2.0
FIXED, LIMIT = 10.0, 9.8
ONE_LABORATORY = np.array([[1, 0.6, 0.6, 0], [0.6, 1, 0.6, 0], [0.6, 0.6, 1, 0], [0, 0, 0, 1.0]])
MIXED_SIGNS = np.array([[1, 0.5, -0.6, 0.3], [0.5, 1, -0.4, 0], [-0.6, -0.4, 1, -0.5], [0.3, 0, -0.5, 1.0]])
NEARLY_ALIKE = np.array([[1, 0.99, 0.97, 0.2], [0.99, 1, 0.98, 0.2], [0.97, 0.98, 1, 0.3], [0.2, 0.2, 0.3, 1.0]])
MATRICES = pytest.mark.parametrize(
    "matrix", [ONE_LABORATORY, MIXED_SIGNS, NEARLY_ALIKE], ids=["one laboratory", "mixed signs", "nearly alike"]
)


def spec(matrix: np.ndarray) -> Spec:
    model = {
        "title": "Readings of one level",
        "latents": {
            "level": {
                "about": "Level", "unit": "V", "because": "Invented",
                "prior": {"family": "normal", "mean": f"{MEAN} V", "sd": f"{SD} V"},
            }
        },
        "methods": {"meter": {"about": "A meter", "measures": "level", "likelihood": {"family": "normal"}}},
        "hypotheses": {
            "fixed": {"says": f"It is {FIXED} V", "fix": {"level": f"{FIXED} V"}},
            "free": {"says": "It may be any", "priors": {"level": "as stated"}},
        },
        "claims": {"high": {"says": "The level is high", "holds": f"level > {LIMIT} [V]"}},
    }  # fmt: skip
    observations = [
        {"id": f"r{k}", "method": "meter", "value": f"{y} V", "u": f"{u} V"}
        for k, (y, u) in enumerate(zip(READINGS, U, strict=True))
    ]
    correlations = [
        {"between": [f"r{j}", f"r{i}"], "r": float(matrix[i, j])}
        for i, j in itertools.combinations(range(len(U)), 2)
        if matrix[i, j]
    ]
    return specify(
        model,
        {"dossier": "level", "subject": "A level", "observations": observations, "correlations": correlations},
    )


def exact(matrix: np.ndarray, y: np.ndarray, kept: list[int], u: np.ndarray = U) -> tuple[float, float, float]:
    """Mean and sd of the level given some readings, and their log marginal likelihood where it is free."""
    covariance = (matrix * np.outer(u, u))[np.ix_(kept, kept)]
    inverse = np.linalg.inv(covariance)
    precision = inverse.sum() + SD**-2
    evidence = stats.multivariate_normal(np.full(len(kept), MEAN), covariance + SD**2).logpdf(y[kept])
    return float((inverse.sum(axis=0) @ y[kept] + MEAN / SD**2) / precision), precision**-0.5, float(evidence)


@MATRICES
def test_posterior_and_evidence_are_those_of_the_joint_normal(matrix: np.ndarray) -> None:
    """Closed form, exact: mean, sd, and both marginal likelihoods, each within four Monte Carlo errors."""
    found = infer(spec(matrix), seed=1)
    mean, sd, log_evidence = exact(matrix, READINGS, [0, 1, 2, 3])
    level = found.fits["free"].quantities["level"]
    assert mean_of(level).agrees(mean)
    assert sd_of(level).agrees(sd)
    fixed, free = (Estimate(e.log, e.mcse) for e in found.weights.evidences)
    assert free.agrees(log_evidence)
    assert fixed.agrees(float(stats.multivariate_normal(np.full(4, FIXED), matrix * np.outer(U, U)).logpdf(READINGS)))
    assert max(fixed.mcse, free.mcse) < 0.03


@MATRICES
@pytest.mark.parametrize("out", [0, 2])
def test_one_of_them_is_left_out_and_foretold(matrix: np.ndarray, out: int) -> None:
    """By a power of 0: the posterior is that of the others, which foretell the reading as the joint normal has it.

    A prediction in each draw takes in the errors that the reading has in common; what is left is its own scatter.
    """
    density = compile_density(spec(matrix))
    kept = [k for k in range(4) if k != out]
    dials = density.dials("free", power={f"r{out}": 0.0})
    found = fit(density, dials, Settings(seed=2))
    mean, sd, _ = exact(matrix, READINGS, kept)
    assert mean_of(found.quantities["level"]).agrees(mean)
    assert sd_of(found.quantities["level"]).agrees(sd)
    o = density.spec.evidence[out]
    mu, u = predict(density, o, found.quantities.each(np.ravel), found.x.reshape(-1, len(density.free)))
    assert u == pytest.approx(u[0])
    together = matrix * np.outer(U, U) + SD**2
    gain = np.linalg.solve(together[np.ix_(kept, kept)], together[kept, out])
    mu = mu.reshape(found.x.shape[:2])
    assert mean_of(mu).agrees(MEAN + float(gain @ (READINGS[kept] - MEAN)))
    spread = math.sqrt(together[out, out] - gain @ together[kept, out] - u[0] ** 2)
    assert sd_of(mu).agrees(spread)


def test_a_shifted_and_a_replaced_reading_keep_their_correlations() -> None:
    """Closed form with another reading: by the dials of one density, and by the files as an alternative has them."""
    held = spec(MIXED_SIGNS)
    density = compile_density(held)
    moved = READINGS + np.array([0, 2.5, 0, 0])
    mean, sd, _ = exact(MIXED_SIGNS, moved, [0, 1, 2, 3])
    other = alter(held, replace={"r1": f"{moved[1]} V"})
    assert other.dossier.correlations == held.dossier.correlations
    shifted = replace(density.dials("free"), shift={"r1": 2.5})
    again = compile_density(other)
    for fitted in (fit(density, shifted, Settings(seed=3)), fit(again, again.dials("free"), Settings(seed=4))):
        assert mean_of(fitted.quantities["level"]).agrees(mean)
        assert sd_of(fitted.quantities["level"]).agrees(sd)


def chances(matrix: np.ndarray, kept: list[int], u: np.ndarray) -> tuple[float, float]:
    """The probabilities that the level is high, and that it is free."""
    mean, sd, log_evidence = exact(matrix, READINGS, kept, u)
    covariance = (matrix * np.outer(u, u))[np.ix_(kept, kept)]
    log_fixed = stats.multivariate_normal(np.full(len(kept), FIXED), covariance).logpdf(READINGS[kept])
    free = float(special.expit(log_evidence - log_fixed))
    return free * float(stats.norm.sf(LIMIT, mean, sd)) + (1 - free) * (FIXED > LIMIT), free


@pytest.mark.parametrize("matrix", [ONE_LABORATORY, MIXED_SIGNS], ids=["one laboratory", "mixed signs"])
def test_what_if_one_were_left_out_or_had_another_u(matrix: np.ndarray) -> None:
    """Closed form: the audit's refits within four of their errors, and the page's answers within four of theirs.

    Of sixteen answers at most two are not to be relied on, which they say.
    """
    posterior = infer(spec(matrix), seed=6, draws=4000)
    lefts = leave_out(posterior, units(posterior.spec))
    pool = make_pool(posterior, lefts)
    every, asked = [0, 1, 2, 3], list[tuple[State, list[int], np.ndarray]]()
    for k in every:
        asked.append((State(off=[f"r{k}"]), [j for j in every if j != k], U))
        asked += [(State(scale={f"r{k}": f}), every, np.where(np.arange(4) == k, f, 1.0) * U) for f in FACTORS]
    answers = [(answer, *rest) for state, *rest in asked if (answer := what_if(pool, state)).reliable]
    assert len(answers) >= 14
    for answer, kept, u in answers:
        high, free = chances(matrix, kept, u)
        assert Estimate(answer.claims["high"].value, answer.claims["high"].mcse).agrees(high)
        assert Estimate(answer.hypotheses["free"].value, answer.hypotheses["free"].mcse).agrees(free)
    for k, left in enumerate(lefts):
        _, free = chances(matrix, [j for j in every if j != k], U)
        assert Estimate(left.weights.posterior[1], left.weights.mcse[1]).agrees(free)


@MATRICES
def test_simulated_readings_are_correlated_as_stated(matrix: np.ndarray) -> None:
    """Of 4000 truths: each element of the covariance within four of its errors, by the normal theory of products."""
    density, rng, many = compile_density(spec(matrix)), np.random.default_rng(5), 4000
    truths = (truth_of_prior(density, "fixed", seed) for seed in range(many))
    drawn = np.array([[o.value for o in simulate_evidence(density, truth, rng)] for truth in truths])
    wanted = matrix * np.outer(U, U)
    error = np.sqrt((wanted**2 + np.outer(U**2, U**2)) / many)
    assert (abs(np.cov(drawn.T) - wanted) < 4 * error).all()


# --- errors in common ---------------------------------------------------------------------------------------


def loaded(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The loads of errors in common, dims ("reading", "error"), and what is left of each reading's own variance."""
    ids = [str(k) for k in range(len(matrix))]
    stated = [Correlation((ids[i], ids[j]), float(matrix[i, j])) for i, j in itertools.combinations(range(len(ids)), 2)]
    found = loads_of(stated, ids)
    names = list(dict.fromkeys(first for own in found.values() for first, _ in own))
    loads = np.array([[dict(found.get(i, ())).get(name, 0.0) for name in names] for i in ids]).reshape(len(ids), -1)
    return loads, 1 - (loads**2).sum(axis=1)


@pytest.mark.parametrize("size", [2, 3, 5, 12, 40])
def test_errors_in_common_make_any_positive_definite_matrix(size: int) -> None:
    """Random matrices of correlations, some nearly singular: to 1e-11, ten times what is left off."""
    rng = np.random.default_rng(size)
    for scatter in (1.0, 0.1, 1e-4):
        root = rng.normal(size=(size, 2)) @ rng.normal(size=(2, size)) + scatter * rng.normal(size=(size, size))
        covariance = root @ root.T
        sd = np.sqrt(np.diagonal(covariance))
        matrix = covariance / np.outer(sd, sd)
        loads, left = loaded(matrix)
        assert loads.shape[1] < size
        assert (left > 0).all()
        np.testing.assert_allclose(loads @ loads.T + np.diag(left), matrix, rtol=0, atol=1e-11)


def test_equal_correlations_have_one_error_in_common() -> None:
    """And a chain's errors are each in common with few, so that not all of a long one is compiled together."""
    loads, left = loaded(ONE_LABORATORY)
    np.testing.assert_allclose(loads, np.sqrt([[0.6], [0.6], [0.6], [0]]), atol=1e-12)
    np.testing.assert_allclose(left, [0.4, 0.4, 0.4, 1], atol=1e-12)
    loads, _ = loaded(np.array([[1, -0.35], [-0.35, 1]]))
    np.testing.assert_allclose(loads, math.sqrt(0.35) * np.array([[1], [-1]]), atol=1e-12)
    chain = np.eye(30) + 0.35 * (np.eye(30, k=1) + np.eye(30, k=-1))
    loads, _ = loaded(chain)
    assert (loads != 0).sum(axis=1).max() <= 8


def test_without_correlations_nothing_is_in_common() -> None:
    assert loads_of([Correlation(("a", "b"), 0.0), Correlation(("a", "gone"), 0.5)], ["a", "b"]) == {}
