"""Machine code against the interpreter: the same functions, run by both, must agree."""

from __future__ import annotations

import ctypes
import inspect
import math
import textwrap
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from gaugeglass.inference import tails
from gaugeglass.inference.kernel import emit
from gaugeglass.inference.layout import Layout
from gaugeglass.inference.machine import build
from gaugeglass.language import files

REAL, WHOLE, POINTER = ctypes.c_double, ctypes.c_int64, ctypes.c_void_p


def interpreted(source: str) -> ModuleType:
    """The same text as Python runs it."""
    module = ModuleType("interpreted")
    vars(module).update(
        vars(tails)
        | {
            n: getattr(math, n)
            for n in ("exp", "log", "sqrt", "isfinite", "lgamma", "erfc", "sin", "cos", "tan", "asin", "acos", "atan")
        }
        | {"zeros": lambda n: [0.0] * n}
        | {"Array": list}
    )
    exec(compile(source, "<source>", "exec"), vars(module))  # noqa: S102
    return module


SNIPPETS = {
    "a branch in a loop": """
        def f(x: float, y: float) -> float:
            total = 0.0
            for i in range(7):
                if i * x > y:
                    break
                total += x if i == 3 else -y
            return total
        """,
    "whole numbers among real ones": """
        def f(x: float, y: float) -> float:
            n = int(abs(10 * x))
            for k in range(1, n):
                x += k * (n - k) * y / (k + 1)
            return x
        """,
    "exchange": """
        def f(x: float, y: float) -> float:
            x, y = y, x
            return x - 2 * y
        """,
    "logic": """
        def f(x: float, y: float) -> float:
            return 1.0 if x > 0.0 and not y > 0.0 or x == y else exp(x) if x != x else max(x, 2.0) ** min(y, 3.0)
        """,
    "early returns": """
        def f(x: float, y: float) -> float:
            if x > y:
                if x > 1.0:
                    return x
                elif y > 0.0:
                    return y
            else:
                x = 2.0 * x
            return x * y
        """,
    "angles": """
        def f(x: float, y: float) -> float:
            return sin(x) * cos(y) + tan(0.3 * x) + asin(cos(x)) - acos(sin(y)) * atan(x + y)
        """,
    "recursion": """
        def f(x: float, y: float) -> float:
            return f(x - 1.0, 0.5 * y) if x > 0.0 else log_student_between(x, x + 1.0, 4.0) + y
        """,
}


@pytest.mark.parametrize("kind", SNIPPETS)
def test_every_kind_of_statement(kind: str) -> None:
    source = textwrap.dedent(SNIPPETS[kind])
    f = build(source, tails).function("f", [REAL, REAL], REAL)
    rng = np.random.default_rng(5)
    for x, y in [*rng.normal(size=(50, 2)), (0.0, 0.0), (1.0, -1.0)]:
        assert f(x, y) == pytest.approx(interpreted(source).f(float(x), float(y)), rel=1e-14)


@pytest.mark.parametrize("name", [n for n, f in vars(tails).items() if inspect.isfunction(f) and n.startswith("log_")])
def test_tails_in_machine_code(name: str) -> None:
    """Far into the tails; what the interpreter gives is compared with SciPy elsewhere."""
    function = getattr(tails, name)
    names = list(inspect.signature(function).parameters)
    source = f"def f({', '.join(f'{n}: float' for n in names)}) -> float:\n    return {name}({', '.join(names)})\n"
    f = build(source, tails).function("f", [REAL] * len(names), REAL)
    rng = np.random.default_rng(5)
    for scale in (0.1, 1.0, 30.0):
        for lower, width, nu in np.abs(rng.normal(size=(30, 3))) * scale:
            for first in (-lower, lower):
                args = (
                    [first, first + width, 1 + nu][: len(names)]
                    if len(names) != 2 or "upper" in names
                    else [first, 1 + nu]
                )
                assert f(*args) == pytest.approx(function(*map(float, args)), rel=1e-12)


def test_an_emitted_density_is_python_too() -> None:
    """The text is what is compiled: run by the interpreter it gives the same value and gradient."""
    from gaugeglass.inference.density import compile_density

    spec = files.load(Path(__file__).parents[2] / "observations" / "heron-35.yaml")
    density = compile_density(spec)
    module = interpreted(emit(Layout(spec)))
    rng = np.random.default_rng(6)
    for hypothesis in spec.hypotheses:
        dials = density.pack(density.dials(hypothesis.name))
        x = rng.normal(size=len(density.free))
        slow = [0.0] * len(x)
        value = module.log_density(x.tolist(), slow, dials.tolist())
        fast, gradient = density.log_density(x, dials)
        assert fast == pytest.approx(value, rel=1e-12)
        np.testing.assert_allclose(gradient, slow, rtol=1e-10, atol=1e-12)


def test_arrays_are_read_written_and_moved_along() -> None:
    source = textwrap.dedent("""
        def last(n: int, x: Array) -> float:
            return x[n - 1]

        def f(n: int, x: Array, y: Array) -> int:
            for i in range(n):
                y[i] = last(n - i, x[i:]) + x[i]
            return 0
        """)
    x, y = np.arange(5.0), np.empty(5)
    build(source, tails).function("f", [WHOLE, POINTER, POINTER], WHOLE)(5, x.ctypes.data, y.ctypes.data)
    assert y.tolist() == [4.0, 5.0, 6.0, 7.0, 8.0]


@pytest.mark.parametrize("line", ["while x > 0: x -= 1", "return math.gamma(x)", "return [x]", "import os"])
def test_what_is_not_understood_is_refused(line: str) -> None:
    with pytest.raises(NotImplementedError):
        build(f"def f(x: float) -> float:\n    {line}\n    return x\n", tails)


def test_a_program_is_told_by_its_code_and_its_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    import llvmlite.binding as llvm

    def digest(line: str) -> str:
        return build(f"def f(x: float) -> float:\n    return {line}\n", tails).digest

    assert digest("x + 1.0") == digest("x + 1.0") != digest("x + 2.0")
    known = digest("x + 1.0")
    assert build("def f(x: float) -> float:\n    return x\n", tails).processor == llvm.get_host_cpu_name()
    monkeypatch.setattr("gaugeglass.inference.machine._processor", lambda: (llvm.get_host_cpu_name(), ""))
    assert digest("x + 1.0") != known
