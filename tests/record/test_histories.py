"""Runs through time: finding one, what came between two, and what cannot be read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import xarray as xr

from gaugeglass.judgement.results import Assessment, HypothesisSummary, Probability
from gaugeglass.language.alternatives import alter
from gaugeglass.language.files import load
from gaugeglass.record import runs
from gaugeglass.record.changes import Field, File, compared, differing
from gaugeglass.record.histories import Otherwise, between, find, history

type Made = Callable[..., Path]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs are made a minute apart."""
    ticks = iter(range(1, 60))
    told = runs.about

    def about(*arguments: Any, **options: Any) -> dict[str, Any]:
        return told(*arguments, **options) | {"created": f"2026-03-01T10:{next(ticks):02}:00+00:00"}

    monkeypatch.setattr(runs, "about", about)


@pytest.fixture
def made(clock: None, workspace: Path, posterior: SimpleNamespace, assessment: Assessment, tmp_path: Path) -> Made:
    """Record a run after edits of the files, at a probability of the claim."""
    volume = posterior.tree["posterior"]["volume"]
    group = xr.Dataset({"volume": volume, "hypothesis": xr.zeros_like(volume)})
    posterior.tree = xr.DataTree.from_dict({"posterior": group, "prior": group})
    one = HypothesisSummary("as_stated", "The model as stated", 1.0, 1.0, 0.0, 0.0, 0.0, 0.5)
    assessment = replace(assessment, hypotheses=(one,))
    files = {"model": workspace / "models" / "tank.yaml", "dossier": workspace / "observations" / "tank.yaml"}

    def make(at: float = 0.7, *, seed: int = 1, of: Path | None = None, asked: Any = None, **edits: Any) -> Path:
        for file, (old, new) in edits.items():
            text = files[file].read_text()
            assert old in text
            files[file].write_text(text.replace(old, new))
        spec = load(files["dossier"])
        posterior.spec, posterior.seed = (alter(spec, **asked) if asked else spec), seed
        verdict = replace(assessment.verdicts[0], posterior=Probability(at, 0.01))
        return runs.write(
            posterior, replace(assessment, verdicts=(verdict,)), (), None, tmp_path / "reports",
            of=runs.read(of) if of else None,
        )  # fmt: skip

    return make


def damage(folder: Path) -> None:
    (folder / "result.json").write_text("{}")


# --- finding a run ------------------------------------------------------------------------------------------


def test_runs_are_found_counting_back_from_the_latest(made: Made, tmp_path: Path) -> None:
    first, second = made(), made()
    reports = tmp_path / "reports"
    assert find(reports, "tank") == second
    assert find(reports, "tank", "latest~0") == second
    assert find(reports, "tank", "latest~1") == first


def test_a_run_is_found_by_its_name_or_the_beginning_of_it(made: Made, tmp_path: Path) -> None:
    first, second = made(), made()
    reports = tmp_path / "reports"
    assert find(reports, "tank", first.name) == first
    assert find(reports, "tank", "20260301T1002") == second


def test_an_alternative_is_never_the_latest_and_is_found_by_its_name(made: Made, tmp_path: Path) -> None:
    first = made()
    other = made(of=first, asked={"without": ["whisper-7"]})
    reports = tmp_path / "reports"
    assert find(reports, "tank") == first
    assert find(reports, "tank", other.name) == other


@pytest.mark.parametrize(
    ("which", "message"),
    [
        ("latest~2", "there are 2 runs of 'tank'"),
        ("2026", "several runs are called so"),
        ("2025", "no run is called so"),
        ("", "no run is called so"),
        ("../tank", "no run is called so"),
        ("latest~", "no run is called so"),
    ],
)
def test_what_names_no_run_or_several_is_refused_with_those_there_are(
    which: str, message: str, made: Made, tmp_path: Path
) -> None:
    made(), made()
    with pytest.raises(LookupError, match=message):
        find(tmp_path / "reports", "tank", which)


