"""What a pool answers where everything is known exactly, and against refits; and how it is made."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from arviz_stats.base import array_stats
from scipy import special, stats

from closed_form.test_audit import HYPOTHESES, LEVEL, PRIOR_SD, READINGS, Exact, U, X, line
from conftest import OBSERVATIONS
from gaugeglass.inference.posterior import Posterior, holds, infer
from gaugeglass.inference.rows import log_density_of_values
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement import answers
from gaugeglass.judgement.answers import FEWEST, Answer, State, what_if
from gaugeglass.judgement.atoms import Split, split
from gaugeglass.judgement.blocks import Block
from gaugeglass.judgement.codes import MISSING, coded, coded_below, moved_apart
from gaugeglass.judgement.findings import Unit
from gaugeglass.judgement.leaving import Left, leave_out, units
from gaugeglass.judgement.pieces import laid_out, told
from gaugeglass.judgement.pooling import make_pool
from gaugeglass.judgement.pools import (
    Atom,
    Compared,
    Component,
    Pool,
    PooledClaim,
    PooledHypothesis,
    PooledQuantity,
    PooledReading,
    PooledUnit,
    Scaling,
)
from gaugeglass.judgement.scalings import FACTORS, curves, log_likelihood_at
from gaugeglass.language.expressions import lower_truth
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import Claim
from references.estimates import ERRORS, Estimate

RMS = 1.6
"""What standard scores over many states may have for a root mean square: they share draws, so that it scatters. [1]"""


def pooled(posterior: Posterior) -> tuple[Pool, list[Left]]:
    lefts = leave_out(posterior, units(posterior.spec))
    return make_pool(posterior, lefts), lefts


# --- a line, of which all is known exactly ------------------------------------------------------------------


@cache
def whole_of_line() -> Posterior:
    return infer(line(), seed=1, draws=4000)


@cache
def of_line() -> tuple[Pool, list[Left]]:
    return pooled(whole_of_line())


def exact(off: set[int], *, scale: dict[int, float], prior: dict[str, float], at: float) -> tuple[float, np.ndarray]:
    """The probability that the level lies above a number, and the weights of the hypotheses."""
    kept = [k for k in range(len(X)) if k not in off]
    u = np.array([U[k] * scale.get(k, 1.0) for k in range(len(X))])
    logs, chances = [], []
    for columns in HYPOTHESES.values():
        design = np.stack([np.ones(len(X)), X], axis=1)[kept][:, columns]
        cov = np.diag(PRIOR_SD[columns] ** 2)
        total = design @ cov @ design.T + np.diag(u[kept] ** 2)
        gain = cov @ design.T @ np.linalg.inv(total)
        logs.append(float(stats.multivariate_normal(np.zeros(len(kept)), total).logpdf(READINGS[kept])))
        mean, variance = (gain @ READINGS[kept])[0], (cov - gain @ design @ cov)[0, 0]
        chances.append(float(stats.norm.sf(at, mean, math.sqrt(variance))))
    weights = special.softmax(np.array(logs) + np.log([prior["flat"], prior["sloped"]]))
    return float(weights @ chances), weights


STATED = {"flat": 1 / 3, "sloped": 2 / 3}
LINE_STATES: list[tuple[State, dict[str, Any]]] = [
    (State(), {}),
    *((State(off=[f"r{k}"]), {"off": {k}}) for k in range(5)),
    (State(off=["origin one bench"]), {"off": {2, 3}}),
    *((State(off=[f"r{j}", f"r{k}"]), {"off": {j, k}}) for j, k in itertools.combinations(range(5), 2)),
    *((State(scale={f"r{k}": f}), {"scale": {k: f}}) for k in range(5) for f in (0.5, 0.7, 2.0, 4.0)),
    *((State(prior={"flat": p, "sloped": 1 - p}), {"prior": {"flat": p, "sloped": 1 - p}}) for p in (0.02, 0.5, 0.9)),
    *((State(at={"high": a}), {"at": a}) for a in (-0.2, 0.3, 0.9, 1.3)),
    (State(off=["r1"], scale={"r4": 2.0}, at={"high": 0.9}), {"off": {1}, "scale": {4: 2.0}, "at": 0.9}),
    (State(off=["r1"], scale={"r1": 2.0}), {"off": {1}}),
]


def scores(answer: Answer, claim: float, weights: np.ndarray) -> list[float]:
    """How far an answer is off, in its errors; those of two weights are one."""
    p, w = answer.claims["high"], answer.hypotheses["flat"]
    return [(p.value - claim) / p.mcse, (w.value - weights[0]) / w.mcse]


def test_answers_of_a_line_are_those_known_exactly() -> None:
    """Closed form, Bayesian linear regression with known errors under two hypotheses: each observation and origin off,
    pairs of them, other u, prior weights and numbers of the claim.

    Each within four of the errors that are told; all of them together about as far off as these say.
    """
    pool, _ = of_line()
    found = []
    for state, asked in LINE_STATES:
        answer = what_if(pool, state)
        whole = {"off": set(), "scale": {}, "prior": STATED, "at": LEVEL} | asked
        claim, weights = exact(whole.pop("off"), **whole)
        if math.isnan(answer.claims["high"].mcse):
            assert (answer.claims["high"].at_least or 1) <= claim
        elif answer.reliable:
            found += scores(answer, claim, weights)
    assert len(found) >= 2 * 35
    assert np.max(np.abs(found)) < ERRORS
    assert 0.4 < math.sqrt(np.mean(np.square(found))) < RMS


def test_without_one_unit_the_answer_is_that_of_the_audit() -> None:
    """To 1e-5, as what is known of a component goes before what its few draws in the pool say."""
    pool, lefts = of_line()
    for left, unit in zip(lefts, pool.units, strict=True):
        answer = what_if(pool, State(off=[unit.label]))
        assert answer.reliable
        claim = left.probability(lambda h, fit: (fit.quantities["level"] > LEVEL).astype(float))
        assert answer.claims["high"].value == pytest.approx(claim.value, abs=1e-5)
        assert answer.claims["high"].mcse == pytest.approx(claim.mcse, rel=0.1)
        assert [p.value for p in answer.hypotheses.values()] == pytest.approx(left.weights.posterior, abs=1e-5)


def test_the_base_state_is_what_is_published() -> None:
    pool, _ = of_line()
    posterior, answer = whole_of_line(), what_if(pool, State())
    assert [p.value for p in answer.hypotheses.values()] == pytest.approx(posterior.weights.posterior, abs=1e-5)
    assert [p.mcse for p in answer.hypotheses.values()] == pytest.approx(posterior.weights.mcse, rel=0.1)
    shares = [holds(posterior.spec.model.claims[0], f.quantities).mean() for f in posterior.fits.values()]
    assert answer.claims["high"].value == pytest.approx(posterior.weights.posterior @ shares, abs=1e-5)


def test_prior_odds_move_weights_as_bayes_has_it() -> None:
    pool, _ = of_line()
    was, now = (what_if(pool, State(prior=p)).hypotheses["flat"].value for p in ({}, {"flat": 4.0, "sloped": 2.0}))
    before = STATED["flat"] / STATED["sloped"]
    assert now / (1 - now) == pytest.approx(was / (1 - was) * 2.0 / before)


# --- the error that is told ---------------------------------------------------------------------------------


def of_one_number(seed: int, draws: int) -> Pool:
    """A pool of a number with prior N(0, 1) and readings 1.2 and -0.5 with u 1, and without each of them."""
    rng, y, u = np.random.default_rng(seed), np.array([1.2, -0.5]), 1.0
    ons = [[0, 1], [1], [0]]
    answers_ = [number(y[on], u) for on in ons]
    x = np.concatenate([rng.normal(mean, sd, draws) for mean, sd, _ in answers_])
    told = [stats.norm.logpdf(v, x, u) for v in y]
    columns = (*(coded_below(t, bits=16) for t in told), coded(x, bits=16))
    chances = tuple(float(stats.norm.sf(0.3, mean, sd)) for mean, sd, _ in answers_)
    return Pool(
        hypotheses=(PooledHypothesis("only", "It is", 1.0, answers_[0][2], 0.0, 0, len(x)),),
        components=tuple(
            Component(0, off, draws, a[2], 0.0, anchored=True) for off, a in zip((None, 0, 1), answers_, strict=True)
        ),
        atoms=(Atom("a"), Atom("b")),
        units=(PooledUnit("observation", "a", (0,)), PooledUnit("observation", "b", (1,))),
        blocks=(Block((0,), {1: 0}), Block((1,), {1: 1})),
        readings=tuple(
            PooledReading(n, "", "V", "", v, v, v, k, None, Scaling("normal", -math.log(u * math.sqrt(2 * math.pi))))
            for k, (n, v) in enumerate(zip("ab", y, strict=True))
        ),
        quantities=(PooledQuantity("x", "", "V", 2, True),),
        claims=(PooledClaim("high", "", 0.5, 2, Compared(">", 0.3, "V"), chances, (0.0,) * 3),),
        columns=columns,
    )


def number(y: np.ndarray, u: float | np.ndarray) -> tuple[float, float, float]:
    """Mean, sd and log marginal likelihood."""
    own = np.broadcast_to(u, y.shape)
    precision = 1 + np.sum(own**-2.0)
    log = stats.multivariate_normal(np.zeros(len(y)), np.eye(len(y)) * own**2 + 1).logpdf(y) if len(y) else 0.0
    return float(np.sum(y / own**2) / precision), float(precision**-0.5), float(log)


@pytest.mark.parametrize(("asked", "most"), [("moved", 1.2), ("wide", 1.2), ("neither", 1.4)])
def test_the_error_that_is_told_is_how_far_answers_scatter(asked: str, most: float) -> None:
    """Closed form, over 150 pools of other draws: standard scores have a root mean square of 1 within a fifth.

    Of 100 independent ones it scatters by 0.07. "neither" leaves both readings out, of which there are no draws: weights
    whose tail has a k about 0.5 have errors that are told somewhat too small, for which two fifths are left.
    """
    y = np.array([1.2, -0.5])
    states = {
        "moved": (State(at={"high": 0.7}), number(y, 1.0), 0.7),
        "wide": (State(scale={"a": 3.0}), number(y, np.array([3.0, 1.0])), 0.3),
        "neither": (State(off=["a", "b"]), number(y[:0], 1.0), 0.3),
    }
    state, (mean, sd, _), at = states[asked]
    truth, found = float(stats.norm.sf(at, mean, sd)), []
    for seed in range(150):
        answer = what_if(of_one_number(seed, 300), state)
        p = answer.claims["high"]
        if answer.reliable:
            found.append((p.value - truth) / p.mcse)
    assert len(found) >= 100
    assert 0.8 < math.sqrt(np.mean(np.square(found))) < most
    assert abs(np.mean(found)) < most * ERRORS / math.sqrt(len(found))


@pytest.mark.parametrize("off", [[], ["a"], ["b"]])
def test_marginal_likelihoods_and_claims_that_are_known_are_not_estimated(off: list[str]) -> None:
    """Closed form: what is known of a component is the answer there, whatever its draws."""
    pool, kept = of_one_number(1, 60), [k for k, n in enumerate("ab") if n not in off]
    mean, sd, log = number(np.array([1.2, -0.5])[kept], 1.0)
    told = answers._told(pool, State(off=off))
    assert told is not None
    part = answers._Part(pool, 0, told - pool.mixtures[0].log_density, [0, 1, 2][[[], ["a"], ["b"]].index(off)])
    assert part.log_z == pytest.approx(log, abs=1e-4)
    assert what_if(pool, State(off=off)).claims["high"].value == pytest.approx(stats.norm.sf(0.3, mean, sd), abs=1e-4)


# --- how far an answer can be trusted -----------------------------------------------------------------------


def test_effective_draws_and_the_tail_are_those_of_the_weights() -> None:
    """Kish's effective size; k by ArviZ's psislw on the greatest weights, as many as there are effective draws."""
    pool = of_one_number(2, 400)
    state = State(off=["a", "b"])
    answer = what_if(pool, state)
    w = answer.shares
    assert answer.effective["only"] == pytest.approx(w.sum() ** 2 / (w**2).sum())
    greatest = np.sort(np.log(w))[-math.ceil(answer.effective["only"]) :]
    _, k = array_stats.psislw(-greatest, axis=0)
    assert answer.pareto_k["only"] == pytest.approx(float(k), abs=1e-6)


def test_what_the_draws_do_not_reach_is_not_reliable() -> None:
    """A reading five times as sharp stands on few draws of a pool this small; the base state on all."""
    pool = of_one_number(3, 60)
    assert what_if(pool, State()).reliable
    assert not what_if(pool, State(scale={"a": 0.05, "b": 0.05})).reliable


def test_a_hypothesis_of_few_draws_matters_only_where_it_is_probable() -> None:
    pool, _ = of_line()
    few = replace(pool, hypotheses=(replace(pool.hypotheses[0], prior=1e-9), pool.hypotheses[1]))
    rare, asked = what_if(few, State(scale={"r0": 2.0})), State(scale={"r0": 2.0}, prior={"flat": 1.0})
    assert rare.weakest == "sloped"
    assert what_if(few, asked).hypotheses["flat"].value > 0.1
    assert rare.effective["flat"] > FEWEST / 100


# --- codes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [3.0, 60.0, 5000.0])
def test_codes_of_log_likelihoods_are_fine_where_it_matters(depth: float) -> None:
    """0.02 nat within 50 nat of the greatest value, though the least be far off; beyond 400 nat all count alike."""
    values = -(np.random.default_rng(1).uniform(0, 1, 5000) ** 2) * depth + 7.0
    values[3] = -np.inf
    column = coded_below(values, bits=13)
    near = values > values.max() - 50
    assert np.max(np.abs(column.values[near] - values[near])) < 0.02
    assert column.values[3] == -np.inf
    assert column.codes[3] == MISSING
    assert column.values[4:].min() > values.max() - 401


def test_codes_keep_numbers_and_the_side_of_a_number_that_they_are_on() -> None:
    values = np.random.default_rng(2).lognormal(0, 2, 4000)
    values[0] = np.nan
    column = moved_apart(coded(values, bits=11), values, 1.0)
    assert column.scale == "log"
    assert np.isnan(column.values[0])
    assert np.array_equal(column.values[1:] > 1.0, values[1:] > 1.0)
    assert np.max(np.abs(np.log(column.values[1:] / values[1:]))) < np.ptp(np.log(values[1:])) / 2000


def test_a_number_on_a_limit_stays_on_the_side_that_it_counts_to() -> None:
    values = np.sort(np.random.default_rng(3).normal(size=500))
    at = float(values[200])
    for is_above, first in ((False, 201), (True, 200)):
        now = moved_apart(coded(values, bits=8), values, at, is_above=is_above).values
        assert np.array_equal(now >= at if is_above else now > at, np.arange(500) >= first)


# --- what a claim compares ---------------------------------------------------------------------------------------


def test_a_claim_on_an_expression_answers_at_any_number() -> None:
    """Closed form: level less slope is normal under each hypothesis, with other evidence too; four errors."""
    spec = line()
    units_ = {name: q.unit for name, q in spec.model.quantities.items()}
    text = "level - slope > 0.2 [V]"
    claim = Claim("apart", "They are apart", lower_truth(text, units_), text)
    spec = replace(spec, model=replace(spec.model, claims=(*spec.model.claims, claim)))
    pool, _ = pooled(infer(spec, seed=1, draws=4000))
    asked = pool.claims[1]
    assert asked.compare == Compared(">", 0.2, "V", "level - slope")
    for off, at in itertools.product([[], ["r1"], ["r0", "r4"]], [None, -0.4, 0.2, 0.9]):
        kept = Exact([k for k in range(5) if f"r{k}" not in off])
        truth = 0.0
        for name, w in kept.weights.items():
            pull = np.array([1.0, -1.0])[: len(kept.mean[name])]
            mean, sd = float(pull @ kept.mean[name]), math.sqrt(pull @ kept.covariance[name] @ pull)
            truth += w * float(stats.norm.sf(0.2 if at is None else at, mean, sd))
        answer = what_if(pool, State(off=off, at={} if at is None else {"apart": at}))
        assert answer.reliable
        p = answer.claims["apart"]
        assert Estimate(p.value, p.mcse).agrees(truth)
        assert p.mcse < 0.03


# --- blocks -------------------------------------------------------------------------------------------------


def graded(count: int) -> Posterior:
    """Readings of a level by two graded sources and a plain one, the first with an open basis too."""
    model = {
        "title": "Readings of a level",
        "latents": {
            "level": {
                "about": "Level",
                "unit": "V",
                "prior": {"family": "normal", "mean": "0 V", "sd": "3 V"},
                "because": "Invented",
            }
        },
        "grades": {"reliability": {"B": "80 %", "C": "60 %"}, "credibility": {"2": "90 %"}},
        "methods": {
            "report": {
                "about": "A report",
                "measures": "level",
                "likelihood": {"family": "normal"},
                "wrong": {"family": "uniform", "lower": "-20 V", "upper": "20 V"},
                "basis": ["plain", {"name": "doubled", "factor": "2"}],
            },
            "reading": {"about": "A reading", "measures": "level", "likelihood": {"family": "normal"}},
        },
        "claims": {"high": {"says": "The level is high", "holds": "level > 1 V"}},
    }
    observations: list[dict[str, Any]] = [
        {
            "id": f"r{k}",
            "method": "report",
            "value": f"{1.0 + 0.7 * k} V",
            "u": "0.6 V",
            "grade": "B2",
            "origin": "a paper",
        }
        for k in range(count)
    ]
    observations += [
        {"id": "c0", "method": "report", "value": "2.2 V", "u": "0.5 V", "grade": "C2", "basis": "plain"},
        {"id": "p0", "method": "reading", "value": "1.1 V", "u": "0.8 V"},
        {"id": "p1", "method": "reading", "value": "0.4 .. 1.4 V", "u": "0.7 V"},
        {"id": "p2", "method": "reading", "value": ">= 0.5 V", "u": "0.7 V"},
    ]
    return infer(specify(model, {"dossier": "level", "subject": "A level", "observations": observations}), seed=1)


@cache
def of_graded() -> tuple[Pool, list[Left]]:
    return pooled(graded(4))


def every(block: Block) -> list[list[int]]:
    """All choices of some of a block's atoms."""
    places = range(len(block.atoms))
    return [list(on) for size in places for on in itertools.combinations(places, size + 1)]


