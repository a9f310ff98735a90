"""PyMC's model of a Spec in the coordinates of the compiled density, to be compared with it.

A coordinate ``x`` stands for ``t = base + slope * x`` of PyMC's value variable, where base and slope are numbers, or
rest on other quantities where a parameter of the prior does; or for a value above a floor. So PyMC's log density
gains the log of what a step of each ``x`` moves ``t`` by.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytensor
import pytensor.tensor as pt
from pytensor.compile.mode import Mode
from pytensor.graph.replace import clone_replace

from gaugeglass.inference import graph
from gaugeglass.inference.density import Dials, Floats, compile_density
from gaugeglass.inference.layout import FreeVariable
from gaugeglass.language.expressions import Const, Node, Op, Ref
from gaugeglass.language.spec import Latent, Spec

LOCATIONS: dict[str, Any] = {
    "normal": lambda p: (p["mean"], p["sd"]),
    "lognormal": lambda p: (p["mu"], p["sigma"]),
    "student_t": lambda p: (p["mean"], p["scale"]),
    "half_normal": lambda p: (pt.log(p["sd"]), 1.0),
    "exponential": lambda p: (pt.log(p["mean"]), 1.0),
}
"""What a coordinate's distance from its prior is counted from and in, on the unconstrained scale."""


class Twin:
    """Both densities of a Spec, and PyMC's as a function of the coordinates of the other."""

    def __init__(self, spec: Spec) -> None:
        self.spec, self.density, self.model = spec, compile_density(spec), graph.build(spec)
        self.x, self.centre, self.spread, self.floor, self.keeps = (pt.dvector(n) for n in ("x", "c", "s", "f", "k"))
        self.told, self.precision = pt.dvector("told"), pt.dvector("precision")
        self.places = self._places()
        self.function = self._compile()

    def _places(self) -> dict[str, list[int]]:
        """Where the elements of each variable stand in ``x``."""
        flat = {_key(free): k for k, free in enumerate(self.density.free)}
        found: dict[str, list[int]] = {}
        for free in graph.free_variables(self.spec):
            found.setdefault(free.variety, []).append(flat.pop(_key(free)))
        assert not flat
        assert set(found) == {v.name for v in self.model.free_RVs}
        return found

    def _compile(self) -> Any:
        model, stands, terms = self.model, {}, []
        values = dict(zip(model.free_RVs, model.logp(vars=model.free_RVs, sum=False), strict=True))
        for variable, term in values.items():
            at = self.places[variable.name]
            x = self.x[at]
            t, log_slope = self._stands_for(variable, at, x)
            value = model.rvs_to_values[variable]
            (t,) = clone_replace([t if value.ndim else t[0]], stands) if stands else [t if value.ndim else t[0]]
            stands[value] = t
            each = pt.sum(term) + pt.sum(log_slope)
            # where a prior that rests on quantities does not hold, the flat density keeps its coordinate standard normal
            terms.append(pt.switch(self.keeps[at[0]], each, pt.sum(-0.5 * x**2 - 0.5 * np.log(2 * np.pi))))
        others = [*model.observed_RVs, *model.potentials]
        terms += [pt.sum(term) for term in (model.logp(vars=others, sum=False) if others else [])]
        # a sum of more than 32 terms is beyond a ufunc
        whole, *rest = clone_replace([pt.sum(pt.stack(terms)), *self._quantities()], stands)
        inputs = [self.x, self.centre, self.spread, self.told, self.precision, self.floor, self.keeps]
        outputs = [whole, pytensor.grad(whole, self.x), *rest]
        return pytensor.function(inputs, outputs, mode=Mode("py", "merge"), on_unused_input="ignore")

    def _quantities(self) -> list[Any]:
        names = [q.name for q in (*self.spec.model.latents, *self.spec.model.relations)]
        return list(self.model.replace_rvs_by_values([self.model[name] for name in names]))

    def _stands_for(self, variable: Any, at: list[int], x: Any) -> tuple[Any, Any]:
        """The value variable that coordinates stand for, and the log of how far a step of each moves it."""
        free = self.density.free[at[0]]
        centre, spread = self.centre[at], self.spread[at]
        if not free.latent:
            return x, pt.zeros_like(x)
        if free.trees:
            latent = next(q for q in self.spec.model.latents if q.name == free.latent)
            location, width = LOCATIONS[free.family](self._parameters(free, latent))
            weight = self.precision[at] * width**2  # of the readings, beside the prior
            slope = width / pt.sqrt(1 + weight)
            return (location + weight * self.told[at]) / (1 + weight) + slope * x, pt.log(slope)
        near = centre + spread * x
        if free.latent not in self.density.layout.floored:
            return near, pt.log(spread)
        lower, upper = self.density.prior(free, self.spec.hypotheses[0].name).bounds
        floor = self.floor[at]
        if np.isinf(upper):
            above = floor - lower + pt.exp(near)
            return pt.log(above), pt.log(spread) + near - pt.log(above)
        share = pt.sigmoid(near)
        value = floor + (upper - floor) * share
        step = spread * (upper - floor) * share * (1 - share)
        return pt.log(value - lower) - pt.log(upper - value), pt.log(step * (1 / (value - lower) + 1 / (upper - value)))

    def _parameters(self, free: FreeVariable, latent: Latent) -> dict[str, Any]:
        trees = {name: self._tensor(tree) for name, tree in free.trees}
        numbers = next(p.values for h in self.spec.hypotheses if free.has_form(p := h.prior(latent)))
        return {**numbers, **dict(zip(trees, self.model.replace_rvs_by_values([*trees.values()]), strict=True))}

    def _tensor(self, node: Node) -> Any:
        match node:
            case Const(value):
                return pt.constant(np.float64(value))
            case Ref(name):
                return self.model[name]
            case Op("sum" | "mean" as op, (arg,)):
                return getattr(pt, op)(self._tensor(arg))
            case Op(op, args):
                return graph.OPERATIONS[op](*map(self._tensor, args))

    # --- the two compared -------------------------------------------------------------------------------------

    def set_powers(self, power: Mapping[str, float]) -> None:
        """Weigh observations in the PyMC model."""
        for data in self.model.data_vars:
            if (data.name or "").rstrip("_").endswith("_power"):
                (dim,) = self.model.named_vars_to_dims[data.name]
                self.model.set_data(data.name, np.array([power.get(i, 1.0) for i in self.model.coords[dim]]))

    def pymc(self, x: Floats, dials: Dials) -> tuple[float, Floats, dict[str, Floats]]:
        """PyMC's log density, its gradient and its quantities at coordinates of the other."""
        density, name = self.density, dials.hypothesis
        (dial,) = (d for d in self.model.data_vars if (d.name or "").rstrip("_") == "hypothesis")
        self.model.set_data(dial.name, float([h.name for h in self.spec.hypotheses].index(name)))
        self.set_powers(dials.power)
        forms = {v.name: density.form_dials(v, dials) for v in density.layout.varieties}
        blank = {"centre": 0.0, "spread": 1.0, "floor": 0.0}
        rows = [forms.get(free.variety, blank) for free in density.free]
        keeps = np.array([not free.trees or density.is_active(free, name) for free in density.free], dtype=np.float64)
        told = np.array([density.told[f.variety][:, f.member or 0] if f.trees else np.zeros(2) for f in density.free]).T
        vectors = [np.array([row[what] for row in rows]) for what in ("centre", "spread")]
        floor = np.array([row["floor"] for row in rows])
        value, gradient, *quantities = self.function(x, *vectors, *(told * keeps), floor, keeps)
        names = [q.name for q in (*self.spec.model.latents, *self.spec.model.relations)]
        return float(value), gradient, dict(zip(names, quantities, strict=True))

    def check(self, x: Floats, dials: Dials, *, absolute: float = 0.0) -> None:
        """Assert that value, gradient and quantities agree to 1e-9 of their size, the gradient's of its greatest part.

        ``absolute`` is an error of the value that is allowed; a gradient may then be off by a hundred times as much.
        """
        value, gradient, quantities = self.pymc(x, dials)
        flat, slope = self.density.log_density(x, self.density.pack(dials))
        assert np.isfinite(value)
        assert np.isfinite(gradient).all()
        np.testing.assert_allclose(flat, value, rtol=1e-9, atol=absolute)
        np.testing.assert_allclose(slope, gradient, rtol=1e-9, atol=1e-9 * np.abs(gradient).max() + 100 * absolute)
        found = self.density.quantities(x, dials)
        for name, wanted in quantities.items():
            np.testing.assert_allclose(found[name] if name in found else np.stack([found[k] for k in _members(self.spec, name)]),
                                       wanted, rtol=1e-9, err_msg=name)  # fmt: skip


