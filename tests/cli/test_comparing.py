"""Runs held against each other, against time, against the truth and against themselves, at the command line."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import gaugeglass as gg
from gaugeglass import cli
from gaugeglass.publication.comparisons import comparison_document
from gaugeglass.publication.outcomes import outcomes_document
from gaugeglass.record import runs
from gaugeglass.record.histories import find
from plain_tank import DOSSIER, MODEL, lay_out
from printed import plain

FIRST = "  - {id: first, method: filling, value: 99 ± 4 L, date: 2026-01-05}\n"
SECOND = "  - {id: second, method: filling, value: 106 ± 3 L, date: 2026-02-01}\n"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with two runs, a reading between them, and an alternative to the second."""
    place = tmp_path_factory.mktemp("tank")
    dossier = str(lay_out(place, FIRST))
    assert cli.run(["infer", dossier, "--json"]) == 0
    Path(dossier).write_text(DOSSIER + FIRST + SECOND)
    assert cli.run(["infer", dossier, "--json"]) == 0
    assert cli.run(["infer", dossier, "--without", "first", "--json"]) == 0
    return place


@pytest.fixture
def workspace(recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    place = tmp_path / "work"
    shutil.copytree(recorded, place)
    monkeypatch.chdir(place)
    monkeypatch.setenv("COLUMNS", "80")
    return place


def told(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> Any:
    capsys.readouterr()
    assert cli.run([*arguments, "--json"]) == status
    return json.loads(capsys.readouterr().out)


def written(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    capsys.readouterr()
    assert cli.run(list(arguments)) == status
    out = plain(capsys.readouterr().out)
    assert max(map(len, out.splitlines()), default=0) <= 80
    return out


# --- compare ------------------------------------------------------------------------------------------------


def test_runs_are_compared_to_the_field_and_the_share_of_each_input(workspace: Path, capsys: Any) -> None:
    found = told(capsys, "compare", "tank@latest~1", "tank")
    added = "{id: second, method: filling, value: 106 ± 3 L, date: 2026-02-01}"
    assert found["files"] == [
        {"file": "observations/tank.yaml", "how": "changed",
         "fields": [{"key": "observations[second]", "before": None, "now": added}]}
    ]  # fmt: skip
    (verdict,), (attribution,) = found["verdicts"], found["path"]["attributions"]
    (share,) = attribution["shares"]
    assert share["step"] == "second"
    assert share["on_path"]["probability"] == pytest.approx(attribution["whole"]["probability"])
    (rest,) = found["rests"]
    assert rest["shift"] == pytest.approx(verdict["shift"] - attribution["whole"]["probability"])
    assert not rest["seen"]


def test_a_comparison_reads_so(workspace: Path, capsys: Any) -> None:
    text = written(capsys, "compare", "tank@latest~1", "tank@latest")
    assert "- observations/tank.yaml: observations[second] added:" in text
    assert "What moved large:" in text
    assert "first of all, and last of all." in " ".join(text.split())


def test_a_run_is_one_and_the_same_as_itself(workspace: Path, capsys: Any) -> None:
    assert "one and the same run" in " ".join(written(capsys, "compare", "tank", "tank@latest").split())


def test_quick_leaves_the_refits_out(workspace: Path, capsys: Any) -> None:
    found = told(capsys, "compare", "tank@latest~1", "tank", "--quick")
    assert found["path"] is None
    assert found["verdicts"][0]["moved"]


def test_inputs_come_in_the_order_in_which_runs_had_them(workspace: Path, capsys: Any) -> None:
    """The first reading was withdrawn after the second had come, on a day before that on which the second was made."""
    file = "observations/tank.yaml"
    assert cli.run(["withdraw", file, "first", "--because", "A leaking bucket", "--date", "2026-01-20"]) == 0
    assert cli.run(["infer", file, "--draws", "200"]) == 0
    middle = find(Path("reports"), "tank", "latest~1")
    found = told(capsys, "compare", "tank@latest~2", "tank")
    steps = [(step["name"], step["date"], step["entered"]) for step in found["path"]["steps"]]
    assert steps == [("second", "2026-02-01", middle.name), ("first", "2026-01-20", "")]
    middle.rename(middle.with_name(".elsewhere"))
    steps = [
        step.name
        for step in gg.compare(find(Path("reports"), "tank", "latest~1"), find(Path("reports"), "tank")).path.steps
    ]
    assert steps == ["first", "second"]


def test_python_has_the_same_by_functions(workspace: Path, capsys: Any) -> None:
    before, now = (moment.folder for moment in gg.history("tank").moments)
    told_so = told(capsys, "compare", str(before), str(now), "--quick")
    assert comparison_document(gg.compare(before, now, refit=False)) == told_so
    assert gg.compare(now, now).path is None
    file = workspace / "observations" / "tank.yaml"
    file.write_text(file.read_text() + "truth: {volume: 103 L}\n")
    assert outcomes_document(gg.score([gg.load(file)])) == told(capsys, "score")
    with pytest.raises(LookupError, match="no runs of 'tank' in elsewhere"):
        gg.history("tank", reports="elsewhere")


def test_an_alternative_is_compared_by_its_name_or_folder(workspace: Path, capsys: Any) -> None:
    (folder,) = (workspace / "reports" / "tank").glob("*-alternative")
    for named in (str(folder), f"tank@{folder.name}"):
        found = told(capsys, "compare", "tank", named)
        assert [s["name"] for s in found["path"]["steps"]] == ["first"]


def test_a_dossier_may_be_given_by_its_file(workspace: Path, capsys: Any) -> None:
    file = "observations/tank.yaml"
    assert told(capsys, "compare", f"{file}@latest~1", file, "--quick")["subject"] == "An invented tank"


@pytest.mark.parametrize("named", ["tank@latest~7", "tank@1999", "boat", "tank@"])
def test_what_names_no_run_is_wrong_usage(named: str, workspace: Path, capsys: Any) -> None:
    assert cli.run(["compare", named, "tank"]) == 2
    assert "Error: " in capsys.readouterr().err


# --- report and publish take the same names -----------------------------------------------------------------


def test_a_run_that_is_reported_is_named_as_one_that_is_compared(workspace: Path, capsys: Any) -> None:
    first, second = (moment.folder for moment in gg.history("tank").moments)
    for named, run in (("tank@latest~1", first), (f"tank@{first.name[:-2]}", first), ("tank@latest", second)):
        assert told(capsys, "report", named)["run"] == str(run)
    assert told(capsys, "publish", "observations/tank.yaml@latest~1")["folder"] == f"{first}-public"


@pytest.mark.parametrize("command", ["report", "publish"])
@pytest.mark.parametrize("named", ["tank@latest~7", "tank@1999", "boat"])
def test_what_names_no_run_is_neither_reported_nor_published(
    command: str, named: str, workspace: Path, capsys: Any
) -> None:
    assert cli.run([command, named]) == 2
    dossier = named.partition("@")[0]
    said = f"{named}: " if "@" in named else f"no runs of '{dossier}' in reports"
    assert said in capsys.readouterr().err


# --- runs ---------------------------------------------------------------------------------------------------


def test_runs_are_listed_with_what_came(workspace: Path, capsys: Any) -> None:
    text = written(capsys, "runs", "tank")
    assert text.startswith("An invented tank: 2 runs of tank and 1 alternative\n\n1  ")
    lines = [line.partition(": ")[2] for line in text.splitlines()[2:5]]
    assert lines == ["the first run", "second added: by filling, 106 ± 3 L", "an alternative, --without first"]
    found = told(capsys, "runs", "tank")
    assert [len(run["alternatives"]) for run in found["runs"]] == [0, 1]
    assert found["runs"][1]["moved"] == ["large"]


def test_a_damaged_run_is_listed_and_told_by_the_status(workspace: Path, capsys: Any) -> None:
    (find(Path("reports"), "tank", "latest~1") / "result.json").write_text("{}")
    assert "is not as it was written" in " ".join(written(capsys, "runs", "tank", status=5).split())


def test_runs_are_drawn(workspace: Path, capsys: Any) -> None:
    written(capsys, "runs", "tank", "--figures", "figures")
    assert sorted(p.name for p in Path("figures").iterdir()) == ["runs-large.json", "runs-large.png", "runs-large.svg"]
    numbers = json.loads(Path("figures/runs-large.json").read_bytes())["numbers"]
    assert [row[0] for row in numbers["rows"]] == ["1", "2", "2a"]


# --- score --------------------------------------------------------------------------------------------------


def test_claims_are_scored_against_the_truth(workspace: Path, capsys: Any) -> None:
    with (workspace / "observations" / "tank.yaml").open("a") as file:
        file.write("truth: {volume: 103 L}\n")
    found = told(capsys, "score")
    (claim,) = found["dossiers"][0]["claims"]
    latest = runs.read(find(Path("reports"), "tank"))
    assert claim["scored"] == latest.assessment.verdicts[0].posterior.value
    assert claim["brier"] == pytest.approx((1 - claim["scored"]) ** 2)
    assert found["few"]
    text = " ".join(written(capsys, "score", "observations/tank.yaml", "--figures", "figures").split())
    assert "Scored: 1 claim, 1 quantity of 1 dossier. That is few" in text
    assert {p.name for p in Path("figures").glob("*.png")} == {"reliability.png", "coverage.png"}


def test_without_a_truth_there_is_nothing_to_score(workspace: Path, capsys: Any) -> None:
    assert cli.run(["score"]) == 2
    assert "add it under 'truth'" in capsys.readouterr().err
    assert "states no truth" in written(capsys, "score", "observations/tank.yaml")


# --- what is private ----------------------------------------------------------------------------------------


def test_what_shows_something_private_says_so(workspace: Path, capsys: Any) -> None:
    figures = (["runs", "tank", "--figures", "before"], ["compare", "--quick", "tank@latest~1", "tank"])
    for command in figures:
        assert cli.run(command) == 0
        assert "private" not in capsys.readouterr().err
    file = workspace / "observations" / "tank.yaml"
    file.write_text(file.read_text().replace("date: 2026-02-01", "date: 2026-02-01, private: true"))
    assert cli.run(["infer", str(file), "--json"]) == 0
    latest = find(Path("reports"), "tank")
    for command in (["runs", "tank", "--figures", "after"], ["compare", "--quick", "tank@latest~1", "tank"]):
        capsys.readouterr()
        assert cli.run(command) == 0
        how = "RUN" if command[0] == "runs" else latest
        assert f"this shows what is private; 'gaugeglass publish {how}' makes a form" in capsys.readouterr().err
    assert cli.run(["publish", "tank"]) == 0
    capsys.readouterr()
    assert cli.run(["compare", "--quick", str(latest.with_name(latest.name + runs.PUBLIC)), "tank@latest~1"]) == 0
    assert "private" not in capsys.readouterr().err


# --- check --------------------------------------------------------------------------------------------------


def test_a_run_is_the_same_again_to_the_last_bit(workspace: Path, capsys: Any) -> None:
    for folder in (workspace / "reports" / "tank").iterdir():
        found = told(capsys, "check", str(folder))
        assert (found["expected"], found["outcome"], found["same_draws"]) == (
            "to the last bit",
            "to the last bit",
            True,
        )
    assert "the same to the last bit" in " ".join(written(capsys, "check", str(folder)).split())


def test_a_run_is_checked_by_its_short_name_and_what_it_does_not_list_is_named(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    (folder / "inputs" / "mine.txt").write_text("added later")
    for named in ("tank", "tank@latest", "observations/tank.yaml@latest"):
        found = told(capsys, "check", named)
        assert (found["folder"], found["unlisted"]) == (str(folder), ["inputs/mine.txt"])
    assert told(capsys, "check", "tank@latest~1")["unlisted"] == []
    assert cli.run(["check", "tank@latest~9"]) == 2
    assert cli.run(["check", "pond"]) == 3


def rewritten(folder: Path, file: str, old: str, new: str) -> None:
    """Change a file of a run and its digest, as somebody might who knows how."""
    text = (folder / file).read_text()
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1))
    told = json.loads((folder / "run.json").read_text())
    told["files"] |= {file: runs.digest_of(folder / file)} if file != "run.json" else {}
    (folder / "run.json").write_text(json.dumps(told))


def test_a_run_by_other_versions_need_only_agree_within_errors(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    version = runs.read(folder).about["versions"]["numpy"]
    rewritten(folder, "run.json", f'"numpy": "{version}"', '"numpy": "1.0"')
    rewritten(folder, "run.json", '"seed": 1', '"seed": 2')
    found = told(capsys, "check", str(folder))
    assert (found["expected"], found["outcome"]) == ("within errors", "within errors")
    assert found["otherwise"] == [{"key": "numpy", "before": "1.0", "now": version}]
    assert max(n["errors"] for n in found["numbers"]) > 0


def test_a_run_that_does_not_come_out_the_same_is_not_reproduced(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    mean = runs.read(folder).assessment.quantities[0].posterior.mean
    rewritten(folder, "result.json", f'"mean": {mean}', f'"mean": {mean + 2}')
    assert told(capsys, "check", str(folder), status=1)["outcome"] == "beyond errors"
    assert "the run is not reproduced" in " ".join(written(capsys, "check", str(folder), status=1).split())


def test_a_damaged_run_is_refused_with_every_file_that_is_not_as_written(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    (folder / "posterior.nc").unlink()
    (folder / "inputs" / "models" / "tank.yaml").write_text(MODEL + "# mine\n")
    assert cli.run(["check", str(folder)]) == 5
    said = capsys.readouterr().err
    assert f"{folder / 'posterior.nc'} is missing" in said
    assert f"{folder / 'inputs' / 'models' / 'tank.yaml'} is not as it was written" in said


def test_a_run_without_its_record_is_damaged(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    (folder / "run.json").unlink()
    assert cli.run(["check", str(folder)]) == 5
    assert "run.json cannot be read" in capsys.readouterr().err


def test_a_run_is_checked_by_itself(workspace: Path, capsys: Any) -> None:
    folder = find(Path("reports"), "tank")
    assert cli.run(["check", str(folder), "observations/tank.yaml"]) == 2
    assert cli.run(["check", "observations/tank.yaml"]) == 0
