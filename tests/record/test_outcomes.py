"""What was claimed against what came out: which run is scored, and by what."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.results import Assessment, HypothesisSummary, Probability
from gaugeglass.language.alternatives import alter
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec
from gaugeglass.record import outcomes, runs
from gaugeglass.record.outcomes import FEW_CLAIMS, DossierOutcome, begins, run_before, score

SAID = Probability(0.7, 0.01)


@pytest.fixture(autouse=True)
def in_a_later_year(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outcomes, "today", lambda: "2027-01-01")


_today = outcomes.today


type Made = Callable[..., Path]


@pytest.fixture
def made(
    workspace: Path, posterior: SimpleNamespace, assessment: Assessment, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Made:  # fmt: skip
    """Record a run as of a day, with a probability of the claim, maybe as an alternative, maybe after an edit."""
    told = runs.about

    def make(day: str, p: Probability = SAID, *, asked: Any = None, **changes: Any) -> Path:
        created = f"{day}T10:00:00+00:00" if "T" not in day else day
        monkeypatch.setattr(runs, "about", lambda *a, **k: told(*a, **k) | {"created": created})
        spec = load(workspace / "observations" / "tank.yaml")
        posterior.spec = alter(spec, **asked) if asked else spec
        verdict = replace(assessment.verdicts[0], prior=Probability(0.5, 0.01), posterior=p)
        return runs.write(
            posterior, replace(assessment, verdicts=(verdict,), **changes), (), None, tmp_path / "reports"
        )

    return make


@pytest.fixture
def scored(workspace: Path, tmp_path: Path) -> Callable[[str], DossierOutcome]:
    """The outcome of the dossier with a truth."""

    def at(truth: str) -> DossierOutcome:
        (found,) = score([(dossier(workspace, truth), tmp_path / "reports")]).dossiers
        return found

    return at


def dossier(workspace: Path, truth: str, **edits: str) -> Spec:
    file = workspace / "observations" / "tank.yaml"
    if f"truth: {truth}" not in file.read_text():
        file.write_text(f"{file.read_text()}truth: {truth}\n")
    return load(file)


# --- which run ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("date", "day"), [("2026", "2026-01-01"), ("2026-03", "2026-03-01"), ("2026-03-05", "2026-03-05")]
)
def test_a_date_begins_with_its_first_day(date: str, day: str) -> None:
    assert begins(date) == day


@pytest.mark.parametrize(
    ("date", "place"),
    [
        ("2026-03-06", 1),
        ("2026-03-05", 0),
        ("2026-03-04", 0),
        ("2026-04", 1),
        ("2026-03", None),
        ("2026", None),
        ("", 2),
    ],
)
def test_the_latest_run_before_the_truth_is_scored(date: str, place: int | None, made: Made, tmp_path: Path) -> None:
    """Not one of the very day, nor one of a month that is all that is stated."""
    folders = [made("2026-03-03"), made("2026-03-05"), made("2026-05-01")]
    assert run_before(tmp_path / "reports", "tank", date) == (None if place is None else folders[place])


def test_a_day_is_one_of_universal_time(made: Made, tmp_path: Path) -> None:
    made("2026-03-05T01:00:00+03:00")
    assert run_before(tmp_path / "reports", "tank", "2026-03-05") is not None


def test_alternatives_and_public_forms_are_never_scored(made: Made, tmp_path: Path) -> None:
    first = made("2026-03-03")
    made("2026-03-04", asked={"without": ["whisper-7"]})
    public = first.with_name(first.name + runs.PUBLIC)
    public.mkdir()
    (public / "run.json").write_text("{}")
    assert run_before(tmp_path / "reports", "tank", "") == first


def test_a_dossier_that_cannot_be_scored_says_why(workspace: Path, made: Made, tmp_path: Path) -> None:
    bare = load(workspace / "observations" / "tank.yaml")
    made("2026-03-05")
    late = dossier(workspace, "{date: 2026-03-05, large: true}")
    found = score([(bare, tmp_path / "reports"), (late, tmp_path / "reports")])
    assert found.dossiers == ()
    assert found.unscored == (
        ("tank", "states no truth"), ("tank", "has no run made before 2026-03-05, when the truth was known")
    )  # fmt: skip
    assert (found.brier, found.parts, found.bins) == (None, None, ())
    assert math.isnan(found.crps_ratio)


def test_what_is_not_known_yet_is_not_scored(made: Made, workspace: Path, tmp_path: Path) -> None:
    made("2026-03-05")
    late = dossier(workspace, "{date: 2999-01, large: true}")
    assert score([(late, tmp_path / "reports")]).unscored == (
        ("tank", "states a truth of 2999-01, which is not known yet"),
    )


def test_the_day_on_which_a_truth_is_known_is_that_of_the_clock_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not that of where it is tomorrow already: dates of files are held against the same."""

    class Clock(datetime.datetime):
        @classmethod
        def now(cls, tz: datetime.tzinfo | None = None) -> Clock:
            return cls(2026, 3, 4, 23, 30, tzinfo=tz)

    class Day(datetime.date):
        @classmethod
        def today(cls) -> Day:
            return cls(2026, 3, 4)

    fixed = SimpleNamespace(datetime=Clock, date=Day, UTC=datetime.UTC, timedelta=datetime.timedelta)
    monkeypatch.setattr(outcomes, "datetime", fixed)
    assert _today() == "2026-03-04"


