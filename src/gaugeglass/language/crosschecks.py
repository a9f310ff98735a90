"""What has to hold between the sections of a model and a dossier, and what is odd though it may stand."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

from gaugeglass.language.expressions import Const, Node, Op, Ref, bare_comparisons, names, reduced, unsummed
from gaugeglass.language.families import Prior, PriorError
from gaugeglass.language.located import Located, show
from gaugeglass.language.medians import settle_priors
from gaugeglass.language.models import ModelReading
from gaugeglass.language.reading import Notes, bare_as
from gaugeglass.language.spec import Dossier, Latent, Model, Observation, Relation, Spec
from gaugeglass.language.units import SYMBOLS, Unit, convert

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
    _note_members(reading)
    _note_widths(reading)
    _note_ranges(reading)
    _note_methods(reading)
    _warn_unused(reading, placed)
    _warn_bare(reading, placed)


def note_dossier(root: Located, dossier: Dossier, reading: ModelReading, notes: Notes) -> None:
    """Note what is wrong or odd between a dossier and its model."""
    _note_zero_givens(root, dossier, reading, notes)
    _note_zero_inputs(root, dossier, reading.model, notes)
    if not notes.faults and not reading.notes.faults:
        _note_empty_groups(root, dossier, reading.model, notes)
        _note_unsettled(root, dossier, reading.model, notes)
        _warn_methods(root, dossier, reading.model, notes)
        _warn_origin(root, dossier, notes)


def _expressions(reading: ModelReading) -> Iterator[Placed]:
    """Every sound expression of a model with its place."""
    model, entries = reading.model, reading.root.entries
    for node, _, prior in _written_priors(reading):
        yield from ((node, tree) for _, tree in prior.trees)
    yield from ((node, tree) for node, _, tree in _written_relations(reading))
    for method in model.methods:
        section = entries["methods"].entries[method.name].entries
        yield section["measures"], method.measures
        of_likelihood = {"u": method.likelihood.u, "trials": method.likelihood.trials}
        yield from ((section["likelihood"].entries[key], tree) for key, tree in of_likelihood.items() if tree)
        for basis in method.basis:
            yield section["basis"], basis.factor
    for claim in model.claims:
        yield entries["claims"].entries[claim.name].entries["holds"], claim.holds


def _written_relations(reading: ModelReading) -> Iterator[tuple[Located, Relation, Node]]:
    """What every relation says with its place, the replaced ones after those stated."""
    relations = {relation.name: relation for relation in reading.model.relations}
    for relation in reading.model.relations:
        yield reading.root.entries["relations"].entries[relation.name].entries["equals"], relation, relation.equals
    for hypothesis in reading.model.hypotheses:
        for name, tree in hypothesis.relations.items():
            section = reading.root.entries["hypotheses"].entries[hypothesis.name]
            yield section.entries["relations"].entries[name], relations[name], tree


def _written_priors(reading: ModelReading) -> Iterator[tuple[Located, Latent, Prior]]:
    """Every prior of a latent with its place, the replaced ones after those stated."""
    latents = {latent.name: latent for latent in reading.model.latents}
    for latent in reading.model.latents:
        yield reading.root.entries["latents"].entries[latent.name].entries["prior"], latent, latent.prior
    for hypothesis in reading.model.hypotheses:
        for name, prior in hypothesis.priors.items():
            if prior is not None:
                section = reading.root.entries["hypotheses"].entries[hypothesis.name]
                yield section.entries["priors"].entries[name], latents[name], prior


# --- one value a member of a group --------------------------------------------------------------------------


def _note_members(reading: ModelReading) -> None:
    """Note what has one value and rests on a quantity with a value for each member, or on those of two groups."""
    model, entries, groups = reading.model, reading.root.entries, reading.scope.groups
    for node, latent, prior in _written_priors(reading):
        for _, tree in prior.trees:
            _note_loose(node, tree, latent.per, reading, or_per=True)
    for node, relation, tree in _written_relations(reading):
        _note_loose(node, tree, relation.per, reading, or_per=True)
        if relation.per in model.groups and relation.per not in {groups.get(n) for n in unsummed(tree)}:
            found = f"{show(node.text)}, which is the same for each {relation.per}"
            reading.notes.fault(node, found, f"an expression over something per: {relation.per}")
    for claim in model.claims:
        _note_loose(entries["claims"].entries[claim.name].entries["holds"], claim.holds, None, reading)
    for node in _shown(reading.root):
        if node.text in groups:
            allowed = "a quantity with one value, such as a relation that is its sum(...) or mean(...)"
            reading.notes.fault(node, _one_each(node.text, groups[node.text]), allowed)


def _note_empty_groups(root: Located, dossier: Dossier, model: Model, notes: Notes) -> None:
    """Note a group without members of which a quantity has one value for each."""
    members = Spec(model, dossier).members
    quantities: tuple[Latent | Relation, ...] = model.latents + model.relations
    for group in sorted({q.per for q in quantities if q.per and not members[q.per]}):
        allowed = f"members of '{group}', listed here or placed by observations (at: {{{group}: ...}})"
        notes.fault(Located(None, f"members.{group}", root.line), "nothing", allowed)


def _note_loose(node: Located, tree: Node, own: str | None, reading: ModelReading, *, or_per: bool = False) -> None:
    groups = reading.scope.groups
    for name in dict.fromkeys(unsummed(tree)):
        group = groups.get(name)
        if group in (None, own) or group not in reading.model.groups:
            continue
        per = f", or per: {group}" if or_per and own is None else ""
        found = _one_each(name, group) + (f", in {show(node.text)}" if node.text else "")
        reading.notes.fault(node, found, f"sum(...) or mean(...) of it over its members{per}")


def _one_each(name: str, group: str) -> str:
    return f"{show(name)}, which has one value for each {group}"


def _note_unsettled(root: Located, dossier: Dossier, model: Model, notes: Notes) -> None:
    """Note what the dossier's givens make impossible of a prior whose parameters rest on them."""

    def note(place: tuple[str, ...], problem: PriorError) -> None:
        at = root.entries.get("givens") or root
        notes.fault(at, f"{problem.found} of {'.'.join(place)}, with these givens", problem.allowed)

    settle_priors(model, Spec(model, dossier).givens, note)


