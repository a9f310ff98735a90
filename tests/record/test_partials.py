"""Partial results: kept as they come, gone on with, and refused where they are of something else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gaugeglass.errors import StoreError
from gaugeglass.record.partials import FILE, count_kept, open_partial


def test_results_are_there_again_to_the_last_bit(tmp_path: Path) -> None:
    first = open_partial(tmp_path / "new" / "folder", "a dossier and a seed")
    first.add("one", {"share": 0.1 + 0.2, "ranks": [1, 2]})
    first.add("two", None)
    again = open_partial(tmp_path / "new" / "folder", "a dossier and a seed")
    assert again.known == {"one": {"share": 0.30000000000000004, "ranks": [1, 2]}, "two": None}


def test_a_line_that_was_cut_off_is_dropped_and_written_over(tmp_path: Path) -> None:
    kept = open_partial(tmp_path, "this")
    kept.add("one", 1)
    kept.add("two", 2)
    path = tmp_path / FILE
    path.write_bytes(path.read_bytes()[:-5])
    again = open_partial(tmp_path, "this")
    assert again.known == {"one": 1}
    again.add("three", 3)
    assert open_partial(tmp_path, "this").known == {"one": 1, "three": 3}


@pytest.mark.parametrize("rest", [b'{"job": "two", "resu\n', b"\0\0\0\n", b'\xff{"job"\n', b'{"jo\n{"job": "thr'])
def test_a_broken_last_line_is_dropped_though_it_ends(rest: bytes, tmp_path: Path) -> None:
    open_partial(tmp_path, "this").add("one", 1)
    path = tmp_path / FILE
    whole = path.read_bytes()
    path.write_bytes(whole + rest)
    assert count_kept(tmp_path) >= 1
    with pytest.raises(StoreError, match="other files"):
        open_partial(tmp_path, "that")
    assert path.read_bytes() == whole + rest
    assert open_partial(tmp_path, "this").known == {"one": 1}
    assert path.read_bytes() == whole
    assert count_kept(tmp_path) == 1


def test_a_first_line_that_was_cut_off_is_begun_again(tmp_path: Path) -> None:
    open_partial(tmp_path, "this")
    path = tmp_path / FILE
    path.write_bytes(path.read_bytes()[:20])
    assert open_partial(tmp_path, "this").known == {}
    assert len(path.read_bytes().splitlines()) == 1


def test_results_of_something_else_are_refused_and_stay(tmp_path: Path) -> None:
    open_partial(tmp_path, "this").add("one", 1)
    before = (tmp_path / FILE).read_bytes()
    with pytest.raises(StoreError, match="results of other files, another seed or another version"):
        open_partial(tmp_path, "that")
    assert (tmp_path / FILE).read_bytes() == before


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("a shopping list", "no file of partial results"),
        ("a shopping list\n", ":1 is damaged"),
        ('{"format": "gaugeglass.run/1"}\n', "no file of partial results"),
        ("[1]\n", ":1 is damaged: no object"),
    ],
)
def test_another_file_of_that_name_is_refused_and_stays(content: str, message: str, tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(content)
    with pytest.raises(StoreError, match=message):
        open_partial(tmp_path, "this")
    assert (tmp_path / FILE).read_text() == content


def test_a_damaged_line_is_named(tmp_path: Path) -> None:
    open_partial(tmp_path, "this").add("one", 1)
    path = tmp_path / FILE
    path.write_text(path.read_text() + 'half a l\n{"job": "two", "result": 2}\n')
    with pytest.raises(StoreError, match=f"{FILE}:3 is damaged: .*; without that line it goes on"):
        open_partial(tmp_path, "this")
    path.write_text(path.read_text().replace("half a l", json.dumps({"other": 1})))
    with pytest.raises(StoreError, match="a line without 'job'"):
        open_partial(tmp_path, "this")
