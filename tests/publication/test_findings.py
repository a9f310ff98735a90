"""Audits and candidates as text, pictures and documents: golden sentences, tables that fit, every key documented."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from gaugeglass.judgement.rankings import Expected
from gaugeglass.judgement.results import Probability
from gaugeglass.language.spec import Spec
from gaugeglass.publication import turning
from gaugeglass.publication.audits import audit_brief, audit_document, audit_text, odds, unit_row
from gaugeglass.publication.carrying import chance_text, finding, moves, of_claim
from gaugeglass.publication.influences import _apart, audit_pictures
from gaugeglass.publication.prospects import (
    best_sentence,
    expected,
    money,
    open_bits,
    ranking_brief,
    ranking_document,
    ranking_text,
)
from gaugeglass.publication.worths import worth_and_cost
from printed import joined
from publication import findings
from publication.documented import keys_told

WIDTHS = [120, 80, 70, 64, 63, 40, 30]


@pytest.fixture(scope="module")
def spec() -> Spec:
    return findings.spec()


# --- the audit ----------------------------------------------------------------------------------------------


def test_the_finding_is_said_first(spec: Spec) -> None:
    text = joined(audit_text(findings.audit(), spec))
    assert text.startswith(
        f"What carries “{findings.SAYS}” is pack-cell more than anything else: without pack-cell that goes from "
        "83.0 % ± 0.6 % to 33.0 % ± 0.7 %, which turns the verdict. What would overturn it: an interval about "
        "182.00 ± 0.64 Wh by pack-cell in place of 192 .. 204 Wh, 2.50 of its standard uncertainties lower, or one lower still, to which the "
        "rest gives a chance of 31.0 % ± 0.8 %. Left out one at a time (with everything: 83.0 % ± 0.6 %)"
    )


@pytest.mark.parametrize(
    "golden",
    [
        "pack-cell 15.0 % 33.0 % ± 0.7 % ▼ 182.00 Wh 31.0 %",
        "bench-2 below 0.1 % ! 67.0 % ± 2.0 % ▼ – – 70.0 % !",
        "origin range test 80.0 % 95.0 % ± 1.0 % ▲ +3.25 u 1.2 %",
        "table log 50.0 % 83.0 % ± 1.0 % – –",
        "- pack-cell at 182.00 Wh: drawn again there, the claim is at 50.3 % ± 1.0 %, where its threshold is 50 %",
        "- not searched for table log: a reading has no u of its own",
        "- bench-1 and bench-2: 0.7 sd below and 1.6 sd above what the rest foretells, where they should err together "
        "(r = 0.96); the chance of so poor a match is 0.1 %",
        "of 91 pairs compared up to 5 may be named by chance alone",
        "- the evidence says nothing of session ratio",
        "- no evidence of these kinds could identify label factor",
        "held 1 : 4 90.0 % 29.0 % below 1 : 62",
        "poorer 1 : 4 90.0 % 80.0 % at no odds",
        "importance weights replaced 1 (Pareto k at most 0.61), of bench-1",
        "- draws without plate under held are out of their limits",
    ],
)
def test_the_audit_says_so(golden: str, spec: Spec) -> None:
    assert golden in joined(audit_text(findings.audit(), spec, 120))


def test_priors_below_the_limit_are_not_named_and_doubts_are(spec: Spec) -> None:
    text = joined(audit_text(findings.audit(), spec, 120))
    assert "buffer software limited and 1 more 0.29 0.13 prior and evidence may conflict" in text
    assert "(unsure: few draws stand for it)" in text
    assert "cell energy" not in text


@pytest.mark.parametrize("width", WIDTHS)
def test_an_audit_fits_its_width_and_loses_nothing(width: int, spec: Spec) -> None:
    text = audit_text(findings.audit(), spec, width)
    assert max(map(len, text.splitlines())) <= width
    whole = "".join(joined(text).split())
    words = ["33.0%±0.7%▼", "182.00Wh", "below1:62", "buffer"]
    assert [word for word in words if word not in whole] == []


def test_nothing_that_carries_it_is_said_to_be_so(spec: Spec) -> None:
    found = findings.audit()
    calm = replace(found, units=(found.units[0], found.units[4]), contradictions=())
    text = joined(audit_text(calm, spec))
    assert text.startswith(f"Nothing alone carries “{findings.SAYS}” (83.0 % ± 0.6 %): ")
    assert "No reading was found that would overturn it" in text
    assert "none; pairs compared: 91" in text


def test_what_carries_it_no_less_is_named_too(spec: Spec) -> None:
    found = findings.audit()
    claim = replace(of_claim(found.units[2]), without=Probability(0.35, 0.01))
    said = joined(finding(replace(found, units=(*found.units, replace(found.units[1], claims=(claim,)))), spec))
    assert "is pack-cell, hardly less bench-2: without pack-cell that goes from 83.0 %" in said


def test_where_nothing_was_searched_for_the_reason_is_said(spec: Spec) -> None:
    found = findings.audit()
    said = joined(finding(replace(found, units=(found.units[4],)), spec))
    assert said.endswith("Which reading would overturn it was not searched for: a reading has no u of its own.")


def test_several_readings_that_overturn_it_are_shifted_together(spec: Spec) -> None:
    found = findings.audit()
    said = joined(finding(replace(found, units=(found.units[3],)), spec))
    assert (
        "the 2 readings of origin range test all 3.25 or more of their own standard uncertainties higher, to which"
        in said
    )


def test_a_table_shows_the_common_shift_of_several_readings_without_saying_of_which(spec: Spec) -> None:
    found = findings.audit()
    assert joined(unit_row(found.units[3], found, spec)[3]) == "+3.25 u"


def test_a_share_that_was_stated_in_percent_turns_in_percent(spec: Spec) -> None:
    bench = next(o for o in spec.evidence if o.id == "pack-cell")
    share = replace(bench, method="factor_statement", value=0.9, lower=0.9, upper=0.9, u=0.005, stated="90 ± 0.5 %")
    dossier = replace(spec.dossier, observations=tuple(share if o is bench else o for o in spec.dossier.observations))
    found = findings.audit()
    unit = replace(found.units[2], tipping=(replace(found.units[2].tipping[0], value=0.8875),))
    said = joined(finding(replace(found, units=(unit,)), replace(spec, dossier=dossier)))
    assert (
        "a reading of (88.750 ± 0.050) % by pack-cell in place of 90 ± 0.5 %, 2.50 of its standard uncertainties lower"
        in said
    )


def test_without_a_claim_or_any_observation_it_says_so(spec: Spec) -> None:
    found = findings.audit()
    bare = replace(found, claim=None, units=tuple(replace(u, claims=(), tipping=()) for u in found.units))
    assert audit_text(bare, spec).startswith("The model states no claim")
    assert list(audit_pictures(bare, spec)) == []
    assert audit_text(replace(found, units=()), spec).startswith("No observation counts")


def test_bounds_of_draws_that_agree_are_no_move_and_nothing_is_certain() -> None:
    c = of_claim(findings.audit().units[0])
    whole, without = Probability(1.0, math.nan, at_least=0.9992), Probability(1.0, math.nan, at_least=0.9999)
    assert not moves(replace(c, whole=whole, without=without))
    assert moves(replace(c, whole=whole, without=Probability(0.9, 0.01)))
    assert joined(chance_text(Probability(1.0, 1e-4))) == "above 99.99 %"


@pytest.mark.parametrize(
    ("x", "said"), [(0.25, "1 : 4"), (4.0258, "4.0 : 1"), (1.0, "1 : 1"), (2.3e30, "2.3 × 10³⁰ : 1")]
)
def test_odds_are_said_the_usual_way(x: float, said: str) -> None:
    assert joined(odds(x)) == said


# --- candidates ---------------------------------------------------------------------------------------------


def test_the_best_candidate_is_said_first() -> None:
    assert joined(ranking_text(findings.ranking())).startswith(
        "Best next, but beyond the budget of 500: full filing (What full_filing is). It is expected to tell 0.14 ± 0.01 of the 0.66 bit that are open "
        f"about “{findings.SAYS}” (now 83.0 %); the chance that this crosses 50 % is 4.7 % ± 2.0 %. It costs 3 000 000. "
        "For its cost, city tells more."
    )


@pytest.mark.parametrize(
    "golden",
    [
        "full filing 0.14 ± 0.01 4.7 % 3 000 000 0.047",
        "city 0.10 ± 0.01 90 % 60 1667",
        "- weigh pack cannot help with the claim or reserve",
        "- asking: no cost is stated, so that no budget can be held against it",
        "candidate once 2 times 4 times 8 times",
        "city 0.05 ± 0.01 0.05 ± 0.01 0.05 ± 0.01 0.05 ± 0.01",
        "The best set for a budget of 500",
        "It ends there since nothing that is left is within the budget. The set is chosen greedily",
    ],
)
def test_the_ranking_says_so(golden: str) -> None:
    assert golden in joined(ranking_text(findings.ranking(), 120))


@pytest.mark.parametrize("width", WIDTHS)
def test_a_ranking_fits_its_width(width: int) -> None:
    for found in (findings.ranking(), findings.of_a_quantity()):
        assert max(map(len, ranking_text(found, width).splitlines())) <= width


def test_where_a_quantity_is_asked_about_no_claim_is_spoken_of() -> None:
    text = joined(ranking_text(findings.of_a_quantity()))
    assert text.startswith("Best next: full filing (What full_filing is). It is expected to tell 0.77 ± 0.01 nat about reserve, "
                           "which leaves 46 % of its standard deviation.")  # fmt: skip
    assert "about the claim" not in text


def test_where_nothing_helps_it_says_so() -> None:
    found = findings.ranking()
    vain = replace(found, worths=found.worths[3:], best=None)
    assert joined(best_sentence(vain)) == f"The one candidate is not seen to help with “{findings.SAYS}” or reserve."
    assert best_sentence(replace(found, worths=())) == "There is no candidate to weigh."


def test_where_nothing_helps_with_the_claim_the_quantity_decides() -> None:
    found = findings.ranking()
    worths = tuple(replace(w, claim_bits=Expected(0.0, 0.01)) for w in found.worths)
    assert best_sentence(replace(found, worths=worths)).startswith("No candidate is seen to help with “Software")


def test_numbers_of_candidates() -> None:
    assert open_bits(0.5) == 1.0
    assert joined(expected(Expected(0.0004, 1e-6))) == "0.000 ± 0.001"
    assert expected(Expected(0.0, 0.0)) == "0"
    assert [joined(money(x)) for x in (60.0, 12.5, 1e6)] == ["60", "12.50", "1 000 000"]


# --- documents ----------------------------------------------------------------------------------------------


def keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            if key not in ("at", "left_out"):  # whose keys are names
                yield from keys(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys(inner)


def test_documents_are_plain_and_every_key_is_documented(spec: Spec) -> None:
    for document, told in (
        (audit_document(findings.audit(), spec), keys_told("one `gaugeglass.audit/1`", before="`next --json`")),
        (ranking_document(findings.ranking(), spec), keys_told("one `gaugeglass.next/1`", before="## Tests")),
    ):
        assert json.loads(json.dumps(document, allow_nan=False)) == document
        known = {*told, "value", "mcse", "at_least", "at_most", "no_value", "kind", "probability",
                 "mean", "sd", "median", "lower", "upper"}  # fmt: skip
        assert sorted(set(keys(document)) - known) == []


def test_documents_have_their_version_and_the_sentence(spec: Spec) -> None:
    document = audit_document(findings.audit(), spec)
    assert (document["format"], document["dossier"], document["model"]) == (
        "gaugeglass.audit/1",
        "heron-35",
        "traction-pack",
    )
    assert document["sentence"].startswith("What carries")
    assert [u["reading_unit"] for u in document["units"]] == ["Wh", "Wh", "Wh", None, None]
    ranked = ranking_document(findings.ranking(), spec)
    assert ranked["format"] == "gaugeglass.next/1"
    assert ranked["worths"][1]["claim_bits_per_cost"]["value"] == pytest.approx(0.05 / 60)


# --- pictures -----------------------------------------------------------------------------------------------


def test_pictures_state_their_finding_and_are_the_same_bytes_each_time(spec: Spec) -> None:
    def draw() -> list[Any]:
        return [*audit_pictures(findings.audit(), spec), *worth_and_cost(findings.ranking())]

    drawn = draw()
    assert {p.name: joined(p.title) for p in drawn} == {
        "influence": "Without pack-cell the claim goes from 83.0 % to 33.0 %; that alone turns the verdict",
        "tipping": "The verdict turns if pack-cell lies at 182.00 Wh or less: a chance of 31.0 %",
        "prior-odds": "The verdict turns first where “held” is given under 1 : 62 before the evidence, in place of 1 : 4",
        "candidates": "“full filing” is expected to tell most: 0.14 ± 0.01 bit for 3 000 000; for its cost, “city” tells more",
    }
    for picture in drawn:
        ET.fromstring(picture.svg)  # noqa: S314 - our own bytes
        assert picture.alt.startswith(picture.title)
        assert {len(row) for row in picture.numbers["rows"]} == {len(picture.numbers["columns"])}
    assert [p.svg for p in draw()] == [p.svg for p in drawn]


def test_the_picture_of_tipping_values_has_every_shift_that_was_searched(spec: Spec) -> None:
    picture = next(p for p in audit_pictures(findings.audit(), spec) if p.name == "tipping")
    assert "pack-cell turns it at 182.00 Wh, a chance of 31.0 %." in joined(picture.alt)
    assert "origin range test turns it at all +3.25 u, a chance of 1.2 %." in joined(picture.alt)
    assert "bench-1: no turn from −8.0 to 8.0 u." in joined(picture.alt)
    assert [(row[0], row[3], row[4], row[7]) for row in picture.numbers["rows"]] == [
        ("pack-cell", "below", -2.5, 0.31), ("range test", "above", 3.25, 0.012), ("bench-2", None, None, None),
        ("bench-1", None, None, None),
    ]  # fmt: skip


def test_where_no_shift_turns_the_verdict_the_picture_says_so(spec: Spec) -> None:
    found = findings.audit()
    calm = replace(found, units=tuple(replace(u, tipping=()) for u in found.units))
    titles = {p.name: p.title for p in audit_pictures(calm, spec)}
    assert titles["tipping"] == "No shift of a reading turns the verdict, as far as draws reach"
    unsearched = replace(found, units=tuple(replace(u, tipping=(), sought=None) for u in found.units))
    assert "tipping" not in {p.name for p in audit_pictures(unsearched, spec)}


@pytest.mark.parametrize("shift", [-0.3, -2.5, -7.8])
def test_the_value_where_the_verdict_turns_hides_neither_its_line_nor_what_was_stated(
    shift: float, spec: Spec, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets: list[Any] = []
    monkeypatch.setattr(turning, "finish", lambda sheet, *told: sheets.append(sheet))
    found = findings.audit()
    units = tuple(replace(u, tipping=tuple(replace(t, shift=shift) for t in u.tipping if t.side == "below"))
                  for u in found.units)  # fmt: skip
    claim = next(c for c in spec.model.claims if c.name == found.claim)
    list(turning.tipping_picture(replace(found, units=units), spec, claim))
    (axes,) = sheets[0].figure.axes
    (value,) = [t for t in axes.texts if t.get_text().endswith("Wh")]
    box, line = value.get_window_extent(), axes.transData.transform((shift, 0.5))
    assert box.x1 < line[0] or box.y0 > line[1]


# --- in short -----------------------------------------------------------------------------------------------


def test_an_audit_in_short_is_its_finding_and_what_moves_the_claim(spec: Spec) -> None:
    text = joined(audit_brief(findings.audit(), spec))
    assert text.startswith(joined(finding(findings.audit(), spec)))
    assert "What carries it (with everything: 83.0 % ± 0.6 %)" in text
    assert "pack-cell 15.0 % 33.0 % ± 0.7 % ▼ 182.00 Wh 31.0 %" in text
    assert "table log" not in text  # it moves nothing
    assert text.endswith("These contradict each other: bench-1 and bench-2.")


def test_what_carries_nothing_is_not_said_to_carry_in_short(spec: Spec) -> None:
    found = findings.audit()
    still = tuple(replace(u, claims=tuple(replace(c, without=c.whole) for c in u.claims)) for u in found.units)
    text = joined(audit_brief(replace(found, units=still), spec))
    assert text.startswith("Nothing alone carries")
    assert "What moves it most (with everything: 83.0 % ± 0.6 %)" in text
    assert "What carries it" not in text


def test_many_contradictions_are_counted_in_short(spec: Spec) -> None:
    found = findings.audit()
    pair = found.contradictions[0]
    many = tuple(replace(pair, second=f"bench-{k}", p_value=k / 1000) for k in (9, 3, 5, 4, 6))
    text = joined(audit_brief(replace(found, contradictions=many), spec))
    assert text.endswith("bench-1 and bench-3; bench-1 and bench-4; bench-1 and bench-5; and 2 more.")


def test_candidates_in_short_are_those_that_help() -> None:
    text = joined(ranking_brief(findings.ranking()))
    assert text.startswith(joined(best_sentence(findings.ranking())))
    assert "full filing 0.14 ± 0.01 3 000 000 0.047" in text
    assert "weigh pack" not in text
    vain = replace(findings.ranking(), worths=findings.ranking().worths[3:])
    assert joined(ranking_brief(vain)) == joined(best_sentence(vain))


@pytest.mark.parametrize("width", WIDTHS)
def test_short_forms_fit_their_width(width: int, spec: Spec) -> None:
    for text in (audit_brief(findings.audit(), spec, width), ranking_brief(findings.ranking(), width)):
        assert max(map(len, text.splitlines())) <= width


# --- places of labels ---------------------------------------------------------------------------------------


def test_labels_at_one_height_are_moved_apart() -> None:
    placed = sorted(_apart([0.9, 0.9, 0.9, 0.1], least=0.1))
    assert all(b - a > 0.099 for a, b in pairwise(placed))
    assert placed[-1] <= 1.0 + 1e-9


def test_without_any_cost_there_is_no_picture_of_costs() -> None:
    found = findings.ranking()
    assert list(worth_and_cost(replace(found, worths=tuple(replace(w, cost=None) for w in found.worths)))) == []


@pytest.mark.parametrize("cost", [5, 60, 3_000_000])
def test_one_candidate_stands_at_its_cost_and_is_not_said_to_tell_most(
    cost: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets: list[Any] = []
    monkeypatch.setattr("gaugeglass.publication.worths.finish", lambda sheet, *told: sheets.append((sheet, told[1])))
    found = findings.ranking()
    list(worth_and_cost(replace(found, worths=(replace(found.worths[0], cost=cost),))))
    ((sheet, title),) = sheets
    assert joined(title) == f"“full filing” is expected to tell 0.14 ± 0.01 bit for {joined(money(cost))}"
    (axes,) = sheet.figure.axes
    assert list(axes.get_xticks()) == [cost]
    low, high = axes.get_xlim()
    assert cost**2 == pytest.approx(low * high)  # the middle of a logarithmic axis


def test_what_is_beyond_the_budget_is_said_to_be_so_at_once() -> None:
    found = findings.ranking()
    assert found.best is not None
    dear = replace(found, best=replace(found.best, budget=5, steps=()))
    assert best_sentence(dear).startswith("Best next, but beyond the budget of 5: ")
    enough = replace(found, best=replace(found.best, budget=3_000_000))
    assert best_sentence(enough).startswith("Best next: ")
    assert best_sentence(replace(found, best=None)).startswith("Best next: ")


def test_an_error_that_is_not_shared_is_not_said_to_repeat() -> None:
    text = joined(ranking_text(findings.ranking()))
    assert "where readings of a method share an error, that repeats too" in text
