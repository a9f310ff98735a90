"""How readings scatter: the log-likelihood of a reading as a tree, for each likelihood.

A tree names the columns of a reading's row (``reading.y``, ``u``, the method's inputs) and quantities.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from gaugeglass.language.expressions import Const, Node, Op, Ref, names
from gaugeglass.language.spec import Method

type Inexactness = Literal["", "drawn", "linear"]
"""How an uncertain input enters: not at all, as an error of its own that is drawn, or linearised into ``u``."""


@dataclass(frozen=True, slots=True, order=True)
class Kind:
    """What readings must share to be looped over together.

    ``joint`` is how many errors each may have in common with those it is correlated with, ``is_mixed`` whether there is
    more than one way in which a reading may have come about (a basis left open, a source that may be wrong).
    """

    method: str
    is_points: bool
    inexact: Inexactness
    joint: int
    is_mixed: bool

    @property
    def name(self) -> str:
        """A name for its dials."""
        parts = [self.method, "point" if self.is_points else "between", self.inexact]
        return ".".join(
            [*filter(None, parts), *([f"joint{self.joint}"] if self.joint else []), *["mixed"] * self.is_mixed]
        )


def _node(a: Node | str | float) -> Node:
    return Ref(a) if isinstance(a, str) else Const(float(a)) if isinstance(a, int | float) else a


def op(what: str, *args: Node | str | float) -> Node:
    """An operation on trees, names and numbers."""
    return Op(what, tuple(_node(a) for a in args))


def added(*terms: Node | str | float) -> Node:
    """The sum of trees, names and numbers."""
    return functools.reduce(lambda a, b: op("add", a, b), map(_node, terms))


HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)
_Z = op("div", op("sub", "reading.y", "mu"), "u")
_LOWER_Z, _UPPER_Z = (op("div", op("sub", end, "mu"), "u") for end in ("reading.lower", "reading.upper"))
_LOG_HEAVY = op("log", op("add", 1.0, op("div", op("mul", _Z, _Z), "nu")))
_SIZE = op("max", op("sub", op("div", op("mul", "mu", op("sub", 1.0, "mu")), op("mul", "u", "u")), 1.0), 1e-6)
_ALPHA, _BETA = op("mul", "mu", _SIZE), op("mul", op("sub", 1.0, "mu"), _SIZE)


def _counted(count: Node, chance: Node) -> Node:
    """A count times the log of its chance, 0 for none even where it has no chance."""
    return op("where", op("gt", count, 0.0), op("mul", count, op("log", chance)), 0.0)


POINT: dict[str, Node] = {
    "normal": op("mul", -0.5, op("mul", _Z, _Z)),
    "student_t": op("mul", op("mul", -0.5, op("add", "nu", 1.0)), _LOG_HEAVY),
    "poisson": op("sub", _counted(Ref("reading.y"), Ref("mu")), "mu"),
    "binomial": added(
        _counted(Ref("reading.y"), Ref("mu")),
        _counted(op("sub", "reading.trials", "reading.y"), op("sub", 1.0, "mu")),
    ),
    "beta": added(
        op("mul", op("sub", _ALPHA, 1.0), op("log", "reading.y")),
        op("mul", op("sub", _BETA, 1.0), op("log", op("sub", 1.0, "reading.y"))),
        op("sub", op("log_gamma", _SIZE), op("add", op("log_gamma", _ALPHA), op("log_gamma", _BETA))),
    ),
    "serial": op("neg", op("log", op("sub", "mu", "reading.before"))),
}
"""Log density of a reading but for its normaliser, which its row carries where ``u`` is a number."""

BETWEEN: dict[str, Node] = {
    "normal": op("log_normal_between", _LOWER_Z, _UPPER_Z),
    "student_t": op("log_student_between", _LOWER_Z, _UPPER_Z, "nu"),
}
"""Log probability that a reading lies between its lower and its upper end."""

SCALE = {"lognormal": "normal"}
"""Which row of the tables a likelihood uses, if not its own; lognormal readings and predictions enter as logarithms."""

SCALED = ("normal", "student_t", "lognormal")
"""Likelihoods that are divided by ``u``."""

SCALAR = "scalar"
"""What the one number that many readings depend on is called in the tree of a reading."""


def log_likelihood(kind: Kind, method: Method, factor: Node) -> Node:
    """Log-likelihood of a reading whose value is ``factor`` [1] times what its method measures."""
    likelihood = method.likelihood
    mu = method.measures if factor == Const(1.0) else op("mul", method.measures, factor)
    if likelihood.family == "lognormal":
        mu = op("log", mu)
    if method.shared is not None:
        step = op("mul", f"{method.name}.shared", "shared.error")
        relative = method.shared.relative and likelihood.family != "lognormal"
        mu = op("mul", mu, op("add", 1.0, step)) if relative else op("add", mu, step)
    u: Node = likelihood.u or Ref("u")
    if kind.inexact == "linear":
        u = op("sqrt", added(op("mul", u, u), *(_moved(mu, i.name) for i in method.inputs)))
    if kind.joint:
        shift = added(*(op("mul", f"joint.{k}.load", f"joint.{k}") for k in range(kind.joint)))
        mu, u = op("add", mu, op("mul", u, shift)), op("mul", u, "reading.own")
    table = POINT if kind.is_points else BETWEEN
    own = {"mu": mu, "u": u, "nu": Const(likelihood.nu or 0.0)}
    tree = substitute(table[SCALE.get(likelihood.family, likelihood.family)], own)
    if not kind.is_points:
        return tree
    tree = op("add", tree, "reading.norm")
    return tree if u == Ref("u") or likelihood.family not in SCALED else op("sub", tree, op("log", u))


def _moved(mu: Node, name: str) -> Node:
    """Variance of a prediction from an input's: half its change over two standard uncertainties, squared."""
    up, down = (substitute(mu, {name: op(way, name, f"{name}.u")}) for way in ("add", "sub"))
    half = op("mul", 0.5, op("sub", up, down))
    return op("mul", half, half)


