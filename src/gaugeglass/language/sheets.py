"""Sheets: the only module that knows CSV. A file beside a model or a dossier becomes rows of cells."""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gaugeglass.errors import Fault
from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes, listing, nearest

LARGEST = 20_000_000
"""The largest table that is read, unpacked. [byte]"""

MOST_FAULTS = 20
"""How many faults of one table are shown; the rest are counted."""

_LONGEST_PATH = 255
_PACKED = b"\x1f\x8b"  # RFC 1952, 2.3.1: what every file of gzip begins with
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_HIDING = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
_IMPOSSIBLE = re.compile("[\0\ud800-\udfff]")
_NAME = "the name of a CSV file in the folder of this file"
NUMBER_ALLOWED = "a number as 12.5, with a point for decimals, nothing for thousands and no unit"


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one line of a sheet; ``line`` is 1-based, and the header is line 1."""

    line: int
    cells: Sequence[str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A CSV file: its path as a user would type it, where each column stands, and the rows under them."""

    file: str
    columns: Mapping[str, int]
    rows: tuple[Row, ...]

    def place(self, node: Located, notes: Notes) -> int | None:
        """Where the column stands that a node names; None once a fault is noted."""
        name = node.text.strip()
        if name in self.columns:
            return self.columns[name]
        notes.fault(node, f"{show(name)}, which {self.file} lacks", listing(self.columns), nearest(name, self.columns))
        return None

    def numbers(self, node: Located, notes: Notes) -> list[float] | None:
        """The numbers of the column that a node names; None once a fault is noted, of the node or of some cell."""
        at = self.place(node, notes)
        if at is None:
            return None
        name = node.text.strip()
        wrong = [problem for row in self.rows if (problem := self.no_number(row, at, name))]
        notes.faults += first_of(wrong)
        return None if wrong else [float(row.cells[at]) for row in self.rows]

    def no_number(self, row: Row, at: int, column: str) -> Fault | None:
        """The fault of a cell that is no number, if it is none."""
        cell = row.cells[at]
        if _NUMBER.fullmatch(cell):
            return None
        found = show(cell) if cell else "an empty cell"
        return Fault(self.file, row.line, column, found, NUMBER_ALLOWED, _hint(cell, column))


def first_of(faults: Sequence[Fault], most: int = MOST_FAULTS) -> list[Fault]:
    """The first faults of a sheet, and behind them one that counts the rest."""
    rest = faults[most:]
    if not rest:
        return list(faults)
    count = Fault(rest[0].file, rest[0].line, "", f"{len(rest)} more from this line on", "none")
    return [*faults[:most], count]


def as_number(cell: str) -> float | None:
    """The number that a cell is, if it is one."""
    return float(cell) if _NUMBER.fullmatch(cell) else None


def _hint(cell: str, column: str) -> str | None:
    if not cell:
        return f"where: {{{column}: present}} leaves such rows out"
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        return f"did you mean {cell.replace(',', '.')}, or {cell.replace(',', '')}?"
    bare = cell.replace(",", "").replace(" ", "").replace("'", "")
    if _NUMBER.fullmatch(bare):
        return f"did you mean {bare}?"
    return (
        "the unit stands in the dossier, beside the column's name" if re.match(r"[+-]?[\d.]+ *[^\W\d]", cell) else None
    )


def read_sheet(node: Located, notes: Notes) -> Sheet | None:
    """The sheet that a node names, beside the file that the notes are about; None once a fault is noted.

    Its text goes to the texts of the notes, unpacked if it was packed.
    """
    path = find_sheet(node, notes)
    if path is None:
        return None
    of_sheet = Notes(str(path))
    text = _text(path, of_sheet)
    sheet = _sheet(str(path), text, of_sheet) if text is not None else None
    notes.faults += of_sheet.faults
    if text is not None:
        notes.texts[str(path)] = text
    return sheet


