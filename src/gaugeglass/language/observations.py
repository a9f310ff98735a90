"""The observations of a dossier."""

from __future__ import annotations

from collections.abc import Iterable

from gaugeglass.language.cycles import follow, show_circle
from gaugeglass.language.inputs import read_inputs
from gaugeglass.language.located import Located, show
from gaugeglass.language.places import Background, read_places
from gaugeglass.language.provenance import (
    read_date,
    read_grade,
    read_id,
    read_source,
    read_withdrawn,
)
from gaugeglass.language.reading import Section, flag, keys, listing, nearest, text
from gaugeglass.language.readings import Reading, note_impossible, note_trials, read_reading
from gaugeglass.language.spec import Method, Observation

OBSERVATION = keys(
    "id method value",
    "u k tolerance rounded inputs origin date source grade repeats basis at applies private note withdrawn",
)
_NOT_READ = Reading(float("nan"), float("nan"), float("nan"), None)


def read_observations(top: Section, background: Background) -> tuple[Observation, ...]:
    """Every observation that a dossier lists; what is wrong with them is noted."""
    sections = [Section(node, OBSERVATION, top.notes) for node in top.listed("observations")]
    return tuple(_listed(section, background) for section in sections)


def _listed(section: Section, background: Background) -> Observation:
    method = background.methods.named_by(section)
    return read_observation(section, method, read_id(section), background)


def read_observation(
    section: Section, method: Method | None, name: str, background: Background, *, table: str | None = None,
    line: int | None = None,
) -> Observation:  # fmt: skip
    """The observation of a section, whose id is known; what is wrong with it is noted.

    ``table`` and ``line`` say where a row stands; without them it is listed in the dossier.
    """
    reading = read_reading(section, method, background.methods.places.get(method.name, "") if method else "")
    inputs, inexact = read_inputs(section, method) if method else ({}, {})
    if reading is not None and method is not None:
        note_impossible(section, reading, method, background.model)
        note_trials(section, reading, method, {**background.givens, **inputs})
    reading = reading or _NOT_READ
    at, applies = read_places(section, method, background)
    return Observation(
        id=name,
        method=section.at("method").text,
        stated=section.at("value").text.strip(),
        value=reading.value,
        lower=reading.lower,
        upper=reading.upper,
        u=reading.u,
        inputs=inputs,
        inexact=inexact,
        origin=section.text("origin") or None,
        date=read_date(section.at("date"), section.notes) if "date" in section else "",
        source=read_source(section),
        grade=read_mapped_grade(section, method, background),
        repeats=section.text("repeats") or None,
        basis=_basis(section, method),
        at=at,
        applies=applies,
        private=flag(section.at("private"), section.notes) if "private" in section else False,
        note=section.text("note"),
        withdrawn=read_withdrawn(section),
        line=section.node.line if table is None else line,
        table=table,
    )


def read_mapped_grade(section: Section, method: Method | None, background: Background) -> str | None:
    """The grade, which the model has to map to chances, and its method to what a wrong reading says."""
    grade = read_grade(section)
    if grade is None or not background.is_known:
        return grade
    node = section.at("grade")
    for key, mark in {"reliability": grade[0], "credibility": grade[1]}.items():
        known = background.model.grades.get(key, {})
        if not known:
            allowed = f"a grade only where the model maps it to chances: grades.{key}.{mark} is missing"
            section.notes.fault(node, show(grade), allowed)
        elif mark not in known:
            section.notes.fault(node, show(grade), f"a {key} that the model maps (grades.{key}): {listing(known)}")
    if method is not None and method.wrong is None:
        allowed = f"a grade only where method '{method.name}' says what a wrong reading says (wrong)"
        section.notes.fault(node, show(grade), allowed)
    return grade


def _basis(section: Section, method: Method | None) -> str | None:
    basis = section.text("basis") or None
    if basis is None or method is None:
        return basis
    known = [b.name for b in method.basis]
    if basis not in known:
        allowed = (
            f"{listing(known)} (basis of method '{method.name}')"
            if known
            else f"no basis: method '{method.name}' lists none"
        )
        section.notes.fault(section.at("basis"), show(basis), allowed, nearest(basis, known))
    return basis


def note_repeats(top: Section, ids: Iterable[str]) -> None:
    """Note echoes of what is not there, and those that lead back to themselves; ``ids`` are all that there are."""
    known = set(ids)
    listed = [node.entries for node in top.at("observations").items]
    nodes = {entries["id"].text: entries["repeats"] for entries in listed if "id" in entries and "repeats" in entries}
    for node in nodes.values():
        if node.text and node.text not in known:
            top.notes.fault(node, show(node.text), "the id of another observation", nearest(node.text, known))
    circle = follow({name: [node.text] for name, node in nodes.items()})[1]
    if circle is not None:
        top.notes.fault(nodes[circle[0]], show_circle(circle, circle[0]), "echoes that lead to an original")


def note_twins(sections: Iterable[Located], top: Section) -> None:
    """Note every id that stands twice, with both places."""
    first: dict[str, Located] = {}
    for node in sections:
        at = node.find("id")
        if at is None or not at.text:
            continue
        if at.text in first:
            other = first[at.text]
            where = f" (line {other.line})" if other.line else ""
            top.notes.fault(at, f"{show(at.text)} a second time; the first is {other.path}{where}", "an id of its own")
        first.setdefault(at.text, at)


def read_inbox(top: Section) -> tuple[str, ...]:
    """The scraps that are not placed yet."""
    return tuple(text(item, top.notes) for item in top.listed("inbox"))
