"""The methods of a model file: what each measures, how its readings scatter and what comes with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from gaugeglass.language.expressions import Const, Node, Ref, names
from gaugeglass.language.located import Located, show
from gaugeglass.language.priors import read_prior
from gaugeglass.language.reading import (
    Notes,
    Scope,
    Section,
    dimensioned,
    keys,
    listing,
    measured_in,
    named,
    nearest,
    number,
    positive,
    stated_number,
    text,
    unit_of,
    value_tree,
)
from gaugeglass.language.spec import LIKELIHOODS, Input, Likelihood, LikelihoodFamily, Method
from gaugeglass.language.units import ONE, Unit, convert, convert_difference
from gaugeglass.language.values import ValueFault, parse_value

_METHOD = keys("about measures likelihood", "unit inputs shared wrong basis source")
_LIKELIHOOD = keys("family", "u nu")
_INPUT = keys("unit", "about u rounded")
_SHARED = keys("by u")
_BASIS = keys("name", "factor weight")


@dataclass(frozen=True, slots=True)
class Methods:
    """The methods that a section may name: those that are sound, and every one that the model declares.

    ``declared`` is None where the model could not be read, so that nothing can be said of them. ``places`` says where
    each method stands.
    """

    sound: Mapping[str, Method]
    declared: frozenset[str] | None = None
    places: Mapping[str, str] = field(default_factory=dict)

    def named_by(self, section: Section) -> Method | None:
        """The sound method that a section names; what is no method at all is noted."""
        if "method" not in section:
            return None
        name = section.text("method")
        if name and self.declared is not None and name not in self.declared:
            section.notes.fault(section.at("method"), show(name), listing(self.declared), nearest(name, self.declared))
        return self.sound.get(name)


def read_methods(top: Section, scope: Scope, groups: Mapping[str, Any]) -> tuple[Method, ...]:
    """Every sound method of a model file; the faults of the others are noted."""
    read = [_method(name, Section(node, _METHOD, top.notes), scope, groups) for name, node in named(top, "methods")]
    return tuple(method for method in read if method is not None)


def _method(name: str, section: Section, scope: Scope, groups: Mapping[str, Any]) -> Method | None:
    about, source = section.text("about"), section.text("source")
    inputs, broken = _inputs(section, scope)
    inner = scope.with_names({i.name: i.unit for i in inputs}, broken)
    stated = unit_of(section)
    unit = stated if "unit" in section else _own_unit(section, inner, scope)
    if unit is None:
        return None
    notes, node = section.notes, section.at("measures")
    tree = value_tree(node, unit, inner, notes) if "measures" in section else None
    likelihood = _likelihood(section, unit, inner) if "likelihood" in section else None
    shared, wrong, basis = _shared(section, unit, groups), _wrong(section, unit), _bases(section, inner)
    if tree is None or likelihood is None:
        return None
    return Method(name, about, unit, tree, node.text, likelihood, inputs, shared, wrong, basis, source)


def _own_unit(section: Section, inner: Scope, quantities: Scope) -> Unit | None:
    """The unit of the first quantity of the same dimension as what is measured."""
    if "measures" not in section:
        return None
    node, notes = section.at("measures"), section.notes
    whole = dimensioned(node, inner, notes)
    if whole is None:
        return None
    tree = value_tree(node, whole, inner, Notes(notes.file))
    alike = (
        [n for n in names(tree) if n in quantities.units and quantities.units[n].dimension == whole.dimension]
        if tree
        else []
    )
    unit = quantities.units[alike[0]] if alike else ONE if not whole.dimension.powers else None
    if unit is None or (unit.offset and node.text.strip() not in alike):
        notes.missing(section.node, "unit", f"a unit of {whole.dimension}, since 'measures' leaves it open")
        return None
    return unit


# --- inputs -------------------------------------------------------------------------------------------------


def _inputs(section: Section, scope: Scope) -> tuple[tuple[Input, ...], list[str]]:
    """The sound inputs, and the names of those whose unit is at fault."""
    found, broken = [], []
    for name, node in named(section, "inputs"):
        entry = Section(node, _INPUT, section.notes)
        unit = unit_of(entry)
        if name in scope.units or name in scope.broken:
            section.notes.fault(node, f"an input named like quantity {show(name)}", "a name of its own")
        if unit is None:
            broken.append(name)
            continue
        u, rounded = (_width(entry, key, unit) for key in ("u", "rounded"))
        found.append(Input(name, entry.text("about"), unit, u, rounded))
    return tuple(found), broken


def _width(entry: Section, key: str, unit: Unit) -> float | None:
    return positive(entry.at(key), unit, entry.notes, difference=True) if key in entry else None


# --- likelihood ---------------------------------------------------------------------------------------------


def _likelihood(section: Section, unit: Unit, scope: Scope) -> Likelihood | None:
    entry = Section(section.at("likelihood"), _LIKELIHOOD, section.notes)
    family = _likelihood_family(entry)
    if family is None:
        return None
    if family == "lognormal" and unit.offset:
        section.notes.fault(
            entry.at("family"), f"'lognormal' for readings in {unit}", "lognormal for a unit whose zero is nothing (K)"
        )
    nu = _nu(entry, family)
    u = _scatter(entry, family, unit, scope, section.at("measures").text) if "u" in entry else None
    if "u" in entry and u is None:
        return None
    return Likelihood(family, nu, u, entry.at("u").text if "u" in entry else "")


def _likelihood_family(entry: Section) -> LikelihoodFamily | None:
    if "family" not in entry:
        return None
    found = entry.at("family")
    if found.text not in LIKELIHOODS:
        kind = show(found.text) if found.is_scalar else found.kind
        entry.notes.fault(found, kind, ", ".join(LIKELIHOODS), nearest(found.text, LIKELIHOODS))
        return None
    return found.text


def _nu(entry: Section, family: str) -> float | None:
    if family == "student_t":
        if "nu" in entry:
            return positive(entry.at("nu"), ONE, entry.notes)
        entry.notes.missing(entry.node, "nu", "the degrees of freedom of student_t, such as 4")
    elif "nu" in entry:
        entry.notes.fault(entry.at("nu"), f"nu of {family}", "nu for student_t only")
    return None


def _scatter(entry: Section, family: str, unit: Unit, scope: Scope, measures: str) -> Node | None:
    """The tree of a method's own u, in which the name ``u`` is what an observation states."""
    target = ONE if family == "lognormal" else unit.difference
    node = entry.at("u")
    if "%" in node.text and node.text.strip("0123456789.% ") == "" and target.dimension.powers:
        hint = f"a share of the prediction is written {node.text} * ({measures})"
        entry.notes.fault(node, f"{show(node.text)} [pure number]", measured_in(target), hint)
        return None
    tree = value_tree(node, target, scope.with_names({"u": target}), entry.notes)
    if isinstance(tree, Const) and not tree.value > 0:
        entry.notes.fault(node, show(node.text), "a u above 0")
        return None
    return tree


