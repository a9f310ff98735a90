"""Counts whose posterior and evidence are known in closed form."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import special, stats

from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.language.files import specify
from references.estimates import Estimate, mean_of, quantile_of, sd_of

TRIALS, SUCCESSES = (20, 35), (13, 27)
"""Invented: two series of trials."""
COUNTS, HOURS = (4, 9, 2), (1.5, 2.0, 1.0)
"""Invented: events in so many hours."""


def posterior(latent: dict[str, Any], method: dict[str, Any], observations: list[dict[str, Any]],
              hypotheses: dict[str, Any] | None = None) -> Posterior:  # fmt: skip
    model = {
        "title": "Counts",
        "latents": {"level": {"about": "What is counted", "because": "Invented", **latent}},
        "methods": {"counting": {"about": "A count", **method}},
        "hypotheses": hypotheses or {},
    }
    numbered = [{"id": f"count-{k}", "method": "counting", **o} for k, o in enumerate(observations)]
    return infer(
        specify(model, {"dossier": "counts", "subject": "Counts", "observations": numbered}), seed=2, draws=4000
    )


def agrees_with(found: Posterior, exact: Any, log_evidence: float, hypothesis: str = "as_stated") -> None:
    """Mean, sd, quantiles and evidence within four Monte Carlo errors."""
    drawn = found.fits[hypothesis].quantities["level"]
    assert mean_of(drawn).agrees(float(exact.mean()))
    assert sd_of(drawn).agrees(float(exact.std()))
    for probability in (0.05, 0.5, 0.95):
        assert quantile_of(drawn, probability).agrees(float(exact.ppf(probability)))
    evidence = found.weights.evidences[found.weights.names.index(hypothesis)]
    assert Estimate(evidence.log, evidence.mcse).agrees(log_evidence)


def log_beta_binomial(alpha: float, beta: float) -> float:
    """Log probability of both series together, one chance of success for both."""
    k, n = sum(SUCCESSES), sum(TRIALS)
    ways = sum(math.log(math.comb(m, s)) for m, s in zip(TRIALS, SUCCESSES, strict=True))
    return ways + float(special.betaln(k + alpha, n - k + beta) - special.betaln(alpha, beta))


BINOMIAL = {
    "measures": "level",
    "inputs": {"tried": {"unit": "1"}},
    "likelihood": {"family": "binomial", "trials": "tried"},
}
SERIES = [{"value": k, "inputs": {"tried": n}} for k, n in zip(SUCCESSES, TRIALS, strict=True)]


@pytest.mark.parametrize(("alpha", "beta"), [(1, 1), (0.5, 0.5), (8, 2), (40, 60)])
def test_beta_binomial_agrees_with_its_closed_form(alpha: float, beta: float) -> None:
    """Closed form: a chance with prior Beta(α, β), k of n: posterior Beta(α + k, β + n − k), evidence by beta functions."""
    latent = {"unit": "1", "prior": {"family": "beta", "alpha": alpha, "beta": beta}}
    k, n = sum(SUCCESSES), sum(TRIALS)
    agrees_with(
        posterior(latent, BINOMIAL, SERIES), stats.beta(alpha + k, beta + n - k), log_beta_binomial(alpha, beta)
    )


def test_fair_against_unfair_has_the_weight_known_exactly() -> None:
    """Closed form: "the chance is one half" against "it is anything from 0 to 1": the nested pair for counts."""
    pair = {
        "fair": {"says": "One half", "fix": {"level": 0.5}},
        "unfair": {"says": "Anything", "priors": {"level": "as stated"}},
    }
    found = posterior({"unit": "1", "prior": {"family": "beta", "alpha": 1, "beta": 1}}, BINOMIAL, SERIES, pair)
    fair = float(sum(stats.binom(n, 0.5).logpmf(k) for n, k in zip(TRIALS, SUCCESSES, strict=True)))
    assert found.weights.evidences[0].log == pytest.approx(fair, abs=1e-10)
    odds = math.exp(log_beta_binomial(1, 1) - fair)
    assert Estimate(found.weights.posterior[1], found.weights.mcse[1]).agrees(odds / (1 + odds))


@pytest.mark.parametrize(("shape", "rate"), [(1, 0.2), (0.5, 0.01), (30, 10)])
def test_gamma_poisson_agrees_with_its_closed_form(shape: float, rate: float) -> None:
    """Closed form: a rate with prior Gamma(a, b), counts over known times: posterior Gamma(a + Σk, b + Σt), negative binomial evidence."""
    method = {
        "measures": "level * (lasted / (1 h))",
        "inputs": {"lasted": {"unit": "h"}},
        "likelihood": {"family": "poisson"},
    }
    observations = [{"value": k, "inputs": {"lasted": f"{t} h"}} for k, t in zip(COUNTS, HOURS, strict=True)]
    latent = {"unit": "1", "prior": {"family": "gamma", "shape": shape, "rate": rate}}
    total, time = sum(COUNTS), sum(HOURS)
    evidence = (
        shape * math.log(rate)
        - math.lgamma(shape)
        + math.lgamma(shape + total)
        - (shape + total) * math.log(rate + time)
        + sum(k * math.log(t) - math.lgamma(k + 1) for k, t in zip(COUNTS, HOURS, strict=True))
    )
    agrees_with(posterior(latent, method, observations), stats.gamma(shape + total, scale=1 / (rate + time)), evidence)
