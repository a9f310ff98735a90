"""What a reading would tell had it another standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import special

from gaugeglass.inference.density import Density, Floats, Quantities
from gaugeglass.inference.likelihoods import SCALED
from gaugeglass.inference.rows import log_norm, log_or_never, log_wrong, reliability
from gaugeglass.judgement.codes import DEEPEST
from gaugeglass.judgement.predictions import predict
from gaugeglass.language.spec import Observation

_NODES = 96
_TOLD_APART, _MOST_OFF = 1e-5, 0.01
"""What codes of a log-likelihood tell apart near its greatest value, and what that may leave open at a factor. [nat]"""
FACTORS = (0.5, 2.0, 4.0)
"""By what a standard uncertainty is multiplied, where not every factor can be had. [1]"""


def has_number(density: Density, o: Observation) -> bool:
    """Whether a reading scatters about one prediction with a standard uncertainty that is a number."""
    method, kind = density.spec.method(o), density.layout.kind_of(o)
    is_number = method.likelihood.u is None and kind.inexact != "linear" and not kind.joint
    return method.likelihood.family in SCALED and is_number and not kind.is_mixed


def is_plain(density: Density, o: Observation) -> bool:
    """Whether it is a point, too, so that its log-likelihood tells how many u it is off."""
    return density.layout.kind_of(o).is_points and has_number(density, o)


def peak(density: Density, o: Observation) -> float:
    """The greatest log-likelihood that a plain reading can have. [nat]"""
    likelihood = density.spec.method(o).likelihood
    norm = log_norm(likelihood.family, likelihood.nu) - math.log(o.u or math.nan)
    return norm - (math.log(o.value) if likelihood.family == "lognormal" else 0.0)


def log_likelihood_at(density: Density, o: Observation, factor: float, quantities: Quantities, x: Floats) -> Floats:
    """Log-likelihood of a reading alone, with so many times the u that it states [nat], dims ("draw",).

    Parameters
    ----------
    quantities, x : dims ("draw",), ("draw", "free")
        Draws of every quantity and their coordinates.
    """
    chances = {name: p for name, p in density.chances_of_bases(o).items() if p > 0}
    each = [math.log(p) + log_likelihood_of(density, o, factor, name, quantities, x) for name, p in chances.items()]
    return _or_wrong(density, o, reliability(density.layout, o), special.logsumexp(each, axis=0))


def log_likelihood_of(
    density: Density, o: Observation, factor: float, basis: str, quantities: Quantities, x: Floats
) -> Floats:
    """The same of a reading of one basis, of a source that is reliable."""
    wider = replace(o, u=None if o.u is None else o.u * factor)
    told = _by_prediction(density, wider, *predict(density, wider, quantities, x, basis=basis))
    credible = density.spec.model.grades["credibility"][o.grade[1]] if o.grade else 1.0
    return _or_wrong(density, o, credible, told)


def _or_wrong(density: Density, o: Observation, right: float, told: Floats) -> Floats:
    """Log-likelihood of a graded reading that is right with some chance [1], from that of one that is [nat]."""
    wrong = density.spec.method(o).wrong
    if o.grade is None or wrong is None:
        return np.asarray(told)
    with np.errstate(divide="ignore"):
        return np.asarray(np.logaddexp(np.log(right) + told, np.log1p(-right) + log_wrong(wrong, o)))


def curves(density: Density, o: Observation) -> tuple[Floats, dict[float, Floats]] | None:
    """Log-likelihoods at other factors as curves over that at 1 [nat]; None where that does not tell enough of them.

    It does where u is a number and the interval is not so wide, in u, that in its middle a reading is as good as sure.
    All dims ("node",), rising.
    """
    if density.layout.kind_of(o).is_points or not has_number(density, o) or not math.isfinite(o.upper - o.lower):
        return None
    is_log = density.spec.method(o).likelihood.family == "lognormal"
    lower, upper = (log_or_never(v) if is_log else v for v in (o.lower, o.upper))
    u = o.u or math.nan
    far = np.linspace(0, 1, _NODES) ** 2 * ((upper - lower) / 2 + u * math.sqrt(2 * DEEPEST)) * 1.1
    mu = (lower + upper) / 2 + far[::-1]
    mu = np.exp(mu) if is_log else mu
    at, *others = (_by_prediction(density, replace(o, u=f * u), mu, np.full(len(mu), f * u)) for f in (1.0, *FACTORS))
    is_seen = np.isfinite(at)
    if not is_seen.all() or any(np.ptp(other[at > at[-1] - _TOLD_APART]) > _MOST_OFF for other in others):
        return None
    at, first = np.unique(at, return_index=True)
    return at, {factor: other[first] for factor, other in zip(FACTORS, others, strict=True)}


def _by_prediction(density: Density, o: Observation, mu: Floats, u: Floats) -> Floats:
    likelihood = density.spec.method(o).likelihood
    family, nu = likelihood.family, likelihood.nu
    lower, upper = o.lower, o.upper
    with np.errstate(all="ignore"):
        if family == "lognormal":
            mu, lower, upper = np.log(mu), log_or_never(lower), log_or_never(upper)
        if not o.is_point:
            return _log_between((lower - mu) / u, (upper - mu) / u, nu if family == "student_t" else None)
        match family:
            case "student_t":
                told = -0.5 * ((nu or 0.0) + 1) * np.log1p(((lower - mu) / u) ** 2 / (nu or 0.0))
            case "beta":
                size = np.maximum(mu * (1 - mu) / u**2 - 1, 1e-6)
                a, b = mu * size, (1 - mu) * size
                return np.asarray((a - 1) * math.log(lower) + (b - 1) * math.log1p(-lower) - special.betaln(a, b))
            case _:
                told = -0.5 * ((lower - mu) / u) ** 2
        return np.asarray(told + log_norm(family, nu) - np.log(u) - (lower if family == "lognormal" else 0.0))


def _log_between(a: Floats, b: Floats, nu: float | None) -> Floats:
    """Log of the probability between two standardised ends, both of them in the lower tail if in one. dims ("draw",)"""
    a, b = np.where(a > 0, -b, a), np.where(a > 0, -a, b)
    below, above = (special.log_ndtr(z) if nu is None else np.log(special.stdtr(nu, z)) for z in (a, b))
    return np.asarray(above + np.log1p(-np.exp(below - above)))
