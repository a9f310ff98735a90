"""The compiled density of a Spec, and its dials: all that a refit changes is data, so one compilation serves all.

Two Specs whose structure agrees (other readings, uncertainties, givens, prior parameters) share one compiled
function. A hypothesis is a setting of the dials, not another density.
"""

from __future__ import annotations

import ctypes
import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from gaugeglass.errors import InferenceError
from gaugeglass.inference import tails
from gaugeglass.inference.kernel import Block, FreeVariable, Layout, emit
from gaugeglass.inference.machine import Machine, build
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.families import Prior
from gaugeglass.language.spec import Hypothesis, Latent, Method, Observation, Spec

type Floats = NDArray[np.float64]

_HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)


@dataclass(frozen=True)
class Dials:
    """One setting of a density: which hypothesis, which readings count, how wide the priors are.

    ``power`` weighs an observation's log-likelihood (0 leaves it out); ``stretch`` widens a latent's prior on its
    unconstrained scale about its median, by a factor.
    """

    hypothesis: str
    power: Mapping[str, float]
    stretch: Mapping[str, float]


@dataclass(frozen=True)
class Density:
    """A compiled density and the Spec it speaks of."""

    spec: Spec
    layout: Layout
    machine: Machine = field(repr=False)

    @property
    def address(self) -> int:
        """Address of a C function (dim, x, gradient, log density, dials) as nutpie's sampler calls it."""
        return self.machine.addresses["sampled"]

    @property
    def free(self) -> tuple[FreeVariable, ...]:
        """The coordinates of ``x``, in order."""
        return self.layout.free

    def hypothesis(self, name: str) -> Hypothesis:
        """A hypothesis of the Spec by its name."""
        return next(h for h in self.spec.hypotheses if h.name == name)

    def prior(self, free: FreeVariable, hypothesis: str) -> Prior:
        """The prior of a coordinate under a hypothesis; one that is inert there keeps the first that uses it."""
        latent = _latent(self.spec, free.latent)
        own = self.hypothesis(hypothesis).prior(latent)
        if own.family == free.family:
            return own
        return next(p for h in self.spec.hypotheses if (p := h.prior(latent)).family == free.family)

    def is_active(self, free: FreeVariable, hypothesis: str) -> bool:
        """Whether a coordinate moves anything under a hypothesis, rather than only keeping its own prior."""
        held = self.hypothesis(hypothesis)
        return free.latent not in held.fix and held.prior(_latent(self.spec, free.latent)).family == free.family

    def active(self, hypothesis: str) -> list[int]:
        """The places in ``x`` of the coordinates that move anything under a hypothesis."""
        return [k for k, free in enumerate(self.free) if self.is_active(free, hypothesis)]

    def with_observations(self, observations: tuple[Observation, ...]) -> Density:
        """The same compiled function for other observations by the same methods."""
        return replace(self, spec=replace(self.spec, dossier=replace(self.spec.dossier, observations=observations)))

    def dials(self, hypothesis: str, *, power: Mapping[str, float] | None = None,
              stretch: Mapping[str, float] | None = None) -> Dials:  # fmt: skip
        """A setting under a hypothesis; what is not named stays as the Spec has it."""
        return Dials(hypothesis, dict(power or {}), dict(stretch or {}))

    def pack(self, dials: Dials) -> Floats:
        """The dials as the vector that the compiled function reads."""
        scalars = np.zeros(len(self.layout.slots))
        for name, value in self._scalars(dials):
            scalars[self.layout.slots[name]] = value
        rows, at = [], len(scalars)
        for block in self.layout.blocks:
            table = self._rows(block, dials)
            kind = "point" if block.is_points else "between"
            scalars[self.layout.slots[f"{block.method}.{kind}.start"]] = at
            scalars[self.layout.slots[f"{block.method}.{kind}.rows"]] = len(table)
            rows.append(table.ravel())
            at += table.size
        scalars[self.layout.slots["length"]] = at
        return np.concatenate([scalars, *rows])

    def _scalars(self, dials: Dials) -> Any:
        held = self.hypothesis(dials.hypothesis)
        for free in self.free:
            prior = self.prior(free, dials.hypothesis)
            stretch = dials.stretch.get(free.latent, 1.0)
            lower, upper = prior.bounds
            values = {
                "centre": prior.centre,
                "spread": prior.spread,
                "stretch": stretch,
                "lower": lower,
                "upper": upper,
                "norm": prior.log_normaliser + math.log(prior.spread),
                **prior.values,
            }
            yield from ((f"{free.name}.{d}", values[d]) for d in self.layout.dials_of(free.family))
        for latent in self.spec.model.latents:
            yield f"{latent.name}.select", self._select(latent, held)
            yield f"{latent.name}.fixed", held.fix.get(latent.name, 0.0)
        for relation in self.spec.model.relations:
            yield f"{relation.name}.select", float(self.layout.variants[relation.name].index(held.equals(relation)))
        yield from ((f"given.{name}", value) for name, value in self.spec.givens.items())

    def _select(self, latent: Latent, held: Hypothesis) -> float:
        if latent.name in held.fix:
            return -1.0
        families = [f.family for f in self.free if f.latent == latent.name]
        return float(families.index(held.prior(latent).family))

    def _rows(self, block: Block, dials: Dials) -> Floats:
        method = self.spec.model.method_by_name[block.method]
        chosen = [o for o in self.spec.evidence if o.method == block.method and o.is_point == block.is_points]
        rows = [_row(o, method, block, dials.power.get(o.id, 1.0)) for o in chosen]
        return np.array(rows, dtype=np.float64).reshape(len(rows), len(block.columns))

    # --- values -----------------------------------------------------------------------------------------

    def log_density(self, x: Floats, packed: Floats) -> tuple[float, Floats]:
        """Log density of standardised coordinates and its gradient. dims of ``x`` and the gradient: ("free",)"""
        held, gradient = np.ascontiguousarray(x, dtype=np.float64), np.empty(len(self.free))
        return float(self._one(held.ctypes.data, gradient.ctypes.data, packed.ctypes.data)), gradient

    def log_densities(self, x: Floats, packed: Floats) -> Floats:
        """Log density of many points. dims of ``x``: ("point", "free")"""
        held, gradient, values = np.ascontiguousarray(x, dtype=np.float64), np.empty(len(self.free)), np.empty(len(x))
        pointers = (a.ctypes.data for a in (held, gradient, values, packed))
        self._many(len(x), len(self.free), *pointers)
        return values

    @cached_property
    def _one(self) -> Any:
        return self.machine.function("log_density", [ctypes.c_void_p] * 3, ctypes.c_double)

    @cached_property
    def _many(self) -> Any:
        return self.machine.function("many", [ctypes.c_int64] * 2 + [ctypes.c_void_p] * 4, ctypes.c_int64)

    def log_prior(self, x: Floats, free: FreeVariable, hypothesis: str) -> Floats:
        """Log prior density of one standardised coordinate, normalised over it."""
        prior = self.prior(free, hypothesis)
        t = prior.centre + prior.spread * np.asarray(x)
        names = {"t": t, "v": prior.constrained(t), "below": -np.logaddexp(0, -t), "above": -np.logaddexp(0, t)}
        kernel = evaluate(prior.row.kernel, {**prior.values, **names})
        return np.asarray(kernel + prior.log_normaliser + math.log(prior.spread), dtype=np.float64)

    def quantities(self, x: Floats, dials: Dials) -> dict[str, Floats]:
        """Every quantity at standardised coordinates, each in its unit. dims of ``x``: (..., "free")"""
        held = self.hypothesis(dials.hypothesis)
        shape = x.shape[:-1]
        values: dict[str, Any] = {n: np.full(shape, v) for n, v in self.spec.givens.items()}
        for k, free in enumerate(self.free):
            if self.is_active(free, dials.hypothesis):
                prior = self.prior(free, dials.hypothesis)
                step = dials.stretch.get(free.latent, 1.0) * prior.spread
                values[free.latent] = prior.constrained(prior.centre + step * x[..., k])
        values |= {name: np.full(shape, value) for name, value in held.fix.items()}
        with np.errstate(all="ignore"):
            for relation in self.spec.model.relations:
                value = evaluate(held.equals(relation), values)
                values[relation.name] = np.broadcast_to(np.asarray(value, dtype=np.float64), shape)
        return {name: values[name] for name in self.spec.model.quantities}


