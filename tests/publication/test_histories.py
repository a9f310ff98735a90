"""Runs through time as text, as a document and as a picture."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gaugeglass.judgement.moves import Chance, ChanceMove, Change, Moves, Standing
from gaugeglass.judgement.results import Probability
from gaugeglass.publication.histories import history_document, history_text
from gaugeglass.publication.timelines import timeline_pictures
from gaugeglass.record.histories import History, Moment, Otherwise
from printed import fits, plain, squeezed
from publication.documented import keys_told

P = [Probability(0.5, 0.004), Probability(0.62, 0.004), Probability(0.7, 0.004)]


def standing(p: Probability) -> Standing:
    return Standing(
        (Chance("tight", "The tank is tight", "claim", p), Chance("leaky", "It leaks", "hypothesis", P[0])), ()
    )


def moment(name: str, p: Probability, before: Probability | None, **told: object) -> Moment:
    moved = None
    if before is not None:
        shift = p.value - before.value
        moved = Moves((ChanceMove("tight", "The tank is tight", "claim", before, p, shift, moved=shift != 0),), ())
    return Moment(
        Path("reports/tank") / name, name, f"2026-01-0{name[7]}T10:00:00+00:00", "d" * 64, standing(p), moves=moved,
        **told,  # type: ignore[arg-type]
    )  # fmt: skip


OTHER = moment("2026010200Z-b-alternative", P[2], P[1], asked="--without scale")
HISTORY = History(
    "tank", "A tank",
    (moment("20260101Z-a", P[0], None, is_first=True),
     moment("20260102Z-b", P[1], P[0], alternatives=(OTHER,),
            changes=(Change("observation", "dip", "added", "by dipstick, 30 cm"),)),
     Moment(Path("reports/tank/20260103Z-c"), "20260103Z-c", "", damage="result.json is not as it was written"),
     moment("20260104Z-d", P[1], P[1], otherwise=(Otherwise("seed", "1", "2"),))),
)  # fmt: skip
TOLD = """\
A tank: 4 runs of tank and 1 alternative

1 20260101Z-a: the first run
2 20260102Z-b: dip added: by dipstick, 30 cm
2a 2026010200Z-b-alternative: an alternative, --without scale
3 20260103Z-c: result.json is not as it was written
4 20260104Z-d: the same inputs; computed with seed 1 → 2

Claims
run tight
────────────────────────────────────────────────────────────────────────────────
1 50.0 % ± 0.4 %
2 62.0 % ± 0.4 % ▲
2a 70.0 % ± 0.4 % ▲
3 damaged
4 62.0 % ± 0.4 %

Hypotheses
run leaky
────────────────────────────────────────────────────────────────────────────────
1 50.0 % ± 0.4 %
2 50.0 % ± 0.4 %
2a 50.0 % ± 0.4 %
3 damaged
4 50.0 % ± 0.4 %

± is one Monte Carlo error; ▲ and ▼ mark what moved by more than three since the
run before it, or, of an alternative, from the run that it is one to."""


def test_a_history_reads_so() -> None:
    text = history_text(HISTORY, 80)
    assert squeezed(text) == squeezed(TOLD)
    assert max(map(len, text.splitlines())) <= 80
    assert "\n  2a  2026010200Z" in text, "alternatives are indented"


@pytest.mark.parametrize("width", [20, 40, 64, 120])
def test_nothing_is_wider_than_the_terminal(width: int) -> None:
    text = history_text(HISTORY, width)
    assert fits(text, width)


def test_many_changes_of_one_run_are_counted() -> None:
    many = tuple(Change("observation", f"o{k}", "removed") for k in range(12))
    text = history_text(
        History("tank", "A tank", (HISTORY.moments[0], moment("20260105Z-e", P[1], P[0], changes=many)))
    )
    assert "o7 removed; 4 changes more" in " ".join(text.split())
    assert "o8" not in text


def test_the_document_is_plain_and_every_key_of_it_is_documented() -> None:
    document = history_document(HISTORY)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["runs"][1]["moved"] == ["tight"]
    assert document["runs"][1]["alternatives"][0]["asked"] == "--without scale"
    assert {*document, *document["runs"][0]} - keys_told("prints one `gaugeglass.runs/1`") == {"format"}


def test_a_timeline_says_its_finding_and_shows_every_run() -> None:
    (picture,) = timeline_pictures(HISTORY)
    assert picture.name == "runs-tight"
    assert plain(picture.title) == "“tight” went from 50.0 % ± 0.4 % to 62.0 % ± 0.4 % in 3 runs"
    rows = picture.numbers["rows"]
    assert [(row[0], row[3]) for row in rows] == [("1", 0.5), ("2", 0.62), ("2a", 0.7), ("4", 0.62)]
    assert "Run 2a, an alternative, --without scale: 70.0" in picture.alt


def test_hypotheses_are_drawn_where_there_is_no_claim() -> None:
    bare = Standing((Chance("leaky", "It leaks", "hypothesis", P[0]),), ())
    only = Moment(Path("r"), "20260101Z-a", "2026-01-01T10:00:00+00:00", "d", bare, is_first=True)
    (picture,) = timeline_pictures(History("tank", "A tank", (only,)))
    assert picture.title.endswith("in the only run")
