"""The rows of a table: each becomes an observation, read like one that the dossier lists."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from gaugeglass.errors import Fault
from gaugeglass.language.conditions import passes, read_conditions
from gaugeglass.language.located import Located, show
from gaugeglass.language.observations import OBSERVATION, read_observation
from gaugeglass.language.places import Background
from gaugeglass.language.reading import Keys, Notes, Section
from gaugeglass.language.sheets import Row, Sheet, first_of
from gaugeglass.language.spec import Method, Observation
from gaugeglass.language.units import ONE, Unit, convert_difference, parse_unit
from gaugeglass.language.values import parse_number

_ROW = Keys(("method", "value"), every=OBSERVATION.every - {"id"})
_ONCE = ("method", "k", "private", "source", "withdrawn")
TEXTS = ("origin", "date", "grade", "basis", "note")
"""What is one text for the whole table, or one a row in a column."""

_MAY_BE_EMPTY = ("date", "note")
_MOST_WARNINGS = 3

type Cell = Callable[[Row, Notes], Located | None]
"""How a row says one thing: a node, or None once a fault is noted."""


def read_rows(
    section: Section, table: str, sheet: Sheet, method: Method, background: Background
) -> tuple[Observation, ...]:
    """Every row that passes ``where``; what is wrong with one is noted under the name and the line of the file.

    What the description says once and no row can have is noted once, of the description.
    """
    known = len(section.notes.faults)
    conditions, template = read_conditions(section, sheet), _template(section, sheet, method)
    if len(section.notes.faults) > known:
        return ()
    rows: list[Observation] = []
    tally = _Tally(section, sheet.file)
    for row in sheet.rows:
        is_chosen = passes(row, conditions, sheet.file)
        of_row = Notes(sheet.file)
        if isinstance(is_chosen, Fault):
            of_row.faults.append(is_chosen)
        elif is_chosen and (node := template.node(row, of_row)):
            entry, name = Section(node, _ROW, of_row), f"{table}:{row.line}"
            rows.append(read_observation(entry, method, name, background, table=table, line=row.line))
        if not tally.goes_on(of_row, row):
            break
    tally.close()
    if not rows and not tally.faults:
        why = "no row passes 'where'" if sheet.rows else "no row below the names of its columns"
        section.notes.warn(section.at("file"), f"{show(section.at('file').text)}: {why}", "rows that say something")
    return tuple(rows)


@dataclass(slots=True)
class _Tally:
    """What is wrong or odd with rows, so far."""

    section: Section
    file: str
    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)
    is_first: bool = True

    def goes_on(self, of_row: Notes, row: Row) -> bool:
        """Whether the description is sound, as far as the notes of a row tell."""
        own = [fault for fault in of_row.faults if self._is_of_description(fault)]
        self.section.notes.faults += [self._moved(fault, row) for fault in own]
        self.faults += [fault for fault in of_row.faults if not self._is_of_description(fault)]
        self.warnings += [self._moved(odd, row) if self._is_of_description(odd) else odd for odd in of_row.warnings]
        self.is_first = False
        return not own

    def close(self) -> None:
        """Hand on what was found."""
        self.section.notes.faults += first_of(self.faults)
        self.section.notes.warnings += first_of(self.warnings, _MOST_WARNINGS)

    def _is_of_description(self, fault: Fault) -> bool:
        return fault.field.startswith(self.section.node.path + ".")

    def _moved(self, fault: Fault, row: Row) -> Fault:
        """A fault of the description, which a row brought out; one that no other had before is due to that row too."""
        where = "" if self.is_first else f", in line {row.line} of {self.file}"
        return replace(fault, file=self.section.notes.file, found=fault.found + where)


# --- what a row says ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Template:
    """How each row becomes the entries of an observation: what the table says once, and what columns say."""

    section: Section
    once: Mapping[str, Located]
    cells: Mapping[str, Cell]
    groups: Mapping[str, Mapping[str, Cell]]

    def node(self, row: Row, notes: Notes) -> Located | None:
        """The tree of an observation; None once the faults of its cells are noted."""
        entries = dict(self.once)
        entries.update(self._nodes(self.cells, row, notes))
        for key, cells in self.groups.items():
            at = self.section.at(key)
            entries[key] = Located(self._nodes(cells, row, notes), at.path, at.line)
        return None if notes.faults else Located(entries, self.section.node.path, self.section.node.line)

    @staticmethod
    def _nodes(cells: Mapping[str, Cell], row: Row, notes: Notes) -> dict[str, Located]:
        read = {key: cell(row, notes) for key, cell in cells.items()}
        return {key: node for key, node in read.items() if node is not None and node.content != ""}


def _template(section: Section, sheet: Sheet, method: Method) -> _Template:
    notes = section.notes
    once = {key: section.at(key) for key in _ONCE if key in section}
    cells = {"value": _value(section, sheet, method.unit)}
    for key in [key for key in (*TEXTS, "u", "tolerance", "rounded") if key in section]:
        node = section.at(key)
        if node.is_scalar:
            once[key] = node
        elif key in TEXTS:
            cells[key] = _words(node, sheet, notes, may_be_empty=key in _MAY_BE_EMPTY)
        elif key != "u" or not _stands_behind(section):
            unit = _unit(node if "unit" in node.entries else section.at("value"), method.unit)
            cells[key] = _number(node, unit, sheet, notes)
    groups: dict[str, dict[str, Cell]] = {}
    units = {i.name: i.unit for i in method.inputs}

    def in_column(key: str, name: str, node: Located) -> Cell:
        return _input(node, sheet, notes, units[name]) if key == "inputs" else _words(node, sheet, notes)

    for key in [key for key in ("inputs", "at", "applies") if key in section]:
        entries = section.mapping(key)
        groups[key] = {n: _once(node) if node.is_scalar else in_column(key, n, node) for n, node in entries.items()}
    return _Template(section, once, cells, groups)


def _stands_behind(section: Section) -> bool:
    """Whether u is in a column without a unit, and so in the unit of the value, as behind ±."""
    node = section.at("u")
    return not node.is_scalar and "unit" not in node.entries


def _unit(node: Located, of: Unit = ONE) -> str:
    """What stands behind the numbers of a column that are of a unit; empty where nothing has to."""
    stated = node.entries["unit"].text.strip() if "unit" in node.entries else "1"
    return stated if stated != "1" or of.is_never_bare else ""


def measured(number: str, unit: str) -> str:
    """A number with its unit, as a value is written."""
    return f"{number} {unit}" if unit else number


def _once(node: Located) -> Cell:
    return lambda row, notes: node


def _number(node: Located, unit: str, sheet: Sheet, notes: Notes) -> Cell:
    """The number in a column, with its unit."""
    bare = _bare(node, sheet, notes)

    def cell(row: Row, notes: Notes) -> Located | None:
        number = bare(row, notes)
        return None if number is None else _with(number, measured(number.text, unit))

    return cell if unit else bare


def _bare(node: Located, sheet: Sheet, notes: Notes) -> Cell:
    column = node.entries["column"]
    at, name = sheet.place(column, notes) or 0, column.text.strip()

    def cell(row: Row, notes: Notes) -> Located | None:
        problem = sheet.no_number(row, at, name)
        if problem is not None:
            notes.faults.append(problem)
            return None
        return Located(row.cells[at], name, row.line, row.cells[at])

    return cell


def _with(node: Located, written: str) -> Located:
    return Located(written, node.path, node.line, written)


def _value(section: Section, sheet: Sheet, of: Unit) -> Cell:
    node, unit = section.at("value"), _unit(section.at("value"), of)
    if not _stands_behind(section):
        return _number(node, unit, sheet, section.notes)
    value, u = (_bare(n, sheet, section.notes) for n in (node, section.at("u")))

    def cell(row: Row, notes: Notes) -> Located | None:
        both = value(row, notes), u(row, notes)
        if both[0] is None or both[1] is None:
            return None
        return _with(both[0], measured(f"{both[0].text} ± {both[1].text}", unit))

    return cell


def _input(node: Located, sheet: Sheet, notes: Notes, of: Unit) -> Cell:
    """An input in a column; one with a ``u`` is written with ±."""
    unit = _unit(node, of)
    if "u" not in node.entries:
        return _number(node, unit, sheet, notes)
    value, (amount, own) = _bare(node, sheet, notes), parse_number(node.entries["u"].text)
    u = repr(convert_difference(amount, own, parse_unit(unit or "1")))

    def cell(row: Row, notes: Notes) -> Located | None:
        number = value(row, notes)
        return None if number is None else _with(number, measured(f"{number.text} ± {u}", unit))

    return cell


def _words(node: Located, sheet: Sheet, notes: Notes, *, may_be_empty: bool = False) -> Cell:
    column = node.entries["column"]
    at, name = sheet.place(column, notes) or 0, column.text.strip()

    def cell(row: Row, notes: Notes) -> Located | None:
        written = row.cells[at]
        if not written and not may_be_empty:
            hint = f"where: {{{name}: present}} leaves such rows out"
            notes.fault(Located(None, name, row.line), "an empty cell", "text", hint)
            return None
        return Located(written, name, row.line, written)

    return cell
