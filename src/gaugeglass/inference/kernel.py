"""The density lowered flat: one straight-line scalar function with its reverse sweep, as source for ``machine``.

What costs when a model is compiled is the shape of the code, not the compiler: some ninety array operations take
twenty times as long as one scalar function that does the same. So the Spec is emitted as such a function. Forward,
each operation of a tree becomes one line; backward, one line an argument by the table ``RULES``. Loops run only over
the readings of a method, and what does not depend on a reading is computed before them.

The function takes ``x`` (one standardised coordinate a free variable), ``g`` (the gradient, written) and ``d`` (the
dials, laid out by ``Layout``), and returns the log density of ``x``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from gaugeglass.language.expressions import Const, Node, Op, Ref, names
from gaugeglass.language.families import FAMILIES
from gaugeglass.language.spec import Method, Spec

GUARD = "({} if {{b}} != 0.0 else 0.0)"
"""Keeps a derivative that is not finite from spoiling a branch that was not taken: 0 times infinity is NaN."""

RULES: dict[str, tuple[str, tuple[str, ...]]] = {
    # operation: (its value, what each argument's adjoint gains), with {0} {1} {2} the arguments, {y} the value
    # and {b} the adjoint of the value
    "add": ("{0} + {1}", ("{b}", "{b}")),
    "sub": ("{0} - {1}", ("{b}", "-{b}")),
    "mul": ("{0} * {1}", ("{b} * {1}", "{b} * {0}")),
    "div": ("{0} / {1}", (GUARD.format("{b} / {1}"), GUARD.format("-{b} * {y} / {1}"))),
    "neg": ("-{0}", ("-{b}",)),
    "pow": ("{0} ** {1}", (GUARD.format("{b} * {1} * {0} ** ({1} - 1.0)"), GUARD.format("{b} * {y} * log({0})"))),
    "exp": ("exp({0})", (GUARD.format("{b} * {y}"),)),
    "log": ("log({0})", (GUARD.format("{b} / {0}"),)),
    "sqrt": ("sqrt({0})", (GUARD.format("0.5 * {b} / {y}"),)),
    "abs": ("abs({0})", ("({b} if {0} >= 0.0 else -{b})",)),
    "min": ("({0} if {0} <= {1} else {1})", ("({b} if {0} <= {1} else 0.0)", "(0.0 if {0} <= {1} else {b})")),
    "max": ("({0} if {0} >= {1} else {1})", ("({b} if {0} >= {1} else 0.0)", "(0.0 if {0} >= {1} else {b})")),
    "where": ("({1} if {0} else {2})", ("", "({b} if {0} else 0.0)", "(0.0 if {0} else {b})")),
    "log_logistic": ("log_logistic({0})", ("{b} * (1.0 - exp({y}))",)),
    "log_normal_between": (
        "log_normal_between({0}, {1})",
        ("-{b} * exp(log_normal({0}) - {y})", "{b} * exp(log_normal({1}) - {y})"),
    ),
    "log_student_between": (
        "log_student_between({0}, {1}, {2})",
        ("-{b} * exp(log_student({0}, {2}) - {y})", "{b} * exp(log_student({1}, {2}) - {y})", ""),
    ),
    "lt": ("{0} < {1}", ()), "le": ("{0} <= {1}", ()), "gt": ("{0} > {1}", ()), "ge": ("{0} >= {1}", ()),
    "eq": ("{0} == {1}", ()), "ne": ("{0} != {1}", ()), "and": ("{0} and {1}", ()), "or": ("{0} or {1}", ()),
    "not": ("not {0}", ()),
}  # fmt: skip


def _op(op: str, *args: Node | str | float) -> Node:
    return Op(
        op, tuple(Ref(a) if isinstance(a, str) else Const(float(a)) if isinstance(a, int | float) else a for a in args)
    )


_Z = _op("div", _op("sub", "reading.y", "mu"), "u")
_LOWER_Z, _UPPER_Z = (_op("div", _op("sub", end, "mu"), "u") for end in ("reading.lower", "reading.upper"))
_LOG_HEAVY = _op("log", _op("add", 1.0, _op("div", _op("mul", _Z, _Z), "nu")))

POINT: dict[str, Node] = {
    "normal": _op("mul", -0.5, _op("mul", _Z, _Z)),
    "student_t": _op("mul", _op("mul", -0.5, _op("add", "nu", 1.0)), _LOG_HEAVY),
}
"""Log density of a reading but for its normaliser, which its row carries where ``u`` is a number."""

BETWEEN: dict[str, Node] = {
    "normal": _op("log_normal_between", _LOWER_Z, _UPPER_Z),
    "student_t": _op("log_student_between", _LOWER_Z, _UPPER_Z, "nu"),
}
"""Log probability that a reading lies between its lower and its upper end."""

SCALE = {"normal": "normal", "student_t": "student_t", "lognormal": "normal"}
"""Which row of the tables a likelihood uses; lognormal readings and predictions enter as logarithms."""

POINT_COLUMNS = ("reading.y", "u", "reading.power", "reading.norm")
BETWEEN_COLUMNS = ("reading.lower", "reading.upper", "u", "reading.power")


@dataclass(frozen=True, slots=True)
class FreeVariable:
    """One coordinate of the density: a latent under the priors that share a family."""

    name: str
    latent: str
    family: str


@dataclass(frozen=True, slots=True)
class Block:
    """The readings of one method that are points, or that are intervals: rows with named columns."""

    method: str
    is_points: bool
    columns: tuple[str, ...]


def _family_order(spec: Spec, latent: str) -> tuple[str, ...]:
    stated = next(q for q in spec.model.latents if q.name == latent)
    return tuple(dict.fromkeys(h.prior(stated).family for h in spec.hypotheses))


@dataclass(frozen=True)
class Layout:
    """Where each dial stands in ``d``: scalars at fixed places, then the rows of each block."""

    spec: Spec = field(repr=False)

    @cached_property
    def free(self) -> tuple[FreeVariable, ...]:
        """The coordinates, latents in the model's order, families in order of the hypotheses."""
        rows = []
        for latent in self.spec.model.latents:
            families = _family_order(self.spec, latent.name)
            for family in families:
                name = latent.name if len(families) == 1 else f"{latent.name}_{family}"
                rows.append(FreeVariable(name, latent.name, family))
        return tuple(rows)

    @cached_property
    def blocks(self) -> tuple[Block, ...]:
        """One for the points and one for the intervals of each method, where the evidence has any."""
        present = {(o.method, o.is_point) for o in self.spec.evidence}
        return tuple(
            Block(
                m.name, is_points, (POINT_COLUMNS if is_points else BETWEEN_COLUMNS) + tuple(i.name for i in m.inputs)
            )
            for m in self.spec.model.methods
            for is_points in (True, False)
            if (m.name, is_points) in present
        )

    @cached_property
    def slots(self) -> dict[str, int]:
        """The place of each scalar dial by its name."""
        return {name: i for i, name in enumerate(self._names())}

    def _names(self) -> Iterator[str]:
        yield "length"
        for free in self.free:
            yield from (f"{free.name}.{dial}" for dial in self.dials_of(free.family))
        yield from (f"{q.name}.select" for q in self.spec.model.latents)
        yield from (f"{q.name}.fixed" for q in self.spec.model.latents)
        yield from (f"{r.name}.select" for r in self.spec.model.relations)
        yield from (f"given.{g.name}" for g in self.spec.model.givens)
        for block in self.blocks:
            kind = "point" if block.is_points else "between"
            yield f"{block.method}.{kind}.start"
            yield f"{block.method}.{kind}.rows"

    @staticmethod
    def dials_of(family: str) -> tuple[str, ...]:
        """The scalar dials of a free variable: how it is standardised, its bounds, its parameters, its normaliser."""
        own = tuple(p for p in FAMILIES[family].parameters if p not in ("lower", "upper"))
        return ("centre", "spread", "stretch", "norm", "lower", "upper", *own)

    @cached_property
    def variants(self) -> dict[str, tuple[Node, ...]]:
        """For each relation, the different equations that hypotheses give it, in their order."""
        return {
            r.name: tuple(dict.fromkeys(h.equals(r) for h in self.spec.hypotheses)) for r in self.spec.model.relations
        }

    @cached_property
    def fixable(self) -> frozenset[str]:
        """Latents that some hypothesis fixes."""
        return frozenset(name for h in self.spec.hypotheses for name in h.fix)


