"""Between which numbers a quantity surely is, whatever its prior leaves out: what its sign and its kind allow.

Each name in an equation is taken to vary by itself, so that a range may be wider than need be and is never narrower.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from gaugeglass.language.expressions import Const, Node, Op, Ref
from gaugeglass.language.families import Prior
from gaugeglass.language.spec import Hypothesis, Latent, Relation, Spec

type Range = tuple[float, float]

ANYTHING: Range = (-math.inf, math.inf)


def ranges(spec: Spec, hypothesis: Hypothesis, *, of_prior: Callable[[Prior], Range] | None = None) -> dict[str, Range]:
    """The range of each quantity [its unit] under a hypothesis; ``of_prior`` says otherwise what a prior allows."""
    of_prior = of_prior or _by_nature
    found = {name: (value, value) for name, value in spec.givens.items()}
    for name in spec.model.order:
        quantity = spec.model.quantities[name]
        if isinstance(quantity, Latent):
            fixed = hypothesis.fix.get(name)
            found[name] = of_prior(hypothesis.prior(quantity)) if fixed is None else (fixed, fixed)
        elif isinstance(quantity, Relation):
            found[name] = range_of(hypothesis.equals(quantity), found)
    return found


def _by_nature(prior: Prior) -> Range:
    """A share is a share, and what cannot be negative is not; other ends of a prior are beliefs, and may be wrong."""
    if prior.family == "beta":
        return prior.bounds
    low, high = prior.bounds
    return 0.0 if low >= 0 else -math.inf, 0.0 if high <= 0 else math.inf


def range_of(node: Node, known: Mapping[str, Range]) -> Range:
    """The range of a tree in which names have ranges; whatever has none may be anything."""
    match node:
        case Const(value):
            return value, value
        case Ref(name):
            return known.get(name, ANYTHING)
        case Op("where", (_, yes, no)):
            sides = range_of(yes, known), range_of(no, known)
            return min(low for low, _ in sides), max(high for _, high in sides)
        case Op("pow", (base, Const(exponent))):
            return _known(_power(range_of(base, known), exponent))
        case Op(op, args) if op in _DONE:
            return _known(_DONE[op](*(range_of(arg, known) for arg in args)))
    return ANYTHING


def _known(found: Range) -> Range:
    """The same, without an end that is no number."""
    low, high = found
    return -math.inf if math.isnan(low) else low, math.inf if math.isnan(high) else high


def _times(a: float, b: float) -> float:
    return 0.0 if a == 0 or b == 0 else a * b  # an infinite end is never reached, so that 0 of it is 0


def _product(a: Range, b: Range) -> Range:
    ends = [_times(x, y) for x in a for y in b]
    return min(ends), max(ends)


def _inverse(a: Range) -> Range:
    low, high = a
    if low < 0 < high or low == high == 0:
        return ANYTHING
    return 1 / high if high else -math.inf, 1 / low if low else math.inf


def _sum(a: Range) -> Range:
    """Of as many as there may be, but one at least."""
    low, high = a
    return low if low >= 0 else -math.inf, high if high <= 0 else math.inf


def _size(a: Range) -> Range:
    low, high = a
    return (0.0 if low <= 0 <= high else min(abs(low), abs(high))), max(abs(low), abs(high))


def _power(a: Range, exponent: float) -> Range:
    if exponent < 0:
        return _inverse(_power(a, -exponent))
    if exponent % 2 == 0:
        a = _size(a)
    elif exponent % 2 != 1:
        a = max(a[0], 0.0), max(a[1], 0.0)  # of what is below 0 it has no value
    return _each(a, lambda x: math.pow(x, exponent))


def _each(a: Range, grows: Callable[[float], float]) -> Range:
    """Of a function that grows."""
    low, high = (_at(grows, end) for end in a)
    return low, high


def _at(grows: Callable[[float], float], end: float) -> float:
    try:
        return grows(end)
    except OverflowError:
        return math.copysign(math.inf, end)


def _log(x: float) -> float:
    return math.log(x) if x > 0 else -math.inf


_DONE: Mapping[str, Callable[..., Range]] = {
    "add": lambda a, b: (a[0] + b[0], a[1] + b[1]),
    "sub": lambda a, b: (a[0] - b[1], a[1] - b[0]),
    "mul": _product,
    "div": lambda a, b: _product(a, _inverse(b)),
    "neg": lambda a: (-a[1], -a[0]),
    "min": lambda *of: (min(low for low, _ in of), min(high for _, high in of)),
    "max": lambda *of: (max(low for low, _ in of), max(high for _, high in of)),
    "abs": _size,
    "sqrt": lambda a: _each(a, lambda x: math.sqrt(max(x, 0.0))),
    "exp": lambda a: _each(a, math.exp),
    "log": lambda a: _each(a, _log),
    "sin": lambda a: (-1.0, 1.0),
    "cos": lambda a: (-1.0, 1.0),
    "asin": lambda a: (-math.pi / 2, math.pi / 2),
    "acos": lambda a: (0.0, math.pi),
    "atan": lambda a: _each(a, math.atan),
    "sum": _sum,
    "mean": lambda a: a,
}
