"""Evidence as it really comes, told: what is set aside, grades, open bases, tables, and quantities of many members."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from gaugeglass.publication import figures, members, numbers, page, tables, wording
from gaugeglass.publication.figures import Picture
from gaugeglass.publication.members import Members
from gaugeglass.publication.sheet import short, spoken
from publication import pumps


def flat(text: str) -> str:
    """Words with one plain blank between them."""
    return " ".join(text.replace(numbers.SPACE, " ").split())


@pytest.fixture(scope="module")
def drawn() -> dict[str, Picture]:
    return {p.name: p for p in figures.pictures(pumps.spec(), pumps.assessment(), *pumps.draws())}


@pytest.fixture(scope="module")
def html(drawn: dict[str, Picture]) -> str:
    return page.page(pumps.spec(), pumps.assessment(), tuple(drawn.values()), {"seed": 1})


# --- the ledger ---------------------------------------------------------------------------------------------


def test_each_row_that_does_not_count_says_why() -> None:
    told = {row.id: wording.aside_text(row) for row in pumps.ledger() if row.aside is not None}
    assert told == {
        "mill": "every reading is set aside",
        "bucket-0": "withdrawn 2026-02-01: it leaked",
        "notice-1": "an echo of bucket-1",
        "sister-1": "of another variant long",
    }


def test_only_what_was_taken_back_is_called_withdrawn() -> None:
    text = tables.ledger_text(pumps.assessment(), 80)
    assert re.findall(r"- (\S+),", text.partition("Withdrawn\n")[2]) == ["bucket-0"]
    aside = text.partition("Set aside\n")[2].partition("\n\n")[0]
    assert re.findall(r"- (\S+),", aside) == ["mill", "notice-1", "sister-1"]


def test_a_table_is_one_row_with_its_share_outside_beside_the_expected_one() -> None:
    hours, strokes = (row for row in pumps.ledger() if row.id in ("hours", "strokes"))
    assert flat(wording.reading_text(hours)) == "412 readings, median 40.70 L/min, 29.30 to 55.10 L/min"
    assert flat(wording.reading_text(strokes)) == "4998 of 5000 readings, median 61.00, 12.00 to 190.0"
    assert flat(wording.predicted_text(hours)) == "12.5 % outside (10 % expected)"


@pytest.mark.parametrize(("share", "shown"), [(0.0, "0 %"), (1.0, "100 %"), (0.004, "0.4 %"), (0.9999, "above 99.9 %")])
def test_a_counted_share_may_be_none_or_all(share: float, shown: str) -> None:
    assert flat(wording.share_text(share)) == shown


def test_a_reading_is_marked_where_it_is_more_probably_wrong_than_right() -> None:
    text = flat(tables.ledger_text(pumps.assessment(), 80).partition("Graded\n")[2])
    assert "rumour-1 A1 3.2 % rumour-2 C3 96.4 % ! plate-1 C3 51.0 % !" in text


def test_open_bases_stand_with_the_most_probable_first() -> None:
    plate = next(row for row in pumps.ledger() if row.id == "plate-1")
    assert flat(wording.bases_text(plate)) == "net of leaks 84.0 %, gross 16.0 %"


def test_a_tail_of_no_draw_is_not_zero() -> None:
    assert flat(wording.tail_text(0.0)) == "below 0.1 %"


@pytest.mark.parametrize("width", [120, 80, 64, 40])
def test_tables_of_evidence_fit_their_width(width: int) -> None:
    text = tables.assessment_text(pumps.assessment(), width)
    assert max(len(line) for line in text.splitlines()) <= width


def test_the_picture_of_the_ledger_names_tables_and_what_is_set_aside(drawn: dict[str, Picture]) -> None:
    title, alt = flat(drawn["ledger"].title), flat(drawn["ledger"].alt)
    assert title == (
        "2 of 6 readings lie where fewer than 5 % were expected; of 2 tables, at most 31.0 % lie outside their 90 % "
        "predictions (10 % expected); 1 withdrawn; 3 set aside"
    )
    assert "notice-1: stated 41.5 L/min, does not count: an echo of bucket-1." in alt
    assert "graded C3, 96.4 % simply wrong" in alt
    assert "refers to net of leaks 84.0 %" in alt
    rows = {
        row[0]: dict(zip(drawn["ledger"].numbers["columns"], row, strict=True))
        for row in drawn["ledger"].numbers["rows"]
    }
    assert rows["hours"]["share outside 90 %"] == 0.125
    assert rows["rumour-2"]["probability of being wrong"] == 0.964
    assert rows["sister-1"]["set aside"] == "of another variant long"


def ledger_title(*ids: str) -> str:
    rows = tuple(row for row in pumps.ledger() if row.id in ids)
    return flat(figures.ledger(replace(pumps.assessment(), ledger=rows)).title)


def test_a_ledger_of_tables_alone_still_draws() -> None:
    assert ledger_title("hours").startswith("of 412 readings in hours, 12.5 % lie outside")
    assert ledger_title("notice-1") == "No reading of 0 lies where fewer than 5 % were expected; 1 set aside"


def test_the_picture_keeps_tables_when_there_are_too_many_rows() -> None:
    many = tuple(replace(pumps.ledger()[0], id=f"b-{k}") for k in range(80)) + pumps.ledger()
    picture = figures.ledger(replace(pumps.assessment(), ledger=many))
    assert {"hours", "strokes", "bucket-2"} <= {row[0] for row in picture.numbers["rows"]}
    assert "the 60 farthest out shown" in picture.title


def test_long_names_without_blanks_keep_both_ends() -> None:
    assert short("a" * 30 + "z" * 30, 14) == "aaaaaaa…zzzzzz"
    assert short("the pump behind the mill", 14) == "the pump …"


# --- members ------------------------------------------------------------------------------------------------


def test_many_members_are_one_line_and_few_stand_by_themselves() -> None:
    assert [q.name for q in members.by_member(pumps.assessment(7).quantities)] == ["total", pumps.FLOW, pumps.LOSS]
    few = members.by_member(pumps.assessment(6).quantities)
    assert len(few) == 13
    assert not any(isinstance(q, Members) for q in few)


def group(count: int = 50) -> Members:
    found = members.by_member(pumps.assessment(count).quantities)[1]
    assert isinstance(found, Members)
    return found


def test_a_group_tells_the_range_of_medians_and_the_widest_interval() -> None:
    told = flat(members.after_text(group()))
    medians = [q.posterior.median for q in group().members]
    widest = max((q.posterior for q in group().members), key=lambda s: s.upper - s.lower)
    assert told == (
        f"medians {min(medians):.1f} to {max(medians):.1f} L/min (widest {widest.lower:.1f} to {widest.upper:.1f})"
    )
    assert flat(members.identified_text(group())) == "49 identified, 1 partly"


def test_names_of_members_stay_as_they_are_written() -> None:
    assert spoken("flow_rate[P_07]") == "flow rate [P_07]"
    assert members.split_name("flow_rate[a [b] c]") == ("flow_rate", "a [b] c")


def test_what_is_not_identified_is_told_once_for_all_members() -> None:
    assert wording.open_questions(pumps.assessment()) == ("loss [50 of 50 members]: What one pump loses of it",)
    bare = replace(pumps.assessment(), not_identified=("loss[P_01]", "total"))
    assert wording.open_questions(bare)[0] == "loss [P_01]: What one pump loses of it"


@pytest.mark.parametrize("count", [2, 50, 130])
def test_members_are_drawn_in_the_order_of_their_medians(count: int) -> None:
    found = members.by_member(pumps.assessment(count).quantities, most_single=1)[1]
    assert isinstance(found, Members)
    picture = figures.caterpillar(found, per="pump")
    medians = [row[5] for row in picture.numbers["rows"]]
    assert len(medians) == count
    assert medians == sorted(medians)
    assert picture.title.startswith(f"Flow rate by pump: medians of {count} from")


def test_balances_and_leading_quantities_have_one_value(drawn: dict[str, Picture]) -> None:
    assert list(drawn) == ["leading", "members-loss", "members-flow_rate", "hypotheses", "width-curve", "ledger"]
    assert drawn["leading"].title.startswith("Total")


# --- the page -----------------------------------------------------------------------------------------------


def test_the_page_folds_the_members_of_a_group_away(html: str) -> None:
    folded = re.findall(r"<details>\s*<summary>(All .*?)</summary>(.*?)</details>", html, re.DOTALL)
    assert [summary for summary, _ in folded] == ["All 50 members of flow rate", "All 50 members of loss"]
    assert folded[0][1].count('<tr><th scope="row">') == 50
    assert html.count("flow rate [P_07]") == 1


def test_the_page_says_what_is_set_aside_and_what_was_corrected(html: str) -> None:
    assert html.index("<h3>Corrections</h3>") < html.index("<h3>Set aside</h3>")
    assert "An echo of bucket-1" in html
    assert "6 observations counted and 5410 readings in 2 tables, 1 withdrawn, 3 otherwise set aside" in html


def test_the_page_tells_grades_and_bases(html: str) -> None:
    text = flat(html)
    assert '<small class="doubted">graded C3, 96.4 % simply wrong: more probably than not</small>' in text
    assert "<small>graded A1, 3.2 % simply wrong</small>" in text
    assert "<small>refers to net of leaks 84.0 %, gross 16.0 %</small>" in text


def test_the_page_states_what_the_methods_assume(html: str) -> None:
    text = flat(html)
    assert "readings of one origin share an error of 1 % (“watch”)" in text
    assert "a wrong reading: uniform(lower 0, upper 100 L/min)" in text
    assert "a value refers to gross (× 1, weight 1) or net of leaks (× 1 - loss, weight 2)" in text
    assert "one value for each pump" in text
    assert "A 98 %, C 60 %" in text
    assert "bucket-1 and bucket-2: r = 0.35" in text