def test_serial_numbers_are_told_as_the_density_has_them() -> None:
    """Without a number that is not the greatest, whose coordinate means the same: 1e-6 nat, of the compiled density."""
    posterior = infer(load(OBSERVATIONS / "serials.yaml"), seed=1)
    density, few = posterior.density, first_draws(posterior)
    (block,), pieces = laid_out(density, split(density, units(posterior.spec)))
    assert [piece.what for piece in pieces] == ["total", "reached"]
    columns = told(density, pieces, few)
    at = [
        density.log_densities(few.x[0], density.pack(density.dials("as_stated", power=p))) for p in ({}, {"first": 0.0})
    ]
    with_it, without = (block.told(on, columns.__getitem__) for on in ([0, 1, 2, 3], [1, 2, 3]))
    assert with_it is not None
    assert with_it - without == pytest.approx(at[0] - at[1], abs=1e-6)


@pytest.mark.parametrize("count", [2, 4])
def test_every_choice_of_a_block_is_told_as_the_density_has_it(count: int) -> None:
    """What it adds to all the rest of the evidence, by the compiled density: 1e-6 nat, before it is coded."""
    posterior = graded(count)
    density, parts = posterior.density, split(posterior.density, units(posterior.spec))
    assert sorted(map(len, parts.blocks)) == [1, 1, 1, 1, count]
    few = first_draws(posterior, 40)
    blocks, pieces = laid_out(density, parts)
    columns = told(density, pieces, few)
    assert len(columns) == len(pieces) == 4 + (3 if count == 2 else 2 * count)
    for block in blocks:
        own = [parts.ids[atom] for atom in block.atoms]
        for choice in every(block):
            off = {i: 0.0 for ids in own for i in ids}
            on = off | {i: 1.0 for k in choice for i in own[k]}
            with_it, without = (density.log_densities(few.x[0], density.pack(density.dials("as_stated", power=p))) for p in (on, off))  # fmt: skip
            assert block.told(choice, columns.__getitem__) == pytest.approx(with_it - without, abs=1e-6)


