"""Where quantities are when every latent is at its prior median, for priors whose parameters rest on quantities."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from gaugeglass.language.expressions import Node, evaluate_at
from gaugeglass.language.families import Prior, PriorError, settled
from gaugeglass.language.priors import checked
from gaugeglass.language.spec import Dossier, Hypothesis, Latent, Model, Relation, Spec, uses

type Note = Callable[[tuple[str, ...], PriorError], None]
"""Notes what is wrong with the prior under a row of keys of the model file."""


def settle_priors(model: Model, givens: Mapping[str, float], note: Note) -> Model:
    """The model in which every parameter of a prior that rests on quantities has a value beside its tree.

    A given that is not among ``givens`` [its unit] leaves the value of what rests on it NaN.
    """
    if not any(prior.trees for prior in _priors(model)):
        return model
    stated = _settled(model, Hypothesis("", ""), givens, note)
    latents = tuple(replace(q, prior=stated[q.name]) for q in model.latents)
    return replace(model, latents=latents, hypotheses=tuple(_rival(model, h, givens, note) for h in model.hypotheses))


def _priors(model: Model) -> list[Prior]:
    replaced = [prior for h in model.hypotheses for prior in h.priors.values() if prior]
    return [*(q.prior for q in model.latents), *replaced]


def _rival(model: Model, hypothesis: Hypothesis, givens: Mapping[str, float], note: Note) -> Hypothesis:
    if not any(prior and prior.trees for prior in hypothesis.priors.values()):
        return hypothesis
    found = _settled(model, hypothesis, givens, note)
    return replace(hypothesis, priors={name: prior and found[name] for name, prior in hypothesis.priors.items()})


def _settled(model: Model, hypothesis: Hypothesis, givens: Mapping[str, float], note: Note) -> dict[str, Prior]:
    """Every latent's prior under a hypothesis, with values; the faults of those that it states itself are noted."""
    quantities: tuple[Latent | Relation, ...] = model.latents + model.relations
    members = {q.name: len(model.groups.get(q.per, {"members": ()})["members"]) for q in quantities if q.per}
    values = {given.name: givens.get(given.name, math.nan) for given in model.givens}
    found: dict[str, Prior] = {}

    def value(tree: Node) -> float:
        return evaluate_at(tree, values, members)

    needed = _needed(model)
    for name in model.order:
        quantity = model.quantities[name]
        if isinstance(quantity, Latent):
            found[name] = _with_values(quantity, hypothesis, value, note)
            if name in needed:  # others' medians may need SciPy
                values[name] = hypothesis.fix.get(name, _median(found[name]))
        elif isinstance(quantity, Relation) and name in needed:
            values[name] = value(hypothesis.equals(quantity))
    return found


def _needed(model: Model) -> set[str]:
    """Every latent and relation that the parameters of a prior rest on under any hypothesis."""
    used = uses(model.relations, model.latents, model.hypotheses)
    relations = {r.name for r in model.relations}
    needed = {name for user, named in used.items() if user not in relations for name in named}
    for name in reversed(model.order):
        if name in needed:
            needed.update(used[name])
    return needed


def _with_values(latent: Latent, hypothesis: Hypothesis, value: Callable[[Node], float], note: Note) -> Prior:
    prior = hypothesis.prior(latent)
    if not prior.trees:
        return prior
    try:
        return checked(settled(prior, value))
    except (PriorError, ArithmeticError) as problem:
        plain = problem if isinstance(problem, PriorError) else PriorError("parameters too extreme", "less so")
        if not hypothesis.name:
            note(("latents", latent.name, "prior"), plain)
        elif hypothesis.priors.get(latent.name):
            note(("hypotheses", hypothesis.name, "priors", latent.name), plain)
        return prior


def _median(prior: Prior) -> float:
    if any(math.isnan(v) for v in prior.values.values()):
        return math.nan
    try:
        return prior.median
    except (ArithmeticError, ValueError):
        return math.nan


def spec_of(model: Model, dossier: Dossier, texts: Mapping[str, str] | None = None) -> Spec:
    """A model and a dossier without faults, the priors' values being as the dossier's givens have them."""
    givens = Spec(model, dossier).givens
    return Spec(settle_priors(model, givens, lambda place, problem: None), dossier, texts or {})
