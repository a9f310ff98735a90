"""Tables fit the terminal they are printed in, and say the verdict first."""

from __future__ import annotations

import dataclasses

import pytest

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
