"""The compiled density of a Spec, and its dials: all that a refit changes is data, so one compilation serves all.

Two Specs whose structure agrees (other readings, uncertainties, givens, prior parameters) share one compiled
function. A hypothesis is a setting of the dials, not another density.
"""

from __future__ import annotations

import ctypes
import functools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from gaugeglass.errors import InferenceError
from gaugeglass.inference import tails
from gaugeglass.inference.condensed import FEWEST, Curve, condense
from gaugeglass.inference.kernel import HIERARCHIES, emit
from gaugeglass.inference.layout import CONDENSED, ERROR, MEMBER_DIALS, Block, FreeVariable, Layout, Variety
from gaugeglass.inference.machine import Machine, build
from gaugeglass.inference.rows import Rows, counted_before, log_or_never, moved, reliability, row_of, rows_of
from gaugeglass.language.expressions import Node, Ref, evaluate
from gaugeglass.language.families import Prior
from gaugeglass.language.spec import Given, Hypothesis, Latent, Method, Observation, Spec

type Floats = NDArray[np.float64]

MOST_AXES = 40
"""Coordinates above which a matrix in every gradient costs more than axes of its own save. [1]"""
_TURNS, _FAR = 4, 3.0
"""Newton's steps towards what readings alone tell, and how many spreads of the prior each goes at most. [1]"""
_STEP = 1e-3
_GUESS, _POINTS = 0x6E55, 64


@dataclass(frozen=True)
class Dials:
    """One setting of a density: which hypothesis, which readings count, how wide the priors are.

    ``power`` weighs an observation's log-likelihood (0 leaves it out); ``stretch`` widens a latent's prior on its
    unconstrained scale about its median, by a factor. ``right`` lists readings of which only the chance is kept that
    they are right, and ``basis`` says of which basis, of a source that is reliable, only the chance is kept: over the
    whole, how probable that is.
    ``shift`` moves readings [unit of the method]. ``untold`` takes each coordinate in a hierarchy as a distance from
    what its prior expects, whatever ``Density.told`` says.
    """

    hypothesis: str
    power: Mapping[str, float]
    stretch: Mapping[str, float]
    right: frozenset[str] = frozenset()
    basis: Mapping[str, str] = field(default_factory=dict)
    shift: Mapping[str, float] = field(default_factory=dict)
    untold: bool = False


