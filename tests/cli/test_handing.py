"""``report --format md|png``: what is written, where to, and that nothing private goes into it by accident."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from matplotlib.text import Text

from gaugeglass import cli
from gaugeglass.publication import frames
from gaugeglass.publication.handing import Handout
from plain_tank import MODEL, lay_out

SHARING = "likelihood: {family: normal}, shared: {by: origin, u: 1 %}"
READINGS = """\
  - {id: whisper-7, method: filling, value: 98(3) L, origin: Quillfeather, date: 2026-01-05, private: true,
     source: {title: Talk at the quarry, url: "https://example.org/whisper", quote: Ninety-eight}, note: Said in confidence}
  - {id: public-1, method: filling, value: 104 ± 2 L, origin: Quillfeather, date: 2026-01-09, source: {title: Notes on a tank}}
  - {id: public-2, method: filling, value: 103 ± 4 L, origin: a bucket, date: 2026-01-02}
  - {id: echo-1, method: filling, value: 98 L, u: 3 L, repeats: whisper-7}
tables:
  - {id: ledger-of-thorn, file: thorn.csv, method: filling, value: {column: litres, unit: L},
     u: 5 L, origin: a yard by thorn, private: true}
"""
SHEET = "litres\n101\n97\n"
SECRETS = ("whisper", "quillfeather", "2026-01-05", "quarry", "ninety-eight", "confidence", "thorn")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded run of a dossier of which some is private."""
    home = tmp_path_factory.mktemp("tank")
    file = lay_out(home, READINGS, model=MODEL.replace("likelihood: {family: normal}", SHARING))
    file.with_name("thorn.csv").write_text(SHEET)
    assert cli.run(["infer", str(file), "--draws", "300"]) == 0
    (folder,) = (home / "reports" / "tank").iterdir()
    return folder


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every text that is drawn into a picture."""
    found: list[str] = []

    def collect(sheet: Any, dpi: float) -> bytes:
        found.extend(text.get_text() for text in sheet.figure.findobj(Text))
        return b"\x89PNG"

    monkeypatch.setattr(frames, "png_of", collect)
    return found


def texts(folder: Path) -> Iterator[str]:
    for path in folder.rglob("*"):
        yield path.name
        if path.suffix in (".md", ".json"):
            yield path.read_text()


@pytest.mark.parametrize("form", ["md", "png"])
def test_by_default_nothing_private_is_handed_out(run: Path, tmp_path: Path, drawn: list[str], form: str) -> None:
    assert cli.run(["report", str(run), "--format", form, "--into", str(tmp_path)]) == 0
    told = "\n".join([*texts(tmp_path), *drawn]).lower()
    assert "private-1" in told
    assert [secret for secret in SECRETS if secret in told] == []


@pytest.mark.parametrize("form", ["md", "png"])
def test_what_is_private_is_shown_where_that_is_asked_for(
    run: Path, tmp_path: Path, drawn: list[str], form: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["report", str(run), "--format", form, "--into", str(tmp_path), "--private"]) == 0
    told = "\n".join([*texts(tmp_path), *drawn])
    assert "whisper-7" in told
    assert "Talk at the quarry" in told
    assert "what is private is shown in it" in capsys.readouterr().err


def test_private_text_that_is_left_somewhere_is_never_written(
    run: Path, tmp_path: Path, drawn: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(frames, "ORDER", "as told in the talk at the quarry")
    assert cli.run(["report", str(run), "--format", "png", "--into", str(tmp_path / "film")]) == 5
    assert "private text is left in frames.json" in capsys.readouterr().err
    assert not (tmp_path / "film").exists()


def test_frames_go_by_the_public_dates(run: Path, tmp_path: Path, drawn: list[str]) -> None:
    """Where something private stands in the order would tell its date: without one it goes last."""
    assert cli.run(["report", str(run), "--format", "png", "--into", str(tmp_path)]) == 0
    names = [entry["name"] for entry in json.loads((tmp_path / "frames.json").read_text())["frames"]]
    assert names == ["01-prior", "02-public-2", "03-public-1", "04-private-1", "05-private-table-1", "06-verdict"]


def test_the_folder_has_the_name_of_the_run(run: Path, tmp_path: Path, drawn: list[str], monkeypatch: pytest.MonkeyPatch,
                                            capsys: pytest.CaptureFixture[str]) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert cli.run(["report", str(run), "--format", "md", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    folder = f"{run.name}-article"
    assert told == {"format": "gaugeglass.handout/1", "folder": folder, "file": f"{folder}/article.md",
                    "files": ["article.md", "verdict.png"], "private": False}  # fmt: skip
    assert cli.run(["report", str(run), "--format", "png", "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)["files"]) > {"frames.json", "frames/wide/01-prior.png"}


def test_nothing_is_overwritten_and_the_run_stays_as_it_is(
    run: Path, tmp_path: Path, drawn: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(run.rglob("*"))
    assert cli.run(["report", str(run), "--format", "md", "--into", str(tmp_path)]) == 0
    article = (tmp_path / "article.md").read_bytes()
    assert cli.run(["report", str(run), "--format", "md", "--into", str(tmp_path)]) == 2
    assert "article.md is there already and stays as it is; choose another folder\n" in capsys.readouterr().err
    assert (tmp_path / "article.md").read_bytes() == article
    assert sorted(run.rglob("*")) == before


@pytest.mark.parametrize("option", [["--into", "film"], ["--private"]])
def test_options_of_handouts_mean_nothing_for_the_page(
    run: Path, option: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["report", str(run), *option]) == 2
    assert "--into and --private go with --format md or png" in capsys.readouterr().err


def test_the_article_names_the_digest_of_the_public_form_where_there_is_one(
    run: Path, tmp_path: Path, drawn: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["publish", str(run), "--json"]) == 0
    digest = json.loads(capsys.readouterr().out)["digest"]
    assert cli.run(["report", str(run), "--format", "md", "--into", str(tmp_path)]) == 0
    assert f"{run.name}-public, sha256:{digest}" in (tmp_path / "article.md").read_text()


def test_the_article_of_an_alternative_names_the_public_form_of_its_run_and_what_was_stated(
    run: Path, tmp_path: Path, drawn: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    asked = [
        "infer",
        str(run.parents[2] / "observations" / "tank.yaml"),
        "--replace",
        "public-1=90 L",
        "--draws",
        "300",
    ]
    assert cli.run(asked) == 0
    (otherwise,) = run.parent.glob("*-alternative")
    public = run.with_name(f"{run.name}-public")
    if not public.exists():
        assert cli.run(["publish", str(run)]) == 0
    digest = hashlib.sha256((public / "run.json").read_bytes()).hexdigest()
    capsys.readouterr()
    assert cli.run(["report", str(otherwise), "--format", "md", "--into", str(tmp_path)]) == 0
    text = (tmp_path / "article.md").read_text()
    assert "public-1 at 90 L instead of 104 ± 2 L" in text
    assert f"This is an alternative to run {public.name}," in text
    assert Handout.of(otherwise, private=False).reproduction["alternative_to"] == {"run": public.name, "digest": digest}
    assert Handout.of(otherwise, private=True).reproduction["alternative_to"]["run"] == run.name


@pytest.mark.slow
def test_frames_can_be_the_first_thing_that_a_process_does(run: Path, tmp_path: Path) -> None:
    """Refits two at a time, before anything was drawn one at a time."""
    command = [sys.executable, "-m", "gaugeglass.cli", "report", str(run), "--format", "png", "--into", str(tmp_path)]
    code = f"from gaugeglass.cli import run; raise SystemExit(run({command[3:]!r}))"
    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode == 0
    assert (tmp_path / "frames" / "wide" / "06-verdict.png").read_bytes().startswith(b"\x89PNG")
