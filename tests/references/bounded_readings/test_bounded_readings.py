"""Readings of which only an interval or a bound is known."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, sd_of

MEAN, SD = 80.0, 5.0
"""What is known of the reading before it is told. [kWh]"""


def told(value: str, u: float) -> tuple[Estimate, Estimate, Estimate]:
    """Mean and sd of what is read, and the evidence, where latent and reading together have the sd above."""
    model = {
        "title": "One energy, told as an interval or a bound",
        "latents": {
            "energy": {
                "about": "Energy",
                "unit": "kWh",
                "prior": {"family": "normal", "mean": f"{MEAN} kWh", "sd": f"{math.sqrt(SD**2 - u**2)!r} kWh"},
                "because": "Invented",
            }
        },
        "methods": {"reading": {"about": "A reading", "measures": "energy", "likelihood": {"family": "normal"}}},
    }
    observation = {"id": "told", "method": "reading", "value": value, "u": f"{u} kWh"}
    found = infer(
        specify(model, {"dossier": "told", "subject": "An energy", "observations": [observation]}), seed=1, draws=2000
    )
    evidence = found.weights.evidences[0]
    drawn = found.fits["as_stated"].quantities["energy"]
    return mean_of(drawn), sd_of(drawn), Estimate(evidence.log, evidence.mcse)


CASES = [("82 .. 84 kWh", 82.9603, 0.57499, 0.132723), (">= 85 kWh", 87.6257, 2.2310, 0.158655)]


@pytest.mark.parametrize("u", [0.2, 3.0, 4.0])
@pytest.mark.parametrize(("value", "mean", "sd", "evidence"), CASES)
def test_interval_and_bound_agree_with_the_truncated_normal(
    value: str, mean: float, sd: float, evidence: float, u: float
) -> None:
    """Truncated normal, closed form: N(80, 5) told "in [82, 84]" or "≥ 85".

    Numbers (recomputed): 82.9603 ± 0.57499 with evidence 0.132723, and 87.6257 ± 2.2310 with evidence 0.158655. They
    are of the reading itself; here latent and reading share its variance, 25 = s² + u², so the evidence is the same for
    every u, and the latent regresses on the reading: mean 80 + (s²/25)(m − 80), variance (s²/25)² sd² + s²u²/25.
    At u = 0.2 that is the hard interval to 0.2 %. Tolerance: four Monte Carlo errors and half the last digit.
    """
    share = 1 - (u / SD) ** 2
    exact_mean = MEAN + share * (mean - MEAN)
    exact_sd = math.sqrt((share * sd) ** 2 + share * u**2)
    found_mean, found_sd, found_evidence = told(value, u)
    assert found_mean.agrees(exact_mean, half_digit=0.5e-4)
    assert found_sd.agrees(exact_sd, half_digit=0.5e-4)
    assert found_evidence.agrees(math.log(evidence), half_digit=0.5e-6 / evidence)


def test_expected_numbers_follow_from_the_distribution_function() -> None:
    """The numbers above once more, by SciPy's truncated normal, so that they rest on more than one computation."""
    for (_, mean, sd, evidence), (a, b) in zip(CASES, [(0.4, 0.8), (1.0, math.inf)], strict=True):
        exact = stats.truncnorm(a, b, loc=MEAN, scale=SD)
        assert (round(exact.mean(), 4), round(exact.std(), 5)) == pytest.approx((mean, sd), abs=5e-5)
        assert stats.norm.cdf(b) - stats.norm.cdf(a) == pytest.approx(evidence, abs=5e-7)
