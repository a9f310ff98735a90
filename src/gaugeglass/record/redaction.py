"""The public form of a dossier: what is private is taken out before anything is computed, written or drawn from it.

Of a private observation only what inference needs stays: its method, its value with uncertainty, inputs, grade and
basis, and where it was made. Its id becomes ``private-1`` and so on, and its source, note and dates go. Its origin goes
too; where others share it, all of them bear ``origin-1`` instead, so that the public form still shows which readings
share an error. Of a private table the file is withheld, name and all: in its place stands ``private-table-1.csv``, with
just the columns that inference needs, under names of their own, of just the rows that the table had.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.judgement.findings import Audit, Unit
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.judgement.results import Assessment, LedgerRow
from gaugeglass.language.files import parse
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Alternative, Correlation, Observation, Source, Spec, Table, Withdrawal
from gaugeglass.record import sheets
from gaugeglass.record.calibrations import Recorded
from gaugeglass.record.leaks import WITHHELD, is_private, leaks

if TYPE_CHECKING:
    from gaugeglass.judgement.pools import Pool

KEPT = (
    "method", "value", "u", "k", "tolerance", "rounded", "inputs", "grade", "repeats", "basis", "at", "applies",
    "private",
)  # fmt: skip
"""Keys of a private observation that stay; every other one but its origin is left out."""
_ECHO = "repeats "


@dataclass(frozen=True, slots=True)
class Aliases:
    """New ids of private observations, tables and their rows, and new names of the origins that they share."""

    ids: Mapping[str, str] = field(default_factory=dict)
    origins: Mapping[str, str] = field(default_factory=dict)

    def id(self, name: str) -> str:
        """What something is called in public."""
        return self.ids.get(name, name)

    def said(self, text: str) -> str:
        """A text with every name in it as it is in public."""
        names = {**self.origins, **self.ids}
        if not names:
            return text
        longest_first = sorted(names, key=len, reverse=True)
        return re.sub(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)", lambda m: names[m[0]], text)

    def origin(self, o: Observation) -> str | None:
        """The origin of an observation in public."""
        return self.origins.get(o.origin or "", None if o.private else o.origin)


def public_form(spec: Spec) -> Spec:
    """The same spec without what is private, its texts included; the spec itself where nothing is private.

    Raises
    ------
    SpecError
        If a private text also stands in a public part of the dossier or the model, from where it cannot be taken out.
    """
    aliases = _aliases(spec)
    if not aliases.ids:
        return spec
    tables, texts = _public_tables(spec, aliases)
    dossier = replace(
        spec.dossier,
        observations=tuple(_redact(o, aliases) for o in spec.dossier.observations),
        tables=tables,
        correlations=tuple(_public_correlation(c, aliases) for c in spec.dossier.correlations),
        candidates=tuple(
            replace(c, origin=aliases.origins.get(c.origin or "", c.origin)) for c in spec.dossier.candidates
        ),
        left_out=frozenset(map(aliases.id, spec.dossier.left_out)),
    )
    if spec.dossier.file in texts:
        texts[spec.dossier.file] = _public_text(spec, tables, texts[spec.dossier.file], aliases)
    public = replace(spec, dossier=dossier, texts=texts, alternative=_public_alternative(spec, aliases), trees=None)
    _refuse_leaks(spec, public)
    return public


def public_assessment(assessment: Assessment, spec: Spec) -> Assessment:
    """The same assessment with the rows of private observations redacted; ``spec`` is the one it speaks of."""
    aliases = _aliases(spec)
    return replace(assessment, ledger=tuple(_public_row(row, aliases) for row in assessment.ledger))


def public_audit(audit: Audit, spec: Spec) -> Audit:
    """The same audit with public names for whatever was left out; ``spec`` is the one it is of.

    Its pool goes: ``public_pool`` is for that.
    """
    aliases = _aliases(spec)
    return replace(
        audit,
        units=tuple(replace(u, unit=_public_unit(u.unit, aliases)) for u in audit.units),
        contradictions=tuple(
            replace(c, first=aliases.id(c.first), second=aliases.id(c.second)) for c in audit.contradictions
        ),
        notes=tuple(aliases.said(note) for note in audit.notes),
        pool=None,
    )


def public_ranking(ranking: Ranking, spec: Spec) -> Ranking:
    """The same ranking with public names for origins; ``spec`` is the one it is of."""
    aliases = _aliases(spec)
    worths = (replace(w, origin=aliases.origins.get(w.origin or "", w.origin)) for w in ranking.worths)
    return replace(ranking, worths=tuple(worths))


def public_pool(pool: Pool, spec: Spec) -> Pool:
    """The same pool of draws with public names; ``spec`` is the one it is of."""
    aliases = _aliases(spec)
    private = {o.origin: WITHHELD for o in spec.observations if o.private and o.origin}
    return pool.renamed(aliases.ids, {**private, **aliases.origins})


def public_calibration(made: Recorded, spec: Spec) -> Recorded:
    """The same calibration, of whose failures nothing but how many there were is told where anything is private.

    ``spec`` is the one it is of.
    """
    if not _aliases(spec).ids:
        return made
    return replace(made, found=replace(made.found, failures=(WITHHELD,) * len(made.found.failures)))


def _public_unit(unit: Unit, aliases: Aliases) -> Unit:
    name = aliases.origins.get(unit.name, unit.name) if unit.kind == "origin" else aliases.id(unit.name)
    return replace(unit, name=name, ids=tuple(map(aliases.id, unit.ids)))


def _public_row(row: LedgerRow, aliases: Aliases) -> LedgerRow:
    aside = row.aside
    if aside is not None and aside.startswith(_ECHO):
        aside = _ECHO + aliases.id(aside.removeprefix(_ECHO))
    origin = aliases.origins.get(row.origin or "", row.origin)
    if row.id not in aliases.ids:
        return replace(row, aside=aside, origin=origin)
    own = origin if row.origin in aliases.origins else None
    if row.withdrawn is not None:
        aside = f"withdrawn: {WITHHELD}"
    withdrawn = WITHHELD if row.withdrawn else None
    return replace(
        row, id=aliases.id(row.id), origin=own, date="", source="", url="", note="", withdrawn=withdrawn, aside=aside
    )


# --- new names ----------------------------------------------------------------------------------------------


def _aliases(spec: Spec) -> Aliases:
    """A new name for whatever is private, none of which anything public has."""
    observations = [o.id for o in spec.dossier.observations if o.private]
    tables = [t for t in spec.dossier.tables if is_private(t)]
    ids = [o.id for o in spec.dossier.observations] + [t.id for t in spec.dossier.tables]
    taken = set(ids) - set(observations) - {t.id for t in tables}
    found = _numbered("private", observations, taken)
    for table, alias in zip(tables, _numbered("private-table", [t.id for t in tables], taken).values(), strict=True):
        found[table.id] = alias
        found |= {row.id: f"{alias}:{line}" for line, row in enumerate(table.rows, 2)}
    return Aliases(found, _aliases_of_origins(spec))


def _aliases_of_origins(spec: Spec) -> dict[str, str]:
    """A new name for each origin of something private that something else shares, or that a table has in a column."""
    every = [o.origin for o in spec.observations if o.origin]
    every += [c.origin for c in spec.dossier.candidates if c.origin]
    times = Counter(every)
    private = {o.origin for o in spec.observations if o.private}
    in_columns = {row.origin for t in spec.dossier.tables if _has_origins_in_column(t) for row in t.rows}
    shared = [o for o in dict.fromkeys(every) if o in private and (times[o] > 1 or o in in_columns)]
    return _numbered("origin", shared, set(every) - set(shared))


def _numbered(word: str, names: Sequence[str], taken: set[str]) -> dict[str, str]:
    free = (alias for n in range(1, len(names) + len(taken) + 1) if (alias := f"{word}-{n}") not in taken)
    return dict(zip(names, free, strict=False))


# --- observations -------------------------------------------------------------------------------------------


def _redact(o: Observation, aliases: Aliases) -> Observation:
    repeats = aliases.id(o.repeats) if o.repeats else None
    if not o.private:
        return replace(o, repeats=repeats, origin=aliases.origin(o))
    withdrawn = Withdrawal(o.withdrawn.date, WITHHELD) if o.withdrawn else None
    return replace(
        o, id=aliases.id(o.id), origin=aliases.origin(o), date="", source=Source(), repeats=repeats, note="",
        withdrawn=withdrawn, line=None,
    )  # fmt: skip


def _public_alternative(spec: Spec, aliases: Aliases) -> Alternative | None:
    """What is otherwise, of the new names; an origin that goes is named by what was observed there."""
    asked = spec.alternative
    if asked is None:
        return None
    without: list[str] = []
    private = {o.origin for o in spec.observations if o.private and o.origin}
    for name in asked.without:
        if name in aliases.ids or name not in private:
            without.append(aliases.id(name))
        elif name in aliases.origins:
            without.append(aliases.origins[name])
        else:
            of_it = (o.id for o in spec.observations if o.origin == name)
            without += [aliases.id(found) for found in of_it if found in spec.dossier.left_out]
    return replace(
        asked, replace={aliases.id(name): value for name, value in asked.replace.items()}, without=tuple(without)
    )


def _public_correlation(c: Correlation, aliases: Aliases) -> Correlation:
    first, second = c.between
    return replace(c, between=(aliases.id(first), aliases.id(second)))


# --- tables -------------------------------------------------------------------------------------------------


def _public_tables(spec: Spec, aliases: Aliases) -> tuple[tuple[Table, ...], dict[str, str]]:
    """Every table as the public may see it, and every text; a file of which anything is private is withheld whole."""
    withheld = {_sheet_of(spec, t) for t in spec.dossier.tables if is_private(t) or _has_private_origins(t, aliases)}
    texts = {file: text for file, text in spec.texts.items() if file not in withheld}
    found = []
    for table in spec.dossier.tables:
        if _sheet_of(spec, table) in withheld:
            public, text = _table_anew(spec, table, texts, aliases)
            texts |= {_sheet_of(spec, public): text} if text is not None else {}
            found.append(public)
        else:
            found.append(_table_renamed(table, aliases))
    return tuple(found), texts


def _sheet_of(spec: Spec, table: Table) -> str:
    """The path of a table's file, as the texts of a spec have it."""
    return str(Path(spec.dossier.file).parent / table.file.strip())