def test_a_dossier_without_runs_is_named(tmp_path: Path) -> None:
    for seek in (lambda: find(tmp_path, "tank"), lambda: history(tmp_path, "tank")):
        with pytest.raises(LookupError, match="no runs of 'tank'"):
            seek()


# --- through time -------------------------------------------------------------------------------------------


def test_each_run_says_what_came_since_the_one_before(made: Made, tmp_path: Path) -> None:
    made(0.5)
    made(0.7, dossier=("104 ± 2 L", "105 ± 2 L"))
    made(0.7, seed=2)
    first, second, third = history(tmp_path / "reports", "tank").moments
    assert (first.is_first, first.changes, first.moves) == (True, (), None)
    assert [(c.name, c.how) for c in second.changes] == [("public-1", "changed")]
    assert second.moves is not None
    assert [(c.name, round(c.shift, 9), c.moved) for c in second.moves.chances] == [("large", 0.2, True)]
    assert (third.changes, third.otherwise) == ((), (Otherwise("seed", "1", "2"),))
    assert third.moves is not None
    assert not third.moves.chances[0].moved


def test_an_alternative_stands_under_its_run_and_is_held_against_it(made: Made, tmp_path: Path) -> None:
    first = made(0.5)
    made(0.9, of=first, asked={"without": ["whisper-7"]})
    made(0.6)
    found = history(tmp_path / "reports", "tank")
    assert [len(m.alternatives) for m in found.moments] == [1, 0]
    (other,) = found.moments[0].alternatives
    assert other.asked == "--without whisper-7"
    assert other.moves is not None
    assert other.moves.chances[0].shift == pytest.approx(0.4)
    assert found.moments[1].moves is not None
    assert found.moments[1].moves.chances[0].shift == pytest.approx(0.1)
    assert [m.name for m in found.all] == [found.moments[0].name, other.name, found.moments[1].name]


def test_a_damaged_run_is_listed_with_the_reason_and_stepped_over(made: Made, tmp_path: Path) -> None:
    made(0.5)
    damage(made(0.6, dossier=("104 ± 2 L", "105 ± 2 L")))
    made(0.7)
    _, second, third = history(tmp_path / "reports", "tank").moments
    assert "is not as it was written" in second.damage
    assert second.standing is None
    assert third.moves is not None
    assert third.moves.chances[0].shift == pytest.approx(0.2)
    assert [c.name for c in third.changes] == ["public-1"]


def test_public_forms_are_no_runs_of_their_own(made: Made, tmp_path: Path) -> None:
    folder = made()
    folder.with_name(folder.name + runs.PUBLIC).mkdir()
    (folder.with_name(folder.name + runs.PUBLIC) / "run.json").write_text("{}")
    assert [m.folder for m in history(tmp_path / "reports", "tank").moments] == [folder]


def test_a_model_and_its_hypotheses_are_followed(
    made: Made, assessment: Assessment, posterior: Any, tmp_path: Path
) -> None:
    rivals = tuple(HypothesisSummary(n, n, 0.5, p, 0.01, 0.0, 0.0, 0.5) for n, p in (("a", 0.3), ("b", 0.7)))
    made()
    runs.write(posterior, replace(assessment, hypotheses=rivals), (), None, tmp_path / "reports")
    (_, latest) = history(tmp_path / "reports", "tank").moments
    assert latest.standing is not None
    assert [(c.kind, c.name, c.probability.value) for c in latest.standing.chances] == [
        ("claim", "large", 1.0), ("hypothesis", "a", 0.3), ("hypothesis", "b", 0.7)
    ]  # fmt: skip


# --- the fields of the inputs -------------------------------------------------------------------------------


