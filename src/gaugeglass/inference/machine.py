"""Scalar Python turned into machine code by LLVM, for functions that are all arithmetic.

The density of a Spec is some thousand lines of it, on which a compiler of general Python spends seconds in inferring
types that are plain here: a name is a float, an integer or a pointer to floats, by how it first appears. So a few
kinds of statement are written as LLVM's own language, variables on the stack, and LLVM does the rest.

What is understood: functions whose arguments are annotated ``int``, ``float`` or ``Array``; assignments, ``+=``,
``if``, ``for ... in range``, ``break``, ``return``; arithmetic, comparisons, ``and or not``, ``a if c else b``;
``int``, ``float``, ``abs``, ``min``, ``max``, calls of each other and of the functions of ``math`` named below;
``array[i]`` and ``array[i:]``, a pointer moved on; ``zeros(3)``, room of a size known beforehand.
"""

from __future__ import annotations

import ast
import ctypes
import functools
import hashlib
import inspect
import itertools
import math
import struct
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, NamedTuple

INTRINSICS = {
    "exp": "llvm.exp.f64",
    "log": "llvm.log.f64",
    "sqrt": "llvm.sqrt.f64",
    "sin": "llvm.sin.f64",
    "cos": "llvm.cos.f64",
    "abs": "llvm.fabs.f64",
    "pow": "llvm.pow.f64",
}
"""Functions that LLVM knows itself, and may fold or vectorise."""
LIBRARY = ("log1p", "expm1", "erfc", "lgamma", "tan", "asin", "acos", "atan")
"""Functions of the C library."""
_BASICS = ("exp", "log", "pow", "sin", "cos", "memset", "memcpy")  # what LLVM's own end in
_ARITHMETIC: dict[type[ast.operator], str] = {ast.Add: "add", ast.Sub: "sub", ast.Mult: "mul"}
_COMPARISONS: dict[type[ast.cmpop], tuple[str, str]] = {
    ast.Lt: ("olt", "slt"),
    ast.LtE: ("ole", "sle"),
    ast.Gt: ("ogt", "sgt"),
    ast.GtE: ("oge", "sge"),
    ast.Eq: ("oeq", "eq"),
    ast.NotEq: ("une", "ne"),
}
_TYPES = {"float": "double", "int": "i64", "Array": "ptr"}


class _Value(NamedTuple):
    """A value in LLVM's language and its type: ``double``, ``i64``, ``i1`` or ``ptr``."""

    text: str
    type: str


@dataclass(frozen=True)
class Machine:
    """Functions in memory; their addresses hold as long as this object lives.

    ``processor`` is what they were compiled for, by LLVM's name for it, and ``digest`` the SHA-256 of what was compiled
    and of all that this processor can do: with the same LLVM, the same digest means the same machine code.
    """

    addresses: Mapping[str, int]
    engine: Any = field(repr=False)
    processor: str = ""
    digest: str = ""

    def function(self, name: str, arguments: Sequence[Any], returns: Any) -> Any:
        """A function to be called through ctypes, which lets other threads run meanwhile."""
        function = ctypes.CFUNCTYPE(returns, *arguments)(self.addresses[name])
        function.machine = self  # type: ignore[attr-defined]  # the code lives as long as what calls it
        return function


class _Signature(NamedTuple):
    arguments: tuple[str, ...]
    returns: str


