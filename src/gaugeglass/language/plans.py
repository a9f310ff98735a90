"""Candidates, the observations not yet made, of a model file or a dossier."""

from __future__ import annotations

from gaugeglass.language.inputs import read_inputs
from gaugeglass.language.located import Located, show
from gaugeglass.language.observations import read_mapped_grade
from gaugeglass.language.places import Background, read_candidate_places
from gaugeglass.language.reading import Section, keys, named, number, positive
from gaugeglass.language.spec import Candidate, Method
from gaugeglass.language.units import ONE

_CANDIDATE = keys("method", "about u cost origin grade inputs at count")


def read_candidates(top: Section, background: Background, *, of_model: bool = False) -> tuple[Candidate, ...]:
    """Every candidate of a file, which is a model file or a dossier; what is wrong with them is noted."""
    sections = {name: Section(node, _CANDIDATE, top.notes) for name, node in named(top, "candidates")}
    return tuple(_candidate(name, section, background, of_model=of_model) for name, section in sections.items())


def _candidate(name: str, section: Section, background: Background, *, of_model: bool) -> Candidate:
    method = background.methods.named_by(section)
    inputs, inexact = read_inputs(section, method) if method else ({}, {})
    return Candidate(
        name=name,
        about=section.text("about"),
        method=section.at("method").text,
        u=_expected_u(section, method) if method else None,
        cost=_cost(section),
        origin=section.text("origin") or None,
        grade=read_mapped_grade(section, method, background),
        inputs=inputs,
        count=_count(section),
        inexact=inexact,
        at=read_candidate_places(section, method, background, may_be_open=of_model),
    )


def _expected_u(section: Section, method: Method) -> float | None:
    takes = method.likelihood.takes_stated_u
    if "u" not in section:
        if takes:
            section.notes.missing(
                section.node, "u", f"the standard uncertainty expected of it, as method '{method.name}' needs"
            )
        return None
    node = section.at("u")
    if not takes:
        section.notes.fault(node, show(node.text), f"no u: method '{method.name}' has its own")
        return None
    if method.likelihood.family == "lognormal":
        return positive(node, ONE, section.notes)
    return _absolute(node, section, method)


def _absolute(node: Located, section: Section, method: Method) -> float | None:
    if "%" in node.text and method.unit.dimension.powers:
        section.notes.fault(
            node,
            show(node.text),
            f"a number in {method.unit.difference}: the value that it would be a share of is unknown",
        )
        return None
    return positive(node, method.unit, section.notes, difference=True)


def _cost(section: Section) -> float | None:
    if "cost" not in section:
        return None
    value = number(section.at("cost"), ONE, section.notes)
    if value is not None and value < 0:
        section.notes.fault(section.at("cost"), show(section.at("cost").text), "a number from 0 on, without currency")
        return None
    return value


def _count(section: Section) -> int:
    node = section.at("count")
    if "count" not in section:
        return 1
    if isinstance(node.content, bool) or not isinstance(node.content, int) or node.content < 1:
        section.notes.fault(node, node.kind, "a whole number from 1 on")
        return 1
    return node.content
