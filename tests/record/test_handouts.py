"""Files handed out beside the record are all there or not at all, and nothing is overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugeglass.errors import StoreError
from gaugeglass.record.handouts import hand_out, taken

FILES = {"words.json": b"{}", "frames/wide/01.png": b"1", "frames/square/01.png": b"2"}


def everything(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_files_are_written_below_a_folder_that_is_made(tmp_path: Path) -> None:
    hand_out(FILES, tmp_path / "new" / "folder")
    assert everything(tmp_path / "new" / "folder") == FILES


def test_what_is_there_stays_beside_what_is_written(tmp_path: Path) -> None:
    (tmp_path / "article.md").write_text("mine")
    hand_out(FILES, tmp_path)
    assert everything(tmp_path) == FILES | {"article.md": b"mine"}


@pytest.mark.parametrize("there", ["words.json", "frames", "link"])
def test_nothing_is_overwritten_and_then_nothing_is_written(tmp_path: Path, there: str) -> None:
    if there == "link":
        (tmp_path / "words.json").symlink_to(tmp_path / "nowhere")
    elif there == "frames":
        (tmp_path / "frames").mkdir()
    else:
        (tmp_path / there).write_text("mine")
    before = sorted(tmp_path.rglob("*"))
    assert taken(tmp_path, ["frames", "words.json"]) is not None
    with pytest.raises(StoreError, match="is there already and stays as it is"):
        hand_out(FILES, tmp_path)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "place").write_text("mine")
    with pytest.raises(StoreError, match="place is there already"):
        hand_out(FILES, tmp_path / "place")


def test_what_cannot_be_written_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(StoreError, match="No space left on device"):
        hand_out(FILES, tmp_path)
    assert list(tmp_path.iterdir()) == []