def _members(spec: Spec, name: str) -> list[str]:
    quantity = spec.model.quantities[name]
    per = getattr(quantity, "per", None)
    return [f"{name}[{m}]" for m in spec.members[per]] if per else [name]


def _key(free: FreeVariable) -> tuple[object, ...]:
    """What a coordinate is, whatever it is called."""
    return (free.latent, free.family, free.trees, free.member) if free.latent else (free.name,)


def agree(spec: Spec, *, seed: int = 4, points: int = 3, power: Mapping[str, float] | None = None,
          told: tuple[float, float] | None = None) -> Twin:  # fmt: skip
    """Compare both densities of a Spec at random points of the prior under every hypothesis.

    ``told`` is a value and its precision that readings are taken to tell of every value in a hierarchy, whatever they do.
    """
    twin = Twin(spec)
    if told is not None:
        forms = [v for v in twin.density.layout.varieties if v.prior.trees]
        twin.density.__dict__["told"] = {v.name: np.tile(np.array(told)[:, None], v.size) for v in forms}
    rng = np.random.default_rng(seed)
    for hypothesis in spec.hypotheses:
        dials = twin.density.dials(hypothesis.name, power=power)
        for _ in range(points):
            twin.check(rng.normal(size=len(twin.density.free)), dials)
    return twin
