"""Expressions: what an equation or a claim says, as a small tree with its units settled.

A text is parsed by a grammar and lowered once: every name keeps its own unit, and where two
units meet the conversion is put into the tree as a plain factor. What is left knows nothing of
units and can be evaluated, drawn as a graph or differentiated by whoever holds a table of ``op``.
"""

from __future__ import annotations

import difflib
import functools
import math
import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from gaugeglass.language.late import Late
from gaugeglass.language.units import ONE, Dimension, Unit, UnitError, parse_unit

_LONGEST = 2000
_MOST_TOKENS = 300
_DEEPEST = 40
_DEEPEST_TREE = 150
"""Levels of a syntax tree that are still walked: each costs a few of Python's thousand frames."""

_GRAMMAR = r"""
    ?start: disjunction
    ?disjunction: conjunction
                | conjunction ("or" conjunction)+      -> disjunction
    ?conjunction: negation
                | negation ("and" negation)+           -> conjunction
    ?negation: comparison
             | "not" negation                          -> negation
    ?comparison: sum
               | sum (COMPARE sum)+                    -> comparison
    ?sum: product
        | sum PLUS product                             -> binary
    ?product: signed
        | product TIMES signed                         -> binary
    ?signed: PLUS signed                               -> sign
           | power
    ?power: atom
          | atom POWER signed                          -> binary
    ?atom: NUMBER [unit]                               -> number
         | NAME "(" disjunction ("," disjunction)* ")" -> call
         | NAME                                        -> name
         | "(" disjunction ")"                         -> grouped
    unit: NAME | SIGN | "[" BRACKETED "]"
    COMPARE: "<=" | ">=" | "==" | "!=" | "<" | ">"
    PLUS: "+" | "-"
    TIMES: "*" | "/"
    POWER: "**"
    SIGN: "%" | "‰" | /°[CF]?/
    BRACKETED: /[^\[\]]+/
    NAME: /[^\W\d]\w*/
    NUMBER: /(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?/
    %ignore /[ \t\n]+/
"""


class ExpressionError(ValueError):
    """An expression cannot be read or its units do not agree; ``found``, ``allowed`` and ``hint`` say where."""

    def __init__(self, found: str, allowed: str, hint: str | None = None) -> None:
        super().__init__(f"{found}: {allowed}")
        self.found, self.allowed, self.hint = found, allowed, hint


@dataclass(frozen=True, slots=True)
class Const:
    """A number without unit."""

    value: float


@dataclass(frozen=True, slots=True)
class Ref:
    """A quantity or an input, in its own unit."""

    name: str


@dataclass(frozen=True, slots=True)
class Op:
    """An operation of the table ``OPERATIONS`` on its arguments."""

    op: str
    args: tuple[Node, ...]


type Node = Const | Ref | Op

OPERATIONS = {
    "add": "add", "sub": "subtract", "mul": "multiply", "div": "divide", "pow": "power", "neg": "negative",
    "min": "minimum", "max": "maximum", "abs": "abs", "sqrt": "sqrt", "exp": "exp", "log": "log", "where": "where",
    "sin": "sin", "cos": "cos", "tan": "tan", "asin": "arcsin", "acos": "arccos", "atan": "arctan",
    "lt": "less", "le": "less_equal", "gt": "greater", "ge": "greater_equal", "eq": "equal", "ne": "not_equal",
    "and": "logical_and", "or": "logical_or", "not": "logical_not",
}  # fmt: skip
"""Every operation by its name, with the function of NumPy that does it to arrays that broadcast."""

REDUCTIONS = ("sum", "mean")
"""What makes one value of a quantity's values for each member of a group, by the names of the functions of NumPy."""

_AT_ONCE: dict[str, Callable[..., float]] = {
    "add": operator.add, "sub": operator.sub, "mul": operator.mul, "div": operator.truediv, "pow": math.pow,
    "neg": operator.neg, "min": min, "max": max, "abs": abs, "sqrt": math.sqrt, "exp": math.exp, "log": math.log,
    "sin": math.sin, "cos": math.cos, "tan": math.tan, "asin": math.asin, "acos": math.acos, "atan": math.atan,
    "where": lambda condition, yes, no: yes if condition else no, "lt": operator.lt, "le": operator.le,
    "gt": operator.gt, "ge": operator.ge, "eq": operator.eq, "ne": operator.ne, "and": lambda a, b: bool(a and b),
    "or": lambda a, b: bool(a or b), "not": operator.not_,
}  # fmt: skip
"""What is done to plain numbers while a file is read, for which NumPy need not be loaded."""

