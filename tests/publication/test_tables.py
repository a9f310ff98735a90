"""Tables fit the terminal they are printed in, and say the verdict first."""

from __future__ import annotations

import dataclasses

import pytest

from gaugeglass.judgement.results import Probability, Words
from gaugeglass.publication import tables
from publication import water_tank


@pytest.mark.parametrize("width", [120, 80, 64, 63, 40, 30])
def test_tables_fit_their_width(width: int) -> None:
    text = tables.assessment_text(water_tank.assessment(), width)
    assert max(len(line) for line in text.splitlines()) <= width


@pytest.mark.parametrize("width", [80, 40])
def test_tables_say_everything(width: int) -> None:
    text = tables.assessment_text(water_tank.assessment(), width)
    words = ["Verdicts", "Hypotheses", "Quantities", "Ledger", "Withdrawn", "Not identified", "settled by definition",
             "private source", "meter-0", "after leak"]  # fmt: skip
    assert [word for word in words if word not in text] == []
    assert text.startswith("it is very likely")


def test_no_color_unless_asked() -> None:
    assert "\x1b" not in tables.assessment_text(water_tank.assessment())
    assert "\x1b[1m" in tables.assessment_text(water_tank.assessment(), color=True)


def test_no_markup_in_what_users_write() -> None:
    full = water_tank.assessment()
    row = dataclasses.replace(full.ledger[0], id="[red]x[/red] :smile:")
    assert "[red]x[/red] :smile:" in tables.ledger_text(dataclasses.replace(full, ledger=(row,)), 120)


def test_a_single_explanation_has_no_table_of_hypotheses() -> None:
    full = water_tank.assessment()
    assert tables.hypotheses_text(dataclasses.replace(full, hypotheses=full.hypotheses[:1])) == ""


def test_a_notebook_shows_text_as_text() -> None:
    full = water_tank.assessment()
    html = tables.assessment_html(dataclasses.replace(full, sentence="<script>alert(1)</script>"))
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert html.count("<table>") == html.count("</table>") == 3


def test_results_show_themselves_in_a_notebook() -> None:
    """Asking for the verb teaches the results their tables; hostile text stays text there too."""
    import gaugeglass as gg

    assert callable(gg.judge)
    full = water_tank.assessment()
    html = full._repr_html_()  # type: ignore[attr-defined]
    assert html == tables.assessment_html(full)
    assert "<caption>Verdicts</caption>" in html


@pytest.mark.parametrize("width", [64, 70, 80, 120])
def test_no_word_of_a_verdict_is_cut(width: int) -> None:
    full = water_tank.assessment()
    verdict = dataclasses.replace(
        full.verdicts[0],
        says="The tank keeps less than it is said to keep when it is new and its lid is shut",
        prior=Probability(1 / 3, 0.0001),
        posterior=Probability(0.0499, 0.0001),
        words=Words("almost no chance", 0.01, 0.05),
    )
    told = tables.verdicts_text(dataclasses.replace(full, verdicts=(verdict,)), width).replace("\u202f", " ")
    table = told.partition("Verdicts")[2].partition("- in words")[0]
    assert all(part in table for part in ("33.33 % ± 0.01 %", "4.99 % ± 0.01 %", "almost no chance"))
    assert max(map(len, told.split("\n"))) <= width


def test_a_verdict_below_every_word_and_its_range_are_said_in_one_clause_each() -> None:
    full = water_tank.assessment()
    verdict = dataclasses.replace(
        full.verdicts[0], posterior=Probability(0.0004, 0.0001), words=None, lowest=0.0002, highest=0.0004
    )
    told = tables.verdicts_text(dataclasses.replace(full, verdicts=(verdict,)), 200).replace("\u202f", " ")
    assert "- in words: less probable than any published word" in told
    assert ", below 0.1 %\n" in f"{told}\n"


def test_the_ratio_of_standard_deviations_has_its_rule_beneath() -> None:
    told = " ".join(tables.quantities_text(water_tank.assessment()).split())
    assert told.count(tables.RATIO_NOTE) == 1
    assert "below 0.5, and would be at most 0.5 were every reading 100 times sharper" in told


def test_a_misfit_of_no_draw_is_not_nought() -> None:
    full = water_tank.assessment()
    poor = (dataclasses.replace(full.hypotheses[0], misfit=0.0), *full.hypotheses[1:])
    told = tables.hypotheses_text(dataclasses.replace(full, hypotheses=poor)).replace("\u202f", " ")
    assert "below 0.1 %" in told
    assert " 0.0 %" not in told


def test_no_line_parts_a_number_from_its_unit() -> None:
    found = dataclasses.replace(
        water_tank.assessment(),
        sentence="The tank loses more than 5 % of 700 L: 83.1 ± 0.6 %, from 41 % before, in 12 h and 3 readings of it",
    )
    assert {" ".join(tables.verdicts_text(found, width).split("\n\n")[0].split("\n")) for width in range(20, 120)} == {
        found.sentence
    }
    lines = [
        line for width in range(20, 120) for line in tables.verdicts_text(found, width).split("\n\n")[0].split("\n")
    ]
    assert not [line for line in lines if line.startswith(("%", "L:", "±", "h ", "0.6"))]
    assert [line for line in lines if line.startswith("readings")]
