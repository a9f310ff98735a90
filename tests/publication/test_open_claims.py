"""Claims that draws without a value leave open: printed everywhere by both bounds, and never as one number."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from gaugeglass.judgement.findings import Audit, OddsAtMost
from gaugeglass.judgement.joining import Joining
from gaugeglass.judgement.moves import Chance
from gaugeglass.judgement.paths import Attribution, Path, Share, Shift
from gaugeglass.judgement.results import Probability, WidthCurve
from gaugeglass.judgement.verdicts import _bounded_percent
from gaugeglass.language.spec import Spec
from gaugeglass.publication import articles, comparisons, examined, figures, frames, numbers, outcomes, page, timelines
from gaugeglass.publication.audits import audit_brief, audit_document, audit_text, odds_row, prior_row, unit_row
from gaugeglass.publication.carrying import finding, moves, of_claim, turns
from gaugeglass.publication.influences import audit_pictures
from gaugeglass.publication.sheet import blank
from gaugeglass.record.histories import Moment
from gaugeglass.record.outcomes import ClaimOutcome, DossierOutcome, Outcomes
from printed import joined
from publication import findings, water_tank


def between(least: float, most: float) -> Probability:
    """A probability that is left open so far."""
    return Probability(least, 0.006, least or None, most if most < 1 else None, no_value=most - least)


def flat(text: str) -> str:
    return joined(text.replace(numbers.SPACE, " "))


@pytest.fixture(scope="module")
def spec() -> Spec:
    return findings.spec()


@pytest.fixture(scope="module")
def found() -> Audit:
    """The invented audit of a claim that is neither true nor false in a tenth of the draws."""
    sure = findings.audit()
    ends = {
        "bench-1": (0.64, 0.74),
        "bench-2": (0.55, 0.85),
        "pack-cell": (0.30, 0.41),
        "range test": (0.45, 0.58),
        "log": (0.631, 0.731),
    }
    units = tuple(
        replace(u, claims=(replace(of_claim(u), whole=between(0.63, 0.73), without=between(*ends[u.unit.name])),))
        for u in sure.units
    )
    first = sure.odds[0]
    points = tuple(replace(p, at_most=min(p.probability + 0.1, 1.0)) for p in first.points)
    curve = replace(first, points=points, at_most=OddsAtMost(0.95, 0.39, 0.006))
    return replace(sure, units=units, odds=(curve, *sure.odds[1:]), undecided={findings.CLAIM: 0.1})


# --- numbers ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "shown", "headline"),
    [
        (between(0.6697, 0.8423), "67.0 % to 84.2 %", "between 67 % and 84 %"),
        (between(0.0312, 0.8423), "3.1 % to 84.2 %", "between 3.1 % and 84 %"),
        (between(0.0, 0.8423), "at most 84.2 %", "at most 84 %"),
        (between(0.6697, 1.0), "at least 67.0 %", "at least 67 %"),
        (between(0.0004, 0.8423), "at most 84.2 %", "at most 84 %"),
        (between(0.6697, 0.9996), "at least 67.0 %", "at least 67 %"),
        (between(0.0001, 0.0004), "below 0.1 %", "below 0.1 %"),
        (between(0.9993, 0.9996), "above 99.9 %", "above 99.9 %"),
        (Probability(0.0, math.nan, 0.0, 1.0, no_value=1.0), "0 % to 100 %", "between 0 % and 100 %"),
    ],
)
def test_a_headline_and_a_table_round_bounds_alike(p: Probability, shown: str, headline: str) -> None:
    assert flat(numbers.probability(p)) == shown
    assert _bounded_percent(p) == headline
    said = flat(numbers.in_a_sentence(p))
    assert said == (f"between {shown.replace(' to ', ' and ')}" if " to " in shown else shown)


def test_bounds_of_draws_that_agree_are_printed_as_before() -> None:
    assert flat(numbers.probability(Probability(1.0, math.nan, at_least=0.9993))) == "above 99.93 %"
    assert _bounded_percent(Probability(1.0, math.nan, at_least=0.9993)) == "above 99.9 %"
    assert flat(numbers.in_a_sentence(Probability(0.831, 0.006))) == "83.1 % ± 0.6 %"


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("more than 5 % of 10.2 ± 0.3 kWh", "more than 5_% of 10.2_±_0.3_kWh"),
        ("12 km/h, 3 min (or 4 readings in 5 days)", "12_km/h, 3_min (or 4 readings in 5 days)"),
        ("in 2 of 3 draws, at least 7 kg.", "in 2 of 3 draws, at least 7_kg."),
        ("199.0(12) Wh by bench-1 alone", "199.0(12)_Wh by bench-1 alone"),
    ],
)
def test_a_number_is_kept_with_its_unit_and_its_uncertainty(text: str, kept: str) -> None:
    assert numbers.kept(text, "_") == kept


def test_counts_behind_a_picture_are_whole_numbers(spec: Spec) -> None:
    assert (page.cell(28), page.cell(28.0), page.cell(0)) == ("28", "28.000", "0")
    (picture, *_) = audit_pictures(findings.audit(), spec)
    readings = [row[picture.numbers["columns"].index("readings")] for row in picture.numbers["rows"]]
    assert {page.cell(n) for n in readings} == {"1", "2"}


# --- the audit ----------------------------------------------------------------------------------------------


def test_the_finding_has_both_bounds(found: Audit, spec: Spec) -> None:
    said = flat(finding(found, spec))
    assert (
        "is pack-cell more than anything else: without pack-cell that goes from between 63.0 % and 73.0 % to between "
        "30.0 % and 41.0 %, which turns the verdict." in said
    )
    assert said.endswith(
        "In 10.0 % of the draws the claim is neither true nor false, since something has no value there: what would "
        "overturn it does so to the least that its probability may be."
    )
    for text in (audit_text(found, spec), audit_brief(found, spec)):
        assert "63.0 % to 73.0 %" in flat(text)
        assert "63.0 % ±" not in flat(text)


@pytest.mark.parametrize(
    ("whole", "without", "clause", "is_turned"),
    [
        ((0.63, 0.73), (0.30, 0.41), ", which turns the verdict", True),
        ((0.63, 0.73), (0.41, 0.55), ", which leaves the verdict open", False),
        ((0.41, 0.55), (0.60, 0.70), ", which settles the verdict", False),
        ((0.63, 0.73), (0.80, 0.90), "", False),
        ((0.30, 0.60), (0.10, 0.55), "", False),
    ],
)
def test_what_is_left_open_turns_nothing(
    whole: tuple[float, float], without: tuple[float, float], clause: str, is_turned: bool, found: Audit, spec: Spec
) -> None:
    c = replace(of_claim(found.units[0]), whole=between(*whole), without=between(*without))
    told = flat(finding(replace(found, units=(replace(found.units[0], claims=(c,)),)), spec))
    assert f" to {flat(numbers.in_a_sentence(c.without))}{clause}. " in told
    assert turns(c, 0.5) == is_turned
    assert moves(c)


def test_arrows_tell_where_bounds_move(found: Audit, spec: Spec) -> None:
    shown = {u.unit.name: flat(unit_row(u, found, spec)[2]) for u in found.units}
    assert shown == {
        "bench-1": "64.0 % to 74.0 %",
        "bench-2": "55.0 % to 85.0 % ▲▼",
        "pack-cell": "30.0 % to 41.0 % ▼",
        "range test": "45.0 % to 58.0 % ▼",
        "log": "63.1 % to 73.1 %",
    }


def test_what_a_refit_says_of_an_open_claim_is_the_least(found: Audit, spec: Spec) -> None:
    text = flat(audit_text(found, spec, 200))
    assert "drawn again there, the claim has at least 50.3 % ± 1.0 %, where its threshold is 50 %" in text
    assert "bounds: the least and the greatest that the claim's probability may be" in text
    sure = flat(audit_text(findings.audit(), spec, 200))
    assert "drawn again there, the claim is at 50.3 % ± 1.0 %" in sure
    assert "bounds" not in sure


def test_what_a_prior_moves_of_an_open_claim_is_the_least(found: Audit) -> None:
    sensitivity = found.priors.sensitivities[0]
    assert prior_row(sensitivity, found)[1] == "software limited (the least) and 1 more"
    assert prior_row(sensitivity, findings.audit())[1] == "software limited and 1 more"


def test_prior_odds_of_an_open_claim_turn_either_bound(found: Audit) -> None:
    name, stated, under, otherwise, turned = map(flat, odds_row(found.odds[0]))
    assert (name, stated, under, otherwise) == ("held", "1 : 4", "90.0 % to 95.0 %", "29.0 % to 39.0 %")
    assert turned == "the least below 1 : 62, the greatest below 1 : 167"


def test_pictures_of_an_open_claim_have_both_bounds(found: Audit, spec: Spec) -> None:
    drawn = {p.name: p for p in audit_pictures(found, spec)}
    influence, odds = drawn["influence"], drawn["prior-odds"]
    assert "goes from between 63.0 % and 73.0 % to between 30.0 % and 41.0 %" in flat(influence.title)
    columns = influence.numbers["columns"]
    assert columns[3:7] == ["with it, at least", "with it, at most", "without it, at least", "without it, at most"]
    assert influence.numbers["rows"][0][:7] == ["pack-cell", "observation", 1, 0.63, 0.73, 0.30, 0.41]
    assert odds.numbers["columns"][2:4] == ["at least", "at most"]
    assert "a bound of the verdict turns at" in odds.alt
    assert drawn["tipping"].title.startswith("The verdict's lower bound turns if")
    sure = {p.name: p for p in audit_pictures(findings.audit(), spec)}
    assert sure["influence"].numbers["columns"][3:5] == ["with it", "without it"]
    assert sure["prior-odds"].numbers["columns"][2] == "probability"
    assert sure["tipping"].title.startswith("The verdict turns if")


def test_the_page_says_of_an_open_claim_what_the_terminal_says(found: Audit, spec: Spec) -> None:
    section = examined.audit_section(found, spec)
    assert section.units is not None
    assert "has 63.0 % to 73.0 %" in flat(section.units.caption)
    assert "bounds" in [term for term, _ in section.key]
    assert "since something has no value there" in section.tipping
    assert section.odds is not None
    assert (max(section.odds.numeric), section.odds.rows[0][4][:9]) == (3, "the least")
    assert "bounds" not in [term for term, _ in examined.audit_section(findings.audit(), spec).key]


def test_documents_of_what_is_decided_lack_the_keys_of_what_is_open(found: Audit, spec: Spec) -> None:
    plain = json.dumps(audit_document(findings.audit(), spec))
    assert '"undecided"' not in plain
    assert all("at_most" not in curve for curve in audit_document(findings.audit(), spec)["odds"])
    document = audit_document(found, spec)
    assert document["undecided"] == {findings.CLAIM: 0.1}
    assert document["odds"][0]["at_most"] == {"under": 0.95, "otherwise": 0.39, "crossing": 0.006}
    assert "at_most" in document["odds"][0]["points"][0]
    assert "at_most" not in document["odds"][1]


# --- widths -------------------------------------------------------------------------------------------------


def opened(least: float, most: float) -> Any:
    """The invented assessment with a leading verdict that is left open at every width."""
    full = water_tank.assessment()
    curve = full.verdicts[0].curve
    assert curve is not None
    points = tuple(dataclasses.replace(p, probability=least, bayes_factor=math.nan, at_most=most) for p in curve.points)
    verdict = dataclasses.replace(
        full.verdicts[0],
        posterior=between(least, most),
        bayes_factor=None,
        curve=WidthCurve("leak", points, points[0].factor, points[-1].factor),
        lowest=least,
        highest=most,
    )
    return dataclasses.replace(full, verdicts=(verdict, *full.verdicts[1:]))


@pytest.mark.parametrize(
    ("least", "most", "title"), [(0.3, 0.6, "The verdict stays open at"), (0.6, 0.8, "The verdict stands at")]
)
def test_a_curve_of_an_open_claim_has_both_bounds(least: float, most: float, title: str) -> None:
    picture = figures.width_curve(opened(least, most))
    assert picture.title.startswith(title)
    assert picture.numbers["columns"] == ["width factor", "at least", "at most", "Monte Carlo error", "Bayes factor"]
    assert picture.numbers["rows"][0][1:3] == [least, most]
    assert "of all that draws without a value leave open" in picture.alt
    html = page.page(water_tank.spec(), opened(least, most), (picture,), {"seed": 7})
    told = f"neither true nor false in 0{numbers.SPACE}% of the draws before the evidence and in {100 * (most - least):.1f}{numbers.SPACE}% after"
    assert f"<dt>Left open</dt><dd>{told}" in html
    assert "Left open" not in page.page(water_tank.spec(), water_tank.assessment(), (picture,), {"seed": 7})
    frame = frames.Frame("article", "A tank", "A tank", "A tank", {})
    about = {"command": "gaugeglass", "seed": 7, "versions": {}, "run": "r", "digest": "d", "alternative_to": None}
    written = [
        articles.article(water_tank.spec(), a, frame, about) for a in (opened(least, most), water_tank.assessment())
    ]
    assert [articles.escaped(told) in text for text in written] == [True, False]
    assert ["What is pale above the level is left open." in text for text in written] == [True, False]
    assert f"<td>{100 * least:.1f}{numbers.SPACE}% to {100 * most:.1f}{numbers.SPACE}%</td>" in html


# --- how it went --------------------------------------------------------------------------------------------


def test_there_is_room_for_whole_percents_beside_a_picture() -> None:
    assert flat(numbers.brief(between(0.6697, 0.8423))) == "67 to 84 %"
    assert flat(numbers.brief(Probability(0.8312, 0.0058))) == "83.1 %"
    assert flat(frames._chance(between(0.6697, 0.8423))) == "67 to 84 %"
    assert flat(frames._chance(Probability(0.8312, 0.0058))) == "83 %"


def test_a_chart_of_runs_shows_both_bounds() -> None:
    rows = [
        (str(k), cast("Moment", SimpleNamespace()), p) for k, p in enumerate((between(0.5, 0.7), between(0.3, 0.4)), 1)
    ]
    chance = Chance("above", "It is above", "claim", rows[-1][2])
    title = flat(timelines._title(chance, rows))
    assert title == "“above” went from between 50.0 % and 70.0 % to between 30.0 % and 40.0 % in 2 runs"
    axes = Figure().add_subplot()
    timelines._draw_row(axes, 0.5, rows[0])
    assert flat(axes.texts[0].get_text()) == "50 to 70 %"
    marks = [float(x) for line in axes.lines if line.get_marker() == "o" for x in np.asarray(line.get_xdata())]
    assert marks == [0.5, 0.7]


def test_how_an_open_claim_went_is_said_by_both_bounds() -> None:
    def went(*ends: Probability) -> Joining:
        return cast("Joining", SimpleNamespace(steps=[SimpleNamespace(probability=p) for p in ends]))

    assert flat(frames._way_title(went(between(0.74, 0.82), between(0.54, 0.62)))) == (
        "First 74 to 82 %, in the end 54 to 62 %"
    )
    assert flat(frames._way_title(went(Probability(0.74, 0.01), Probability(0.54, 0.01)))) == "From 74 % to 54 %"


def test_a_gauge_shows_what_is_open_above_its_level() -> None:
    sheet, screen = blank("A gauge", 3.0), frames.WIDE
    asked = water_tank.assessment().verdicts[0]
    frames._gauge(sheet, screen, asked, between(0.5, 0.7), None)
    levels = [(p.get_y(), p.get_height()) for p in sheet.figure.axes[0].patches if isinstance(p, Rectangle)]
    assert levels == [(0, 1), (0, 0.5), (0.5, pytest.approx(0.2)), (0, 1)]


def test_of_an_open_claim_the_bound_that_is_scored_is_marked() -> None:
    def scored(p: Probability) -> ClaimOutcome:
        bound = p.at_least if p.at_least is not None else p.at_most or 0.0
        return ClaimOutcome(
            "tank", "tight", "It is tight", p, bound, True, True, "stated", 0.09, 0.356, 0.5, 0.25, 0.693
        )

    assert flat(outcomes.said_text(scored(between(0.45, 0.7)))) == "≥ 45.0 %"
    assert flat(outcomes.said_text(scored(between(0.0, 0.7)))) == "≤ 70.0 %"
    told = DossierOutcome("tank", "A tank", "run", "d", "2026-01-01", "", "", (scored(between(0.45, 0.7)),), None, ())
    text = flat(outcomes.outcomes_text(Outcomes((told,)), 200))
    assert outcomes.OPEN_NOTE in text
    assert outcomes.BOUND_NOTE not in text


def test_what_inputs_did_to_an_open_claim_is_said_to_be_of_the_least() -> None:
    shift = Shift(-0.2, 0.009, -0.8, 0.04)
    share = Share("observation dip", shift, None, None)

    def told(before: Probability, after: Probability) -> str:
        found = Attribution("above", "It is above", "claim", before, after, shift, (share,))
        return flat(" ".join(comparisons._claim(found, Path((), (), (found,), 1, 2000, 5), None, 100, color=False)))

    is_open, is_sure = (
        told(*pair)
        for pair in ((between(0.5, 0.7), between(0.3, 0.4)), (Probability(0.5, 0.006), Probability(0.3, 0.006)))
    )
    assert "50.0 % to 70.0 % → 30.0 % to 40.0 %" in is_open
    assert [comparisons.OPEN_NOTE in text for text in (is_open, is_sure)] == [True, False]
