"""A model file: its located tree becomes a ``Model``, and what is wrong is noted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from gaugeglass.language.families import PriorError
from gaugeglass.language.located import Located, show
from gaugeglass.language.medians import settle_priors
from gaugeglass.language.methods import Methods, read_methods
from gaugeglass.language.orders import order_relations
from gaugeglass.language.places import Background
from gaugeglass.language.plans import read_candidates
from gaugeglass.language.priors import read_prior
from gaugeglass.language.provenance import CREDIBILITIES, RELIABILITIES
from gaugeglass.language.reading import (
    Keys,
    Notes,
    Scope,
    Section,
    as_percentage,
    check_format,
    flag,
    given_number,
    keys,
    listing,
    mapping,
    named,
    nearest,
    note_names,
    number,
    probability,
    text,
    truth_tree,
    unit_of,
    value_tree,
)
from gaugeglass.language.rivals import read_hypotheses
from gaugeglass.language.spec import Balance, Claim, Given, Latent, Model, Relation
from gaugeglass.language.units import ONE, Unit

_MODEL = keys(
    "format title",
    "about cautions givens latents relations groups grades methods hypotheses claims candidates leading pictures",
)
_GIVEN = keys("about unit", "default whole")
_LATENT = keys("about unit prior because", "per")
_RELATION = keys("unit equals", "about source per")
_DRAFTED = {"latents": _LATENT, "relations": _RELATION}
_CLAIM = keys("says holds", "threshold")
_PICTURE_KINDS: dict[str, Literal["chain", "parts"]] = {"chain": "chain", "parts": "parts"}
_PICTURE = keys("kind title quantities", "total")
_GROUP = keys("", "about members")
_GRADES = keys("", "reliability credibility")


type _Draft = tuple[Section, Unit | None]


@dataclass(frozen=True)
class ModelReading:
    """What a model file gave: a model of what was sound in it, its tree, and what is wrong.

    ``declared`` names, section by section, everything that the file defines, sound or not.
    """

    model: Model
    root: Located
    notes: Notes
    scope: Scope
    declared: Mapping[str, frozenset[str]] = field(default_factory=dict)


def read_model(root: Located, name: str, notes: Notes) -> ModelReading | None:
    """Read a model; every fault is noted in ``notes``. None where it is of a format that is not read here."""
    top = Section(root, _MODEL, notes)
    if not check_format(top):
        return None
    groups = _groups(top)
    givens, drafts = _givens(top), {key: _drafts(top, key, known) for key, known in _DRAFTED.items()}
    scope = _scope(top, givens, drafts)
    latents, relations = _latents(drafts["latents"], scope, groups), _relations(drafts["relations"], scope, groups)
    methods = read_methods(top, scope, groups)
    hypotheses = read_hypotheses(top, {q.name: q for q in latents}, {q.name: q for q in relations}, scope)
    model = Model(
        name=name,
        file=notes.file,
        title=top.text("title"),
        about=top.text("about"),
        cautions=top.texts("cautions"),
        givens=givens,
        latents=latents,
        relations=order_relations(relations, latents, hypotheses, top),
        methods=methods,
        hypotheses=hypotheses,
        claims=_claims(top, scope),
        leading=_quantities(top, "leading", scope),
        pictures=_pictures(top, scope),
        groups=groups,
        grades=_grades(top),
    )
    declared = {
        key: frozenset(top.at(key).entries)
        for key in ("givens", "latents", "relations", "methods", "hypotheses", "claims")
    }
    background = Background(model, Methods(model.method_by_name, declared["methods"]))
    candidates = read_candidates(top, background, of_model=True)
    whole = _settled(replace(model, candidates=candidates), root, notes)
    return ModelReading(whole, root, notes, scope, declared)


def _settled(model: Model, root: Located, notes: Notes) -> Model:
    """The model whose priors all have values, as far as they follow from the model alone."""

    def note(place: tuple[str, ...], problem: PriorError) -> None:
        node = root.find(*place)
        hint = "so it is where all that it rests on is at its prior median"
        notes.fault(node or Located(None, ".".join(place)), problem.found, problem.allowed, hint)

    if notes.faults:
        return model
    return settle_priors(model, {g.name: g.value for g in model.givens if g.value is not None}, note)


# --- quantities ---------------------------------------------------------------------------------------------


def _givens(top: Section) -> tuple[Given, ...]:
    found = []
    for name, node in named(top, "givens"):
        section = Section(node, _GIVEN, top.notes)
        unit = unit_of(section)
        about = section.text("about")
        if unit is not None:
            whole = flag(section.at("whole"), top.notes) if "whole" in section else False
            default = section.entries.get("default")
            value = given_number(default, unit, top.notes, whole=whole) if default else None
            found.append(Given(name, about, unit, value, whole))
    return tuple(found)


def _drafts(top: Section, key: str, known: Keys) -> dict[str, _Draft]:
    """The latents or the relations with their units alone, since what they rest on may stand after them."""
    sections = {name: Section(node, known, top.notes) for name, node in named(top, key)}
    return {name: (section, unit_of(section)) for name, section in sections.items()}


def _latents(drafts: Mapping[str, _Draft], scope: Scope, groups: Mapping[str, Any]) -> tuple[Latent, ...]:
    found = []
    for name, (section, unit) in drafts.items():
        about, because, per = section.text("about"), section.text("because"), _per(section, groups)
        notes = _quiet(section.notes, unless=unit)
        prior = read_prior(section.at("prior"), unit or ONE, notes, scope) if "prior" in section else None
        if unit is not None and prior is not None:
            found.append(Latent(name, about, unit, prior, because, per))
    return tuple(found)


def _quiet(notes: Notes, *, unless: Unit | None) -> Notes:
    """Notes that nobody reads, where a fault would only follow from a unit that is at fault itself."""
    return notes if unless is not None else Notes(notes.file)


def _scope(top: Section, givens: Iterable[Given], drafts: Mapping[str, Mapping[str, _Draft]]) -> Scope:
    """Every quantity's unit; what is declared without a sound one is broken, what is declared twice is noted."""
    units = {given.name: given.unit for given in givens}
    units |= {name: unit for of_kind in drafts.values() for name, (_, unit) in of_kind.items() if unit}
    places: dict[str, Located] = {}
    for key in ("givens", "latents", "relations"):
        for name, node in top.at(key).entries.items():
            if name in places:
                other = places[name]
                where = f" (line {other.line})" if other.line else ""
                top.notes.fault(node, f"a second {show(name)}; the first is {other.path}{where}", "a name of its own")
            places.setdefault(name, node)
    members = {n: s.at("per").text for of_kind in drafts.values() for n, (s, _) in of_kind.items() if "per" in s}
    return Scope(units, frozenset(places) - frozenset(units), members)