class Quantities(dict[str, Floats]):
    """Values of every quantity by name, each in its unit.

    Where a quantity has one value a member, each stands by itself (``capacity[V1]``); by its plain name it is
    given whole, with a leading axis of its members.
    """

    def __init__(self, values: Mapping[str, Floats], members: Mapping[str, tuple[str, ...]]) -> None:
        super().__init__(values)
        self.members = members

    def __missing__(self, name: str) -> Floats:
        return np.stack([self[f"{name}[{member}]"] for member in self.members[name]])

    def each(self, change: Callable[[Floats], Floats]) -> Quantities:
        """The same with every array changed."""
        return Quantities({name: change(values) for name, values in self.items()}, self.members)


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
        return (
            ERROR
            if not free.latent
            else self.layout.once(
                ("prior", free.name, hypothesis), lambda: self._prior(free, self.hypothesis(hypothesis))
            )
        )

    def _prior(self, free: FreeVariable, held: Hypothesis) -> Prior:
        latent = self.layout.latent(free.latent)
        own = held.prior(latent)
        if free.has_form(own):
            return own
        return next(p for h in self.spec.hypotheses if free.has_form(p := h.prior(latent)))

    def is_active(self, free: FreeVariable, hypothesis: str) -> bool:
        """Whether a coordinate moves anything under a hypothesis, rather than only keeping its own prior."""
        return self.layout.once(
            ("active", free.name, hypothesis), lambda: self._moves(free, self.hypothesis(hypothesis))
        )

    def _moves(self, free: FreeVariable, held: Hypothesis) -> bool:
        return free.latent not in held.fix and (
            not free.latent or free.has_form(held.prior(self.layout.latent(free.latent)))
        )

    def form(self, latent: str, hypothesis: str) -> Variety:
        """The form that a latent has under a hypothesis."""
        return self.layout.once(
            ("form", latent, hypothesis),
            lambda: next(v for v in self.layout.varieties if self.is_active_form(v, latent, hypothesis)),
        )

    def is_active_form(self, v: Variety, latent: str, hypothesis: str) -> bool:
        """Whether a form is the one that a latent has under a hypothesis."""
        return v.latent == latent and self.is_active(self.free[v.first], hypothesis)

    def active(self, hypothesis: str) -> list[int]:
        """The places in ``x`` of the coordinates that move anything under a hypothesis."""
        return [k for k, free in enumerate(self.free) if self.is_active(free, hypothesis)]

    def with_observations(self, observations: tuple[Observation, ...]) -> Density:
        """The density of the same model for other readings, by the same compiled function if it has their places."""
        dossier = replace(self.spec.dossier, observations=observations, tables=())
        spec = replace(self.spec, dossier=dossier)
        layout = self.layout.for_readings(spec)
        if layout.structure == self.layout.structure:
            return Density(spec, layout, self.machine)
        return compile_density(spec)

    def dials(self, hypothesis: str, *, power: Mapping[str, float] | None = None,
              stretch: Mapping[str, float] | None = None) -> Dials:  # fmt: skip
        """A setting under a hypothesis; what is not named stays as the Spec has it."""
        return Dials(hypothesis, dict(power or {}), dict(stretch or {}))

    # --- dials ----------------------------------------------------------------------------------------------

    def pack(self, dials: Dials) -> Floats:
        """The dials as the vector that the compiled function reads."""
        scalars = self._scalars_by(dials).copy()
        parts, at = [], len(scalars)
        for rows in self._blocks:
            table = self._table(rows, dials)
            at, segments = _segments(rows, at)
            scalars[self.layout.slots[f"{rows.block.kind.name}.start"]] = at - segments.size
            scalars[self.layout.slots[f"{rows.block.kind.name}.segments"]] = len(segments)
            parts += [segments.ravel(), table.ravel()]  # views, so that what is written below is seen
            at += table.size
            for k, curve in enumerate(self._curves(rows, table, dials)):
                if curve is not None:
                    segments[k, -len(CONDENSED) :] = at, len(curve.table) - 1, curve.lower, curve.step
                    parts.append(curve.table.ravel())
                    at += curve.table.size
        return np.concatenate([scalars, *parts])

    @cached_property
    def _blocks(self) -> tuple[Rows, ...]:
        return tuple(rows_of(self.layout, block) for block in self.layout.blocks)

    def _curves(self, rows: Rows, table: Floats, dials: Dials) -> Iterator[Curve | None]:
        """The curve of each segment that is long enough, where its readings depend on one number."""
        if rows.block.condensed is None:
            return
        shifted = {rows.place[i] for i in dials.shift.keys() & rows.place.keys()}
        powers = table[:, rows.column("reading.power")]
        for k, (first, count, *_) in enumerate(rows.segments):
            own = powers[first : first + count]
            if count < FEWEST:
                yield None
            elif np.ptp(own) == 0 and shifted.isdisjoint(range(first, first + count)):
                whole = self._whole_curve(rows, k)  # all count alike, so that the curve is the same but for a factor
                yield None if whole is None else replace(whole, table=own[0] * whole.table)
            else:
                yield self._curve(rows, k, table[first : first + count], own)

    def _whole_curve(self, rows: Rows, segment: int) -> Curve | None:
        key = (rows.block.kind.name, segment)
        if key not in self._known:
            first, count, *_ = rows.segments[segment]
            self._known[key] = self._curve(rows, segment, rows.table[first : first + count], np.ones(count))
        return self._known[key]

    @cached_property
    def _known(self) -> dict[tuple[str, int], Curve | None]:
        return {}

    def _curve(self, rows: Rows, segment: int, table: Floats, powers: Floats) -> Curve | None:
        assert rows.block.condensed is not None  # noqa: S101 - asked for where it is
        part, tree = rows.block.condensed
        columns = {name: table[:, j] for j, name in enumerate(rows.block.columns)}
        return condense(tree, columns, powers, self._guesses(rows.block, part, rows.segments[segment][2:]))

    def _guesses(self, block: Block, part: Node, indices: Sequence[int]) -> Floats:
        """Values that a number may have before the readings, as a few points of the prior have it."""
        method, found = self.layout.method(block.kind), []
        member = dict(zip(block.header[2:], indices, strict=True))
        for values in self._prior_values:
            own = {n: _of_member(self.spec, n, v, member) for n, v in values.items()}
            own |= {"shared.error": 0.0, f"{method.name}.shared": method.shared.u if method.shared else 0.0}
            found.append(np.broadcast_to(evaluate(part, own), _POINTS))
        return np.concatenate(found)

    @cached_property
    def _prior_values(self) -> tuple[Values, ...]:
        """Every quantity at a few points of the prior, under each hypothesis."""
        x = np.random.default_rng(_GUESS).normal(size=(_POINTS, len(self.free)))
        with np.errstate(all="ignore"):
            return tuple(Values(self, x, replace(self.dials(h.name), untold=True)).all() for h in self.spec.hypotheses)

    def _table(self, rows: Rows, dials: Dials) -> Floats:
        powers = [dials.power.get(i, 1.0) for i in rows.ids] if dials.power else [1.0] * len(rows.ids)
        table = rows.table.copy()
        for i in dials.shift.keys() & rows.place.keys():
            o = rows.readings[rows.place[i]]
            table[rows.place[i]] = row_of(self.layout, rows.block, moved(o, dials.shift[i]))
        table[:, rows.column("reading.power")] = powers
        for i in dials.right & rows.place.keys():
            table[rows.place[i], rows.column("reading.astray")] = -math.inf
        if "reading.before" in rows.block.columns:
            table[:, rows.column("reading.before")] = counted_before(powers)
        return table

    def _scalars_by(self, dials: Dials) -> Floats:
        """The scalar dials, which no power changes but by a floor, so that most refits find them made."""
        floors = tuple(self._floor(v, dials) for v in self.layout.varieties if v.latent in self.layout.floored)
        own = (dials.right, tuple(sorted(dials.basis.items()))) if self.layout.clustered else ()
        key = (dials.hypothesis, tuple(sorted(dials.stretch.items())), dials.untold, floors, own)
        if key not in self._made:
            scalars = np.zeros(len(self.layout.slots))
            for name, value in self._scalars(dials):
                scalars[self.layout.slots[name]] = value
            self._made[key] = scalars
        return self._made[key]

    @cached_property
    def _made(self) -> dict[tuple[object, ...], Floats]:
        return {}

    def _scalars(self, dials: Dials) -> Iterator[tuple[str, float]]:
        held, layout = self.hypothesis(dials.hypothesis), self.layout
        for v in layout.varieties:
            values = self.form_dials(v, dials)
            yield from ((f"{v.name}.{d}", values[d]) for d in layout.dials_of(v))
            if v.prior.trees:
                told = np.zeros((2, v.size)) if dials.untold else self.told[v.name]
                for k in range(v.size):
                    yield from ((f"{v.name}.{k}.{dial}", float(told[j, k])) for j, dial in enumerate(MEMBER_DIALS))
        for latent in self.spec.model.latents:
            yield f"{latent.name}.select", self._select(latent, held)
            yield f"{latent.name}.fixed", held.fix.get(latent.name, 0.0)
        for relation in self.spec.model.relations:
            yield f"{relation.name}.select", float(layout.variants[relation.name].index(held.equals(relation)))
        yield from ((f"given.{name}", value) for name, value in self.spec.givens.items())
        yield from ((f"{m.name}.shared", m.shared.u) for m in self.spec.model.methods if m.shared)
        yield from self._mixed(dials)

    def form_dials(self, v: Variety, dials: Dials) -> dict[str, float]:
        """What the dials say of a form of a latent's prior: how it is standardised, its bounds, its parameters."""
        own = self.layout.once(("dials", v.name, dials.hypothesis), lambda: self._unmoved(v, dials.hypothesis))
        own = own | {"stretch": dials.stretch.get(v.latent, 1.0)}
        floor = self._floor(v, dials) if v.latent in self.layout.floored else -math.inf
        if floor <= own["lower"]:
            return own
        far = self._above_floor(v, floor, own["upper"])
        return own | far | {"floor": floor, "norm": own["norm"] + math.log(far["spread"] / own["spread"])}

    def _unmoved(self, v: Variety, hypothesis: str) -> dict[str, float]:
        prior = self.prior(self.free[v.first], hypothesis)
        (lower, upper), norm = prior.bounds, prior.log_normaliser + math.log(prior.spread)
        own = {"norm": norm, "lower": lower, "upper": upper, "floor": lower}
        return prior.values | own | {"centre": prior.centre, "spread": prior.spread}

    def _floor(self, v: Variety, dials: Dials) -> float:
        """Half below the greatest serial number that counts, as a whole number is taken for a real one."""
        methods = self.layout.floored[v.latent]
        counted = [o.value for o in self.spec.evidence if o.method in methods and dials.power.get(o.id, 1.0) > 0]
        return max(counted, default=math.inf) - 0.5 if counted else -math.inf

    def _above_floor(self, v: Variety, floor: float, upper: float) -> dict[str, float]:
        """How a coordinate above a floor is standardised: by the distance that as many readings leave."""
        count = sum(o.method in self.layout.floored[v.latent] for o in self.spec.evidence)
        far = floor / max(count, 1)
        centre = math.log(far) if math.isinf(upper) else special.logit(min(far / (upper - floor), 0.5))
        return {"centre": float(centre), "spread": 1.0}

    @cached_property
    def told(self) -> dict[str, Floats]:
        """For each form in a hierarchy what its readings alone tell of it, all else at its median.

        The most likely value on the unconstrained scale, and its precision (one over the variance); 0 without readings.
        Dims ("what", "member").
        """
        return {v.name: self._told_of(v) for v in self.layout.varieties if v.prior.trees}

    def _told_of(self, v: Variety) -> Floats:
        name = next(h.name for h in self.spec.hypotheses if self.is_active(self.free[v.first], h.name))
        prior = self.prior(self.free[v.first], name)
        t, precision = np.full(v.size, prior.centre), np.zeros(v.size)
        for _ in range(_TURNS):  # Newton's steps, for a prediction that is not straight
            values = Values(self, np.zeros((2, len(self.free))), replace(self.dials(name), untold=True))
            ends = prior.constrained(t[:, None] + np.array([0.0, _STEP]))
            values[v.latent] = ends[0] if v.group is None else ends
            score, precision = np.zeros(v.size), np.zeros(v.size)
            with np.errstate(all="ignore"):
                values.all()
                for rows in self._blocks:
                    _add_told(self.spec, v, rows.readings, values, score, precision)
            step = np.divide(score, precision, out=np.zeros(v.size), where=precision > 0)
            t = t + np.clip(step, -_FAR * prior.spread, _FAR * prior.spread)
        return np.stack([t, precision])

    def _select(self, latent: Latent, held: Hypothesis) -> float:
        if latent.name in held.fix:
            return -1.0
        forms = [(v.prior.family, v.prior.trees) for v in self.layout.varieties if v.latent == latent.name]
        prior = held.prior(latent)
        return float(forms.index((prior.family, prior.trees)))

    def _mixed(self, dials: Dials) -> Iterator[tuple[str, float]]:
        """The chance of each basis where one is open, and of each source to be reliable."""
        layout, size = self.layout, self.layout.alternatives
        taken = set()
        for key, readings in layout.clustered.items():
            k, judged = layout.clusters[key], layout.judged[key[1]]
            kept = next((dials.basis[o.id] for o in readings if o.id in dials.basis), None)
            chances = self.chances_of_bases(readings[0])
            logs = [log_or_never(p) if kept in (None, name) else -math.inf for name, p in chances.items()]
            yield f"cluster.{k}.judged", float(judged)
            yield from ((f"cluster.{k}.weight.{b}", log) for b, log in enumerate((logs + [-math.inf] * size)[:size]))
            chance = reliability(layout, readings[0])
            taken |= {judged for o in readings if o.id in dials.right or o.id in dials.basis}
            yield f"judged.{judged}.reliable", log_or_never(chance)
            yield f"judged.{judged}.unreliable", log_or_never(0.0 if judged in taken else 1 - chance)

    def chances_of_bases(self, o: Observation) -> dict[str, float]:
        """The prior probability of each basis that an observation may have, by name [1]; one where none is open."""
        bases = self.spec.method(o).basis
        weights = {b.name: b.weight if o.basis in (None, b.name) else 0.0 for b in bases} or {"": 1.0}
        return {name: weight / sum(weights.values()) for name, weight in weights.items()}

    # --- values ---------------------------------------------------------------------------------------------

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

    def slopes(self, x: Floats, packed: Floats) -> Floats:
        """Gradients of the log density at many points. dims of ``x`` and the gradients: ("point", "free")"""
        held, gradients, values = np.ascontiguousarray(x, dtype=np.float64), np.empty(x.shape), np.empty(len(x))
        pointers = (a.ctypes.data for a in (held, gradients, values, packed))
        self._slopes(len(x), len(self.free), *pointers)
        return gradients

    @cached_property
    def _one(self) -> Any:
        return self.machine.function("log_density", [ctypes.c_void_p] * 3, ctypes.c_double)

    @cached_property
    def _many(self) -> Any:
        return self.machine.function("many", [ctypes.c_int64] * 2 + [ctypes.c_void_p] * 4, ctypes.c_int64)

    @cached_property
    def _slopes(self) -> Any:
        return self.machine.function("slopes", [ctypes.c_int64] * 2 + [ctypes.c_void_p] * 4, ctypes.c_int64)

    def log_prior(self, x: Floats, free: FreeVariable, hypothesis: str) -> Floats:
        """Log density of one coordinate that is inert under a hypothesis, normalised over it."""
        prior = ERROR if free.trees else self.prior(free, hypothesis)
        t = prior.centre + prior.spread * np.asarray(x)
        return np.asarray(prior.log_density(t) + math.log(prior.spread), dtype=np.float64)

    def in_order_of_descent(self, hypothesis: str) -> list[Variety]:
        """The forms of latents' priors, each after those that its parameters rest on."""
        return self.layout.once(("descent", hypothesis), lambda: self._in_order(self.hypothesis(hypothesis)))

    def _in_order(self, held: Hypothesis) -> list[Variety]:
        waiting, ordered = list(self.layout.varieties), list[Variety]()
        while waiting:
            rests = {v.name: {n for _, tree in v.prior.trees for n in self.spec.ancestors(tree, held)} for v in waiting}
            open_latents = {v.latent for v in waiting if self.is_active_form(v, v.latent, held.name)}
            ready = [v for v in waiting if not (rests[v.name] & open_latents) - {v.latent}]
            ordered += ready
            waiting = [v for v in waiting if v not in ready]
        return ordered

    def draw_form(self, v: Variety, x: Floats, dials: Dials, rng: np.random.Generator) -> None:
        """Draw a form's coordinates from its prior into ``x``, dims (..., "free"), where those before are drawn."""
        place = slice(v.first, v.first + v.size)
        if v.prior.trees and not self.is_active_form(v, v.latent, dials.hypothesis):
            x[..., place] = rng.standard_normal((*x.shape[:-1], v.size))
            return
        q = rng.uniform(size=(v.size, *x.shape[:-1]))
        prior, values = self.prior(self.free[v.first], dials.hypothesis), Values(self, x, dials)
        base, slope, _ = values.scale(v)
        own = values.parameters(v) if v.prior.trees else prior.values
        t = prior.unconstrained(prior.row.ppf(q, own))
        x[..., place] = np.moveaxis((t - base) / slope, 0, -1)

    def quantities(self, x: Floats, dials: Dials) -> Quantities:
        """Every quantity at standardised coordinates, each in its unit. dims of ``x``: (..., "free")"""
        shape = x.shape[:-1]
        whole = Values(self, x, dials)
        members = {
            q.name: self.spec.members[q.per]
            for q in self.spec.quantities.values()
            if not isinstance(q, Given) and q.per
        }
        found: dict[str, Floats] = {}
        with np.errstate(all="ignore"):
            for name in self.spec.model.quantities:
                value = np.asarray(whole[name], dtype=np.float64)
                if name not in members:
                    found[name] = value if value.shape == shape else np.broadcast_to(value, shape)
                    continue
                each = np.broadcast_to(value, (len(members[name]), *shape))
                found |= {f"{name}[{m}]": each[k] for k, m in enumerate(members[name])}
        return Quantities(found, members)


