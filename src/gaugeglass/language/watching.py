"""Files that are being edited: which were saved, told once their editor is done with them."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from gaugeglass.language.files import Checked
from gaugeglass.language.workspace import workspace_of

EVERY = 0.03
"""Time between two looks at the files. [s]"""
PATIENCE = 1.0
"""How long a file may be away, empty or in the middle of being written before that is taken for a save. [s]"""

_COARSE = 0.02
"""How far the time of a file may lag behind the clock. [s]"""

type Mark = tuple[int, int, int] | None
"""What tells at a glance that a file is another one: its size, its time and its number; None while it is away."""


@dataclass(frozen=True, slots=True)
class Save:
    """That files, or the folders they stand in, are no longer as they were, and when by the clock. [s]"""

    files: tuple[str, ...]
    at: float


@dataclass(slots=True)
class _Seen:
    """A file as it was last told of, and as it was at the last look."""

    told: Mark
    content: bytes
    last: Mark
    still_at: float  # when it was last seen as it was told
    moved_at: float = 0.0  # when it was first seen otherwise

    @property
    def is_moving(self) -> bool:
        return self.last != self.told


def saves(
    files: Callable[[], Iterable[str]],
    *,
    every: float = EVERY,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[Save]:
    """Tell of each save of the files from this call on; which they are is asked at every look.

    A save is told of when a file has held still between two looks. One that is away or empty for a moment is being
    written, one that was only touched holds what it held, and files that are saved together are told of together.

    Parameters
    ----------
    every : float
        Time between two looks. [s]
    clock, sleep
        The time of day, and how to wait. [s]
    """
    begun = clock()
    seen = {file: _first(file, begun) for file in files()}
    return _saves(files, seen, begun, (every, clock, sleep))


def _saves(
    files: Callable[[], Iterable[str]],
    seen: dict[str, _Seen],
    begun: float,
    how: tuple[float, Callable[[], float], Callable[[float], None]],
) -> Iterator[Save]:
    every, clock, sleep = how
    asked_at = begun
    while True:
        seen = {file: seen.get(file) or _first(file, clock(), asked_at) for file in files()}
        asked_at = clock()
        yield from _told(seen, asked_at)
        sleep(every)


def sources(checked: Checked, dossier: str) -> tuple[str, ...]:
    """Every file that the reading of a dossier rests on; where it is at fault, the folders of such files too.

    The model's place in the workspace is among them, where one would come before a model of the same name that ships.
    """
    spec = checked.spec
    if spec is None:
        faulty = (fault.file for fault in checked.faults)
        folders = (str(Path(dossier).parent), str(workspace_of(dossier) / "models"))
        return tuple(dict.fromkeys((dossier, *faulty, *folders)))
    own = str(workspace_of(dossier) / "models" / f"{spec.model.name}.yaml")
    return tuple(dict.fromkeys((dossier, *spec.texts, *([] if _is_among(own, spec.texts) else [own]))))


def _is_among(file: str, others: Iterable[str]) -> bool:
    return Path(file).resolve() in {Path(other).resolve() for other in others}


def _told(seen: dict[str, _Seen], now: float) -> Iterator[Save]:
    """What there is to tell after one more look at every file."""
    still = {file for file, known in seen.items() if _holds_still(known, _mark(file), now)}
    moving = [known for known in seen.values() if known.is_moving]
    if not moving or (len(still) < len(moving) and now - min(known.moved_at for known in moving) < PATIENCE):
        return
    saved = {file: at for file in sorted(still) if (at := _settle(file, seen[file], now)) is not None}
    if saved:
        yield Save(tuple(saved), max(saved.values()))


def _holds_still(known: _Seen, mark: Mark, now: float) -> bool:
    """Whether a file is another than was told of, and was the same at the last two looks."""
    if mark == known.told:
        known.last, known.still_at = mark, now
        return False
    if not known.is_moving:
        known.moved_at = now
    before, known.last = known.last, mark
    is_whole = mark is not None and mark[0] > 0
    return mark == before and (is_whole or now - known.moved_at >= PATIENCE)


def _settle(file: str, known: _Seen, now: float) -> float | None:
    """When a file was saved that holds still; None if it holds what it held. [s]"""
    content, mark = _content(file), known.last
    is_same = content == known.content
    saved_at = min(max(mark[1] / 1e9 if mark else 0.0, known.still_at), now)
    known.told, known.content, known.still_at = mark, content, now
    return None if is_same else saved_at


def _first(file: str, now: float, since: float | None = None) -> _Seen:
    """A file that is newly looked at; one that was written ``since`` then counts as saved."""
    mark = _mark(file)
    if since is not None and mark is not None and mark[1] / 1e9 >= since - _COARSE:
        return _Seen(None, b"", mark, since, now)
    return _Seen(mark, _content(file), mark, now)


def _mark(file: str) -> Mark:
    try:
        found = Path(file).stat()
    except (OSError, ValueError):
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def _content(file: str) -> bytes:
    """A digest of what a file holds, or of the names in a folder; empty where it cannot be read."""
    try:
        if Path(file).is_dir():
            return hashlib.blake2b("\0".join(sorted(p.name for p in Path(file).iterdir())).encode()).digest()
        with Path(file).open("rb") as stream:
            return hashlib.file_digest(stream, "blake2b").digest()
    except (OSError, ValueError):
        return b""
