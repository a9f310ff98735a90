"""A dossier: its located tree becomes a ``Dossier``, and what is wrong is noted."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import Methods
from gaugeglass.language.models import ModelReading
from gaugeglass.language.observations import note_twins, read_inbox, read_observations
from gaugeglass.language.plans import read_candidates
from gaugeglass.language.provenance import read_labels
from gaugeglass.language.reading import Notes, Section, check_format, flag, keys, listing, measured_in, nearest, number
from gaugeglass.language.spec import Dossier, Model
from gaugeglass.language.tables import read_tables

DOSSIER = keys("format dossier model subject", "about applies givens observations tables inbox candidates truth")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,80}")


def read_dossier(root: Located, reading: ModelReading | None, notes: Notes, *, folder: Path | None = None) -> Dossier:
    """Read a dossier of a model (None where that could not be read); every fault is noted in ``notes``.

    ``folder`` is where its tables lie; None leaves their paths unchecked.
    """
    top = Section(root, DOSSIER, notes)
    if not check_format(top):
        return Dossier("", notes.file, "")
    model = reading.model if reading else Model("", "", "")
    methods = _methods(reading) if reading else Methods({})
    note_twins([*top.at("observations").items, *top.at("tables").items], top)
    return Dossier(
        name=read_name(top, "dossier"),
        file=notes.file,
        subject=top.text("subject"),
        about=top.text("about"),
        applies=read_labels(top, "applies"),
        givens=_givens(top, reading),
        observations=read_observations(top, model, methods),
        tables=read_tables(top, model, methods, folder),
        inbox=read_inbox(top),
        candidates=_candidates(top, model, methods),
        truth=_truth(top, reading) if reading else {},
    )


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
    found = {}
    for name, node in stated.items():
        if name not in reading.declared["givens"]:
            declared = reading.declared["givens"]
            top.notes.fault(
                node, f"unknown given {show(name)}", f"a given: {listing(declared)}", nearest(name, declared)
            )
        elif name in known and (value := number(node, known[name].unit, top.notes)) is not None:
            found[name] = value
    for name, given in known.items():
        if name not in stated and given.value is None and not reading.root.find("givens", name, "default"):
            top.notes.missing(top.at("givens"), name, f"{measured_in(given.unit)} ({given.about})")
    return found


def _candidates(top: Section, model: Model, methods: Methods) -> tuple[Any, ...]:
    known = {c.name for c in model.candidates}
    for name, node in top.at("candidates").entries.items():
        if name in known:
            top.notes.fault(node, f"a candidate named like one of the model, {show(name)}", "a name of its own")
    return read_candidates(top, methods)


def _truth(top: Section, reading: ModelReading) -> dict[str, Any]:
    """What came out: numbers of quantities [their unit], truth values of claims, and the name of the hypothesis."""
    found: dict[str, Any] = {}
    claims, hypotheses = reading.declared["claims"], reading.declared["hypotheses"]
    for name, node in top.mapping("truth").items():
        if name == "hypothesis":
            found[name] = node.text
            if node.text not in hypotheses:
                top.notes.fault(node, node.kind, f"a hypothesis: {listing(hypotheses)}", nearest(node.text, hypotheses))
        elif name in claims:
            found[name] = flag(node, top.notes)
        elif name in reading.scope.units:
            found[name] = number(node, reading.scope.units[name], top.notes)
        elif name not in reading.scope.broken:
            known = {*claims, *reading.scope.units, "hypothesis"}
            top.notes.fault(
                node, f"unknown name {show(name)}", "a quantity, a claim or 'hypothesis'", nearest(name, known)
            )
    return found