def test_what_cannot_be_wrong_is_told_beside_what_can() -> None:
    """As of a table of which some rows have a grade: 1e-6 nat, of the compiled density."""
    posterior = graded(4)
    density, few = posterior.density, first_draws(posterior, 40)
    ids_ = (("r0", "p0"), ("r1", "p1"), ("r2",), ("r3",))
    parts = Split(tuple(map(Atom, "abcd")), ids_, ((0,), (1,), (2,), (3,)), ((0, 1, 2, 3),))
    ids = {i for own in parts.ids for i in own}
    (block,), pieces = laid_out(density, parts)
    assert [s.reliable for s in block.sources] == [1.0, 0.8]
    columns = told(density, pieces, few)
    for choice in every(block):
        on = dict.fromkeys(ids, 0.0) | {i: 1.0 for k in choice for i in parts.ids[k]}
        with_it, without = (density.log_densities(few.x[0], density.pack(density.dials("as_stated", power=p))) for p in (on, dict.fromkeys(ids, 0.0)))  # fmt: skip
        assert block.told(choice, columns.__getitem__) == pytest.approx(with_it - without, abs=1e-6)


def test_any_choice_of_a_long_block_is_answered_as_a_refit_has_it() -> None:
    """Two readings and three of four by a source that may be wrong, of an open basis: four combined errors."""
    posterior = graded(4)
    pool, _ = pooled(posterior)
    claim = posterior.spec.model.claims[0]
    for off in (["r1", "r2"], ["r0", "r1", "r3"], ["r3", "c0"]):
        p, left = what_if(pool, State(off=off)), refitted(posterior, pool, State(off=off))
        theirs = left.probability(lambda h, fit: holds(claim, fit.quantities))
        assert p.answered
        assert p.reliable
        assert Estimate(p.claims["high"].value, p.claims["high"].mcse).agrees(theirs.value, mcse=theirs.mcse)