def _relations(drafts: Mapping[str, _Draft], scope: Scope, groups: Mapping[str, Any]) -> tuple[Relation, ...]:
    found = []
    for name, (section, unit) in drafts.items():
        about, source, per = section.text("about"), section.text("source"), _per(section, groups)
        if "equals" not in section:
            continue
        node = section.at("equals")
        if unit is None:
            note_names(node, scope, section.notes)
        elif (tree := value_tree(node, unit, scope, section.notes)) is not None:
            found.append(Relation(name, about, unit, tree, node.text, source, per))
    return tuple(found)


def _per(section: Section, groups: Mapping[str, Any]) -> str | None:
    if "per" not in section:
        return None
    group = section.text("per")
    if group and group not in groups:
        section.notes.fault(section.at("per"), show(group), f"a group: {listing(groups)}", nearest(group, groups))
    return group or None


# --- what is asked ------------------------------------------------------------------------------------------


def _claims(top: Section, scope: Scope) -> tuple[Claim, ...]:
    found = []
    rivals = top.at("hypotheses").entries
    for name, node in named(top, "claims"):
        section = Section(node, _CLAIM, top.notes)
        if name in rivals:
            top.notes.fault(
                node, f"a claim named like hypothesis {show(name)}", "a name of its own: each hypothesis is a claim too"
            )
        threshold = probability(section.at("threshold"), top.notes) if "threshold" in section else 0.5
        says = section.text("says")
        tree = truth_tree(section.at("holds"), scope, top.notes) if "holds" in section else None
        if tree is not None and threshold is not None:
            found.append(Claim(name, says, tree, section.at("holds").text, threshold))
    return tuple(found)


def _quantities(section: Section, key: str, scope: Scope) -> tuple[str, ...]:
    """The names of quantities that a key lists; what is unknown is noted and left out."""
    return tuple(name for item in section.items(key) if (name := _quantity(item, scope, section.notes)))


def _quantity(item: Located, scope: Scope, notes: Notes) -> str | None:
    name, known = text(item, notes), {*scope.units, *scope.broken}
    if name in known:
        return name
    if name:
        notes.fault(item, show(name), "a given, a latent or a relation of this model", nearest(name, known))
    return None


def _pictures(top: Section, scope: Scope) -> tuple[Balance, ...]:
    found = (_picture(Section(item, _PICTURE, top.notes), scope) for item in top.items("pictures"))
    return tuple(picture for picture in found if picture is not None)


def _picture(section: Section, scope: Scope) -> Balance | None:
    word = section.text("kind")
    kind = _PICTURE_KINDS.get(word)
    if word and kind is None:
        section.notes.fault(section.at("kind"), show(word), listing(_PICTURE_KINDS), nearest(word, _PICTURE_KINDS))
    shown = _quantities(section, "quantities", scope)
    total = _quantity(section.at("total"), scope, section.notes) if "total" in section else None
    alike = {scope.units[name].dimension: name for name in (*shown, *filter(None, [total])) if name in scope.units}
    if len(alike) > 1:
        mixed = " and ".join(f"{show(name)} [{dimension}]" for dimension, name in alike.items())
        section.notes.fault(section.at("quantities"), mixed, "quantities of one dimension")
    if len(alike) != 1 or kind is None:
        return None
    return Balance(kind, section.text("title"), shown, total)


# --- groups and grades --------------------------------------------------------------------------------------


def _groups(top: Section) -> dict[str, Any]:
    found = {}
    for name, node in named(top, "groups"):
        section = Section(node, _GROUP, top.notes)
        found[name] = {"about": section.text("about"), "members": section.texts("members")}
    return found


def _grades(top: Section) -> dict[str, dict[str, float]]:
    if "grades" not in top:
        return {}
    section = Section(top.at("grades"), _GRADES, top.notes)
    wanted = {"reliability": RELIABILITIES, "credibility": CREDIBILITIES}
    return {key: _chances(section, key, marks) for key, marks in wanted.items() if key in section}


def _chances(section: Section, key: str, marks: str) -> dict[str, float]:
    found = {}
    for mark, node in mapping(section.at(key), section.notes).items():
        if mark not in tuple(marks):
            section.notes.fault(node, show(mark), ", ".join(marks))
        elif (chance := _chance(node, section.notes)) is not None:
            found[mark] = chance
    return found


def _chance(node: Located, notes: Notes) -> float | None:
    """A probability from 0 to 1, both included."""
    value = number(node, ONE, notes)
    if value is not None and not 0 <= value <= 1:
        allowed = "a probability from 0 to 1, or from 0 % to 100 %"
        notes.fault(node, show(node.text), allowed, as_percentage(node, value))
        return None
    return value