# --- shared error, wrong readings and bases -----------------------------------------------------------------


def _shared(section: Section, unit: Unit, groups: Mapping[str, Any]) -> dict[str, Any] | None:
    if "shared" not in section:
        return None
    entry = Section(section.at("shared"), _SHARED, section.notes)
    by, u = entry.text("by"), share_or_width(entry.at("u"), unit, section.notes) if "u" in entry else None
    allowed = ("origin", *sorted(groups))
    if by and by not in allowed:
        section.notes.fault(entry.at("by"), show(by), ", ".join(allowed), nearest(by, allowed))
    return {"by": by, "u": u[0], "relative": u[1]} if by in allowed and u else None


def share_or_width(node: Located, unit: Unit, notes: Notes) -> tuple[float, bool] | None:
    """A positive u and whether it is a share [1] rather than absolute [unit]."""
    stated = stated_number(node, notes)
    if stated is None:
        return None
    value, own = stated
    relative = not own.dimension.powers and (own.text != "1" or not unit.dimension.powers)
    if not relative and own.dimension != unit.dimension:
        number(node, unit, notes, difference=True)
        return None
    if not value > 0:
        notes.fault(node, show(node.text), "a number above 0")
        return None
    return (convert(value, own, ONE), True) if relative else (convert_difference(value, own, unit), False)


