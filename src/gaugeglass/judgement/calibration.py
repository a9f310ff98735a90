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

from gaugeglass.inference.density import Density, Dials, Floats, Values
from gaugeglass.inference.layout import Variety
from gaugeglass.inference.rows import reliability
from gaugeglass.inference.sampling import Fit, Settings, draw_prior, fit_many
from gaugeglass.judgement.predictions import predict, simulate
from gaugeglass.language.spec import Given, Observation

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
    observed = simulate_evidence(density, truth, rng)
    simulated = refit(density.with_observations(observed))
    (fit,) = fit_many(simulated, [(simulated.dials(hypothesis), seed + k, None)], settings)
    if not fit.diagnostics.is_usable:
        return None
    thin = np.linspace(0, fit.x.shape[0] * fit.x.shape[1] - 1, _RANKS).round().astype(int)
    fixed = density.hypothesis(hypothesis).fix
    names = [n for n, q in density.spec.quantities.items() if not isinstance(q, Given) and q.name not in fixed]
    found = {n: _rank(fit.quantities[n].ravel()[thin], float(truth.quantities[n].item()), rng) for n in names}
    at_truth = _coordinates(density, simulated, truth)
    found[JOINT] = _rank(
        _joint(simulated, fit.dials, fit.x.reshape(-1, fit.x.shape[-1])[thin]),
        float(_joint(simulated, simulated.dials(hypothesis), at_truth)[0]),
        rng,
    )
    return found


def _joint(density: Density, dials: Dials, x: Floats) -> Floats:
    """Log-likelihood of all readings at coordinates, dims ("draw", "free"): what is gained if all count twice."""
    twice = replace(dials, power={o.id: 2.0 for o in density.spec.evidence})
    return density.log_densities(x, density.pack(twice)) - density.log_densities(x, density.pack(dials))


def _coordinates(density: Density, simulated: Density, truth: Fit) -> Floats:
    """Where a truth stands in the coordinates of other readings, which may be taken from what those tell."""
    dials, known = simulated.dials(truth.hypothesis), {f.name: k for k, f in enumerate(density.free)}
    own = truth.x.reshape(1, -1)
    x = np.stack([own[:, known[f.name]] if f.name in known else np.zeros(1) for f in simulated.free], axis=-1)
    for v in simulated.in_order_of_descent(truth.hypothesis):
        if not simulated.is_active_form(v, v.latent, truth.hypothesis):
            continue
        base, slope, _ = Values(simulated, x, dials).scale(v)
        t = _unconstrained(simulated, v, np.asarray(truth.quantities[v.latent]).reshape(v.size, 1), dials)
        x[:, v.first : v.first + v.size] = np.moveaxis((t - base) / slope, 0, -1)
    return x


def _unconstrained(density: Density, v: Variety, values: Floats, dials: Dials) -> Floats:
    """Values of a latent on the scale on which its coordinates are straight."""
    if v.latent not in density.layout.floored:
        return np.asarray(density.prior(density.free[v.first], dials.hypothesis).unconstrained(values))
    own = density.form_dials(v, dials)
    room = values - own["floor"]
    return np.log(room) if math.isinf(own["upper"]) else np.log(room) - np.log(own["upper"] - values)


def _rank(draws: Floats, truth: float, rng: np.random.Generator) -> float:
    """Share of draws below the truth; ties broken at random."""
    below, equal = int(np.sum(draws < truth)), int(np.sum(draws == truth))
    return (below + int(rng.integers(0, equal + 1))) / len(draws)


def simulate_evidence(density: Density, truth: Fit, rng: np.random.Generator) -> tuple[Observation, ...]:
    """The evidence as it would have been, were a single draw the truth: sources, bases and errors drawn with it."""
    layout = density.layout
    x, flat = truth.x.reshape(1, -1), truth.quantities.each(np.ravel)
    reliable = {o: rng.uniform() < reliability(layout, readings[0]) for (_, o, _), readings in layout.clustered.items()}
    bases, taken = {}, dict[tuple[object, ...], set[float]]()
    for key, readings in layout.clustered.items():
        chances = density.chances_of_bases(readings[0])
        bases[key] = str(rng.choice(list(chances), p=list(chances.values())))
    found = []
    for o in density.spec.evidence:
        basis = bases[layout.cluster_of(o)] if layout.kind_of(o).is_mixed else ""
        wrong = density.spec.method(o).wrong
        chance = density.spec.model.grades["credibility"][o.grade[1]] if o.grade else 1.0
        if o.grade and wrong and not (reliable[layout.judged_of(o)] and rng.uniform() < chance):
            reading = float(wrong.ppf(rng.uniform()))
        else:
            mu, u = predict(density, o, flat, x, basis=basis)
            drawn = taken.setdefault((o.method, *sorted(o.at.items())), set())
            reading = _simulate_another(density, o, mu, u, drawn, rng)
            drawn.add(reading)
        found.append(_as_stated(o, reading))
    return tuple(found)


def _simulate_another(
    density: Density, o: Observation, mu: Floats, u: Floats, taken: set[float], rng: np.random.Generator
) -> float:
    """One reading; of serial numbers one that was not drawn before, as long as any is left."""
    reading = float(simulate(density, o, mu, u, rng)[0])
    if density.spec.method(o).likelihood.family == "serial":
        while reading in taken and len(taken) < round(mu[0]):
            reading = float(simulate(density, o, mu, u, rng)[0])
    return reading


def _as_stated(o: Observation, reading: float) -> Observation:
    """The same observation with another reading: an interval falls on the grid that the stated one belongs to."""
    if o.is_point:
        return replace(o, value=reading, lower=reading, upper=reading)
    if math.isinf(o.lower) or math.isinf(o.upper):
        edge = o.upper if math.isinf(o.lower) else o.lower
        return replace(o, lower=edge, upper=math.inf) if reading >= edge else replace(o, lower=-math.inf, upper=edge)
    width = o.upper - o.lower
    lower = o.lower + math.floor((reading - o.lower) / width) * width
    return replace(o, value=lower + width / 2, lower=lower, upper=lower + width)
