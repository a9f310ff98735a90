"""Moves as text: golden lines at 80 columns, narrow ones, and the document."""

from __future__ import annotations

import json
import math

import pytest

from gaugeglass.errors import Fault
from gaugeglass.judgement.moves import ChanceMove, Change, LevelMove, Moves, Part
from gaugeglass.judgement.results import Probability, Spread
from gaugeglass.publication.moves import Answer, answer_document, answer_text, changes_text, seconds_text
from printed import plain, squeezed
from publication.documented import keys_told

WIDE, NARROW = Spread(80.4, 1.0, 80.4, 78.7, 81.8), Spread(81.2, 0.5, 81.2, 80.4, 82.0)
MOVES = Moves(
    (
        ChanceMove("tight", "The tank is tight", "claim", Probability(0.5, 0.01), Probability(0.62, 0.01), 0.12, True),
        ChanceMove("leaky", "It leaks", "hypothesis", Probability(0.5, 0.01), Probability(0.49, 0.01), -0.01, False),
        ChanceMove("full", "It is full", "claim", None, Probability(0.0, math.nan, at_most=0.002), math.nan, False),
    ),
    (
        LevelMove("water_held", "m**3", WIDE, NARROW, 0.8, True, 0.5, True),
        LevelMove("rain_caught", "m**3", WIDE, WIDE, 0.0, False, 1.0, False),
    ),
)
SECONDS = {"waiting": 0.06, "checking": 0.08, "compiling": 0.01, "sampling": 0.42, "weighing": 0.1, "judging": 0.03}
CHANGES = (
    Change("observation", "scale", "changed", "", (Part("value", "90 kg", "95 kg"), Part("u", 1.5, None, "kg"))),
    Change("observation", "glass", "changed", "", (Part("source", None, None), Part("note", None, None))),
    Change("observation", "dip", "added", "by dipstick, 30 cm"),
    Change("observation", "log", "withdrawn", "It was another tank"),
    Change("observation", "ticket", "counted again"),
    Change("table", "meter", "changed", "2 rows changed, 1 row added"),
    Change("given", "tanks", "changed", "", (Part("", 2.0, 3.0),)),
    Change("claims", "tight", "changed"),
    Change("claims", "full", "changed"),
    Change("dossier", "model", "changed", "", (Part("", "tank", "cistern"),)),
)
TOLD = """\
12:30:00  observations/tank.yaml
- scale: 90 kg → 95 kg, u 1.5 kg → none

Verdicts
claim or hypothesis   before              now               moved
────────────────────────────────────────────────────────────────────────────────
tight                 50.0 % ± 1.0 %      62.0 % ± 1.0 %    ▲ 12 points
hypothesis leaky      50.0 % ± 1.0 %      49.0 % ± 1.0 %
full                  –                   below 0.2 %       new

Leading quantities
quantity             before (90 %)            now (90 %)              moved
────────────────────────────────────────────────────────────────────────────────
water held           80.4 m³                  81.20 m³                ▲ 0.80 m³
                     (78.7 to 81.8)           (80.40 to 82.00)        50 % narrower
rain caught          80.4 m³                  80.4 m³
                     (78.7 to 81.8)           (78.7 to 81.8)"""


def test_an_answer_reads_so() -> None:
    answer = Answer("inferred again", ("observations/tank.yaml",), SECONDS, CHANGES[:1], MOVES)
    text = answer_text(answer, "A tank", "12:30:00")
    assert squeezed(text) == squeezed(TOLD)
    assert max(map(len, text.splitlines())) <= 80


def test_the_first_answer_says_what_each_claim_is() -> None:
    text = plain(answer_text(Answer("inferred", ("tank.yaml",), SECONDS, (), MOVES), "A tank", "12:30:00"))
    assert text.startswith("A tank: before the evidence, and now\n")
    assert "tight: The tank is tight" in text
    assert "▲ 12 points" not in text
    assert "Monte Carlo error" in text


def test_changes_are_said_in_words() -> None:
    assert plain(changes_text(CHANGES, 100)).splitlines() == [
        "- scale: 90 kg → 95 kg, u 1.5 kg → none",
        "- glass: source and note changed",
        "- dip added: by dipstick, 30 cm",
        "- log withdrawn: It was another tank",
        "- ticket counted again",
        "- table meter: 2 rows changed, 1 row added",
        "- given tanks: 2 → 3",
        "- claims of the model: tight, full changed",
        "- dossier: model (tank → cistern) changed",
    ]


@pytest.mark.parametrize("width", [20, 40, 63, 80, 120])
def test_nothing_is_wider_than_the_terminal(width: int) -> None:
    for did in ("inferred", "inferred again"):
        answer = Answer(did, ("observations/tank.yaml",), SECONDS, CHANGES, MOVES)
        text = f"{answer_text(answer, 'A tank', '12:30:00', width)}\n{seconds_text(0.7, SECONDS, width)}"
        longest = max(len(word) for word in text.split())
        assert max(map(len, text.splitlines())) <= max(width, longest + 4)


def test_faults_are_said_as_check_says_them() -> None:
    fault = Fault("tank.yaml", 3, "observations[0].value", "'x'", "a value")
    text = answer_text(Answer("faults found", ("tank.yaml",), SECONDS, faults=(fault,)), "A tank", "12:30:00")
    assert text.endswith(f"1 fault\n{fault}")


def test_the_time_is_said_with_what_of_it_went_where() -> None:
    assert seconds_text(0.734, SECONDS, 200) == (
        "0.73 s from the save: waiting 0.06, checking 0.08, compiling 0.01, sampling 0.42, weighing 0.10, judging 0.03"
    )


def test_colour_only_where_it_is_asked_for() -> None:
    answer = Answer("inferred again", ("tank.yaml",), SECONDS, CHANGES, MOVES)
    assert "\x1b[" not in answer_text(answer, "A tank", "12:30:00")
    assert "\x1b[1m" in answer_text(answer, "A tank", "12:30:00", color=True)


def test_the_document_is_plain_and_complete() -> None:
    document = answer_document(Answer("inferred again", ("tank.yaml",), SECONDS, CHANGES, MOVES))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["format"] == "gaugeglass.watch/1"
    assert document["verdicts"][2]["before"] is None
    assert document["verdicts"][2]["shift"] is None
    assert document["quantities"][0]["now"]["median"] == 81.2


def test_every_key_of_the_document_is_documented() -> None:
    document = answer_document(Answer("inferred again", ("tank.yaml",), SECONDS, CHANGES, MOVES))
    kinds = (document, *(document[key][0] for key in ("changes", "verdicts", "quantities")), SECONDS, Part("", 1, 2))
    keys = {key for kind in kinds for key in (kind if isinstance(kind, dict) else kind.__slots__)}
    assert keys - keys_told("`gaugeglass.watch/1`", before="## Tests") == set()