class Values(dict[str, Any]):
    """Quantities at coordinates, each computed when it is first named; members along a leading axis."""

    def __init__(self, density: Density, x: Floats, dials: Dials) -> None:
        super().__init__(density.spec.givens)
        self.density, self.x, self.dials = density, x, dials
        self.held = density.hypothesis(dials.hypothesis)
        self.relations = {r.name: r for r in density.spec.model.relations}
        self._forms: dict[str, dict[str, float]] = {}

    def form(self, v: Variety) -> dict[str, float]:
        """What the dials say of a form of a latent's prior."""
        if v.name not in self._forms:
            self._forms[v.name] = self.density.form_dials(v, self.dials)
        return self._forms[v.name]

    def __missing__(self, name: str) -> Any:
        value, spec = self.named(name), self.density.spec
        group = getattr(spec.model.quantities[name], "per", None)
        # one value for all members is still one a member, so that sums go over them
        self[name] = np.broadcast_to(value, (len(spec.members[group]), *self.x.shape[:-1])) if group else value
        return self[name]

    def named(self, name: str) -> Any:
        """A quantity's value as the hypothesis has it."""
        if name in self.relations:
            return evaluate(self.held.equals(self.relations[name]), self)
        if name in self.held.fix:
            return self.held.fix[name]
        return self.value(self.density.form(name, self.held.name))

    def value(self, v: Variety) -> Any:
        """A latent's value from its coordinates, which ``stretch`` moves away from or towards the prior's location."""
        own = self.form(v)
        base, slope, anchor = self.scale(v)
        t = base + slope * self.coordinates(v)
        wide = anchor + own["stretch"] * (t - anchor)
        if v.latent not in self.density.layout.floored:
            return self.density.prior(self.density.free[v.first], self.held.name).constrained(wide)
        room = np.exp(wide) if math.isinf(own["upper"]) else (own["upper"] - own["floor"]) * special.expit(wide)
        return own["floor"] + room

    def coordinates(self, v: Variety) -> Floats:
        """Of dims (...), or ("member", ...) where there is one a member."""
        return self.x[..., v.first] if v.group is None else np.moveaxis(self.x[..., v.first : v.first + v.size], -1, 0)

    def scale(self, v: Variety) -> tuple[Any, Any, Any]:
        """What a coordinate of 0 stands for on the unconstrained scale, what 1 adds, and the prior's location."""
        held = self.form(v)
        centre, width = held["centre"], held["spread"]
        if not v.prior.trees:
            return centre, width, centre
        own = self.parameters(v)
        location, spread = (evaluate(tree, own) for tree in HIERARCHIES[v.prior.family][:2])
        told = np.zeros((2, v.size)) if self.dials.untold else self.density.told[v.name]
        at, precision = told[:, 0] if v.group is None else told.reshape(2, v.size, *[1] * (self.x.ndim - 1))
        weight = precision * spread**2
        return (location + weight * at) / (1 + weight), spread / np.sqrt(1 + weight), location

    def parameters(self, v: Variety) -> dict[str, Any]:
        """The parameters of a prior where some are quantities."""
        return {**v.prior.values, **{name: evaluate(tree, self) for name, tree in v.prior.trees}}

    def all(self) -> Values:
        """The same with every quantity computed."""
        for name in self.density.spec.model.quantities:
            self[name]
        return self


