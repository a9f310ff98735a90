"""Tables of observations in CSV files beside a dossier, and how they are described."""

from __future__ import annotations

from dataclasses import replace

from gaugeglass.language.inputs import note_unknown_input, read_input
from gaugeglass.language.located import Located, show
from gaugeglass.language.places import Background, is_group
from gaugeglass.language.provenance import read_date, read_grade, read_id, read_source, read_withdrawn
from gaugeglass.language.reading import (
    Keys,
    Notes,
    Section,
    flag,
    keys,
    measured_in,
    positive,
    read_unit,
    stated_number,
    text,
)
from gaugeglass.language.rows import TEXTS, measured, read_rows
from gaugeglass.language.sheets import find_sheet, read_sheet
from gaugeglass.language.spec import Method, Table
from gaugeglass.language.units import ONE, Unit, reciprocal
from gaugeglass.language.values import ValueFault, parse_value

_TABLE = keys(
    "id file method value",
    "where u k tolerance rounded inputs at origin date source grade basis applies private note withdrawn",
)
_COLUMN = keys("column", "unit")
_INPUT_COLUMN = keys("column", "unit u")
_TEXT_COLUMN = keys("column")


def read_tables(top: Section, background: Background) -> tuple[Table, ...]:
    """Every table of a dossier with its rows; what is wrong with them is noted."""
    return tuple(_table(node, top.notes, background) for node in top.listed("tables"))


def _table(node: Located, notes: Notes, background: Background) -> Table:
    known = len(notes.faults)
    section = Section(node, _TABLE, notes)
    method = background.methods.named_by(section)
    name = read_id(section)
    _note_columns(section, method, background)
    _note_rest(section)
    file = section.text("file")
    is_sound = len(notes.faults) == known and method is not None
    description = {k: child.plain() for k, child in section.entries.items() if k not in ("id", "file", "method")}
    table = Table(name, file, section.at("method").text, description)
    if not is_sound:
        if file and notes.folder is not None:
            find_sheet(section.at("file"), notes)
        return table
    sheet = read_sheet(section.at("file"), notes) if file else None
    if sheet is None or method is None:
        return table
    return replace(table, rows=read_rows(section, table.id, sheet, method, background))


# --- the description ----------------------------------------------------------------------------------------


def _note_columns(section: Section, method: Method | None, background: Background) -> None:
    if "value" in section:
        is_count = method is not None and method.likelihood.is_count
        unit = (ONE if is_count else method.unit) if method else None
        _column(section.at("value"), unit, section, with_unit=not is_count)
    if method is not None:
        _note_inputs(section, method)
        _note_uncertainty(section, method)
        _note_origin(section, method)
    for group, node in section.mapping("at").items():
        if background.is_known:
            is_group(group, node, background.model, section.notes)
        _text_or_column(node, section.notes)
    for node in section.mapping("applies").values():
        _text_or_column(node, section.notes)


def _note_origin(section: Section, method: Method) -> None:
    """Note a table whose rows share an error by origin, or are graded, and that leaves open whether they have one."""
    shares = method.shared is not None and method.shared.by == "origin"
    if "origin" not in section and (shares or "grade" in section or method.basis):
        why = "as one origin shares one error" if shares else "as one origin is reliable or not, and means one basis"
        section.notes.missing(section.node, "origin", f"where its rows come from, a text or a column, {why}")


def _note_inputs(section: Section, method: Method) -> None:
    known = {i.name: i for i in method.inputs}
    stated = section.mapping("inputs")
    for name, node in stated.items():
        if name not in known:
            note_unknown_input(name, node, method, section.notes)
        elif not node.is_scalar:
            unit = known[name].unit
            has_unit = bool(unit.dimension.powers) or unit.is_never_bare
            _column(node, unit, section, with_unit=has_unit, known=_INPUT_COLUMN)
            if "u" in node.entries:
                positive(node.entries["u"], unit, section.notes, difference=True)
        else:
            read_input(node, known[name], section.notes)
    for name in known:
        if name not in stated:
            allowed = f"a column and its unit, as method '{method.name}' needs"
            section.notes.missing(section.at("inputs"), name, allowed)


def _note_uncertainty(section: Section, method: Method) -> None:
    stated = [key for key in ("u", "tolerance") if key in section]
    takes = method.likelihood.takes_stated_u and not method.likelihood.is_count
    if takes and not stated:
        section.notes.missing(
            section.node, "u", f"a standard uncertainty or its column, as method '{method.name}' needs"
        )
    for key in (*stated, *(["rounded"] if "rounded" in section else [])):
        node = section.at(key)
        if node.is_scalar:
            stated_number(node, section.notes)
        else:
            _column(node, None, section, with_unit=key == "tolerance")
    if stated and not takes:
        node = section.at(stated[0])
        section.notes.fault(node, node.kind, f"no uncertainty of its own: method '{method.name}' has it")


def _column(node: Located, unit: Unit | None, section: Section, *, with_unit: bool, known: Keys = _COLUMN) -> None:
    entry = Section(node, known, section.notes)
    if "column" in entry:
        entry.text("column")
    if "unit" not in entry:
        if with_unit and node.entries:
            section.notes.missing(node, "unit")
        return
    own = read_unit(entry.at("unit"), section.notes)
    if own is None:
        return
    if unit and own.dimension != unit.dimension and not (known is _COLUMN and reciprocal(own, unit)):
        section.notes.fault(entry.at("unit"), f"{show(own.text)} [{own.dimension}]", measured_in(unit))
        return
    try:
        parse_value(measured("1", own.text))
    except ValueFault as problem:
        section.notes.fault(entry.at("unit"), show(own.text), "a unit that can stand behind a number", problem.hint)


def _text_or_column(node: Located, notes: Notes) -> str:
    """The text of a key that is the same for every row; empty where a column has it."""
    if node.is_scalar:
        return text(node, notes)
    entry = Section(node, _TEXT_COLUMN, notes)
    if "column" in entry:
        entry.text("column")
    return ""


def _note_rest(section: Section) -> None:
    if "k" in section:
        positive(section.at("k"), ONE, section.notes)
    if "private" in section:
        flag(section.at("private"), section.notes)
    for key in [key for key in TEXTS if key in section]:
        if _text_or_column(section.at(key), section.notes) and key == "date":
            read_date(section.at(key), section.notes)
    if section.at("grade").is_scalar:
        read_grade(section)
    read_source(section)
    read_withdrawn(section)
