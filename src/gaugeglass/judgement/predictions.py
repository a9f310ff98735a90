"""What the posterior says the readings should have been, and how far the observed ones are from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from gaugeglass.inference.density import Density, Dials, Floats, Quantities
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.results import LedgerRow
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.language.expressions import Const, Node, Op, evaluate, placed
from gaugeglass.language.late import Late
from gaugeglass.language.spec import LEFT_OUT, Method, Observation, Spec

special = Late("scipy.special")

_SEED = 0x9ED1C7
_MOST_NUMBERS, _FEWEST = 2_000_000, 400
"""Readings that are simulated at once at most; beyond it draws are thinned."""


# --- one reading --------------------------------------------------------------------------------------------


def predict(
    density: Density, o: Observation, quantities: Quantities, x: Floats, *, basis: str = ""
) -> tuple[Floats, Floats]:
    """Prediction and standard uncertainty of a reading in each draw [unit of the method], dims ("draw",).

    Errors that readings share, and those of inputs, are as drawn: they are part of the prediction. ``u`` is NaN for
    likelihoods that have none.

    Parameters
    ----------
    quantities, x : dims ("draw",), ("draw", "free")
        Draws of every quantity and their coordinates.
    basis
        Which basis the value has, where the method leaves it open; the first if not said.
    """
    method, layout = density.spec.method(o), density.layout
    names = _names(density, o, quantities, x)
    at = {f: f"{f}[{o.at[q.per]}]" for f, q in _of_groups(density.spec).items() if q.per in o.at}
    factors = {b.name: b.factor for b in method.basis}
    tree = Op("mul", (method.measures, factors.get(basis or o.basis or next(iter(factors), ""), Const(1.0))))
    kind, log = layout.kind_of(o), method.likelihood.family == "lognormal"
    with np.errstate(all="ignore"):
        mu = _value(placed(tree, at), names, x)
        names["u"] = math.nan if o.u is None else o.u
        u = _value(placed(method.likelihood.u, at), names, x) if method.likelihood.u else np.full(len(x), names["u"])
        if kind.inexact == "linear":
            u = np.sqrt(
                u**2
                + sum(_spread(placed(tree, at), names, i, e.standard, x, log=log) ** 2 for i, e in o.inexact.items())
            )
        if (key := layout.shared_error(o)) is not None and method.shared is not None:
            step = method.shared.u * x[:, layout.first_error + layout.errors[key]]
            mu = mu * np.exp(step) if log else mu * (1 + step) if method.shared.relative else mu + step
        loads = layout.loads.get(o.id, ())
        if not loads:  # without them, a u that there is none of would spoil the prediction
            return mu, u
        common = (load * x[:, layout.first_error + layout.errors["correlated", first]] for first, load in loads)
        shift = u * sum(common)
        mu = mu * np.exp(shift) if log else mu + shift
        return mu, u * math.sqrt(1 - sum(load**2 for _, load in loads))


def _of_groups(spec: Spec) -> dict[str, Any]:
    return {name: q for name, q in spec.model.quantities.items() if getattr(q, "per", None)}


class _Names(dict[str, Any]):
    """Inputs and quantities by name; a quantity is looked up when it is named."""

    def __init__(self, quantities: Quantities) -> None:
        super().__init__()
        self.quantities = quantities

    def __missing__(self, name: str) -> Floats:
        return self.quantities[name]


def _names(density: Density, o: Observation, quantities: Quantities, x: Floats) -> _Names:
    """Quantities, and inputs as they were rather than as they are stated where their errors are drawn."""
    layout, names = density.layout, _Names(quantities)
    names.update(o.inputs)
    if layout.kind_of(o).inexact == "drawn":
        for name, error in o.inexact.items():
            z = x[:, layout.first_error + layout.errors["input", o.id, name]]
            near = error.u * z if error.u is not None else (error.half or 0.0) * (2 * special.ndtr(z) - 1)
            names[name] = o.inputs[name] + near
    return names


def _value(tree: Node, names: Mapping[str, Any], x: Floats) -> Floats:
    return np.broadcast_to(np.asarray(evaluate(tree, names), dtype=np.float64), (len(x),))


def _spread(tree: Node, names: _Names, name: str, u: float, x: Floats, *, log: bool) -> Floats:
    """Half of the change of a prediction over two standard uncertainties of an input."""
    stated = names[name]
    ends = []
    for end in (stated + u, stated - u):
        names[name] = end
        ends.append(np.log(_value(tree, names, x)) if log else _value(tree, names, x))
    names[name] = stated
    return np.asarray((ends[0] - ends[1]) / 2)


def simulate(  # noqa: PLR0911 - one a likelihood
    density: Density, o: Observation, mu: Floats, u: Floats, rng: np.random.Generator
) -> Floats:
    """One reading for each prediction, scattered as the method's likelihood says [unit of the method]."""
    likelihood = density.spec.method(o).likelihood
    match likelihood.family:
        case "student_t":
            return mu + u * rng.standard_t(likelihood.nu or 1.0, size=mu.shape)
        case "lognormal":
            return np.asarray(mu * np.exp(u * rng.standard_normal(mu.shape)))
        case "poisson":
            return rng.poisson(np.clip(mu, 0, 1e15)).astype(np.float64)
        case "binomial":
            return rng.binomial(round(trials(density, o)), np.clip(mu, 0, 1)).astype(np.float64)
        case "beta":
            size = np.maximum(mu * (1 - mu) / u**2 - 1, 1e-6)
            return rng.beta(np.maximum(mu * size, 1e-12), np.maximum((1 - mu) * size, 1e-12))
        case "serial":
            return np.ceil(rng.uniform(size=mu.shape) * np.maximum(np.round(mu), 1))
    return mu + u * rng.standard_normal(mu.shape)


