"""What came out in the end, as a dossier states it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from gaugeglass.language.expressions import evaluate_at, names
from gaugeglass.language.located import Located, show
from gaugeglass.language.models import ModelReading
from gaugeglass.language.provenance import read_date, source_of
from gaugeglass.language.ranges import Range, ranges
from gaugeglass.language.reading import Notes, Section, flag, listing, mapping, nearest, number
from gaugeglass.language.spec import Claim, Given, Spec, Truth

_SAME = 1e-9
"""Relative difference of two numbers below which they are the same but for the conversion of units. [1]"""


def read_truth(top: Section, reading: ModelReading, spec: Spec) -> Truth:
    """The truth of a dossier of which everything else is in ``spec``; what is wrong is noted."""
    found, declared = Truth(), reading.declared
    for name, node in top.mapping("truth").items():
        if name == "date":
            found = replace(found, date=read_date(node, top.notes))
        elif name == "source":
            found = replace(found, source=source_of(node, top.notes))
        elif name == "hypothesis":
            found = replace(found, hypothesis=_hypothesis(node, declared["hypotheses"], top.notes))
        elif name in declared["claims"]:
            found = replace(found, claims={**found.claims, name: flag(node, top.notes)})
        elif name in reading.scope.units:
            found = replace(found, quantities={**found.quantities, **dict(_numbers(name, node, reading, spec, top))})
        elif name not in reading.scope.broken:
            known = {*declared["claims"], *reading.scope.units, "hypothesis", "date", "source"}
            allowed = "a quantity, a claim, 'hypothesis', 'date' or 'source'"
            top.notes.fault(node, f"unknown name {show(name)}", allowed, nearest(name, known))
    if not reading.notes.faults:
        _note_impossible(top.at("truth"), found, spec, top.notes)
    _note_contradictions(top.at("truth"), found, spec, top.notes)
    return found


def follows(claim: Claim, known: Mapping[str, float]) -> bool | None:
    """Whether a claim holds of numbers that are known [their units]; None where it rests on others too."""
    if not set(names(claim.holds)) <= known.keys():
        return None
    return bool(evaluate_at(claim.holds, known, {}))


def _hypothesis(node: Located, known: frozenset[str], notes: Notes) -> str | None:
    if node.text in known:
        return node.text
    notes.fault(node, node.kind, f"a hypothesis: {listing(known)}", nearest(node.text, known))
    return None


def _numbers(name: str, node: Located, reading: ModelReading, spec: Spec, top: Section) -> Iterator[tuple[str, float]]:
    """The number of a quantity [its unit], or that of each member named where it has one value a member."""
    quantity = spec.model.quantities.get(name)
    group = None if quantity is None or isinstance(quantity, Given) else quantity.per
    places = {name: node}
    if group is not None and group not in spec.members:
        return  # it is noted where the quantity says that it is per such a group
    if group is not None:
        members = spec.members[group]
        places = {f"{name}[{member}]": inner for member, inner in mapping(node, top.notes).items()}
        for member, inner in node.entries.items():
            if member not in members:
                allowed = f"a {group}: {listing(members)}"
                top.notes.fault(inner, f"unknown {group} {show(member)}", allowed, nearest(member, members))
    for place, inner in places.items():
        value = number(inner, reading.scope.units[name], top.notes)
        if value is not None:
            yield place, value


def _note_impossible(at: Located, found: Truth, spec: Spec, notes: Notes) -> None:
    """Note every number that the quantity cannot be under any hypothesis, or under the true one."""
    asked = [h for h in spec.hypotheses if found.hypothesis in (None, h.name)]
    possible = [ranges(spec, hypothesis) for hypothesis in asked]
    under = f" under hypothesis '{found.hypothesis}'" if found.hypothesis else ""
    fixed = asked[0].fix if found.hypothesis else {}
    for name, value in found.quantities.items():
        base, node = _placed(at, name)
        if isinstance(spec.model.quantities[base], Given) or base in fixed:
            continue
        own = [known[base] for known in possible]
        if not any(_is_within(value, each) for each in own):
            told = " or ".join(dict.fromkeys(_range_text(each, spec, base) for each in _widest(own)))
            notes.fault(node, show(node.text), f"{told}, which is all that it can be{under}")


def _is_within(value: float, known: Range) -> bool:
    low, high = known
    return low <= value <= high or any(math.isclose(value, end, rel_tol=_SAME) for end in known)


def _widest(every: Sequence[Range]) -> list[Range]:
    """Those that are within no other."""
    return [a for a in every if not any(b[0] <= a[0] and a[1] <= b[1] and a != b for b in every)]


def _range_text(known: Range, spec: Spec, name: str) -> str:
    low, high = (_measured(end, spec, name) for end in known)
    if known[0] == known[1]:
        return low
    if math.isinf(known[0]):
        return f"{high} or less"
    return f"{low} or more" if math.isinf(known[1]) else f"from {low} to {high}"


def _measured(value: float, spec: Spec, name: str) -> str:
    """A number of a quantity with its unit."""
    unit = spec.model.quantities[name].unit.text
    return f"{value:.12g}" if unit == "1" else f"{value:.12g} {unit}"


def _placed(at: Located, name: str) -> tuple[str, Located]:
    """The name of a quantity without its member, and where its number is stated."""
    base, _, member = name.removesuffix("]").partition("[")
    return base, at.entries[base].entries[member] if member else at.entries[base]


def _note_contradictions(at: Located, found: Truth, spec: Spec, notes: Notes) -> None:
    """Note every number that the true hypothesis fixes otherwise, and every claim that both of them tell otherwise."""
    fixed = next((h.fix for h in spec.hypotheses if h.name == found.hypothesis), {})
    for name, value in found.quantities.items():
        base, node = _placed(at, name)
        to = fixed.get(name, fixed.get(base, value))
        if not math.isclose(value, to, rel_tol=_SAME):
            notes.fault(
                node, show(node.text), f"{_measured(to, spec, base)}, as hypothesis '{found.hypothesis}' fixes it"
            )
    stated = {**spec.givens, **found.quantities}
    known = {**fixed, **stated}
    for claim in spec.model.claims:
        said, told = found.claims.get(claim.name), follows(claim, known)
        if said is not None and told is not None and said != told:
            node, words = at.entries[claim.name], "true" if told else "false"
            by = "the numbers have" if follows(claim, stated) is not None else f"hypothesis '{found.hypothesis}' has"
            notes.fault(node, show(node.text), f"{words}, as {by} it: {claim.says}")