def test_of_a_block_that_pieces_cannot_tell_only_what_leaves_one_or_a_unit_out_is_answered() -> None:
    """As a record has it that was made when there were no pieces."""
    pool, _ = pooled(graded(4))
    k, block = next((k, b) for k, b in enumerate(pool.blocks) if len(b.atoms) > 1)
    every_column = {0b1111: 0, 0b1110: 0, 0b1101: 0, 0b1011: 0, 0b0111: 0}
    bare = replace(pool, blocks=(*pool.blocks[:k], Block(block.atoms, every_column), *pool.blocks[k + 1 :]))
    assert what_if(bare, State(off=["r1"])).answered
    two = what_if(bare, State(off=["r1", "r2"]))
    assert not two.answered
    assert not two.reliable
    assert math.isnan(two.claims["high"].value)


def test_totals_below_the_second_greatest_number_are_not_answered() -> None:
    """No draw lies there: each was drawn with the greatest or the second greatest."""
    pool, _ = pooled(infer(load(OBSERVATIONS / "serials.yaml"), seed=1))
    assert what_if(pool, State(off=["second", "fourth"])).answered
    assert what_if(pool, State(off=["third", "fourth"])).answered
    assert not what_if(pool, State(off=["third", "first"])).answered
    assert not what_if(pool, State(off=["first", "second", "third", "fourth"])).answered


