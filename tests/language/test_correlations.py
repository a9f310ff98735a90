"""Which stated correlations errors can have together, and what is said of others."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.correlations import connected
from gaugeglass.language.files import specify

MODEL = {
    "title": "A level",
    "latents": {
        "level": {
            "about": "Level",
            "unit": "1",
            "prior": {"family": "normal", "mean": 0, "sd": 1},
            "because": "Invented",
        }
    },
    "methods": {"meter": {"about": "A meter", "measures": "level", "likelihood": {"family": "normal"}}},
    "claims": {},
}
NAMES = "abcdef"
NEAR = re.compile(r"a correlation between (\S+) and (\S+) beside these")


def faults(matrix: np.ndarray) -> tuple[Fault, ...]:
    """What is wrong with the correlations of as many readings as a matrix has rows, where they are not 0."""
    names = NAMES[: len(matrix)]
    readings = [{"id": i, "method": "meter", "value": 0, "u": 1} for i in names]
    stated = [
        {"between": [names[i], names[j]], "r": float(matrix[i, j])}
        for i, j in itertools.combinations(range(len(names)), 2)
        if matrix[i, j]
    ]
    dossier = {"dossier": "level", "subject": "A level", "observations": readings, "correlations": stated}
    try:
        specify(MODEL, dossier)
    except SpecError as problem:
        return problem.faults
    return ()


def filled(upper: list[float], size: int) -> np.ndarray:
    matrix = np.eye(size)
    for (i, j), r in zip(itertools.combinations(range(size), 2), upper, strict=False):
        matrix[i, j] = matrix[j, i] = r
    return matrix


@given(st.integers(2, 6), st.lists(st.integers(-95, 95), min_size=15, max_size=15))
def test_what_is_positive_definite_is_read_and_nothing_else(size: int, upper: list[int]) -> None:
    """By the least eigenvalue, where that is not next to 0."""
    matrix = filled([r / 100 for r in upper], size)
    least = np.linalg.eigvalsh(matrix)[0]
    assume(abs(least) > 1e-9)
    assert (faults(matrix) == ()) is bool(least > 0)


@given(st.lists(st.integers(-95, 95), min_size=3, max_size=3))
def test_a_correlation_within_what_is_allowed_is_read(upper: list[int]) -> None:
    """Of three readings, in which there is one way to mend the last: inside of both ends it is sound, beyond it is not."""
    matrix = filled([r / 100 for r in upper], 3)
    found = faults(matrix)
    assume(found and 0 not in upper)
    low, high = map(float, NEAR.fullmatch(found[0].allowed).groups())  # type: ignore[union-attr]
    for last, is_sound in ((low + 1e-6, True), (high - 1e-6, True), (low - 0.011, False), (high + 0.011, False)):
        if abs(last) < 1:
            other = filled([r / 100 for r in upper[:2]] + [last], 3)
            assert (faults(other) == ()) is is_sound


def test_the_fewest_observations_are_named() -> None:
    """Of six that all hang together three cannot: the others are not named, nor what is beside them."""
    matrix = filled([0.1] * 15, 6)
    matrix[1, 3], matrix[3, 5], matrix[1, 5] = 0.8, 0.8, -0.3
    (fault,) = faults(matrix)
    assert fault.found == "0.8 between 'd' and 'f', beside 0.8 between 'b' and 'd', -0.3 between 'b' and 'f'"
    assert fault.allowed == "a correlation between -0.81 and 0.33 beside these"
    assert fault.hint is None


def test_one_that_is_not_stated_counts_as_none() -> None:
    (fault,) = faults(filled([0.9, 0, 0.9], 3))
    assert fault.hint == "none is stated between 'a' and 'c', which counts as 0"
    assert faults(filled([0.9, 0.7, 0.9], 3)) == ()


@pytest.mark.parametrize("r", [1.0, -1.0, 1 - 1e-15, 5.0])
def test_errors_that_are_one_are_refused(r: float) -> None:
    (fault,) = faults(filled([r], 2))
    assert fault.allowed == "a correlation between -1 and 1"


def test_what_hangs_together_is_found_in_order() -> None:
    pairs = [("e", "b"), ("c", "a"), ("a", "f"), ("b", "e")]
    assert list(connected(pairs, NAMES)) == [["a", "c", "f"], ["b", "e"]]
