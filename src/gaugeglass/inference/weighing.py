"""Marginal likelihoods of hypotheses by bridge sampling, and the weights that follow from them.

X.-L. Meng and W. H. Wong, Statistica Sinica 6 (1996) 831, eq. 4.1 (the optimal bridge, iterated); its error by
S. Frühwirth-Schnatter, Econometrics Journal 7 (2004) 143, eq. 16. Where the proposal overlaps the posterior too
little, a path of densities with the evidence raised to powers from 0 to 1 takes over, bridged step by step
(C. H. Bennett, J. Comput. Phys. 22 (1976) 245).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from gaugeglass.inference.density import Density, Dials, Floats
from gaugeglass.inference.sampling import Fit, Settings, draw_prior, effective_size, fit_many

_POOR = 0.05
"""Relative error of a marginal likelihood above which the path of intermediate densities is taken. [1]"""
_PROPOSALS = 4  # proposals a draw; they cost a microsecond each
_RUNGS = 12
_STEEPNESS = 4.0
_TURNS = 200
_TINY = 1e-290  # below, digits are lost
_REPLICATES = 4000


@dataclass(frozen=True, slots=True)
class Evidence:
    """A log marginal likelihood [nat] with its Monte Carlo error [nat] and how it was found."""

    log: float
    mcse: float
    route: str


@dataclass(frozen=True)
class Weights:
    """Prior and posterior weights of the hypotheses, in the Spec's order.

    ``replicates`` dims ("replicate", "hypothesis") repeat ``posterior`` as the errors of the evidences scatter it.
    """

    names: tuple[str, ...]
    prior: Floats
    posterior: Floats
    mcse: Floats
    evidences: tuple[Evidence, ...]
    replicates: Floats


def weigh(names: Sequence[str], prior: Sequence[float], evidences: Sequence[Evidence], *, seed: int) -> Weights:
    """Posterior weights of hypotheses from their prior weights, in any scale, and their evidences."""
    shares = np.asarray(prior, dtype=np.float64) / np.sum(prior)
    logs = np.array([e.log for e in evidences])
    errors = np.array([e.mcse for e in evidences])
    rng = np.random.default_rng([seed, 0xB41D])
    scattered = logs + errors * rng.standard_normal((_REPLICATES, len(logs)))
    replicates = special.softmax(np.log(shares) + scattered, axis=1)
    posterior = special.softmax(np.log(shares) + logs)
    return Weights(tuple(names), shares, posterior, replicates.std(axis=0), tuple(evidences), replicates)


def log_evidence(density: Density, fit: Fit, settings: Settings) -> Evidence:
    """Log marginal likelihood of the readings under the hypothesis of a fit, along a path where a bridge is poor."""
    found = log_evidence_by_bridge(density, fit)
    if found.mcse <= _POOR:
        return found
    active = density.active(fit.hypothesis)
    return _path(density, fit, active, settings)


def log_evidence_by_bridge(density: Density, fit: Fit) -> Evidence:
    """The same by one bridge to a normal proposal, whatever its error: for refits, of which there are many."""
    if not _has_evidence(density, fit.dials):
        return Evidence(0.0, 0.0, "no readings")
    active = density.active(fit.hypothesis)
    if not active:
        return Evidence(float(_log_densities(density, fit.dials, np.empty((1, 0)), active)[0]), 0.0, "nothing unknown")
    halves = _halves(fit.x[..., active])
    found = [
        _bridge_normal(density, fit.dials, active, a, b, seed) for seed, (a, b) in enumerate((halves, halves[::-1]))
    ]
    log = float(np.mean([f.log for f in found]))
    apart = abs(found[0].log - found[1].log) / 2
    mcse = max(math.hypot(*(f.mcse for f in found)) / 2, apart)
    return Evidence(log, mcse, "bridge")


def _has_evidence(density: Density, dials: Dials) -> bool:
    return any(dials.power.get(o.id, 1.0) for o in density.spec.evidence)


def _halves(x: Floats) -> tuple[Floats, Floats]:
    middle = x.shape[1] // 2
    return x[:, :middle], x[:, middle:]


def _log_densities(density: Density, dials: Dials, active_x: Floats, active: list[int]) -> Floats:
    """Log density over the active coordinates alone: inert ones are set at 0 and their prior taken out."""
    x = np.zeros((len(active_x), len(density.free)))
    x[:, active] = active_x
    inert = [free for k, free in enumerate(density.free) if k not in active]
    outside = sum(float(density.log_prior(np.zeros(1), free, dials.hypothesis)[0]) for free in inert)
    return np.asarray(density.log_densities(x, density.pack(dials)) - outside)


def _bridge_normal(
    density: Density, dials: Dials, active: list[int], fitted: Floats, used: Floats, seed: int
) -> Evidence:
    """Bridge from a normal proposal, fitted on one half of the draws, to the other half."""
    flat = fitted.reshape(-1, len(active))
    mean, root = flat.mean(axis=0), np.linalg.cholesky(np.atleast_2d(np.cov(flat.T)))
    own = used.reshape(-1, len(active))
    rng = np.random.default_rng([seed, 0xB41D6E])
    proposed = mean + rng.standard_normal((_PROPOSALS * len(own), own.shape[1])) @ root.T
    constant = -0.5 * len(mean) * math.log(2 * math.pi) - np.log(np.diag(root)).sum()

    across = linalg.solve_triangular(root, np.eye(len(mean)), lower=True).T

    def log_proposal(x: Floats) -> Floats:
        z = (x - mean) @ across
        return np.asarray(constant - 0.5 * np.sum(z * z, axis=1))

    at_own = _log_densities(density, dials, own, active) - log_proposal(own)
    at_proposed = _log_densities(density, dials, proposed, active) - log_proposal(proposed)
    log, mcse = bridge(at_own.reshape(used.shape[:2]), at_proposed)
    return Evidence(log, mcse, "bridge")


def bridge(own: Floats, proposed: Floats) -> tuple[float, float]:
    """Log ratio of two normalising constants, and its error [nat].

    Parameters
    ----------
    own : dims ("chain", "draw")
        Log of the ratio of the two unnormalised densities (numerator over denominator) at draws of the numerator.
    proposed : dims ("point",)
        The same at independent draws of the denominator.
    """
    flat = own.ravel()
    proposed = np.where(np.isfinite(proposed), proposed, -np.inf)
    size = effective_size(own)
    log_odds = math.log(size) - math.log(len(proposed))
    ratio = float(np.median(flat))
    for _ in range(_TURNS):
        at_proposed, at_own = special.expit(log_odds + proposed - ratio), special.expit(ratio - log_odds - flat)
        new = ratio - log_odds + _log_mean(at_proposed, log_odds + proposed - ratio)
        new -= _log_mean(at_own, ratio - log_odds - flat)
        if abs(new - ratio) < 1e-10:
            break
        ratio = new
    variance = _relative_variance(at_proposed) / len(proposed)
    variance += _relative_variance(at_own) / effective_size(at_own.reshape(own.shape))
    return ratio, math.sqrt(variance)


def _log_mean(shares: Floats, logits: Floats) -> float:
    """Log of the mean of logistic shares, by their logits where all are too small for a number. [nat]"""
    mean = float(np.mean(shares))
    return math.log(mean) if mean > _TINY else float(special.logsumexp(logits)) - math.log(len(logits))


def _relative_variance(f: Floats) -> float:
    mean = float(np.mean(f))
    return float(np.var(f)) / mean**2 if mean > 0 else math.inf


def _path(density: Density, fit: Fit, active: list[int], settings: Settings) -> Evidence:
    """From the prior to the posterior through rising powers of the evidence, each step a bridge."""
    powers = (np.linspace(0.0, 1.0, _RUNGS + 1)) ** _STEEPNESS
    ids = [o.id for o in density.spec.evidence]

    def at(power: float) -> Dials:
        return density.dials(
            fit.hypothesis, power={i: power * fit.dials.power.get(i, 1.0) for i in ids}, stretch=fit.dials.stretch
        )

    jobs = [(at(float(p)), settings.seed + k, None) for k, p in enumerate(powers[1:-1], start=1)]
    prior = draw_prior(density, fit.hypothesis, draws=fit.x.shape[1], chains=fit.x.shape[0], seed=settings.seed)
    fits = [prior, *fit_many(density, jobs, settings), fit]
    total = variance = 0.0
    for lower, upper, p, q in zip(fits, fits[1:], powers, powers[1:], strict=False):
        step = []
        for f in (upper, lower):  # each in the coordinates that its draws have
            x = f.x[..., active].reshape(-1, len(active))
            ends = (replace(at(float(end)), untold=f.dials.untold) for end in (q, p))
            above, below = (_log_densities(density, dials, x, active) for dials in ends)
            step.append(above - below)
        log, mcse = bridge(step[0].reshape(upper.x.shape[:2]), step[1])
        total, variance = total + log, variance + mcse**2
    return Evidence(total, math.sqrt(variance), f"path of {_RUNGS} steps")
