"""Draws in which something has no value: what they leave open is said, and what has none at all is refused."""

from __future__ import annotations

import dataclasses
import math
import warnings
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from gaugeglass.errors import InferenceError
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.judgement.candidates import rank_candidates
from gaugeglass.judgement.results import Assessment, Probability
from gaugeglass.judgement.verdicts import _between, judge, words_for
from gaugeglass.language.files import specify
from gaugeglass.publication import prospects, tables
from gaugeglass.record.documents import assessment_of, result_document
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
    assert f"is between {math.floor(100 * least)} % and {math.ceil(100 * most)} % (" in found.sentence
    assert "of the draws it is neither true nor false, since something has no value there" in found.sentence
    assert (verdict.bayes_factor, verdict.curve) == (None, None)
    assert (verdict.lowest, verdict.highest) == verdict.posterior.ends
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
    assert _between(low, high) == Probability(0.4, 0.01, no_value=pytest.approx(0.005))
    assert not _between(low, high).is_between
    assert _between(low, Probability(0.45, 0.01)).ends == (0.4, 0.45)


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
