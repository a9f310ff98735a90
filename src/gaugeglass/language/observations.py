"""The observations and tables of a dossier."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from gaugeglass.language.cycles import follow, show_circle
from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import Methods, stated_inputs
from gaugeglass.language.provenance import (
    read_date,
    read_grade,
    read_id,
    read_labels,
    read_source,
    read_withdrawn,
)
from gaugeglass.language.reading import Notes, Section, flag, keys, listing, nearest, text
from gaugeglass.language.readings import Reading, note_impossible, read_reading
from gaugeglass.language.spec import Method, Model, Observation

_OBSERVATION = keys(
    "id method value",
    "u k tolerance rounded inputs origin date source grade repeats basis at applies private note withdrawn",
)
_NOT_READ = Reading(float("nan"), float("nan"), float("nan"), None)


def read_observations(top: Section, model: Model, methods: Methods) -> tuple[Observation, ...]:
    """Every observation of a dossier; what is wrong with them is noted."""
    sections = [Section(node, _OBSERVATION, top.notes) for node in top.items("observations")]
    found = tuple(_observation(section, model, methods) for section in sections)
    _note_repeats(sections, {o.id: o for o in found})
    return found


def _observation(section: Section, model: Model, methods: Methods) -> Observation:
    method = methods.named_by(section)
    reading = read_reading(section, method, methods.places.get(section.at("method").text, ""))
    if reading is not None and method is not None:
        note_impossible(section, reading, method, model)
    reading = reading or _NOT_READ
    return Observation(
        id=read_id(section),
        method=section.at("method").text,
        stated=section.at("value").text.strip(),
        value=reading.value,
        lower=reading.lower,
        upper=reading.upper,
        u=reading.u,
        inputs=stated_inputs(section, method) if method else {},
        origin=section.text("origin") or None,
        date=read_date(section.at("date"), section.notes) if "date" in section else "",
        source=read_source(section),
        grade=_grade(section, model),
        repeats=section.text("repeats") or None,
        basis=_basis(section, method),
        at=_places(section, model) if methods.declared is not None else {},
        applies=read_labels(section, "applies"),
        private=flag(section.at("private"), section.notes) if "private" in section else False,
        note=section.text("note"),
        withdrawn=read_withdrawn(section),
        line=section.node.line,
    )


def _grade(section: Section, model: Model) -> str | None:
    """The grade, which the model has to map where it maps any."""
    grade = read_grade(section)
    if grade is None or not model.grades:
        return grade
    marks = {"reliability": grade[0], "credibility": grade[1]}
    for key, mark in marks.items():
        known = model.grades.get(key, {})
        if known and mark not in known:
            allowed = f"a {key} that the model maps (grades.{key}): {listing(known)}"
            section.notes.fault(section.at("grade"), show(grade), allowed)
    return grade


def _basis(section: Section, method: Method | None) -> str | None:
    basis = section.text("basis") or None
    if basis is None or method is None:
        return basis
    known = [b["name"] for b in method.basis]
    if basis not in known:
        allowed = (
            f"{listing(known)} (basis of method '{method.name}')"
            if known
            else f"no basis: method '{method.name}' lists none"
        )
        section.notes.fault(section.at("basis"), show(basis), allowed, nearest(basis, known))
    return basis


def _places(section: Section, model: Model) -> dict[str, str]:
    """The groups that an observation is placed in, with the member of each."""
    places = read_labels(section, "at")
    for group, member in places.items():
        node = section.at("at").entries[group]
        if not is_group(group, node, model, section.notes):
            continue
        members = model.groups[group]["members"]
        if members and member not in members:
            section.notes.fault(node, show(member), f"a member: {listing(members)}", nearest(member, members))
    return places


def is_group(group: str, node: Located, model: Model, notes: Notes) -> bool:
    """Whether the model lists a group; if not, that is noted."""
    if group in model.groups:
        return True
    allowed = f"a group: {listing(model.groups)}" if model.groups else "no group: the model lists none"
    notes.fault(node, f"unknown group {show(group)}", allowed, nearest(group, model.groups))
    return False


def _note_repeats(sections: Iterable[Section], by_id: Mapping[str, Observation]) -> None:
    nodes: dict[str, tuple[Section, Located]] = {}
    for section in sections:
        if "repeats" in section:
            nodes[section.at("id").text] = (section, section.at("repeats"))
    for section, node in nodes.values():
        if node.text and node.text not in by_id:
            section.notes.fault(node, show(node.text), "the id of another observation", nearest(node.text, by_id))
    circle = follow({name: [node.text] for name, (_, node) in nodes.items()})[1]
    if circle is not None:
        section, node = nodes[circle[0]]
        section.notes.fault(node, show_circle(circle, circle[0]), "echoes that lead to an original")


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
    return tuple(text(item, top.notes) for item in top.items("inbox"))
