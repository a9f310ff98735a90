"""What the posterior says the readings should have been, and how far the observed ones are from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.results import LedgerRow
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.spec import Method, Observation, Spec

_SEED = 0x9ED1C7


def predict(observation: Observation, method: Method, quantities: Mapping[str, Floats]) -> tuple[Floats, Floats]:
    """Prediction and standard uncertainty of a reading in each draw, dims as the quantities [unit of the method]."""
    names: dict[str, Any] = {**quantities, **observation.inputs}
    shape = np.shape(next(iter(quantities.values())))
    with np.errstate(all="ignore"):
        mu = evaluate(method.measures, names)
        stated = np.nan if observation.u is None else observation.u
        u = stated if method.likelihood.u is None else evaluate(method.likelihood.u, {**names, "u": stated})
    return np.broadcast_to(np.asarray(mu, float), shape), np.broadcast_to(np.asarray(u, float), shape)


def simulate(method: Method, mu: Floats, u: Floats, rng: np.random.Generator) -> Floats:
    """One reading for each prediction, scattered as the method's likelihood says [unit of the method]."""
    match method.likelihood.family:
        case "student_t":
            return mu + u * rng.standard_t(method.likelihood.nu or 1.0, size=mu.shape)
        case "lognormal":
            return mu * np.exp(u * rng.standard_normal(mu.shape))
    return mu + u * rng.standard_normal(mu.shape)


def ledger(posterior: Posterior) -> tuple[LedgerRow, ...]:
    """Every observation, withdrawn ones included, against its posterior prediction."""
    rng = np.random.default_rng([posterior.seed, _SEED])
    return tuple(_ledger_row(posterior, o, rng) for o in posterior.spec.dossier.observations)


def _ledger_row(posterior: Posterior, o: Observation, rng: np.random.Generator) -> LedgerRow:
    method = posterior.spec.method(o)
    predicted = tail = None
    if o.withdrawn is None:
        reading = simulate(method, *predict(o, method, posterior.mixture), rng)
        predicted = spread_of(reading)
        tail = float(min(1.0, 2 * min(np.mean(reading <= o.upper), np.mean(reading >= o.lower))))
    return LedgerRow(
        id=o.id,
        method=o.method,
        about=method.about,
        unit=method.unit.text,
        stated=o.stated,
        value=o.value,
        lower=o.lower if np.isfinite(o.lower) else None,
        upper=o.upper if np.isfinite(o.upper) else None,
        u=_absolute_u(o, method),
        origin=o.origin,
        date=o.date,
        source=o.source.title,
        url=o.source.url,
        note=o.note,
        private=o.private,
        withdrawn=f"{o.withdrawn.date}: {o.withdrawn.because}" if o.withdrawn else None,
        predicted=predicted,
        tail=tail,
    )


def _absolute_u(o: Observation, method: Method) -> float | None:
    """What the observation states as u, in the unit of its method also where the likelihood takes it relative."""
    return o.u * o.value if o.u is not None and method.likelihood.family == "lognormal" else o.u


def misfit(spec: Spec, fit: Fit, *, seed: int) -> float:
    """Probability that simulated readings scatter at least as far from their predictions as the observed do. [1]

    The discrepancy is the sum of squared distances in units of u (A. Gelman, X.-L. Meng and H. Stern, Statistica
    Sinica 6 (1996) 733); an interval counts from its nearer end, for the simulated reading as for the observed.
    """
    if not spec.evidence:
        return 1.0
    rng = np.random.default_rng([seed, _SEED])
    flat = {name: values.ravel() for name, values in fit.quantities.items()}
    observed = np.zeros(next(iter(flat.values())).shape)
    simulated = np.zeros_like(observed)
    for o in spec.evidence:
        method = spec.method(o)
        mu, u = predict(o, method, flat)
        reading = simulate(method, mu, u, rng)
        half = (o.upper - o.lower) / 2
        observed += _distance(method, mu, u, o.lower, o.upper)
        simulated += _distance(method, mu, u, reading - half, reading + half)
    return float(np.mean(simulated >= observed))


def _distance(method: Method, mu: Floats, u: Floats, lower: Any, upper: Any) -> Floats:
    if method.likelihood.family == "lognormal":
        with np.errstate(all="ignore"):
            mu, lower, upper = np.log(mu), np.log(np.maximum(lower, 0)), np.log(upper)
    outside = np.maximum(0.0, np.maximum(lower - mu, mu - upper))
    return np.asarray((outside / u) ** 2)
