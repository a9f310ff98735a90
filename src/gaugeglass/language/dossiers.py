"""A dossier: its located tree becomes a ``Dossier``, and what is wrong is noted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from gaugeglass.language.correlations import read_correlations
from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import Methods
from gaugeglass.language.models import ModelReading
from gaugeglass.language.observations import note_repeats, note_twins, read_inbox, read_observations
from gaugeglass.language.places import Background, read_members
from gaugeglass.language.plans import read_candidates
from gaugeglass.language.provenance import read_labels
from gaugeglass.language.reading import Notes, Section, check_format, given_number, keys, listing, measured_in, nearest
from gaugeglass.language.spec import Candidate, Dossier, Model, Observation, Spec
from gaugeglass.language.tables import read_tables
from gaugeglass.language.truths import read_truth

DOSSIER = keys(
    "format dossier model subject",
    "about applies givens members observations tables correlations inbox candidates truth",
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,80}")


def read_dossier(
    root: Located, reading: ModelReading | None, notes: Notes, left_out: frozenset[str] = frozenset()
) -> Dossier:
    """Read a dossier of a model (None where that could not be read); every fault is noted in ``notes``.

    ``left_out`` holds the ids of observations that are read and do not count.
    """
    top = Section(root, DOSSIER, notes)
    if not check_format(top):
        return Dossier("", notes.file, "")
    model = reading.model if reading else Model("", "", "")
    methods = _methods(reading) if reading else Methods({})
    note_twins([*top.at("observations").items, *top.at("tables").items], top)
    givens, applies, members = _givens(top, reading), read_labels(top, "applies"), read_members(top, model, methods)
    background = Background(model, methods, _all_givens(model, givens), members, applies)
    observations = read_observations(top, background)
    tables = read_tables(top, background)
    note_repeats(top, [o.id for o in (*observations, *(row for table in tables for row in table.rows))])
    found = Dossier(
        name=read_name(top, "dossier"),
        file=notes.file,
        subject=top.text("subject"),
        about=top.text("about"),
        applies=applies,
        givens=givens,
        observations=observations,
        tables=tables,
        members=members,
        inbox=read_inbox(top),
        candidates=_candidates(
            top, background, (*observations, *(row for table in tables for row in table.rows)), left_out
        ),
        left_out=left_out,
    )
    if reading is None:
        return found
    spec = Spec(model, found)
    return replace(found, correlations=read_correlations(top, spec), truth=read_truth(top, reading, spec))


def _all_givens(model: Model, stated: Mapping[str, float]) -> dict[str, float]:
    return {given.name: given.value for given in model.givens if given.value is not None} | dict(stated)


def _methods(reading: ModelReading) -> Methods:
    places = {}
    for method in reading.model.methods:
        at = reading.root.find("methods", method.name, "likelihood", "u")
        places[method.name] = f"{reading.notes.file}{f':{at.line}' if at.line else ''}: {at.path}" if at else ""
    return Methods(reading.model.method_by_name, reading.declared["methods"], places)


def read_name(top: Section, key: str) -> str:
    """A name that is also the name of a file or a folder; empty once a fault is noted."""
    name = top.text(key)
    if name and not _NAME.fullmatch(name):
        top.notes.fault(top.at(key), show(name), "letters, digits, _ . and -, first a letter or a digit, at most 81")
        return ""
    return name


def _givens(top: Section, reading: ModelReading | None) -> dict[str, float]:
    stated = top.mapping("givens")
    if reading is None:
        return {}
    known = {g.name: g for g in reading.model.givens}
    found: dict[str, float] = {}
    for name, node in stated.items():
        if name not in reading.declared["givens"]:
            declared = reading.declared["givens"]
            top.notes.fault(
                node, f"unknown given {show(name)}", f"a given: {listing(declared)}", nearest(name, declared)
            )
        elif (given := known.get(name)) is not None:
            value = given_number(node, given.unit, top.notes, whole=given.whole)
            found |= {} if value is None else {name: value}
    for name, given in known.items():
        if name not in stated and given.value is None and not reading.root.find("givens", name, "default"):
            top.notes.missing(top.at("givens"), name, f"{measured_in(given.unit)} ({given.about})")
    return found


def _candidates(
    top: Section, background: Background, observations: Iterable[Observation], left_out: frozenset[str]
) -> tuple[Candidate, ...]:
    model = background.model
    known = {c.name for c in model.candidates}
    for name, node in top.at("candidates").entries.items():
        if name in known:
            top.notes.fault(node, f"a candidate named like one of the model, {show(name)}", "a name of its own")
    evidence = Spec(model, Dossier("", "", "", applies=background.applies, observations=tuple(observations),
                                   members=background.members, left_out=left_out)).members  # fmt: skip
    return read_candidates(top, replace(background, members=evidence))