def test_what_is_dated_tomorrow_is_not_scored(
    made: Made, workspace: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made("2026-03-03")
    due = dossier(workspace, "{date: 2026-03-05, large: true}")
    for day, count in (("2026-03-04", 0), ("2026-03-05", 1)):
        monkeypatch.setattr(outcomes, "today", lambda day=day: day)
        assert len(score([(due, tmp_path / "reports")]).dossiers) == count


def test_a_damaged_run_that_is_to_be_scored_is_refused(made: Made, scored: Any) -> None:
    (made("2026-03-03") / "result.json").write_text("{}")
    with pytest.raises(StoreError, match="is not as it was written"):
        scored("{large: true}")


# --- claims -------------------------------------------------------------------------------------------------


def test_a_claim_is_scored_by_what_was_said_and_what_came(made: Made, scored: Any) -> None:
    made("2026-03-03")
    (claim,) = scored("{large: true}").claims
    assert (claim.scored, claim.came_true, claim.known) == (0.7, True, "stated")
    assert claim.brier == pytest.approx(0.09)
    assert claim.log_score == pytest.approx(-math.log(0.7))
    assert (claim.prior_brier, claim.prior_log_score) == pytest.approx((0.25, math.log(2)))


def test_a_claim_follows_from_the_numbers_that_are_known(made: Made, scored: Any) -> None:
    made("2026-03-03")
    (claim,) = scored("{volume: 99 L}").claims
    assert (claim.came_true, claim.known) == (False, "follows")
    assert claim.brier == pytest.approx(0.49)


@pytest.mark.parametrize(
    ("bound", "said"),
    [(Probability(1.0, math.nan, at_least=0.999), 0.999), (Probability(0.0, math.nan, at_most=0.002), 0.002)],
)
def test_a_bound_is_scored_by_itself_and_said_to_be_one(
    bound: Probability, said: float, made: Made, scored: Any
) -> None:
    made("2026-03-03", bound)
    (claim,) = scored("{large: false}").claims
    assert (claim.scored, claim.is_bound) == (said, True)
    assert claim.log_score == pytest.approx(-math.log(1 - said))


def test_a_claim_that_is_defined_otherwise_today_is_left_out(made: Made, scored: Any, workspace: Path) -> None:
    made("2026-03-03")
    model = workspace / "models" / "tank.yaml"
    model.write_text(model.read_text().replace("volume > 100 L}", "volume > 90 L}"))
    found = scored("{large: true}")
    assert found.claims == ()
    assert found.left == (("large", "it is defined otherwise than in the run that is scored"),)


def test_a_claim_that_the_run_did_not_have_is_left_out(made: Made, scored: Any, workspace: Path) -> None:
    made("2026-03-03")
    model = workspace / "models" / "tank.yaml"
    model.write_text(model.read_text() + "  huge: {says: It is huge, holds: volume > 900 L}\n")
    found = scored("{huge: false, large: true}")
    assert [c.claim for c in found.claims] == ["large"]
    assert found.left == (("huge", "it is not in the run that is scored"),)


# --- hypotheses and quantities ------------------------------------------------------------------------------


def test_hypotheses_are_scored_together(made: Made, workspace: Path, tmp_path: Path, scored: Any) -> None:
    """0.3, 0.6, 0.1 where the second came true: Brier 0.3^2 + 0.4^2 + 0.1^2 = 0.26, log score -ln 0.6."""
    model = workspace / "models" / "tank.yaml"
    named = "".join(f"  {n}: {{says: It is {n}, priors: {{volume: as stated}}}}\n" for n in ("a", "b", "c"))
    model.write_text(model.read_text() + "hypotheses:\n" + named)
    rivals = tuple(
        HypothesisSummary(n, n, prior, p, 0.01, 0.0, 0.0, 0.5)
        for n, prior, p in (("a", 0.25, 0.3), ("b", 0.5, 0.6), ("c", 0.25, 0.1))
    )
    made("2026-03-03", hypotheses=rivals)
    found = scored("{hypothesis: b}").hypotheses
    assert (found.true, found.count, found.scored) == ("b", 3, 0.6)
    assert (found.brier, found.log_score) == pytest.approx((0.26, -math.log(0.6)))
    assert (found.prior_brier, found.prior_log_score) == pytest.approx((0.375, math.log(2)))


def test_a_quantity_is_scored_by_its_draws_and_its_printed_interval(
    made: Made, scored: Any, posterior: SimpleNamespace
) -> None:
    made("2026-03-03")
    (found,) = scored("{volume: 103.5 L}").quantities
    draws = posterior.tree["posterior"]["volume"].to_numpy().ravel()
    apart = np.abs(draws[:, None] - draws[None, :]).mean()
    assert (found.unit, found.lower, found.upper, found.covered) == ("L", 97.0, 103.0, False)
    assert found.crps == pytest.approx(np.abs(draws - 103.5).mean() - apart / 2)
    assert found.rank == np.mean(draws < 103.5)


def test_a_quantity_within_its_interval_is_covered(made: Made, scored: Any) -> None:
    made("2026-03-03")
    assert scored("{volume: 0.0975 m**3}").quantities[0].covered


@pytest.mark.parametrize("told", [{"kind": "given"}, {"kind": "relation", "identified": "given"}])
def test_what_is_stated_is_not_scored_as_if_it_were_predicted(
    told: dict[str, Any], made: Made, scored: Any, assessment: Assessment
) -> None:
    """A given, and a relation that rests on givens alone."""
    made("2026-03-03", quantities=(replace(assessment.quantities[0], **told),))
    found = scored("{volume: 100 L}")
    assert found.quantities == ()
    assert ("volume", "it is stated, not predicted") in found.left


def test_a_quantity_in_another_unit_today_is_left_out(made: Made, scored: Any, workspace: Path) -> None:
    made("2026-03-03")
    model = workspace / "models" / "tank.yaml"
    text = model.read_text().replace("unit: L", "unit: m**3")
    model.write_text(text)
    found = scored("{volume: 100 L}")
    assert found.quantities == ()
    assert found.left == (
        ("large", "it is defined otherwise than in the run that is scored"),
        ("volume", "it has another unit than in the run that is scored, where it was L"),
    )


def test_means_count_what_they_are_of(made: Made, workspace: Path, tmp_path: Path) -> None:
    made("2026-03-03")
    spec = dossier(workspace, "{large: true, volume: 103 L}")
    found = score([(spec, tmp_path / "reports")] * 3)
    assert found.brier is not None
    assert (found.brier.count, found.brier.score) == (3, pytest.approx(0.09))
    assert (len(found.quantities), found.covered) == (3, 3)
    assert found.parts is None  # of three claims
    many = score([(spec, tmp_path / "reports")] * FEW_CLAIMS).parts
    assert many is not None
    assert many.brier == pytest.approx(0.09)
    assert [(b.count, b.share) for b in found.bins] == [(3, 1.0)]
    assert found.crps_ratio == pytest.approx(1.0)  # the prior's draws are the posterior's here
    assert found.is_few


def test_where_and_since_when_the_truth_is_known_is_told(made: Made, scored: Any) -> None:
    made("2026-03-03")
    found = scored("{large: true, date: 2026-04, source: {title: The maker's manual}}")
    assert (found.known, found.source) == ("2026-04", "The maker's manual")
