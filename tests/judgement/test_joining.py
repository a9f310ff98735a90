"""What is known as the evidence joins, where it is known exactly and against inferences of their own."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from closed_form.camps import Camps, Exact, Reading
from conftest import OBSERVATIONS
from gaugeglass.inference.posterior import Posterior, holds, infer
from gaugeglass.judgement.joining import Joining, date_of, in_order, join
from gaugeglass.judgement.verdicts import judge
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import Spec, Withdrawal

READINGS, U, TAU, LEAST = np.array([0.9, 0.1, 1.4, 1.7]), np.array([0.8, 1.0, 1.2, 0.4]), 2.0, 0.5


def offset() -> Spec:
    """Four readings of one offset, each by its own date; an echo and one that was taken back stand between them."""
    model: dict[str, Any] = {
        "title": "Readings of one offset",
        "latents": {"offset": {"about": "Offset", "unit": "V", "because": "Invented",
                               "prior": {"family": "normal", "mean": "0 V", "sd": f"{TAU} V"}}},
        "methods": {"reading": {"about": "A reading", "measures": "offset", "likelihood": {"family": "normal"}}},
        "hypotheses": {"zero": {"says": "There is no offset", "fix": {"offset": "0 V"}},
                       "free": {"says": "There is some offset", "priors": {"offset": "as stated"}}},
        "claims": {"large": {"says": "The offset is above half a volt", "holds": f"offset > {LEAST} V"}},
    }  # fmt: skip
    observations: list[dict[str, Any]] = [
        {"id": f"r{k}", "method": "reading", "value": f"{y} V", "u": f"{u} V", "date": f"2026-0{k + 1}-01"}
        for k, (y, u) in enumerate(zip(READINGS, U, strict=True))
    ]
    echo = {"id": "echo", "method": "reading", "value": "0.9 V", "u": "0.8 V", "repeats": "r0", "date": "2026-01-15"}
    gone = {"id": "gone", "method": "reading", "value": "9 V", "u": "0.8 V",
            "withdrawn": {"date": "2026-01-20", "because": "A slip"}}  # fmt: skip
    listed = [observations[3], echo, observations[1], gone, observations[0], observations[2]]
    return specify(model, {"dossier": "offset", "subject": "An offset", "observations": listed})


def joined(posterior: Posterior, quantity: str, *, seed: int = 1) -> Joining:
    found = judge(posterior)
    return join(posterior.spec, found, posterior.prior_mixture, posterior.mixture, quantity=quantity, seed=seed)


@pytest.fixture(scope="module")
def steps() -> tuple[Posterior, Joining]:
    posterior = infer(offset(), seed=1)
    return posterior, joined(posterior, "offset")


def test_pieces_join_by_date_then_by_file_and_the_undated_go_last() -> None:
    found = offset()
    r3, echo, r1, gone, r0, r2 = found.dossier.observations
    listed = (replace(r3, date=""), echo, replace(r1, date="2026-01-01"), gone, r0, replace(r2, date="2026"))
    spec = replace(found, dossier=replace(found.dossier, observations=listed))
    assert [unit.name for unit in in_order(spec)] == ["r2", "r1", "r0", "r3"]


def test_a_table_joins_whole_when_its_last_row_was_made() -> None:
    spec = load(OBSERVATIONS / "fleet.yaml")
    pieces = in_order(spec)
    (charges,) = [unit for unit in pieces if unit.name == "charges"]
    assert date_of(spec, charges) == max(o.date for o in spec.evidence if o.table == "charges")
    assert sorted(i for unit in pieces for i in unit.ids) == sorted(o.id for o in spec.evidence)
    assert [unit.name for unit in pieces] == ["workshop-1", "workshop-2", "charges", "deliveries"]


def test_each_step_is_what_is_known_exactly(steps: tuple[Posterior, Joining]) -> None:
    """Closed form, normal-normal: "the offset is 0" against "it is N(0, 2 V)", one, two and three readings of four.

    Within four of the Monte Carlo errors that are stated with the steps.
    """
    _, joining = steps
    assert [step.unit and step.unit.name for step in joining.steps] == [None, "r0", "r1", "r2", "r3"]
    for k, step in enumerate(joining.steps[1:-1], start=1):
        y, u = READINGS[:k], U[:k]
        zero, free = (
            float(stats.multivariate_normal(np.zeros(k), np.diag(u**2) + tau**2).logpdf(y)) for tau in (0.0, TAU)
        )
        weight = 1 / (1 + math.exp(zero - free))
        precision = 1 / TAU**2 + np.sum(1 / u**2)
        mean, sd = np.sum(y / u**2) / precision, precision**-0.5
        assert step.hypotheses["free"] == pytest.approx(weight, abs=4 * step.errors["free"])
        assert step.probability is not None
        exact = weight * stats.norm.sf(LEAST, mean, sd)
        assert step.probability.value == pytest.approx(exact, abs=4 * step.probability.mcse)
        assert step.probability.mcse < 0.02
        assert step.spread.mean == pytest.approx(weight * mean, abs=0.05)


def test_the_first_and_the_last_step_are_what_was_recorded(steps: tuple[Posterior, Joining]) -> None:
    posterior, joining = steps
    verdict, first, last = judge(posterior).verdicts[0], joining.steps[0], joining.steps[-1]
    assert (first.probability, last.probability) == (verdict.prior, verdict.posterior)
    assert np.array_equal(last.draws, posterior.mixture["offset"])
    assert np.array_equal(first.draws, posterior.prior_mixture["offset"])
    assert last.hypotheses == dict(zip(posterior.weights.names, posterior.weights.posterior, strict=True))


def test_the_same_seed_gives_the_same_steps(steps: tuple[Posterior, Joining]) -> None:
    posterior, joining = steps
    again = joined(posterior, "offset")
    assert [s.probability for s in again.steps] == [s.probability for s in joining.steps]
    assert all(np.array_equal(a.draws, b.draws) for a, b in zip(again.steps, joining.steps, strict=True))


def test_without_claims_the_most_probable_hypothesis_is_asked_about(steps: tuple[Posterior, Joining]) -> None:
    posterior, _ = steps
    bare = replace(posterior.spec, model=replace(posterior.spec.model, claims=()))
    found = judge(replace(posterior, spec=bare))
    joining = join(bare, found, posterior.prior_mixture, posterior.mixture, quantity="offset", seed=1)
    assert joining.asked is not None
    assert (joining.asked.claim, joining.asked.kind) == ("free", "hypothesis")
    for step in joining.steps[1:-1]:
        assert step.probability is not None
        assert step.probability.value == pytest.approx(step.hypotheses["free"], abs=1e-12)


def test_without_claims_and_rivals_only_the_quantity_is_followed(steps: tuple[Posterior, Joining]) -> None:
    posterior, _ = steps
    bare = replace(posterior.spec, model=replace(posterior.spec.model, claims=(), hypotheses=()))
    found = infer(bare, seed=1)
    joining = joined(found, "offset")
    assert joining.asked is None
    assert [step.probability for step in joining.steps] == [None] * 5


OPEN_BASES = Camps(
    (40.0,), (*(Reading(y, 0.5, bases=(1.0, 1.3)) for y in (30, 30.3, 29.5)), Reading(23.5, 3)), above=26
)
LABORATORIES = Camps(
    (10, 2, 2, 2),
    tuple(Reading(y, 0.4, (1, *(float(k == lab) for k in range(3))), right=0.7)
          for y, lab in ((-5, 0), (-5.5, 0), (6, 1), (6.4, 1), (5.5, 2))),
)  # fmt: skip


@pytest.mark.parametrize("camps", [OPEN_BASES, LABORATORIES], ids=["open bases", "laboratories"])
@pytest.mark.parametrize("seed", [1, 3])
def test_each_step_is_in_every_mode(camps: Camps, seed: int) -> None:
    """Every way of what is right and what is meant, enumerated. Within four Monte Carlo errors."""
    posterior = infer(camps.spec(), seed=seed)
    joining = joined(posterior, "x0", seed=seed)
    count = len(camps.readings)
    for k in range(1, count):
        found, exact = joining.steps[k].probability, Exact(camps, without=tuple(range(k, count)))
        assert found is not None
        assert found.value == pytest.approx(exact.claim, abs=4 * found.mcse)
        assert found.mcse < 0.03
        assert joining.steps[k].spread.mean == pytest.approx(exact.mean, abs=0.2 * joining.steps[k].spread.sd)


def test_a_mode_that_all_chains_miss_is_not_missed() -> None:
    """Points of table 1 of arXiv:1008.4686: of twelve of the twenty two lines are about as probable.

    Reference: the two coordinates on a grid of 1601 by 1601, and so without sampling. Within four Monte Carlo errors.
    """
    posterior = infer(load(OBSERVATIONS / "outliers.yaml"), seed=1)
    density, (claim, *_) = posterior.density, posterior.spec.model.claims
    joining, pieces = joined(posterior, "slope"), in_order(posterior.spec)
    axis = np.linspace(-6, 6, 1601)
    points = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(1, -1, 2)
    for k in (2, 9, 10, 12):
        dials = density.dials("as_stated", power={i: 0.0 for unit in pieces[k:] for i in unit.ids})
        logs = density.log_densities(points[0], density.pack(dials))
        shares = np.exp(logs - logs.max())
        exact = float(shares @ holds(claim, density.quantities(points, dials))[0] / shares.sum())
        found = joining.steps[k].probability
        assert found is not None
        assert found.value == pytest.approx(exact, abs=4 * found.mcse)
        assert found.mcse < 0.02


@pytest.mark.slow
@pytest.mark.parametrize(("dossier", "quantity"), [("heron-35", "reserve"), ("gravitation", "measurand")])
def test_steps_agree_with_inferences_without_what_has_not_joined(
    dossier: str, quantity: str, request: pytest.FixtureRequest
) -> None:
    """Each of three steps against a whole inference of a dossier in which the rest was withdrawn.

    Within four combined Monte Carlo errors; for the quantity's median that is a fifth of its spread at most, as 400
    effective draws on either side have it.
    """
    posterior: Posterior = request.getfixturevalue({"heron-35": "heron"}.get(dossier, dossier))
    joining, spec = joined(posterior, quantity), posterior.spec
    assert len(joining.steps) == len(in_order(spec)) + 1
    for k in (2, len(joining.steps) // 2, len(joining.steps) - 2):
        rest = {i for unit in in_order(spec)[k:] for i in unit.ids}
        listed = tuple(
            replace(o, withdrawn=Withdrawal("2026-01-01", "Not there yet")) if o.id in rest else o
            for o in spec.dossier.observations
        )
        correlations = tuple(c for c in spec.dossier.correlations if not rest & {*c.between})
        alone = infer(
            replace(spec, dossier=replace(spec.dossier, observations=listed, correlations=correlations)), seed=9
        )
        theirs, ours = judge(alone).verdicts[0].posterior, joining.steps[k].probability
        assert ours is not None
        errors = math.hypot(*(0 if math.isnan(e) else e for e in (ours.mcse, theirs.mcse)), 1e-3)
        assert ours.value == pytest.approx(theirs.value, abs=4 * errors)
        spread = joining.steps[k].spread
        assert spread.median == pytest.approx(float(np.median(alone.mixture[quantity])), abs=0.2 * spread.sd)
