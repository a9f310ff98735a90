"""Probabilities of intervals, right far into the tails, as scalar functions that ``machine`` can compile.

Both ends are reflected into the lower tail and their logarithms subtracted, so that an interval forty standard
deviations away still has a finite probability and a finite slope.
"""

from __future__ import annotations

import math

_HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)
_NARROW = 1e-6  # below this width the density in the middle is nearer to the truth than a difference of tails
_FAR = -20.0  # beyond it the asymptotic series is exact to double precision
_MOST_TERMS = 300


def log_logistic(t: float) -> float:
    """Log of 1 / (1 + exp(-t))."""
    return -math.log1p(math.exp(-t)) if t > 0.0 else t - math.log1p(math.exp(t))


def log_normal(z: float) -> float:
    """Log density of the standard normal distribution."""
    return -0.5 * z * z - _HALF_LOG_2PI


def log_student(t: float, nu: float) -> float:
    """Log density of Student's t distribution with ``nu`` degrees of freedom."""
    norm = math.lgamma(0.5 * (nu + 1.0)) - math.lgamma(0.5 * nu) - 0.5 * math.log(nu * math.pi)
    if math.isinf(t):
        return -math.inf
    return norm - 0.5 * (nu + 1.0) * math.log1p(t * t / nu)


def _log_normal_below(z: float) -> float:
    """Log of the standard normal distribution function (Abramowitz & Stegun 26.2.12 in the far tail)."""
    if z == -math.inf:
        return -math.inf
    if z > -1.0:
        return math.log1p(-0.5 * math.erfc(z * math.sqrt(0.5)))
    if z > _FAR:
        return math.log(0.5 * math.erfc(-z * math.sqrt(0.5)))
    w = 1.0 / (z * z)
    series = -w * (1.0 - 3.0 * w * (1.0 - 5.0 * w * (1.0 - 7.0 * w * (1.0 - 9.0 * w * (1.0 - 11.0 * w)))))
    return log_normal(z) - math.log(-z) + math.log1p(series)


def _log_incomplete_beta(x: float, a: float, b: float) -> float:
    """Log of the regularised incomplete beta function where its continued fraction converges fast (DLMF 8.17.22)."""
    front = a * math.log(x) + b * math.log1p(-x) - math.log(a)
    front -= math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0))
    h = d
    for m in range(1, _MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        d, c = 1.0 / (1.0 + even * d), 1.0 + even / c
        h *= d * c
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        d, c = 1.0 / (1.0 + odd * d), 1.0 + odd / c
        h *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return front + math.log(h)


def _log_student_below(t: float, nu: float) -> float:
    """Log of the distribution function of Student's t (DLMF 8.17, t**2 = nu (1 - x) / x)."""
    if t == -math.inf:
        return -math.inf
    if t == math.inf:
        return 0.0
    if t == 0.0:
        return math.log(0.5)
    if t > 0.0:
        return math.log1p(-math.exp(_log_student_below(-t, nu)))
    x, y = nu / (nu + t * t), t * t / (nu + t * t)
    a, b = 0.5 * nu, 0.5
    if x < (a + 1.0) / (a + b + 2.0):
        return math.log(0.5) + _log_incomplete_beta(x, a, b)
    return math.log(0.5) + math.log1p(-math.exp(_log_incomplete_beta(y, b, a)))


def _log_difference(upper: float, lower: float) -> float:
    """Log of exp(upper) - exp(lower)."""
    gap = lower - upper
    return upper + (math.log(-math.expm1(gap)) if gap > -0.6931471805599453 else math.log1p(-math.exp(gap)))


def log_normal_between(lower: float, upper: float) -> float:
    """Log probability that a standard normal value lies between two ends, either of which may be infinite."""
    if lower + upper > 0.0:
        lower, upper = -upper, -lower
    width = upper - lower
    if width * max(1.0, abs(lower)) < _NARROW:
        return log_normal(0.5 * (lower + upper)) + math.log(width)
    return _log_difference(_log_normal_below(upper), _log_normal_below(lower))


def log_student_between(lower: float, upper: float, nu: float) -> float:
    """Log probability that a Student t value with ``nu`` degrees of freedom lies between two ends."""
    if lower + upper > 0.0:
        lower, upper = -upper, -lower
    width = upper - lower
    if width < _NARROW * max(1.0, abs(lower)):
        return log_student(0.5 * (lower + upper), nu) + math.log(width)
    return _log_difference(_log_student_below(upper, nu), _log_student_below(lower, nu))


def log_add(a: float, b: float) -> float:
    """Log of exp(a) + exp(b); either may be minus infinity."""
    high, low = max(a, b), min(a, b)
    return high + math.log1p(math.exp(low - high)) if high > -math.inf else high


def digamma(x: float) -> float:
    """Slope of the log of the gamma function, above 0 (Abramowitz & Stegun 6.3.5 and 6.3.18)."""
    shift = 0.0
    for _ in range(10):
        if x < 10.0:
            shift += 1.0 / x
            x += 1.0
    w = 1.0 / (x * x)
    series = w * (1.0 / 12.0 - w * (1.0 / 120.0 - w * (1.0 / 252.0 - w * (1.0 / 240.0 - w / 132.0))))
    return math.log(x) - 0.5 / x - series - shift