def _of_member(spec: Spec, name: str, value: Any, member: Mapping[str, int]) -> Any:
    """A quantity's value for the members of groups that a segment is of."""
    group = getattr(spec.model.quantities.get(name), "per", None)
    if group is None or group not in member:
        return value
    return np.broadcast_to(value, (len(spec.members[group]), _POINTS))[member[group]]


def _add_told(
    spec: Spec, v: Variety, readings: Sequence[Observation], values: Values, score: Floats, precision: Floats
) -> None:
    """Add what readings of one kind tell of each member: how steeply their log-likelihood rises, how fast it bends."""
    method = spec.method(readings[0])
    if method.likelihood.family == "serial" or v.group not in (None, *readings[0].at):
        return
    at = {g: np.array([spec.members[g].index(o.at[g]) for o in readings]) for g in spec.model.groups_of(method)}
    names: dict[str, Any] = {i.name: np.array([[o.inputs[i.name]] for o in readings]) for i in method.inputs}
    for name, value in values.items():
        group = getattr(spec.model.quantities.get(name), "per", None)
        names[name] = np.broadcast_to(value, (len(spec.members[group]), 2))[at[group]] if group in at else value
    names["u"] = np.array([[math.nan if o.u is None else o.u] for o in readings])
    mu = np.broadcast_to(evaluate(method.measures, names), (len(readings), 2))
    y, u = _on_scale(method, readings, mu, names)
    scale = np.log(mu) if method.likelihood.family == "lognormal" else mu
    slope = (scale[:, 1] - scale[:, 0]) / _STEP
    member = np.zeros(len(readings), dtype=int) if v.group is None else at[v.group]
    seen = np.isfinite(y) & np.isfinite(slope) & (u > 0)
    np.add.at(score, member[seen], (slope * (y - scale[:, 0]) / u**2)[seen])
    np.add.at(precision, member[seen], (slope**2 / u**2)[seen])


