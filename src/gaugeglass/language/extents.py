"""Where the nodes of a YAML text stand, to the character: what insertion needs and reading does not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

_BREAKS = ("\n", "\r", "\x85")


@dataclass(frozen=True, slots=True)
class Extent:
    """Where a node stands in a text: from ``start`` up to ``end`` [character], beginning in ``column``.

    A block ends with its last word: neither comments nor blank lines behind it belong to it, unless it ``keeps`` them,
    as a block scalar at its end may. ``parts`` are the places of its items, or of its entries with their keys.
    """

    start: int
    end: int
    column: int
    is_flow: bool = False
    parts: tuple[tuple[int, int], ...] = ()
    entries: Mapping[str, Extent] = field(default_factory=dict)
    items: tuple[Extent, ...] = ()
    keeps: bool = False

    @property
    def is_empty(self) -> bool:
        """Whether nothing stands there: a key alone, without a value."""
        return self.start == self.end


class Measure:
    """Measures a text by the events of its parser, whose marks are moved on by what was cut off in front of it."""

    def __init__(self, events: Iterator[Any], text: str, moved: int) -> None:
        self.events, self.text, self.moved = events, text, moved

    def root(self) -> Extent:
        """The extent of the node that comes next."""
        return self._node(next(self.events), 0)

    def _node(self, event: Any, before: int) -> Extent:
        """The extent of the node that begins with an event; an empty one stands at ``before``."""
        match type(event).__name__:
            case "MappingStartEvent":
                return self._mapping(event)
            case "SequenceStartEvent":
                return self._sequence(event)
        start, (end, keeps) = event.start_mark.index, self._last(event)
        if start == end:
            return Extent(before, before, event.start_mark.column)
        return Extent(start + self.moved, end + self.moved, event.start_mark.column, keeps=keeps)

    def _last(self, event: Any) -> tuple[int, bool]:
        """Where a scalar ends, and whether it keeps the blank lines behind it, which then belong to it."""
        start, end = event.start_mark.index, int(event.end_mark.index)
        if event.style not in ("|", ">"):
            return end, False
        if "+" in self.text[start : start + 3]:
            return end - self.text[:end].endswith(_BREAKS), True
        return start + len(self.text[start:end].rstrip()), False

    def _mapping(self, begun: Any) -> Extent:
        entries, parts = {}, []
        while type(event := next(self.events)).__name__ != "MappingEndEvent":
            key = self._node(event, 0)
            value = self._node(next(self.events), key.end)
            entries[event.value] = value
            parts.append((key.start, value.end))
        return self._collection(begun, event, tuple(parts), entries, ())

    def _sequence(self, begun: Any) -> Extent:
        items: list[Extent] = []
        while type(event := next(self.events)).__name__ != "SequenceEndEvent":
            items.append(self._node(event, items[-1].end if items else begun.start_mark.index + self.moved))
        return self._collection(begun, event, tuple((i.start, i.end) for i in items), {}, tuple(items))

    def _collection(
        self, begun: Any, ended: Any, parts: tuple[tuple[int, int], ...], entries: dict[str, Extent],
        items: tuple[Extent, ...],
    ) -> Extent:  # fmt: skip
        start = begun.start_mark.index + self.moved
        end = ended.end_mark.index + self.moved if begun.flow_style else parts[-1][1]
        keeps = not begun.flow_style and (*entries.values(), *items)[-1].keeps
        return Extent(start, end, begun.start_mark.column, bool(begun.flow_style), parts, entries, items, keeps)