@dataclass
class _Tape:
    """Lines of one sweep: forward in order, backward in reverse order."""

    prefix: str
    forward: list[str] = field(default_factory=list)
    backward: list[list[str]] = field(default_factory=list)
    adjoints: list[str] = field(default_factory=list)
    seen: dict[Node, tuple[str, bool]] = field(default_factory=dict)


class _Emitter:
    """Writes the trees of one Spec as lines; ``scope`` maps a name to its expression and whether ``x`` moves it."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.outer = _Tape("t")
        self.scope: dict[str, tuple[str, bool]] = {}
        self.total: list[str] = []
        self.count = itertools.count()
        self.loops: list[str] = []

    def dial(self, name: str) -> str:
        return f"d[{self.layout.slots[name]}]"

    # --- one tree ---------------------------------------------------------------------------------------

    def emit(self, node: Node, row: _Tape | None = None, rows: frozenset[str] = frozenset()) -> tuple[str, bool]:
        """The expression of a tree's value, and whether it moves with ``x``; a row's own parts go on ``row``."""
        match node:
            case Const(value):
                return repr(float(value)), False
            case Ref(name):
                return self.scope[name]
            case Op():
                tape = row if row is not None and rows.intersection(names(node)) else self.outer
                if node not in tape.seen:
                    tape.seen[node] = self._operation(node, tape, row, rows)
                return tape.seen[node]

    def _operation(self, node: Op, tape: _Tape, row: _Tape | None, rows: frozenset[str]) -> tuple[str, bool]:
        args = [self.emit(a, row, rows) for a in node.args]
        value, gains = RULES[node.op]
        temp = f"{tape.prefix}{next(self.count)}"
        tape.forward.append(f"{temp} = {value.format(*(a for a, _ in args))}")
        moves = bool(gains) and any(m for _, m in args)
        if moves:
            tape.adjoints.append(temp)
            texts = [a for a, _ in args]
            tape.backward.append(
                [
                    f"b{arg} += {gain.format(*texts, y=temp, b=f'b{temp}')}"
                    for (arg, arg_moves), gain in zip(args, gains, strict=False)
                    if arg_moves and gain
                ]
            )
        return temp, moves

    def name_value(self, name: str, node: Node) -> None:
        """Let a name stand for a tree's value."""
        self.scope[name] = self.emit(node)

    # --- the prior ---------------------------------------------------------------------------------------

    def coordinates(self) -> None:
        for i, _ in enumerate(self.layout.free):
            self.outer.forward.append(f"x{i} = x[{i}]")
            self.outer.adjoints.append(f"x{i}")
            self.scope[f"x.{i}"] = (f"x{i}", True)

    def free_variable(self, i: int, free: FreeVariable) -> None:
        """Log prior of a coordinate, and its value, which ``stretch`` moves away from or towards the median."""
        row = FAMILIES[free.family]
        for dial in self.layout.dials_of(free.family):
            self.scope[f"{free.name}.{dial}"] = (self.dial(f"{free.name}.{dial}"), False)
        own = {p: Ref(f"{free.name}.{p}") for p in self.layout.dials_of(free.family)}
        step = _op("mul", own["spread"], Ref(f"x.{i}"))
        base = _op("add", own["centre"], step)
        wide = _op("add", own["centre"], _op("mul", own["stretch"], step))
        log_prior = _substitute(row.kernel, {**own, **_support(row.support, base, own)})
        temp, _ = self.emit(_op("add", log_prior, own["norm"]))
        self.total.append(temp)
        self.name_value(f"free.{free.name}", _support(row.support, wide, own)["v"])

    def latent(self, name: str) -> None:
        """The value of a latent: one of its free variables, or what the hypothesis fixes it at."""
        free = [f for f in self.layout.free if f.latent == name]
        for dial in ("select", "fixed"):
            self.scope[f"{name}.{dial}"] = (self.dial(f"{name}.{dial}"), False)
        node: Node = Ref(f"free.{free[-1].name}")
        for k, f in reversed(list(enumerate(free[:-1]))):
            node = _op("where", _op("eq", f"{name}.select", float(k)), f"free.{f.name}", node)
        if name in self.layout.fixable:
            node = _op("where", _op("eq", f"{name}.select", -1.0), f"{name}.fixed", node)
        self.name_value(name, node)

    def relation(self, name: str, variants: tuple[Node, ...]) -> None:
        self.scope[f"{name}.select"] = (self.dial(f"{name}.select"), False)
        node = variants[-1]
        for k, variant in reversed(list(enumerate(variants[:-1]))):
            node = _op("where", _op("eq", f"{name}.select", float(k)), variant, node)
        self.name_value(name, node)

    # --- the likelihood ----------------------------------------------------------------------------------

    def block(self, block: Block, method: Method) -> None:
        """A loop over the readings of a block: forward and backward in the same turn."""
        kind = "point" if block.is_points else "between"
        outer, self.scope = self.scope, dict(self.scope)
        for k, name in enumerate(block.columns):
            self.scope[name] = (f"c{k}", False)
        likelihood = method.likelihood
        rows = frozenset(block.columns)
        tree = _substitute(self._log_likelihood(block, method), {"nu": Const(likelihood.nu or 0.0)})
        row = _Tape("r")
        temp, moves = self.emit(_op("mul", "reading.power", tree), row, rows)
        columns = [f"c{k} = d[at + {k}]" for k in range(len(block.columns))]
        body = [*columns, *row.forward, f"lp += {temp}", *(f"b{t} = 0.0" for t in row.adjoints)]
        if moves:
            body += [f"b{temp} = 1.0", *itertools.chain(*reversed(row.backward))]
        start, count = (self.dial(f"{block.method}.{kind}.{end}") for end in ("start", "rows"))
        self.loops.append(f"at = int({start})")
        self.loops.append(f"for _ in range(int({count})):")
        self.loops += [f"    {line}" for line in body]
        self.loops.append(f"    at += {len(block.columns)}")
        self.scope = outer

    def _log_likelihood(self, block: Block, method: Method) -> Node:
        likelihood = method.likelihood
        mu = _op("log", method.measures) if likelihood.family == "lognormal" else method.measures
        table = POINT if block.is_points else BETWEEN
        tree = _substitute(table[SCALE[likelihood.family]], {"mu": mu, "u": likelihood.u or Ref("u")})
        if not block.is_points:
            return tree
        tree = _op("add", tree, "reading.norm")
        return tree if likelihood.u is None else _op("sub", tree, _op("log", likelihood.u))

    # --- the whole ---------------------------------------------------------------------------------------

    def source(self) -> str:
        spec = self.layout.spec
        self.coordinates()
        for i, free in enumerate(self.layout.free):
            self.free_variable(i, free)
        for given in spec.model.givens:
            self.scope[given.name] = (self.dial(f"given.{given.name}"), False)
        for latent in spec.model.latents:
            self.latent(latent.name)
        for relation in spec.model.relations:
            self.relation(relation.name, self.layout.variants[relation.name])
        for block in self.layout.blocks:
            self.block(block, spec.model.method_by_name[block.method])
        lines = [
            *self.outer.forward,
            f"lp = {' + '.join(self.total) or '0.0'}",
            *(f"b{t} = 0.0" for t in self.outer.adjoints),
            *(f"b{t} = 1.0" for t in self.total),
            *self.loops,
            *itertools.chain(*reversed(self.outer.backward)),
            *(f"g[{i}] = bx{i}" for i in range(len(self.layout.free))),
            "return lp",
        ]
        return "\n".join(
            ["def log_density(x: Array, g: Array, d: Array) -> float:", *(f"    {line}" for line in lines), ""]
        )


def _support(support: str, t: Node, own: Mapping[str, Node]) -> dict[str, Node]:
    """What a family's kernel may name, for an unconstrained ``t``: see ``gaugeglass.language.families``."""
    match support:
        case "real":
            return {"t": t, "v": t}
        case "above":
            return {"t": t, "v": _op("add", own["lower"], _op("exp", t))}
        case "below":
            return {"t": t, "v": _op("sub", own["upper"], _op("exp", t))}
    below = _op("log_logistic", t)
    width = _op("sub", own["upper"], own["lower"])
    value = _op("add", own["lower"], _op("mul", width, _op("exp", below)))
    return {"t": t, "v": value, "below": below, "above": _op("sub", below, t)}


def _substitute(node: Node, trees: Mapping[str, Node]) -> Node:
    """The same tree with names replaced by trees."""
    match node:
        case Ref(name):
            return trees.get(name, node)
        case Op(op, args):
            return Op(op, tuple(_substitute(a, trees) for a in args))
    return node


def emit(layout: Layout) -> str:
    """The source of ``log_density(x, g, d)`` for a Spec's structure: equal structures give equal texts."""
    return _Emitter(layout).source()
