"""Truths about whole inferences: weights of hypotheses, verdicts, and what is drawn."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from gaugeglass.inference.density import compile_density
from gaugeglass.inference.posterior import Posterior, holds, infer, probability
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.judgement.results import Assessment
from gaugeglass.judgement.verdicts import judge
from properties.tank import CLAIMS, HYPOTHESES, KEPT, OBSERVATIONS, tank, whole_tank
from references.estimates import Estimate, mean_of, quantile_of, sd_of


@cache
def whole() -> Posterior:
    return infer(whole_tank(), seed=11)


@cache
def assessed() -> Assessment:
    return judge(whole())


def weights(posterior: Posterior) -> dict[str, Estimate]:
    w = posterior.weights
    return {n: Estimate(p, e) for n, p, e in zip(w.names, w.posterior, w.mcse, strict=True)}


def chance(posterior: Posterior, claim: str) -> Estimate:
    stated = next(c for c in posterior.spec.model.claims if c.name == claim)
    values = {h: holds(stated, f.quantities) for h, f in posterior.fits.items()}
    return Estimate(*probability(values, posterior.weights.posterior, posterior.weights.replicates))


def agree(a: Estimate, b: Estimate) -> bool:
    return a.agrees(b.value, mcse=b.mcse)


def test_claim_and_negation_sum_to_one() -> None:
    """Over the mixture, under each hypothesis, and before the evidence: exactly, as the same draws decide both."""
    verdicts = {v.claim: v for v in assessed().verdicts}
    claim, negation = verdicts["leaks"], verdicts["tight_enough"]
    assert claim.posterior.value + negation.posterior.value == pytest.approx(1, abs=1e-12)
    assert claim.prior.value + negation.prior.value == pytest.approx(1, abs=1e-12)
    assert claim.posterior.mcse == pytest.approx(negation.posterior.mcse, rel=1e-6)
    for h, under in claim.by_hypothesis.items():
        assert under.probability.value + negation.by_hypothesis[h].probability.value == pytest.approx(1, abs=1e-12)


def test_hypotheses_sum_to_one() -> None:
    verdicts = [v for v in assessed().verdicts if v.kind == "hypothesis"]
    assert sum(v.posterior.value for v in verdicts) == pytest.approx(1, abs=1e-12)
    assert sum(v.prior.value for v in verdicts) == pytest.approx(1, abs=1e-12)


def test_unanimous_claim_prints_a_bound_and_never_zero_or_one() -> None:
    """Every draw let something in, and none flooded: what is said is a bound from the number of effective draws."""
    verdicts = {v.claim: v for v in assessed().verdicts}
    sure, never = verdicts["not_empty"].posterior, verdicts["flooded"].posterior
    assert (sure.value, never.value) == (1, 0)
    assert sure.at_least is not None
    assert 0.99 < sure.at_least < 1
    assert never.at_most is not None
    assert 0 < never.at_most < 0.01
    assert verdicts["not_empty"].bayes_factor is None
    leading = judge(infer(tank(claims={"not_empty": CLAIMS["not_empty"]}), seed=11)).sentence
    assert "above 99" in leading
    assert "100 %" not in leading
    assert "is 1" not in leading


@pytest.mark.parametrize("order", [("broken", "leaky", "tight"), ("leaky", "tight", "broken")])
def test_weights_follow_their_hypotheses_under_relabelling(order: tuple[str, ...]) -> None:
    """Other names in another order: the same weights and claims within Monte Carlo errors."""
    renamed = infer(tank(hypotheses={f"{n}_renamed": HYPOTHESES[n] for n in order}), seed=12)
    for name, weight in weights(renamed).items():
        assert agree(weight, weights(whole())[name.removesuffix("_renamed")]), name
    assert agree(chance(renamed, "leaks"), chance(whole(), "leaks"))


def test_splitting_a_hypothesis_halves_its_weight_and_changes_no_claim() -> None:
    """One explanation told twice with half the prior weight each gets what it had before, half each."""
    halves = {f"leaky_{k}": HYPOTHESES["leaky"] | {"prior_weight": 1} for k in (1, 2)}
    split = infer(tank(hypotheses={"tight": HYPOTHESES["tight"], **halves, "broken": HYPOTHESES["broken"]}), seed=13)
    before, after = weights(whole()), weights(split)
    for name in halves:
        assert Estimate(2 * after[name].value, 2 * after[name].mcse).agrees(
            before["leaky"].value, mcse=before["leaky"].mcse
        )
    for name in ("tight", "broken"):
        assert agree(after[name], before[name])
    for claim in ("leaks", "tight_enough"):
        assert agree(chance(split, claim), chance(whole(), claim))


def test_scale_of_prior_weights_is_irrelevant() -> None:
    scaled = {n: h | {"prior_weight": 7 * h["prior_weight"]} for n, h in HYPOTHESES.items()}
    assert np.allclose(infer(tank(hypotheses=scaled), seed=11).weights.posterior, whole().weights.posterior, atol=1e-12)


def test_units_of_quantities_change_no_posterior() -> None:
    """The whole model in m³ rather than L: weights, claims, means, spreads and quantiles within Monte Carlo errors."""
    other = infer(tank(unit="m**3"), seed=14)
    for name, weight in weights(other).items():
        assert agree(weight, weights(whole())[name])
    assert agree(chance(other, "leaks"), chance(whole(), "leaks"))
    for quantity, scale in (("inflow", 1000), ("kept", 1000), ("scatter", 1000), ("leak", 1)):
        ours, theirs = (p.fits["leaky"].quantities[quantity] for p in (whole(), other))
        assert agree(mean_of(ours), mean_of(scale * theirs))
        assert agree(sd_of(ours), sd_of(scale * theirs))
        assert agree(quantile_of(ours, 0.95), quantile_of(scale * theirs, 0.95))


def test_endless_uncertainty_changes_no_weight() -> None:
    blunt: list[dict[str, Any]] = [o | {"u": "1e12 L"} if o["id"] == "meter-1" else o for o in OBSERVATIONS]
    with_it, without = (
        infer(tank(blunt), seed=15),
        infer(tank([o for o in OBSERVATIONS if o["id"] != "meter-1"]), seed=16),
    )
    for name, weight in weights(with_it).items():
        assert agree(weight, weights(without)[name])
    assert agree(chance(with_it, "leaks"), chance(without, "leaks"))
    assert agree(*(mean_of(p.fits["leaky"].quantities["kept"]) for p in (with_it, without)))


def test_evidence_at_power_zero_draws_the_prior() -> None:
    """What the sampler draws without evidence is the prior, by its own distribution function."""
    density = compile_density(whole_tank())
    off = {str(o["id"]): 0.0 for o in (*OBSERVATIONS, *KEPT)}
    drawn = fit(density, density.dials("leaky", power=off), Settings(seed=17, draws=2000)).quantities
    for latent in whole_tank().model.latents:
        for q in (0.05, 0.5, 0.95):
            assert quantile_of(drawn[latent.name], q).agrees(float(latent.prior.ppf(np.array(q)))), (latent.name, q)


def test_same_seed_gives_the_same_numbers() -> None:
    """Same compiled function, seed and inputs: every draw and weight is the same."""
    again = infer(whole_tank(), seed=11)
    assert np.array_equal(again.weights.posterior, whole().weights.posterior)
    for name, found in again.fits.items():
        assert np.array_equal(found.x, whole().fits[name].x)
