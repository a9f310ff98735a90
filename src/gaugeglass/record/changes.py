"""What differs between two runs: their inputs to the field, what was held, and what of that no input explains."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from gaugeglass.errors import StoreError
from gaugeglass.judgement.moves import ERRORS, Moves, Standing, error_of, moves
from gaugeglass.judgement.paths import Attribution, Path
from gaugeglass.judgement.results import Probability
from gaugeglass.language.files import parse
from gaugeglass.language.located import Located
from gaugeglass.language.reading import Notes
from gaugeglass.record import sheets
from gaugeglass.record.histories import Otherwise, computed_otherwise, inputs_of, spec_of, standing_of
from gaugeglass.record.runs import Run

_INPUTS = "inputs/"
_LEAST = 1e-4
"""Difference of two probabilities below which nothing is said to be left: the last digit that is printed. [1]"""

type How = Literal["added", "removed", "changed"]


@dataclass(frozen=True, slots=True)
class Field:
    """One key of an input file that says otherwise: what stood there before and what stands there now, as written.

    ``key`` names an entry of a list by its id (``observations[bench-2].value``), a row of a table by its line, of the
    older file where it was removed. ``before`` is None where it was added, ``now`` where it was removed.
    """

    key: str
    before: str | None
    now: str | None


@dataclass(frozen=True, slots=True)
class File:
    """What became of one input file; with no ``fields``, a file that changed did so in comments or layout alone."""

    file: str
    how: How
    fields: tuple[Field, ...] = ()


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of a recorded change when the shares of all inputs are taken off it.

    ``shift`` [1] and its Monte Carlo error; ``seen`` where it is more than three of them: then a seed, a setting, a
    version or a processor moved the verdict, which none of them ought to.
    """

    claim: str
    kind: Literal["claim", "hypothesis"]
    shift: float
    mcse: float
    seen: bool


@dataclass(frozen=True, slots=True)
class Head:
    """A run as the one that is compared: where it is, when it was made, and by what."""

    run: str
    folder: str
    digest: str
    created: str
    seed: int


@dataclass(frozen=True)
class Comparison:
    """Everything that differs between two runs; ``path`` is None where one of them keeps no inputs, or none differ."""

    subject: str
    before: Head
    now: Head
    files: tuple[File, ...]
    otherwise: tuple[Otherwise, ...]
    moves: Moves
    path: Path | None
    rests: tuple[Rest, ...]
    message: str = ""


def compared(before: Run, after: Run, path: Path | None, message: str = "") -> Comparison:
    """What differs between two runs; ``path`` says what each input did, and ``message`` why that is not known."""
    held = [standing_of(run, spec_of(run)) for run in (before, after)]
    rests = () if path is None else tuple(_rests(path, *held))
    return Comparison(
        after.assessment.subject, _head(before), _head(after), differing(before, after),
        computed_otherwise(before, after), moves(*held), path, rests, message,
    )  # fmt: skip


def _head(run: Run) -> Head:
    return Head(run.name, str(run.folder), run.digest, str(run.about["created"]), int(run.about["seed"]))


def _rests(path: Path, before: Standing, after: Standing) -> Iterator[Rest]:
    for found in path.attributions:
        old, new = (_recorded(found, held) for held in (before, after))
        if old is None or new is None:
            continue
        left = (new.value - old.value) - found.whole.probability
        mcse = math.hypot(found.whole.mcse, error_of(old), error_of(new))
        yield Rest(found.name, found.kind, left, mcse, abs(left) > max(ERRORS * mcse, _LEAST))


def _recorded(found: Attribution, held: Standing) -> Probability | None:
    named = (c.probability for c in held.chances if (c.kind, c.name) == (found.kind, found.name))
    return next(named, None)


# --- inputs -------------------------------------------------------------------------------------------------


