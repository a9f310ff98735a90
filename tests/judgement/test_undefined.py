"""Draws in which something has no value: what they leave open is said, and what has none at all is refused."""

from __future__ import annotations

import dataclasses
import json
import math
import warnings
from collections.abc import Collection, Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from gaugeglass.errors import InferenceError
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.judgement.answers import State, what_if
from gaugeglass.judgement.audit import audit
from gaugeglass.judgement.candidates import rank_candidates
from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.joining import join
from gaugeglass.judgement.moves import Chance, Standing, moves, prior_standing, standing
from gaugeglass.judgement.pools import Pool
from gaugeglass.judgement.results import Assessment, Probability, WidthPoint
from gaugeglass.judgement.verdicts import judge, words_for
from gaugeglass.judgement.widths import _is_elsewhere
from gaugeglass.language.files import specify
from gaugeglass.publication import audits, numbers, prospects, tables
from gaugeglass.record.documents import assessment_of, audit_of, plain, result_document
from references.estimates import Estimate

MEAN, SD, U, READ = 1.0, 1.0, 2.0, 1.0
AFTER = math.sqrt(1 / (1 / SD**2 + 1 / U**2))


@cache
def posterior(root: str = "sqrt(b / 1 [m])", holds: str = "root > 1", *, u: float = U, read: float = READ) -> Posterior:
    """A normal length, its root or what else is said, a claim on that, and one reading of the length."""
    about = {"about": "A length", "unit": "m", "because": "Invented"}
    model: dict[str, Any] = {
        "title": "A root",
        "latents": {"b": about | {"prior": {"family": "normal", "mean": f"{MEAN} m", "sd": f"{SD} m"}}},
        "relations": {"root": {"unit": "1", "equals": root}},
        "methods": {
            "tape": {"about": "A tape", "measures": "b", "likelihood": {"family": "normal"}},
            "seer": {"about": "Reads the root", "measures": "root", "likelihood": {"family": "normal"}},
        },
        "claims": {"long": {"says": "Its root is above 1", "holds": holds}},
        "candidates": {
            "again": {"method": "tape", "u": "0.5 m", "cost": 3},
            "seen": {"method": "seer", "u": "0.5", "cost": 3},
        },
        "leading": ["root"],
    }
    reading = {"id": "r", "method": "tape", "value": f"{read} ± {u} m"}
    return infer(specify(model, {"dossier": "d", "subject": "A root", "observations": [reading]}), seed=1)


@cache
def assessment(root: str = "sqrt(b / 1 [m])", holds: str = "root > 1") -> Assessment:
    return judge(posterior(root, holds))


def agrees(found: float, mcse: float, exact: float) -> bool:
    return Estimate(found, mcse).agrees(exact)


@pytest.mark.parametrize(
    ("holds", "surely", "possibly"),
    [
        ("root > 1", (1.0, math.inf), (-math.inf, 0.0, 1.0, math.inf)),
        ("not root > 1", (0.0, 1.0), (-math.inf, 1.0)),
        ("root > 1 or b < -1 m", (-math.inf, -1.0, 1.0, math.inf), (-math.inf, 0.0, 1.0, math.inf)),
        ("root > 1 and b > -1 m", (1.0, math.inf), (-1.0, 0.0, 1.0, math.inf)),
    ],
)
def test_a_claim_lies_between_where_it_surely_holds_and_where_it_may(
    holds: str, surely: tuple[float, ...], possibly: tuple[float, ...]
) -> None:
    """Closed form: sqrt(b) > 1 where b > 1, and neither true nor false where b < 0, of a normal b.

    After one normal reading the length is normal too. Within four Monte Carlo errors.
    """
    verdict = assessment("sqrt(b / 1 [m])", holds).verdicts[0]
    for p, sd in ((verdict.prior, SD), (verdict.posterior, AFTER)):
        ends = [
            sum(
                stats.norm.cdf(b, MEAN, sd) - stats.norm.cdf(a, MEAN, sd)
                for a, b in zip(of[::2], of[1::2], strict=True)
            )
            for of in (surely, possibly)
        ]
        assert p.is_between
        assert all(agrees(found, p.mcse, exact) for found, exact in zip(p.ends, ends, strict=True))
        assert p.no_value == pytest.approx(p.ends[1] - p.ends[0], abs=1e-9)


