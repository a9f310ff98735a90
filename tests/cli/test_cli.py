"""What a user at a terminal meets: exit statuses, what goes where, and what is left behind."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import gaugeglass
from gaugeglass import cli
from gaugeglass.cli import inferring
from gaugeglass.errors import InferenceError, StoreError
from gaugeglass.language.workspace import shipped

COMMANDS = [
    "add", "assess", "audit", "calibrate", "check", "compare", "demo", "infer", "new", "next",
    "publish", "report", "runs", "score", "watch", "withdraw",
]  # fmt: skip


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    file = tmp_path / "broken.yaml"
    file.write_text("format: 1\ndossier: x\nmodel: traction-pack\nsubject: y\nsubjekt: z\n")
    return file


def fail_with(problem: BaseException) -> Any:
    def command(*arguments: Any, **options: Any) -> None:
        raise problem

    return command


def test_these_are_the_commands() -> None:
    assert sorted(cli.gaugeglass.commands) == COMMANDS


def test_help_opens_with_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--help"]) == 0
    assert capsys.readouterr().out.split("\n\n")[1].strip().startswith("Examples:")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run([command, "--help"]) == 0
    assert "--json" in capsys.readouterr().out


def test_a_faultless_file_is_said_to_be_so(capsys: pytest.CaptureFixture[str]) -> None:
    file = shipped("observations") / "heron-35.yaml"
    assert cli.run(["check", str(file)]) == 0
    assert capsys.readouterr().out == f"{file}: 18 observations (3 set aside), no faults\n"


def test_all_faults_of_all_files_are_printed_and_the_status_is_3(
    broken: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["check", str(broken), "nowhere.yaml"]) == 3
    printed = capsys.readouterr().out
    assert "subjekt" in printed
    assert "nowhere.yaml" in printed


def test_faults_as_json_are_one_document(broken: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["check", str(broken), "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "gaugeglass.check/1"
    assert {"file", "line", "field", "found", "allowed", "hint"} == set(document["faults"][0])


def test_a_faulty_dossier_stops_an_assessment_before_anything_is_written(
    broken: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["assess", str(broken), "--json", "--reports", str(tmp_path / "reports")]) == 3
    captured = capsys.readouterr()
    assert json.loads(captured.out)["faults"]
    assert "subjekt" in captured.err
    assert not (tmp_path / "reports").exists()


@pytest.mark.parametrize(
    ("problem", "status", "said"),
    [
        (InferenceError("no way"), 4, "no way"),
        (StoreError("no room"), 5, "no room"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (ZeroDivisionError("oops"), 1, "a bug of gaugeglass: ZeroDivisionError: oops"),
    ],
)
def test_each_ending_has_its_status(
    problem: BaseException, status: int, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(inferring, "assess_file", fail_with(problem))
    assert cli.run(["demo"]) == status
    captured = capsys.readouterr()
    assert said in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_a_bug_shows_its_traceback_when_asked(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(inferring, "assess_file", fail_with(ZeroDivisionError()))
    assert cli.run(["--traceback", "demo"]) == 1
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [["frobnicate"], ["check"], ["demo", "--draws", "3"], ["report", "nothing"], ["report", "x" * 300],
     ["new", "x" * 300], ["runs", "x" * 300], ["next", "tank.yaml", "--budget", "nan"],
     ["next", "tank.yaml", "--budget", "inf"]],
)  # fmt: skip
def test_wrong_usage_has_status_2(arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 2


def test_a_name_that_is_too_long_for_a_file_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["check", "x" * 300]) == 2
    assert capsys.readouterr().err == f"{'x' * 60}…: a name that is too long for a file\n"


def test_new_lays_out_a_workspace_whose_files_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "mine"
    assert cli.run(["new", str(folder)]) == 0
    assert sorted(p.name for p in folder.iterdir()) == ["models", "observations", "reports"]
    assert cli.run(["check", *map(str, folder.glob("*/*.yaml"))]) == 0
    assert "no faults" in capsys.readouterr().out


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "kept.txt").write_text("mine")
    assert cli.run(["new", str(tmp_path)]) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


def test_new_where_nothing_can_be_made_is_a_fault_of_the_store(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert cli.run(["new", str(tmp_path / "file" / "below")]) == 5


def test_a_closed_pipe_is_quiet() -> None:
    file = shipped("observations") / "heron-35.yaml"
    code = f"import sys; from gaugeglass.cli import main; sys.argv = ['gaugeglass', 'check', {str(file)!r}]; main()"
    reader, writer = os.pipe()
    os.close(reader)
    ended = subprocess.run([sys.executable, "-c", code], stdout=writer, stderr=subprocess.PIPE, check=False)
    os.close(writer)
    assert (ended.stderr, ended.returncode) == (b"", 0)


@pytest.mark.parametrize(("redirection", "status"), [(">&-", 0), (">/dev/full", 5)])
def test_a_closed_or_full_stdout_is_no_bug(redirection: str, status: int) -> None:
    code = "import sys; from gaugeglass.cli import main; sys.argv = ['gaugeglass', 'check', 'heron-35.yaml']; main()"
    ended = subprocess.run(
        ["/bin/sh", "-c", f'exec "$0" -c "$1" {redirection}', sys.executable, code],
        cwd=shipped("observations"), stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == status
    assert ended.stderr == ("not all could be printed: No space left on device\n" if status else "")


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The demo, run from a folder that has nothing to do with the project."""
    folder = tmp_path_factory.mktemp("elsewhere")
    environment = {**os.environ, "COLUMNS": "72", "NO_COLOR": "1"}
    command = [shutil.which("gaugeglass", path=str(Path(sys.executable).parent)) or "gaugeglass", "demo"]
    ended = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    return folder, ended


