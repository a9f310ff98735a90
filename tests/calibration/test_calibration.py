"""Is a 90 % interval right nine times in ten? Simulation-based calibration of the shipped models, and of broken ones.

S. Talts et al., arXiv:1804.06788, over the mixture of hypotheses; T. Säilynoja et al., arXiv:2502.03279, for truths of the
posterior; the joint log-likelihood as a test quantity by M. Modrák et al., Bayesian Analysis 2025. Seeds are fixed, so
each test gives one answer; limits are such that a right engine fails one seed in a hundred.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from conftest import OBSERVATIONS
from gaugeglass.inference.density import Density, compile_density
from gaugeglass.inference.fanout import HERE, Place
from gaugeglass.judgement.calibration import JOINT, LEVELS, Calibration, calibrate, gather
from gaugeglass.language import families
from gaugeglass.language.expressions import Const, Op, Ref
from gaugeglass.language.families import make_prior
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec
from inference.cluster import Cluster, cluster

SIMULATIONS = 100
QUICKER = {"gravitation": 200, "serials": 200, "serials-dated": 200, "heron-35": 50}
LONGER = {"heron-35": 200, "outliers": 200, "labels": 100, "fleet": 40}
"""How many simulations of a dossier, where that takes seconds, and where it takes minutes."""

__all__ = ["cluster"]  # a fixture


def dossier(name: str) -> Spec:
    return load(OBSERVATIONS / f"{name}.yaml")


def refuse_failures(found: Calibration) -> None:
    assert len(found.failures) <= found.simulations / 20, found.failures[0]
    assert JOINT in [f.quantity for f in found.quantities]


@pytest.mark.parametrize(
    ("name", "simulations"),
    [
        *(pytest.param(name, count, marks=pytest.mark.slow) for name, count in QUICKER.items()),
        *(pytest.param(name, count, marks=pytest.mark.long) for name, count in LONGER.items()),
    ],
)
def test_shipped_model_is_calibrated(name: str, simulations: int) -> None:
    """Truths from the prior, the dossier's own evidence simulated from each: what is said is borne out."""
    found = calibrate(dossier(name), simulations=simulations, seed=1)
    refuse_failures(found)
    assert found.off == ()


@pytest.mark.parametrize(
    "name",
    [
        *(pytest.param(name, marks=pytest.mark.slow) for name in ("gravitation", "serials")),
        *(pytest.param(name, marks=pytest.mark.long) for name in ("heron-35", "outliers")),
    ],
)
def test_shipped_model_is_calibrated_about_its_posterior(name: str) -> None:
    """Truths from the posterior, inferred from the observed evidence and a simulated repetition together."""
    found = calibrate(dossier(name), simulations=SIMULATIONS, truths="posterior", seed=1)
    refuse_failures(found)
    assert found.off == ()


@pytest.mark.slow
def test_a_calibration_is_the_same_bit_for_bit_wherever_it_is_done(cluster: Cluster) -> None:
    """In threads, in processes and on a cluster, one of whose workers is killed in the middle."""
    told = []

    def kill_one(what: str, share: float) -> None:
        if what.startswith("simulation 10 "):
            cluster.workers[0].kill()

    for place in (HERE, Place(processes=2), Place(cluster=cluster.address)):
        progress = kill_one if place.cluster else None
        told.append(calibrate(dossier("gravitation"), simulations=30, seed=4, place=place, progress=progress))
    assert cluster.workers[0].poll() is not None
    assert told[0] == told[1] == told[2]


# --- broken engines -----------------------------------------------------------------------------------------


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


def with_other_weights(right: Density) -> Density:
    """Refits hold that the laboratories agree to be a tenth as probable as truths have it."""
    model = right.spec.model
    weights = tuple(replace(h, prior_weight=h.prior_weight / 10) if h.name == "agree" else h for h in model.hypotheses)
    return compile_density(replace(right.spec, model=replace(model, hypotheses=weights)))


@pytest.mark.slow
@pytest.mark.parametrize("breaking", [with_halved_u, with_evidence_counted_twice, with_another_prior])
def test_a_density_that_is_broken_is_caught_by_ranks(breaking: Callable[[Density], Density]) -> None:
    found = calibrate(dossier("gravitation"), simulations=SIMULATIONS, seed=1, refit=breaking)
    assert any(f.shape for f in found.quantities)


@pytest.mark.slow
def test_weights_that_are_wrong_are_caught_by_what_comes_true() -> None:
    """All draws under each hypothesis are right, so that only probabilities and the mixture tell."""
    found = calibrate(dossier("gravitation"), simulations=2 * SIMULATIONS, seed=1, refit=with_other_weights)
    assert next(c.shape for c in found.chances if c.name == "agree") == "too low"


