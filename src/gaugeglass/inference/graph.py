"""The model as an expert would write it in PyMC: one graph, in which all that a refit changes is ``pm.Data``.

It is what is published and inspected, and it shares no arithmetic with the compiled density that is
sampled, so each checks the other. The value variable of every free variable is the unconstrained ``t`` of
``language.families``: a coordinate ``x`` of the compiled density stands for ``t = centre + spread * x``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from pymc.distributions.shape_utils import rv_size_is_none
from pymc.distributions.transforms import Interval
from pytensor.gradient import disconnected_grad
from pytensor.tensor import TensorVariable

from gaugeglass.errors import InferenceError
from gaugeglass.inference.layout import FreeVariable
from gaugeglass.inference.loads import loads_of
from gaugeglass.language.expressions import Const, Node, Op, Ref
from gaugeglass.language.families import FAMILIES, Prior
from gaugeglass.language.spec import Hypothesis, Input, Latent, LikelihoodFamily, Method, Observation, Relation, Spec

type Tensors = Mapping[str, TensorVariable]
type LogDensity = Callable[..., TensorVariable]

OPERATIONS: dict[str, Callable[..., TensorVariable]] = {
    "add": pt.add, "sub": pt.sub, "mul": pt.mul, "div": pt.true_div, "pow": pt.pow, "neg": pt.neg,
    "min": pt.minimum, "max": pt.maximum, "abs": pt.abs, "sqrt": pt.sqrt, "exp": pt.exp, "log": pt.log,
    "sin": pt.sin, "cos": pt.cos, "tan": pt.tan, "asin": pt.arcsin, "acos": pt.arccos, "atan": pt.arctan,
    "where": pt.switch, "lt": pt.lt, "le": pt.le, "gt": pt.gt, "ge": pt.ge, "eq": pt.eq, "ne": pt.neq,
    "and": pt.and_, "or": pt.or_, "not": pt.invert,
}  # fmt: skip
"""Every operation of an expression by its name, as a PyTensor function."""

REDUCTIONS: dict[str, Callable[..., TensorVariable]] = {"sum": pt.sum, "mean": pt.mean}
"""What makes one value of a quantity's values for each member of a group."""


def build(spec: Spec) -> pm.Model:
    """The PyMC model of a Spec.

    Dials are ``pm.Data``, all float64: ``hypothesis``, the index of the hypothesis that holds; each given; for each
    parameter of a prior that is a number ``LATENT_PARAMETER``, and where a hypothesis fixes the latent
    ``LATENT_is_fixed`` and ``LATENT_fixed``, dims ("hypotheses",); for each method the readings that are points,
    ``METHOD_value``, ``METHOD_u``, ``METHOD_power`` and ``METHOD_INPUT``, dims ("METHOD_observations",), and those that
    are intervals or bounds, likewise ``METHOD_between_…`` with ``_lower`` and ``_upper``, dims
    ("METHOD_between_observations",). A power multiplies an observation's log-likelihood. [1] Quantities and methods
    bear their own names; any other name that is taken gets an underscore.

    A quantity with one value a member of a group has the group's name as its dim, and ``METHOD_GROUP`` is the place of
    the member that each reading is of. Errors are standard normal variables: ``NAME_error``, dims ("NAME_origins",) or
    ("NAME_GROUP",), which readings share; ``METHOD_INPUT_error``, dims ("METHOD_INPUT_uncertain",), of inputs, by how
    much ``METHOD_INPUT_u`` and ``METHOD_INPUT_half`` say; ``correlation_error``, dims ("correlations",), which
    correlated readings have in common, each as much as ``METHOD_load`` says. Inputs of the rows of tables are not
    drawn: ``METHOD_INPUT_linear`` is what is added to the reading's own u through the slope of the prediction.

    Readings that may have come about in more than one way, by a wrong source or under an open basis, are no variables:
    how they may have is marginalised by the potential ``sources_log_likelihood``, dims ("sources",), and their dials
    are ``METHOD_mixed_…``. Predictive draws do not have them.

    PyMC's samplers compile it several times faster with its dials frozen by
    ``pymc.model.transform.optimization.freeze_dims_and_data``.

    Raises
    ------
    InferenceError
        If the Spec asks for what inference does not do yet.
    """
    return _Builder(spec).build()


def free_variables(spec: Spec) -> tuple[FreeVariable, ...]:
    """The elements of the free random variables of ``build(spec)``, each with its variable's name as ``variety``.

    Latents come in the model's order, the forms of their priors in the hypotheses', then the errors. A latent with one
    form is free itself, or as ``LATENT_free`` where a hypothesis fixes it; with several it has one ``LATENT_FAMILY``
    each. A beta whose unit is not 1 is free as a share of its range, ``…_share``. ``member`` is the place in a variable
    that has dims. The ``name`` of an error is the one that the compiled density has for it.
    """
    names = _Names(spec)
    slots = [slot.free for slot in _slots(spec, names)]
    found = []
    for free in slots:
        group = next(q.per for q in spec.model.latents if q.name == free.latent)
        members = spec.members[group] if group else None
        found += [free] if members is None else [
            replace(free, name=f"{free.name}[{m}]", member=k) for k, m in enumerate(members)
        ]  # fmt: skip
    for error in _errors(spec, names).values():
        found += [FreeVariable(name, "", error.name, "normal", k) for k, name in enumerate(error.keys)]
    return tuple(found)