_numpy = Late("numpy")

FUNCTIONS = (
    "min", "max", "abs", "sqrt", "exp", "log", "sin", "cos", "tan", "asin", "acos", "atan", "where", "sum", "mean",
)  # fmt: skip
"""What is called by its name; angles are pure numbers, in radians where they bear no unit."""
RESERVED = frozenset({*FUNCTIONS, "and", "or", "not", "u", "true", "false"})
_COMPARISONS = {"<": "lt", "<=": "le", ">": "gt", ">=": "ge", "==": "eq", "!=": "ne"}
_BINARY = {"+": "add", "-": "sub", "*": "mul", "/": "div", "**": "pow"}


@dataclass(frozen=True, slots=True)
class Lowered:
    """A tree whose value times ``scale`` is in coherent SI units of ``dimension``.

    ``dimension`` is None for a truth value; ``zero`` marks a bare 0, which fits any dimension.
    """

    node: Node
    dimension: Dimension | None
    scale: float = 1.0
    zero: bool = False


def evaluate(node: Node, values: Mapping[str, Any]) -> Any:
    """The value of a tree where names stand for NumPy arrays that broadcast against each other.

    A quantity with one value a member of a group stands for an array with dims ``("member", ...)``, whether or not they
    differ; any other for one with dims ``(...)``. ``sum`` and ``mean`` go over ``member``.
    """
    match node:
        case Const(value):
            return value
        case Ref(name):
            return values[name]
        case Op(op, (arg,)) if op in REDUCTIONS:
            return getattr(_numpy, op)(evaluate(arg, values), axis=0)
        case Op(op, args):
            return getattr(_numpy, OPERATIONS[op])(*(evaluate(a, values) for a in args))


def certainty(node: Node, values: Mapping[str, Any]) -> tuple[Any, Any]:
    """Where a truth surely holds, and where it may hold: they differ where something compared has no value.

    ``and``, ``or`` and ``not`` are those of S. C. Kleene's strong logic of three values, J. Symbolic Logic 3 (1938) 150
    (from memory). ``values`` are as ``evaluate`` has them.
    """
    match node:
        case Op("not", (arg,)):
            surely, possibly = certainty(arg, values)
            return ~possibly, ~surely
        case Op("and" | "or" as op, (left, right)):
            pairs = zip(certainty(left, values), certainty(right, values), strict=True)
            surely, possibly = (getattr(_numpy, OPERATIONS[op])(*pair) for pair in pairs)
            return surely, possibly
        case Op(op, args):
            sides = [_numpy.asarray(evaluate(arg, values)) for arg in args]
            known = functools.reduce(operator.and_, map(_numpy.isfinite, sides))
            truth = getattr(_numpy, OPERATIONS[op])(*sides)
            return truth & known, truth | ~known
    raise TypeError(f"no truth: {node}")


def evaluate_at(node: Node, values: Mapping[str, float], members: Mapping[str, int]) -> float:
    """The value of a tree where names stand for plain numbers; NaN where there is none.

    ``members`` says how many members are listed of the group of each name that has one value a member. All have the
    same value then, and of a group that lists none there is taken to be one.
    """
    try:
        return float(_at(node, values, members))
    except (ArithmeticError, ValueError):
        return math.nan


def _at(node: Node, values: Mapping[str, float], members: Mapping[str, int]) -> float:
    match node:
        case Const(value):
            return value
        case Ref(name):
            return values[name]
        case Op("mean", (arg,)):
            return _at(arg, values, members)
        case Op("sum", (arg,)):
            return _at(arg, values, members) * max(1, *(members.get(name, 1) for name in unsummed(arg)))
        case Op(op, args):
            return _AT_ONCE[op](*(_at(arg, values, members) for arg in args))


def names(node: Node) -> Iterator[str]:
    """Every name in a tree, repeats included, from left to right."""
    match node:
        case Ref(name):
            yield name
        case Op(_, args):
            for arg in args:
                yield from names(arg)