def test_a_claim_and_its_negation_bound_each_other() -> None:
    claim, negated = (assessment("sqrt(b / 1 [m])", h).verdicts[0].posterior for h in ("root > 1", "not root > 1"))
    assert negated.ends == pytest.approx(tuple(1 - end for end in reversed(claim.ends)), abs=1e-9)


def test_what_is_left_open_is_said_everywhere() -> None:
    found = assessment()
    verdict = found.verdicts[0]
    least, most = verdict.posterior.ends
    assert f"is between {100 * least:.0f} % and {100 * most:.0f} % (" in found.sentence
    assert "of the draws it is neither true nor false, since something has no value there" in found.sentence
    assert verdict.bayes_factor is None
    assert verdict.words is not None
    assert (verdict.words.lower, verdict.words.upper) == (0.45, 0.80)
    told = " ".join(tables.assessment_text(found).split())
    assert "neither true nor false in 1" in told
    assert assessment_of(result_document(found, dossier="d", model="m")).verdicts[0].posterior == verdict.posterior


def test_where_the_evidence_leaves_nothing_open_only_what_was_before_it_is() -> None:
    """A reading of 4 ± 0.1 m leaves no draw below 0: the verdict stands, and no Bayes factor is told of it."""
    verdict = judge(posterior(u=0.1, read=4.0, holds="root > 1.99")).verdicts[0]
    assert verdict.prior.is_between
    assert not verdict.posterior.is_between
    assert verdict.posterior.no_value == 0
    assert verdict.curve is not None
    assert verdict.bayes_factor is None
    assert all(math.isnan(point.bayes_factor) for point in verdict.curve.points)


def test_fewer_draws_than_the_error_of_the_probability_are_told_and_bound_nothing() -> None:
    low, high = Probability(0.4, 0.01), Probability(0.405, 0.01)
    assert Probability.between(low, high) == Probability(0.4, 0.01, no_value=pytest.approx(0.005))
    assert not Probability.between(low, high).is_between
    assert Probability.between(low, Probability(0.45, 0.01)).ends == (0.4, 0.45)


@pytest.mark.parametrize(
    ("ends", "phrase", "band"),
    [
        ((0.3, 0.35), "unlikely", (0.20, 0.45)),
        ((0.3, 0.6), "unlikely to likely", (0.20, 0.80)),
        ((0.001, 0.6), "at most likely", (0.0, 0.80)),
        ((0.6, 0.999), "at least likely", (0.55, 1.0)),
        ((0.0, 1.0), "open", (0.0, 1.0)),
    ],
)
def test_words_reach_from_the_least_to_the_greatest(
    ends: tuple[float, float], phrase: str, band: tuple[float, float]
) -> None:
    words = words_for(Probability(ends[0], 0.001, *ends, no_value=ends[1] - ends[0]))
    assert words is not None
    assert (words.phrase, (words.lower, words.upper)) == (phrase, band)


IN_NO_DRAW = {
    "exp": "exp(1000 * b / 1 [m] + 9000)",
    "division by 0": "1 / (b - b) * 1 [m]",
    "0 by 0": "(b - b) / (b - b)",
    "0 ** -1": "((b - b) / 1 [m]) ** (-1)",
    "log of 0": "log((b - b) / 1 [m])",
    "root": "sqrt(b / 1 [m] - 1000)",
    "power": "(b / 1 [m] + 1e70) ** 70",
}
IN_SOME = {
    "exp": "exp(1000 * b / 1 [m])",
    "log": "log(b / 1 [m])",
    "power": "abs(b / 1 [m]) ** 1e6",
    "inf - inf": "exp(1000 * b / 1 [m]) - exp(1000 * b / 1 [m])",
}


@pytest.mark.parametrize("root", IN_NO_DRAW.values(), ids=IN_NO_DRAW.keys())
@pytest.mark.parametrize("verb", [judge, rank_candidates])
def test_what_has_no_value_in_any_draw_is_refused_by_its_name(root: str, verb: Any) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(InferenceError, match="root has no value in any draw before the evidence"):
            verb(posterior(root))


