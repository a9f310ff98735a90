"""The inputs that come with an observation, and how far each may be from what is stated."""

from __future__ import annotations

import re

from gaugeglass.language.expressions import names
from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes, Section, listing, measured_in, nearest, number, unwritten_unit
from gaugeglass.language.spec import Inexact, Input, Method
from gaugeglass.language.units import convert, convert_difference
from gaugeglass.language.values import ValueFault, parse_value

_WITH_U = re.compile(r"±|\d\(\d")


def read_inputs(section: Section, method: Method) -> tuple[dict[str, float], dict[str, Inexact]]:
    """The inputs of an observation [the unit of each], and of those that are not exact by how much.

    What lacks or is unknown is noted. A u of its own goes before the one that the method states.
    """
    values: dict[str, float] = {}
    inexact: dict[str, Inexact] = {}
    stated, known = section.mapping("inputs"), {i.name: i for i in method.inputs}
    for name, node in stated.items():
        if name not in known:
            note_unknown_input(name, node, method, section.notes)
        elif (read := read_input(node, known[name], section.notes)) is not None:
            values[name], width = read
            if width is not None and _may_be_inexact(name, node, method, section.notes):
                inexact[name] = width
    for name, entry in known.items():
        if name not in stated:
            allowed = f"{measured_in(entry.unit)}, as method '{method.name}' needs"
            section.notes.missing(section.at("inputs"), name, allowed)
    return values, inexact


def note_unknown_input(name: str, node: Located, method: Method, notes: Notes) -> None:
    """Note an input that a method does not have."""
    known = [i.name for i in method.inputs]
    allowed = f"{listing(known)} (inputs of method '{method.name}')" if known else _no_inputs(method)
    notes.fault(node, f"unknown input {show(name)}", allowed, nearest(name, known))


def _no_inputs(method: Method) -> str:
    return f"no inputs, as method '{method.name}' has none"


def read_input(node: Located, entry: Input, notes: Notes) -> tuple[float, Inexact | None] | None:
    """The value of an input and its width [the unit of it]; None once a fault is noted."""
    if _WITH_U.search(node.text):
        return _with_u(node, entry, notes)
    value = number(node, entry.unit, notes)
    return None if value is None else (value, _width_of_method(entry))


def _width_of_method(entry: Input) -> Inexact | None:
    if entry.u is not None:
        return Inexact(u=entry.u)
    return None if entry.rounded is None else Inexact(half=entry.rounded / 2)


def _with_u(node: Located, entry: Input, notes: Notes) -> tuple[float, Inexact] | None:
    """The value and u of ``a ± b`` or ``a(b)``."""
    unit = entry.unit
    try:
        stated = parse_value(node.text)
    except ValueFault as problem:
        notes.fault(node, problem.found, problem.allowed, problem.hint)
        return None
    if stated.unit.dimension != unit.dimension or stated.u is None:
        notes.fault(node, f"{show(node.text)} [{stated.unit.dimension}]", measured_in(unit))
        return None
    if slip := unwritten_unit(node, stated.lower, stated.unit, unit, width=stated.u):
        notes.fault(node, slip.found, f"a number in {unit}", slip.hint)
        return None
    u = convert_difference(stated.u, stated.unit, unit)
    return convert(stated.lower, stated.unit, unit), Inexact(u=u)


def _may_be_inexact(name: str, node: Located, method: Method, notes: Notes) -> bool:
    """Whether an input may be uncertain: not where it is a number of trials."""
    trials = method.likelihood.trials
    if trials is None or name not in names(trials):
        return True
    notes.fault(node, f"{show(node.text)}, an uncertain number of trials", "an exact number")
    return False