def unsummed(node: Node) -> Iterator[str]:
    """Every name outside of ``sum`` and ``mean``; where one of them has a value for each member, so has the tree."""
    match node:
        case Ref(name):
            yield name
        case Op(op, args) if op not in REDUCTIONS:
            for arg in args:
                yield from unsummed(arg)


def reduced(node: Node) -> Iterator[Node]:
    """Every tree that ``sum`` or ``mean`` is taken of."""
    if isinstance(node, Op):
        for arg in node.args:
            yield from [arg] if node.op in REDUCTIONS else reduced(arg)


def placed(node: Node, at: Mapping[str, str]) -> Node:
    """A tree with names outside of ``sum`` and ``mean`` replaced by other names."""
    match node:
        case Ref(name):
            return Ref(at.get(name, name))
        case Op(op, args) if op not in REDUCTIONS:
            return Op(op, tuple(placed(arg, at) for arg in args))
    return node


def lower(text: str, units: Mapping[str, Unit], *, groups: Mapping[str, str] | None = None) -> Lowered:
    """Read an expression whose names have the given units.

    ``groups`` names the group that a name has one value a member of; ``sum`` and ``mean`` take only those.

    Raises
    ------
    ExpressionError
        If the text does not parse, names something unknown, or adds or compares different dimensions.
    """
    return _Lowering(units, groups or {}).visit(parse(text))


def lower_value(text: str, units: Mapping[str, Unit], unit: Unit, *, groups: Mapping[str, str] | None = None) -> Node:
    """Read an expression as a value in ``unit`` (a temperature in °C with its zero)."""
    low = lower(text, units, groups=groups)
    if low.dimension is None:
        raise ExpressionError(f"{text!r} [truth value]", f"a value in {unit}")
    if low.dimension != unit.dimension and not low.zero:
        wanted = f"[{unit.dimension}], for {unit}" if unit.dimension.powers else "a pure number"
        raise ExpressionError(f"{text!r} [{low.dimension}]", wanted)
    return _shift(_times(low.node, low.scale / unit.factor), -unit.offset / unit.factor)


def lower_truth(text: str, units: Mapping[str, Unit], *, groups: Mapping[str, str] | None = None) -> Node:
    """Read an expression that is true or false."""
    low = lower(text, units, groups=groups)
    if low.dimension is not None:
        raise ExpressionError(f"{text!r} [{low.dimension}]", "a comparison such as reserve > 5 %")
    return low.node


# --- parsing ------------------------------------------------------------------------------------------------


@functools.cache
def _parser() -> Any:
    import lark

    return lark.Lark(_GRAMMAR, parser="lalr", maybe_placeholders=True)


def parse(text: str) -> Any:
    """The syntax tree of an expression; ``lower`` gives it its meaning."""
    import lark

    text = text.replace("−", "-").replace("\u202f", " ").replace("\u00a0", " ").replace("\u2009", " ")
    if len(text) > _LONGEST:
        raise ExpressionError(f"{len(text)} characters", f"at most {_LONGEST}")
    if _depth(text) > _DEEPEST:
        raise ExpressionError(f"{_depth(text)} nested brackets", f"at most {_DEEPEST}")
    try:
        tree = _parser().parse(text)
    except lark.exceptions.UnexpectedInput as problem:
        raise _unexpected(text, problem) from problem
    _refuse_large(tree)
    return tree


def _refuse_large(tree: Any) -> None:
    level, depth, tokens = [tree], 0, 0
    while level and depth <= _DEEPEST_TREE:
        level = [child for node in level for child in getattr(node, "children", ())]
        depth, tokens = depth + 1, tokens + sum(1 for child in level if isinstance(child, str))
    if depth > _DEEPEST_TREE:
        raise ExpressionError("a very long row of signs", f"at most {_DEEPEST_TREE} within each other")
    if tokens > _MOST_TOKENS:
        raise ExpressionError("a very long expression", f"at most {_MOST_TOKENS} names, numbers and signs")


def mentioned(text: str) -> tuple[str, ...]:
    """Every name that an expression uses, once each, whether or not it is defined.

    Raises
    ------
    ExpressionError
        If the text does not parse.
    """
    return tuple(
        dict.fromkeys(str(name.children[0]) for name in parse(text).iter_subtrees_topdown() if name.data == "name")
    )


