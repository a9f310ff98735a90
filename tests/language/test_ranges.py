"""Between which numbers an expression surely is: every value that it takes lies inside."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gaugeglass.language.expressions import Const, Node, Op, Ref, evaluate_at
from gaugeglass.language.ranges import ANYTHING, Range, range_of

A, B = Ref("a"), Ref("b")
INF = math.inf
ENDS = st.one_of(st.sampled_from([0.0, -INF, INF, 1.0, -1.0]), st.floats(-50, 50))
SOME = st.tuples(ENDS, ENDS).map(lambda ends: (min(ends), max(ends))).filter(lambda r: r[0] < INF and r[1] > -INF)


def op(name: str, *args: Node) -> Node:
    return Op(name, args)


TREES = st.recursive(
    st.sampled_from([A, B, Const(0.0), Const(2.0), Const(-1.5)]),
    lambda inner: st.one_of(
        st.builds(op, st.sampled_from(["add", "sub", "mul", "div", "min", "max"]), inner, inner),
        st.builds(
            op,
            st.sampled_from(["neg", "abs", "sqrt", "exp", "log", "mean", "sin", "cos", "asin", "acos", "atan"]),
            inner,
        ),
        st.builds(lambda base, n: op("pow", base, Const(n)), inner, st.sampled_from([-2.0, -1.0, 0.5, 2.0, 3.0])),
        st.builds(lambda yes, no: op("where", op("gt", A, B), yes, no), inner, inner),
    ),
    max_leaves=8,
)


def within(known: Range, share: float) -> float:
    low, high = max(known[0], -60.0), min(known[1], 60.0)
    return min(max(low + share * (high - low), low), high)


@given(TREES, SOME, SOME, st.floats(0, 1), st.floats(0, 1))
def test_no_value_is_outside(tree: Node, a: Range, b: Range, at_a: float, at_b: float) -> None:
    value = evaluate_at(tree, {"a": within(a, at_a), "b": within(b, at_b)}, {})
    assume(math.isfinite(value))
    low, high = range_of(tree, {"a": a, "b": b})
    slack = 1e-9 * (1 + abs(value))
    assert low - slack <= value <= high + slack


@pytest.mark.parametrize(
    ("tree", "known"),
    [
        (op("mul", A, B), (0.0, INF)),
        (op("sub", Const(1.0), A), (0.0, 1.0)),
        (op("div", B, A), (0.0, INF)),
        (op("div", A, op("sub", A, B)), ANYTHING),
        (op("exp", op("neg", B)), (0.0, 1.0)),
        (op("pow", op("sub", A, Const(1.0)), Const(2.0)), (0.0, 1.0)),
        (op("pow", B, Const(-1.0)), (0.0, INF)),
        (op("mul", Const(-2.0), op("sin", B)), (-2.0, 2.0)),
        (op("where", op("gt", A, B), A, Const(-2.0)), (-2.0, 1.0)),
        (op("sum", A), (0.0, INF)),
        (op("sum", op("neg", A)), (-INF, 0.0)),
        (op("log", A), (-INF, 0.0)),
        (op("add", A, Ref("unheard_of")), ANYTHING),
        (op("pow", A, B), ANYTHING),
    ],
)
def test_ranges_that_are_known_by_hand(tree: Node, known: Range) -> None:
    """``a`` from 0 to 1, ``b`` 0 or more."""
    assert range_of(tree, {"a": (0.0, 1.0), "b": (0.0, INF)}) == known