def _on_scale(
    method: Method, readings: Sequence[Observation], mu: Floats, names: Mapping[str, Any]
) -> tuple[Floats, Floats]:
    """Readings and their standard uncertainties on the scale of predictions; NaN for a bound."""
    y = np.array([o.value if math.isfinite(o.upper - o.lower) else math.nan for o in readings])
    width = np.array([o.upper - o.lower for o in readings])
    match method.likelihood.family:
        case "poisson":
            return y, np.sqrt(mu[:, 0])
        case "binomial" if method.likelihood.trials is not None:
            n = np.broadcast_to(evaluate(method.likelihood.trials, names), mu.shape)[:, 0]
            return y / n, np.sqrt(mu[:, 0] * (1 - mu[:, 0]) / n)
    stated = np.broadcast_to(evaluate(method.likelihood.u or Ref("u"), names), mu.shape)[:, 0]
    if method.likelihood.family == "lognormal":
        return np.log(y), np.hypot(stated, width / y / math.sqrt(12))
    return y, np.hypot(stated, width / math.sqrt(12))


def _segments(rows: Rows, at: int) -> tuple[int, Floats]:
    """The table of segments, and where the rows that it points to begin."""
    width = rows.table.shape[1]
    table = np.array(rows.segments, dtype=np.float64)
    at += table.size
    table[:, 0] = at + width * table[:, 0]
    return at, table