def _wrong(section: Section, unit: Unit) -> dict[str, Any] | None:
    """What a reading says when it is simply wrong: a prior-like density in the unit of the method."""
    if "wrong" not in section:
        return None
    prior = read_prior(section.at("wrong"), unit, section.notes)
    return {"prior": prior} if prior else None


def _bases(section: Section, scope: Scope) -> tuple[dict[str, Any], ...]:
    read = [_basis(item, section.notes, scope) for item in section.items("basis")]
    found = [basis for basis in read if basis is not None]
    twice = {b["name"] for b in found if [other["name"] for other in found].count(b["name"]) > 1}
    if twice:
        section.notes.fault(section.at("basis"), f"{listing(map(show, twice))} more than once", "names that differ")
    return tuple(found)


def _basis(item: Located, notes: Notes, scope: Scope) -> dict[str, Any] | None:
    if item.is_scalar:
        name = text(item, notes)
        return {"name": name, "factor": Const(1.0), "text": "1", "weight": 1.0} if name else None
    entry = Section(item, _BASIS, notes)
    name = entry.text("name")
    weight = positive(entry.at("weight"), ONE, notes) if "weight" in entry else 1.0
    factor = value_tree(entry.at("factor"), ONE, scope, notes) if "factor" in entry else Const(1.0)
    written = entry.at("factor").text if "factor" in entry else "1"
    return {"name": name, "factor": factor, "text": written, "weight": weight} if name and weight and factor else None


def measured_quantity(method: Method) -> str | None:
    """The name of what a method measures, where that is one quantity and nothing else."""
    return method.measures.name if isinstance(method.measures, Ref) else None


def stated_inputs(section: Section, method: Method) -> dict[str, float]:
    """The inputs that an observation or a candidate states [the unit of each]; what lacks or is unknown is noted."""
    found, stated = {}, section.mapping("inputs")
    known = {i.name: i for i in method.inputs}
    for name, node in stated.items():
        if name not in known:
            allowed = (
                f"{listing(known)} (inputs of method '{method.name}')"
                if known
                else f"no inputs, as method '{method.name}' has none"
            )
            section.notes.fault(node, f"unknown input {show(name)}", allowed, nearest(name, known))
        elif (value := _input_value(node, known[name], section.notes)) is not None:
            found[name] = value
    for name, entry in known.items():
        if name not in stated:
            at = section.at("inputs")
            section.notes.missing(at, name, f"{measured_in(entry.unit)}, as method '{method.name}' needs")
    return found


def _input_value(node: Located, entry: Input, notes: Notes) -> float | None:
    if "±" not in node.text:
        return number(node, entry.unit, notes)
    if entry.is_exact:
        notes.fault(
            node, show(node.text), f"an exact number: the method states neither u nor rounded for '{entry.name}'"
        )
        return None
    return _centre(node, entry.unit, notes)


def _centre(node: Located, unit: Unit, notes: Notes) -> float | None:
    """The value of ``a ± b`` [unit]."""
    try:
        stated = parse_value(node.text)
    except ValueFault as problem:
        notes.fault(node, problem.found, problem.allowed, problem.hint)
        return None
    if stated.unit.dimension != unit.dimension:
        notes.fault(node, f"{show(node.text)} [{stated.unit.dimension}]", measured_in(unit))
        return None
    return convert(stated.lower, stated.unit, unit)