def _shown(root: Located) -> Iterator[Located]:
    """The nodes that name quantities to be shown."""
    yield from root.entries["leading"].items if "leading" in root.entries else ()
    for picture in root.entries["pictures"].items if "pictures" in root.entries else ():
        yield from picture.entries["quantities"].items if "quantities" in picture.entries else ()
        if "total" in picture.entries:
            yield picture.entries["total"]


# --- what must be above 0, or from 0 to 1 -------------------------------------------------------------------


def _note_widths(reading: ModelReading) -> None:
    """Note a latent that may be 0 or less, or is fixed there, as the width of another's prior."""
    for node, latent, prior in _written_priors(reading):
        for parameter, tree in prior.trees:
            match parameter, tree:
                case "mu", Op("log", (median,)):
                    _note_width(node, "median", median, latent, reading)
                case "mean", _ if prior.family != "exponential":
                    pass
                case _:
                    _note_width(node, parameter, tree, latent, reading)


def _goes_below_0(prior: Prior) -> bool:
    return prior.bounds[0] < 0 and float(prior.ppf(_TAIL)) < 0


def _note_width(node: Located, parameter: str, tree: Node, latent: Latent, reading: ModelReading) -> None:
    model, notes = reading.model, reading.notes
    factors = set(_factors(tree))
    for width in (q for q in model.latents if q.name in factors):
        what, allowed = f"{show(width.name)} as {parameter} of {show(latent.name)}", "a quantity that is above 0"
        below = [(prior, where) for prior, where in _priors(width, model) if _goes_below_0(prior)]
        fixed = [h.name for h in model.hypotheses if h.fix.get(width.name, 1) <= 0 and latent.name not in h.fix]
        if below:
            found = f"{what}, whose prior{below[0][1]} goes below 0: {below[0][0].stated}"
            notes.fault(node, found, allowed, "a prior such as half_normal or lognormal")
        elif fixed:
            found = f"{what}, which hypothesis {', '.join(fixed)} fixes at 0"
            notes.fault(node, found, allowed, f"fix {latent.name} there too")


