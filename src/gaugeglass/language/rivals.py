"""The rival hypotheses of a model file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gaugeglass.language.expressions import Node
from gaugeglass.language.families import Prior
from gaugeglass.language.located import Located, show
from gaugeglass.language.priors import read_prior
from gaugeglass.language.reading import (
    Notes,
    Scope,
    Section,
    keys,
    listing,
    named,
    nearest,
    number,
    positive,
    value_tree,
    with_unit,
)
from gaugeglass.language.spec import Hypothesis, Latent, Relation
from gaugeglass.language.units import ONE

_HYPOTHESIS = keys("says", "prior_weight fix priors relations")
_MECHANISMS = ("fix", "priors", "relations")
AS_STATED = "as stated"


@dataclass(frozen=True, slots=True)
class _Model:
    """What of the model the hypotheses speak of: what is sound by name, and every name that is declared."""

    latents: Mapping[str, Latent]
    relations: Mapping[str, Relation]
    scope: Scope
    latent_names: frozenset[str]
    relation_names: frozenset[str]


def read_hypotheses(top: Section, latents: Mapping[str, Latent], relations: Mapping[str, Relation],
                    scope: Scope) -> tuple[Hypothesis, ...]:  # fmt: skip
    """Every hypothesis of a model file; what is wrong with them is noted."""
    declared = (frozenset(top.at(key).entries) for key in ("latents", "relations"))
    model = _Model(latents, relations, scope, *declared)
    sections = {name: Section(node, _HYPOTHESIS, top.notes) for name, node in named(top, "hypotheses")}
    _note_unmentioned(sections, model)
    return tuple(_hypothesis(name, section, model) for name, section in sections.items())


def _note_unmentioned(sections: Mapping[str, Section], model: _Model) -> None:
    """Each hypothesis has to say what it does with every mechanism that distinguishes any of them."""
    known = model.latent_names | model.relation_names
    mentioned = {name: {key for m in _MECHANISMS for key in s.at(m).entries} & known for name, s in sections.items()}
    every = frozenset[str]().union(*mentioned.values())
    for name, section in sections.items():
        lacking = sorted(every - mentioned[name])
        if lacking:
            others = sorted(n for n in mentioned if not mentioned[n].isdisjoint(lacking))
            speak = "speaks" if len(others) == 1 else "speak"
            found = f"no word on {', '.join(map(show, lacking))}, of which {' and '.join(map(show, others))} {speak}"
            allowed = "a word on each, under fix, priors or relations; 'as stated' where nothing changes"
            section.notes.fault(section.node, found, allowed)


def _hypothesis(name: str, section: Section, model: _Model) -> Hypothesis:
    weight = positive(section.at("prior_weight"), ONE, section.notes) if "prior_weight" in section else 1.0
    fixed, priors = _fixed(section, model), _priors(section, model)
    trees, texts = _relations(section, model)
    return Hypothesis(name, section.text("says"), weight or 1.0, fixed, priors, trees, texts)


def _fixed(section: Section, model: _Model) -> dict[str, float]:
    found = {}
    for name, node in section.mapping("fix").items():
        latent = _latent(name, node, section.notes, model)
        value = number(node, latent.unit, section.notes) if latent else None
        if latent is None or value is None:
            continue
        lower, upper = latent.prior.bounds
        if not lower <= value <= upper:
            allowed = f"a value that its prior allows, {lower:g} .. {with_unit(upper, latent.unit)}"
            section.notes.fault(node, show(node.text), allowed)
        found[name] = value
    return found


def _latent(name: str, node: Located, notes: Notes, model: _Model) -> Latent | None:
    """The sound latent of a name; what is no latent at all is noted."""
    if name not in model.latent_names:
        allowed = f"a latent: {listing(model.latent_names)}"
        notes.fault(node, f"unknown latent {show(name)}", allowed, nearest(name, model.latent_names))
    return model.latents.get(name)


def _priors(section: Section, model: _Model) -> dict[str, Prior | None]:
    found: dict[str, Prior | None] = {}
    for name, node in section.mapping("priors").items():
        if name in section.at("fix").entries:
            section.notes.fault(node, f"{show(name)} both fixed and with a prior", "one of the two")
        latent = _latent(name, node, section.notes, model)
        if latent is not None:
            found[name] = _prior_or_as_stated(node, latent, section.notes, model.scope)
    return found


def _prior_or_as_stated(node: Located, latent: Latent, notes: Notes, scope: Scope) -> Prior | None:
    if not node.is_scalar:
        return read_prior(node, latent.unit, notes, scope)
    if node.text != AS_STATED:
        notes.fault(node, node.kind, "'as stated' or a prior", nearest(node.text, [AS_STATED]))
    return None


def _relations(section: Section, model: _Model) -> tuple[dict[str, Node], dict[str, str]]:
    trees, texts = {}, {}
    for name, node in section.mapping("relations").items():
        if name not in model.relation_names:
            allowed = f"a relation: {listing(model.relation_names)}"
            section.notes.fault(node, f"unknown relation {show(name)}", allowed, nearest(name, model.relation_names))
        elif name in model.relations and node.text != AS_STATED:
            tree = value_tree(node, model.relations[name].unit, model.scope, section.notes)
            if tree is not None:
                trees[name], texts[name] = tree, node.text
    return trees, texts
