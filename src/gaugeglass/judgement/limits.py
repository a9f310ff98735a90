"""What a claim holds against which number, so that the number can be moved."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from gaugeglass.judgement.pools import Compared
from gaugeglass.language.expressions import Const, ExpressionError, Lowered, Node, Op, Ref, evaluate, lower, names
from gaugeglass.language.spec import Claim, Given, Spec
from gaugeglass.language.units import ONE, Dimension, Unit, UnitError, parse_unit

_SIGNS = {"gt": ">", "ge": ">=", "lt": "<", "le": "<="}
_TURNED = {">": "<", ">=": "<=", "<": ">", "<=": ">="}
_COHERENT = {
    "mass": "kg",
    "length": "m",
    "time": "s",
    "current": "A",
    "temperature": "K",
    "substance": "mol",
    "luminosity": "cd",
}
_NUMBER = re.compile(r"[\d.]+(?:[eE][-+]?\d+)?\s*(?:\[([^][]+)\]|([^\s\d()*/+-]\S*))")
"""A number with its unit, in brackets or not, as expressions have it."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What a claim compares, in the unit of ``compared``: the quantity ``name``; if empty, what the claim alone has."""

    name: str
    value: Node
    compared: Compared


def limit(spec: Spec, claim: Claim) -> Limit | None:
    """What a claim compares with a number, and how; None where it says anything else.

    Of two sides neither of which is a number the one less the other is compared with 0.
    """
    match claim.holds:
        case Op(op, (left, right)) if op in _SIGNS:
            for side, other, sign in ((left, right, _SIGNS[op]), (right, left, _TURNED[_SIGNS[op]])):
                if isinstance(side, Ref) and side.name not in spec.givens and _is_number(spec, other):
                    at = float(evaluate(other, spec.givens))
                    return Limit(side.name, side, Compared(sign, at, spec.quantities[side.name].unit.text))
            return _of_expression(spec, claim, _SIGNS[op])
    return None


def _is_number(spec: Spec, node: Node) -> bool:
    return isinstance(node, Const) or set(names(node)) <= spec.givens.keys()


def _of_expression(spec: Spec, claim: Claim, sign: str) -> Limit | None:
    """The same of a claim whose sides are as its text has them."""
    sides = _lowered(spec, claim.text)
    lead = next((side for _, side in sides if not side.zero), None)
    unit = _unit(spec, claim, lead.dimension) if lead and lead.dimension is not None else None
    if unit is None:
        return None
    (left, first), (right, second) = (
        (text, Op("mul", (side.node, Const(side.scale / unit.factor)))) for text, side in sides
    )
    match [_is_number(spec, side.node) for _, side in sides]:
        case [False, True]:
            return _limit(spec, left, first, sign, float(evaluate(second, spec.givens)), unit)
        case [True, False]:
            return _limit(spec, right, second, _TURNED[sign], float(evaluate(first, spec.givens)), unit)
        case [False, False]:
            told = f"{_bracketed(left)} - {_bracketed(right)}"
            return _limit(spec, told, Op("sub", (first, second)), sign, 0.0, unit)
    return None


def _limit(spec: Spec, told: str, value: Node, sign: str, at: float, unit: Unit) -> Limit:
    known = spec.model.quantities.get(told)
    is_quantity = known is not None and known.unit == unit
    return Limit(told if is_quantity else "", value, Compared(sign, at, unit.text, "" if is_quantity else told))


def _lowered(spec: Spec, text: str) -> list[tuple[str, Lowered]]:
    """Either side of the one comparison of a text, as text and as its tree; none where there is not just one."""
    quantities = spec.model.quantities
    units = {name: q.unit for name, q in quantities.items()}
    groups = {name: q.per for name, q in quantities.items() if not isinstance(q, Given) and q.per}
    try:
        return [(side, lower(side, units, groups=groups)) for side in _sides(text)]
    except ExpressionError:
        return []


def _sides(text: str) -> tuple[str, ...]:
    """The texts on either side of the one comparison outside of brackets; none where there is not just one."""
    depth, found = 0, []
    for at in re.finditer(r"[<>]=?|[()\[\]]", text):
        depth += (at[0] in "([") - (at[0] in ")]")
        if at[0][0] in "<>" and depth == 0:
            found.append(at.span())
    if len(found) != 1:
        return ()
    start, end = found[0]
    return text[:start].strip(), text[end:].strip()


def _bracketed(text: str) -> str:
    return f"({text})" if re.search(r"[+-]", text) else text


def _unit(spec: Spec, claim: Claim, dimension: Dimension) -> Unit | None:
    """A unit to state what is compared in: as the claim does, as a quantity in it, as any other, or a coherent one."""
    if not dimension.powers:
        return ONE
    return next((u for u in _units(spec, claim, dimension) if u.dimension == dimension and not u.offset), None)


def _units(spec: Spec, claim: Claim, dimension: Dimension) -> Iterator[Unit]:
    coherent = [(_COHERENT.get(name, ""), power) for name, power in dimension.powers]
    for text in [bracketed or bare for bracketed, bare in _NUMBER.findall(claim.text)]:
        yield from _known(text)
    quantities = spec.model.quantities
    yield from (quantities[name].unit for name in names(claim.holds) if name in quantities)
    yield from (q.unit for q in quantities.values())
    if all(name and power.denominator == 1 for name, power in coherent):
        yield from _known("*".join(f"{name}**{power}" for name, power in coherent))


def _known(text: str) -> Iterator[Unit]:
    try:
        yield parse_unit(text)
    except UnitError:
        return
