"""Tables on record: packed as they were, and for the public written anew with the columns that stay."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from gaugeglass.language.spec import Table

KEPT = (
    "value", "u", "k", "tolerance", "rounded", "inputs", "at", "grade", "basis", "applies", "private",
)  # fmt: skip
"""Keys of a private table that stay, as far as inference needs them; origins are replaced."""
_WHOLE = (*KEPT, "origin", "date", "note", "source", "withdrawn")

_PACKED = ".gz"

type Column = tuple[str, str]
"""The new name of a column, and its name before."""


def packed(path: str, text: str) -> bytes:
    """The bytes of a text file, which the name says whether to pack; the same for the same text."""
    return gzip.compress(text.encode(), mtime=0) if path.endswith(_PACKED) else text.encode()


def unpacked(path: str, content: bytes) -> str:
    """The text of such bytes."""
    return (gzip.decompress(content) if path.endswith(_PACKED) else content).decode()


def described(table: Table, *, whole: bool) -> tuple[dict[str, Any], list[Column]]:
    """The description of a table whose columns bear new names, and those columns.

    Parameters
    ----------
    whole
        Whether all that the table says stays, rather than what inference needs. Which rows count is settled by then,
        so ``where`` goes.
    """
    columns: list[Column] = []
    kept = _WHOLE if whole else (*KEPT, "origin")
    found = {key: _entry(key, entry, columns) for key, entry in table.description.items() if key in kept}
    return found, columns


def _entry(key: str, entry: Any, columns: list[Column]) -> Any:
    if key in ("inputs", "at", "applies"):
        return {name: _renamed(f"{key} {name}", inner, columns) for name, inner in dict(entry).items()}
    return _renamed(key, entry, columns)


def _renamed(name: str, entry: Any, columns: list[Column]) -> Any:
    if not (isinstance(entry, Mapping) and "column" in entry):
        return entry
    columns.append((name, str(entry["column"]).strip()))
    return {**entry, "column": name}


def written_anew(
    table: Table, text: str, columns: Sequence[Column], *, replaced: Callable[[str], str], in_place: bool
) -> tuple[str, list[int]]:
    """The text of a CSV file with some columns of a table's own rows, and the line of each.

    Parameters
    ----------
    text
        The file as it was read.
    replaced
        What stands for an origin.
    in_place
        Whether rows keep their lines, as far as there is room, so that their ids stay; empty lines are no rows.
    """
    rows = _cells(text)
    header = rows[min(rows)]
    parts = [_line([name for name, _ in columns])]
    lines, free = [], 2
    for row in table.rows:
        if in_place and row.line is not None and free < row.line:
            parts.append("\n" * (row.line - free))
            free = row.line
        cells = dict(zip(header, rows[row.line or 0], strict=True))
        parts.append(_line([replaced(cells[old]) if name == "origin" else cells[old] for name, old in columns]))
        lines.append(free)
        free += parts[-1].count("\n")
    return "".join(parts), lines


def cells_of(text: str) -> Iterator[str]:
    """Every cell of a CSV file, without its quotes."""
    return (cell for cells in _cells(text).values() for cell in cells)


def _cells(text: str) -> dict[int, list[str]]:
    """The cells of each line that has any, by the number of the line, as a dossier's reader counts them."""
    found, begun = {}, 1
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    for cells in reader:
        if any(cells):
            found[begun] = [cell.strip() for cell in cells]
        begun = reader.line_num + 1
    return found


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()