def substitute(node: Node, trees: Mapping[str, Node]) -> Node:
    """The same tree with names replaced by trees."""
    match node:
        case Ref(name):
            return trees.get(name, node)
        case Op(what, args):
            return Op(what, tuple(substitute(a, trees) for a in args))
    return node


# --- readings that depend on one number only ----------------------------------------------------------------


def gathered(node: Node, columns: Collection[str]) -> Node:
    """The same value with factors that are the same for all rows together, apart from those that are not."""
    match node:
        case Op(("mul" | "div"), _):
            outer, inner = list[tuple[Node, bool]](), list[tuple[Node, bool]]()
            for factor, is_above in _factors(node):
                part = gathered(factor, columns)
                (inner if set(names(part)).intersection(columns) else outer).append((part, is_above))
            parts = [_product(some) for some in (outer, inner) if some]
            return op("mul", *parts) if len(parts) == 2 else parts[0]
        case Op(what, args):
            return Op(what, tuple(gathered(a, columns) for a in args))
    return node


def condensable(kind: Kind, method: Method, columns: Collection[str]) -> tuple[Node, Node] | None:
    """The one number that all readings of a kind depend on, and a reading's tree over it; None if there are more."""
    if not kind.is_points or kind.is_mixed or kind.joint or kind.inexact == "drawn":
        return None
    tree = gathered(log_likelihood(kind, method, Const(1.0)), columns)
    parts, whole = common_parts(tree, columns), gathered(method.measures, columns)
    is_same = set(columns).isdisjoint(names(whole))  # for all rows
    if is_same and {*columns, SCALAR}.issuperset(names(replaced(tree, whole, SCALAR))):
        parts = {whole}  # such as a chance of which the log and that of its complement stand in the tree
    if len(parts) != 1 or any(isinstance(part, Op) and part.op in ("sum", "mean") for part in parts):
        return None
    (part,) = parts
    return part, replaced(tree, part, SCALAR)


def _factors(node: Node, is_above: bool = True) -> Iterator[tuple[Node, bool]]:
    match node:
        case Op("mul", (a, b)):
            yield from (*_factors(a, is_above), *_factors(b, is_above))
        case Op("div", (a, b)):
            yield from (*_factors(a, is_above), *_factors(b, not is_above))
        case _:
            yield node, is_above


def _product(factors: list[tuple[Node, bool]]) -> Node:
    above = [f for f, is_above in factors if is_above] or [Const(1.0)]
    whole = functools.reduce(lambda a, b: op("mul", a, b), above)
    return functools.reduce(lambda a, b: op("div", a, b), (f for f, is_above in factors if not is_above), whole)


def common_parts(node: Node, columns: Collection[str]) -> set[Node]:
    """The largest parts of a tree that are the same for all rows, numbers left out."""
    named = set(names(node))
    if not named:
        return set()
    if not named.intersection(columns):
        return {node}
    return set[Node]().union(*(common_parts(a, columns) for a in node.args)) if isinstance(node, Op) else set()


def replaced(node: Node, part: Node, name: str) -> Node:
    """The same tree with one part of it given a name."""
    if node == part:
        return Ref(name)
    return Op(node.op, tuple(replaced(a, part, name) for a in node.args)) if isinstance(node, Op) else node