# --- names --------------------------------------------------------------------------------------------------


class _Names:
    """Names in use. Quantities keep theirs, then groups and methods, so that the names made up here give way."""

    def __init__(self, spec: Spec) -> None:
        self._taken = set(spec.model.quantities)
        self.groups = {name: self.new(name) for name in spec.members}
        self.methods = {m.name: self.new(m.name) for m in spec.model.methods}

    def new(self, wanted: str) -> str:
        while wanted in self._taken:
            wanted += "_"
        self._taken.add(wanted)
        return wanted


@dataclass(frozen=True, slots=True)
class _Slot:
    """A free variable, the stem of its parameters' names, its prior, and what turns it into the quantity."""

    free: FreeVariable
    stem: str
    prior: Prior
    scale: float


def _slots(spec: Spec, names: _Names) -> Iterator[_Slot]:
    for latent in spec.model.latents:
        priors: dict[object, Prior] = {}
        for h in spec.hypotheses:
            priors.setdefault(_form(h.prior(latent)), h.prior(latent))
        families = [p.family for p in priors.values()]
        is_fixed = any(latent.name in h.fix for h in spec.hypotheses)
        for k, prior in enumerate(priors.values()):
            family = prior.family if families.count(prior.family) == 1 else f"{prior.family}_{k + 1}"
            stem = latent.name if len(families) == 1 else f"{latent.name}_{family}"
            scale = prior.values["upper"] if prior.family == "beta" else 1.0
            wanted = f"{stem}_share" if scale != 1 else f"{stem}_free" if stem == latent.name and is_fixed else stem
            name = wanted if wanted == latent.name else names.new(wanted)
            free = FreeVariable(name, latent.name, name, prior.family, trees=prior.trees)
            yield _Slot(free, stem, prior, scale)


def _form(prior: Prior) -> tuple[object, ...]:
    """What priors agree in that one free variable can have: a family, and parameters that are quantities."""
    return prior.family, prior.trees


def _prior(slot: _Slot, latent: Latent, hypothesis: Hypothesis) -> Prior:
    """The prior of a free variable under a hypothesis; the first of its form stands in where it moves nothing."""
    own = hypothesis.prior(latent)
    return own if _form(own) == _form(slot.prior) else slot.prior


@dataclass(frozen=True, slots=True)
class _Error:
    """A vector of standard normal errors: its elements as its dim and as the compiled density name them."""

    name: str
    dim: str
    labels: tuple[str, ...]
    keys: tuple[str, ...]


def _errors(spec: Spec, names: _Names) -> dict[tuple[str, ...], _Error]:
    """The errors by what they are of: those that are shared, those of inputs, and those of stated correlations."""
    found: dict[tuple[str, ...], _Error] = {}

    def add(key: tuple[str, ...], name: str, dim: str, labels: Iterable[str], prefix: str, suffix: str = "") -> None:
        if labels := tuple(dict.fromkeys(labels)):
            keys = tuple(f"{prefix}{label}{suffix}" for label in labels)
            found[key] = _Error(names.new(f"{name}_error"), names.new(dim), labels, keys)

    for shared in {m.shared.name: m.shared for m in spec.model.methods if m.shared}.values():
        alike = {m.name for m in spec.model.methods if m.shared and m.shared.name == shared.name}
        labels = (_shares_with(o, shared.by) for o in spec.evidence if o.method in alike)
        dim = f"{shared.name}_{'origins' if shared.by == 'origin' else shared.by}"
        add(("shared", shared.name), shared.name, dim, labels, f"shared {shared.name} ")
    for method in spec.model.methods:
        for entry in method.inputs:
            drawn = (o.id for o in _of(spec, method) if entry.name in o.inexact and not o.table)
            name = f"{method.name}_{entry.name}"
            add(("input", method.name, entry.name), name, f"{name}_uncertain", drawn, "input ", f" {entry.name}")
    loads = loads_of(spec.dossier.correlations, [o.id for o in spec.evidence]).values()
    firsts = (first for own in loads for first, _ in own)
    add(("correlated",), "correlation", "correlations", firsts, "correlated ")
    return found


def _of(spec: Spec, method: Method) -> list[Observation]:
    return [o for o in spec.evidence if o.method == method.name]


def _origin(o: Observation) -> str:
    """Where an observation comes from; a table and a reading that do not say are origins of their own."""
    return o.origin or f"{o.table or o.id} alone"


def _shares_with(o: Observation, by: str) -> str:
    return _origin(o) if by == "origin" else o.at[by]


# --- the model ----------------------------------------------------------------------------------------------


class _Known(dict[str, TensorVariable]):
    """Quantities by name, each made when it is first named: a prior may rest on what the model lists later."""

    def __init__(self, make: Callable[[str], TensorVariable]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, name: str) -> TensorVariable:
        self[name] = self._make(name)
        return self[name]


@dataclass
class _Sources:
    """What the readings of each source add up to so far: where it is reliable, and where all that it says is wrong."""

    labels: tuple[str, ...]
    dim: str
    reliable: TensorVariable
    unreliable: TensorVariable