@pytest.mark.slow
def test_the_demo_prints_its_verdict_and_where_the_page_is(
    elsewhere: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    folder, ended = elsewhere
    assert ended.returncode == 0, ended.stderr
    page = Path(ended.stdout.splitlines()[-1].split(maxsplit=1)[1])
    assert (folder / page).read_text().lstrip().lower().startswith("<!doctype html>")
    assert (folder / page).stat().st_size < 2_000_000
    assert "the probability that software holds back" in " ".join(ended.stdout.split())
    assert "\x1b" not in ended.stdout
    assert max(len(line) for line in ended.stdout.splitlines() if "heron-35" not in line) <= 72


@pytest.mark.slow
def test_the_public_form_of_the_demo_says_nothing_private(
    elsewhere: tuple[Path, subprocess.CompletedProcess[str]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(elsewhere[0])
    assert cli.run(["publish", "heron-35", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    content = b"".join(p.read_bytes() for p in Path(told["folder"]).rglob("*") if p.is_file())
    for secret in (b"pack-bound", b"mechanic", b"hoist", b"notebook", b"fleet's workshop"):
        assert secret not in content
    assert len(told["digest"]) == 64


@pytest.mark.slow
def test_a_recorded_run_can_be_shown_again(
    elsewhere: tuple[Path, subprocess.CompletedProcess[str]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(elsewhere[0])
    assert cli.run(["report", "heron-35", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "gaugeglass.result/2"
    assert document["sentence"]


@pytest.mark.slow
def test_infer_records_and_report_makes_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["new", str(tmp_path / "w")]) == 0
    assert cli.run(["infer", str(tmp_path / "w" / "observations" / "gravitation.yaml")]) == 0
    assert "none yet" in capsys.readouterr().out
    assert cli.run(["report", str(tmp_path / "w" / "observations" / "gravitation.yaml")]) == 0
    assert Path(capsys.readouterr().out.splitlines()[-1].split(maxsplit=1)[1]).is_file()


def test_the_version_is_the_packages(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("gaugeglass, version ")
    assert gaugeglass.__doc__