def _latent(spec: Spec, name: str) -> Latent:
    return next(q for q in spec.model.latents if q.name == name)


def _row(o: Observation, method: Method, block: Block, power: float) -> list[float]:
    u = math.nan if o.u is None else o.u
    log = method.likelihood.family == "lognormal"
    inputs = [o.inputs[name] for name in block.columns[4:]]
    if block.is_points:
        y = math.log(o.value) if log else o.value
        return [y, u, power, log_norm(method) - (math.log(o.value) if log else 0.0) - _log_stated(method, u), *inputs]
    ends = [_log_end(o.lower), _log_end(o.upper)] if log else [o.lower, o.upper]
    return [*ends, u, power, *inputs]


def _log_stated(method: Method, u: float) -> float:
    return math.log(u) if method.likelihood.u is None else 0.0


def _log_end(end: float) -> float:
    return math.log(end) if end > 0 else -math.inf


def log_norm(method: Method) -> float:
    """The constant of a method's log-likelihood that depends on neither reading nor u."""
    if method.likelihood.family != "student_t":
        return -_HALF_LOG_2PI
    nu = method.likelihood.nu or 0.0
    return float(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2)) - 0.5 * math.log(nu * math.pi)


def refuse_beyond(spec: Spec) -> None:
    """Raise InferenceError where a Spec asks for what inference does not do yet."""
    if spec.beyond:
        raise InferenceError("\n".join(["this cannot be inferred yet:", *(f"  {what}" for what in spec.beyond)]))


def compile_density(spec: Spec) -> Density:
    """Compile the density of a Spec, or find it compiled already for a Spec of the same structure.

    Raises
    ------
    InferenceError
        If the Spec asks for what inference does not do yet.
    """
    refuse_beyond(spec)
    layout = Layout(spec)
    return Density(spec, layout, _compile(emit(layout)))


_ENTRIES = """
def sampled(dim: int, x: Array, g: Array, out: Array, d: Array) -> int:
    out[0] = log_density(x, g, d)
    if not isfinite(out[0]):
        return 4
    for i in range(dim):
        if not isfinite(g[i]):
            return 3
    return 0

def many(points: int, dim: int, x: Array, g: Array, out: Array, d: Array) -> int:
    for i in range(points):
        out[i] = log_density(x[i * dim:], g, d)
    return 0
"""
"""How the sampler enters a density (4 and 3 tell it of a value or a slope that is not finite), and many points do."""


@functools.cache
def _compile(source: str) -> Machine:
    return build(source + _ENTRIES, tails)