def find_sheet(node: Located, notes: Notes) -> Path | None:
    """The path of the sheet that a node names; None once it is noted that it leads elsewhere or to no file."""
    written = node.text.strip()
    if notes.folder is None:
        found = f"{show(written)}, a file beside a model or a dossier that is made in Python"
        notes.fault(node, found, "a table of a file", "list the rows themselves, as observations or as numbers")
        return None
    if not node.is_scalar or not written or len(written) > _LONGEST_PATH or _IMPOSSIBLE.search(written):
        notes.fault(node, show(written) if node.is_scalar else node.kind, _NAME)
        return None
    path = notes.folder / written
    if leads_away(written, notes.folder):
        notes.fault(node, f"{show(written)}, which leads out of the folder", _NAME)
        return None
    if not path.is_file():
        notes.fault(node, f"{show(written)}, which is not there", _NAME)
        return None
    return path


def leads_away(written: str, folder: Path) -> bool:
    """Whether a path leads out of a folder, by itself or by a link."""
    is_plain = not Path(written).is_absolute() and ".." not in Path(written).parts
    return not is_plain or not (folder / written).resolve().is_relative_to(folder.resolve())


# --- from bytes to cells ------------------------------------------------------------------------------------


def _text(path: Path, notes: Notes) -> str | None:
    whole = Located(None)
    try:
        data = _unpacked(path)
        text = data.decode("utf-8-sig") if len(data) <= LARGEST else ""
    except (OSError, EOFError, zlib.error) as problem:
        notes.fault(whole, f"a file that cannot be read ({problem})", "a CSV file, or one packed by gzip")
        return None
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        found = f"byte 0x{data[problem.start]:02x}, which is not UTF-8"
        notes.fault(Located(None, "", line), found, "a file in UTF-8", "save it as UTF-8")
        return None
    if len(data) > LARGEST:
        notes.fault(whole, f"more than {LARGEST / 1e6:g} MB", f"at most {LARGEST / 1e6:g} MB")
        return None
    if hidden := _HIDING.search(text):
        line = text.count("\n", 0, hidden.start()) + 1
        found = f"a character that hides what stands there, U+{ord(hidden[0]):04X}"
        notes.fault(Located(None, "", line), found, "text that shows what it says")
        return None
    return text


def _unpacked(path: Path) -> bytes:
    """The bytes of a file, one more than are allowed at most."""
    with path.open("rb") as stream:
        if stream.read(len(_PACKED)) != _PACKED:
            stream.seek(0)
            return stream.read(LARGEST + 1)
        stream.seek(0)
        with gzip.GzipFile(fileobj=stream) as packed:
            return packed.read(LARGEST + 1)


def _sheet(file: str, text: str, notes: Notes) -> Sheet | None:
    rows, begun = [], 1
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            if any(cells):
                rows.append(Row(begun, [cell.strip() for cell in cells]))
            begun = reader.line_num + 1
    except csv.Error as problem:
        notes.fault(Located(None, "", begun), f"a line that is not CSV ({problem})", "cells with commas between them")
        return None
    if not rows:
        notes.fault(Located(None), "an empty file", "a line of column names, and rows below it")
        return None
    columns = _columns(rows[0], notes)
    for row in rows[1:]:
        if len(row.cells) != len(rows[0].cells):
            found = f"{len(row.cells)} cell{'' if len(row.cells) == 1 else 's'}"
            notes.fault(Located(None, "", row.line), found, f"{len(rows[0].cells)}, as the first line has names")
    notes.faults[:] = first_of(notes.faults)
    return None if notes.faults else Sheet(file, columns, tuple(rows[1:]))


def _columns(header: Row, notes: Notes) -> dict[str, int]:
    at = Located(None, "", header.line)
    twice = {name for name in header.cells if header.cells.count(name) > 1}
    if twice:
        notes.fault(at, f"{listing(map(show, twice))} more than once", "names of columns that differ")
    if len(header.cells) == 1 and re.search(r"[;\t]", header.cells[0]):
        notes.fault(at, show(header.cells[0]), "columns with commas between them", "save it with commas")
    return {name: place for place, name in enumerate(header.cells)}
