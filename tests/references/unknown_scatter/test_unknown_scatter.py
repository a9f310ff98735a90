"""A mean and a scatter that are both unknown: Student's distribution, from a normal likelihood."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy import stats

from gaugeglass.inference.posterior import infer
from gaugeglass.inference.sampling import Fit
from gaugeglass.language.files import specify
from references.estimates import mean_of, quantile_of, sd_of

READINGS = (101.2, 99.1, 100.7, 98.4, 102.3, 100.1, 99.6, 101.9)
"""Invented. [mm]"""

MODEL = {
    "title": "Repeated readings of one length",
    "latents": {
        "length": {
            "about": "Length",
            "unit": "mm",
            "prior": {"family": "normal", "mean": "100 mm", "sd": "1e5 mm"},
            "because": "Flat",
        },
        "sigma": {
            "about": "Scatter of one reading",
            "unit": "mm",
            "prior": {"family": "log_uniform", "lower": "1e-3 mm", "upper": "1e4 mm"},
            "because": "Proportional to 1 / sigma",
        },
    },
    "methods": {
        "reading": {"about": "One reading", "measures": "length", "likelihood": {"family": "normal", "u": "sigma"}}
    },
}


@cache
def posterior() -> Fit:
    observations = [{"id": f"r{k}", "method": "reading", "value": f"{y} mm"} for k, y in enumerate(READINGS)]
    dossier = {"dossier": "length", "subject": "A length", "observations": observations}
    return infer(specify(MODEL, dossier), seed=1, draws=8000).fits["as_stated"]


def test_mean_of_readings_agrees_with_nist_strd_mcmc() -> None:
    """NIST Statistical Reference Datasets, "Markov chain Monte Carlo" family: the method, with invented readings.

    With a prior proportional to 1/σ the posterior of the mean is ȳ + (s/√n) t with n − 1 degrees of freedom exactly.
    The priors here end at 1e5 mm about ȳ and at 1e-3 and 1e4 mm, beyond which the exact posterior holds less than 1e-20
    of its probability. Tolerance: four Monte Carlo errors.
    """
    n, mean, s = len(READINGS), np.mean(READINGS), np.std(READINGS, ddof=1)
    exact = stats.t(n - 1, loc=mean, scale=s / math.sqrt(n))
    drawn = posterior().quantities["length"]
    assert mean_of(drawn).agrees(float(mean))
    assert sd_of(drawn).agrees(float(exact.std()))
    for probability in (0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975):
        assert quantile_of(drawn, probability).agrees(float(exact.ppf(probability)))


def test_scatter_of_readings_agrees_with_nist_strd_mcmc() -> None:
    """The same: (n − 1) s² / σ² is chi squared with n − 1 degrees of freedom exactly."""
    n, s = len(READINGS), np.std(READINGS, ddof=1)
    drawn = posterior().quantities["sigma"]
    for probability in (0.025, 0.25, 0.5, 0.75, 0.975):
        exact = s * math.sqrt((n - 1) / stats.chi2(n - 1).isf(probability))
        assert quantile_of(drawn, probability).agrees(float(exact))
