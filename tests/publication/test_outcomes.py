"""What was claimed against what came out: as text, as a document and in pictures."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from gaugeglass.judgement.results import Probability
from gaugeglass.publication.outcomes import outcomes_document, outcomes_text
from gaugeglass.publication.reliabilities import outcome_pictures
from gaugeglass.record.outcomes import ClaimOutcome, DossierOutcome, HypothesisOutcome, Outcomes, QuantityOutcome
from printed import fits, joined, plain, squeezed
from publication.documented import keys_told

SURE = Probability(1.0, math.nan, at_least=0.999)
CLAIMS = (
    ClaimOutcome("tank", "tight", "The tank is tight", Probability(0.7, 0.01), 0.7, False, True, "stated",
                 0.09, 0.356, 0.5, 0.25, 0.693),
    ClaimOutcome("tank", "full", "It is full", SURE, 0.999, True, False, "follows",
                 0.998001, 6.908, 0.5, 0.25, 0.693),
)  # fmt: skip
DOSSIER = DossierOutcome(
    "tank", "A tank", "20260101T000000Z-aa", "d" * 64, "2026-01-01T00:00:00+00:00", "2026-02", "The manual", CLAIMS,
    HypothesisOutcome("tank", "leaky", 3, 0.6, 0.5, 0.26, 0.511, 0.375, 0.693),
    (QuantityOutcome("tank", "water_held", "m**3", 83.0, 80.4, 78.7, 81.8, False, 1.9, 4.2, 0.99),
     QuantityOutcome("tank", "rain_caught", "m**3", 5.25, 5.2, 4.8, 5.6, True, 0.06, 0.6, 0.55)),
    (("deep", "it is not in the run that is scored"),),
)  # fmt: skip
OUTCOMES = Outcomes((DOSSIER,), (("pond", "states no truth"),))
TOLD = """\
Scored: 2 claims, 2 quantities, 1 true hypothesis of 1 dossier.
That is few: with 2 claims of 1 dossier these scores tell how these came out,
and hardly how good the next verdict will be. Claims of one dossier rest on the
same evidence, and so are right or wrong together.
- tank: run 20260101T000000Z-aa, made 2026-01-01 00:00, the latest before
2026-02, when the truth was known (The manual)
- pond is not scored: it states no truth
- deep of tank is left out: it is not in the run that is scored

Scores
of count score before
────────────────────────────────────────────────────────────────────────────────
claims, Brier 2 0.544 0.250
claims, log score 2 3.632 nat 0.693 nat
hypotheses, Brier 1 0.260 0.375
hypotheses, log score 1 0.511 nat 0.693 nat
Of fewer than 30 claims the Brier score is not taken apart: its parts would be
mostly chance.
Scores are better the lower. Brier: the squared distance from what came out, of
hypotheses summed over all of them. Log score: minus the log of the probability
of what came out. One who says 50 % of every claim scores 0.25 and 0.69 nat. One
who gives all 3 hypotheses the same probability scores 0.67 and 1.10 nat.
Before: what the priors alone score.

Claims
claim said came Brier log score
────────────────────────────────────────────────────────────────────────────────
tight 70.0 % true 0.090 0.356
full ≥ 99.9 % false * 0.998 6.908
≥ and ≤: every draw agreed, so that the bound is scored. *: follows from the
numbers that the truth states.

Reliability: what came true, by what was said
class claims said on average came true (90 % interval)
────────────────────────────────────────────────────────────────────────────────
60 to 80 % 1 70.0 % 1 of 1 (23 to 100 %)
80 to 100 % 1 99.9 % 0 of 1 (0 to 77 %)