def _has_origins_in_column(table: Table) -> bool:
    return isinstance(table.description.get("origin"), Mapping)


def _has_private_origins(table: Table, aliases: Aliases) -> bool:
    return _has_origins_in_column(table) and any(row.origin in aliases.origins for row in table.rows)


def _one_origin(table: Table) -> str | None:
    """The origin that a table states once for all of its rows, if it does."""
    if "origin" not in table.description or _has_origins_in_column(table):
        return None
    return table.rows[0].origin if table.rows else str(table.description["origin"]).strip()


def _table_renamed(table: Table, aliases: Aliases) -> Table:
    """A public table, whose file stays: at most its one origin has a new name."""
    origin = _one_origin(table)
    if origin not in aliases.origins:
        return table
    description = {**table.description, "origin": aliases.origins[str(origin)]}
    return replace(table, description=description, rows=tuple(_redact(row, aliases) for row in table.rows))


def _table_anew(spec: Spec, table: Table, texts: Mapping[str, str], aliases: Aliases) -> tuple[Table, str | None]:
    """A table with a file of its own, which says nothing private, and the text of that file."""
    whole, name = not is_private(table), aliases.id(table.id)
    description, columns = sheets.described(table, whole=whole)
    if (origin := _one_origin(table)) is not None:
        stated = aliases.origins.get(origin, origin if whole else None)
        description = {key: entry for key, entry in description.items() if key != "origin"}
        description |= {"origin": stated} if stated else {}
    if not whole and "withdrawn" in table.description:
        description["withdrawn"] = {"date": table.description["withdrawn"]["date"], "because": WITHHELD}
    text, lines = None, [row.line or 0 for row in table.rows]
    if (before := spec.texts.get(_sheet_of(spec, table))) is not None:
        replaced = lambda cell: aliases.origins.get(cell, cell)  # noqa: E731 - one line, used once
        text, lines = sheets.written_anew(table, before, columns, replaced=replaced, in_place=whole)
    rows = tuple(
        replace(_redact(row, aliases), table=name, line=line) for row, line in zip(table.rows, lines, strict=True)
    )
    file = _free_name(spec, name, texts)
    return Table(name, file, table.method, description, rows), text


