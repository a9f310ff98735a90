"""The model as an expert would write it in PyMC: one graph, in which all that a refit changes is ``pm.Data``.

It is what is published and inspected, and it shares no arithmetic with the compiled density that is
sampled, so each checks the other. The value variable of every free variable is the unconstrained ``t`` of
``language.families``: a coordinate ``x`` of the compiled density stands for ``t = centre + spread * x``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from pymc.distributions.transforms import Interval
from pytensor.tensor import TensorVariable

from gaugeglass.errors import InferenceError
from gaugeglass.inference.density import refuse_beyond
from gaugeglass.inference.kernel import FreeVariable
from gaugeglass.language.expressions import Const, Node, Op, Ref
from gaugeglass.language.families import FAMILIES, Prior
from gaugeglass.language.spec import Hypothesis, Latent, LikelihoodFamily, Method, Observation, Spec

type Tensors = Mapping[str, TensorVariable]
type LogDensity = Callable[..., TensorVariable]

OPERATIONS: dict[str, Callable[..., TensorVariable]] = {
    "add": pt.add, "sub": pt.sub, "mul": pt.mul, "div": pt.true_div, "pow": pt.pow, "neg": pt.neg,
    "min": pt.minimum, "max": pt.maximum, "abs": pt.abs, "sqrt": pt.sqrt, "exp": pt.exp, "log": pt.log,
    "where": pt.switch, "lt": pt.lt, "le": pt.le, "gt": pt.gt, "ge": pt.ge, "eq": pt.eq, "ne": pt.neq,
    "and": pt.and_, "or": pt.or_, "not": pt.invert,
}  # fmt: skip
"""Every operation of an expression by its name, as a PyTensor function."""


def build(spec: Spec) -> pm.Model:
    """The PyMC model of a Spec.

    Dials are ``pm.Data``, all float64: ``hypothesis``, the index of the hypothesis that holds; each given; for each
    parameter of a prior ``LATENT_PARAMETER``, and where a hypothesis fixes the latent ``LATENT_is_fixed`` and
    ``LATENT_fixed``, dims ("hypotheses",); for each method the readings that are points, ``METHOD_value``,
    ``METHOD_u``, ``METHOD_power`` and ``METHOD_INPUT``, dims ("METHOD_observations",), and those that are intervals
    or bounds, likewise ``METHOD_between_…`` with ``_lower`` and ``_upper``, dims ("METHOD_between_observations",).
    A power multiplies an observation's log-likelihood. [1] Quantities and methods bear their own names; any other
    name that is taken gets an underscore.

    PyMC's samplers compile it several times faster with its dials frozen by
    ``pymc.model.transform.optimization.freeze_dims_and_data``.

    Raises
    ------
    InferenceError
        If the Spec asks for what inference does not do yet.
    """
    refuse_beyond(spec)
    return _Builder(spec).build()


def free_variables(spec: Spec) -> tuple[FreeVariable, ...]:
    """The free random variables of ``build(spec)`` by name: latents in the model's order, families in the hypotheses'.

    A latent with one family is free itself, or as ``LATENT_free`` where a hypothesis fixes it; with several it has
    one ``LATENT_FAMILY`` each. A beta whose unit is not 1 is free as a share of its range, ``…_share``.
    """
    return tuple(row.free for row in _slots(spec, _Names(spec)))


# --- names --------------------------------------------------------------------------------------------------


class _Names:
    """Names in use. Quantities keep theirs, then methods, so that the names made up here give way."""

    def __init__(self, spec: Spec) -> None:
        self._taken = set(spec.model.quantities)
        self.methods = {m.name: self.new(m.name) for m in spec.model.methods}

    def new(self, wanted: str) -> str:
        while wanted in self._taken:
            wanted += "_"
        self._taken.add(wanted)
        return wanted


@dataclass(frozen=True, slots=True)
class _Slot:
    """A free variable, the stem of its parameters' names, and what turns it into the quantity."""

    free: FreeVariable
    stem: str
    scale: float


