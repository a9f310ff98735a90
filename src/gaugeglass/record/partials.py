"""Results that outlive an interruption: one file of JSON lines, the first of which says what they are of."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gaugeglass.errors import StoreError

FORMAT = "gaugeglass.partial/1"
FILE = "partial.jsonl"


@dataclass
class Partial:
    """Results in a file, by key; what is added is on disk when ``add`` returns."""

    path: Path
    known: dict[str, Any] = field(default_factory=dict)

    def add(self, key: str, result: Any) -> None:
        """Append one more result.

        Raises
        ------
        StoreError
            If it cannot be written.
        """
        self.known[key] = result
        line = json.dumps({"job": key, "result": result}, ensure_ascii=False, allow_nan=False)
        _append(self.path, line + "\n")


def open_partial(folder: Path, identity: str) -> Partial:
    """The results that a folder keeps of something, none at first.

    A last line that was cut off, or is no JSON, is dropped: that result was never whole.

    Parameters
    ----------
    identity
        A text that tells what they are results of; its digest stands in the file.

    Raises
    ------
    StoreError
        If what is there is of something else, is damaged or cannot be read, or the folder cannot be made.
    """
    digest = hashlib.sha256(identity.encode()).hexdigest()
    path = folder / FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        content = path.read_bytes() if path.exists() else b""
    except OSError as problem:
        raise StoreError(f"{path} cannot be read: {problem.strerror}") from problem
    whole = content[: content.rfind(b"\n") + 1]
    if not whole:
        if content and not content.startswith(b'{"format"'):
            raise StoreError(f"{path} is no file of partial results and stays as it is")
        _start(path, digest)
        return Partial(path)
    if len(parts := whole.splitlines(keepends=True)) > 1 and not _is_json(parts[-1]):
        whole = whole[: -len(parts[-1])]
    lines = _lines(path, whole)
    _check(path, lines[0], digest)
    if len(whole) < len(content):
        _cut(path, len(whole))
    try:
        return Partial(path, {line["job"]: line["result"] for line in lines[1:]})
    except KeyError as problem:
        raise StoreError(f"{path} is damaged: a line without {problem}") from problem


def count_kept(folder: Path) -> int:
    """How many whole results a folder keeps. [1]"""
    try:
        return max((folder / FILE).read_bytes().count(b"\n") - 1, 0)
    except OSError:
        return 0


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line)
    except ValueError:
        return False
    return True


def _lines(path: Path, whole: bytes) -> list[Mapping[str, Any]]:
    found: list[Mapping[str, Any]] = []
    for number, line in enumerate(whole.splitlines(), 1):
        try:
            entry = json.loads(line)
        except ValueError as problem:
            advice = "; without that line it goes on, and does that one again" if number > 1 else ""
            raise StoreError(f"{path}:{number} is damaged: {problem}{advice}") from problem
        if not isinstance(entry, dict):
            raise StoreError(f"{path}:{number} is damaged: no object")
        found.append(entry)
    return found


def _check(path: Path, head: Mapping[str, Any], digest: str) -> None:
    if head.get("format") != FORMAT:
        raise StoreError(f"{path} is no file of partial results and stays as it is")
    if head.get("digest") != digest:
        raise StoreError(
            f"{path} holds results of other files, another seed or another version, and stays as it is: "
            "choose another folder"
        )


def _start(path: Path, digest: str) -> None:
    try:
        path.write_text(json.dumps({"format": FORMAT, "digest": digest}) + "\n", encoding="utf-8")
    except OSError as problem:
        raise StoreError(f"{path} cannot be written: {problem.strerror}") from problem


def _append(path: Path, line: str) -> None:
    try:
        with path.open("a", encoding="utf-8") as stream:
            stream.write(line)
    except OSError as problem:
        raise StoreError(f"{path} cannot be written: {problem.strerror}") from problem


def _cut(path: Path, size: int) -> None:
    try:
        with path.open("r+b") as stream:
            stream.truncate(size)
    except OSError as problem:
        raise StoreError(f"{path} cannot be written: {problem.strerror}") from problem