def bare_comparisons(text: str, units: Mapping[str, Unit]) -> Iterator[tuple[str, str, float]]:
    """Every comparison of one of the names with a bare number, ``where(...)`` included: its text, name and number."""
    for tree in parse(text).iter_subtrees_topdown():
        if tree.data == "comparison":
            sides, signs = [_plain(t) for t in tree.children[::2]], tree.children[1::2]
            for left, sign, right in zip(sides, signs, sides[1:], strict=False):
                match left, right:
                    case (str(name), (str(number), value)) if name in units:
                        yield f"{name} {sign} {number}", name, value
                    case ((str(number), value), str(name)) if name in units:
                        yield f"{number} {sign} {name}", name, value


def _plain(tree: Any) -> str | tuple[str, float] | None:
    """The name or the bare number, as written and in value, that a tree is; None where it is neither."""
    match tree.data:
        case "name":
            return str(tree.children[0])
        case "number" if tree.children[1] is None:
            return str(tree.children[0]), float(tree.children[0])
        case "grouped":
            return _plain(tree.children[0])
        case "sign" if isinstance(inner := _plain(tree.children[1]), tuple):
            sign = str(tree.children[0])
            return f"{sign}{inner[0]}", float(f"{sign}1") * inner[1]
    return None


def _depth(text: str) -> int:
    depth = deepest = 0
    for char in text:
        depth += (char == "(") - (char == ")")
        deepest = max(deepest, depth)
    return deepest


def _unexpected(text: str, problem: Any) -> ExpressionError:
    column = getattr(problem, "column", -1)
    shown = text if len(text) <= 60 else text[:57] + "…"
    allowed = "names, numbers with a unit, + - * / **, comparisons, and or not, " + " ".join(FUNCTIONS)
    ended = getattr(getattr(problem, "token", None), "type", "") == "$END"
    if ended or not isinstance(column, int) or column < 1 or column > len(text):
        return ExpressionError(f"{shown!r}, which ends too early", allowed)
    odd = text[column - 1]
    rest = odd if odd.isspace() else text[column - 1 :].split(maxsplit=1)[0][:20]
    hint = "compound units stand in brackets, as in 0.25 [kWh/km]" if rest.startswith("[") else None
    if rest.startswith("=") and not rest.startswith("=="):
        hint = "equality is written =="
    if rest.startswith("^"):
        hint = "a power is written **"
    return ExpressionError(f"{rest!r} at character {column} of {shown!r}", allowed, hint)


# --- lowering -----------------------------------------------------------------------------------------------


def _times(node: Node, factor: float) -> Node:
    if math.isclose(factor, 1.0, rel_tol=1e-14):
        return node
    if isinstance(node, Const):
        return Const(node.value * factor)
    return Op("mul", (node, Const(factor)))


def _shift(node: Node, by: float) -> Node:
    if by == 0:
        return node
    return Const(node.value + by) if isinstance(node, Const) else Op("add", (node, Const(by)))