def _slots(spec: Spec, names: _Names) -> Iterator[_Slot]:
    for latent in spec.model.latents:
        families = tuple(dict.fromkeys(h.prior(latent).family for h in spec.hypotheses))
        is_fixed = any(latent.name in h.fix for h in spec.hypotheses)
        for family in families:
            stem = latent.name if len(families) == 1 else f"{latent.name}_{family}"
            scale = _inert(spec, latent, family).values["upper"] if family == "beta" else 1.0
            wanted = f"{stem}_share" if scale != 1 else f"{stem}_free" if stem == latent.name and is_fixed else stem
            name = wanted if wanted == latent.name else names.new(wanted)
            yield _Slot(FreeVariable(name, latent.name, family), stem, scale)


def _inert(spec: Spec, latent: Latent, family: str) -> Prior:
    """The first prior of a family among the hypotheses, which stands in where it moves nothing."""
    return next(p for h in spec.hypotheses if (p := h.prior(latent)).family == family)


def _prior(spec: Spec, latent: Latent, family: str, hypothesis: Hypothesis) -> Prior:
    own = hypothesis.prior(latent)
    return own if own.family == family else _inert(spec, latent, family)


# --- the model ----------------------------------------------------------------------------------------------


class _Builder:
    """One walk over a Spec inside a model's context; ``known`` holds the quantities so far."""

    def __init__(self, spec: Spec) -> None:
        self.spec, self.names = spec, _Names(spec)
        self.slots = tuple(_slots(spec, self.names))
        self.known: dict[str, TensorVariable] = {}

    def build(self) -> pm.Model:
        self.dim = self.names.new("hypotheses")
        with pm.Model(coords={self.dim: [h.name for h in self.spec.hypotheses]}) as model:
            # A float like every dial, because set_data turns a plain whole number into one.
            self.hypothesis = pt.cast(pm.Data(self.names.new("hypothesis"), np.float64(0)), "int64")
            for name, value in self.spec.givens.items():
                self.known[name] = pm.Data(name, np.float64(value))
            for latent in self.spec.model.latents:
                self.known[latent.name] = self._latent(latent)
            for relation in self.spec.model.relations:
                trees = [h.equals(relation) for h in self.spec.hypotheses]
                options = tuple(dict.fromkeys(trees))
                value = self._choose([_tensor(o, self.known) for o in options], [options.index(t) for t in trees])
                self.known[relation.name] = pm.Deterministic(relation.name, value)
            for method in self.spec.model.methods:
                self._observe(method)
        return model

    def _data(self, name: str, values: Iterable[float], dim: str) -> TensorVariable:
        return pm.Data(self.names.new(name), np.array([*values], dtype=np.float64), dims=(dim,))

    def _dial(self, name: str, values: Sequence[float]) -> TensorVariable:
        """One value a hypothesis, of which the one that holds."""
        return self._data(name, values, self.dim)[self.hypothesis]

    def _choose(self, options: Sequence[TensorVariable], chosen: Sequence[int]) -> TensorVariable:
        """The option that each hypothesis has chosen."""
        value = options[0]
        if len(options) > 1:
            index = pt.constant(np.array(chosen, dtype=np.int64))[self.hypothesis]
            for k, option in enumerate(options[1:], 1):
                value = pt.switch(pt.eq(index, k), option, value)
        return value

    def _latent(self, latent: Latent) -> TensorVariable:
        hypotheses = self.spec.hypotheses
        slots = [s for s in self.slots if s.free.latent == latent.name]
        families = [s.free.family for s in slots]
        chosen = [families.index(h.prior(latent).family) for h in hypotheses]
        value = self._choose([self._free(s, latent) for s in slots], chosen)
        if any(latent.name in h.fix for h in hypotheses):
            is_fixed = self._dial(f"{latent.name}_is_fixed", [float(latent.name in h.fix) for h in hypotheses])
            fixed = self._dial(f"{latent.name}_fixed", [h.fix.get(latent.name, 0.0) for h in hypotheses])
            value = pt.switch(is_fixed, fixed, value)
        return value if value.name == latent.name else pm.Deterministic(latent.name, value)

    def _free(self, slot: _Slot, latent: Latent) -> TensorVariable:
        family = slot.free.family
        priors = [_prior(self.spec, latent, family, h).values for h in self.spec.hypotheses]
        own = [p for p in FAMILIES[family].parameters if p not in _DERIVED]
        dials = [self._dial(f"{slot.stem}_{p}", [v[p] for v in priors]) for p in own]
        variable = _PRIORS[family](slot.free.name, *dials)
        return variable if slot.scale == 1 else slot.scale * variable

    def _observe(self, method: Method) -> None:
        evidence = [o for o in self.spec.evidence if o.method == method.name]
        points, between = [o for o in evidence if o.is_point], [o for o in evidence if not o.is_point]
        name = self.names.methods[method.name]
        if points:
            self._readings(method, name, points)
        if between:
            self._readings(method, self.names.new(f"{name}_between"), between)

    def _readings(self, method: Method, name: str, rows: Sequence[Observation]) -> None:
        """The observed variable of one method's points or intervals, with its dials."""
        dim, likelihood = self.names.new(f"{name}_observations"), method.likelihood
        pm.modelcontext(None).add_coord(dim, [o.id for o in rows])

        def dial(what: str, values: Iterable[float]) -> TensorVariable:
            return self._data(f"{name}_{what}", values, dim)

        value, power = dial("value", (o.value for o in rows)), dial("power", (1.0 for _ in rows))
        known = self.known | {i.name: dial(i.name, (o.inputs[i.name] for o in rows)) for i in method.inputs}
        if likelihood.takes_stated_u:
            known["u"] = dial("u", (_stated_u(o) for o in rows))
        parameters = [_tensor(method.measures, known), _tensor(likelihood.u or Ref("u"), known), power]
        row, nu, logp = _LIKELIHOODS[likelihood.family], np.float64(likelihood.nu or math.nan), _log_density
        if not rows[0].is_point:
            parameters += [dial("lower", (o.lower for o in rows)), dial("upper", (o.upper for o in rows))]
            logp = _log_probability
        pm.CustomDist(name, *parameters, logp=logp(row, nu), random=_draw(row, nu), dims=(dim,), observed=value,
                      class_name=f"{likelihood.family}_reading")  # fmt: skip


