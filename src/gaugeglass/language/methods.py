"""The methods of a model file: what each measures, how its readings scatter and what comes with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from gaugeglass.language.expressions import Const, Node, Ref, names
from gaugeglass.language.families import Prior
from gaugeglass.language.located import Located, show
from gaugeglass.language.priors import read_prior
from gaugeglass.language.reading import (
    Notes,
    Scope,
    Section,
    dimensioned,
    is_name,
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
    unwritten_unit,
    value_tree,
)
from gaugeglass.language.spec import (
    COUNTS,
    LIKELIHOODS,
    PURE,
    Basis,
    Input,
    Likelihood,
    LikelihoodFamily,
    Method,
    Shared,
)
from gaugeglass.language.units import ONE, Unit, convert, convert_difference

_METHOD = keys("about measures likelihood", "unit inputs shared wrong basis source")
_LIKELIHOOD = keys("family", "u nu trials")
_INPUT = keys("unit", "about u rounded")
_SHARED = keys("by u", "name")
_BASIS = keys("name", "factor weight")
_QUANTITIES = ("givens", "latents", "relations")


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
    sections = {name: Section(node, _METHOD, top.notes) for name, node in named(top, "methods")}
    read = [_method(name, section, scope, groups) for name, section in sections.items()]
    found = tuple(method for method in read if method is not None)
    for method in found:
        _note_likelihood(sections[method.name], method, {key: frozenset(top.at(key).entries) for key in _QUANTITIES})
    _note_shared(sections, found)
    return found


def _method(name: str, section: Section, scope: Scope, groups: Mapping[str, Any]) -> Method | None:
    about, source = section.text("about"), section.text("source")
    inputs, broken = _inputs(section, scope)
    inner = scope.with_names({i.name: i.unit for i in inputs}, broken)
    unit = _unit(section, inner, scope)
    if unit is None:
        return None
    notes, node = section.notes, section.at("measures")
    tree = value_tree(node, unit, inner, notes) if "measures" in section else None
    likelihood = _likelihood(section, unit, inner) if "likelihood" in section else None
    shared, wrong, basis = _shared(name, section, unit, groups), _wrong(section, unit), _bases(section, inner)
    if tree is None or likelihood is None:
        return None
    return Method(name, about, unit, tree, node.text, likelihood, inputs, shared, wrong, basis, source)


def _unit(section: Section, inner: Scope, quantities: Scope) -> Unit | None:
    """The unit of what is measured and read: as stated, or as the likelihood or what is measured has it."""
    stated, family = unit_of(section), section.node.find("likelihood", "family")
    if family is None or family.text not in PURE:
        return stated if "unit" in section else _own_unit(section, inner, quantities)
    if stated not in (None, ONE):
        allowed = f"1, as what the likelihood {family.text} is of is a pure number"
        section.notes.fault(section.at("unit"), show(section.at("unit").text), allowed)
    return ONE


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
    trials = _trials(entry, family, scope)
    if family in COUNTS:
        if "u" in entry:
            entry.notes.fault(entry.at("u"), f"u of {family}", f"no u: a reading of {family} is a whole number")
        return Likelihood(family, nu, trials=trials) if trials or family != "binomial" else None
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


def _trials(entry: Section, family: str, scope: Scope) -> Node | None:
    """The number of trials of binomial, of which a reading counts those that succeeded."""
    if family != "binomial":
        if "trials" in entry:
            entry.notes.fault(entry.at("trials"), f"trials of {family}", "trials for binomial only")
        return None
    if "trials" not in entry:
        entry.notes.missing(entry.node, "trials", "how many were tried, over inputs and givens")
        return None
    node = entry.at("trials")
    tree = value_tree(node, ONE, scope, entry.notes)
    if isinstance(tree, Const) and not (tree.value >= 1 and tree.value.is_integer()):
        entry.notes.fault(node, show(node.text), "a whole number of trials, 1 or more")
        return None
    return tree


def _scatter(entry: Section, family: str, unit: Unit, scope: Scope, measures: str) -> Node | None:
    """The tree of a method's own u, in which the name ``u`` is what an observation states."""
    target = ONE if family == "lognormal" else unit.step
    node = entry.at("u")
    if "%" in node.text and node.text.strip("0123456789.% ") == "" and target.dimension.powers:
        hint = f"a share of the prediction is written {node.text} * ({measures})"
        entry.notes.fault(node, f"{show(node.text)} [pure number]", measured_in(unit.difference), hint)
        return None
    tree = value_tree(node, target, scope.with_names({"u": target}), entry.notes)
    if isinstance(tree, Const) and not tree.value > 0:
        entry.notes.fault(node, show(node.text), "a u above 0")
        return None
    return tree


