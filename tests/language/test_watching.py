"""Watching: what counts as a save, however an editor writes, and when it is told of."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from gaugeglass.language.files import check
from gaugeglass.language.watching import PATIENCE, Save, saves, sources

ROOT = Path(__file__).parents[2]
EVERY = 0.05


class EndError(Exception):
    """The time of a test is over."""


@dataclass
class Bench:
    """A clock that goes only while the watching sleeps, and what is done at which of its ticks."""

    now: float = 1000.0
    deeds: dict[int, Callable[[], None]] = field(default_factory=dict)
    last: int = 60
    tick: int = 0

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        self.tick += 1
        self.deeds.get(self.tick, lambda: None)()
        if self.tick > self.last:
            raise EndError

    def write(self, file: Path, text: str) -> None:
        file.write_text(text)
        self.stamp(file)

    def stamp(self, file: Path) -> None:
        os.utime(file, (self.now, self.now))

    def told(self, files: Callable[[], list[str]]) -> list[tuple[int, Save]]:
        return list(self.looks(files))

    def looks(self, files: Callable[[], list[str]]) -> Iterator[tuple[int, Save]]:
        try:
            for save in saves(files, every=EVERY, clock=lambda: self.now, sleep=self.sleep):
                yield self.tick, save
        except EndError:
            return


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def file(tmp_path: Path, bench: Bench) -> Path:
    path = tmp_path / "dossier.yaml"
    bench.write(path, "before")
    return path


def test_nothing_is_told_of_a_file_that_stays(bench: Bench, file: Path) -> None:
    assert bench.told(lambda: [str(file)]) == []


def test_a_save_is_told_of_once_it_held_still_for_one_look(bench: Bench, file: Path) -> None:
    bench.deeds[5] = lambda: bench.write(file, "after!")
    ((tick, save),) = bench.told(lambda: [str(file)])
    assert (tick, save.files) == (6, (str(file),))
    assert save.at == pytest.approx(1000 + 5 * EVERY)


def test_a_save_by_rename_is_dated_by_the_rename_and_not_by_the_older_file(bench: Bench, file: Path) -> None:
    draft = file.with_suffix(".tmp")
    bench.write(draft, "after!")
    bench.deeds[20] = lambda: draft.replace(file)
    ((_, save),) = bench.told(lambda: [str(file)])
    assert save.at - 1000 == pytest.approx(19 * EVERY)  # the last look at which it was as before


def test_a_file_that_is_truncated_and_then_written_is_told_of_when_it_is_whole(bench: Bench, file: Path) -> None:
    bench.deeds |= {5: lambda: bench.write(file, ""), 9: lambda: bench.write(file, "af"),
                    10: lambda: bench.write(file, "after")}  # fmt: skip
    assert [tick for tick, _ in bench.told(lambda: [str(file)])] == [11]


def test_a_file_that_was_only_touched_holds_what_it_held(bench: Bench, file: Path) -> None:
    bench.deeds |= {5: lambda: bench.stamp(file), 10: lambda: bench.write(file, "before")}
    assert bench.told(lambda: [str(file)]) == []


def test_a_file_that_is_away_for_a_moment_is_no_save(bench: Bench, file: Path) -> None:
    bench.deeds |= {5: file.unlink, 15: lambda: bench.write(file, "before")}
    assert bench.told(lambda: [str(file)]) == []


def test_a_file_that_stays_away_is_told_of_and_so_is_its_return(bench: Bench, file: Path) -> None:
    bench.deeds |= {5: file.unlink, 45: lambda: bench.write(file, "before")}
    gone, back = bench.told(lambda: [str(file)])
    assert gone[0] * EVERY >= PATIENCE
    assert back[0] == 46


def test_files_that_are_saved_together_are_told_of_together(bench: Bench, file: Path) -> None:
    other = file.with_name("model.yaml")
    bench.write(other, "before")
    bench.deeds |= {5: lambda: bench.write(file, "after"), 6: lambda: bench.write(other, "after")}
    ((_, save),) = bench.told(lambda: [str(file), str(other)])
    assert save.files == (str(file), str(other))


def test_a_file_that_never_holds_still_does_not_keep_the_others_waiting(bench: Bench, file: Path) -> None:
    log = file.with_name("log.csv")
    bench.write(log, "x")
    bench.deeds = {k: (lambda k=k: bench.write(log, "x" * k)) for k in range(5, 70)}
    bench.deeds[8] = lambda: (bench.write(file, "after"), bench.write(log, "x" * 8))[0]
    ((_, save),) = bench.told(lambda: [str(file), str(log)])
    assert save.files == (str(file),)


def test_a_file_that_is_new_among_them_and_was_written_since_they_were_asked_for_counts(
    bench: Bench, file: Path
) -> None:
    table, files = file.with_name("table.csv"), [str(file)]
    bench.write(table, "before")
    bench.deeds[5] = lambda: bench.write(file, "after")
    told: list[tuple[str, ...]] = []
    for _, save in bench.looks(lambda: files):
        told.append(save.files)
        if len(told) == 1:
            files.append(str(table))
            bench.write(table, "written while the first save was answered")
    assert told == [(str(file),), (str(table),)]


def test_the_sources_of_a_dossier_are_what_was_read_and_the_place_of_a_model_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "observations").mkdir()
    dossier = tmp_path / "observations" / "gravitation.yaml"
    dossier.write_text((ROOT / "observations" / "gravitation.yaml").read_text())
    found = sources(check(dossier), str(dossier))
    assert found[0] == str(dossier)
    assert str(ROOT / "models" / "interlaboratory.yaml") in found
    assert str(tmp_path / "models" / "interlaboratory.yaml") in found


def test_the_sources_of_a_faulty_dossier_are_folders_too(tmp_path: Path) -> None:
    (tmp_path / "observations").mkdir()
    dossier = tmp_path / "observations" / "x.yaml"
    dossier.write_text("format: 1\nmodel: nowhere\n")
    assert set(sources(check(dossier), str(dossier))) == {
        str(dossier), str(tmp_path / "observations"), str(tmp_path / "models")
    }  # fmt: skip
