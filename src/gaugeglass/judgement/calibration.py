"""Simulation-based calibration: is the engine right nine times in ten when it says 90 %?

Truths are drawn from the prior, the dossier's own evidence is simulated from each and refitted by dials; the rank of
each truth among its posterior draws must be uniform (S. Talts et al., arXiv:1804.06788). The joint log-likelihood is
a test quantity too, which catches what each quantity alone does not (M. Modrák et al., Bayesian Analysis 2023).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.sampling import Fit, Settings, draw_prior, fit_many
from gaugeglass.judgement.predictions import predict, simulate
from gaugeglass.language.spec import Observation, Spec

JOINT = "log-likelihood"
_RANKS = 99
_NULL_SIMULATIONS = 20_000


@dataclass(frozen=True)
class Calibration:
    """Ranks of truths among their posterior draws, as shares from 0 to 1; dims ("simulation",) by quantity.

    ``failed`` counts simulations whose refit was out of limits and is left out.
    """

    ranks: Mapping[str, Floats]
    failed: int

    def p_value(self, name: str, *, seed: int = 0) -> float:
        """Probability that uniform ranks stray at least as far: the greatest scaled gap of the two ECDFs."""
        found = np.asarray(self.ranks[name])
        rng = np.random.default_rng(seed)
        null = rng.integers(0, _RANKS + 1, size=(_NULL_SIMULATIONS, len(found))) / _RANKS
        return float(np.mean(_gap(null) >= _gap(found)))

    def coverage(self, name: str, probability: float) -> float:
        """Share of truths inside their central interval of the given probability."""
        ranks = np.asarray(self.ranks[name])
        return float(np.mean(np.abs(ranks - 0.5) <= probability / 2))


def _gap(ranks: Floats) -> Floats:
    """Greatest distance between the ECDF of ranks and the diagonal. dims: (..., "simulation") → (...)"""
    ordered = np.sort(ranks, axis=-1)
    n = ordered.shape[-1]
    steps = np.arange(1, n + 1) / n
    return np.asarray(np.maximum((steps - ordered).max(axis=-1), (ordered - steps + 1 / n).max(axis=-1)))


def calibrate(
    density: Density, *, simulations: int, seed: int, refit: Callable[[Density], Density] = lambda density: density
) -> Calibration:
    """Calibrate the engine on a Spec's own evidence.

    Parameters
    ----------
    simulations
        Truths drawn, spread over the hypotheses by prior weight.
    refit
        Changes the density that refits use, and so lets a test break it on purpose.
    """
    spec = density.spec
    rng = np.random.default_rng([seed, 0xCA11B])
    shares = np.array([h.prior_weight for h in spec.hypotheses])
    chosen = rng.choice(len(shares), size=simulations, p=shares / shares.sum())
    settings = Settings(seed=seed, draws=500, tune=500, chains=2)
    ranks: dict[str, list[float]] = {}
    failed = 0
    for k, h in enumerate(chosen):
        found = _simulate_one(density, spec.hypotheses[h].name, k, seed, settings, refit, rng)
        if found is None:
            failed += 1
            continue
        for name, rank in found.items():
            ranks.setdefault(name, []).append(rank)
    return Calibration({n: np.array(r) for n, r in ranks.items()}, failed)


def _simulate_one(
    density: Density,
    hypothesis: str,
    k: int,
    seed: int,
    settings: Settings,
    refit: Callable[[Density], Density],
    rng: np.random.Generator,
) -> dict[str, float] | None:
    truth = draw_prior(density, hypothesis, draws=1, chains=1, seed=seed * 1_000_003 + k)
    observed = tuple(_observe(density.spec, o, truth, rng) for o in density.spec.evidence)
    simulated = refit(density.with_observations(observed))
    (fit,) = fit_many(simulated, [(simulated.dials(hypothesis), seed + k, None)], settings)
    if not fit.diagnostics.is_usable:
        return None
    thin = np.linspace(0, fit.x.shape[0] * fit.x.shape[1] - 1, _RANKS).round().astype(int)
    free = [q.name for q in density.spec.model.latents if q.name not in density.hypothesis(hypothesis).fix]
    names = free + [r.name for r in density.spec.model.relations]
    found = {n: _rank(fit.quantities[n].ravel()[thin], float(truth.quantities[n].item()), rng) for n in names}
    found[JOINT] = _rank(_joint(simulated, fit, thin), float(_joint(simulated, truth, np.zeros(1, dtype=int))[0]), rng)
    return found


def _joint(density: Density, fit: Fit, thin: np.ndarray) -> Floats:
    """Log-likelihood of all readings at chosen draws: the density less the prior."""
    x = fit.x.reshape(-1, fit.x.shape[-1])[thin]
    on = density.pack(density.dials(fit.hypothesis))
    off = density.pack(density.dials(fit.hypothesis, power={o.id: 0.0 for o in density.spec.evidence}))
    return density.log_densities(x, on) - density.log_densities(x, off)


def _rank(draws: Floats, truth: float, rng: np.random.Generator) -> float:
    """Share of draws below the truth; ties broken at random."""
    below, equal = int(np.sum(draws < truth)), int(np.sum(draws == truth))
    return (below + int(rng.integers(0, equal + 1))) / len(draws)


def _observe(spec: Spec, o: Observation, truth: Fit, rng: np.random.Generator) -> Observation:
    """The same observation as it would have been: an interval falls on the grid that the stated one belongs to."""
    method = spec.method(o)
    flat = {name: values.ravel() for name, values in truth.quantities.items()}
    reading = float(simulate(method, *predict(o, method, flat), rng)[0])
    if o.is_point:
        return replace(o, value=reading, lower=reading, upper=reading)
    if math.isinf(o.lower) or math.isinf(o.upper):
        edge = o.upper if math.isinf(o.lower) else o.lower
        return replace(o, lower=edge, upper=math.inf) if reading >= edge else replace(o, lower=-math.inf, upper=edge)
    width = o.upper - o.lower
    lower = o.lower + math.floor((reading - o.lower) / width) * width
    return replace(o, value=lower + width / 2, lower=lower, upper=lower + width)
