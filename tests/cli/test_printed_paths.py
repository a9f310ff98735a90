"""Paths in what commands print: as they were given, or below what was given, whatever the command."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugeglass import cli
from plain_tank import lay_out

READINGS = """\
  - {id: first, method: filling, value: 99 ± 4 L, date: 2026-01-05}
  - {id: second, method: filling, value: 106 ± 3 L, date: 2026-02-01}
truth: {volume: 103 L}
"""
FILE, OTHER = "observations/tank.yaml", "observations/pond.yaml"
QUICK = ["--draws", "200"]
PATHS = {"run", "folder", "page", "file", "files", "indices"}
"""Keys under which documents have paths, where they have any."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("home")
    text = lay_out(place, READINGS).read_text()
    (place / OTHER).write_text(text.replace("dossier: tank", "dossier: pond"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        assert cli.run(["infer", FILE, *QUICK, "--json"]) == 0
        assert cli.run(["infer", FILE, *QUICK, "--json", "--seed", "2"]) == 0
    return place


@pytest.fixture
def workspace(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = shutil.copytree(home, tmp_path / "work")
    monkeypatch.chdir(place)
    return place


def strings(document: Any, under: str = "") -> Iterator[tuple[str, str]]:
    """Every text of a document, and the key that it or its list stands under."""
    if isinstance(document, dict):
        for key, entry in document.items():
            yield from strings(entry, key)
    elif isinstance(document, list):
        for entry in document:
            yield from strings(entry, under)
    elif isinstance(document, str):
        yield under, document


COMMANDS = [
    (["assess", FILE, *QUICK], 1),
    (["assess", FILE, OTHER, *QUICK], 5),
    (["infer", FILE, *QUICK], 1),
    (["infer", FILE, *QUICK, "--without", "first"], 2),
    (["report", "tank"], 1),
    (["report", "tank", "--format", "md", "--into", "article"], 2),
    (["publish", "tank"], 2),
    (["runs", "tank"], 2),
    (["compare", "--quick", "tank@latest~1", "tank"], 2),
    (["check", "tank@latest"], 1),
    (["check", FILE], 1),
    (["score", FILE], 0),
    (["new", "mine"], 1),
    (["add", FILE, "--id", "third", "--method", "filling", "--value", "101 ± 2 L"], 1),
    (["withdraw", FILE, "first", "--because", "A joke"], 1),
]


@pytest.mark.parametrize(("command", "least"), COMMANDS, ids=[" ".join(command) for command, _ in COMMANDS])
def test_paths_are_as_they_were_given(
    command: list[str], least: int, workspace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run([*command, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [text for _, text in strings(document) if str(workspace) in text] == []
    found = [text for key, text in strings(document) if key in PATHS and Path(text).exists()]
    assert len(found) >= least


def test_what_was_given_whole_is_whole(workspace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["infer", str(workspace / FILE), *QUICK, "--without", "first", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    for path in (told["run"], told["of"]["folder"]):
        assert Path(path).parent == workspace / "reports" / "tank"
