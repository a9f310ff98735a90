"""What each changed input did, where that is known exactly: readings of a line that may be flat."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gaugeglass.judgement.moves import Change
from gaugeglass.judgement.paths import MODEL, MOST_RANGED, Attribution, Path, attribute, compose, steps
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec
from references.estimates import ERRORS

PRIOR_SD = np.array([2.0, 1.0])  # level, slope [V]
CLAIMED = {"flat": [0], "sloped": [0, 1]}

type Reading = dict[str, Any]


def reading(name: str, y: float, u: float, x: float, **keys: Any) -> Reading:
    return {"id": name, "method": "reading", "value": f"{y} V", "u": f"{u} V", "inputs": {"at": x}, **keys}


FIRST = (reading("r0", -0.3, 0.8, -1.0, date="2026-03-01"), reading("r1", 0.9, 0.5, -0.4), reading("r2", 0.7, 0.6, 0.3))
MODEL_FILE: dict[str, Any] = {
    "title": "Readings of a line",
    "latents": {
        "level": {"about": "Level", "unit": "V", "because": "Invented",
                  "prior": {"family": "normal", "mean": "0 V", "sd": "2 V"}},
        "slope": {"about": "Slope", "unit": "V", "because": "Invented",
                  "prior": {"family": "normal", "mean": "0 V", "sd": "1 V"}},
    },
    "methods": {
        "reading": {"about": "A reading", "measures": "level + slope * at", "unit": "V",
                    "inputs": {"at": {"unit": "1"}}, "likelihood": {"family": "normal"}},
    },
    "hypotheses": {
        "flat": {"says": "It is flat", "fix": {"slope": "0 V"}},
        "sloped": {"says": "It may rise", "priors": {"slope": "as stated"}},
    },
    "claims": {"high": {"says": "The level is high", "holds": "level > 0.6 [V]"}},
}  # fmt: skip


def line(readings: Sequence[Reading], model: dict[str, Any] = MODEL_FILE, **sections: Any) -> Spec:
    return specify(model, {"dossier": "line", "subject": "A line", "observations": list(readings), **sections})


def exact(spec: Spec, above: float = 0.6) -> tuple[float, float]:
    """The probability that the level is above a number, and that the line is sloped, by linear algebra."""
    y, u, x = (np.array(v) for v in zip(*((o.value, o.u, o.inputs["at"]) for o in spec.evidence), strict=True))
    logs, chances = [], []
    for columns in CLAIMED.values():
        design = np.stack([np.ones_like(x), x], axis=1)[:, columns]
        prior = np.diag(PRIOR_SD[columns] ** 2)
        logs.append(stats.multivariate_normal(cov=design @ prior @ design.T + np.diag(u**2)).logpdf(y))
        precision = np.linalg.inv(prior) + design.T @ np.diag(u**-2.0) @ design
        mean, cov = np.linalg.solve(precision, design.T @ (y / u**2)), np.linalg.inv(precision)
        chances.append(stats.norm.sf(above, mean[0], math.sqrt(cov[0, 0])))
    weights = np.exp(logs - np.logaddexp(*logs))
    return float(weights @ chances), float(weights[1])


CHANGED = (
    reading("r0", -0.3, 0.8, -1.0, date="2026-03-01", withdrawn={"date": "2026-05-01", "because": "Another line"}),
    reading("r1", 1.6, 0.5, -0.4),
    reading("r2", 0.7, 0.6, 0.3, note="Nothing that counts"),
    reading("r3", 2.4, 0.9, 0.8, date="2026-04"),
)


@pytest.fixture(scope="module")
def path() -> Path:
    return attribute(line(FIRST), line(CHANGED), seed=1)


def of(path: Path, name: str) -> Attribution:
    return next(a for a in path.attributions if a.name == name)


def partial(path: Path, made: Sequence[int]) -> tuple[float, float]:
    keys = {key for k in made for key in path.steps[k].keys}
    return exact(compose(line(FIRST), line(CHANGED), keys))


def logit(p: float) -> float:
    return math.log(p / (1 - p))


def test_steps_come_in_order_of_date_and_undated_ones_first(path: Path) -> None:
    assert [(s.name, s.date) for s in path.steps] == [("r1", ""), ("r3", "2026-04"), ("r0", "2026-05-01")]


def test_nothing_says_since_when_a_correction_or_a_return_is_known() -> None:
    """The day of a reading is not the one on which it was corrected, or let count again."""
    gone = {"date": "2026-03-01", "because": "Another line"}
    new, back = reading("new", 1.2, 0.5, 0.1, date="2025"), reading("back", 1.0, 0.5, 0.1, date="2026-02")
    before = (*FIRST[1:], back | {"withdrawn": gone}, reading("mended", 1.0, 0.5, 0.4, date="2026-01"))
    now = (*FIRST[1:], new, back, reading("mended", 1.4, 0.5, 0.4, date="2026-01"))
    found, _ = steps(line(before), line(now))
    assert [(s.name, s.date) for s in found] == [("back", ""), ("mended", ""), ("new", "2025")]


R3 = reading("r3", 2.4, 0.9, 0.8, date="2026-04")
TURNS = (
    ("one", line((*FIRST, R3))),
    ("two", line((*FIRST, reading("r3", 2.9, 0.9, 0.8, date="2026-04")))),
    ("three", line((*FIRST[:2], R3))),
)


def test_what_a_run_between_had_first_comes_first() -> None:
    """r3, dated before r0 was withdrawn, was there, was changed, and is as in the end since the third run alone."""
    found, _ = steps(line(FIRST), line(CHANGED), TURNS[:1])
    assert [(s.name, s.entered) for s in found] == [("r3", "one"), ("r1", ""), ("r0", "")]
    found, _ = steps(line(FIRST), line(CHANGED), TURNS)
    assert [(s.name, s.entered) for s in found] == [("r3", "three"), ("r1", ""), ("r0", "")]
    early = line((CHANGED[0], *FIRST[1:]))
    found, _ = steps(line(FIRST), line(CHANGED), (("zero", early),))
    assert [(s.name, s.entered) for s in found] == [("r0", "zero"), ("r1", ""), ("r3", "")]


def test_a_model_that_came_later_than_a_reading_is_a_later_step() -> None:
    model = edited(with_other_claim)
    found, _ = steps(line(FIRST), line((*FIRST, R3), model), (("one", line((*FIRST, R3))),))
    assert [(s.name, s.entered) for s in found] == [("r3", "one"), ("the model", "")]


def test_the_path_leads_through_what_was_held_in_between() -> None:
    """With r0 withdrawn first, the first share is that of the withdrawal made alone."""
    early = line((CHANGED[0], *FIRST[1:]))
    found = of(attribute(line(FIRST), line(CHANGED), between=(("zero", early),), seed=1, draws=500), "high")
    share = found.shares[0]
    assert share.step == "r0"
    assert abs(share.on_path.probability - (exact(early)[0] - exact(line(FIRST))[0])) <= ERRORS * share.on_path.mcse
    assert share.first == share.on_path


def test_what_no_inference_uses_is_no_step(path: Path) -> None:
    assert [(c.name, [p.key for p in c.parts]) for c in path.unused] == [("r2", ["note"])]


@pytest.mark.parametrize(("name", "which"), [("high", 0), ("sloped", 1)])
def test_every_share_is_the_exact_one_within_its_errors(path: Path, name: str, which: int) -> None:
    """On the path, first of all and last of all: eighteen numbers, so that four errors are allowed."""
    every = range(len(path.steps))
    for k, share in enumerate(of(path, name).shares):
        ends = (
            (share.on_path, range(k), range(k + 1)),
            (share.first, (), (k,)),
            (share.last, [j for j in every if j != k], every),
        )
        for found, before, after in ends:
            assert found is not None
            p, q = partial(path, before)[which], partial(path, after)[which]
            assert 0 < found.mcse < 0.02
            assert abs(found.probability - (q - p)) <= ERRORS * found.mcse, (share.step, before)
            assert abs(found.log_odds - (logit(q) - logit(p))) <= ERRORS * found.log_odds_mcse, (share.step, before)


def test_shares_add_up_to_the_whole(path: Path) -> None:
    for found in path.attributions:
        assert sum(s.on_path.probability for s in found.shares) == pytest.approx(found.whole.probability, abs=1e-12)
        assert sum(s.on_path.log_odds for s in found.shares) == pytest.approx(found.whole.log_odds, abs=1e-9)
        assert found.whole.probability == found.after.value - found.before.value


def test_each_set_of_changes_is_inferred_once(path: Path) -> None:
    """Three steps have eight sets; the path takes four of them, and first and last of all two each beyond the path."""
    assert path.refits == 8


def test_a_path_both_ways_is_the_same_number_with_its_sign_turned(path: Path) -> None:
    back = of(attribute(line(CHANGED), line(FIRST), seed=2), "high").whole
    whole = of(path, "high").whole
    assert abs(whole.probability + back.probability) <= ERRORS * math.hypot(whole.mcse, back.mcse)


def test_with_everything_taken_it_is_the_second_spec() -> None:
    before, after = line(FIRST), line(CHANGED)
    found, _ = steps(before, after)
    whole = compose(before, after, {key for s in found for key in s.keys})
    assert exact(whole) == pytest.approx(exact(after), abs=1e-12)
    assert exact(compose(before, after, ())) == pytest.approx(exact(before), abs=1e-12)


@pytest.mark.parametrize("count", range(4))
def test_any_part_of_the_changes_is_a_sound_spec(count: int) -> None:
    found, _ = steps(line(FIRST), line(CHANGED))
    for made in itertools.combinations(found, count):
        spec = compose(line(FIRST), line(CHANGED), {key for s in made for key in s.keys})
        ids = {o.id for o in spec.evidence}
        assert ("r3" in ids) == any(s.name == "r3" for s in made)
        assert ("r0" in ids) != any(s.name == "r0" for s in made)


# --- the model ----------------------------------------------------------------------------------------------


def edited(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    model = {key: dict(entry) if isinstance(entry, dict) else entry for key, entry in MODEL_FILE.items()}
    change(model)
    return model


def with_other_claim(model: dict[str, Any]) -> None:
    model["claims"]["high"] = model["claims"]["high"] | {"holds": "level > 1 V"}


def with_more_methods(model: dict[str, Any]) -> None:
    model["methods"]["reading"] = model["methods"]["reading"] | {"about": "A better reading"}
    model["methods"]["level_reading"] = {"about": "b", "measures": "level", "likelihood": {"family": "normal"}}


def test_the_model_is_one_step_and_the_first() -> None:
    after = line((*FIRST, reading("r3", 2.4, 0.9, 0.8)), edited(with_other_claim))
    found, _ = steps(line(FIRST), after)
    assert [s.name for s in found] == ["the model", "r3"]
    assert found[0].changes == (Change("claims", "high", "changed"),)
    assert found[0].keys == {MODEL}


def test_a_change_of_the_model_moves_a_claim_as_it_has_to() -> None:
    after = line((*FIRST, reading("r3", 2.4, 0.9, 0.8)), edited(with_other_claim))
    (model, added) = of(attribute(line(FIRST), after, seed=1), "high").shares
    p, q = exact(line(FIRST))[0], exact(line(FIRST), above=1.0)[0]
    assert abs(model.on_path.probability - (q - p)) <= ERRORS * model.on_path.mcse
    assert abs(added.on_path.probability - (exact(after, above=1.0)[0] - q)) <= ERRORS * added.on_path.mcse


def test_what_only_one_of_the_models_can_read_changes_with_it() -> None:
    new = {"id": "l1", "method": "level_reading", "value": "1 V", "u": "0.5 V", "date": "2020"}
    found, _ = steps(line(FIRST), line((FIRST[0], FIRST[1], new), edited(with_more_methods)))
    assert [(s.name, {c.name for c in s.changes}) for s in found] == [
        ("the model", {"reading", "level_reading", "r2", "l1"})
    ]


def test_a_reading_that_did_not_change_stays_though_its_method_did() -> None:
    found, _ = steps(line(FIRST), line(FIRST, edited(with_more_methods)))
    assert [{c.place for c in s.changes} for s in found] == [{"methods"}]


# --- the rest of a dossier ----------------------------------------------------------------------------------


def test_a_correlation_counts_where_both_of_its_readings_do() -> None:
    correlated = [{"between": ["r1", "r2"], "r": 0.4}]
    before, after = line(FIRST, correlations=correlated), line(FIRST[:2])
    found, _ = steps(before, after)
    assert [s.name for s in found] == ["dossier correlations", "r2"]
    assert compose(before, after, {("observation", "r2")}).dossier.correlations == ()
    assert len(compose(before, after, ()).dossier.correlations) == 1


def test_an_order_of_the_list_is_no_change() -> None:
    assert steps(line(FIRST), line(FIRST[::-1])) == ((), ())


def test_nothing_changed_leaves_nothing_to_attribute() -> None:
    found = attribute(line(FIRST), line(FIRST), seed=1)
    assert (found.steps, found.attributions, found.refits) == ((), (), 0)


def test_many_changes_are_not_made_first_or_last_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gaugeglass.judgement.paths.MOST_RANGED", 2)
    assert MOST_RANGED == 12
    found = attribute(line(FIRST), line(CHANGED), seed=1, draws=500)
    assert found.refits == 4
    assert {(s.first, s.last) for a in found.attributions for s in a.shares} == {(None, None)}