def _stated_u(o: Observation) -> float:
    if o.u is None:
        raise InferenceError(f"observation '{o.id}' states no u, and method '{o.method}' takes the stated one")
    return o.u


def _tensor(node: Node, known: Tensors) -> TensorVariable:
    match node:
        case Const(value):
            return pt.constant(np.float64(value))
        case Ref(name):
            return known[name]
        case Op(op, args):
            return OPERATIONS[op](*(_tensor(a, known) for a in args))


# --- priors -------------------------------------------------------------------------------------------------


def _log_uniform(name: str, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
    """Log-uniform between bounds, with the transform of a uniform one."""

    def logp(value: TensorVariable, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
        inside = pt.and_(pt.ge(value, lower), pt.le(value, upper))
        return pt.switch(inside, -pt.log(value) - pt.log(pt.log(upper / lower)), -np.inf)

    def random(lower: Any, upper: Any, rng: np.random.Generator, size: Any) -> Any:
        return np.exp(rng.uniform(np.log(lower), np.log(upper), size))

    def middle(_rv: TensorVariable, _size: Any, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
        return pt.sqrt(lower * upper)

    return pm.CustomDist(name, lower, upper, logp=logp, random=random, support_point=middle, class_name="log_uniform",
                         transform=Interval(bounds_fn=lambda *inputs: inputs[-2:]))  # fmt: skip


_DERIVED = ("log_rise", "log_fall")
"""Parameters of families that PyMC works out by itself."""

_PRIORS: dict[str, Callable[..., TensorVariable]] = {
    "normal": lambda name, mean, sd: pm.Normal(name, mu=mean, sigma=sd),
    "lognormal": lambda name, mu, sigma: pm.LogNormal(name, mu=mu, sigma=sigma),
    "student_t": lambda name, nu, mean, scale: pm.StudentT(name, nu=nu, mu=mean, sigma=scale),
    "half_normal": lambda name, sd: pm.HalfNormal(name, sigma=sd),
    "half_student_t": lambda name, nu, scale: pm.HalfStudentT(name, nu=nu, sigma=scale),
    "exponential": lambda name, mean: pm.Exponential(name, scale=mean),
    "gamma": lambda name, shape, rate: pm.Gamma(name, alpha=shape, beta=rate),
    "beta": lambda name, alpha, beta: pm.Beta(name, alpha=alpha, beta=beta),
    "uniform": lambda name, lower, upper: pm.Uniform(name, lower=lower, upper=upper),
    "log_uniform": _log_uniform,
    "triangular": lambda name, lower, mode, upper: pm.Triangular(name, lower=lower, c=mode, upper=upper),
    "truncated_normal": lambda name, mean, sd, low, high: pm.TruncatedNormal(name, mean, sd, lower=low, upper=high),
    "truncated_normal_above": lambda name, mean, sd, lower: pm.TruncatedNormal(name, mean, sd, lower=lower),
    "truncated_normal_below": lambda name, mean, sd, upper: pm.TruncatedNormal(name, mean, sd, upper=upper),
}
"""Each family as PyMC has it: a function of a name and the family's parameters in their order."""


# --- likelihoods --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    """A family of likelihoods: how readings are distributed, and its standard form for intervals.

    ``dist(prediction, u, nu)`` is an unregistered PyMC variable and ``draw(rng, prediction, u, nu, size)`` draws
    from it. A reading ``y`` has ``z = (scale(y) - scale(prediction)) / u``, whose log distribution function is
    ``log_cdf(z, nu)``.
    """

    dist: Callable[[TensorVariable, TensorVariable, float], TensorVariable]
    draw: Callable[[np.random.Generator, Any, Any, float, Any], Any]
    scale: Callable[[TensorVariable], TensorVariable]
    log_cdf: Callable[[TensorVariable, float], TensorVariable]


def log_normal_cdf(z: TensorVariable) -> TensorVariable:
    """Log of the standard normal distribution function."""
    # Each branch sees only arguments that it can bear: the gradient of the one not taken must be finite too.
    low, high = pt.minimum(z, -1.0), pt.maximum(z, -1.0)
    tail = pt.log(pt.erfcx(-low / math.sqrt(2)) / 2) - low**2 / 2
    return pt.switch(pt.lt(z, -1.0), tail, pt.log1p(-pt.erfc(high / math.sqrt(2)) / 2))


def _log_student_tail(z: TensorVariable, nu: float) -> TensorVariable:
    """Log probability of more than ``z >= 1``: half of I_x(nu / 2, 1 / 2) at x = nu / (nu + z**2).

    Where x is small, by the series that follows from DLMF 8.17(ii), because the function itself underflows.
    """
    a, x = nu / 2, nu / (nu + z**2)
    small, large = pt.minimum(x, 0.01), pt.maximum(x, 0.01)
    series = pt.ones_like(small)
    for n in reversed(range(8)):
        series = 1 + series * small * ((a + 0.5 + n) / (a + 1 + n))
    log_beta = math.lgamma(a) + math.lgamma(0.5) - math.lgamma(a + 0.5)
    far = a * pt.log(small) + 0.5 * pt.log1p(-small) + pt.log(series) - math.log(a) - log_beta
    return pt.switch(pt.lt(x, 0.01), far, pt.log(pt.betainc(a, np.float64(0.5), large))) - math.log(2)


def log_student_cdf(z: TensorVariable, nu: float) -> TensorVariable:
    """Log of the distribution function of Student's t with ``nu`` degrees of freedom."""
    nu = np.float64(nu)  # PyTensor would keep a short plain number, and its gammaln, in single precision
    tail = _log_student_tail(pt.maximum(pt.abs(z), 1.0), nu)
    near = pt.clip(z, -1.0, 1.0)
    body = pt.log(pt.betainc(nu / 2, nu / 2, (1 + near / pt.sqrt(near**2 + nu)) / 2))
    return pt.switch(pt.lt(z, -1.0), tail, pt.switch(pt.le(z, 1.0), body, pt.log1mexp(tail)))


_LIKELIHOODS: dict[LikelihoodFamily, _Row] = {
    "normal": _Row(
        lambda prediction, u, _nu: pm.Normal.dist(mu=prediction, sigma=u),
        lambda rng, prediction, u, _nu, size: rng.normal(prediction, u, size),
        lambda y: y, lambda z, _nu: log_normal_cdf(z)),
    "student_t": _Row(
        lambda prediction, u, nu: pm.StudentT.dist(nu=nu, mu=prediction, sigma=u),
        lambda rng, prediction, u, nu, size: prediction + u * rng.standard_t(nu, size),
        lambda y: y, log_student_cdf),
    "lognormal": _Row(
        lambda prediction, u, _nu: pm.LogNormal.dist(mu=pt.log(prediction), sigma=u),
        lambda rng, prediction, u, _nu, size: prediction * rng.lognormal(0.0, u, size),
        lambda y: pt.log(pt.maximum(y, 0.0)), lambda z, _nu: log_normal_cdf(z)),
}  # fmt: skip


def _log_density(row: _Row, nu: float) -> LogDensity:
    """The log-likelihood of readings that are points."""

    def logp(value: TensorVariable, prediction: TensorVariable, u: TensorVariable, power: TensorVariable) -> Any:
        return _weigh(power, pm.logp(row.dist(prediction, u, nu), value))

    return logp


def _log_probability(row: _Row, nu: float) -> LogDensity:
    """The log-likelihood of readings known only to lie between two bounds, whatever the value shown for them."""

    def logp(_value: TensorVariable, prediction: TensorVariable, u: TensorVariable, power: TensorVariable,
             lower: TensorVariable, upper: TensorVariable) -> TensorVariable:  # fmt: skip
        ends = (row.scale(lower), row.scale(upper), row.scale(prediction))
        return _weigh(power, log_between(*ends, u, lambda z: row.log_cdf(z, nu)))

    return logp


def _draw(row: _Row, nu: float) -> Callable[..., Any]:
    """Draws of readings, as they are before anything rounds or bounds them."""

    def random(prediction: Any, u: Any, _power: Any, *_bounds: Any, rng: np.random.Generator, size: Any) -> Any:
        return row.draw(rng, prediction, u, nu, size)

    return random


def _weigh(power: TensorVariable, logp: TensorVariable) -> TensorVariable:
    # A power of 0 leaves an observation out even where it is impossible, and 0 times -inf is no number.
    return pt.switch(pt.eq(power, 0.0), 0.0, power * logp)


def log_between(lower: TensorVariable, upper: TensorVariable, centre: TensorVariable, u: TensorVariable,
                log_cdf: Callable[[TensorVariable], TensorVariable]) -> TensorVariable:  # fmt: skip
    """Log probability of an interval under a distribution symmetric about ``centre``; one bound may be infinite.

    Both bounds are reflected into the lower tail, where the distribution function keeps its digits.
    """
    # An infinite bound is replaced before any arithmetic, by one with another probability than the near one:
    # zero times infinity would spoil the gradient.
    is_open_below, is_open_above = pt.eq(lower, -np.inf), pt.eq(upper, np.inf)
    is_open = pt.or_(is_open_below, is_open_above)
    a = (pt.switch(is_open_below, upper, lower) - centre) / u
    b = (pt.switch(is_open_above, lower, upper) - centre) / u
    is_above = pt.or_(is_open_above, pt.and_(pt.invert(is_open_below), pt.gt(a + b, 0.0)))
    near = pt.switch(is_above, -a, b)
    far = pt.switch(is_open, pt.minimum(near, 0.0) - 1, pt.switch(is_above, -b, a))
    log_near = log_cdf(near)
    return log_near + pt.switch(is_open, 0.0, pt.log1mexp(log_cdf(far) - log_near))
