"""Which rows of a table count: what ``where`` asks of the cells of a column.

``V1``, a text or a number; ``[V1, V2]``, one of them; ``> 5``, ``>= 5``, ``< 5``, ``<= 5``, ``!= 5``; ``5 .. 80``, ends
included; ``present``, anything but an empty cell. Numbers are compared as numbers, in the unit that the column has.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from dataclasses import dataclass

from gaugeglass.errors import Fault
from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes, Section, text
from gaugeglass.language.sheets import NUMBER_ALLOWED, Row, Sheet, as_number

_ALLOWED = "V1, [V1, V2], > 5, >= 5, < 5, <= 5, != 5, 5 .. 80 or present"
_COMPARED: dict[str, Callable[[float, float], bool]] = {
    ">=": operator.ge, "<=": operator.le, "≥": operator.ge, "≤": operator.le, ">": operator.gt, "<": operator.lt,
}  # fmt: skip
_COMPARISON = re.compile(r"(>=|<=|≥|≤|>|<)\s*(.*)")
_OTHER = re.compile(r"(?:!=|≠)\s*(.+)")
_RANGE = re.compile(r"(\S+)\s*\.\.\s*(\S+)")

type Test = Callable[[str], bool]


class _NoNumberError(ValueError):
    """A cell is compared with a number and is none."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What the cells of a column have to be."""

    column: str
    at: int
    test: Test


def read_conditions(section: Section, sheet: Sheet) -> tuple[Condition, ...]:
    """The conditions of a table; what is wrong with them is noted."""
    found = []
    for column, node in section.mapping("where").items():
        at = sheet.place(Located(column, node.path, node.line, column), section.notes)
        test = _test(node, section.notes)
        if at is not None and test is not None:
            found.append(Condition(column, at, test))
    return tuple(found)


def passes(row: Row, conditions: tuple[Condition, ...], file: str) -> bool | Fault:
    """Whether a row meets every condition, or what is wrong with one of its cells."""
    for condition in conditions:
        cell = row.cells[condition.at]
        try:
            if not condition.test(cell):
                return False
        except _NoNumberError:
            return Fault(file, row.line, condition.column, f"{show(cell)}, which is compared", NUMBER_ALLOWED)
    return True


def _test(node: Located, notes: Notes) -> Test | None:
    if node.items:
        wanted = [_equal(text(item, notes)) for item in node.items]
        return lambda cell: any(test(cell) for test in wanted)
    written = node.text.strip()
    if not node.is_scalar or not written:
        notes.fault(node, node.kind if node.content != "" else "an empty text", _ALLOWED)
        return None
    if match := _COMPARISON.fullmatch(written):
        return _compared(match[1], match[2], node, notes)
    if match := _RANGE.fullmatch(written):
        return _between(match[1], match[2], node, notes)
    return _is(written)


def _is(written: str) -> Test:
    if written == "present":
        return bool
    if other := _OTHER.fullmatch(written):
        equal = _equal(other[1])
        return lambda cell: not equal(cell)
    return _equal(written)


def _equal(wanted: str) -> Test:
    number = as_number(wanted)
    if number is None:
        return lambda cell: cell == wanted
    return lambda cell: cell == wanted or as_number(cell) == number


def _compared(sign: str, than: str, node: Located, notes: Notes) -> Test | None:
    limit, compare = as_number(than), _COMPARED[sign]
    if limit is None:
        notes.fault(node, show(node.text), "a comparison with a number in the unit of the column, such as > 5")
        return None
    return lambda cell: cell != "" and compare(_number(cell), limit)


def _between(first: str, last: str, node: Located, notes: Notes) -> Test | None:
    low, high = as_number(first), as_number(last)
    if low is None or high is None or low > high:
        notes.fault(node, show(node.text), "a range of numbers in the unit of the column, such as 5 .. 80")
        return None
    return lambda cell: cell != "" and low <= _number(cell) <= high


def _number(cell: str) -> float:
    number = as_number(cell)
    if number is None:
        raise _NoNumberError
    return number