def _note_ranges(reading: ModelReading) -> None:
    """Note a latent that a method measures by itself, and whose prior goes beyond what its likelihood can be of."""
    latents = {latent.name: latent for latent in reading.model.latents}
    for method in reading.model.methods:
        upper = {"poisson": math.inf, "serial": math.inf, "binomial": 1.0, "beta": 1.0}.get(method.likelihood.family)
        name = next(names(method.measures), "")
        if upper is None or name not in latents or list(_factors(method.measures)) != [name]:
            continue
        for prior, where in _priors(latents[name], reading.model):
            low, high = (convert(end, latents[name].unit, method.unit) for end in prior.bounds)
            if low < 0 or high > upper:
                found = f"{show(name)}, whose prior{where} goes beyond: {prior.stated}"
                allowed = "0 or more" if math.isinf(upper) else "from 0 to 1"
                node = reading.root.entries["methods"].entries[method.name].entries["measures"]
                reading.notes.fault(node, found, f"{allowed}, as {method.likelihood.family} is of")
                break


def _note_methods(reading: ModelReading) -> None:
    """Note what a method may not measure: a sum over inputs, or serial numbers of what is no total by itself."""
    latents = {latent.name: latent for latent in reading.model.latents}
    for method in reading.model.methods:
        node = reading.root.entries["methods"].entries[method.name].entries["measures"]
        inputs = {i.name for i in method.inputs}
        for name in dict.fromkeys(n for tree in reduced(method.measures) for n in names(tree) if n in inputs):
            found = f"input {show(name)} inside of a sum or a mean"
            reading.notes.fault(node, found, "inputs outside of it: they belong to one observation, not to each member")
        total = latents.get(next(names(method.measures), ""))
        if method.likelihood.family != "serial" or total is None:
            continue
        over = next((where for prior, where in _priors(total, reading.model) if prior.trees), None)
        if total.per is not None:
            reading.notes.fault(node, f"{show(total.name)} per {total.per}", "one total for all serial numbers")
        elif over is not None:
            found = f"{show(total.name)}, whose prior{over} rests on other quantities"
            reading.notes.fault(node, found, "a total whose prior has numbers for parameters")


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
    below = {name: set(divisors(method.measures)) for name, method in model.method_by_name.items()}
    for node, observation in zip(_observations(root), dossier.observations, strict=False):
        for name in _zero_inputs(observation, below):
            at = node.find("inputs", name) or node
            notes.fault(at, f"{show(at.text)}, which method '{observation.method}' divides by", "a number other than 0")
    tables = root.entries["tables"].items if "tables" in root.entries else ()
    for node, table in zip(tables, dossier.tables, strict=False):
        zero = [(name, row.line) for row in table.rows for name in _zero_inputs(row, below)]
        for name in dict.fromkeys(name for name, _ in zero):
            lines = [str(line) for found, line in zero if found == name]
            more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
            found = f"0 in line {lines[0]}{more} of {table.file}, which method '{table.method}' divides by"
            notes.fault(node.find("inputs", name) or node, found, "numbers other than 0")


def _zero_inputs(observation: Observation, below: Mapping[str, set[str]]) -> list[str]:
    divided = below.get(observation.method, set())
    return [name for name, value in observation.inputs.items() if value == 0 and name in divided]


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


def _warn_bare(reading: ModelReading, placed: Iterable[Placed]) -> None:
    """Warn of quantities in %, deg or the like that are compared with a number that bears no unit."""
    units = {name: unit for name, unit in reading.scope.units.items() if unit.text == "%" or unit.is_never_bare}
    for node in [node for node, tree in placed if units.keys() & set(names(tree)) and node.is_scalar]:
        for text, name, number in bare_comparisons(node.text, units):
            if (meant := bare_as(number, units[name])) is not None:
                hint = f"did you mean {number:g} {_behind_a_number(units[name])}?"
                reading.notes.warn(node, f"{show(text)}, where {number:g} is {meant}", "a number with its unit", hint)


def _behind_a_number(unit: Unit) -> str:
    """A unit as it stands behind a number in an expression."""
    return unit.text if unit.text in SYMBOLS else f"[{unit}]"


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
