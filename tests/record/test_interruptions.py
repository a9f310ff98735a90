"""Processes that are killed, interrupted, out of room or at work at once: a run is there whole, or not at all."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.results import Assessment
from gaugeglass.record import runs
from gaugeglass.record.store import HIDDEN
from record.interrupted import TRIALS, half

SCRIPT = Path(__file__).with_name("interrupted.py")

type Writer = Callable[[], Path]


@pytest.fixture
def writer(posterior: SimpleNamespace, assessment: Assessment, picture: Any, tmp_path: Path) -> Writer:
    return lambda: runs.write(posterior, assessment, [picture], "<html></html>", tmp_path / "reports")


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "reports" / "tank"


@pytest.fixture
def apart(posterior: SimpleNamespace, assessment: Assessment, tmp_path: Path) -> Callable[[str], dict[str, Any]]:
    """What the script saw that lets processes of its own record."""
    picture = SimpleNamespace(name="leading", title="t", alt="a", svg=b"<svg/>", png=b"P", numbers={"rows": [[1.5]]})
    file = tmp_path / "recorded.pickle"
    file.write_bytes(pickle.dumps((posterior, assessment, picture)))

    def run(how: str) -> dict[str, Any]:
        command = [sys.executable, str(SCRIPT), how, str(file), str(tmp_path / "reports")]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        done = subprocess.run(command, capture_output=True, check=True, text=True, timeout=300, env=environment)
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    return run


def whole(place: Path) -> list[Path]:
    """Every run that is listed, read and held against its digests."""
    listed = runs.listing(place.parent, place.name)
    assert [runs.read(folder).folder for folder in listed] == list(listed)
    return list(listed)


@pytest.mark.slow
def test_processes_killed_at_any_moment_leave_only_whole_runs(apart: Any, place: Path) -> None:
    seen = apart("SIGKILL")
    assert seen["ended"] == TRIALS
    assert seen["left"] >= TRIALS // 2
    assert {p.name for p in place.iterdir()} == {p.name for p in (*whole(place), *half(place))}
    assert len(whole(place)) >= TRIALS


@pytest.mark.slow
def test_processes_interrupted_at_any_moment_leave_nothing_half(apart: Any, place: Path) -> None:
    assert apart("SIGINT") == {"ended": TRIALS, "left": 0}
    assert len(whole(place)) >= TRIALS
    assert half(place) == set()


@pytest.mark.slow
def test_processes_at_once_get_whole_runs_of_their_own(apart: Any, place: Path) -> None:
    assert apart("at once") == {"statuses": [0] * 4}
    assert len(whole(place)) == 20
    assert half(place) == set()


@pytest.mark.slow
@pytest.mark.parametrize("room", ["100", "10000"])
def test_a_file_that_cannot_grow_leaves_nothing(room: str, apart: Any, place: Path) -> None:
    """The system itself refuses to write on, as on a disk that is full."""
    assert "File too large" in apart(room)["refused"]
    assert list(place.iterdir()) == []


def test_a_page_that_cannot_be_written_leaves_a_run_without_one(
    writer: Writer, picture: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runs.read(writer())
    before = sorted(run.folder.rglob("*"))

    def full(handle: int) -> None:
        raise OSError(28, os.strerror(28))

    (run.folder / "report.html").unlink()
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left on device"):
        runs.add_page(run, [], "<html></html>")
    assert sorted(run.folder.rglob("*")) == [path for path in before if path.name != "report.html"]


def test_an_interrupt_as_soon_as_the_hidden_folder_is_there_leaves_none(
    writer: Writer, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make, made = os.mkdir, []

    def struck(path: Any, *arguments: Any, **options: Any) -> None:
        make(path, *arguments, **options)
        if Path(path).name.startswith(HIDDEN):
            made.append(path)
            raise KeyboardInterrupt

    monkeypatch.setattr(os, "mkdir", struck)
    with pytest.raises(KeyboardInterrupt):
        writer()
    assert len(made) == 1
    assert list(place.iterdir()) == []


def test_what_was_left_half_written_is_swept_after_a_day(writer: Writer, place: Path) -> None:
    writer()
    old, new = place / ".partial-old", place / ".partial-new"
    for folder in (old, new):
        (folder / "inputs").mkdir(parents=True)
        (folder / "result.json").write_text("{}")
    a_day_ago = time.time() - 24 * 3600 - 60
    os.utime(old, (a_day_ago, a_day_ago))
    writer()
    assert half(place) == {new}
    assert len(whole(place)) == 2


def test_nothing_else_is_swept(writer: Writer, place: Path, tmp_path: Path) -> None:
    kept = writer()
    aside = tmp_path / "aside"
    aside.mkdir()
    (aside / "notes.txt").write_text("Mine")
    (place / ".partial-link").symlink_to(aside)
    a_day_ago = time.time() - 2 * 24 * 3600
    for path in (kept, aside):
        os.utime(path, (a_day_ago, a_day_ago))
    writer()
    assert (aside / "notes.txt").read_text() == "Mine"
    assert kept in whole(place)