def test_a_reading_that_is_told_by_pieces_has_a_u_to_change() -> None:
    """Two that are told by subsets have none: whatever subset one is in, its columns are not its own."""
    alone = {"c0": "columns", "p0": "normal", "p1": "curves", "p2": "columns"}
    for count, kind in ((2, None), (4, "bases")):
        pool, _ = pooled(graded(count))
        kinds = {r.id: r.scaling and r.scaling.kind for r in pool.readings}
        assert kinds == {f"r{k}": kind for k in range(count)} | alone


@pytest.mark.parametrize("state", [
    State(), State(scale={"r1": 2.0}), State(scale={"r0": 0.5}), State(scale={"r3": 4.0, "r2": 2.0, "c0": 2.0}),
    State(off=["r3"], scale={"r0": 4.0, "r3": 2.0}), State(off=["r0", "p0"], scale={"r1": 0.5, "r2": 0.5}),
])  # fmt: skip
def test_another_u_of_readings_that_may_be_wrong_together_is_answered(state: State) -> None:
    """By quadrature over the level, of all ways in which the readings may have come about: four errors."""
    level = np.linspace(-12, 12, 20_001)
    wrong = 1 / 40
    u = dict.fromkeys(("r0", "r1", "r2", "r3"), 0.6) | {"c0": 0.5, "p0": 0.8}
    u = {i: v * state.scale.get(i, 1.0) for i, v in u.items()}

    def told(i: str, y: float, factor: float = 1.0) -> np.ndarray:
        return np.asarray(0.9 * stats.norm.pdf(y, factor * level, u[i]) + 0.1 * wrong)

    on = [k for k in range(4) if f"r{k}" not in state.off]
    right = sum(0.5 * np.prod([told(f"r{k}", 1.0 + 0.7 * k, f) for k in on], axis=0) for f in (1.0, 2.0))
    density = stats.norm.pdf(level, 0, 3) * (0.8 * right + 0.2 * wrong ** len(on))
    density *= 0.6 * told("c0", 2.2) + 0.4 * wrong
    if "p0" not in state.off:
        density *= stats.norm.pdf(1.1, level, u["p0"])
    density *= stats.norm.cdf(1.4, level, 0.7) - stats.norm.cdf(0.4, level, 0.7)
    density *= stats.norm.sf(0.5, level, 0.7)
    truth = density[level > 1].sum() / density.sum()
    pool, _ = of_graded()
    answer = what_if(pool, state)
    assert answer.reliable
    assert Estimate(answer.claims["high"].value, answer.claims["high"].mcse).agrees(truth)


