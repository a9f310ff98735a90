"""Effects in eight schools that scatter by an unknown amount: a hierarchy of few members."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats

from gaugeglass.inference.posterior import infer
from gaugeglass.inference.sampling import Fit
from gaugeglass.language.files import specify
from references.estimates import mean_of, sd_of

EFFECTS = (28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0)
U = (15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0)
"""D. B. Rubin, Journal of Educational Statistics 6 (1981) 377. [1]"""
REFERENCE = {"mu": (4.4105, 0.033), "tau": (3.602, 0.032)}
"""Reference draws of the posterior database, eight schools, non-centred: mean and its Monte Carlo error. [1]"""
BY_QUADRATURE = {"mu": 4.397, "tau": 3.598}
THETA = (6.212, 4.940, 3.927, 4.757, 3.616, 4.043, 6.297, 4.854)
"""Posterior means by quadrature (recomputed). [1]"""
HALF_DIGIT = 0.0005
SCHOOLS = tuple("ABCDEFGH")


@cache
def fit() -> Fit:
    def latent(**prior: object) -> dict[str, object]:
        return {"about": "An effect", "unit": "1", "because": "The published model", "prior": prior}

    model = {
        "title": "Effects of coaching",
        "groups": {"school": {"about": "A school", "members": list(SCHOOLS)}},
        "latents": {
            "mu": latent(family="normal", mean=0, sd=5),
            "tau": latent(family="half_student_t", nu=1, scale=5),
            "theta": latent(family="normal", mean="mu", sd="tau") | {"per": "school"},
        },
        "methods": {
            "study": {"about": "A study of one school", "measures": "theta", "likelihood": {"family": "normal"}}
        },
    }
    observations = [
        {"id": f"study-{s}", "method": "study", "value": y, "u": u, "at": {"school": s}}
        for s, y, u in zip(SCHOOLS, EFFECTS, U, strict=True)
    ]
    dossier = {"dossier": "schools", "subject": "Schools", "observations": observations}
    return infer(specify(model, dossier), seed=1, draws=8000).fits["as_stated"]


@cache
def exact() -> dict[str, tuple[float, float]]:
    """Mean and sd of each quantity: normal for a given scatter, which a sum over 40,000 of its quantiles integrates out."""
    y, u = np.array(EFFECTS), np.array(U)
    tau = 5 * np.tan(np.pi / 2 * (np.arange(40_000) + 0.5) / 40_000)[:, None]
    w = 1 / (u**2 + tau**2)
    precision = w.sum(axis=1) + 1 / 25
    mean, variance = (w * y).sum(axis=1) / precision, 1 / precision
    log = 0.5 * (np.log(w).sum(axis=1) + np.log(variance) - (w * y**2).sum(axis=1) + mean**2 * precision)
    weight = np.exp(log - log.max())
    kept = tau**2 / (u**2 + tau**2)
    theta = kept * y + (1 - kept) * mean[:, None]
    spread = kept * u**2 + (1 - kept) ** 2 * variance[:, None]
    rows = {"mu": (mean, variance), "tau": (tau[:, 0], np.zeros(len(tau)))}
    rows |= {f"theta[{s}]": (theta[:, k], spread[:, k]) for k, s in enumerate(SCHOOLS)}
    found = {}
    for name, (m, v) in rows.items():
        middle = float(np.average(m, weights=weight))
        found[name] = middle, float(np.sqrt(np.average(v + (m - middle) ** 2, weights=weight)))
    return found


@pytest.mark.parametrize("name", REFERENCE)
def test_hyperparameters_agree_with_the_posterior_database(name: str) -> None:
    """posteriordb, eight_schools-eight_schools_noncentered: μ 4.4105 (Monte Carlo error 0.033), τ 3.602 (0.032); quadrature 4.397, 3.598.

    y and σ as above, μ ~ N(0, 5), τ ~ half-Cauchy(5). Tolerance: four combined Monte Carlo errors against their draws, four of
    ours and half the last digit against the quadrature.
    """
    mean, mcse = REFERENCE[name]
    ours = mean_of(fit().quantities[name])
    assert ours.agrees(mean, mcse=mcse)
    assert ours.agrees(BY_QUADRATURE[name], half_digit=HALF_DIGIT)


@pytest.mark.parametrize("school", SCHOOLS)
def test_effects_agree_with_quadrature(school: str) -> None:
    """θ by quadrature: 6.212 4.940 3.927 4.757 3.616 4.043 6.297 4.854. Four Monte Carlo errors and half the last digit."""
    assert mean_of(fit().quantities[f"theta[{school}]"]).agrees(THETA[SCHOOLS.index(school)], half_digit=HALF_DIGIT)


def test_spreads_agree_with_quadrature() -> None:
    """The sd of every quantity against the quadrature done here, whose means are the numbers above within one of their last digit."""
    for name, (mean, sd) in exact().items():
        expected = BY_QUADRATURE.get(name) or THETA[SCHOOLS.index(name[-2])]
        assert mean == pytest.approx(expected, abs=2 * HALF_DIGIT), name
        assert mean_of(fit().quantities[name]).agrees(mean), name
        assert sd_of(fit().quantities[name]).agrees(sd), name


def test_small_scatter_is_drawn_as_often_as_it_should_be() -> None:
    """Where effects hardly scatter, chains can get stuck: the share of draws with τ below 0.5, 1 and 2 is right.

    By the same quadrature; four Monte Carlo errors.
    """
    y, u = np.array(EFFECTS), np.array(U)
    grid = 5 * np.tan(np.pi / 2 * (np.arange(40_000) + 0.5) / 40_000)
    log = np.array([stats.multivariate_normal(np.zeros(8), np.diag(u**2 + t**2) + 25).logpdf(y) for t in grid[::40]])
    weight = np.exp(log - log.max())
    for limit in (0.5, 1.0, 2.0):
        share = float(weight[grid[::40] < limit].sum() / weight.sum())
        assert mean_of((fit().quantities["tau"] < limit).astype(float)).agrees(share, half_digit=1e-3), limit