def _free_name(spec: Spec, name: str, texts: Mapping[str, str]) -> str:
    """A name for a file beside the dossier that no other file there has."""
    folder = Path(spec.dossier.file).parent
    taken = {file.lower() for file in (*texts, *spec.texts)}
    names = (f"{name}{mark}.csv" for mark in ("", *(f"-{n}" for n in range(2, len(taken) + 3))))
    return next(found for found in names if str(folder / found).lower() not in taken)


# --- the text of the dossier --------------------------------------------------------------------------------


def _public_text(spec: Spec, tables: Sequence[Table], text: str, aliases: Aliases) -> str:
    """The text of a dossier written anew without what is private; comments go, for they may speak of it."""
    root = parse(text, Notes(spec.dossier.file))
    if root is None:
        found, allowed = "a text that cannot be read", "the text that the dossier was read from"
        raise SpecError([Fault(spec.dossier.file, None, "", found, allowed)])
    document = root.plain()
    pairs = zip(document.get("observations") or (), spec.dossier.observations, strict=True)
    document["observations"] = [_public_entry(entry, o, aliases) for entry, o in pairs]
    if tables:
        document["tables"] = [{"id": t.id, "file": t.file, "method": t.method, **t.description} for t in tables]
    for entry in document.get("correlations") or ():
        entry["between"] = [aliases.id(str(name)) for name in entry["between"]]
    for candidate, entry in zip(spec.dossier.candidates, (document.get("candidates") or {}).values(), strict=True):
        if (origin := aliases.origins.get(candidate.origin or "")) is not None:
            entry["origin"] = origin
    return "".join(f"{line}\n" for line in _yaml(document))


