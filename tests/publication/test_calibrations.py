"""A calibration as it is worded and drawn: what is right reads so, and what is off is named first."""

from __future__ import annotations

import re
from dataclasses import fields
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from conftest import OBSERVATIONS
from gaugeglass.judgement.calibration import LEVELS, Calibration, ChanceFinding, RankFinding, gather
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec
from gaugeglass.publication import page
from gaugeglass.publication.calibrations import (
    binned,
    calibration_document,
    calibration_section,
    calibration_text,
    sentence,
    sight,
)
from gaugeglass.publication.reckonings import calibration_pictures

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")


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


def plain(text: str) -> str:
    return " ".join(text.replace("\N{NARROW NO-BREAK SPACE}", " ").split())


def test_what_is_right_is_said_in_one_sentence_that_can_be_checked() -> None:
    own = found()
    lead = own.quantities[0]
    told = plain(sentence(own, spec()))
    assert f"the truth was inside {round(100 * lead.share)} % of the time ({lead.inside} of 200, for measurand" in told
    assert "over all 2 quantities" in told  # the joint log-likelihood is none
    assert told.endswith("Nothing is off: ranks, intervals and probabilities pass all 12 tests, and a right engine fails any of them in one calibration of 100.")  # fmt: skip


def test_what_is_off_is_named_with_how() -> None:
    told = plain(sentence(found(narrow=True), spec()))
    assert "Something is off: of measurand its intervals are too narrow (inside" in told
    assert calibration_section(found(narrow=True), spec()).heading == "Something in this engine is off"


def test_simulations_that_failed_are_told_of() -> None:
    assert "12 of 212 simulations could not be inferred" in plain(calibration_text(found(failed=12), spec()))
    assert "which may hide" in plain(calibration_text(found(failed=12), spec()))
    assert "which may hide" not in plain(calibration_text(found(failed=2), spec()))
    assert "could not be inferred" not in calibration_text(found(), spec())


def test_how_much_so_many_simulations_see_is_what_the_test_has() -> None:
    """The greatest share that is off, as said, is off by the test, and the next is not."""
    from gaugeglass.judgement.uniformity import binomial_p_value

    own = found()
    (share,) = re.findall(r"holds (\d+) % of the truths or less", plain(sight(own)))
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
    assert list(right) == ["calibration-ranks", "calibration-inside", "calibration-chances"]
    assert right["calibration-ranks"].title == "Ranks of all 3 quantities stay within the band of a right engine"
    assert wrong["calibration-ranks"].title == "Ranks of 1 of 3 quantities leave the band of a right engine: measurand"
    assert wrong["calibration-inside"].title.startswith("90 % intervals of 1 of 3 quantities")
    rows = right["calibration-inside"].numbers["rows"]
    assert [row[0] for row in rows] == ["measurand", "tau", "the joint log-likelihood"]
    assert rows[0][1] == found().quantities[0].inside
    for p in (*right.values(), *wrong.values()):
        assert p.alt.startswith(p.title)
        assert p.svg.startswith(b"<")


def test_the_section_of_a_page_escapes_and_marks_what_is_off() -> None:
    drawn = list(calibration_pictures(found(narrow=True), spec()))
    shown = page._environment().from_string(
        "{% macro picture(p) %}<img alt='{{ p.alt }}'>{% endmacro %}{% include 'calibration.html.j2' %}"
    )
    html = shown.render(calibration=calibration_section(found(narrow=True), spec()), calibration_pictures=drawn)
    assert html.count("<img") == 3
    assert '<tr class="surprising"><th scope="row">measurand' in html
    assert "Something in this engine is off" in html


@pytest.mark.parametrize("kind", [Calibration, RankFinding, ChanceFinding], ids=lambda kind: kind.__name__)
def test_every_key_of_the_document_is_documented(kind: type) -> None:
    shape = DEVELOPERS.partition("`calibrate --json` prints")[2].partition("\n## ")[0]
    told = set(re.findall(r"`(\w+)(?:\[\])?`", shape))
    assert {f.name for f in fields(kind)} - told == set()
    assert set(calibration_document(found(), spec())) - told == set()
