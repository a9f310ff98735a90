"""Probabilities of intervals and their slopes, near and far, against closed forms and SciPy."""

from __future__ import annotations

import math

import pytest
from scipy import integrate, stats

from gaugeglass.inference import tails


def _student_2(t: float) -> float:
    """Distribution function of Student's t with two degrees of freedom, without cancellation below zero."""
    root = math.sqrt(2 + t * t)
    return 1 / (root * (root - t)) if t < 0 else 0.5 + t / (2 * root)


@pytest.mark.parametrize(
    ("lower", "upper"), [(-3.0, -1.0), (-0.5, 2.0), (1.0, 1.5), (4.0, math.inf), (-math.inf, -7.0)]
)
def test_student_intervals_and_slopes_agree_with_the_closed_form(lower: float, upper: float) -> None:
    """Two degrees of freedom: F(t) = 1/2 + t / (2 sqrt(2 + t**2)), f(t) = (2 + t**2)**-1.5."""
    low, high = (-upper, -lower) if lower > 0 else (lower, upper)
    wanted = (_student_2(high) if math.isfinite(high) else 1.0) - (_student_2(low) if math.isfinite(low) else 0.0)
    found = tails.log_student_between(lower, upper, 2.0)
    assert found == pytest.approx(math.log(wanted), rel=1e-13, abs=1e-13)
    for end in (lower, upper):
        slope = math.exp(tails.log_student(end, 2.0) - found)
        exact = (2 + end * end) ** -1.5 / wanted if math.isfinite(end) else 0.0
        assert slope == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize("nu", [1.0, 4.0, 7.5, 30.0])
@pytest.mark.parametrize("t", [-50.0, -6.0, -0.3, 0.0, 2.0, 9.0])
def test_student_bounds_agree_with_scipy(t: float, nu: float) -> None:
    assert tails.log_student_between(-math.inf, t, nu) == pytest.approx(stats.t.logcdf(t, nu), rel=1e-10, abs=1e-14)
    assert tails.log_student_between(t, math.inf, nu) == pytest.approx(stats.t.logsf(t, nu), rel=1e-10, abs=1e-14)


@pytest.mark.parametrize("z", [-1e4, -200.0, -19.9, -20.1, -3.0, 0.0, 3.0, 30.0, 1e4])
def test_normal_bounds_agree_with_scipy(z: float) -> None:
    assert tails.log_normal_between(-math.inf, z) == pytest.approx(stats.norm.logcdf(z), rel=1e-13, abs=1e-300)
    assert tails.log_normal_between(z, math.inf) == pytest.approx(stats.norm.logsf(z), rel=1e-13, abs=1e-300)


@pytest.mark.parametrize(("lower", "upper"), [(39.0, 40.0), (-40.0, -39.5), (2.0, 2.0 + 1e-9), (-1e-4, 1e-4)])
def test_normal_intervals_agree_with_quadrature(lower: float, upper: float) -> None:
    """The density is integrated relative to its value in the middle, so that nothing underflows."""
    middle = (lower + upper) / 2
    area, _ = integrate.quad(lambda z: math.exp((middle**2 - z**2) / 2), lower, upper, epsabs=0, epsrel=1e-13)
    assert tails.log_normal_between(lower, upper) == pytest.approx(math.log(area) + tails.log_normal(middle), abs=1e-9)
