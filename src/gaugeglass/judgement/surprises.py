"""How far readings that were left out lie from what the rest foretells."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, special

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.modes import may_be_several
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.findings import Surprise, Unit
from gaugeglass.judgement.leaving import Left
from gaugeglass.judgement.predictions import as_stated, chances_of_bases, predict, simulate, trials
from gaugeglass.judgement.results import Probability
from gaugeglass.language.spec import Observation, Spec

_SEED = 0x5A9
_MOST_READINGS = 200
"""Readings of a unit that are held against their predictions together, spread evenly over it."""
_DRAWS = 2000
"""Draws of each hypothesis that readings are simulated from. [1]"""
_RUNS = 10
"""Runs of successive draws: means and covariances are of all but the one that is held against them. [1]"""
_RIDGE = 1e-9  # of correlations, for readings that say the same


def surprise(density: Density, left: Left, *, seed: int) -> Surprise:
    """Of one reading the two-sided predictive tail, of several the misfit of just those."""
    own = readings_of(density.spec, left.unit)
    if len(own) == 1:
        return Surprise("tail", tail(density, left, own[0]))
    return Surprise("misfit", _misfit(density, left, own, seed))


def _misfit(density: Density, left: Left, own: tuple[Observation, ...], seed: int) -> Probability:
    """Probability of readings at least as far from what the rest foretells, by their own scatter and correlations.

    The distance is Mahalanobis's; means and covariance are of other draws than those that are counted.
    """
    few = [own[k] for k in np.linspace(0, len(own) - 1, min(len(own), _MOST_READINGS)).round().astype(int)]
    thin = left.thinned(_DRAWS)
    rng = np.random.default_rng([seed, _SEED])
    simulated = {name: _simulated(density, few, part.fit, rng) for name, part in thin.parts.items()}
    run = {name: np.arange(len(v)) * _RUNS // len(v) for name, v in simulated.items()}
    observed = np.array([_folded(density, o, _middle(o)) for o in few])
    points, runs = np.concatenate(list(simulated.values())), np.concatenate(list(run.values()))
    shares = np.concatenate(
        [w * p.shares.ravel() for w, p in zip(thin.weights.posterior, thin.parts.values(), strict=True)]
    )
    is_far = np.array([_is_far(points, observed, np.where(runs == k, 0.0, shares)) for k in range(_RUNS)])
    own_run = is_far[runs, np.arange(len(runs))].astype(np.float64)
    ends = np.cumsum([len(v) for v in simulated.values()])[:-1]
    found = dict(zip(simulated, np.split(own_run, ends), strict=True))
    p = thin.probability(lambda name, fit: found[name].reshape(fit.x.shape[:2]))
    by_moments = math.sqrt((_RUNS - 1) * float(np.var(is_far @ shares)))
    return replace(p, mcse=math.hypot(p.mcse, by_moments, _unseen(density, left)))


def _is_far(points: Floats, observed: Floats, shares: Floats) -> NDArray[np.bool_]:
    """Which points are as far out as what was observed, by the mean and covariance of weighted ones; dims ("draw",)."""
    shares = shares / shares.sum()
    middle = shares @ points
    covariance = (shares[:, None] * (points - middle)).T @ (points - middle)
    width = np.sqrt(np.maximum(np.diag(covariance), np.finfo(float).tiny))
    root = np.linalg.cholesky(covariance / np.outer(width, width) + _RIDGE * np.eye(len(width)))
    z = linalg.solve_triangular(root, ((np.vstack([observed, points]) - middle) / width).T, lower=True)
    distances = np.sum(z * z, axis=0)
    return np.asarray(distances[1:] >= distances[0])


def _unseen(density: Density, left: Left) -> float:
    """What a mode that none of the draws is in may hold, where there may be several. [1]"""
    if not may_be_several(density):
        return 0.0
    return float(left.weights.posterior @ [1 / part.size for part in left.parts.values()])


def _middle(o: Observation) -> float:
    return (o.lower + o.upper) / 2 if math.isfinite(o.upper - o.lower) else o.value


def _simulated(density: Density, readings: list[Observation], fit: Fit, rng: np.random.Generator) -> Floats:
    """Readings in the places of those observed, as they would be stated; dims ("draw", "reading")."""
    x, flat = fit.x.reshape(-1, fit.x.shape[-1]), fit.quantities.each(np.ravel)
    columns, meant = [], dict[tuple[str, str, str], NDArray[np.int_]]()
    for o in readings:
        cluster = density.layout.cluster_of(o)
        if cluster not in meant:
            meant[cluster] = _meant(density, o, fit, rng)
        bases = [name for name, p in density.chances_of_bases(o).items() if p > 0]
        each = np.array([predict(density, o, flat, x, basis=basis) for basis in bases])
        mu, u = each[meant[cluster], :, np.arange(len(x))].T
        reading = simulate(density, o, mu, u, rng)
        if math.isfinite(o.upper - o.lower):
            lower, upper = as_stated(o, reading)
            reading = (lower + upper) / 2
        columns.append(_folded(density, o, reading))
    return np.stack(columns, axis=1)


def _meant(density: Density, o: Observation, fit: Fit, rng: np.random.Generator) -> NDArray[np.int_]:
    """Which of the bases that are open to a value and those that share its basis it has, dims ("draw",)."""
    size = fit.x.shape[0] * fit.x.shape[1]
    if len(density.spec.method(o).basis) < 2:
        return np.zeros(size, dtype=int)
    until = np.cumsum(list(chances_of_bases(density, o, fit).values()), axis=0)
    chosen: NDArray[np.int_] = np.sum(rng.uniform(size=size) > until[:-1], axis=0)
    return chosen


def _folded(density: Density, o: Observation, reading: Any) -> Any:
    """A reading as it counts: of a bound only how far it falls short, of a lognormal one the logarithm."""
    if math.isinf(o.upper) and math.isfinite(o.lower):
        reading = np.minimum(reading, o.lower)
    elif math.isinf(o.lower) and math.isfinite(o.upper):
        reading = np.maximum(reading, o.upper)
    if density.spec.method(o).likelihood.family == "lognormal":
        with np.errstate(all="ignore"):
            return np.log(np.maximum(reading, np.finfo(float).tiny))
    return np.nan_to_num(reading)


def likely_basis(density: Density, o: Observation, fit: Fit) -> str:
    """The most probable basis of a value, where that is open."""
    if len(density.spec.method(o).basis) < 2:
        return ""
    chances = chances_of_bases(density, o, fit)
    return max(chances, key=lambda name: float(chances[name].mean()), default="")


def readings_of(spec: Spec, unit: Unit) -> tuple[Observation, ...]:
    """The readings of a unit."""
    own = set(unit.ids)
    return tuple(o for o in spec.evidence if o.id in own)


def tail(density: Density, left: Left, o: Observation) -> Probability:
    """Two-sided probability of a reading at least as far out as one that was left out, were it right."""
    sides = [left.mean(lambda name, fit, side=side: _sides(density, o, fit)[side]) for side in (0, 1)]  # type: ignore[misc]
    lower, mcse = min(sides)
    mcse = math.hypot(mcse, _unseen(density, left))
    return Probability(min(1.0, 2 * lower), 2 * mcse if 2 * lower < 1 else 0.0)


def _sides(density: Density, o: Observation, fit: Fit) -> tuple[Floats, Floats]:
    """Probability of a reading up to the observed upper end, and from its lower end on, in each draw."""
    x, flat = fit.x.reshape(-1, fit.x.shape[-1]), fit.quantities.each(np.ravel)
    chances: dict[str, Any] = chances_of_bases(density, o, fit) if len(density.spec.method(o).basis) > 1 else {"": 1.0}
    below, above = np.zeros(len(x)), np.zeros(len(x))
    for basis, chance in chances.items():
        mu, u = predict(density, o, flat, x, basis=basis)
        below += chance * up_to(density, o, mu, u, o.upper)
        above += chance * from_on(density, o, mu, u, o.lower)
    return below.reshape(fit.x.shape[:2]), above.reshape(fit.x.shape[:2])


def up_to(  # noqa: PLR0911 - one a likelihood
    density: Density, o: Observation, mu: Floats, u: Floats, y: float
) -> Floats:
    """Probability of a reading of at most ``y`` [unit of the method] for each prediction."""
    if y == math.inf:
        return np.ones_like(mu)
    likelihood = density.spec.method(o).likelihood
    with np.errstate(all="ignore"):
        match likelihood.family:
            case "student_t":
                return np.asarray(special.stdtr(likelihood.nu or 1.0, (y - mu) / u))
            case "lognormal":
                return np.asarray(special.ndtr((math.log(y) - np.log(mu)) / u)) if y > 0 else np.zeros_like(mu)
            case "poisson":
                return np.asarray(special.pdtr(math.floor(y), mu)) if y >= 0 else np.zeros_like(mu)
            case "binomial":
                n = round(trials(density, o))
                return np.asarray(special.bdtr(math.floor(y), n, np.clip(mu, 0, 1))) if y >= 0 else np.zeros_like(mu)
            case "beta":
                size = mu * (1 - mu) / u**2 - 1
                return np.asarray(special.betainc(mu * size, (1 - mu) * size, min(max(y, 0.0), 1.0)))
            case "serial":
                return np.asarray(np.clip(math.floor(y) / mu, 0, 1))
        return np.asarray(special.ndtr((y - mu) / u))


def from_on(  # noqa: PLR0911 - one a likelihood
    density: Density, o: Observation, mu: Floats, u: Floats, y: float
) -> Floats:
    """Probability of a reading of at least ``y`` [unit of the method] for each prediction, as exact far out."""
    if y == -math.inf:
        return np.ones_like(mu)
    likelihood = density.spec.method(o).likelihood
    with np.errstate(all="ignore"):
        match likelihood.family:
            case "student_t":
                return np.asarray(special.stdtr(likelihood.nu or 1.0, (mu - y) / u))
            case "lognormal":
                return np.asarray(special.ndtr((np.log(mu) - math.log(y)) / u)) if y > 0 else np.ones_like(mu)
            case "poisson":
                return np.asarray(special.pdtrc(math.ceil(y) - 1, mu)) if y > 0 else np.ones_like(mu)
            case "binomial":
                n = round(trials(density, o))
                p = np.clip(mu, 0, 1)
                return np.asarray(special.bdtrc(math.ceil(y) - 1, n, p)) if y > 0 else np.ones_like(mu)
            case "beta":
                size = mu * (1 - mu) / u**2 - 1
                return np.asarray(special.betaincc(mu * size, (1 - mu) * size, min(max(y, 0.0), 1.0)))
            case "serial":
                return np.asarray(np.clip(1 - (math.ceil(y) - 1) / mu, 0, 1))
        return np.asarray(special.ndtr((mu - y) / u))
