"""What has to hold between the sections of a model and a dossier, and what is odd though it may stand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gaugeglass.language.expressions import Const, Node, Op, Ref, names
from gaugeglass.language.families import Prior
from gaugeglass.language.located import Located, show
from gaugeglass.language.models import ModelReading
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Dossier, Latent, Model

_TAIL = 1e-6
"""A prior includes 0 where more than this probability lies on either side of it. [1]"""

type Placed = tuple[Located, Node]


def note_model(reading: ModelReading) -> None:
    """Note what is wrong or odd between the sections of a model file."""
    placed = tuple(_expressions(reading))
    latents = {latent.name: latent for latent in reading.model.latents}
    for node, tree in placed:
        for name in dict.fromkeys(divisors(tree)):
            if name in latents:
                _note_zero_latent(node, latents[name], reading)
    _warn_unused(reading, placed)


def note_dossier(root: Located, dossier: Dossier, reading: ModelReading, notes: Notes) -> None:
    """Note what is wrong or odd between a dossier and its model."""
    _note_zero_givens(root, dossier, reading, notes)
    _note_zero_inputs(root, dossier, reading.model, notes)
    if not notes.faults and not reading.notes.faults:
        _warn_methods(root, dossier, reading.model, notes)
        _warn_grades(root, dossier, reading.model, notes)
        _warn_origin(root, dossier, notes)


def _expressions(reading: ModelReading) -> Iterator[Placed]:
    """Every sound expression of a model with its place."""
    model, entries = reading.model, reading.root.entries
    for relation in model.relations:
        yield entries["relations"].entries[relation.name].entries["equals"], relation.equals
    for hypothesis in model.hypotheses:
        for name, tree in hypothesis.relations.items():
            yield entries["hypotheses"].entries[hypothesis.name].entries["relations"].entries[name], tree
    for method in model.methods:
        section = entries["methods"].entries[method.name].entries
        yield section["measures"], method.measures
        if method.likelihood.u is not None:
            yield section["likelihood"].entries["u"], method.likelihood.u
        for basis in method.basis:
            yield section["basis"], basis["factor"]
    for claim in model.claims:
        yield entries["claims"].entries[claim.name].entries["holds"], claim.holds


# --- division by what may be 0 ------------------------------------------------------------------------------


def divisors(tree: Node) -> Iterator[str]:
    """Every name that a tree divides by as it stands or as a factor, so that it must not be 0."""
    match tree:
        case Op("div", (_, below)):
            yield from _factors(below)
        case Op("pow", (base, Const(exponent))) if exponent < 0:
            yield from _factors(base)
    if isinstance(tree, Op):
        for arg in tree.args:
            yield from divisors(arg)


def _factors(tree: Node) -> Iterator[str]:
    match tree:
        case Ref(name):
            yield name
        case Op("mul" | "neg", args):
            for arg in args:
                yield from _factors(arg)
        case Op("div", (above, _)) | Op("pow", (above, Const())):
            yield from _factors(above)


def _note_zero_latent(node: Located, latent: Latent, reading: ModelReading) -> None:
    hint = f"a prior of one sign, such as lognormal or truncated_normal with lower above 0 {latent.unit}"
    for prior, where in _priors(latent, reading.model):
        if prior.bounds[0] >= 0 or prior.bounds[1] <= 0:
            continue
        low, high = (float(q) for q in prior.ppf([_TAIL, 1 - _TAIL]))
        if low < 0 < high:
            found = f"division by {show(latent.name)}, whose prior{where} includes 0: {prior.stated}"
            reading.notes.fault(node, found, "a divisor that cannot be 0", hint)
            return
    fixed = [h.name for h in reading.model.hypotheses if h.fix.get(latent.name) == 0]
    if fixed:
        found = f"division by {show(latent.name)}, which hypothesis {', '.join(fixed)} fixes at 0"
        reading.notes.fault(node, found, "a divisor that cannot be 0")


def _priors(latent: Latent, model: Model) -> Iterator[tuple[Prior, str]]:
    """The priors that a latent has under some hypothesis, with the words that say which."""
    rivals = model.hypotheses
    if not rivals or any(latent.name not in h.fix and h.priors.get(latent.name) is None for h in rivals):
        yield latent.prior, ""
    for hypothesis in rivals:
        replaced = hypothesis.priors.get(latent.name)
        if replaced is not None:
            yield replaced, f" under hypothesis {hypothesis.name}"


def _note_zero_givens(root: Located, dossier: Dossier, reading: ModelReading, notes: Notes) -> None:
    defaults = {g.name: g.value for g in reading.model.givens}
    zero = {name for name, value in (defaults | dict(dossier.givens)).items() if value == 0}
    for node, tree in _expressions(reading):
        for name in sorted(zero.intersection(divisors(tree))):
            at = root.find("givens", name) or Located(None, f"givens.{name}", root.line)
            place = f"{reading.notes.file}:{node.line}: " if node.line else ""
            notes.fault(at, f"given {show(name)} of 0, which {place}{node.path} divides by", "a number other than 0")


def _note_zero_inputs(root: Located, dossier: Dossier, model: Model, notes: Notes) -> None:
    for node, observation in zip(_observations(root), dossier.observations, strict=False):
        method = model.method_by_name.get(observation.method)
        below = set(divisors(method.measures)) if method else set()
        for name, value in observation.inputs.items():
            at = node.find("inputs", name)
            if value == 0 and name in below and at is not None:
                notes.fault(
                    at, f"{show(at.text)}, which method '{observation.method}' divides by", "a number other than 0"
                )


# --- what is odd --------------------------------------------------------------------------------------------


def _warn_unused(reading: ModelReading, placed: Iterable[Placed]) -> None:
    """Warn of givens and latents that nothing uses; one that only a faulty expression uses is let be."""
    if reading.notes.faults:
        return
    used = {name for _, tree in placed for name in names(tree)}
    for key, quantities in (("givens", reading.model.givens), ("latents", reading.model.latents)):
        for quantity in quantities:
            if quantity.name not in used:
                node = reading.root.entries[key].entries[quantity.name]
                reading.notes.warn(
                    node, f"nothing uses {show(quantity.name)}", "a use in a relation, a method or a claim"
                )


def _warn_methods(root: Located, dossier: Dossier, model: Model, notes: Notes) -> None:
    used = {o.method for o in dossier.observations} | {t.method for t in dossier.tables}
    used |= {c.method for c in (*dossier.candidates, *model.candidates)}
    unused = [method.name for method in model.methods if method.name not in used]
    if unused:
        at = root.entries.get("observations") or root
        found = f"no observation, table or candidate by {_count(unused, 'method')}: {', '.join(sorted(unused))}"
        notes.warn(at, found, "methods that nothing was observed by; they change nothing")


def _count(things: list[str], word: str) -> str:
    return f"{len(things)} {word}{'s' if len(things) > 1 else ''}"


def _warn_grades(root: Located, dossier: Dossier, model: Model, notes: Notes) -> None:
    if model.grades:
        return
    for node, observation in zip(_observations(root), dossier.observations, strict=False):
        if observation.grade:
            found = f"{show(observation.grade)}, which changes nothing"
            notes.warn(node.entries["grade"], found, "a mapping of grades to probabilities in the model (grades:)")


def _warn_origin(root: Located, dossier: Dossier, notes: Notes) -> None:
    evidence = [o for o in dossier.observations if o.withdrawn is None and o.repeats is None]
    if not evidence and not dossier.tables:
        at = root.entries.get("observations") or root
        notes.warn(at, "no evidence: no observation counts", "observations; without any, every posterior is the prior")
    origins = {o.origin for o in evidence}
    if len(evidence) > 1 and len(origins) == 1 and None not in origins and not dossier.tables:
        found = f"every observation has the origin {show(str(next(iter(origins))))}"
        notes.warn(
            root.entries["observations"], found, "evidence of more than one origin, to be checked against each other"
        )


def _observations(root: Located) -> tuple[Located, ...]:
    return root.entries["observations"].items if "observations" in root.entries else ()