def _public_entry(entry: Mapping[str, Any], o: Observation, aliases: Aliases) -> dict[str, Any]:
    found = dict(entry)
    if o.private:
        found = {"id": aliases.id(o.id), **{key: entry[key] for key in KEPT if key in entry}}
        if "withdrawn" in entry:
            found["withdrawn"] = {"date": entry["withdrawn"]["date"], "because": WITHHELD}
    if (origin := aliases.origin(o)) and origin != o.origin:
        found["origin"] = origin
    if o.repeats and o.repeats in aliases.ids:
        found["repeats"] = aliases.id(o.repeats)
    return found


def _yaml(value: Any, indent: str = "") -> Iterator[str]:
    """Lines of YAML for plain mappings and lists; every scalar is written as JSON has it, which YAML 1.2 reads."""
    entries = value.items() if isinstance(value, dict) else ((None, entry) for entry in value)
    for key, entry in entries:
        lead = f"{indent}-" if key is None else f"{indent}{_key(key)}:"
        if isinstance(entry, dict | list) and entry:
            yield lead
            yield from _yaml(entry, indent + "  ")
        else:
            yield f"{lead} {json.dumps(entry, ensure_ascii=False)}"


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", key) else json.dumps(key, ensure_ascii=False)


# --- the last look ------------------------------------------------------------------------------------------


def _refuse_leaks(spec: Spec, public: Spec) -> None:
    plain = {spec.dossier.file, spec.model.file}
    texts = {file: _readable(text) if file in plain else _of_sheet(text) for file, text in public.texts.items()}
    said = "which a private observation says"
    faults = [
        Fault(file, None, "", f"{text!r}, {said}", "public parts without it", "leave it out there")
        for file, text in leaks(spec, texts)
    ]
    if faults:
        raise SpecError(faults)


def _readable(text: str) -> str:
    """A text of YAML with the values of its scalars below it, so that escapes and folded lines hide nothing."""
    root = parse(text, Notes(""))
    scalars = [str(node.content) for node in root.walk() if node.is_scalar] if root else []
    return "\n".join([text, *scalars])


def _of_sheet(text: str) -> str:
    """A text of CSV with its cells below it, so that quotes hide nothing."""
    return "\n".join([text, *sheets.cells_of(text)])
