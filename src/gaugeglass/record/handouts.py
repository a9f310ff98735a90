"""Files handed out beside the record, for an article or a video: written together, and nothing is overwritten."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from gaugeglass.errors import StoreError
from gaugeglass.record import store


def taken(folder: Path, names: Iterable[str]) -> Path | None:
    """The first of some files and folders that is there already; None where there is room for all."""
    if folder.exists() and not folder.is_dir():
        return folder
    return next((folder / name for name in names if (folder / name).exists() or (folder / name).is_symlink()), None)


def refusal(there: Path) -> str:
    """What is said where something is there already."""
    return f"{there} is there already and stays as it is; choose another folder"


def hand_out(files: Mapping[str, bytes], folder: Path) -> None:
    """Write files by their paths below a folder, all of them or none.

    Raises
    ------
    StoreError
        If anything of the same name is there, which stays as it is, or if they cannot be written.
    """
    tops = tuple(dict.fromkeys(PurePosixPath(path).parts[0] for path in files))
    if there := taken(folder, tops):
        raise StoreError(refusal(there))
    partial = store.hidden(folder)
    try:
        _begin(partial)
        for path, content in files.items():
            (partial / path).parent.mkdir(parents=True, exist_ok=True)
            (partial / path).write_bytes(content)
        for name in tops:
            (partial / name).rename(folder / name)
    except OSError as problem:
        raise StoreError(f"{folder} could not be written: {problem.strerror}") from problem
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _begin(partial: Path) -> None:
    try:
        partial.parent.mkdir(parents=True, exist_ok=True)
        partial.mkdir(mode=0o700)
    except OSError as problem:
        raise StoreError(f"nothing can be written to {partial.parent}: {problem.strerror}") from problem