Quantities: 1 of 2 within their 90 % intervals, 1.8 expected
quantity truth printed (90 %) within rank CRPS (before)
────────────────────────────────────────────────────────────────────────────────
water held 83 m³ 78.70 to 81.80 no ! 0.99 1.9 m³ (4.2)
rain caught 5.25 m³ 4.80 to 5.60 yes 0.55 0.060 m³ (0.60)
CRPS: the continuous ranked probability score of the draws in the unit of the
quantity, which for a single number would be how far off it is. Rank: the share
of draws below the truth. Over that of the prior: 0.21 (geometric mean)."""


def test_scores_read_so() -> None:
    text = outcomes_text(OUTCOMES, 80)
    assert squeezed(text) == squeezed(TOLD)
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("width", [20, 40, 64, 120])
def test_nothing_is_wider_than_the_terminal(width: int) -> None:
    text = outcomes_text(OUTCOMES, width)
    assert fits(text, width)


def test_many_claims_have_their_score_taken_apart_and_the_parts_explained() -> None:
    """Thirty claims, of which half stand at 70 % and are true, and half at 99.9 % and are false."""
    many = Outcomes((replace(DOSSIER, claims=CLAIMS * 15),))
    assert Outcomes((replace(DOSSIER, claims=(CLAIMS * 15)[1:]),)).parts is None
    told = joined(outcomes_text(many, 80))
    parts = "reliability 0.544 − resolution 0.250 + uncertainty 0.250 + 0.000 within classes. A class holds the claims"
    assert parts in told
    assert "not taken apart" not in told
    assert outcomes_document(many)["claims"]["parts"]["reliability"] == pytest.approx((0.3**2 + 0.999**2) / 2)


def test_enough_claims_of_enough_dossiers_are_not_said_to_be_few() -> None:
    many = Outcomes(tuple(replace(DOSSIER, dossier=f"tank-{k}", claims=CLAIMS * 2) for k in range(10)))
    assert not many.is_few
    assert "That is few" not in outcomes_text(many, 80)
    assert "tight (tank)" in outcomes_text(many, 80), "of several dossiers each claim names its own"


def test_what_was_said_to_be_impossible_scores_without_end() -> None:
    sure = replace(CLAIMS[0], scored=0.0, brier=1.0, log_score=math.inf)
    found = Outcomes((replace(DOSSIER, claims=(sure,)),))
    assert "∞" in outcomes_text(found, 80)
    assert outcomes_document(found)["claims"]["log_score"]["score"] is None


def test_nothing_scored_says_why() -> None:
    text = outcomes_text(Outcomes((), (("pond", "states no truth"),)), 80)
    assert text == "Scored: nothing of 0 dossiers.\n- pond is not scored: it states no truth"


def test_where_only_hypotheses_are_scored_nothing_is_said_of_claims() -> None:
    """Closed form: of H alternatives held alike the Brier score is 1 - 1/H and the log score ln H."""
    alone = replace(DOSSIER, claims=(), quantities=(), left=())
    text = joined(outcomes_text(Outcomes((alone,)), 80))
    assert text.startswith("Scored: 1 true hypothesis of 1 dossier. That is few: with 1 true hypothesis of 1 dossier")
    assert "One who gives all 3 hypotheses the same probability scores 0.67 and 1.10 nat. Before:" in text
    assert "laim" not in text
    assert "50 %" not in text
    assert alone.hypotheses is not None
    other = replace(alone, hypotheses=replace(alone.hypotheses, count=2))
    text = joined(outcomes_text(Outcomes((alone, other)), 80))
    assert "One who gives all hypotheses of a dossier the same probability scores 0.58 and 0.90 nat on average." in text


def test_a_dossier_of_which_nothing_is_scored_is_not_said_to_be_few() -> None:
    nothing = replace(DOSSIER, claims=(), quantities=(), hypotheses=None)
    text = outcomes_text(Outcomes((nothing,)), 80)
    assert text.startswith("Scored: nothing of 1 dossier.\n- tank: run")


def test_the_document_is_plain_and_every_key_of_it_is_documented() -> None:
    document = outcomes_document(OUTCOMES)
    document["claims"]["parts"] = outcomes_document(Outcomes((replace(DOSSIER, claims=CLAIMS * 15),)))["claims"][
        "parts"
    ]
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["counts"] == {"dossiers": 1, "claims": 2, "hypotheses": 1}
    (dossier,) = document["dossiers"]
    kinds = (
        document, document["claims"], document["claims"]["brier"], document["claims"]["parts"],
        document["claims"]["bins"][0], document["quantities"], document["unscored"][0], dossier, dossier["claims"][0],
        dossier["hypotheses"], dossier["quantities"][0], dossier["left"][0],
    )  # fmt: skip
    assert {key for kind in kinds for key in kind} - keys_told("prints one `gaugeglass.score/1`") == {"format"}


def test_pictures_say_their_findings() -> None:
    reliability, coverage = outcome_pictures(OUTCOMES)
    assert reliability.title == "Of 2 claims, 1 came true where 1.7 were expected to"
    assert "That is few" in reliability.alt
    assert [row[2:4] for row in reliability.numbers["rows"]] == [[0.7, "true"], [0.999, "false"]]
    assert plain(coverage.title) == "Quantities: 1 of 2 within their 90 % intervals, 1.8 expected"
    assert "Water held: 83" in coverage.alt
    assert "outside of 78.7" in coverage.alt.replace(" 78.70", " 78.7")
    assert list(outcome_pictures(Outcomes(()))) == []