class _Lowering:
    """One walk over a syntax tree; each method is named after the grammar's rule."""

    def __init__(self, units: Mapping[str, Unit], groups: Mapping[str, str]) -> None:
        self.units, self.groups = units, groups

    def visit(self, tree: Any) -> Lowered:
        rule: Callable[..., Lowered] = getattr(self, f"_{tree.data}")
        return rule(*tree.children)

    def _number(self, number: Any, unit_tree: Any) -> Lowered:
        value = float(number)
        if not math.isfinite(value):
            raise ExpressionError(f"'{number}'", "a finite number")
        if unit_tree is None:
            return Lowered(Const(value), Dimension(), zero=value == 0)
        return self._with_unit(value, self._read_unit(str(unit_tree.children[0]).strip()))

    def _grouped(self, tree: Any) -> Lowered:
        return self.visit(tree)

    @staticmethod
    def _read_unit(text: str) -> Unit:
        try:
            return parse_unit(text)
        except UnitError as problem:
            raise ExpressionError(f"unit {problem.found!r}", problem.allowed, problem.hint) from problem

    @staticmethod
    def _with_unit(value: float, unit: Unit) -> Lowered:
        if unit.offset:
            return Lowered(Const(value * unit.factor + unit.offset), unit.dimension)
        return Lowered(Const(value), unit.dimension, unit.factor)

    def _name(self, token: Any) -> Lowered:
        name = str(token)
        if name not in self.units:
            near = difflib.get_close_matches(name, self.units, n=1)
            hint = f"did you mean '{near[0]}'?" if near else None
            if not near and _is_unit(name):
                hint = f"a unit follows its number, compound ones in brackets, as in 0.25 [kWh/{name}]"
            raise ExpressionError(f"unknown name {name!r}", "a name defined in this model", hint)
        unit = self.units[name]
        if unit.offset:
            return Lowered(_shift(_times(Ref(name), unit.factor), unit.offset), unit.dimension)
        return Lowered(Ref(name), unit.dimension, unit.factor)

    def _sign(self, sign: Any, tree: Any) -> Lowered:
        low = self._value(tree)
        if sign == "+":
            return low
        node = Const(-low.node.value) if isinstance(low.node, Const) else Op("neg", (low.node,))
        return Lowered(node, low.dimension, low.scale, low.zero)

    def _binary(self, left: Any, sign: Any, right: Any) -> Lowered:
        op = _BINARY[str(sign)]
        if op == "pow" and left.data == "number" and left.children[1] is not None:
            number, unit = str(left.children[0]), str(left.children[1].children[0]).strip()
            raise ExpressionError(
                f"'{number} {unit}**…'",
                f"{number} [{unit}**…] for a power of the unit, ({number} {unit})**… for one of both",
            )
        a, b = self._value(left), self._value(right)
        if op == "pow":
            return self._power(a, b)
        if op in ("add", "sub"):
            first, second = self._aligned([a, b], {"add": "added", "sub": "subtracted"}[op])
            return Lowered(_fold(op, first.node, second.node), first.dimension, first.scale)
        da, db = _dim(a), _dim(b)
        if op == "mul":
            return Lowered(_fold(op, a.node, b.node), da * db, a.scale * b.scale)
        if b.zero:
            raise ExpressionError("division by 0", "a divisor that is not zero")
        return Lowered(_fold(op, a.node, b.node), da / db, a.scale / b.scale)

    def _power(self, base: Lowered, exponent: Lowered) -> Lowered:
        power = self._pure(exponent, "an exponent")
        if not _dim(base).powers:
            return Lowered(_fold("pow", self._pure(base, "a base"), power), Dimension())
        if not isinstance(power, Const):
            raise ExpressionError(f"a variable exponent of [{base.dimension}]", "a number as exponent")
        fraction = Fraction(power.value).limit_denominator(12)
        return Lowered(_fold("pow", base.node, power), _dim(base) ** fraction, base.scale**power.value)

    def _comparison(self, *children: Any) -> Lowered:
        values, signs = [self._value(t) for t in children[::2]], children[1::2]
        parts: list[Node] = []
        for a, sign, b in zip(values, signs, values[1:], strict=False):
            first, second = self._aligned([a, b], "compared")
            parts.append(Op(_COMPARISONS[str(sign)], (first.node, second.node)))
        return Lowered(functools.reduce(lambda x, y: Op("and", (x, y)), parts), None)

    def _conjunction(self, *trees: Any) -> Lowered:
        return Lowered(functools.reduce(lambda x, y: Op("and", (x, y)), [self._truth(t) for t in trees]), None)

    def _disjunction(self, *trees: Any) -> Lowered:
        return Lowered(functools.reduce(lambda x, y: Op("or", (x, y)), [self._truth(t) for t in trees]), None)

    def _negation(self, tree: Any) -> Lowered:
        return Lowered(Op("not", (self._truth(tree),)), None)

    def _call(self, token: Any, *trees: Any) -> Lowered:
        name = str(token)
        if name not in FUNCTIONS:
            near = difflib.get_close_matches(name, FUNCTIONS, n=1)
            hint = f"did you mean '{near[0]}'?" if near else None
            raise ExpressionError(f"unknown function {name!r}", " ".join(FUNCTIONS), hint)
        wanted = {"where": (3, 3), "min": (2, 20), "max": (2, 20)}.get(name, (1, 1))
        if not wanted[0] <= len(trees) <= wanted[1]:
            many = str(wanted[0]) if wanted[0] == wanted[1] else f"{wanted[0]} or more"
            raise ExpressionError(f"{name} of {len(trees)}", f"{name} takes {many}")
        low: Lowered = getattr(self, f"_call_{name}", self._pure_call)(name, *trees)
        if isinstance(low.node, Op) and all(isinstance(arg, Const) for arg in low.node.args):
            _at_once(low.node)
        return low

    def _pure_call(self, name: str, tree: Any) -> Lowered:
        return Lowered(Op(name, (self._pure(self._value(tree), f"the argument of {name}"),)), Dimension())

    def _call_sin(self, name: str, tree: Any) -> Lowered:
        low = self._value(tree)
        if _dim(low).powers:
            raise ExpressionError(f"the argument of {name} [{low.dimension}]", "an angle, such as 30 deg or 0.5 rad")
        return Lowered(Op(name, (_times(low.node, low.scale),)), Dimension())

    _call_cos = _call_tan = _call_sin

    def _call_min(self, name: str, *trees: Any) -> Lowered:
        values = self._aligned([self._value(t) for t in trees], "compared")
        node = functools.reduce(lambda x, y: Op(name, (x, y)), [v.node for v in values])
        return Lowered(node, values[0].dimension, values[0].scale)

    _call_max = _call_min

    def _call_abs(self, name: str, tree: Any) -> Lowered:
        low = self._value(tree)
        return Lowered(Op(name, (low.node,)), low.dimension, low.scale)

    def _call_sqrt(self, name: str, tree: Any) -> Lowered:
        low = self._value(tree)
        return Lowered(Op(name, (low.node,)), _dim(low) ** Fraction(1, 2), math.sqrt(low.scale))

    def _call_where(self, name: str, condition: Any, yes: Any, no: Any) -> Lowered:
        a, b = self._aligned([self._value(yes), self._value(no)], "chosen between")
        return Lowered(Op(name, (self._truth(condition), a.node, b.node)), a.dimension, a.scale)

    def _call_sum(self, name: str, tree: Any) -> Lowered:
        low = self._value(tree)
        over = sorted({self.groups[n] for n in unsummed(low.node) if n in self.groups})
        if not over:
            raise ExpressionError(f"{name} of one value", f"{name} of something that has one value a member of a group")
        if len(over) > 1:
            raise ExpressionError(f"{name} over {' and '.join(over)} at once", f"{name} over the members of one group")
        return Lowered(Op(name, (low.node,)), low.dimension, low.scale)

    _call_mean = _call_sum

    def _value(self, tree: Any) -> Lowered:
        low = self.visit(tree)
        if low.dimension is None:
            raise ExpressionError("a truth value", "a number here; use where(condition, yes, no)")
        return low

    def _truth(self, tree: Any) -> Node:
        low = self.visit(tree)
        if low.dimension is not None:
            raise ExpressionError(f"a value [{low.dimension}]", "a comparison here")
        return low.node

    @staticmethod
    def _pure(low: Lowered, what: str) -> Node:
        if _dim(low).powers:
            raise ExpressionError(f"{what} [{low.dimension}]", "a pure number")
        return _times(low.node, low.scale)

    @staticmethod
    def _aligned(values: list[Lowered], verb: str) -> list[Lowered]:
        """The same values, all of one dimension and in the scale of the first that is not a bare 0."""
        lead = next((v for v in values if not v.zero), values[0])
        for v in values:
            if v.dimension != lead.dimension and not v.zero:
                raise ExpressionError(
                    f"[{lead.dimension}] and [{v.dimension}] {verb}", "the same dimension on both sides"
                )
        return [Lowered(_times(v.node, v.scale / lead.scale), lead.dimension, lead.scale) for v in values]


def _dim(low: Lowered) -> Dimension:
    assert low.dimension is not None  # noqa: S101 - _value has refused truth values
    return low.dimension


def _fold(op: str, a: Node, b: Node) -> Node:
    if isinstance(a, Const) and isinstance(b, Const):
        return Const(_at_once(Op(op, (a, b))))
    return Op(op, (a, b))


def _at_once(node: Op) -> float:
    """The value of an operation on plain numbers; one that has none cannot be meant."""
    value = evaluate_at(node, {}, {})
    if not math.isfinite(value):
        raise ExpressionError("a number that cannot be computed", "a finite number")
    return value


def _is_unit(name: str) -> bool:
    try:
        parse_unit(name)
    except UnitError:
        return False
    return True


def constant(text: str, unit: Unit = ONE) -> float:
    """The value in ``unit`` of an expression without names, such as ``75 kg`` or ``5 %``."""
    node = lower_value(text, {}, unit)
    return float(evaluate(node, {}))