class _Function:
    """One function's lines."""

    def __init__(
        self, tree: ast.FunctionDef, signatures: Mapping[str, _Signature], constants: Mapping[str, float]
    ) -> None:
        self.tree = tree
        self.signatures = signatures
        self.constants = constants
        self.count = itertools.count()
        self.entry: list[str] = []
        self.lines: list[str] = []
        self.places: dict[str, _Value] = {}
        self.block = "entry"
        self.ends: list[str] = []  # where each enclosing loop ends

    # --- small things -------------------------------------------------------------------------------------

    def new(self, line: str, kind: str) -> _Value:
        name = f"%t{next(self.count)}"
        self.lines.append(f"  {name} = {line}")
        return _Value(name, kind)

    def label(self, name: str) -> None:
        self.lines.append(f"{name}:")
        self.block = name

    def branch(self, condition: _Value, yes: str, no: str) -> None:
        self.lines.append(f"  br i1 {self.truth(condition).text}, label %{yes}, label %{no}")

    def jump(self, name: str) -> None:
        self.lines.append(f"  br label %{name}")

    def real(self, value: _Value) -> _Value:
        if value.type == "i64":
            return self.new(f"sitofp i64 {value.text} to double", "double")
        if value.type == "i1":
            return self.new(f"uitofp i1 {value.text} to double", "double")
        return value

    def truth(self, value: _Value) -> _Value:
        return value if value.type == "i1" else self.new(f"fcmp une double {self.real(value).text}, 0.0", "i1")

    def alike(self, values: Sequence[_Value]) -> list[_Value]:
        return list(values) if len({v.type for v in values}) == 1 else [self.real(v) for v in values]

    def store(self, name: str, value: _Value) -> None:
        if name not in self.places:
            kind = value.type
            self.places[name] = _Value(f"%v.{name}", kind)
            self.entry.append(f"  %v.{name} = alloca {kind}")
        place = self.places[name]
        value = self.real(value) if place.type == "double" else value
        self.lines.append(f"  store {value.type} {value.text}, ptr {place.text}")

    # --- expressions --------------------------------------------------------------------------------------

    def value(self, node: ast.expr) -> _Value:  # noqa: PLR0911 - one a kind of node
        """The value of an expression, what it takes written before."""
        match node:
            case ast.Constant(value=held):
                return _constant(held)
            case ast.Name(id=name) if name in self.places:
                place = self.places[name]
                return self.new(f"load {place.type}, ptr {place.text}", place.type)
            case ast.Name(id=name):
                return _constant(self.constants[name])
            case ast.Attribute(value=ast.Name(id="math"), attr=name):
                return _constant(getattr(math, name))
            case ast.Subscript(value=array, slice=ast.Slice(lower=ast.expr() as lower)):
                return self.moved(self.value(array), self.value(lower))
            case ast.Subscript(value=array, slice=index):
                pointer = self.moved(self.value(array), self.value(index))
                return self.new(f"load double, ptr {pointer.text}", "double")
        return self.computed(node)

    def computed(self, node: ast.expr) -> _Value:  # noqa: PLR0911 - one a kind of node
        match node:
            case ast.BinOp(left=left, op=op, right=right):
                return self.arithmetic(op, self.value(left), self.value(right))
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                held = self.value(operand)
                word = "fneg double" if held.type == "double" else "sub i64 0,"
                return self.new(f"{word} {held.text}", held.type)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return self.new(f"xor i1 {self.truth(self.value(operand)).text}, true", "i1")
            case ast.Compare(left=left, ops=[compare], comparators=[right]):
                return self.comparison(compare, self.value(left), self.value(right))
            case ast.BoolOp(op=join, values=parts):
                word = "and" if isinstance(join, ast.And) else "or"
                truths = [self.truth(self.value(part)) for part in parts]
                return functools.reduce(lambda a, b: self.new(f"{word} i1 {a.text}, {b.text}", "i1"), truths)
            case ast.IfExp(test=test, body=body, orelse=orelse):
                return self.choice(self.truth(self.value(test)), body, orelse)
            case ast.Call(func=ast.Name(id="zeros"), args=[ast.Constant(value=int(size))]):
                return self.zeros(size)
            case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name), args=args):
                return self.call(name, [self.value(a) for a in args])
        raise NotImplementedError(ast.unparse(node))

    def zeros(self, size: int) -> _Value:
        place = _Value(f"%z{next(self.count)}", "ptr")
        self.entry.append(f"  {place.text} = alloca double, i64 {size}")
        for k in range(size):
            self.lines.append(f"  store double 0.0, ptr {self.moved(place, _constant(k)).text}")
        return place

    def moved(self, pointer: _Value, by: _Value) -> _Value:
        return self.new(f"getelementptr double, ptr {pointer.text}, i64 {by.text}", "ptr")

    def arithmetic(self, op: ast.operator, left: _Value, right: _Value, flags: str = "contract") -> _Value:
        left, right = self.alike([left, right])
        if isinstance(op, ast.Pow):
            return self.call("pow", [left, right])
        if isinstance(op, ast.Div):
            return self.new(f"fdiv {flags} double {self.real(left).text}, {self.real(right).text}", "double")
        word = _ARITHMETIC[type(op)]
        if left.type == "i64":
            return self.new(f"{word} i64 {left.text}, {right.text}", "i64")
        return self.new(f"f{word} {flags} double {self.real(left).text}, {self.real(right).text}", "double")

    def comparison(self, op: ast.cmpop, left: _Value, right: _Value) -> _Value:
        left, right = self.alike([left, right])
        real, whole = _COMPARISONS[type(op)]
        if left.type == "double":
            return self.new(f"fcmp {real} double {left.text}, {right.text}", "i1")
        return self.new(f"icmp {whole} {left.type} {left.text}, {right.text}", "i1")

    def choice(self, condition: _Value, body: ast.expr, orelse: ast.expr) -> _Value:
        if _is_cheap(body) and _is_cheap(orelse):
            return self.select(condition, self.value(body), self.value(orelse))
        k = next(self.count)
        self.branch(condition, f"yes{k}", f"no{k}")
        ends = []
        for name, arm in ((f"yes{k}", body), (f"no{k}", orelse)):
            self.label(name)
            held = self.real(self.value(arm))
            ends.append(f"[ {held.text}, %{self.block} ]")
            self.jump(f"end{k}")
        self.label(f"end{k}")
        return self.new(f"phi double {', '.join(ends)}", "double")

    def select(self, condition: _Value, yes: _Value, no: _Value) -> _Value:
        yes, no = self.alike([yes, no])
        return self.new(f"select i1 {condition.text}, {yes.type} {yes.text}, {no.type} {no.text}", yes.type)

    def call(self, name: str, args: list[_Value]) -> _Value:
        if name in self.signatures:
            kinds, returns = self.signatures[name]
            held = [self.real(a) if kind == "double" else a for a, kind in zip(args, kinds, strict=True)]
            return self.invoke(returns, name, held)
        if name in ("min", "max"):
            left, right = self.alike(args)
            return self.select(self.comparison(ast.Lt() if name == "min" else ast.Gt(), left, right), left, right)
        if name in ("isinf", "isfinite"):
            word = "oeq" if name == "isinf" else "olt"
            return self.new(f"fcmp {word} double {self.call('abs', args).text}, {_constant(math.inf).text}", "i1")
        if name == "int":
            return self.new(f"fptosi double {self.real(args[0]).text} to i64", "i64")
        if name not in INTRINSICS and name not in LIBRARY:
            raise NotImplementedError(f"the function {name}")
        return self.invoke("double", INTRINSICS.get(name, name), [self.real(a) for a in args])

    def invoke(self, returns: str, name: str, args: list[_Value]) -> _Value:
        return self.new(f"call {returns} @{name}({', '.join(f'{a.type} {a.text}' for a in args)})", returns)

    # --- statements ---------------------------------------------------------------------------------------

    def statements(self, body: list[ast.stmt]) -> bool:
        """Write statements; whether the last one leaves the block."""
        left = [self.statement(s) for s in body]
        return any(left)

    def statement(self, node: ast.stmt) -> bool:
        match node:
            case ast.Assign(targets=[ast.Tuple(elts=targets)], value=ast.Tuple(elts=values)):
                for target, held in zip(targets, [self.value(v) for v in values], strict=True):
                    self.assign(target, held)
            case ast.Assign(targets=[target], value=held):
                self.assign(target, self.value(held))
            case ast.AugAssign(target=target, op=op, value=held):
                # Sums over rows may be taken in any order, so that several rows are taken at once.
                flags = "reassoc contract" if self.ends else "contract"
                self.assign(target, self.arithmetic(op, self.value(target), self.value(held), flags))
            case ast.Return(value=held):
                result = self.value(held) if held is not None else _Value("0", "i64")
                returns = self.signatures[self.tree.name].returns
                result = self.real(result) if returns == "double" else result
                self.lines.append(f"  ret {returns} {result.text}")
                return True
            case ast.If(test=test, body=body, orelse=orelse):
                self.conditional(test, body, orelse)
            case ast.For(target=ast.Name(id=name), iter=ast.Call(args=args), body=body):
                self.loop(name, [self.value(a) for a in args], body)
            case ast.Break():
                self.jump(self.ends[-1])
                return True
            case ast.Expr(value=ast.Constant()):
                pass
            case _:
                raise NotImplementedError(ast.unparse(node))
        return False

    def assign(self, target: ast.expr, held: _Value) -> None:
        match target:
            case ast.Name(id=name):
                self.store(name, held)
            case ast.Subscript(value=array, slice=index):
                pointer = self.moved(self.value(array), self.value(index))
                self.lines.append(f"  store double {self.real(held).text}, ptr {pointer.text}")

    def conditional(self, test: ast.expr, body: list[ast.stmt], orelse: list[ast.stmt]) -> None:
        k = next(self.count)
        self.branch(self.value(test), f"yes{k}", f"no{k}")
        for name, part in ((f"yes{k}", body), (f"no{k}", orelse)):
            self.label(name)
            if not self.statements(part):
                self.jump(f"end{k}")
        self.label(f"end{k}")

    def loop(self, name: str, limits: list[_Value], body: list[ast.stmt]) -> None:
        start, stop = limits if len(limits) == 2 else (_Value("0", "i64"), limits[0])
        k = next(self.count)
        self.store(name, start)
        self.jump(f"test{k}")
        self.label(f"test{k}")
        at = self.value(ast.Name(id=name))
        self.branch(self.new(f"icmp slt i64 {at.text}, {stop.text}", "i1"), f"turn{k}", f"end{k}")
        self.label(f"turn{k}")
        self.ends.append(f"end{k}")
        if not self.statements(body):
            now = self.value(ast.Name(id=name))
            self.store(name, self.new(f"add i64 {now.text}, 1", "i64"))
            self.jump(f"test{k}")
        self.ends.pop()
        self.label(f"end{k}")

    def lines_of(self, linkage: str) -> Iterator[str]:
        """The whole function."""
        signature = self.signatures[self.tree.name]
        names = [a.arg for a in self.tree.args.args]
        for name, kind in zip(names, signature.arguments, strict=True):
            self.store(name, _Value(f"%a.{name}", kind))
        returned = self.statements(self.tree.body)
        listed = ", ".join(
            f"{kind}{' noalias' if kind == 'ptr' else ''} %a.{name}"
            for name, kind in zip(names, signature.arguments, strict=True)
        )
        yield f"define {linkage}{signature.returns} @{self.tree.name}({listed}) nounwind {{"
        yield "entry:"
        yield from self.entry
        yield from self.lines
        if not returned:
            yield "  unreachable"
        yield "}"


