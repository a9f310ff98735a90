"""The page's sections on what the verdict rests on and what to observe next."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest

from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.judgement.results import Probability
from gaugeglass.language.spec import Spec
from gaugeglass.publication.carrying import of_claim
from gaugeglass.publication.examined import audit_section, next_section
from gaugeglass.publication.influences import audit_pictures
from gaugeglass.publication.page import page
from gaugeglass.publication.worths import worth_and_cost
from printed import joined
from publication import findings, water_tank
from publication.test_page import _read


@pytest.fixture(scope="module")
def spec() -> Spec:
    return findings.spec()


def rendered(spec: Spec, audit: Audit | None, ranking: Ranking | None) -> str:
    """The page of the water tank's results, with an audit and a ranking of the demo's."""
    pictures = [*(audit_pictures(audit, spec) if audit else ()), *(worth_and_cost(ranking) if ranking else ())]
    return page(spec, water_tank.assessment(), pictures, {"seed": 7}, audit=audit, ranking=ranking)


def plain(text: str) -> str:
    return joined(unescape(re.sub(r"<[^>]+>", " ", text)))


def section(html: str, name: str) -> str:
    found = re.search(rf'<section id="{name}".*?</section>', html, re.DOTALL)
    assert found
    return found[0]


def headings(html: str) -> list[str]:
    return [plain(text) for text in re.findall(r"<h[23][^>]*>(.*?)</h[23]>", html, re.DOTALL)]


# --- headings -----------------------------------------------------------------------------------------------


def test_headings_state_the_findings(spec: Spec) -> None:
    html = rendered(spec, findings.audit(), findings.ranking())
    assert headings(section(html, "audit")) == [
        "Without pack-cell the verdict turns",
        "What would overturn it: pack-cell at 182.00 Wh or less",
        "Two readings contradict each other: bench-1 and bench-2",
        "The prior of buffer matters most, and may conflict with the evidence",
        "Other prior odds can turn it",
    ]
    assert headings(section(html, "next")) == [
        "What to observe next: full filing", "What does not help", "The best set for the money",
    ]  # fmt: skip


def test_where_several_turn_the_verdict_each_is_named(spec: Spec) -> None:
    found = findings.audit()
    claim = replace(of_claim(found.units[1]), without=Probability(0.4, 0.01))
    both = replace(found, units=(found.units[0], replace(found.units[1], claims=(claim,)), *found.units[2:]))
    assert audit_section(both, spec).heading == "Without any of pack-cell and bench-2 the verdict turns"


def test_calm_findings_have_calm_headings(spec: Spec) -> None:
    found = findings.audit()
    priors = replace(found.priors, sensitivities=(), conflicts=())
    calm = audit_section(
        replace(found, units=(found.units[0], found.units[4]), contradictions=(), priors=priors, odds=found.odds[2:]),
        spec,
    )
    assert calm.heading == "Nothing alone carries the verdict"
    assert calm.tipping_heading == "No reading was found that would overturn it"
    assert calm.pairs_heading == "No two observations contradict each other"
    assert calm.priors_heading == "No prior decides the results by itself"
    assert calm.odds_heading == "No prior odds from 1 : 100 to 100 : 1 turn the verdict"


def test_several_readings_that_turn_it_together_are_said_in_own_u(spec: Spec) -> None:
    found = findings.audit()
    assert audit_section(replace(found, units=(found.units[3],)), spec).tipping_heading == (
        "What would overturn it: origin range test, 3.25 u higher or more"
    )
    assert audit_section(replace(found, units=(found.units[4],)), spec).tipping_heading == (
        "What would overturn it was not searched for"
    )


def test_where_nothing_was_shifted_the_page_does_not_say_that_it_was(spec: Spec) -> None:
    found = findings.audit()
    unsearched = plain(section(rendered(spec, replace(found, units=(found.units[4],)), None), "audit"))
    assert "was not searched for: a reading has no u of its own." in unsearched
    assert "until the verdict turned" not in unsearched
    assert unsearched.count("a reading has no u of its own") == 1
    assert "until the verdict turned" in plain(section(rendered(spec, found, None), "audit"))


def test_without_a_claim_nothing_is_said_to_turn(spec: Spec) -> None:
    found = findings.audit()
    bare = audit_section(replace(found, claim=None, odds=()), spec)
    assert bare.heading == "What the results rest on"
    assert bare.tipping_heading == ""
    assert bare.units is not None
    assert bare.units.headings == ("left out", "surprise", "wrong")
    assert "would overturn" not in plain(section(rendered(spec, replace(found, claim=None), None), "audit")).replace(
        "would overturn one", ""
    )


def test_where_nothing_helps_the_heading_says_so() -> None:
    vain = next_section(replace(findings.ranking(), worths=findings.ranking().worths[3:], best=None))
    assert vain.heading == "No candidate is seen to help"
    assert vain.worths is None
    assert vain.useless == ("weigh pack cannot help with the claim or reserve", *vain.useless[1:])


# --- tables -------------------------------------------------------------------------------------------------


def test_what_tells_something_stands_first_and_the_rest_below(spec: Spec) -> None:
    found = audit_section(findings.audit(), spec)
    assert found.units is not None
    assert found.more_units is not None
    assert [row[0] for row in found.units.rows] == ["pack-cell", "bench-2", "origin range test"]
    assert [row[0] for row in found.more_units.rows] == ["bench-1", "table log"]
    assert found.units.marked == {1}  # bench-2 is a surprise
    assert found.units.small == ("", "", "2 readings")


def test_a_table_of_candidates_has_worth_and_cost() -> None:
    found = next_section(findings.ranking()).worths
    assert found is not None
    assert found.headings == (
        "candidate", "about the claim [bit]", "crosses", "about reserve [nat]", "sd left", "cost", "bit per 1 000 000",
    )  # fmt: skip
    assert [plain(" | ".join(row)) for row in found.rows[:3]] == [
        "full filing | 0.14 ± 0.01 | 4.7 % | 0.77 ± 0.01 | 46 % | 3 000 000 | 0.047",
        "city | 0.05 ± 0.01 | 1.7 % | 0.10 ± 0.01 | 90 % | 60 | 833",
        "asking | 0.04 ± 0.01 | 1.3 % | 0.02 ± 0.01 | 98 % | – | –",
    ]
    of_quantity = next_section(findings.of_a_quantity()).worths
    assert of_quantity is not None
    assert of_quantity.headings[1:3] == ("about reserve [nat]", "sd left")


# --- the page -----------------------------------------------------------------------------------------------


def test_both_sections_say_what_the_terminal_says(spec: Spec) -> None:
    html = rendered(spec, findings.audit(), findings.ranking())
    said = plain(section(html, "audit"))
    for text in (
        "What carries “Software holds back more than 5 % of the energy beyond the ordinary buffer” is pack-cell",
        "an interval about 182.00 ± 0.64 Wh by pack-cell in place of 192 .. 204 Wh",
        "0.7 sd below and 1.6 sd above what the rest foretells",
        "No evidence of these kinds could identify label factor",
        "below 1 : 62",
        "importance weights replaced 1",
    ):
        assert text.lower() in said.lower()
    assert "It costs 3 000 000. For its cost, city tells more." in plain(section(html, "next"))


def test_the_page_stays_whole_and_every_picture_stands_in_its_section(spec: Spec) -> None:
    html = rendered(spec, findings.audit(), findings.ranking())
    reader = _read(html)
    assert not reader.faults
    assert not reader.open
    assert (section(html, "audit").count("<img"), section(html, "next").count("<img")) == (3, 1)
    assert html.count("<img") == 4
    assert "Balances" not in html


def test_without_an_audit_and_a_ranking_the_page_has_neither(spec: Spec) -> None:
    html = rendered(spec, None, replace(findings.ranking(), worths=()))
    assert 'id="audit"' not in html
    assert 'id="next"' not in html


def test_names_stay_text(spec: Spec) -> None:
    found = findings.audit()
    name = "<script>alert(1)</script>"
    hostile = replace(found.units[2], unit=replace(found.units[2].unit, name=name))
    html = rendered(spec, replace(found, units=(hostile,)), replace(findings.ranking(), says="<b>one</b>"))
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in section(html, "audit")
    assert "<b>one</b>" not in html