@pytest.mark.parametrize("root", IN_SOME.values(), ids=IN_SOME.keys())
def test_what_has_no_value_in_some_draws_is_judged_without_a_warning(root: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = judge(posterior(root))
        told = prospects.ranking_text(rank_candidates(posterior(root), budget=10))
    share = float(np.mean(~np.isfinite(posterior(root).mixture["root"])))
    assert found.verdicts[0].posterior.no_value == pytest.approx(share, abs=0.005)
    assert tables.assessment_text(found)
    assert "- the claim long: in" in told
    assert "- seen: what it would read has no value in" in told


def test_what_a_reading_tells_of_a_quantity_leaves_out_where_that_has_no_value() -> None:
    """Where the root has a value the length is a normal one cut off at 0, of which the root tells everything.

    So the information about it is h(y) - h(y | b), h(y) by quadrature. Within four Monte Carlo errors and a hundredth.
    """
    ranking = rank_candidates(posterior(), quantity="root", claim="")
    told = next(w for w in ranking.worths if w.name == "again").quantity_nats
    u, whole = 0.5, stats.norm.sf(0, MEAN, AFTER)

    def density(y: float) -> float:
        spread = math.hypot(AFTER, u)
        mean, left = (MEAN * u**2 + y * AFTER**2) / spread**2, AFTER * u / spread
        return float(stats.norm.pdf(y, MEAN, spread) * stats.norm.sf(0, mean, left) / whole)

    entropy = integrate.quad(lambda y: -density(y) * math.log(density(y)), -3, 8, limit=200)[0]
    exact = entropy - math.log(u * math.sqrt(2 * math.pi * math.e))
    assert Estimate(told.value, told.mcse).agrees(exact, half_digit=0.01 * exact)
    assert ranking.no_value == pytest.approx(stats.norm.cdf(0, MEAN, AFTER), abs=0.02)
    assert "root has no value in" in prospects.ranking_text(ranking, width=200)


def test_a_claim_that_is_named_and_left_open_is_refused() -> None:
    with pytest.raises(InferenceError, match=r"the claim long: in 1. % of the draws it is neither true nor false"):
        rank_candidates(posterior(), claim="long")


def test_what_intervals_leave_out_is_told_beneath_them() -> None:
    found = assessment()
    root = next(q for q in found.quantities if q.name == "root")
    counted = dataclasses.replace(
        root,
        prior=dataclasses.replace(root.prior, no_value=0.16),
        posterior=dataclasses.replace(root.posterior, no_value=0.14),
    )
    told = tables.quantities_text(dataclasses.replace(found, quantities=(counted,)), width=200).replace("\u202f", " ")
    assert "without a value, and left out: of the draws of root 16.0 % before, 14.0 % after." in told


# --- what it rests on ---------------------------------------------------------------------------------------

BEFORE = {"short": 1.0, "long": 3.0}
"""Prior means of the length under two hypotheses; its prior sd is 1 under both. [m]"""
READINGS = {"r": 1.0, "s": 0.5}
"""Readings, each with a standard uncertainty of 2 m. [m]"""


@cache
def rivals() -> Posterior:
    """The root under two hypotheses about the length, which two readings of one origin tell apart."""
    about = {"about": "A length", "unit": "m", "because": "Invented"}
    longer = {"family": "normal", "mean": f"{BEFORE['long']} m", "sd": "1 m"}
    model: dict[str, Any] = {
        "title": "A root",
        "latents": {"b": about | {"prior": {"family": "normal", "mean": f"{BEFORE['short']} m", "sd": "1 m"}}},
        "relations": {"root": {"unit": "1", "equals": "sqrt(b / 1 [m])"}},
        "methods": {"tape": {"about": "A tape", "measures": "b", "likelihood": {"family": "normal"}}},
        "hypotheses": {
            "short": {"says": "It is short", "prior_weight": 1, "priors": {"b": "as stated"}},
            "long": {"says": "It is long", "prior_weight": 1, "priors": {"b": longer}},
        },
        "claims": {
            "above": {"says": "Its root is above 1", "holds": "root > 1", "threshold": 0.6},
            "either": {"says": "Either is so", "holds": "root > 1 or b < -1 m"},
            "plain": {"says": "It is above 1 m", "holds": "b > 1 m"},
        },
    }
    observations = [{"id": i, "method": "tape", "value": f"{v} ± {U} m", "origin": "Ann"} for i, v in READINGS.items()]
    return infer(specify(model, {"dossier": "d", "subject": "A root", "observations": observations}), seed=1)


@cache
def examined() -> Audit:
    return audit(rivals())


def lengths(names: Collection[str], *, sd: float = SD) -> dict[str, tuple[float, float, float]]:
    """Mean and sd of the length and the log marginal likelihood of some readings, under either hypothesis."""
    y = np.array([READINGS[n] for n in names])
    found = {}
    for name, mean in BEFORE.items():
        precision = 1 / sd**2 + len(y) / U**2
        covariance = U**2 * np.eye(len(y)) + sd**2
        log = float(stats.multivariate_normal(np.full(len(y), mean), covariance).logpdf(y)) if len(y) else 0.0
        found[name] = ((mean / sd**2 + y.sum() / U**2) / precision, 1 / math.sqrt(precision), log)
    return found


def ends_of(length: tuple[float, float, float], at: float = 1.0) -> tuple[float, float]:
    """The least and the greatest that the probability of a root above a number may be."""
    mean, sd, _ = length
    least = float(stats.norm.sf(at**2, mean, sd))
    return least, least + float(stats.norm.cdf(0, mean, sd))


def mixed(names: Collection[str], prior: Mapping[str, float], at: float = 1.0) -> tuple[float, float]:
    """The same over both hypotheses."""
    known = lengths(names)
    weights = {h: prior[h] * math.exp(known[h][2]) for h in BEFORE}
    parts = [np.array(ends_of(known[h], at)) * weights[h] for h in BEFORE]
    least, most = sum(parts) / sum(weights.values())
    return float(least), float(most)


EVEN = {"short": 0.5, "long": 0.5}


def test_what_moves_an_open_claim_is_told_of_both_bounds() -> None:
    """Closed form: the length is normal whatever is left out. Within four Monte Carlo errors."""
    for unit in examined().units:
        influence = next(c for c in unit.claims if c.claim == "above")
        rest = READINGS.keys() - set(unit.unit.ids)
        for p, names in ((influence.whole, READINGS), (influence.without, rest)):
            assert p.is_between
            for found, exact in zip(p.ends, mixed(names, EVEN), strict=True):
                assert agrees(found, p.mcse, exact)
    assert {u.unit.kind for u in examined().units} == {"observation", "origin"}


def test_what_is_decided_in_every_draw_has_no_bounds() -> None:
    assert set(examined().undecided or {}) == {"above", "either"}
    assert not any(
        c.whole.is_between or c.whole.no_value for u in examined().units for c in u.claims if c.claim == "plain"
    )
    document = plain(replace(audit(posterior(holds="b > 1 m")), pool=None))
    assert "undecided" not in document
    assert "at_most" not in plain(judge(posterior(holds="b > 1 m")).verdicts[0].curve)["points"][0]


def test_an_open_claim_over_prior_odds_has_both_bounds() -> None:
    """Closed form; at either crossing the bound that crosses is at the threshold.

    Within 0.04: four Monte Carlo errors of a hypothesis's share of its draws.
    """
    whole = lengths(READINGS)
    curve = next(c for c in examined().odds if (c.claim, c.hypothesis) == ("above", "long"))
    assert curve.at_most is not None
    under, otherwise = ends_of(whole["long"]), ends_of(whole["short"])
    assert (curve.under, curve.at_most.under) == pytest.approx(under, abs=0.04)
    assert (curve.otherwise, curve.at_most.otherwise) == pytest.approx(otherwise, abs=0.04)
    for point in curve.points:
        share = point.odds / (1 + point.odds)
        exact = mixed(READINGS, {"long": share, "short": 1 - share})
        assert (point.probability, point.most) == pytest.approx(exact, abs=0.04)
    for end, odds in enumerate((curve.crossing, curve.at_most.crossing)):
        assert odds is not None
        exact = mixed(READINGS, {"long": odds / (1 + odds), "short": 1 / (1 + odds)})
        assert exact[end] == pytest.approx(curve.threshold, abs=0.04)
    assert next(c for c in examined().odds if c.claim == "plain").at_most is None


def test_an_open_verdict_over_prior_widths_has_both_bounds() -> None:
    """Closed form: the prior sd is multiplied by the factor, and its mean stays. Within four Monte Carlo errors."""
    curve = assessment().verdicts[0].curve
    assert curve is not None
    assert curve.is_open
    for p in curve.points:
        sd = math.sqrt(1 / (1 / (SD * p.factor) ** 2 + 1 / U**2))
        mean = (MEAN / (SD * p.factor) ** 2 + READ / U**2) * sd**2
        for found, exact in zip(p.ends, ends_of((mean, sd, 0.0)), strict=True):
            assert agrees(found, p.mcse, exact)
        assert math.isnan(p.bayes_factor)
    verdict = assessment().verdicts[0]
    assert verdict.lowest == min(p.probability for p in curve.points)
    assert verdict.highest == max(p.ends[1] for p in curve.points)


@pytest.mark.parametrize(
    ("least", "most", "stands"),
    [
        ((0.55, 0.6, 0.7), (0.75, 0.8, 0.9), (0.5, 2.0)),
        ((0.45, 0.6, 0.7), (0.75, 0.8, 0.9), (1.0, 2.0)),
        ((0.3, 0.3, 0.3), (0.45, 0.6, 0.7), (1.0, 2.0)),
        ((0.3, 0.3, 0.53), (0.6, 0.6, 0.6), (0.5, 1.0)),
        ((0.3, 0.3, 0.51), (0.6, 0.6, 0.6), (0.5, 2.0)),
    ],
)
def test_an_open_verdict_stands_while_neither_bound_is_seen_elsewhere(
    least: tuple[float, ...], most: tuple[float, ...], stands: tuple[float, float]
) -> None:
    """Of a threshold at one half: both bounds above it; one falls below; open, then all below; then all above, or not
    by more than two errors."""
    factors = (0.5, 1.0, 2.0)
    points = [WidthPoint(f, a, 0.01, math.nan, at_most=b) for f, a, b in zip(factors, least, most, strict=True)]
    same = [p.factor for p in points if not _is_elsewhere(p, points[1], 0.5)]
    assert (min(same), max(same)) == stands


STATES = {
    "as published": (State(), READINGS, EVEN, 1.0),
    "without one": (State(off=["r"]), {"s"}, EVEN, 1.0),
    "without both": (State(off=["origin Ann"]), set(), EVEN, 1.0),
    "other odds": (State(prior={"short": 1, "long": 9}), READINGS, {"short": 0.1, "long": 0.9}, 1.0),
    "another number": (State(off=["s"], at={"above": 1.3}), {"r"}, EVEN, 1.3),
}


@pytest.mark.parametrize("state", STATES.values(), ids=STATES.keys())
def test_what_ifs_of_an_open_claim_have_both_bounds(state: Any) -> None:
    """Closed form. Within four of the errors that are told."""
    asked, names, prior, at = state
    pool = examined().pool
    assert pool is not None
    p = what_if(pool, asked).claims["above"]
    assert p.is_between
    for found, exact in zip(p.ends, mixed(names, prior, at), strict=True):
        assert agrees(found, p.mcse, exact)
    either = what_if(pool, asked).claims["either"]
    below = sum(
        w * stats.norm.cdf(-1, mean, sd)
        for w, (mean, sd, _) in zip(what_if(pool, asked).hypotheses.values(), lengths(names).values(), strict=True)
        for w in [w.value]
    )
    least, most = mixed(names, prior)
    for found, exact in zip(either.ends, (least + below, most), strict=True):
        assert agrees(found, either.mcse, exact)
    assert not what_if(pool, asked).claims["plain"].no_value


def test_a_pool_says_of_open_claims_alone_what_they_may_be_at_most() -> None:
    pool = examined().pool
    assert pool is not None
    texts = json.loads(json.dumps(pool.texts()))
    assert [("most" in c, "most_mcse" in c) for c in texts["claims"]] == [(True, True), (True, True), (False, False)]
    again = Pool.read(texts, pool.codes)
    assert again.claims == pool.claims
    assert what_if(again, State(off=["r"])).claims == what_if(pool, State(off=["r"])).claims


def test_what_an_audit_says_of_an_open_claim_has_both_bounds() -> None:
    spec = rivals().spec
    told = " ".join(audits.audit_text(examined(), spec, 200).replace("\u202f", " ").split())
    whole = examined().units[0].claims[0].whole
    ends = " and ".join(f"{100 * end:.1f} %" for end in whole.ends)
    assert f"between {ends}" in told
    assert f"(with everything: {ends.replace(' and ', ' to ')})" in told
    assert "of the draws the claim is neither true nor false, since something has no value there: what would" in told
    assert "drawn again there, the claim has at least" in told
    assert "bounds: the least and the greatest that the claim's probability may be" in told
    assert "the least above" in told
    document = audits.audit_document(examined(), spec)
    assert document["undecided"] == pytest.approx(examined().undecided)
    read = audit_of(result_document(judge(rivals()), dossier="d", model="m", audit=document))
    assert read is not None
    assert (read.odds, read.undecided) == (examined().odds, examined().undecided)
    assert [u.claims for u in read.units] == [u.claims for u in examined().units]


def test_an_audit_of_an_older_run_says_of_an_open_claim_what_it_is_at_least() -> None:
    document = audits.audit_document(examined(), rivals().spec)
    for curve in document["odds"]:
        curve.pop("at_most", None)
        for point in curve["points"]:
            point.pop("at_most", None)
    for unit in document["units"]:
        for claim in unit["claims"]:
            for side in ("whole", "without"):
                claim[side] |= {"at_least": None, "at_most": None, "no_value": 0.0}
    del document["undecided"]
    result = result_document(judge(rivals()), dossier="d", model="m", audit=document)
    read = audit_of(result)
    assert read is not None
    assert {c.at_most for c in read.odds} == {None}
    assert set(read.undecided or {}) == {"above", "either"}
    for then, now in zip(read.units, examined().units, strict=True):
        old, new = ({c.claim: c.without for c in u.claims} for u in (then, now))
        assert old["plain"] == new["plain"]
        assert old["above"].span == (new["above"].value, 1.0)
        assert numbers.probability(old["above"]).startswith("at least")


def test_an_open_claim_that_is_asked_about_has_a_remedy() -> None:
    with pytest.raises(InferenceError) as refused:
        rank_candidates(posterior(), claim="long")
    first, causes, helps, instead = str(refused.value).splitlines()
    assert first.endswith("since something has no value there, so that nothing is expected of it")
    assert causes.startswith("  what causes it: root has no value in 1")
    assert helps.startswith("  what helps: another equation, or where(condition, yes, no)")
    assert instead.startswith("  what can be asked as it is: another claim, or a quantity")


def test_how_an_open_claim_moved_and_went_has_both_bounds() -> None:
    """Closed form, before the evidence, as each reading joins, and now. Within four Monte Carlo errors."""
    posterior = rivals()
    before, now = prior_standing(posterior), standing(posterior)
    for found, names in ((before, set[str]()), (now, READINGS)):
        p = next(c.probability for c in found.chances if c.name == "above")
        assert p.is_between
        for end, exact in zip(p.ends, mixed(names, EVEN), strict=True):
            assert agrees(end, p.mcse, exact)
    moved = next(c for c in moves(before, now).chances if c.name == "above")
    assert moved.before is not None
    assert moved.shift == max((b - a for a, b in zip(moved.before.ends, moved.now.ends, strict=True)), key=abs)
    joining = join(posterior.spec, judge(posterior), posterior.prior_mixture, posterior.mixture, quantity="b", seed=1)
    for names, step in zip((set[str](), {"r"}, {"r", "s"}), joining.steps, strict=True):
        p = step.probability
        assert p is not None
        assert p.is_between
        for end, exact in zip(p.ends, mixed(names, EVEN), strict=True):
            assert agrees(end, p.mcse, exact)


def test_a_bound_that_moves_alone_is_a_move() -> None:
    def held(least: float, most: float) -> Standing:
        p = Probability(least, 0.006, least, most, no_value=most - least)
        return Standing((Chance("above", "It is", "claim", p),), ())

    (moved,) = moves(held(0.5, 0.7), held(0.5, 0.6)).chances
    assert moved.moved
    assert moved.shift == pytest.approx(-0.1)
    (still,) = moves(held(0.5, 0.7), held(0.505, 0.705)).chances
    assert not still.moved