@dataclass
class _Rows:
    """Readings of one method that are alike in shape, and where names stand for what each of them has.

    ``known`` are quantities and inputs by reading, ``whole`` the same with the members of groups along a leading axis;
    ``stated`` are the inputs before any error, ``linear`` the u of those whose errors are not drawn; ``members`` the
    place of each reading's member, by group. ``shared`` is how far a shared error moves each, ``load`` its share of
    what is correlated.
    """

    method: Method
    stem: str
    dim: str
    observations: Sequence[Observation]
    power: TensorVariable
    known: dict[str, TensorVariable] = field(default_factory=dict)
    whole: dict[str, TensorVariable] = field(default_factory=dict)
    stated: dict[str, TensorVariable] = field(default_factory=dict)
    linear: dict[str, TensorVariable] = field(default_factory=dict)
    members: dict[str, TensorVariable] = field(default_factory=dict)
    shared: TensorVariable | None = None
    load: TensorVariable | None = None

    def tensor(self, node: Node, **other: TensorVariable) -> TensorVariable:
        """The value of a tree for each reading, with other values of some names."""
        return _tensor(node, self.known | other, self.whole | other)


class _Builder:
    """One walk over a Spec inside a model's context; ``known`` holds the quantities so far."""

    def __init__(self, spec: Spec) -> None:
        self.spec, self.names = spec, _Names(spec)
        self.slots = tuple(_slots(spec, self.names))
        self.loads = loads_of(spec.dossier.correlations, [o.id for o in spec.evidence])
        self.errors = _errors(spec, self.names)
        self.latents = {q.name: q for q in spec.model.latents}
        self.relations = {r.name: r for r in spec.model.relations}
        self.known = _Known(self._quantity)
        self.error: dict[tuple[str, ...], TensorVariable] = {}
        self.shared_u: dict[str, TensorVariable] = {}

    def build(self) -> pm.Model:
        self.dim = self.names.new("hypotheses")
        coords = {self.names.groups[group]: list(members) for group, members in self.spec.members.items()}
        with pm.Model(coords={self.dim: [h.name for h in self.spec.hypotheses]} | coords) as model:
            # A float like every dial, because set_data turns a plain whole number into one.
            self.hypothesis = pt.cast(pm.Data(self.names.new("hypothesis"), np.float64(0)), "int64")
            for name, value in self.spec.givens.items():
                self.known[name] = pm.Data(name, np.float64(value))
            for name in (*self.latents, *self.relations):
                self.known[name]
            for key, error in self.errors.items():
                model.add_coord(error.dim, error.labels)
                self.error[key] = pm.Normal(error.name, 0.0, 1.0, dims=(error.dim,))
            self.sources = self._sources(model)
            for method in self.spec.model.methods:
                self._observe(method)
            self._judge()
        return model

    def _data(self, name: str, values: Iterable[Any], *dims: str) -> TensorVariable:
        return pm.Data(self.names.new(name), np.array([*values], dtype=np.float64), dims=dims)

    def _places(self, name: str, values: Iterable[int], dim: str) -> TensorVariable:
        """Where to look something up, for each reading."""
        return pt.cast(self._data(name, values, dim), "int64")

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

    # --- quantities -----------------------------------------------------------------------------------------

    def _dims(self, group: str | None) -> tuple[str, ...]:
        return () if group is None else (self.names.groups[group],)

    def _quantity(self, name: str) -> TensorVariable:
        if name in self.latents:
            return self._latent(self.latents[name])
        relation = self.relations[name]
        trees = [h.equals(relation) for h in self.spec.hypotheses]
        options = tuple(dict.fromkeys(trees))
        value = self._choose([_tensor(o, self.known) for o in options], [options.index(t) for t in trees])
        if relation.per is not None and value.ndim == 0:
            value = pt.full((len(self.spec.members[relation.per]),), value)
        return pm.Deterministic(name, value, dims=self._dims(relation.per) or None)

    def _latent(self, latent: Latent) -> TensorVariable:
        hypotheses = self.spec.hypotheses
        slots = [s for s in self.slots if s.free.latent == latent.name]
        forms = [_form(s.prior) for s in slots]
        chosen = [forms.index(_form(h.prior(latent))) for h in hypotheses]
        value = self._choose([self._free(s, latent) for s in slots], chosen)
        if any(latent.name in h.fix for h in hypotheses):
            is_fixed = self._dial(f"{latent.name}_is_fixed", [float(latent.name in h.fix) for h in hypotheses])
            fixed = self._dial(f"{latent.name}_fixed", [h.fix.get(latent.name, 0.0) for h in hypotheses])
            value = pt.switch(is_fixed, fixed, value)
        return (
            value
            if value.name == latent.name
            else pm.Deterministic(latent.name, value, dims=self._dims(latent.per) or None)
        )

    def _free(self, slot: _Slot, latent: Latent) -> TensorVariable:
        family = slot.free.family
        parameters = [self._parameter(slot, latent, p) for p in FAMILIES[family].parameters if p not in _DERIVED]
        row = _PRIORS[family]
        variable = row.make(slot.free.name, **row.arguments(*parameters), dims=self._dims(latent.per) or None)
        return variable if slot.scale == 1 else slot.scale * variable

    def _parameter(self, slot: _Slot, latent: Latent, name: str) -> TensorVariable:
        """A number of each hypothesis; or a quantity, which is at its median where the prior moves nothing."""
        tree = dict(slot.prior.trees).get(name)
        holds = [latent.name not in h.fix and _form(h.prior(latent)) == _form(slot.prior) for h in self.spec.hypotheses]
        if tree is not None and all(holds):
            return _tensor(tree, self.known)
        numbers = [_prior(slot, latent, h).values[name] for h in self.spec.hypotheses]
        number = self._dial(f"{slot.stem}_{name}", numbers)
        return number if tree is None else self._choose([number, _tensor(tree, self.known)], holds)

    # --- readings -------------------------------------------------------------------------------------------

    def _observe(self, method: Method) -> None:
        name = self.names.methods[method.name]
        plain = [o for o in _of(self.spec, method) if not _is_mixed(o, method)]
        mixed = [o for o in _of(self.spec, method) if _is_mixed(o, method)]
        if method.shared and (plain or mixed):
            self.shared_u[method.name] = pm.Data(self.names.new(f"{name}_shared_u"), np.float64(method.shared.u))
        for stem, rows in self._shapes(name, plain):
            self._readings(method, stem, rows)
        if mixed:
            self._mixture(method, self.names.new(f"{name}_mixed"), mixed)

    def _shapes(self, name: str, rows: Sequence[Observation]) -> Iterator[tuple[str, Sequence[Observation]]]:
        """Points, and apart from them intervals and bounds."""
        points, between = [o for o in rows if o.is_point], [o for o in rows if not o.is_point]
        if points:
            yield name, points
        if between:
            yield self.names.new(f"{name}_between"), between

    def _rows(self, method: Method, stem: str, chosen: Sequence[Observation]) -> _Rows:
        """Readings, with every name that their method may use."""
        dim = self.names.new(f"{stem}_observations")
        pm.modelcontext(None).add_coord(dim, [o.id for o in chosen])
        power = self._data(f"{stem}_power", (1.0 for _ in chosen), dim)
        rows = _Rows(method, stem, dim, chosen, power)
        rows.known |= self.known
        quantities = self.spec.model.quantities
        groups = {name: q.per for name, q in quantities.items() if isinstance(q, Latent | Relation) and q.per}
        rows.whole |= self.known | {name: self.known[name][:, None] for name in groups}
        for group in sorted(self.spec.model.groups_of(method).intersection(groups.values())):
            member = self._places(f"{stem}_{group}", (self.spec.members[group].index(o.at[group]) for o in chosen), dim)
            rows.known |= {name: self.known[name][member] for name, per in groups.items() if per == group}
            rows.members[group] = member
        for entry in method.inputs:
            rows.stated[entry.name] = self._data(f"{stem}_{entry.name}", (o.inputs[entry.name] for o in chosen), dim)
            rows.known[entry.name] = rows.whole[entry.name] = self._input(rows, entry)
        if method.likelihood.takes_stated_u:
            rows.known["u"] = rows.whole["u"] = self._data(f"{stem}_u", (_stated_u(o) for o in chosen), dim)
        rows.shared = self._shared(rows)
        loads = [self._loads(o) for o in chosen]
        if np.any(loads):
            rows.load = self._data(f"{stem}_load", loads, dim, self.errors["correlated",].dim)
        return rows

    def _input(self, rows: _Rows, entry: Input) -> TensorVariable:
        """An input of each reading; where it is drawn, what is stated and its error."""
        name, stated = entry.name, rows.stated[entry.name]
        inexact = {o.id: o.inexact[name] for o in rows.observations if name in o.inexact}
        linear = [inexact[o.id].standard if o.table and o.id in inexact else 0.0 for o in rows.observations]
        if any(linear):
            rows.linear[name] = self._data(f"{rows.stem}_{name}_linear", linear, rows.dim)
        drawn = [None if o.table else inexact.get(o.id) for o in rows.observations]
        if not any(drawn):
            return stated
        labels = self.errors["input", rows.method.name, name].labels
        u = self._data(f"{rows.stem}_{name}_u", ((i and i.u) or 0.0 for i in drawn), rows.dim)
        half = self._data(f"{rows.stem}_{name}_half", ((i and i.half) or 0.0 for i in drawn), rows.dim)
        places = (labels.index(o.id) if i else 0 for o, i in zip(rows.observations, drawn, strict=True))
        z = self.error["input", rows.method.name, name][self._places(f"{rows.stem}_{name}_place", places, rows.dim)]
        return stated + u * z + half * pt.erf(z / np.sqrt(2.0))

    def _distribution(self, rows: _Rows, factor: Node | None = None) -> list[TensorVariable]:
        """The prediction for each reading, times a factor, and whatever else its family of likelihoods takes."""
        method, likelihood = rows.method, rows.method.likelihood
        is_log, shared = likelihood.family == "lognormal", rows.shared

        def predict(**inputs: TensorVariable) -> TensorVariable:
            plain = rows.tensor(method.measures, **inputs)
            plain = plain if factor is None else plain * rows.tensor(factor, **inputs)
            if shared is None or method.shared is None:
                return plain
            if is_log:
                return plain * pt.exp(shared)
            return plain * (1.0 + shared) if method.shared.relative else plain + shared

        prediction = predict()
        match likelihood.family:
            case "poisson":
                return [prediction]
            case "binomial":
                trials = _tensor(likelihood.trials or Ref("trials"), self.known | rows.stated)
                return [prediction, pt.cast(pt.round(trials), "int64")]
            case "serial":
                # every number that counts leaves one fewer for those of the same total that are drawn after it
                counts = pt.cast(pt.gt(rows.power, 0.0), "float64")
                if not rows.members:
                    return [prediction, pt.cumsum(counts) - counts]
                is_same = [pt.eq(member[:, None], member[None, :]) for member in rows.members.values()]
                is_before = pt.tril(pt.ones_like(is_same[0], dtype="float64"), -1)
                return [prediction, pt.dot(is_before * pt.prod(pt.stack(is_same), axis=0), counts)]
        u = rows.tensor(likelihood.u or Ref("u"))
        scale = pt.log if is_log else lambda y: y
        for name, spread in rows.linear.items():
            up, down = (scale(predict(**{name: rows.known[name] + sign * spread})) for sign in (1.0, -1.0))
            u = pt.sqrt(u**2 + ((up - down) / 2) ** 2)
        if rows.load is not None:
            common = u * pt.sum(rows.load * self.error["correlated",], axis=1)
            prediction = prediction * pt.exp(common) if is_log else prediction + common
            u = u * pt.sqrt(1.0 - pt.sum(rows.load**2, axis=1))
        return [prediction, u]

    def _shared(self, rows: _Rows) -> TensorVariable | None:
        """How far the error that readings share moves each, in the method's unit or relative to the prediction."""
        shared = rows.method.shared
        if shared is None:
            return None
        key = ("shared", shared.name)
        labels = self.errors[key].labels
        places = (labels.index(_shares_with(o, shared.by)) for o in rows.observations)
        place = self._places(f"{rows.stem}_shared_place", places, rows.dim)
        return self.shared_u[rows.method.name] * self.error[key][place]

    def _loads(self, o: Observation) -> list[float]:
        """How much of each error in common an observation has in its own, where any are correlated."""
        own = dict(self.loads.get(o.id, ()))
        return [own.get(label, 0.0) for label in self.errors["correlated",].labels] if self.loads else []

    def _readings(self, method: Method, name: str, chosen: Sequence[Observation]) -> None:
        """The observed variable of one method's points or intervals, with its dials."""
        rows = self._rows(method, name, chosen)
        value = self._data(f"{name}_value", (o.value for o in chosen), rows.dim)
        own, ends, likelihood = self._distribution(rows), self._ends(rows), method.likelihood
        row, nu = _LIKELIHOODS[likelihood.family], np.float64(likelihood.nu or math.nan)
        logp = _log_probability(row, nu) if ends else _log_density(row, nu)
        pm.CustomDist(name, *own, *ends, rows.power, logp=logp, random=_draw(row, nu, len(own)), dims=(rows.dim,),
                      observed=value, class_name=f"{likelihood.family}_reading")  # fmt: skip

    def _ends(self, rows: _Rows) -> list[TensorVariable]:
        if rows.observations[0].is_point:
            return []
        return [
            self._data(f"{rows.stem}_{end}", (getattr(o, end) for o in rows.observations), rows.dim)
            for end in ("lower", "upper")
        ]

    # --- readings that may have come about in more than one way -------------------------------------------------

    def _sources(self, model: pm.Model) -> _Sources | None:
        """The sources whose readings may be wrong together, or whose basis is open."""
        mixed = [o for o in self.spec.evidence if _is_mixed(o, self.spec.method(o))]
        labels = tuple(dict.fromkeys(_source(o) for o in mixed))
        if not labels:
            return None
        dim = self.names.new("sources")
        model.add_coord(dim, labels)
        chances = {_source(o): self.spec.model.grades["reliability"][o.grade[0]] if o.grade else 1.0 for o in mixed}
        reliability = self._data("sources_reliability", (chances[label] for label in labels), dim)
        return _Sources(labels, dim, pt.log(reliability), pt.log(1.0 - reliability))

    def _mixture(self, method: Method, stem: str, chosen: Sequence[Observation]) -> None:
        """Add to its sources what a method's readings say; those of one source and stated basis have one basis."""
        if self.sources is None:
            return
        clusters = tuple(dict.fromkeys((_source(o), o.basis or "") for o in chosen))
        dim, bases = self.names.new(f"{stem}_clusters"), self.names.new(f"{stem}_bases")
        model = pm.modelcontext(None)
        model.add_coord(dim, [" ".join(filter(None, c)) for c in clusters])
        model.add_coord(bases, [b.name for b in method.basis] or ["as measured"])
        weights = [
            [b.weight if stated in ("", b.name) else 0.0 for b in method.basis] or [1.0] for _, stated in clusters
        ]
        weight = self._data(f"{stem}_weight", weights, dim, bases)
        told = pt.log(weight / pt.sum(weight, axis=1, keepdims=True))
        for name, rows in self._shapes(stem, chosen):
            places = (clusters.index((_source(o), o.basis or "")) for o in rows)
            told = self._tell(method, name, rows, told, [*places])
        at = self._places(f"{stem}_cluster_source", (self.sources.labels.index(source) for source, _ in clusters), dim)
        self.sources.reliable = pt.inc_subtensor(self.sources.reliable[at], _log_sum(told, axis=1))

    def _tell(self, method: Method, stem: str, chosen: Sequence[Observation], told: TensorVariable,
              places: Sequence[int]) -> TensorVariable:  # fmt: skip
        """What a cluster's readings tell of each basis, and what they would where the source is not reliable."""
        rows = self._rows(method, stem, chosen)
        place = self._places(f"{stem}_cluster", places, rows.dim)
        value = self._data(f"{stem}_value", (o.value for o in chosen), rows.dim)
        ends = self._ends(rows)
        row, nu = _LIKELIHOODS[method.likelihood.family], np.float64(method.likelihood.nu or math.nan)
        logp = _log_probability(row, nu) if ends else _log_density(row, nu)
        factors: list[Node | None] = [b.factor for b in method.basis] or [None]
        whole = pt.ones_like(rows.power)
        right = pt.stack([logp(value, *self._distribution(rows, f), *ends, whole) for f in factors], axis=1)
        grades = self.spec.model.grades.get("credibility", {})
        chances = [float(grades[o.grade[1]]) if o.grade else 1.0 for o in chosen]
        credibility = self._data(f"{stem}_credibility", chances, rows.dim)
        is_graded = self._data(f"{stem}_is_graded", (float(o.grade is not None) for o in chosen), rows.dim)
        wrong = pt.zeros_like(value) if method.wrong is None else log_wrong(method.wrong, value, ends)
        wrong = pt.switch(is_graded, wrong, 0.0)
        either = [
            pt.log(credibility)[:, None] + right,
            pt.broadcast_to((pt.log(1 - credibility) + wrong)[:, None], right.shape),
        ]
        if self.sources is not None:
            at = self._places(f"{stem}_source", (self.sources.labels.index(_source(o)) for o in chosen), rows.dim)
            self.sources.unreliable = pt.inc_subtensor(self.sources.unreliable[at], _weigh(rows.power, wrong))
        return pt.inc_subtensor(told[place], _weigh(rows.power[:, None], _log_sum(pt.stack(either), axis=0)))

    def _judge(self) -> None:
        """The log-likelihood of each source: all of it is reliable, or all of it is wrong."""
        if self.sources is not None:
            both = _log_sum(pt.stack([self.sources.reliable, self.sources.unreliable]), axis=0)
            pm.Potential(self.names.new("sources_log_likelihood"), both, dims=(self.sources.dim,))


