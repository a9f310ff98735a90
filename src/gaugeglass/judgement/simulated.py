"""Truths, and the evidence as it would have been: what calibration infers again.

A truth is one draw, of the prior or of the posterior, with the errors that its readings share. Readings are simulated
with their u, as the points, intervals or bounds that they are stated as, wrong as often as their grades say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from gaugeglass.inference.density import Density, Dials, Floats, Quantities, Values, compile_density
from gaugeglass.inference.layout import Variety
from gaugeglass.inference.rows import reliability
from gaugeglass.inference.sampling import draw_prior
from gaugeglass.judgement.predictions import predict, simulate
from gaugeglass.language.spec import Observation

AGAIN = " again"
"""What the second of each observation is called after its first."""


@dataclass(frozen=True)
class Truth:
    """One draw that is taken to be true: its hypothesis, coordinates, dims ("free",), and quantities, without dims."""

    hypothesis: str
    x: Floats
    quantities: Quantities


def truth_of_prior(density: Density, hypothesis: str, seed: int) -> Truth:
    """A draw from the prior under a hypothesis."""
    drawn = draw_prior(density, hypothesis, draws=1, chains=1, seed=seed)
    return Truth(hypothesis, drawn.x.reshape(-1), drawn.quantities.each(lambda v: v.reshape(())))


# --- evidence beside evidence -------------------------------------------------------------------------------


def doubled(density: Density) -> Density:
    """The density of the evidence and of the same once more, by others: other origins, whose errors are their own."""
    spec = density.spec
    again = tuple(_again(o) for o in spec.evidence)
    pairs = tuple(replace(c, between=tuple(f"{i}{AGAIN}" for i in c.between)) for c in spec.dossier.correlations)  # type: ignore[arg-type]
    dossier = replace(
        spec.dossier,
        observations=(*spec.evidence, *again),
        tables=(),
        correlations=(*spec.dossier.correlations, *pairs),
    )
    return compile_density(replace(spec, dossier=dossier))


def _again(o: Observation) -> Observation:
    origin = None if o.origin is None else f"{o.origin}{AGAIN}"
    table = None if o.table is None else f"{o.table}{AGAIN}"
    return replace(o, id=f"{o.id}{AGAIN}", origin=origin, table=table)


def truth_beside(density: Density, twice: Density, truth: Truth, rng: np.random.Generator) -> Truth:
    """A draw of the posterior in the coordinates of the doubled evidence; errors of the second are drawn."""
    x = coordinates(density, twice, truth)
    known = {f.name for f in density.free}
    new = [k for k, f in enumerate(twice.free) if f.name not in known]
    x[new] = rng.standard_normal(len(new))
    return replace(truth, x=x)


# --- coordinates --------------------------------------------------------------------------------------------


def coordinates(density: Density, other: Density, truth: Truth) -> Floats:
    """Where a truth stands in the coordinates of other readings, which may be taken from what those tell.

    Dims ("free",); what only the other has stands at 0.
    """
    dials, known = other.dials(truth.hypothesis), {f.name: k for k, f in enumerate(density.free)}
    x = np.array([[truth.x[known[f.name]] if f.name in known else 0.0 for f in other.free]])
    for v in other.in_order_of_descent(truth.hypothesis):
        if not other.is_active_form(v, v.latent, truth.hypothesis):
            continue
        base, slope, _ = Values(other, x, dials).scale(v)
        t = _unconstrained(other, v, np.asarray(truth.quantities[v.latent]).reshape(v.size, 1), dials)
        x[:, v.first : v.first + v.size] = np.moveaxis((t - base) / slope, 0, -1)
    return np.asarray(x[0])


def _unconstrained(density: Density, v: Variety, values: Floats, dials: Dials) -> Floats:
    """Values of a latent on the scale on which its coordinates are straight."""
    if v.latent not in density.layout.floored:
        return np.asarray(density.prior(density.free[v.first], dials.hypothesis).unconstrained(values))
    own = density.form_dials(v, dials)
    room = values - own["floor"]
    return np.log(room) if math.isinf(own["upper"]) else np.log(room) - np.log(own["upper"] - values)


# --- evidence -----------------------------------------------------------------------------------------------


def simulate_evidence(
    density: Density, truth: Truth, rng: np.random.Generator, *, beside: frozenset[str] = frozenset()
) -> tuple[Observation, ...]:
    """The evidence as it would have been, were a draw the truth: sources, bases and errors drawn with it.

    Parameters
    ----------
    beside
        Ids of observations that stay as they are.
    """
    layout = density.layout
    x, flat = truth.x.reshape(1, -1), truth.quantities.each(np.ravel)
    reliable = {o: rng.uniform() < reliability(layout, readings[0]) for (_, o, _), readings in layout.clustered.items()}
    bases, taken = {}, dict[tuple[object, ...], set[float]]()
    for key, readings in layout.clustered.items():
        chances = density.chances_of_bases(readings[0])
        bases[key] = str(rng.choice(list(chances), p=list(chances.values())))
    for o in density.spec.evidence:
        if o.id in beside:
            taken.setdefault(_bag(o), set()).add(o.value)
    found = []
    for o in density.spec.evidence:
        if o.id in beside:
            found.append(o)
            continue
        basis = bases[layout.cluster_of(o)] if layout.kind_of(o).is_mixed else ""
        wrong = density.spec.method(o).wrong
        chance = density.spec.model.grades["credibility"][o.grade[1]] if o.grade else 1.0
        if o.grade and wrong and not (reliable[layout.judged_of(o)] and rng.uniform() < chance):
            reading = float(wrong.ppf(rng.uniform()))
        else:
            mu, u = predict(density, o, flat, x, basis=basis)
            drawn = taken.setdefault(_bag(o), set())
            reading = _simulate_another(density, o, mu, u, drawn, rng)
            drawn.add(reading)
        found.append(_as_stated(o, reading))
    return tuple(found)


def _bag(o: Observation) -> tuple[object, ...]:
    """What serial numbers are drawn from without being put back."""
    return (o.method, *sorted(o.at.items()))


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