def _signature(tree: ast.FunctionDef) -> _Signature:
    kinds = tuple(_TYPES[ast.unparse(a.annotation)] for a in tree.args.args if a.annotation is not None)
    return _Signature(kinds, _TYPES[ast.unparse(tree.returns)] if tree.returns is not None else "i64")


def _constant(held: object) -> _Value:
    match held:
        case bool():
            return _Value(str(held).lower(), "i1")
        case int():
            return _Value(str(held), "i64")
        case float():
            return _Value(f"0x{struct.unpack('>Q', struct.pack('>d', held))[0]:016X}", "double")  # bit for bit
    raise NotImplementedError(repr(held))


def _is_cheap(node: ast.expr) -> bool:
    """Whether a value may be computed though it is not chosen: then rows can be taken several at once."""
    return not any(isinstance(part, ast.Call | ast.Pow | ast.IfExp) for part in ast.walk(node))


def _functions(tree: ast.Module) -> list[ast.FunctionDef]:
    return [node for node in tree.body if isinstance(node, ast.FunctionDef)]


def lower(source: str, library: ModuleType) -> str:
    """The functions of ``source``, and those of ``library`` for them to call, in LLVM's language.

    Raises
    ------
    NotImplementedError
        If the source holds what is not understood.
    """
    constants = {name: held for name, held in vars(library).items() if isinstance(held, int | float)}
    helpers, own = _functions(ast.parse(inspect.getsource(library))), _functions(ast.parse(source))
    signatures = {tree.name: _signature(tree) for tree in (*helpers, *own)}
    lines = [
        f"declare double @{name}(double{', double' * (name == INTRINSICS['pow'])})"
        for name in (*INTRINSICS.values(), *LIBRARY)
    ]
    for tree in helpers:
        lines += _Function(tree, signatures, constants).lines_of("internal ")
    for tree in own:
        lines += _Function(tree, signatures, constants).lines_of("")
    return "\n".join([*lines, ""])