def first_draws(posterior: Posterior, count: int = 60) -> Fit:
    fit = next(iter(posterior.fits.values()))
    return replace(fit, x=fit.x[:1, :count], quantities=fit.quantities.each(lambda v: v[:1, :count]))


def test_log_likelihoods_at_another_u_are_those_of_the_density_at_one() -> None:
    """At the factor 1 they are what the compiled density says of each reading: 1e-6 nat. A graded one is among them."""
    posterior = graded(2)
    density, few = posterior.density, first_draws(posterior)
    for o in posterior.spec.evidence[2:]:
        found = log_likelihood_at(density, o, 1.0, few.quantities.each(np.ravel), few.x[0])
        off = {other.id: 0.0 for other in posterior.spec.evidence}
        on, none = (density.log_densities(few.x[0], density.pack(density.dials("as_stated", power=p))) for p in (off | {o.id: 1.0}, off))  # fmt: skip
        assert found == pytest.approx(on - none, abs=1e-6)


def test_curves_are_the_log_likelihoods_at_another_u() -> None:
    """0.02 nat where they are within 50 nat of the greatest; interpolated, and beyond their ends."""
    posterior = graded(2)
    o = next(o for o in posterior.spec.evidence if o.id == "p1")
    found = curves(posterior.density, o)
    assert found is not None
    at, others = found
    level = np.linspace(-6, 8, 400)
    x = {"level": level}
    quantities = type(first_draws(posterior).quantities)(x, {})
    stated, *scaled = (
        log_likelihood_at(posterior.density, o, f, quantities, np.zeros((400, 1))) for f in (1.0, *FACTORS)
    )
    near = stated > stated.max() - 50
    for factor, expected in zip(FACTORS, scaled, strict=True):
        own = answers._straight(stated, at, others[factor])
        assert np.max(np.abs(own - expected)[near]) < 0.02