def compile_density(spec: Spec) -> Density:
    """Compile the density of a Spec, or find it compiled already for a Spec of the same structure.

    Raises
    ------
    InferenceError
        If nothing is unknown: the model has no latent, and its readings share no error.
    """
    layout = Layout(spec)
    if not layout.free:
        raise InferenceError(f"{spec.model.file}: the model has no latent, so that there is nothing to infer")
    return Density(spec, layout, _compile(emit(layout) + _ENTRIES + _preconditioned(len(layout.free))))


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

def slopes(points: int, dim: int, x: Array, g: Array, out: Array, d: Array) -> int:
    for i in range(points):
        out[i] = log_density(x[i * dim:], g[i * dim:], d)
    return 0
"""
"""How the sampler enters a density (4 and 3 tell it of a value or a slope that is not finite), and many points do."""


def _preconditioned(size: int) -> str:
    """How the sampler enters a density along the axes of a ``Metric``, which stands before the dials."""
    if not 0 < size <= MOST_AXES:
        return ""
    root, dials = size, size + size * size
    return f"""
def preconditioned(dim: int, z: Array, g: Array, out: Array, d: Array) -> int:
    x = zeros({size})
    h = zeros({size})
    for i in range({size}):
        x[i] = d[i]
        for j in range(i + 1):
            x[i] += d[{root} + i * {size} + j] * z[j]
    out[0] = log_density(x, h, d[{dials}:])
    if not isfinite(out[0]):
        return 4
    for j in range({size}):
        g[j] = 0.0
        for i in range(j, {size}):
            g[j] += d[{root} + i * {size} + j] * h[i]
        if not isfinite(g[j]):
            return 3
    return 0
"""


@functools.cache
def _compile(source: str) -> Machine:
    return build(source, tails)
