"""Tables of observations in CSV files beside a dossier: described and not yet read."""

from __future__ import annotations

from pathlib import Path

from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import Methods
from gaugeglass.language.observations import is_group
from gaugeglass.language.provenance import read_date, read_grade, read_id, read_labels, read_source
from gaugeglass.language.reading import (
    Section,
    flag,
    keys,
    measured_in,
    nearest,
    number,
    positive,
    read_unit,
    stated_number,
)
from gaugeglass.language.spec import Method, Model, Table
from gaugeglass.language.units import ONE, Unit, reciprocal

_TABLE = keys(
    "id file method value",
    "u k tolerance rounded inputs at origin date source grade applies private note",
)
_COLUMN = keys("column", "unit")
_LONGEST_PATH = 255


def read_tables(top: Section, model: Model, methods: Methods, folder: Path | None) -> tuple[Table, ...]:
    """Every table of a dossier; what is wrong with their description is noted."""
    found = []
    for node in top.items("tables"):
        section = Section(node, _TABLE, top.notes)
        method = methods.named_by(section)
        _note_columns(section, model, method)
        _note_rest(section)
        file = section.text("file")
        if file and folder is not None:
            note_path(section.at("file"), folder, section)
        description = {k: child.plain() for k, child in section.entries.items() if k not in ("id", "file", "method")}
        found.append(Table(read_id(section), file, section.at("method").text, description))
    return tuple(found)


def _note_columns(section: Section, model: Model, method: Method | None) -> None:
    if "value" in section:
        _column(section.at("value"), method.unit if method else None, section, with_unit=True)
    if method is not None:
        _note_inputs(section, method)
        _note_uncertainty(section, method)
    for group, node in section.mapping("at").items():
        is_group(group, node, model, section.notes)
        if not node.is_scalar:
            Section(node, _COLUMN, section.notes)


def _note_inputs(section: Section, method: Method) -> None:
    known = {i.name: i.unit for i in method.inputs}
    stated = section.mapping("inputs")
    for name, node in stated.items():
        if name in known:
            _column_or_number(node, known[name], section)
        else:
            allowed = ", ".join(sorted(known)) or f"no inputs, as method '{method.name}' has none"
            section.notes.fault(node, f"unknown input {show(name)}", allowed, nearest(name, known))
    for name in known:
        if name not in stated:
            allowed = f"a column and its unit, as method '{method.name}' needs"
            section.notes.missing(section.at("inputs"), name, allowed)


def _note_uncertainty(section: Section, method: Method) -> None:
    stated = [key for key in ("u", "tolerance") if key in section]
    takes = method.likelihood.takes_stated_u
    if takes and not stated:
        section.notes.missing(
            section.node, "u", f"a standard uncertainty or its column, as method '{method.name}' needs"
        )
    for key in (*stated, *(["rounded"] if "rounded" in section else [])):
        _column_or_number(section.at(key), None, section)
    if stated and not takes:
        node = section.at(stated[0])
        section.notes.fault(node, node.kind, f"no uncertainty of its own: method '{method.name}' has it")


def _column_or_number(node: Located, unit: Unit | None, section: Section) -> None:
    if not node.is_scalar:
        _column(node, unit, section, with_unit=unit is not None and bool(unit.dimension.powers))
    elif unit is not None:
        number(node, unit, section.notes)
    else:
        stated_number(node, section.notes)


def _column(node: Located, unit: Unit | None, section: Section, *, with_unit: bool) -> None:
    entry = Section(node, _COLUMN, section.notes)
    if "column" in entry:
        entry.text("column")
    if "unit" not in entry:
        if with_unit and node.entries:
            section.notes.missing(node, "unit")
        return
    own = read_unit(entry.at("unit"), section.notes)
    if own and unit and own.dimension != unit.dimension and not reciprocal(own, unit):
        section.notes.fault(entry.at("unit"), f"{show(own.text)} [{own.dimension}]", measured_in(unit))


def _note_rest(section: Section) -> None:
    if "k" in section:
        positive(section.at("k"), ONE, section.notes)
    if "date" in section:
        read_date(section.at("date"), section.notes)
    if "private" in section:
        flag(section.at("private"), section.notes)
    read_grade(section)
    read_source(section)
    read_labels(section, "applies")
    section.text("origin")
    section.text("note")


def note_path(node: Located, folder: Path, section: Section) -> None:
    """Note a table's path that leads out of the dossier's folder, or to no file."""
    written = node.text.strip()
    allowed = "the name of a CSV file in the dossier's folder"
    if len(written) > _LONGEST_PATH or "\0" in written:
        section.notes.fault(node, show(written), allowed)
        return
    path = folder / written
    if (
        Path(written).is_absolute()
        or ".." in Path(written).parts
        or not path.resolve().is_relative_to(folder.resolve())
    ):
        section.notes.fault(node, f"{show(written)}, which leads out of the folder", allowed)
    elif not path.is_file():
        section.notes.fault(node, f"{show(written)}, which is not there", allowed)