def _is_mixed(o: Observation, method: Method) -> bool:
    """Whether a reading may have come about in more than one way."""
    return o.grade is not None or bool(method.basis)


def _source(o: Observation) -> str:
    """What an observation is reliable or wrong together with: its origin, at the reliability it has there."""
    return f"{_origin(o)} {o.grade[0]}" if o.grade else f"{_origin(o)} ungraded"


def _stated_u(o: Observation) -> float:
    if o.u is None:
        raise InferenceError(f"observation '{o.id}' states no u, and method '{o.method}' takes the stated one")
    return o.u


def _tensor(node: Node, known: Tensors, whole: Tensors | None = None) -> TensorVariable:
    """The value of a tree; ``sum`` and ``mean`` go over the leading axis of what names stand for in ``whole``."""
    match node:
        case Const(value):
            return pt.constant(np.float64(value))
        case Ref(name):
            return known[name]
        case Op(op, (arg,)) if op in REDUCTIONS:
            inside = known if whole is None else whole
            return REDUCTIONS[op](_tensor(arg, inside, whole), axis=0)
        case Op(op, args):
            return OPERATIONS[op](*(_tensor(a, known, whole) for a in args))


def _log_sum(terms: TensorVariable, *, axis: int) -> TensorVariable:
    """Log of the sum of exponentials, of which some or all may be 0."""
    greatest = disconnected_grad(pt.max(terms, axis=axis, keepdims=True))
    greatest = pt.switch(pt.isinf(greatest), 0.0, greatest)
    return pt.log(pt.sum(pt.exp(terms - greatest), axis=axis)) + pt.sum(greatest, axis=axis)