def trials(density: Density, o: Observation) -> float:
    """How many trials a count is out of. [1]"""
    tree = density.spec.method(o).likelihood.trials
    return float(evaluate(tree, {**density.spec.givens, **o.inputs})) if tree is not None else math.nan


def moments(density: Density, o: Observation, mu: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Expected reading and its standard deviation, given the prediction [unit of the method]; of logs if lognormal."""
    match density.spec.method(o).likelihood.family:
        case "lognormal":
            with np.errstate(all="ignore"):
                return np.log(mu), u
        case "poisson":
            return mu, np.sqrt(mu)
        case "binomial":
            n = trials(density, o)
            return n * mu, np.sqrt(n * mu * (1 - mu))
        case "serial":
            return (mu + 1) / 2, mu / math.sqrt(12)
    return mu, u


# --- what came about how ------------------------------------------------------------------------------------


def chance_right(density: Density, o: Observation, fit: Fit) -> Floats:
    """Probability that a graded reading is right, rather than simply wrong, in each draw [1], dims ("draw",)."""
    if o.grade is None:
        return np.ones(fit.x.shape[0] * fit.x.shape[1])
    return _share(density, fit, replace(fit.dials, right=frozenset([o.id])))


def chances_of_bases(density: Density, o: Observation, fit: Fit) -> dict[str, Floats]:
    """Probability of each basis that a value may have if its source is reliable, in each draw [1], dims ("draw",)."""
    open_to = [name for name, p in density.chances_of_bases(o).items() if p > 0 and name]
    found = {name: _share(density, fit, replace(fit.dials, basis={o.id: name})) for name in open_to}
    whole = np.sum(list(found.values()), axis=0)
    return {name: chance / whole for name, chance in found.items()}


def _share(density: Density, fit: Fit, dials: Dials) -> Floats:
    """What part of the density is due to one way in which a reading may have come about, in each draw."""
    x = fit.x.reshape(-1, fit.x.shape[-1])
    part = density.log_densities(x, density.pack(dials)) - density.log_densities(x, density.pack(fit.dials))
    return np.minimum(np.exp(part), 1.0)


# --- the ledger ---------------------------------------------------------------------------------------------


def ledger(posterior: Posterior) -> tuple[LedgerRow, ...]:
    """Every observation, those set aside included, and every table, against its posterior prediction."""
    rng = np.random.default_rng([posterior.seed, _SEED])
    rows = [_ledger_row(posterior, o, rng) for o in posterior.spec.dossier.observations]
    return (*rows, *(_table_row(posterior, table.rows, rng) for table in posterior.spec.dossier.tables if table.rows))


def _ledger_row(posterior: Posterior, o: Observation, rng: np.random.Generator) -> LedgerRow:
    spec = posterior.spec
    method, aside = spec.method(o), spec.set_aside.get(o.id)
    predicted = tail = wrong = None
    bases: dict[str, float] = {}
    if aside is None:
        bases = _mixed_bases(posterior, o)
        reading = _foretold(posterior, o, bases or {"": 1.0}, rng)
        predicted = spread_of(reading)
        tail = float(min(1.0, 2 * min(np.mean(reading <= o.upper), np.mean(reading >= o.lower))))
        wrong = chance_wrong(posterior, o) if o.grade else None
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
        aside=aside,
        grade=o.grade,
        wrong=wrong,
        bases=bases,
    )


def chance_wrong(posterior: Posterior, o: Observation) -> float:
    """Probability that a graded reading is simply wrong, over the hypotheses. [1]"""
    weights = posterior.weights.posterior
    right = [float(chance_right(posterior.density, o, f).mean()) for f in posterior.fits.values()]
    return float(1 - weights @ np.array(right))


def _foretold(posterior: Posterior, o: Observation, bases: Mapping[str, float], rng: np.random.Generator) -> Floats:
    """What a reading should have been in each draw, of each basis as often as that is probable. dims ("draw",)"""
    draws, x = posterior.mixture, posterior.mixture_x
    each = [
        simulate(posterior.density, o, *predict(posterior.density, o, draws, x, basis=basis), rng) for basis in bases
    ]
    chances = np.array(list(bases.values()))
    chosen = rng.choice(len(each), size=len(x), p=chances / chances.sum()) if len(each) > 1 else np.zeros(len(x), int)
    return np.choose(chosen, each)


def _mixed_bases(posterior: Posterior, o: Observation) -> dict[str, float]:
    weights = dict(zip(posterior.weights.names, posterior.weights.posterior, strict=True))
    found: dict[str, float] = {}
    if o.basis is None and len(posterior.spec.method(o).basis) > 1:
        for h, f in posterior.fits.items():
            for name, chance in chances_of_bases(posterior.density, o, f).items():
                found[name] = found.get(name, 0.0) + float(weights[h] * chance.mean())
    return found


def _table_row(posterior: Posterior, rows: tuple[Observation, ...], rng: np.random.Generator) -> LedgerRow:
    """A table as one row: how many readings, their middle, and the share of them outside of their 90 % predictions."""
    spec, density, first = posterior.spec, posterior.density, rows[0]
    method = spec.method(first)
    counted = [o for o in rows if o.id not in spec.set_aside]
    size = len(posterior.mixture_x)
    kept = np.linspace(0, size - 1, min(size, max(_MOST_NUMBERS // len(rows), _FEWEST))).round().astype(int)
    draws, x = posterior.mixture.each(lambda v: v[kept]), posterior.mixture_x[kept]
    tails = []
    for o in counted:
        reading = simulate(density, o, *predict(density, o, draws, x), rng)
        tails.append(min(1.0, 2 * min(np.mean(reading <= o.upper), np.mean(reading >= o.lower))))
    shown = counted or rows
    return LedgerRow(
        id=first.table or first.id,
        method=first.method,
        about=method.about,
        unit=method.unit.text,
        stated=f"{len(rows)} readings",
        value=float(np.median([o.value for o in shown])),
        lower=min(o.value for o in shown),
        upper=max(o.value for o in shown),
        u=None,
        origin=first.origin if len({o.origin for o in rows}) == 1 else None,
        date=first.date,
        source=first.source.title,
        url=first.source.url,
        note=first.note,
        private=first.private,
        withdrawn=None,
        predicted=None,
        tail=None,
        aside=None if counted else _aside_alike(rows, spec),
        rows=len(counted),
        outside=float(np.mean(np.array(tails) < _TAIL)) if tails else None,
    )


def _aside_alike(rows: tuple[Observation, ...], spec: Spec) -> str:
    """Why none of a table's readings counts."""
    is_left_out = all(spec.set_aside[o.id] == LEFT_OUT for o in rows)
    return LEFT_OUT if is_left_out else "every reading is set aside"


_TAIL = 0.1


def _absolute_u(o: Observation, method: Method) -> float | None:
    """What the observation states as u, in the unit of its method also where the likelihood takes it relative."""
    return o.u * o.value if o.u is not None and method.likelihood.family == "lognormal" else o.u


# --- the check of a whole explanation -----------------------------------------------------------------------


def misfit(density: Density, fit: Fit, *, seed: int) -> float:
    """Probability that simulated readings scatter at least as far from their predictions as the observed do. [1]

    The discrepancy is the sum of squared distances in units of u (A. Gelman, X.-L. Meng and H. Stern, Statistica
    Sinica 6 (1996) 733); an interval counts from its nearer end, for the simulated reading as for the observed. A
    graded reading counts as far as it is right.
    """
    evidence = density.spec.evidence
    if not evidence:
        return 1.0
    rng = np.random.default_rng([seed, _SEED])
    size = fit.x.shape[0] * fit.x.shape[1]
    kept = np.linspace(0, size - 1, min(size, max(_MOST_NUMBERS // len(evidence), 100))).round().astype(int)
    flat, x = fit.quantities.each(lambda v: v.ravel()[kept]), fit.x.reshape(size, -1)[kept]
    observed, simulated = np.zeros(len(kept)), np.zeros(len(kept))
    for o in evidence:
        right = chance_right(density, o, fit)[kept] if o.grade else 1.0
        bases = chances_of_bases(density, o, fit) if len(density.spec.method(o).basis) > 1 else {}
        likely = max(bases, key=lambda name: float(bases[name].mean()), default="")
        mu, u = predict(density, o, flat, x, basis=likely)
        reading = simulate(density, o, mu, u, rng)
        observed += right * _distance(density, o, mu, u, o.lower, o.upper)
        simulated += right * _distance(density, o, mu, u, *as_stated(o, reading))
    return float(np.mean(simulated >= observed))


def as_stated(o: Observation, reading: Floats) -> tuple[Floats, Floats]:
    """The ends between which a simulated reading would be stated to lie: in the row of the observed one."""
    width = o.upper - o.lower
    if not 0 < width < math.inf:
        return reading - width / 2, reading + width / 2
    lower = o.lower + width * np.floor((reading - o.lower) / width)
    return lower, lower + width


def _distance(density: Density, o: Observation, mu: Floats, u: Floats, lower: Any, upper: Any) -> Floats:
    middle, sd = moments(density, o, mu, u)
    if density.spec.method(o).likelihood.family == "lognormal":
        with np.errstate(all="ignore"):
            lower, upper = np.log(np.maximum(lower, 0)), np.log(upper)
    outside = np.maximum(0.0, np.maximum(lower - middle, middle - upper))
    return np.asarray((outside / sd) ** 2)
