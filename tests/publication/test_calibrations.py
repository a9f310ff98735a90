"""A calibration as it is worded and drawn: what is right reads so, and what is off is named first."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from functools import cache
from html import unescape

import numpy as np
import pytest

from conftest import OBSERVATIONS
from gaugeglass.judgement.calibration import LEVELS, Calibration, ChanceFinding, RankFinding, gather, left_out
from gaugeglass.language.alternatives import alter
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec
from gaugeglass.publication import page
from gaugeglass.publication.calibration_page import calibration_page
from gaugeglass.publication.calibrations import (
    binned,
    calibration_document,
    calibration_section,
    calibration_text,
    sentence,
    sight,
)
from gaugeglass.publication.reckonings import calibration_pictures, recorded_pictures
from gaugeglass.record.calibrations import Recorded
from printed import joined
from publication import water_tank
from publication.documented import keys_told


@cache
def spec() -> Spec:
    return load(OBSERVATIONS / "gravitation.yaml")


@cache
def found(narrow: bool = False, failed: int = 0, truths: str = "prior") -> Calibration:
    rng = np.random.default_rng(12)
    done: list[dict[str, object]] = []
    for _ in range(200):
        q = float(rng.uniform())
        came = bool(rng.uniform() < q)
        rank = int(rng.beta(0.3, 0.3) * LEVELS) if narrow else int(rng.integers(LEVELS))
        done.append({
            "hypothesis": "agree" if came else "scattered",
            "ranks": {"measurand": rank, "tau": int(rng.integers(LEVELS)), "log-likelihood": int(rng.integers(LEVELS))},
            "claims": {"too_small": (q, came), "above": (q, came), "wide_scatter": (q, came)},
            "weights": {"agree": q, "stretched": 0.0, "scattered": 1 - q},
            "drawn": {"along given axes": 3},
        })  # fmt: skip
    return gather(spec(), [*done, *[{"failed": "agree: R-hat 2"}] * failed], truths=truths, seed=1)  # type: ignore[arg-type]


def made(narrow: bool = False, failed: int = 0, truths: str = "prior") -> Recorded:
    return Recorded(found(narrow, failed, truths), "2026-11-28T20:15:49+00:00", {"gaugeglass": "1.0"})


def test_what_is_right_is_said_in_one_sentence_that_can_be_checked() -> None:
    own = found()
    lead = own.quantities[0]
    told = joined(sentence(own, spec()))
    assert f"the truth was inside {round(100 * lead.share)} % of the time ({lead.inside} of 200, for measurand" in told
    assert "over all 2 quantities" in told  # the joint log-likelihood is none
    assert told.endswith("Nothing is off: ranks, intervals and probabilities pass all 12 tests, and a right engine fails any of them in one calibration of 100.")  # fmt: skip


def test_what_is_off_is_named_with_how() -> None:
    told = joined(sentence(found(narrow=True), spec()))
    assert "Something is off: of measurand its intervals are too narrow (inside" in told
    assert (
        calibration_section(made(narrow=True), spec()).heading == "In 200 simulations something in this engine was off"
    )
    assert calibration_section(made(), spec()).heading == "In 200 simulations the engine was right as often as it said"


def test_too_few_simulations_are_no_verdict() -> None:
    nothing = gather(spec(), [{"failed": "agree: R-hat 2"}] * 12, truths="prior", seed=1)
    section = calibration_section(Recorded(nothing, "", {}), spec())
    assert section.heading == "Too few simulations to say whether the engine is right as often as it says"
    assert "There is nothing to say after 0 simulations" in section.sentence


def test_simulations_that_failed_are_told_of() -> None:
    assert "12 of 212 simulations could not be inferred" in joined(calibration_text(found(failed=12), spec()))
    assert "which may hide" in joined(calibration_text(found(failed=12), spec()))
    assert "which may hide" not in joined(calibration_text(found(failed=2), spec()))
    assert "could not be inferred" not in calibration_text(found(), spec())


def test_why_not_every_simulation_counts_for_a_quantity_is_said_beside_it() -> None:
    own = found()
    measurand, *rest = own.quantities
    partly = replace(own, quantities=(replace(measurand, no_value=12, settled=3), *rest))
    why = (
        "in 12 more simulations the truth or a draw had no value; in 3 more simulations every draw was the truth, so that "
        "there is no rank"
    )
    assert f"- measurand: {why}" in joined(calibration_text(partly, spec()))
    grid = calibration_section(replace(made(), found=partly), spec()).quantities
    assert grid is not None
    assert grid.small == (why, *("" for _ in rest))
    assert "more simulations" not in calibration_text(own, spec())


def test_simulations_without_a_rank_are_counted_by_why() -> None:
    rng = np.random.default_rng(5)
    done: list[dict[str, object]] = []
    for k in range(40):
        ranks = {"log-likelihood": int(rng.integers(LEVELS)), **({"tau": 50} if k >= 9 else {})}
        unranked = {"tau": "no value" if k < 7 else "settled"} if k < 9 else {}
        claims = dict.fromkeys(("too_small", "above", "wide_scatter"), (0.5, True))
        weights = dict.fromkeys(("agree", "stretched", "scattered"), 1 / 3)
        done.append({"hypothesis": "agree", "ranks": ranks, "unranked": unranked, "claims": claims, "weights": weights,
                     "drawn": {}})  # fmt: skip
    tau, joint = gather(spec(), done, truths="prior", seed=1).quantities
    assert (tau.quantity, len(tau.ranks), tau.no_value, tau.settled) == ("tau", 31, 7, 2)
    assert (joint.no_value, joint.settled) == (0, 0)


def test_quantities_that_are_left_out_are_named_with_why() -> None:
    own = found()
    fewer = replace(own, quantities=tuple(q for q in own.quantities if q.quantity != "measurand"))
    assert set(left_out(fewer, spec())) == {"measurand", *left_out(own, spec())}
    why = "Fewer than 10 simulations count there: in the others the truth or a draw had no value, or every draw was the"
    told = joined(calibration_text(fewer, spec()))
    assert "Left out: measurand, birge, offset" in told
    assert why in told
    assert told.index("Where truths lay") < told.index("Left out") < told.index("What came true")
    shown = replace(made(), found=fewer)
    for html in (section_of(run_page(shown)), calibration_page(spec(), shown, [])):
        assert "Left out: measurand, birge, offset" in html
    whole = replace(
        own, quantities=(*own.quantities, *(replace(own.quantities[0], quantity=q) for q in left_out(own, spec())))
    )
    assert "Left out" not in joined(calibration_text(whole, spec()))


def test_how_much_so_many_simulations_see_is_what_the_test_has() -> None:
    """The greatest share that is off, as said, is off by the test, and the next is not."""
    from gaugeglass.judgement.uniformity import binomial_p_value

    own = found()
    (share,) = re.findall(r"holds (\d+) % of the truths or less", joined(sight(own)))
    assert binomial_p_value(round(int(share) / 100 * 200), 200, 0.9) < own.limit
    assert binomial_p_value(round(int(share) / 100 * 200) + 3, 200, 0.9) > own.limit


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    text = calibration_text(found(narrow=True, failed=12), spec(), width)
    assert max(map(len, text.splitlines())) <= width


def test_bins_hold_every_probability_once() -> None:
    bins = binned(found().chances)
    assert sum(b.size for b in bins) == 200 * len(found().chances)
    assert sum(b.seen for b in bins) == sum(c.seen for c in found().chances)
    assert all(b.lower <= b.mean <= b.upper for b in bins)


def test_pictures_say_what_they_show_and_carry_its_numbers() -> None:
    right, wrong = ({p.name: p for p in calibration_pictures(found(narrow=n), spec())} for n in (False, True))
    inside, ranks, chances = (f"calibration-prior-{what}" for what in ("inside", "ranks", "chances"))
    assert list(right) == [inside, ranks, chances]
    assert right[ranks].title == "Ranks of all 3 quantities stay within the band of a right engine"
    assert wrong[ranks].title == "Ranks of 1 of 3 quantities leave the band of a right engine: measurand"
    assert wrong[inside].title.startswith("90 % intervals of 1 of 3 quantities")
    rows = right[inside].numbers["rows"]
    assert [row[0] for row in rows] == ["measurand", "tau", "the joint log-likelihood"]
    assert rows[0][1] == found().quantities[0].inside
    for p in (*right.values(), *wrong.values()):
        assert p.alt.startswith(p.title)
        assert p.svg.startswith(b"<")


def run_page(*calibrations: Recorded, engine: str = "1.0", what_if: bool = False) -> str:
    """The page of a run that shows these; what it concluded is invented."""
    own = alter(spec(), without=[spec().evidence[0].id]) if what_if else spec()
    drawn = recorded_pictures(calibrations, spec())
    about = {"seed": 7, "versions": {"gaugeglass": engine}}
    return page.page(own, water_tank.assessment(), drawn, about, calibrations=calibrations)


def section_of(html: str) -> str:
    (found,) = re.findall(r'<section id="calibration".*?</section>', html, re.DOTALL)
    return str(found)


def test_the_section_of_a_page_marks_what_is_off() -> None:
    html = section_of(run_page(made(narrow=True)))
    assert html.count("<img") == 3
    assert '<tr class="surprising"><th scope="row">measurand' in html
    assert "In 200 simulations something in this engine was off</h2>" in html


def test_the_section_says_what_the_document_says() -> None:
    html, document = joined(unescape(section_of(run_page(made())))), calibration_document(found(), spec())
    assert joined(document["sentence"]) in html
    for q in document["quantities"]:
        assert f"({q['inside']} of {len(q['ranks'])})" in html
    for c in document["chances"]:
        assert f"<span>{c['seen']} ({c['expected']:.1f})</span>" in html
        assert f"<span>{c['brier']:.3f} ({c['brier_expected']:.3f})</span>" in html


def test_of_two_what_is_about_the_evidence_comes_first_and_what_is_off_is_the_heading() -> None:
    html = section_of(run_page(made(narrow=True), made(truths="posterior")))
    assert html.index("<h3>Where the evidence leads</h3>") < html.index(
        "<h3>Over all that the model thinks possible</h3>"
    )
    assert "something in this engine was off</h2>" in html
    assert html.count("<img") == 6


def test_another_engine_than_the_runs_is_told_of() -> None:
    assert "This was version 1.0 of gaugeglass" not in run_page(made())
    assert "This was version 1.0 of gaugeglass; the run was made by version 2.0" in run_page(made(), engine="2.0")


def test_a_page_without_one_says_how_to_make_it() -> None:
    assert 'id="calibration"' not in run_page()
    assert "<code>gaugeglass calibrate observations/gravitation.yaml</code>" in run_page()
    assert "gaugeglass calibrate" not in run_page(made())
    assert "gaugeglass calibrate" not in run_page(what_if=True)


def test_a_page_of_its_own_is_whole_and_says_how_to_repeat_it() -> None:
    shown = made(failed=12, truths="posterior")
    html = calibration_page(spec(), shown, list(calibration_pictures(shown.found, spec())))
    assert "In 200 simulations the engine was right as often as it said</blockquote>" in html
    assert html.count("<img") == 3
    assert html.count("not proof of anyone&#39;s intent") == 2
    assert "gaugeglass calibrate observations/gravitation.yaml --simulations 212 --truths posterior --seed 1<" in html
    assert "2026-11-28 20:15 UTC" in html
    assert "The first: agree: R-hat 2." in html
    assert not re.search(r"<script|url\(|@import|<link", html)


def test_a_page_of_its_own_says_of_failures_nothing_more_where_anything_is_private() -> None:
    first, *rest = spec().dossier.observations
    private = replace(spec(), dossier=replace(spec().dossier, observations=(replace(first, private=True), *rest)))
    html = joined(calibration_page(private, made(failed=12), []))
    assert "12 of 212 simulations could not be inferred" in html
    assert "R-hat" not in html


@pytest.mark.parametrize("kind", [Calibration, RankFinding, ChanceFinding], ids=lambda kind: kind.__name__)
def test_every_key_of_the_document_is_documented(kind: type) -> None:
    told = keys_told("`calibrate --json` prints", before="\n## ")
    assert {f.name for f in fields(kind)} - told == set()
    assert set(calibration_document(found(), spec())) - told == set()
