"""The whole job at a terminal: what an assessment examines beside its verdicts, prints in short and records."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gaugeglass import cli
from gaugeglass.record import runs
from plain_tank import DOSSIER, lay_out

READINGS = """\
  - {id: bucket, method: filling, value: 101 ± 2 L}
  - {id: meter, method: filling, value: 106 ± 3 L}
"""
CANDIDATES = """\
candidates:
  careful: {about: Fill it with great care, method: filling, u: 0.5 L, cost: 20}
"""
QUICK = ["--draws", "200"]


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("work")
    lay_out(folder, READINGS + CANDIDATES)
    return folder


@pytest.fixture(scope="module")
def file(workspace: Path) -> str:
    return str(workspace / "observations" / "tank.yaml")


@pytest.fixture(scope="module")
def printed(file: str) -> str:
    """What an assessment prints."""
    lines: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        patch.setattr("click.echo", lambda text="", **_: lines.append(str(text)))
        assert cli.run(["assess", file, *QUICK]) == 0
    return "\n".join(lines)


@pytest.fixture
def run(printed: str, workspace: Path) -> runs.Run:
    """The run of that assessment."""
    return runs.read(runs.listing(workspace / "reports", "tank")[0])


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_an_assessment_says_in_short_what_carries_it_and_what_to_observe_next(printed: str, file: str) -> None:
    lines = printed.splitlines()
    verdict, carried, following, place = (
        next(i for i, line in enumerate(lines) if line.startswith(text))
        for text in ("Verdicts", "What carries “The tank holds", "Best next: careful", "run  ")
    )
    assert verdict < carried < following < place
    assert "Priors that matter" not in printed  # the whole tables are the other commands'
    assert f"\nmore    gaugeglass audit {file}\n        gaugeglass next {file}\n" in printed
    assert max(len(line) for line in lines if "/" not in line) <= 80


def test_both_are_recorded_with_their_pictures_and_stand_on_the_page(run: runs.Run) -> None:
    assert run.audit is not None
    assert run.ranking is not None
    assert (run.audit.claim, run.ranking.claim) == ("large", "large")
    made = {p.stem for p in (run.folder / "figures").glob("*.svg")}
    assert {"influence", "tipping", "candidates"} <= made
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert page.index('<section id="audit"') < page.index("What to observe next: careful")


def test_a_recorded_assessment_shows_them_again(
    run: runs.Run, printed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["report", str(run.folder)]) == 0
    out = capsys.readouterr().out.strip()
    before, _, after = printed.partition("\nmore ")
    assert out == before.strip() + "\n\n" + after[after.index("run  ") :].strip()


def test_as_json_they_are_what_the_other_commands_print(
    run: runs.Run, file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["report", str(run.folder), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    for command in ("audit", "next"):
        assert cli.run([command, file, *QUICK, "--json"]) == 0
        alone = json.loads(capsys.readouterr().out)
        assert document[command] == {
            k: v for k, v in alone.items() if k not in ("dossier", "model", "interval", "subject")
        }
        assert alone["dossier"] == document["dossier"]


def test_to_infer_alone_examines_neither(file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["infer", file, *QUICK, "--reports", str(tmp_path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["audit"], document["next"]) == (None, None)
    run = runs.read(Path(document["run"]))
    assert (run.audit, run.ranking, run.pool()) == (None, None, None)
    assert cli.run(["report", document["run"]]) == 0
    assert "carries" not in capsys.readouterr().out
    assert 'id="audit"' not in (run.folder / "report.html").read_text(encoding="utf-8")


def test_without_candidates_none_is_ranked(workspace: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain_file = workspace / "observations" / "plain.yaml"
    plain_file.write_text((DOSSIER + READINGS).replace("dossier: tank", "dossier: plain"))
    assert cli.run(["assess", str(plain_file), *QUICK, "--reports", str(tmp_path)]) == 0
    assert f"\nmore    gaugeglass audit {plain_file}\n\nrun  " in capsys.readouterr().out
    run = runs.read(runs.listing(tmp_path, "plain")[0])
    assert run.audit is not None
    assert run.ranking is None