def test_serial_numbers_make_one_block_and_stand_where_they_may() -> None:
    """Closed form: totals above the greatest of k numbers have their prior's density over T (T - 1) ... (T - k + 1), by
    quadrature, without each number in turn. The half below the greatest is the density's own convention.
    """
    posterior = infer(load(OBSERVATIONS / "serials.yaml"), seed=1)
    pool, _ = pooled(posterior)
    numbers_ = {o.id: o.value for o in posterior.spec.evidence}
    assert [len(b.atoms) for b in pool.blocks] == [len(numbers_)]
    prior = posterior.spec.model.latents[0].prior
    lower, upper = prior.bounds
    said = posterior.spec.givens["said"]
    for name in numbers_:
        rest = [v for n, v in numbers_.items() if n != name]
        t = np.exp(np.linspace(math.log(max(*rest, lower + 0.5) - 0.5), math.log(min(upper, 1e9)), 400_001))
        logs = log_density_of_values(prior, t) - sum(np.log(t - j) for j in range(len(rest)))
        density = t * np.exp(logs - np.nanmax(logs))
        truth = float(np.trapezoid(density * (t < said), np.log(t)) / np.trapezoid(density, np.log(t)))
        p = what_if(pool, State(off=[name])).claims["fewer_than_said"]
        assert Estimate(p.value, p.mcse).agrees(truth, half_digit=1e-3)


# --- as a whole ---------------------------------------------------------------------------------------------


def test_atoms_are_the_fewest_of_which_all_units_are_made() -> None:
    """Rows of a table go together but for those that an origin has in common with what is listed, which has its name."""
    spec = load(OBSERVATIONS / "fleet.yaml")
    rows = spec.dossier.tables[0].rows[:6]
    rows = tuple(replace(o, origin=name) for o, name in zip(rows, "AABBBC", strict=True))
    listed = tuple(replace(o, origin="A") if o.id == "workshop-1" else o for o in spec.dossier.observations)
    dossier = replace(spec.dossier, observations=listed, tables=(replace(spec.dossier.tables[0], rows=rows),))
    few = replace(spec, dossier=dossier)
    from gaugeglass.inference.density import compile_density

    chosen = units(few)
    parts = split(compile_density(few), chosen)
    table = spec.dossier.tables[0].id
    assert parts.atoms[-2:] == (Atom(table, "A"), Atom(table))
    for unit, own in zip(chosen, parts.units, strict=True):
        assert {i for atom in own for i in parts.ids[atom]} == set(unit.ids)
    assert sorted(i for ids in parts.ids for i in ids) == sorted(o.id for o in few.evidence)


def test_the_same_posterior_makes_the_same_pool() -> None:
    posterior = infer(line(), seed=1)
    lefts = leave_out(posterior, units(posterior.spec))
    assert make_pool(posterior, lefts).document() == make_pool(posterior, lefts).document()


def test_a_pool_is_read_back_from_its_document() -> None:
    import base64
    import zlib

    pool, _ = pooled(graded(2))
    document = json.loads(json.dumps(pool.document()))
    codes = np.frombuffer(zlib.decompress(base64.b64decode(document["data"]), -15), "<u2")
    again = Pool.read(document, codes.reshape(len(document["columns"]), document["draws"]))
    for state in (State(off=["r1"]), State(scale={"p1": 2.0, "c0": 4.0, "p0": 3.0}, at={"high": 0.6})):
        assert what_if(again, state).claims == what_if(pool, state).claims


