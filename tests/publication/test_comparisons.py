"""Two runs beside each other as text: golden lines at 80 columns, narrow ones, and the document."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from gaugeglass.judgement.moves import ChanceMove, Change, Moves, Part
from gaugeglass.judgement.paths import Attribution, Share, Shift, Step
from gaugeglass.judgement.paths import Path as Trail
from gaugeglass.judgement.results import Probability
from gaugeglass.publication.comparisons import comparison_document, comparison_text, log_odds, points
from gaugeglass.record.changes import Comparison, Field, File, Head, Rest
from gaugeglass.record.histories import Otherwise
from printed import fits, plain, squeezed
from publication.documented import keys_told

BEFORE, NOW = Probability(0.5, 0.004), Probability(0.62, 0.004)
SCALE = Change("observation", "scale", "changed", "", (Part("value", "90 kg", "95 kg"),))
FIRST, SECOND = Shift(0.15, 0.005, 0.62, 0.02), Shift(-0.03, 0.005, -0.12, 0.02)
WHOLE = Shift(0.12, 0.0057, 0.49, 0.024)
SHARES = (Share("scale", FIRST, FIRST, Shift(0.14, 0.005, 0.6, 0.02)), Share("given tanks", SECOND, SECOND, SECOND))
PATH = Trail(
    (Step("scale", "observation", (SCALE,), "2026-02-01"),
     Step("given tanks", "given", (Change("given", "tanks", "changed"),))),
    (Change("observation", "glass", "changed", "", (Part("note", None, None),)),),
    (Attribution("tight", "The tank is tight", "claim", BEFORE, NOW, WHOLE, SHARES),
     Attribution("full", "It is full", "claim", BEFORE, BEFORE, Shift(0.0, 0.0057, 0.0, 0.02), ()),
     Attribution("leaky", "It leaks", "hypothesis", NOW, BEFORE, Shift(-0.12, 0.0057, -0.49, 0.02), SHARES)),
    1, 2000, 5,
)  # fmt: skip
MOVES = Moves((ChanceMove("tight", "The tank is tight", "claim", BEFORE, NOW, 0.12, moved=True),), ())
FILES = (
    File("observations/log.csv", "added"),
    File("observations/tank.yaml", "changed", (
        Field("observations[scale].value", "90 kg", "95 kg"), Field("observations[dip]", None, "{id: dip}"),
        Field("observations[ticket].note", "Old", None))),
    File("models/tank.yaml", "changed"),
)  # fmt: skip
COMPARISON = Comparison(
    "A tank", Head("20260101T000000Z-aa", "r/20260101T000000Z-aa", "d1", "2026-01-01T00:00:00+00:00", 1),
    Head("20260201T000000Z-bb", "r/20260201T000000Z-bb", "d2", "2026-02-01T00:00:00+00:00", 2), FILES,
    (Otherwise("seed", "1", "2"),), MOVES, PATH, (Rest("tight", "claim", 0.001, 0.008, seen=False),),
)  # fmt: skip
TOLD = """\
A tank
20260101T000000Z-aa → 20260201T000000Z-bb, made 2026-01-01 00:00 and 2026-02-01
00:00

Inputs
- observations/log.csv added
- observations/tank.yaml: observations[scale].value: 90 kg → 95 kg
- observations/tank.yaml: observations[dip] added: {id: dip}
- observations/tank.yaml: observations[ticket].note removed: Old
- models/tank.yaml: comments or layout
- computed with seed 1 → 2

Verdicts
claim or hypothesis before now moved
────────────────────────────────────────────────────────────────────────────────
tight 50.0 % ± 0.4 % 62.0 % ± 0.4 % ▲ 12 points

What moved tight: 50.0 % ± 0.4 % → 62.0 % ± 0.4 %
input points log odds first, last
────────────────────────────────────────────────────────────────────────────────
scale +15.0 ± 0.5 +0.620 ± 0.020 +15.0, +14.0
given tanks −3.0 ± 0.5 −0.120 ± 0.020 −3.0, −3.0
all inputs +12.0 ± 0.6 +0.490 ± 0.024
no input +0.1 ± 0.8

Not moved by more than errors: full.

What each input did to the hypotheses
hypothesis points of which
────────────────────────────────────────────────────────────────────────────────
leaky −12.0 ± 0.6 scale +15.0 ± 0.5, given tanks −3.0 ± 0.5

Points are percentage points, ± one Monte Carlo error. Inputs are changed one
after the other: as runs in between first had them, and of one run the model
first, then what has no date, then by date. A share depends on that order; the
last column is what the change does made first of all, and last of all. Each
refit has an error of its own, which is in two neighbouring shares with opposite
signs. No input: what is left of the change on record, by seeds, settings and
versions.
No inference uses what else changed: glass: note changed."""


def test_a_comparison_reads_so() -> None:
    text = comparison_text(COMPARISON, 80)
    assert squeezed(text) == squeezed(TOLD)
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("width", [20, 40, 64, 120])
def test_nothing_is_wider_than_the_terminal(width: int) -> None:
    text = comparison_text(COMPARISON, width)
    assert fits(text, width)


def test_a_run_is_not_held_against_itself() -> None:
    text = " ".join(comparison_text(replace(COMPARISON, now=COMPARISON.before), 80).split())
    assert text.endswith("one and the same run, so nothing differs.")
    assert "Verdicts" not in text


def test_what_no_input_explains_is_marked() -> None:
    found = replace(COMPARISON, rests=(Rest("tight", "claim", 0.2, 0.008, seen=True),))
    text = " ".join(comparison_text(found, 100).split())
    assert "no input +20.0 ± 0.8 !" in plain(text)
    assert "how the runs were computed moved it" in text


def test_inputs_that_no_inference_uses_are_said_to_be_so() -> None:
    found = replace(COMPARISON, path=replace(PATH, steps=(), attributions=()), rests=(), files=())
    text = comparison_text(found, 100)
    assert "- the same, byte for byte" in text
    assert "No input that an inference uses differs" in text


def test_why_it_is_not_known_what_an_input_did_is_said() -> None:
    text = comparison_text(replace(COMPARISON, path=None, rests=(), message="run x keeps no inputs"), 100)
    assert text.endswith("What each input did is not known: run x keeps no inputs")


@pytest.mark.parametrize(
    ("shift", "mcse", "told"),
    [(0.1234, 0.02, "+12.3 ± 2.0"), (-0.00012, 0.0001, "−0.01 ± 0.01"), (0.00001, 0.001, "0.0 ± 0.1"), (0.0, 0.0, "0")],
)
def test_points_have_the_digits_that_their_error_leaves(shift: float, mcse: float, told: str) -> None:
    assert plain(points(shift, mcse)) == told


def test_log_odds_are_absent_where_every_draw_agrees() -> None:
    assert log_odds(Shift(0.1, 0.01, math.nan, math.nan)) == "–"


def test_the_document_is_plain_and_every_key_of_it_is_documented() -> None:
    document = comparison_document(COMPARISON)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["format"] == "gaugeglass.compare/1"
    path = document["path"]
    kinds = (
        document, document["before"], document["files"][1], document["files"][1]["fields"][0], document["otherwise"][0],
        document["rests"][0], path, path["steps"][0], path["attributions"][0], path["attributions"][0]["shares"][0],
        path["attributions"][0]["whole"],
    )  # fmt: skip
    assert {key for kind in kinds for key in kind} - keys_told("prints one `gaugeglass.compare/1`") == {"format"}
