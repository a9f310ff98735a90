"""The same sixteen values with the three correlations that the published analysis states."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from conftest import OBSERVATIONS
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.language.files import load
from gaugeglass.language.spec import Correlation, Spec
from references.estimates import mean_of, sd_of

G = 1e-11  # m³/(kg s²)
CORRELATIONS = {("nist-82", "lanl-97"): 0.351, ("hust-05", "hust-09"): 0.134, ("hust-09", "hust-t-18"): 0.068}
"""CODATA 2018, from memory. [1]"""
PRIOR_MEAN, PRIOR_SD = 6.674, 3 * 0.003
"""Of the shipped model. [1e-11 m³/(kg s²)]"""


def spec(correlations: dict[tuple[str, str], float]) -> Spec:
    shipped = load(OBSERVATIONS / "gravitation.yaml")
    stated = tuple(Correlation(pair, r) for pair, r in correlations.items())
    return replace(shipped, dossier=replace(shipped.dossier, correlations=stated))


@cache
def drawn(*correlations: tuple[tuple[str, str], float]) -> np.ndarray:
    """Draws of the measurand where the stated uncertainties are right. [1e-11 m³/(kg s²)]"""
    density = compile_density(spec(dict(correlations)))
    found = fit(density, density.dials("agree"), Settings(seed=1, draws=25_000))
    return found.quantities["measurand"] / G


def exact(correlations: dict[tuple[str, str], float]) -> tuple[float, float]:
    """Mean weighted by the whole covariance, and its u, with the prior as one more value. [1e-11 m³/(kg s²)]"""
    evidence = spec({}).evidence
    ids, y, u = (
        [o.id for o in evidence],
        np.array([o.value for o in evidence]) / G,
        np.array([o.u for o in evidence]) / G,
    )
    covariance = np.diag(u**2)
    for (a, b), r in correlations.items():
        i, j = ids.index(a), ids.index(b)
        covariance[i, j] = covariance[j, i] = r * u[i] * u[j]
    inverse = np.linalg.inv(covariance)
    precision = inverse.sum() + PRIOR_SD**-2
    return float((inverse.sum(axis=0) @ y + PRIOR_MEAN * PRIOR_SD**-2) / precision), float(precision**-0.5)


INVENTED = {("uwash-00", "hust-a-18"): 0.7, ("hust-t-18", "uzur-06"): -0.6, ("hust-09", "hust-t-18"): 0.3}
"""Invented, of both signs, between laboratories that weigh much. [1]"""


@pytest.mark.parametrize("correlations", [CORRELATIONS, INVENTED], ids=["published", "invented"])
def test_stated_correlations_give_the_mean_weighted_by_the_covariance(
    correlations: dict[tuple[str, str], float],
) -> None:
    """CODATA 2018: E. Tiesinga et al., Reviews of Modern Physics 93 (2021) 025010; inputs from memory.

    Under "agree" the posterior is the mean weighted by the inverse covariance, and the prior, exactly. Tolerance: four Monte Carlo errors.
    """
    mean, u = exact(correlations)
    found = drawn(*correlations.items())
    assert mean_of(found).agrees(mean)
    assert sd_of(found).agrees(u)


def test_correlations_move_the_mean_as_they_should() -> None:
    """Those stated move the mean by as much as the covariance-weighted mean moves, within four combined Monte Carlo errors.

    The published ones move it from 6.67429 to 6.67430, which is what was published, to the last digit. Each shift is dozens of those errors,
    so that a sign or a factor that was wrong would show.
    """
    without = mean_of(drawn())
    assert without.agrees(exact({})[0])
    assert (round(exact({})[0], 5), round(exact(CORRELATIONS)[0], 5)) == (6.67429, 6.67430)
    for correlations in (CORRELATIONS, INVENTED):
        moved = mean_of(drawn(*correlations.items()))
        shift = exact(correlations)[0] - exact({})[0]
        error = np.hypot(moved.mcse, without.mcse)
        assert abs(moved.value - without.value - shift) <= 4 * error
        assert abs(shift) > 24 * error
