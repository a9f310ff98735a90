"""Watching, as a user beside an editor meets it: a real process, real saves, and how it ends."""

from __future__ import annotations

import json
import os
import queue
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugeglass import cli
from gaugeglass.cli.watching import Watch
from gaugeglass.errors import InferenceError
from gaugeglass.language.watching import Save
from gaugeglass.language.workspace import shipped

PATIENCE = 120.0
"""How long an answer is waited for. [s]"""
DOSSIER = "observations/gravitation.yaml"


class Watching:
    """A process that watches, line by line."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.file = folder / DOSSIER
        code = "from gaugeglass.cli import main; main()"
        command = [sys.executable, "-c", code, "watch", DOSSIER, *options]
        env = {**os.environ, "COLUMNS": "80", "PYTHONUTF8": "1"}
        self.process = subprocess.Popen(command, cwd=folder, env=env, text=True, encoding="utf-8",
                                        stdout=subprocess.PIPE, stderr=subprocess.PIPE)  # fmt: skip
        self.lines: queue.Queue[str] = queue.Queue()
        self.errors: list[str] = []
        threading.Thread(target=self._read, daemon=True).start()
        threading.Thread(target=lambda: self.errors.extend(self.process.stderr or ()), daemon=True).start()

    def _read(self) -> None:
        for line in self.process.stdout or ():
            self.lines.put(line)

    def until(self, pattern: str) -> str:
        """Everything printed up to a line that matches."""
        printed = ""
        while not re.search(pattern, printed, flags=re.MULTILINE):
            try:
                printed += self.lines.get(timeout=PATIENCE)
            except queue.Empty:
                pytest.fail(f"no {pattern!r} in {printed!r}; stderr: {self.errors}")
        return printed

    def save(self, text: str) -> None:
        """As editors do it: a new file takes the place of the old one."""
        draft = self.file.with_name(".draft")
        draft.write_text(text, encoding="utf-8")
        draft.replace(self.file)

    def interrupt(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    assert cli.run(["new", str(tmp_path / "mine")]) == 0
    return tmp_path / "mine"


@pytest.fixture
def ended() -> Iterator[list[Watching]]:
    started: list[Watching] = []
    yield started
    for watching in started:
        watching.process.kill()
        watching.process.wait()


def without_one(text: str) -> tuple[str, str]:
    """The text without its second observation, and that one's id."""
    entries = list(re.finditer(r"^  - id: (.*)\n(?:    .*\n)*", text, flags=re.MULTILINE))
    return text.replace(entries[1][0], ""), entries[1][1]


def test_saves_are_answered_until_it_is_interrupted(workspace: Path, ended: list[Watching]) -> None:
    watching = Watching(workspace)
    ended.append(watching)
    opening = watching.until(r"'gaugeglass assess'")
    assert "before the evidence, and now" in opening
    whole = watching.file.read_text(encoding="utf-8")
    shorter, gone = without_one(whole)

    watching.save(shorter)
    moved = watching.until(r"from the save")
    assert f"- {gone} removed: by " in moved
    assert re.search(r"^quantity +before \(90 %\) +now \(90 %\) +moved", moved, flags=re.MULTILINE)
    assert max(map(len, moved.splitlines())) <= 80

    watching.save(whole.replace("format: 1", "format: 1\nsubjekt: no such key", 1))
    faulty = watching.until(r"from the save")
    assert "1 fault\n" in faulty
    assert "subjekt" in faulty
    assert "What was inferred last is held." in faulty

    os.utime(watching.file)  # which is no save
    watching.save(whole)
    mended = watching.until(r"from the save")
    assert "fault" not in mended
    assert f"- {gone} added: by " in mended

    watching.save(f"{whole}# a comment\n")
    assert "Nothing changed that an inference uses." in watching.until(r"from the save")

    assert watching.interrupt() == 130
    assert not [line for line in watching.errors if "Traceback" in line or "interrupted" in line]
    assert not any((workspace / "reports").iterdir())


def test_answers_as_json_are_one_document_a_line(workspace: Path, ended: list[Watching]) -> None:
    watching = Watching(workspace, "--json")
    ended.append(watching)
    first: dict[str, Any] = json.loads(watching.until(r"\n"))
    assert (first["format"], first["did"]) == ("gaugeglass.watch/1", "inferred")
    watching.save(without_one(watching.file.read_text(encoding="utf-8"))[0])
    again = json.loads(watching.until(r"\n"))
    assert again["did"] == "inferred again"
    assert [change["how"] for change in again["changes"]] == ["removed"]
    assert again["seconds"]["from_save"] >= again["seconds"]["sampling"]
    assert {v["name"] for v in again["verdicts"]} == {v["name"] for v in first["verdicts"]}
    assert again["verdicts"][0]["before"] == first["verdicts"][0]["now"]
    assert watching.interrupt() == 130


def test_a_faulty_dossier_is_watched_until_it_is_mended(workspace: Path, ended: list[Watching]) -> None:
    file = workspace / DOSSIER
    whole = file.read_text(encoding="utf-8")
    file.write_text(whole.replace("model: interlaboratory", "model: mine"), encoding="utf-8")
    watching = Watching(workspace, "--json")
    ended.append(watching)
    assert json.loads(watching.until(r"\n"))["did"] == "faults found"
    model = workspace / "models" / "interlaboratory.yaml"
    model.with_name("mine.yaml").write_text(model.read_text(encoding="utf-8"), encoding="utf-8")
    assert json.loads(watching.until(r"\n"))["did"] == "inferred"


@pytest.mark.parametrize("name", ["nowhere.yaml", str(shipped("models") / "interlaboratory.yaml")])
def test_what_is_no_dossier_is_not_watched(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["watch", name]) == 3
    assert "1 fault" in capsys.readouterr().err


def test_a_refusal_holds_what_was_inferred_last(
    workspace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*arguments: Any, **options: Any) -> None:
        raise InferenceError("no way")

    file = workspace / DOSSIER
    whole = file.read_text(encoding="utf-8")
    capsys.readouterr()
    watch = Watch(str(file), seed=1, draws=200, as_json=True)
    watch.open()
    held = watch.spec
    with monkeypatch.context() as patched:
        patched.setattr("gaugeglass.inference.posterior.reinfer", refuse)
        file.write_text(without_one(whole)[0], encoding="utf-8")
        watch.answer(Save((str(file),), time.time()))
        assert watch.spec is held
    file.write_text(whole.replace("format: 1", "format: 1  # again", 1), encoding="utf-8")
    watch.answer(Save((str(file),), time.time()))
    watch.answer(Save((str(file),), time.time()))  # which finds everything as it was
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [answer["did"] for answer in told] == ["inferred", "refused", "nothing moved"]
    assert told[1]["message"] == "no way\nWhat was inferred last is held."
    assert told[2]["changes"] == []