def _note_likelihood(section: Section, method: Method, declared: Mapping[str, frozenset[str]]) -> None:
    """Note what cannot go together with a method's likelihood."""
    family, notes = method.likelihood.family, section.notes
    if family == "serial" and measured_quantity(method) not in declared["latents"]:
        notes.fault(section.at("measures"), show(method.text), "one latent alone: how many are numbered, from 1 on")
    beside = {"serial": ("shared", "wrong", "basis", "inputs"), "binomial": ("shared",), "beta": ("shared",)}
    why = {"serial": "serial numbers are read as they are"}.get(family, "it could leave 0 to 1 with the error")
    for key in beside.get(family, ()):
        if key in section:
            notes.fault(section.at(key), f"{key} beside {family}", f"no {key}: {why}")
    if method.likelihood.trials is not None:
        _note_trials(section.at("likelihood").entries["trials"], method, declared, notes)


def _note_trials(node: Located, method: Method, declared: Mapping[str, frozenset[str]], notes: Notes) -> None:
    exact = declared["givens"] | {i.name for i in method.inputs if i.is_exact}
    for name in dict.fromkeys(names(method.likelihood.trials or Const(1.0))):
        if name not in exact:
            allowed = f"givens and inputs without u or rounded: {', '.join(sorted(exact)) or 'there are none'}"
            notes.fault(node, f"{show(name)}, which is not known exactly", allowed)


# --- shared error, wrong readings and bases -----------------------------------------------------------------


def _shared(name: str, section: Section, unit: Unit, groups: Mapping[str, Any]) -> Shared | None:
    if "shared" not in section:
        return None
    entry = Section(section.at("shared"), _SHARED, section.notes)
    by, u = entry.text("by"), share_or_width(entry.at("u"), unit, section.notes) if "u" in entry else None
    allowed = ("origin", *sorted(groups))
    if by and by not in allowed:
        section.notes.fault(entry.at("by"), show(by), ", ".join(allowed), nearest(by, allowed))
    if own := entry.text("name"):
        is_name(own, entry.at("name"), section.notes)
    return Shared(by, *u, own or name) if by in allowed and u else None


def _note_shared(sections: Mapping[str, Section], methods: Iterable[Method]) -> None:
    """Note methods that share one error of a name, each by something else."""
    first: dict[str, Method] = {}
    for method in methods:
        if method.shared is None:
            continue
        other = first.setdefault(method.shared.name, method)
        by = other.shared.by if other.shared else ""
        if by != method.shared.by:
            section = sections[method.name]
            at = section.at("shared").entries["by"]
            found = f"{show(method.shared.by)} for the error {show(method.shared.name)}"
            section.notes.fault(at, found, f"'{by}', by which method '{other.name}' shares it; or a name of its own")


def share_or_width(node: Located, unit: Unit, notes: Notes) -> tuple[float, bool] | None:
    """A positive u and whether it is a share [1] rather than absolute [unit]."""
    stated = stated_number(node, notes)
    if stated is None:
        return None
    value, own = stated
    if unit.is_never_bare and (slip := unwritten_unit(node, value, own, unit)):
        notes.fault(node, show(node.text), f"a number in {unit}, or a percentage of the value", slip.hint)
        return None
    is_share = not own.dimension.powers and not own.is_angle
    relative = is_share and (own.text != "1" or not unit.dimension.powers)
    if not relative and own.dimension != unit.dimension:
        number(node, unit, notes, difference=True)
        return None
    if not value > 0:
        notes.fault(node, show(node.text), "a number above 0")
        return None
    return (convert(value, own, ONE), True) if relative else (convert_difference(value, own, unit), False)


def _wrong(section: Section, unit: Unit) -> Prior | None:
    """What a reading says when it is simply wrong: a prior-like density in the unit of the method."""
    if "wrong" not in section:
        return None
    return read_prior(section.at("wrong"), unit, section.notes)


def _bases(section: Section, scope: Scope) -> tuple[Basis, ...]:
    read = [_basis(item, section.notes, scope) for item in section.items("basis")]
    found = [basis for basis in read if basis is not None]
    twice = {b.name for b in found if [other.name for other in found].count(b.name) > 1}
    if twice:
        section.notes.fault(section.at("basis"), f"{listing(map(show, twice))} more than once", "names that differ")
    return tuple(found)


def _basis(item: Located, notes: Notes, scope: Scope) -> Basis | None:
    if item.is_scalar:
        name = text(item, notes)
        return Basis(name, Const(1.0)) if name else None
    entry = Section(item, _BASIS, notes)
    name = entry.text("name")
    weight = positive(entry.at("weight"), ONE, notes) if "weight" in entry else 1.0
    factor = value_tree(entry.at("factor"), ONE, scope, notes) if "factor" in entry else Const(1.0)
    written = entry.at("factor").text if "factor" in entry else "1"
    return Basis(name, factor, written, weight) if name and weight and factor else None


def measured_quantity(method: Method) -> str | None:
    """The name of what a method measures, where that is one quantity and nothing else."""
    return method.measures.name if isinstance(method.measures, Ref) else None
