"""The plain tree of an input file, in which every node knows its line and its path."""

from __future__ import annotations

import datetime
import numbers
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

type Scalar = str | int | float | bool | None
type Content = Scalar | Mapping[str, Located] | tuple[Located, ...]

DEEPEST = 12
MOST_NODES = 20_000
_LONGEST_SHOWN = 100


@dataclass(frozen=True, slots=True)
class Located:
    """A mapping, a list or a scalar.

    ``path`` is how a message names it (``latents.buffer.prior``, ``observations[2].value``); ``line`` is 1-based, None
    where the tree was made in Python; ``text`` is a scalar as it was written. ``is_bare`` marks what is behind a key
    between braces that has nothing behind it, as the rest of a text has that a comma cut in two.
    """

    content: Content
    path: str = ""
    line: int | None = None
    text: str = ""
    is_bare: bool = False

    @property
    def entries(self) -> Mapping[str, Located]:
        """The entries of a mapping; none for anything else."""
        return self.content if isinstance(self.content, Mapping) else {}

    @property
    def items(self) -> tuple[Located, ...]:
        """The items of a list; none for anything else."""
        return self.content if isinstance(self.content, tuple) else ()

    @property
    def is_scalar(self) -> bool:
        """Whether it is neither a mapping nor a list."""
        return not isinstance(self.content, Mapping | tuple)

    @property
    def is_blank(self) -> bool:
        """Whether nothing is written there at all, not even ``null``."""
        return self.content is None and not self.text

    @property
    def kind(self) -> str:
        """What it is, in the words of a message."""
        if isinstance(self.content, Mapping):
            return "a mapping"
        if isinstance(self.content, tuple):
            return "a list"
        return "nothing" if self.content is None else show(self.text)

    def find(self, *keys: str) -> Located | None:
        """The node under a row of keys, or None."""
        node: Located | None = self
        for key in keys:
            node = node.entries.get(key) if node else None
        return node

    def walk(self) -> Iterator[Located]:
        """Every node from this one down, in the order of the file."""
        yield self
        for child in (*self.entries.values(), *self.items):
            yield from child.walk()

    def plain(self) -> Any:
        """The same as plain Python: dicts, lists and scalars."""
        if isinstance(self.content, Mapping):
            return {key: child.plain() for key, child in self.content.items()}
        return [child.plain() for child in self.content] if isinstance(self.content, tuple) else self.content


def show(text: str) -> str:
    """A text in quotes for a message: one line, escaped, not too long."""
    return repr(text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…")


def join(path: str, key: str) -> str:
    """The path of an entry of a mapping, fit to be printed."""
    key = "".join(c if c.isprintable() else "?" for c in key[:60])
    return f"{path}.{key}" if path else key


class TreeError(ValueError):
    """A Python object is no tree of mappings, lists and scalars; ``path``, ``found`` and ``allowed`` say where."""

    def __init__(self, path: str, found: str, allowed: str) -> None:
        super().__init__(f"{path}: {found}")
        self.path, self.found, self.allowed = path, found, allowed


def locate(value: Any, path: str = "", *, depth: int = 0) -> Located:
    """The tree of plain Python mappings, lists and scalars.

    Raises
    ------
    TreeError
        If it is nested too deeply or holds anything else.
    """
    if depth > DEEPEST:
        raise TreeError(path, f"more than {DEEPEST} levels", f"at most {DEEPEST}")
    if isinstance(value, Mapping):
        return Located({str(k): locate(v, join(path, str(k)), depth=depth + 1) for k, v in value.items()}, path)
    if isinstance(value, list | tuple):
        return Located(tuple(locate(v, f"{path}[{i}]", depth=depth + 1) for i, v in enumerate(value)), path)
    return _scalar(value, path)


def _scalar(value: Any, path: str) -> Located:
    if value is None or isinstance(value, str | bool):
        return Located(value, path, text="" if value is None else str(value))
    if isinstance(value, numbers.Integral):
        return Located(int(value), path, text=str(int(value)))
    if isinstance(value, numbers.Real):
        return Located(float(value), path, text=repr(float(value)))
    if isinstance(value, datetime.date):
        return Located(value.isoformat(), path, text=value.isoformat())
    raise TreeError(
        path, f"an object of type {type(value).__name__}", "a mapping, a list, text, a number or a truth value"
    )