def without_jacobian(spec: Spec, family: str, kernel: families.Node, monkeypatch: pytest.MonkeyPatch) -> Callable[[Density], Density]:  # fmt: skip
    """What gives a density a program in which a family's density is that of the value, as if nothing were transformed."""
    with monkeypatch.context() as patched:
        row = replace(families.FAMILIES[family], kernel=kernel)
        patched.setitem(families.FAMILIES, family, row)
        broken = compile_density(spec).machine
    assert broken.digest != compile_density(spec).machine.digest
    return lambda right: replace(right, machine=broken)


@pytest.mark.long
def test_a_missing_jacobian_is_caught_in_the_demo(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of beta priors: their exponents are one less for the share itself than for its logit."""
    spec = dossier("heron-35")
    less = {name: Op("sub", (Ref(name), Const(1.0))) for name in ("alpha", "beta")}
    kernel = Op("add", (Op("mul", (less["alpha"], Ref("below"))), Op("mul", (less["beta"], Ref("above")))))
    breaking = without_jacobian(spec, "beta", kernel, monkeypatch)
    found = calibrate(spec, simulations=SIMULATIONS, seed=1, refit=breaking)
    assert {"reserve", "large_reserve"} <= set(found.off)  # a share that little is known of, and the claim about it


# --- what is made of simulations ----------------------------------------------------------------------------


def simulations(ranks: np.ndarray, p: np.ndarray, came: np.ndarray) -> list[dict[str, object]]:
    return [
        {
            "hypothesis": "agree" if c else "scattered",
            "ranks": {"measurand": int(r)},
            "claims": {"too_small": (float(q), bool(c)), "above": (0.5, k % 2 == 0), "wide_scatter": (0.5, k % 2 == 0)},
            "weights": {"agree": float(q), "stretched": 0.0, "scattered": float(1 - q)},
            "drawn": {"somehow": 3},
        }
        for k, (r, q, c) in enumerate(zip(ranks, p, came, strict=True))
    ]


@pytest.mark.parametrize(
    ("a", "b", "shape"),
    [(1, 1, ""), (0.3, 0.3, "too narrow"), (4, 4, "too wide"), (4, 1, "too low"), (1, 4, "too high")],
)
def test_ranks_are_judged_as_they_are(a: float, b: float, shape: str) -> None:
    rng = np.random.default_rng(3)
    ranks = (rng.beta(a, b, 200) * LEVELS).astype(int)
    p = rng.uniform(size=200)
    found = gather(dossier("gravitation"), simulations(ranks, p, rng.uniform(size=200) < p), truths="prior", seed=1)
    (own,) = [f for f in found.quantities if f.quantity == "measurand"]
    assert (own.shape, own.inside) == (shape, int(np.sum((ranks >= 5) & (ranks < 95))))
    assert found.off == (("measurand",) if shape else ())
    assert found.drawn == {"somehow": 600}


@pytest.mark.parametrize(
    ("said", "shape"),
    [
        (lambda p: p, ""),
        (lambda p: 0.5 * p, "too low"),
        (lambda p: 1 - 0.5 * (1 - p), "too high"),
        (lambda p: p**4 / (p**4 + (1 - p) ** 4), "too narrow"),
        (lambda p: 0.5 + 0.3 * (p - 0.5), "too wide"),
    ],
)
def test_probabilities_are_judged_as_they_are(said: Callable[[np.ndarray], np.ndarray], shape: str) -> None:
    rng = np.random.default_rng(5)
    p = rng.uniform(0.01, 0.99, size=400)
    made = simulations(rng.integers(0, LEVELS, 400), said(p), rng.uniform(size=400) < p)
    found = gather(dossier("gravitation"), made, truths="prior", seed=1)
    assert {c.name: c.shape for c in found.chances}["too_small"] == shape
    assert {c.name: c.shape for c in found.chances}["above"] == ""


def test_what_could_not_be_inferred_is_counted_and_not_judged() -> None:
    rng = np.random.default_rng(5)
    p = rng.uniform(size=20)
    good = simulations(rng.integers(0, LEVELS, 20), p, rng.uniform(size=20) < p)
    found = gather(dossier("gravitation"), [*good, {"failed": "agree: R-hat 2"}], truths="prior", seed=1)
    assert (found.simulations, found.used, found.failures) == (21, 20, ("agree: R-hat 2",))
    assert found.tests == 2 * 1 + 6
    assert found.limit == pytest.approx(0.01 / 8)
