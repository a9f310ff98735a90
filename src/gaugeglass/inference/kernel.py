"""The density lowered flat: one scalar function with its reverse sweep, as source for ``machine``.

What costs when a model is compiled is the shape of the code, not the compiler: some ninety array operations take
twenty times as long as one scalar function that does the same. So the Spec is emitted as such a function. Forward,
each operation of a tree becomes one line; backward, one line an argument by the table ``RULES``. Lines are kept on
tapes: what depends on neither member nor reading is computed once, what depends on the member of a group or on an
origin once a segment of readings, and only the rest once a reading.

The function takes ``x`` (one standardised coordinate a free variable), ``g`` (the gradient, written) and ``d`` (the
dials, laid out by ``Layout``), and returns the log density of ``x``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

from gaugeglass.inference.layout import CONDENSED, MEMBER_DIALS, Block, Layout, Variety
from gaugeglass.inference.likelihoods import HALF_LOG_2PI, SCALAR, added, log_likelihood, op, substitute
from gaugeglass.language.expressions import Const, Node, Op, Ref, names
from gaugeglass.language.families import FAMILIES
from gaugeglass.language.spec import Method

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
    "sin": ("sin({0})", (GUARD.format("{b} * cos({0})"),)),
    "cos": ("cos({0})", (GUARD.format("-{b} * sin({0})"),)),
    "tan": ("tan({0})", (GUARD.format("{b} * (1.0 + {y} * {y})"),)),
    "asin": ("asin({0})", (GUARD.format("{b} / sqrt(1.0 - {0} * {0})"),)),
    "acos": ("acos({0})", (GUARD.format("-{b} / sqrt(1.0 - {0} * {0})"),)),
    "atan": ("atan({0})", ("{b} / (1.0 + {0} * {0})",)),
    "abs": ("abs({0})", ("({b} if {0} >= 0.0 else -{b})",)),
    "min": ("({0} if {0} <= {1} else {1})", ("({b} if {0} <= {1} else 0.0)", "(0.0 if {0} <= {1} else {b})")),
    "max": ("({0} if {0} >= {1} else {1})", ("({b} if {0} >= {1} else 0.0)", "(0.0 if {0} >= {1} else {b})")),
    "where": ("({1} if {0} else {2})", ("", "({b} if {0} else 0.0)", "(0.0 if {0} else {b})")),
    "log_add": (
        "log_add({0}, {1})",
        ("({b} * exp({0} - {y}) if {0} > -1e300 else 0.0)", "({b} * exp({1} - {y}) if {1} > -1e300 else 0.0)"),
    ),
    "log_gamma": ("lgamma({0})", ("{b} * digamma({0})",)),
    "normal_cdf": ("0.5 * erfc(-0.7071067811865476 * {0})", ("{b} * exp(log_normal({0}))",)),
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


_STUDENT = added(
    op("log_gamma", op("mul", 0.5, op("add", "nu", 1.0))),
    op("neg", op("log_gamma", op("mul", 0.5, "nu"))),
    op("mul", -0.5, op("log", op("mul", math.pi, "nu"))),
)

HIERARCHIES: dict[str, tuple[Node, Node, Node]] = {
    # family: its location and its spread on the unconstrained scale, and the log of its normaliser
    "normal": (Ref("mean"), Ref("sd"), op("sub", -HALF_LOG_2PI, op("log", "sd"))),
    "lognormal": (Ref("mu"), Ref("sigma"), op("sub", -HALF_LOG_2PI, op("log", "sigma"))),
    "student_t": (Ref("mean"), Ref("scale"), op("sub", _STUDENT, op("log", "scale"))),
    "half_normal": (op("log", "sd"), Const(1.0), op("sub", math.log(2) - HALF_LOG_2PI, op("log", "sd"))),
    "exponential": (op("log", "mean"), Const(1.0), op("neg", op("log", "mean"))),
}  # fmt: skip
"""Families whose parameters may be quantities."""

_STANDARD = op("sub", -HALF_LOG_2PI, op("mul", 0.5, op("mul", "x", "x")))


@dataclass(frozen=True, slots=True)
class _Term:
    """The text of a value, whether ``x`` moves it, and how deep in the loops it is computed."""

    text: str
    moves: bool
    depth: int


@dataclass
class _Tape:
    """Lines of one sweep: forward in order, backward in reverse order."""

    prefix: str
    names: dict[str, _Term] = field(default_factory=dict)
    forward: list[str] = field(default_factory=list)
    backward: list[list[str]] = field(default_factory=list)
    adjoints: list[str] = field(default_factory=list)
    seen: dict[Node, _Term] = field(default_factory=dict)

    def cleared(self) -> list[str]:
        return [f"b{name} = 0.0" for name in self.adjoints]

    def reverse(self) -> list[str]:
        return list(itertools.chain(*reversed(self.backward)))


class _Emitter:
    """Writes the trees of one Spec as lines.

    ``tapes`` are those of the loops that are open, outermost first; ``member`` is the text of a member's index in each
    group that one of them runs over.
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.outer = _Tape("t")
        self.tapes = [self.outer]
        self.member: dict[str, str] = {}
        self.count = itertools.count()
        self.total: list[str] = []
        self.loops: list[str] = []
        self.latents = {q.name: q for q in layout.spec.model.latents}
        self.relations = {r.name: r for r in layout.spec.model.relations}

    def dial(self, name: str) -> str:
        return f"d[{self.layout.slots[name]}]"

    @contextmanager
    def inside(self, *tapes: _Tape, member: Mapping[str, str]) -> Iterator[None]:
        """Write into loops within the outermost lines."""
        held = self.tapes, self.member
        self.tapes, self.member = [self.outer, *tapes], dict(member)
        yield
        self.tapes, self.member = held

    # --- one tree -----------------------------------------------------------------------------------------

    def emit(self, node: Node) -> _Term:
        """The value of a tree."""
        match node:
            case Const(value):
                return _Term(repr(float(value)), False, 0)
            case Ref(name):
                return self.named(name)
            case Op(("sum" | "mean") as op, (tree,)):
                return self.remembered(node) or self.over_members(op, node, tree)
            case Op(op, args):
                return self.remembered(node) or self.operation(node, op, [self.emit(a) for a in args])
        raise NotImplementedError(repr(node))

    def remembered(self, node: Node) -> _Term | None:
        return next((tape.seen[node] for tape in self.tapes if node in tape.seen), None)

    def operation(self, node: Node, op: str, args: list[_Term]) -> _Term:
        depth = max((a.depth for a in args), default=0)
        tape = self.tapes[depth]
        value, gains = RULES[op]
        texts = [a.text for a in args]
        temp = f"{tape.prefix}{next(self.count)}"
        tape.forward.append(f"{temp} = {value.format(*texts)}")
        moves = bool(gains) and any(a.moves for a in args)
        if moves:
            tape.adjoints.append(temp)
            tape.backward.append(
                [
                    f"b{a.text} += {gain.format(*texts, y=temp, b=f'b{temp}')}"
                    for a, gain in zip(args, gains, strict=False)
                    if a.moves and gain
                ]
            )
        tape.seen[node] = _Term(temp, moves, depth)
        return tape.seen[node]

    def named(self, name: str) -> _Term:
        """The value of a name: a column, a dial, or a quantity, which is computed when it is first named."""
        for tape in reversed(self.tapes):
            if name in tape.names:
                return tape.names[name]
        if name in self.relations:
            found = self.emit(self.relation(name))
        elif name in self.latents:
            found = self.emit(self.latent(name))
        else:
            found = _Term(self.dial(name if name in self.layout.slots else f"given.{name}"), False, 0)
        self.tapes[found.depth].names[name] = found
        return found

    def coordinate(self, place: str, depth: int) -> _Term:
        """A coordinate whose place is not known before the loop runs; its slope goes straight to the gradient."""
        tape = self.tapes[depth]
        temp = f"{tape.prefix}{next(self.count)}"
        tape.forward.append(f"{temp} = x[{place}]")
        tape.adjoints.append(temp)
        tape.backward.append([f"g[{place}] += b{temp}"])
        return _Term(temp, True, depth)

    def over_members(self, op: str, node: Node, tree: Node) -> _Term:
        """A sum over a group: a loop forward, and backward the same loop again."""
        group = next(g for g in (self.group_of(n) for n in names(tree)) if g)
        size = len(self.layout.spec.members[group])
        tape = _Tape("m")
        with self.inside(tape, member={group: "m"}):
            each = self.emit(tree)
        temp = f"t{next(self.count)}"
        share = "" if op == "sum" else f" / {float(size)}"
        run = [f"for m in range({size}):", *_indented(tape.forward)]
        self.outer.forward += [f"{temp} = 0.0", *run, f"    {temp} += {each.text}{share}"]
        if each.moves:
            self.outer.adjoints.append(temp)
            back = [*tape.cleared(), f"b{each.text} += b{temp}{share}", *tape.reverse()]
            self.outer.backward.append([*run, *_indented(back)])
        self.outer.seen[node] = _Term(temp, each.moves, 0)
        return self.outer.seen[node]

    def group_of(self, name: str) -> str | None:
        quantity = self.latents.get(name) or self.relations.get(name)
        return quantity.per if quantity else None

    # --- quantities ---------------------------------------------------------------------------------------

    def relation(self, name: str) -> Node:
        variants = self.layout.variants[name]
        node = variants[-1]
        for k, variant in reversed(list(enumerate(variants[:-1]))):
            node = op("where", op("eq", f"{name}.select", float(k)), variant, node)
        return node

    def latent(self, name: str) -> Node:
        """The value of a latent: under one of the forms of its prior, or what the hypothesis fixes it at."""
        forms = [v for v in self.layout.varieties if v.latent == name]
        values = [self.value(v) for v in forms]
        node = values[-1]
        for k, value in reversed(list(enumerate(values[:-1]))):
            node = op("where", op("eq", f"{name}.select", float(k)), value, node)
        if name in self.layout.fixable:
            node = op("where", op("eq", f"{name}.select", -1.0), f"{name}.fixed", node)
        return node

    def own(self, v: Variety) -> dict[str, Node]:
        """What a form's trees may name: its dials, its parameters that are quantities, its coordinate."""
        own: dict[str, Node] = {dial: Ref(f"{v.name}.{dial}") for dial in self.layout.dials_of(v)} | dict(v.prior.trees)
        depth = 0 if v.group is None else 1
        names = self.tapes[depth].names
        if f"{v.name}.x" not in names:
            place = f"{v.first}" if v.group is None else f"{v.first} + {self.member[v.group]}"
            names[f"{v.name}.x"] = self.coordinate(place, depth)
            if v.prior.trees:
                at, step = self.layout.slots[f"{v.name}.0.{MEMBER_DIALS[0]}"], len(MEMBER_DIALS)
                shift = "" if v.group is None else f" + {step} * {self.member[v.group]}"
                for k, dial in enumerate(MEMBER_DIALS):
                    names[f"{v.name}.member.{dial}"] = _Term(f"d[{at + k}{shift}]", False, depth)
        own["x"] = Ref(f"{v.name}.x")
        if v.prior.trees:
            own |= {dial: Ref(f"{v.name}.member.{dial}") for dial in MEMBER_DIALS}
        return own

    def unconstrained(self, v: Variety, own: Mapping[str, Node]) -> tuple[Node, Node, Node]:
        """Where a form's coordinate stands on the unconstrained scale, its slope, and about what ``stretch`` widens it.

        Where parameters are quantities, a coordinate is the distance from what prior and readings together expect, in
        their joint spread, as if the readings were normal: about standard normal whatever those quantities are. Without
        readings it is the distance from the prior's location, with many from what they say.
        """
        if not v.prior.trees:
            return op("add", own["centre"], op("mul", own["spread"], own["x"])), own["spread"], own["centre"]
        location, spread = (substitute(tree, own) for tree in HIERARCHIES[v.prior.family][:2])
        weight = op("mul", own["precision"], op("mul", spread, spread))
        whole = op("add", 1.0, weight)
        base = op("div", op("add", location, op("mul", weight, own["told"])), whole)
        slope = op("div", spread, op("sqrt", whole))
        return op("add", base, op("mul", slope, own["x"])), slope, location

    def value(self, v: Variety) -> Node:
        own = self.own(v)
        t, _, anchor = self.unconstrained(v, own)
        if v.prior.trees:
            wide = op("add", anchor, op("mul", own["stretch"], op("sub", t, anchor)))
        else:
            wide = op("add", own["centre"], op("mul", own["stretch"], op("mul", own["spread"], own["x"])))
        if v.latent in self.layout.floored:
            return _above_floor(FAMILIES[v.prior.family].support, wide, own)
        return _support(FAMILIES[v.prior.family].support, wide, own)["v"]

    def log_prior(self, v: Variety) -> Node:
        """Log density of a form's coordinate; a standard normal one where a hierarchy is not what holds."""
        row, own = FAMILIES[v.prior.family], self.own(v)
        t, slope, _ = self.unconstrained(v, own)
        if v.latent in self.layout.floored:
            return _log_prior_above_floor(row.support, row.kernel, t, own)
        density = substitute(row.kernel, {**own, **_support(row.support, t, own)})
        if not v.prior.trees:
            return op("add", density, own["norm"])
        normaliser = substitute(HIERARCHIES[v.prior.family][2], own)
        held = added(density, normaliser, op("log", slope))
        k = [w.name for w in self.layout.varieties if w.latent == v.latent].index(v.name)
        return op("where", op("eq", f"{v.latent}.select", float(k)), held, substitute(_STANDARD, own))

    def prior(self, v: Variety) -> None:
        """Add a form's log prior: a line of its own, or a loop over members."""
        if v.group is None:
            self.total.append(self.emit(self.log_prior(v)).text)
            return
        tape = _Tape("m")
        with self.inside(tape, member={v.group: "m"}):
            term = self.emit(self.log_prior(v))
        self.loops += [f"for m in range({v.size}):", *_indented(_turn(tape, term))]

    def errors(self) -> None:
        """Every error is standard normal."""
        first, size = self.layout.first_error, len(self.layout.errors)
        if size:
            self.loops += [
                f"for m in range({first}, {first + size}):",
                f"    lp += {-HALF_LOG_2PI!r} - 0.5 * x[m] * x[m]",
                "    g[m] += -x[m]",
            ]

    # --- the likelihood -----------------------------------------------------------------------------------

    def block(self, block: Block, *, learn: bool) -> None:
        """A loop over the readings of a block.

        Where a reading may have come about in more than one way it is run twice: first to learn how likely each way is
        (``learn``), then, with what was learnt as weights, forward and backward in the same turn as all others.
        """
        method, kind = self.layout.method(block.kind), block.kind
        segment, row = _Tape("s"), _Tape("r")
        groups = [name for name in block.header if name in self.layout.spec.model.groups]
        real = {block.header.index(name) for name in CONDENSED[2:] if block.condensed}
        whole = [f"e{k} = d[hs + {k}]" if k in real else f"h{k} = int(d[hs + {k}])" for k in range(len(block.header))]
        member = {name: f"h{block.header.index(name)}" for name in groups}
        columns = [f"c{k} = d[at + {k}]" for k in range(len(block.columns))]
        row.names |= {name: _Term(f"c{k}", False, 2) for k, name in enumerate(block.columns)}
        with self.inside(segment, row, member=member):
            ways = self.ways(block, method)
            power = Ref("reading.power")
            scalar = self.condense(block)
            if not kind.is_mixed:
                body = _turn(row, self.emit(op("mul", power, ways[0])))
            elif learn:
                body = self.learning(block, [self.emit(self.mixed(way)).text for way in ways], row)
            else:
                at, judged = (f"h{block.header.index(name)}" for name in ("mixed.cluster", "mixed.judged"))
                for k in range(len(ways)):
                    text = f"odds[{at} * {self.layout.alternatives} + {k}] * reliable[{judged}]"
                    segment.names[f"way.{k}"] = _Term(f"({text})", False, 1)
                tree = added(*(op("mul", f"way.{k}", self.mixed(way)) for k, way in enumerate(ways)))
                body = _turn(row, self.emit(tree), adds=False)
        start, segments = (self.dial(f"{kind.name}.{end}") for end in ("start", "segments"))
        # one left out is not run at all: 0 times the log of an impossible reading would be NaN
        counted = [f"if c{block.columns.index('reading.power')} != 0.0:", *_indented(body)]
        run = ["for j in range(h1):", *_indented([*columns, *counted, f"at += {len(block.columns)}"])]
        inner = [
            *whole,
            "at = h0",
            *segment.forward,
            *([] if learn else segment.cleared()),
            *(run if scalar is None else _interpolated(block, scalar, run)),
            *([] if learn else segment.reverse()),
            f"hs += {len(block.header)}",
        ]
        self.loops += [f"hs = int({start})", f"for i in range(int({segments})):", *_indented(inner)]

    def condense(self, block: Block) -> _Term | None:
        """The one number that all readings of a block depend on, if there is one."""
        if block.condensed is None:
            return None
        scalar = self.emit(block.condensed[0])
        self.tapes[1].names[SCALAR] = scalar
        return scalar

    def learning(self, block: Block, ways: list[str], row: _Tape) -> list[str]:
        at, judged = (f"h{block.header.index(name)}" for name in ("mixed.cluster", "mixed.judged"))
        wrong, power = (f"c{block.columns.index(f'reading.{name}')}" for name in ("wrong", "power"))
        each = [f"told[{at} * {self.layout.alternatives} + {k}] += {way}" for k, way in enumerate(ways)]
        return [*row.forward, *each, f"mistaken[{judged}] += {power} * {wrong}"]

    def mixed(self, way: Node) -> Node:
        """Log density of a reading of a source that is reliable: right, or wrong all the same."""
        return op("mul", "reading.power", op("log_add", op("add", "reading.right", way), "reading.astray"))

    def settle(self) -> None:
        """Between the two runs: how likely each basis of a cluster is, and each origin to be reliable."""
        size = self.layout.alternatives
        clusters, judged = self.layout.slots["cluster.0.judged"], self.layout.slots["judged.0.reliable"]
        self.loops += [
            f"for i in range({len(self.layout.clusters)}):",
            "    whole = -1e308",
            f"    for j in range({size}):",
            f"        whole = log_add(whole, d[{clusters + 1} + {size + 1} * i + j] + told[{size} * i + j])",
            f"    for j in range({size}):",
            f"        way = d[{clusters + 1} + {size + 1} * i + j] + told[{size} * i + j]",
            f"        odds[{size} * i + j] = exp(way - whole)",
            f"    right[int(d[{clusters} + {size + 1} * i])] += whole",
            f"for i in range({len(self.layout.judged)}):",
            f"    right[i] += d[{judged} + 2 * i]",
            f"    whole = log_add(right[i], d[{judged + 1} + 2 * i] + mistaken[i])",
            "    reliable[i] = exp(right[i] - whole)",
            "    lp += whole",
        ]

    def ways(self, block: Block, method: Method) -> list[Node]:
        """Log-likelihood of a reading for each basis that its method leaves open, or the one there is."""
        kind = block.kind
        for name in (i.name for i in method.inputs if kind.inexact == "drawn"):
            z = self.coordinate(f"{self.layout.first_error} + int({self.named(f'{name}.error').text})", 2)
            stated = self.tapes[2].names.pop(name)
            self.tapes[2].names |= {f"{name}.stated": stated, f"{name}.z": z}
            apart = op("sub", op("mul", 2.0, op("normal_cdf", f"{name}.z")), 1.0)
            near = op("add", op("mul", f"{name}.u", f"{name}.z"), op("mul", f"{name}.half", apart))
            self.tapes[2].names[name] = self.emit(op("add", f"{name}.stated", near))
        if "shared.error" in block.header:
            at = f"{self.layout.first_error} + h{block.header.index('shared.error')}"
            self.tapes[1].names["shared.error"] = self.coordinate(at, 1)
        for k in range(kind.joint):
            z = self.coordinate(f"{self.layout.first_error} + int({self.named(f'joint.{k}.error').text})", 2)
            self.tapes[2].names[f"joint.{k}"] = z
        if block.condensed is not None:
            return [block.condensed[1]]
        factors = [basis.factor for basis in method.basis] or [Const(1.0)]
        return [log_likelihood(kind, method, factor) for factor in factors]

    # --- the whole ----------------------------------------------------------------------------------------

    def source(self) -> str:
        layout = self.layout
        for v in layout.varieties:
            self.prior(v)
        self.errors()
        mixed = [block for block in layout.blocks if block.kind.is_mixed]
        for block in mixed:
            self.block(block, learn=True)
        if mixed:
            self.settle()
        for block in layout.blocks:
            self.block(block, learn=False)
        size = layout.alternatives
        room = {"told": len(layout.clusters) * size, "odds": len(layout.clusters) * size}
        room |= dict.fromkeys(("mistaken", "right", "reliable"), len(layout.judged))
        lines = [
            f"for m in range({len(layout.free)}):",
            "    g[m] = 0.0",
            *(f"{name} = zeros({count})" for name, count in room.items() if mixed),
            *self.outer.forward,
            f"lp = {' + '.join(self.total) or '0.0'}",
            *self.outer.cleared(),
            *(f"b{t} = 1.0" for t in self.total),
            *self.loops,
            *self.outer.reverse(),
            "return lp",
        ]
        head = "def log_density(x: Array, g: Array, d: Array) -> float:"
        return "\n".join([head, *_indented(lines), ""])