def test_the_runs_between_two_are_told_in_the_order_that_leads_from_one_to_the_other(made: Made) -> None:
    first, second = made(), made(0.8, dossier=("104 ± 2 L", "105 ± 2 L"))
    third, fourth = made(0.7), made(0.6)
    made(0.5, of=third, asked={"without": ["public-1"]})
    damage(third)
    fifth = made(0.4)
    opened = [runs.read(folder) for folder in (first, fifth)]
    found = between(*opened)
    assert [name for name, _ in found] == [second.name, fourth.name]
    assert {o.id: o.stated for o in found[0][1].observations}["public-1"] == "105 ± 2 L"
    assert [name for name, _ in between(*opened[::-1])] == [fourth.name, second.name]
    assert between(opened[0], opened[0]) == ()
    public = replace(opened[1], about={**opened[1].about, "public": True})
    assert between(opened[0], public) == ()


def test_inputs_differ_to_the_field(made: Made) -> None:
    before = made()
    after = made(dossier=("104 ± 2 L", "105 ± 2 L"), model=("volume > 100 L}", "volume > 101 L}"))
    assert differing(runs.read(before), runs.read(after)) == (
        File("models/tank.yaml", "changed", (Field("claims.large.holds", "volume > 100 L", "volume > 101 L"),)),
        File("observations/tank.yaml", "changed", (Field("observations[public-1].value", "104 ± 2 L", "105 ± 2 L"),)),
    )


ECHO = "  - {id: echo-1, method: filling, value: 98 L, u: 3 L, repeats: whisper-7}\n"


@pytest.mark.parametrize(
    ("edit", "fields"),
    [
        ((ECHO, ""), (Field("observations[echo-1]",
                            "{id: echo-1, method: filling, value: 98 L, u: 3 L, repeats: whisper-7}", None),)),
        (("    note: >-\n      Said in\n      confidence\n", ""),
         (Field("observations[whisper-7].note", "Said in confidence", None),)),
        (("    origin: a bucket\n", "    origin: a bucket\n    note: Said twice\n"),
         (Field("observations[public-1].note", None, "Said twice"),)),
        (("  # overheard from Quillfeather\n", ""), ()),
        (("subject: An invented tank", "subject: Another tank"),
         (Field("subject", "An invented tank", "Another tank"),)),
        ((ECHO, ECHO + "inbox: [A label, A rumour]\n"), (Field("inbox", None, "[A label, A rumour]"),)),
    ],
)  # fmt: skip
def test_each_field_is_said_as_it_is_written(edit: tuple[str, str], fields: tuple[Field, ...], made: Made) -> None:
    before = made()
    after = made(dossier=edit)
    assert differing(runs.read(before), runs.read(after)) == (File("observations/tank.yaml", "changed", fields),)


def test_the_same_inputs_differ_in_nothing(made: Made) -> None:
    found = compared(runs.read(made(0.5)), runs.read(made(0.7)), None)
    assert found.files == ()
    assert [(c.shift, c.moved) for c in found.moves.chances] == [(pytest.approx(0.2), True)]
    assert found.otherwise == ()


def test_rows_of_a_table_are_named_by_their_lines(made: Made, workspace: Path) -> None:
    table = workspace / "observations" / "log.csv"
    table.write_text("volume\n101\n102\n103\n")
    listed = "\ntables:\n  - {id: log, file: log.csv, method: filling, value: {column: volume, unit: L}, u: 2 L}\n"
    before = made(dossier=(ECHO, ECHO + listed))
    table.write_text("volume\n101\n102.5\n103\n104\n")
    found = differing(runs.read(before), runs.read(made()))
    fields = (Field("line 3", "102", "102.5"), Field("line 5", None, "104"))
    assert found == (File("observations/log.csv", "changed", fields),)


def test_a_run_of_another_program_is_told_apart_only_for_the_same_inputs(made: Made, posterior: Any) -> None:
    posterior.versions = {"numpy": "2", "program": "a"}
    first = runs.read(made())
    posterior.versions = {"numpy": "2", "program": "b"}
    second, third = runs.read(made()), runs.read(made(dossier=("104 ± 2 L", "105 ± 2 L")))
    assert compared(first, second, None).otherwise == (Otherwise("program", "a", "b"),)
    assert compared(first, third, None).otherwise == ()
