"""Folders of the store, each written whole or not at all, and their files read again."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from gaugeglass.errors import StoreError

HIDDEN = ".partial-"
"""What the name of a folder begins with while it is written."""
_ABANDONED = 24 * 3600.0
"""Age from which what is half written is swept: whoever wrote it is dead, for a run is written in seconds. [s]"""
_MOST_TWINS = 1000


def hidden(folder: Path) -> Path:
    """A place below a folder to write to at first; named before it is there, so that no interrupt leaves it behind."""
    return folder / f"{HIDDEN}{secrets.token_hex(8)}"


def place(
    files: Mapping[str, bytes], name: str, folder: Path, *, what: str,
    last: Callable[[str], Mapping[str, bytes]] = lambda name: {},
) -> Path:  # fmt: skip
    """Write files into a hidden folder beside others, and rename it once everything is on the disk.

    Parameters
    ----------
    files
        Contents by their paths in the folder.
    name
        The folder's name; where another has it, a number is added.
    folder
        Where it stands; made where it is not there.
    what
        What is written, as errors call it.
    last
        Files that are written last, made of the name that the folder gets.

    Returns
    -------
    Path
        The folder that was written.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    partial = hidden(folder)
    try:
        _begin(partial, what)
        for path, content in files.items():
            write(partial / path, content)
        return folder / _finish(partial, name, last, what).name
    except OSError as problem:
        raise StoreError(f"the {what} could not be written to {folder}: {problem.strerror}") from problem
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _begin(partial: Path, what: str) -> None:
    try:
        partial.parent.mkdir(parents=True, exist_ok=True)
        _sweep(partial.parent)
        partial.mkdir(mode=0o700)
    except OSError as problem:
        raise StoreError(f"no {what} can be written to {partial.parent}: {problem.strerror}") from problem


def _sweep(folder: Path) -> None:
    """Remove what processes left half written that were killed a day ago or longer."""
    for partial in folder.glob(f"{HIDDEN}*"):
        with contextlib.suppress(OSError):  # another process may have swept it first
            if time.time() - partial.stat().st_mtime > _ABANDONED:
                shutil.rmtree(partial, ignore_errors=True)


def _finish(partial: Path, name: str, last: Callable[[str], Mapping[str, bytes]], what: str) -> Path:
    for target in _names(partial.parent, name):
        for path, content in last(target.name).items():
            write(partial / path, content)
        for folder in {partial, *(p.parent for p in partial.rglob("*"))}:
            _sync(folder)
        partial.chmod(0o777 & ~_umask())
        if _renamed(partial, target):
            _sync(target.parent)
            return target
    raise StoreError(f"{partial.parent} holds too many {what}s named {name}")


def _names(folder: Path, name: str) -> Iterator[Path]:
    yield folder / name
    for twin in range(2, _MOST_TWINS):
        yield folder / f"{name}-{twin}"


def _renamed(partial: Path, target: Path) -> bool:
    """Whether the folder has its name now; another process may have taken that name first."""
    try:
        partial.rename(target)
    except OSError:
        if target.exists():
            return False
        raise
    return True


def write(path: Path, content: bytes) -> None:
    """Write a file, which is on the disk when this returns."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _sync(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def read(path: Path) -> bytes:
    """The bytes of a file.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as problem:
        raise StoreError(f"{path} cannot be read: {problem.strerror}") from problem


def parse(content: bytes, path: Path) -> dict[str, Any]:
    """The JSON mapping that a file holds.

    Raises
    ------
    StoreError
        If it holds none.
    """
    try:
        found = json.loads(content)
    except (ValueError, RecursionError) as problem:
        raise StoreError(f"{path} is damaged: {problem}") from problem
    if not isinstance(found, dict):
        raise StoreError(f"{path} is damaged: it holds no mapping")
    return found


def sha256(content: bytes) -> str:
    """The SHA-256 of bytes, in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()