def differing(before: Run, after: Run) -> tuple[File, ...]:
    """Every input file that was added, removed or changed, by its place in ``inputs/``."""
    old, new = (inputs_of(run) for run in (before, after))
    unlike = [name for name in sorted({**old, **new}) if old.get(name) != new.get(name)]
    return tuple(_file(name, before, after, old, new) for name in unlike)


def _file(name: str, before: Run, after: Run, old: Mapping[str, str], new: Mapping[str, str]) -> File:
    if name not in old:
        return File(name, "added")
    if name not in new:
        return File(name, "removed")
    was, now = (_text(run, name) for run in (before, after))
    found = _fields if name.endswith((".yaml", ".yml")) else _rows
    return File(name, "changed", tuple(found(was, now)))


def _text(run: Run, name: str) -> str:
    path = run.folder / _INPUTS / name
    try:
        return sheets.unpacked(name, path.read_bytes())
    except (OSError, ValueError) as problem:
        raise StoreError(f"{path} cannot be read: {problem}") from problem


def _fields(before: str, now: str) -> Iterator[Field]:
    old, new = (parse(text, Notes("")) for text in (before, now))
    if old is None or new is None:
        yield Field("", None, None)
        return
    yield from _between(old, new, "")


def _between(old: Located | None, new: Located | None, key: str) -> Iterator[Field]:
    """The fields that differ below a key; an entry that only one side has is one field."""
    if old is None or new is None or old.is_scalar or new.is_scalar:
        was, now = (None if node is None else flowing(node) for node in (old, new))
        if was != now:
            yield Field(key, was, now)
        return
    before, after = _named(old, new, key), _named(new, old, key)
    for name in dict.fromkeys((*after, *before)):
        yield from _between(before.get(name), after.get(name), name)


def _named(node: Located, other: Located, key: str) -> dict[str, Located]:
    """What a node holds by the keys that it is told apart by: names, ids, what is said, or places in the list."""
    if node.entries or not node.items:
        return {f"{key}.{name}" if key else name: inner for name, inner in node.entries.items()}
    if all("id" in item.entries for item in (*node.items, *other.items)):
        return {f"{key}[{item.entries['id'].text}]": item for item in node.items}
    if len(node.items) != len(other.items):
        return {f"{key}[{flowing(item)}]": item for item in node.items}
    return {f"{key}[{k}]": item for k, item in enumerate(node.items)}


def flowing(node: Located) -> str:
    """A node in one line, as YAML could have it."""
    if node.is_scalar:
        return node.text
    if node.items:
        return f"[{', '.join(map(flowing, node.items))}]"
    return f"{{{', '.join(f'{name}: {flowing(inner)}' for name, inner in node.entries.items())}}}"


def _rows(before: str, now: str) -> Iterator[Field]:
    """Rows of a table that came, went or changed; a row that others took the place of is known by what it says."""
    old, new = before.splitlines(), now.splitlines()
    for what, i, j, k, m in _blocks(old, new):
        if what == "replace" and j - i == m - k:
            yield from (Field(f"line {k + n + 1}", old[i + n], new[k + n]) for n in range(m - k))
            continue
        yield from (Field(f"line {n + 1}", old[n], None) for n in range(i, j))
        yield from (Field(f"line {n + 1}", None, new[n]) for n in range(k, m))


def _blocks(old: Sequence[str], new: Sequence[str]) -> Iterator[tuple[str, int, int, int, int]]:
    """What differs between two lists of lines, between what they begin with and what they end with alike."""
    least = min(len(old), len(new))
    head = next((n for n in range(least) if old[n] != new[n]), least)
    tail = next((n for n in range(least - head) if old[-1 - n] != new[-1 - n]), least - head)
    inner = difflib.SequenceMatcher(None, old[head : len(old) - tail], new[head : len(new) - tail], autojunk=True)
    for what, i, j, k, m in inner.get_opcodes():
        if what != "equal":
            yield what, head + i, head + j, head + k, head + m