def build(source: str, library: ModuleType) -> Machine:
    """Machine code for this processor of the functions of ``source``; those of ``library`` are there to be called."""
    import llvmlite.binding as llvm

    target = _target()
    text = lower(source, library)
    module = llvm.parse_assembly(text)
    module.verify()
    tuning = llvm.create_pipeline_tuning_options(speed_level=2)
    tuning.loop_vectorization = True
    passes = llvm.create_pass_builder(target, tuning)
    passes.getModulePassManager().run(module, passes)
    engine = llvm.create_mcjit_compiler(module, target)
    engine.finalize_object()
    names = [tree.name for tree in _functions(ast.parse(source))]
    cpu, features = _processor()
    digest = hashlib.sha256("\n".join([cpu, features, text]).encode()).hexdigest()
    return Machine({name: engine.get_function_address(name) for name in names}, engine, cpu, digest)


def _target() -> Any:
    """The processor at hand, with all that it can do."""
    import llvmlite.binding as llvm

    _prepare()
    cpu, features = _processor()
    return llvm.Target.from_default_triple().create_target_machine(cpu=cpu, features=features, opt=2, jit=True)


def _processor() -> tuple[str, str]:
    """The processor at hand by LLVM's name, and what it can do."""
    import llvmlite.binding as llvm

    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


@functools.cache
def _prepare() -> None:
    """Tell LLVM of this processor, and where the C library's functions are, which it does not find everywhere."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    held = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
    for name in (*LIBRARY, *_BASICS):
        llvm.add_symbol(name, ctypes.cast(getattr(held, name), ctypes.c_void_p).value)