def _indented(lines: Iterable[str]) -> list[str]:
    return [f"    {line}" for line in lines]


def _turn(tape: _Tape, term: _Term, *, adds: bool = True) -> list[str]:
    """One turn of an innermost loop, forward and backward, which adds its term to the log density."""
    body = [*tape.forward, *([f"lp += {term.text}"] if adds else [])]
    if term.moves:
        body += [*tape.cleared(), f"b{term.text} += 1.0", *tape.reverse()]
    return body


def _interpolated(block: Block, scalar: _Term, run: list[str]) -> list[str]:
    """A cubic between two nodes of a segment's curve where there is one, the readings one by one where there is not."""
    at, nodes = (f"h{block.header.index(name)}" for name in CONDENSED[:2])
    lower, step = (f"e{block.header.index(name)}" for name in CONDENSED[2:])
    lines = [
        "j = int(way)",
        "part = way - j",
        *(f"n{k} = d[{at} + 2 * j + {k}]" for k in range(4)),
        "second = 3.0 * (n2 - n0) - 2.0 * n1 - n3",
        "third = 2.0 * (n0 - n2) + n1 + n3",
        "lp += n0 + part * (n1 + part * (second + part * third))",
    ]
    if scalar.moves:
        lines.append(f"b{scalar.text} += (n1 + part * (2.0 * second + 3.0 * part * third)) / {step}")
    return [
        f"way = ({scalar.text} - {lower}) / {step}",
        f"if way >= 0.0 and way < {nodes}:",
        *_indented(lines),
        "else:",
        *_indented(run),
    ]