# --- priors -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Prior:
    """A family as PyMC has it: ``make(name, **arguments)``, the arguments being the family's parameters in order."""

    make: Callable[..., TensorVariable]
    names: tuple[str, ...]

    @property
    def dist(self) -> Callable[..., TensorVariable]:
        """The same without a name."""
        return self.make.dist  # type: ignore[attr-defined,no-any-return]

    def arguments(self, *parameters: TensorVariable) -> dict[str, TensorVariable]:
        return dict(zip(self.names, parameters, strict=True))


class _LogUniform:
    """Log-uniform between bounds, with the transform of a uniform one."""

    def __new__(cls, name: str, *, dims: Sequence[str] | None = None, **bounds: TensorVariable) -> TensorVariable:
        return pm.CustomDist(name, *bounds.values(), **cls._parts(), dims=dims, support_point=cls._middle,
                             transform=Interval(bounds_fn=lambda *inputs: inputs[-2:]))  # fmt: skip

    @classmethod
    def dist(cls, **bounds: TensorVariable) -> TensorVariable:
        """The same without a name."""
        return pm.CustomDist.dist(*map(pt.as_tensor_variable, bounds.values()), **cls._parts())

    @classmethod
    def _parts(cls) -> dict[str, Any]:
        return {"logp": cls._logp, "logcdf": cls._logcdf, "random": cls._random, "class_name": "log_uniform"}

    @staticmethod
    def _logp(value: TensorVariable, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
        inside = pt.and_(pt.ge(value, lower), pt.le(value, upper))
        return pt.switch(inside, -pt.log(value) - pt.log(pt.log(upper / lower)), -np.inf)

    @staticmethod
    def _logcdf(value: TensorVariable, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
        return pt.log(pt.log(pt.clip(value, lower, upper) / lower) / pt.log(upper / lower))

    @staticmethod
    def _random(lower: Any, upper: Any, rng: np.random.Generator, size: Any) -> Any:
        return np.exp(rng.uniform(np.log(lower), np.log(upper), size))

    @staticmethod
    def _middle(_rv: TensorVariable, size: Any, lower: TensorVariable, upper: TensorVariable) -> TensorVariable:
        middle = pt.sqrt(lower * upper)
        return middle if rv_size_is_none(size) else pt.full(size, middle)


_DERIVED = ("log_rise", "log_fall")
"""Parameters of families that PyMC works out by itself."""

_PRIORS: dict[str, _Prior] = {
    "normal": _Prior(pm.Normal, ("mu", "sigma")),
    "lognormal": _Prior(pm.LogNormal, ("mu", "sigma")),
    "student_t": _Prior(pm.StudentT, ("nu", "mu", "sigma")),
    "half_normal": _Prior(pm.HalfNormal, ("sigma",)),
    "half_student_t": _Prior(pm.HalfStudentT, ("nu", "sigma")),
    "exponential": _Prior(pm.Exponential, ("scale",)),
    "gamma": _Prior(pm.Gamma, ("alpha", "beta")),
    "beta": _Prior(pm.Beta, ("alpha", "beta")),
    "uniform": _Prior(pm.Uniform, ("lower", "upper")),
    "log_uniform": _Prior(_LogUniform, ("lower", "upper")),
    "triangular": _Prior(pm.Triangular, ("lower", "c", "upper")),
    "truncated_normal": _Prior(pm.TruncatedNormal, ("mu", "sigma", "lower", "upper")),
    "truncated_normal_above": _Prior(pm.TruncatedNormal, ("mu", "sigma", "lower")),
    "truncated_normal_below": _Prior(pm.TruncatedNormal, ("mu", "sigma", "upper")),
}
"""Each family by its name, with PyMC's names of its parameters in their order."""


# --- likelihoods --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    """A family of likelihoods: how readings are distributed, and its standard form for intervals.

    ``log_density(nu, reading, prediction, *more)`` is what its name says, with u as ``more`` or whatever else the
    family takes; ``draw(rng, nu, size, prediction, *more)`` draws readings. Where there are intervals, a reading ``y``
    has ``z = (scale(y) - scale(prediction)) / u``, whose log distribution function is ``log_cdf(z, nu)``.
    """

    log_density: Callable[..., TensorVariable]
    draw: Callable[..., Any]
    log_cdf: Callable[[TensorVariable, float], TensorVariable] | None = None
    scale: Callable[[TensorVariable], TensorVariable] = lambda y: y


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


_LEAST = 1e-6
"""The least size of a beta distribution, where its u would be greater than its mean allows. [1]"""


def _beta(prediction: Any, u: Any, maximum: Callable[[Any, float], Any]) -> dict[str, Any]:
    """The parameters of a beta distribution by its mean and standard deviation."""
    size = maximum(prediction * (1.0 - prediction) / u**2 - 1.0, _LEAST)
    return {"alpha": prediction * size, "beta": (1.0 - prediction) * size}


def _draw_beta(rng: np.random.Generator, _nu: float, size: Any, prediction: Any, u: Any) -> Any:
    shapes = _beta(prediction, u, np.maximum)
    return rng.beta(shapes["alpha"], shapes["beta"], size)


def _serial(_nu: float, number: TensorVariable, total: TensorVariable, before: TensorVariable) -> TensorVariable:
    """Any of the numbers left after ``before`` were drawn is as likely; the total is taken for a real number."""
    return pt.switch(pt.gt(number - 0.5, total), -np.inf, -pt.log(pt.maximum(total - before, 0.5)))


def _draw_serial(rng: np.random.Generator, _nu: float, size: Any, total: Any, _before: Any) -> Any:
    count = math.prod(size) if size is not None else np.size(total)
    drawn = rng.choice(max(round(float(np.max(total))), count), count, replace=False) + 1.0
    return drawn.reshape(np.shape(total) if size is None else size)


_LIKELIHOODS: dict[LikelihoodFamily, _Row] = {
    "normal": _Row(
        lambda _nu, y, prediction, u: pm.logp(pm.Normal.dist(mu=prediction, sigma=u), y),
        lambda rng, _nu, size, prediction, u: rng.normal(prediction, u, size),
        lambda z, _nu: log_normal_cdf(z)),
    "student_t": _Row(
        lambda nu, y, prediction, u: pm.logp(pm.StudentT.dist(nu=nu, mu=prediction, sigma=u), y),
        lambda rng, nu, size, prediction, u: prediction + u * rng.standard_t(nu, size),
        log_student_cdf),
    "lognormal": _Row(
        lambda _nu, y, prediction, u: pm.logp(pm.LogNormal.dist(mu=pt.log(prediction), sigma=u), y),
        lambda rng, _nu, size, prediction, u: prediction * rng.lognormal(0.0, u, size),
        lambda z, _nu: log_normal_cdf(z), lambda y: pt.log(pt.maximum(y, 0.0))),
    "poisson": _Row(
        lambda _nu, y, prediction: pm.logp(pm.Poisson.dist(mu=prediction), y),
        lambda rng, _nu, size, prediction: rng.poisson(prediction, size)),
    "binomial": _Row(
        lambda _nu, y, prediction, trials: pm.logp(pm.Binomial.dist(n=trials, p=prediction), y),
        lambda rng, _nu, size, prediction, trials: rng.binomial(trials, prediction, size)),
    "beta": _Row(
        lambda _nu, y, prediction, u: pm.logp(pm.Beta.dist(**_beta(prediction, u, pt.maximum)), y),
        _draw_beta),
    "serial": _Row(_serial, _draw_serial),
}  # fmt: skip


def _log_density(row: _Row, nu: float) -> LogDensity:
    """The log-likelihood of readings that are points."""

    def logp(value: TensorVariable, *parameters: TensorVariable) -> TensorVariable:
        *own, power = parameters
        return _weigh(power, row.log_density(nu, value, *own))

    return logp


def _log_probability(row: _Row, nu: float) -> LogDensity:
    """The log-likelihood of readings known only to lie between two bounds, whatever the value shown for them."""

    def logp(_value: TensorVariable, prediction: TensorVariable, u: TensorVariable, lower: TensorVariable,
             upper: TensorVariable, power: TensorVariable) -> TensorVariable:  # fmt: skip
        if row.log_cdf is None:
            raise InferenceError("a count or a share cannot be an interval")
        ends, log_cdf = (row.scale(lower), row.scale(upper), row.scale(prediction)), row.log_cdf
        return _weigh(power, log_between(*ends, u, lambda z: log_cdf(z, nu)))

    return logp


def _draw(row: _Row, nu: float, count: int) -> Callable[..., Any]:
    """Draws of readings, as they are before anything rounds or bounds them, from the first ``count`` parameters."""

    def random(*parameters: Any, rng: np.random.Generator, size: Any) -> Any:
        return row.draw(rng, nu, size, *parameters[:count])

    return random


def log_wrong(prior: Prior, value: TensorVariable, ends: Sequence[TensorVariable]) -> TensorVariable:
    """Log density of readings that are simply wrong, or the log probability of their intervals."""
    scale = prior.values["upper"] if prior.family == "beta" else 1.0
    parameters = [np.float64(prior.values[p]) for p in FAMILIES[prior.family].parameters if p not in _DERIVED]
    family, between = _PARTS.get(prior.family, (prior.family, None))
    if between is not None:
        parameters = [*parameters[:-1], np.float64(0.0), parameters[-1]] if between == "above 0" else parameters[:2]
    wrong = _PRIORS[family].dist(**_PRIORS[family].arguments(*parameters))
    lower, upper = (pt.constant(np.float64(bound)) for bound in prior.bounds)

    def below(v: TensorVariable) -> TensorVariable:
        return pt.exp(_CDFS[family](v, *parameters) if family in _CDFS else pm.logcdf(wrong, v / scale))

    whole = pt.constant(np.float64(1.0)) if between is None else below(upper) - below(lower)
    if ends:
        part = below(pt.clip(ends[1], lower, upper)) - below(pt.clip(ends[0], lower, upper))
        return pt.log(part) - pt.log(whole)
    inside = pt.and_(pt.ge(value, lower), pt.le(value, upper))
    return pt.switch(inside, pm.logp(wrong, value / scale) - math.log(scale) - pt.log(whole), -np.inf)


_PARTS = {
    "half_normal": ("normal", "above 0"), "half_student_t": ("student_t", "above 0"),
    **dict.fromkeys(("truncated_normal", "truncated_normal_above", "truncated_normal_below"), ("normal", "bounds")),
}  # fmt: skip
"""Families that are a part of another one."""

_CDFS: dict[str, Callable[..., TensorVariable]] = {
    "normal": lambda v, mean, sd: log_normal_cdf((v - mean) / sd),
    "lognormal": lambda v, mu, sigma: log_normal_cdf((pt.log(v) - mu) / sigma),
    "student_t": lambda v, nu, mean, scale: log_student_cdf((v - mean) / scale, nu),
}
"""Log distribution functions of families of which PyMC has them in single precision."""


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