def test_renaming_leaves_no_old_name() -> None:
    posterior = graded(2)
    pool, _ = pooled(posterior)
    ids = {o.id: f"private-{k}" for k, o in enumerate(posterior.spec.evidence)}
    renamed = pool.renamed(ids, {"a paper": "origin-1"})
    text = json.dumps(renamed.texts())
    assert "a paper" not in text
    assert not any(f'"{i}"' in text for i in ids)
    assert (
        what_if(renamed, State(off=["origin origin-1"])).claims == what_if(pool, State(off=["origin a paper"])).claims
    )


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (State(off=["r9"]), "off: r9; allowed: origin one bench, r0, r1, r2, r3, r4"),
        (State(scale={"r9": 2.0}), "scale: r9; allowed: r0, r1, r2, r3, r4"),
        (State(prior={"bent": 1.0}), "prior: bent; allowed: flat, sloped"),
        (State(prior={"flat": 0.0, "sloped": 0.0}), "prior: weights; allowed: none below 0, and one at least above"),
        (State(at={"low": 1.0}), "at: low; allowed: high"),
    ],
)
def test_what_a_pool_does_not_have_is_said(state: State, said: str) -> None:
    with pytest.raises(ValueError, match="allowed") as caught:
        what_if(of_line()[0], state)
    assert str(caught.value) == said


# --- against refits -----------------------------------------------------------------------------------------


def asked_of(pool: Pool) -> list[State]:
    """Single units, some pairs, and other u."""
    labels = [u.label for u in pool.units]
    pairs = list(itertools.combinations(labels, 2))
    chosen = np.random.default_rng(5).choice(len(pairs), size=min(24, len(pairs)), replace=False)
    return [*(State(off=[label]) for label in labels), *(State(off=pairs[k]) for k in chosen)]


def refitted(posterior: Posterior, pool: Pool, state: State) -> Left:
    """The state by a refit with another seed."""
    by_label = dict(zip([u.label for u in pool.units], units(posterior.spec), strict=True))
    ids = {i for label in state.off for i in by_label[label].ids}
    unit = Unit("origin", "both", tuple(o.id for o in posterior.spec.evidence if o.id in ids))
    other = replace(posterior, settings=replace(posterior.settings, seed=977))
    return leave_out(other, [unit])[0]


@pytest.mark.slow
@pytest.mark.parametrize("which", ["heron", "gravitation"])
def test_answers_agree_with_refits_wherever_they_are_said_to_be_reliable(
    which: str, request: pytest.FixtureRequest
) -> None:
    """Every unit, and pairs of units, left out by a refit of another seed: four combined errors; all single ones reliable.

    Claims' standard scores together have a root mean square as far from 1 as so few scatter.
    """
    posterior = request.getfixturevalue(which)
    pool, _ = pooled(posterior)
    found = []
    for state in asked_of(pool):
        answer = what_if(pool, state)
        assert answer.reliable or len(state.off) == 2
        if not answer.reliable:
            continue
        left = refitted(posterior, pool, state)
        for claim in posterior.spec.model.claims:
            p = answer.claims[claim.name]
            theirs = left.probability(lambda h, fit, claim=claim: holds(claim, fit.quantities))
            if math.isfinite(p.mcse) and math.isfinite(theirs.mcse) and 0.001 < theirs.value < 0.999:
                error = math.hypot(p.mcse, theirs.mcse)
                found.append((p.value - theirs.value) / error)
                assert abs(found[-1]) < ERRORS, (state, claim.name, p, theirs)
    assert len(found) >= 30
    assert math.sqrt(np.mean(np.square(found))) < RMS


@pytest.mark.slow
def test_a_page_can_carry_the_pool_of_the_demo(heron: Posterior) -> None:
    """At most 710 kB of text for the draws and 90 kB for what they are; log-likelihoods to 0.02 nat where it matters.

    Half of the widest step between codes, within 50 nat of a column's greatest value, is the most that one is off.
    """
    pool, _ = pooled(heron)
    assert len(pool.document()["data"]) < 710_000
    assert len(json.dumps(pool.texts())) < 90_000
    for column in {c for block in pool.blocks for c in block.columns.values()}:
        own = pool.columns[column]
        step = np.gcd.reduce(own.codes[own.codes != MISSING].astype(int))
        ladder = own.high - (own.high - own.low) * (np.arange(0, MISSING, step) / (MISSING - 1)) ** 2
        near = ladder[ladder > own.high - 50]
        assert np.max(-np.diff(near)) / 2 < 0.02