def _support(support: str, t: Node, own: Mapping[str, Node]) -> dict[str, Node]:
    """What a family's kernel may name, for an unconstrained ``t``: see ``gaugeglass.language.families``."""
    match support:
        case "real":
            return {"t": t, "v": t}
        case "above":
            return {"t": t, "v": op("add", own["lower"], op("exp", t))}
        case "below":
            return {"t": t, "v": op("sub", own["upper"], op("exp", t))}
    below = op("log_logistic", t)
    width = op("sub", own["upper"], own["lower"])
    value = op("add", own["lower"], op("mul", width, op("exp", below)))
    return {"t": t, "v": value, "below": below, "above": op("sub", below, t)}


def _above_floor(support: str, t: Node, own: Mapping[str, Node]) -> Node:
    """A value above a floor for an unconstrained ``t``."""
    if support == "above":
        return op("add", own["floor"], op("exp", t))
    return op("add", own["floor"], op("mul", op("sub", own["upper"], own["floor"]), op("exp", op("log_logistic", t))))


def _log_prior_above_floor(support: str, kernel: Node, t: Node, own: Mapping[str, Node]) -> Node:
    """Log prior of a coordinate that stands for a value above a floor rather than above the prior's own bound.

    The kernel is over the prior's own unconstrained scale, so that what its derivative by ``t`` changes is added.
    """
    v = _above_floor(support, t, own)
    over = op("log", op("sub", v, own["lower"]))
    if support == "above":
        density = substitute(kernel, {**own, "t": over, "v": v})
        return added(density, own["norm"], t, op("neg", over))
    width = op("log", op("sub", own["upper"], own["lower"]))
    under = op("log", op("sub", own["upper"], v))
    names = {"t": op("sub", over, under), "v": v, "below": op("sub", over, width), "above": op("sub", under, width)}
    below = op("log_logistic", t)
    own_slope = added(op("log", op("sub", own["upper"], own["floor"])), below, op("sub", below, t))
    return added(substitute(kernel, {**own, **names}), own["norm"], own_slope, width, op("neg", op("add", over, under)))


def emit(layout: Layout) -> str:
    """The source of ``log_density(x, g, d)`` for a Spec's structure: equal structures give equal texts."""
    return _Emitter(layout).source()
