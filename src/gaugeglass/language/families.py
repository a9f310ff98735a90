"""Families of priors: a table with one row a family.

A quantity ``v`` is sampled through an unconstrained ``t``: ``v = t`` on the real line, ``lower + exp(t)``
above a bound, ``upper - exp(t)`` below one, and ``lower + (upper - lower) * p`` with ``p = 1 / (1 + exp(-t))``
between two. Each row states its log density *of t*, the Jacobian included, as a tree over ``t``, ``v``,
``below = log p``, ``above = log(1 - p)`` and its parameters, and apart from it the log of its normaliser.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from gaugeglass.language.expressions import Const, Node, Op, Ref, evaluate
from gaugeglass.language.late import Late

if TYPE_CHECKING:
    import numpy as np
    from scipy import special
else:
    np, special = Late("numpy"), Late("scipy.special")

type Support = Literal["real", "above", "below", "between"]
type Parameters = Mapping[str, float]

_HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)


class PriorError(ValueError):
    """A prior's parameters cannot be; ``found`` and ``allowed`` say why."""

    def __init__(self, found: str, allowed: str) -> None:
        super().__init__(f"{found}: {allowed}")
        self.found, self.allowed = found, allowed


@dataclass(frozen=True, slots=True)
class Family:
    """One row of the table.

    ``forms`` lists the ways its parameters may be written, the first being its own; ``kinds`` says for each
    parameter whether it is in the quantity's unit ("value"), a difference in it ("spread") or a pure number
    ("pure"). ``ppf(q, parameters)`` is the quantile function, in the quantity's unit.
    """

    name: str
    support: Support
    parameters: tuple[str, ...]
    forms: tuple[tuple[str, ...], ...]
    kernel: Node
    log_normaliser: Callable[[Parameters], float]
    ppf: Callable[[Any, Parameters], Any]
    convert: Callable[[dict[str, float]], dict[str, float]]
    free: int


KINDS = {
    "mean": "value", "median": "value", "lower": "value", "upper": "value", "mode": "value", "sd": "spread",
    "scale": "spread", "sigma": "pure", "nu": "pure", "shape": "pure", "rate": "rate", "alpha": "pure", "beta": "pure",
}  # fmt: skip
"""What a parameter is measured in: the quantity's unit, a difference in it, its inverse, or a pure number."""


# --- trees --------------------------------------------------------------------------------------------------


def _op(op: str, *args: Node | float | str) -> Node:
    return Op(op, tuple(_node(a) for a in args))


def _node(a: Node | float | str) -> Node:
    if isinstance(a, str):
        return Ref(a)
    return Const(float(a)) if isinstance(a, int | float) else a


def _square(value: str, centre: str, spread: str) -> Node:
    z = _op("div", _op("sub", value, centre), spread)
    return _op("mul", -0.5, _op("mul", z, z))


def _student(z: Node) -> Node:
    heavy = _op("log", _op("add", 1.0, _op("div", _op("mul", z, z), "nu")))
    return _op("mul", _op("mul", -0.5, _op("add", "nu", 1.0)), heavy)


_INSIDE = _op("add", "below", "above")


# --- parameters ---------------------------------------------------------------------------------------------


def _same(p: dict[str, float]) -> dict[str, float]:
    return p


def _positive(p: Mapping[str, float], *required: str) -> None:
    for name in required:
        if not p[name] > 0:
            raise PriorError(f"{name} {p[name]:g}", f"{name} above 0")


def _spread(*required: str) -> Callable[[dict[str, float]], dict[str, float]]:
    def check(p: dict[str, float]) -> dict[str, float]:
        _positive(p, *required)
        return p

    return check


def _lognormal(p: dict[str, float]) -> dict[str, float]:
    if "median" in p:
        _positive(p, "median", "sigma")
        return {"mu": math.log(p["median"]), "sigma": p["sigma"]}
    _positive(p, "mean", "sd")
    variance = math.log1p((p["sd"] / p["mean"]) ** 2)
    return {"mu": math.log(p["mean"]) - variance / 2, "sigma": math.sqrt(variance)}


def _gamma(p: dict[str, float]) -> dict[str, float]:
    if "shape" in p:
        _positive(p, "shape", "rate")
        return p
    _positive(p, "mean", "sd")
    return {"shape": (p["mean"] / p["sd"]) ** 2, "rate": p["mean"] / p["sd"] ** 2}


def _beta(p: dict[str, float]) -> dict[str, float]:
    """Shapes from mean and sd, which are in the quantity's unit; ``upper`` is 1 in that unit."""
    if "alpha" in p:
        _positive(p, "alpha", "beta")
        return p
    upper = p["upper"]
    mean, sd = p["mean"] / upper, p["sd"] / upper
    if not 0 < mean < 1:
        raise PriorError(f"mean {mean:g}", "a mean between 0 and 1")
    if not 0 < sd**2 < mean * (1 - mean):
        raise PriorError(
            f"sd {sd:g}", f"an sd above 0 and below {math.sqrt(mean * (1 - mean)):.4g}, as the mean allows"
        )
    size = mean * (1 - mean) / sd**2 - 1
    return {"alpha": mean * size, "beta": (1 - mean) * size, "lower": p["lower"], "upper": upper}


def _ordered(*required: str) -> Callable[[dict[str, float]], dict[str, float]]:
    def check(p: dict[str, float]) -> dict[str, float]:
        if not p["lower"] < p["upper"]:
            raise PriorError(f"lower {p['lower']:g} and upper {p['upper']:g}", "a lower below the upper")
        _positive(p, *required)
        return p

    return check


def _triangular(p: dict[str, float]) -> dict[str, float]:
    _ordered()(p)
    if not p["lower"] <= p["mode"] <= p["upper"]:
        raise PriorError(f"mode {p['mode']:g}", "a mode from lower to upper")
    share = (p["mode"] - p["lower"]) / (p["upper"] - p["lower"])
    # a side without width is never used, except where rounding puts v on the mode: there it has to be finite
    return p | {"log_rise": math.log(share) if share > 0 else 0.0, "log_fall": math.log1p(-share) if share < 1 else 0.0}


# --- normalisers and quantiles ------------------------------------------------------------------------------


def _log_student(p: Parameters) -> float:
    nu = p["nu"]
    return (
        float(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2))
        - 0.5 * math.log(nu * math.pi)
        - math.log(p["scale"])
    )


def _log_mass(a: float, b: float) -> float:
    """Log of the standard normal probability between a and b, in the lower tail for accuracy."""
    if a > 0:
        a, b = -b, -a
    upper, lower = special.log_ndtr(b), special.log_ndtr(a)
    return float(upper + np.log1p(-np.exp(lower - upper)))


def _edges(p: Parameters) -> tuple[float, float]:
    lower, upper = p.get("lower", -math.inf), p.get("upper", math.inf)
    return (lower - p["mean"]) / p["sd"], (upper - p["mean"]) / p["sd"]


def _log_truncated(p: Parameters) -> float:
    width = math.log(p["upper"] - p["lower"]) if "lower" in p and "upper" in p else 0.0
    return width - math.log(p["sd"]) - _HALF_LOG_2PI - _log_mass(*_edges(p))


def _ppf_truncated(q: Any, p: Parameters) -> Any:
    a, b = _edges(p)
    if a > 0:  # in the upper tail, where the distribution function has no digits left, by symmetry
        low, high = special.ndtr(-a), special.ndtr(-b)
        return p["mean"] - p["sd"] * special.ndtri(low - np.asarray(q) * (low - high))
    low, high = special.ndtr(a), special.ndtr(b)
    return p["mean"] + p["sd"] * special.ndtri(low + np.asarray(q) * (high - low))


def _ppf_triangular(q: Any, p: Parameters) -> Any:
    width, rise = p["upper"] - p["lower"], p["mode"] - p["lower"]
    q = np.asarray(q, dtype=np.float64)
    low = p["lower"] + np.sqrt(q * width * rise)
    high = p["upper"] - np.sqrt((1 - q) * width * (p["upper"] - p["mode"]))
    return np.where(q < rise / width, low, high)


def _middle_of_triangle(lower: float, mode: float, upper: float) -> float:
    """The median: half of the triangle lies on the side of the mode that is the longer one."""
    width = upper - lower
    if mode - lower > width / 2:
        return lower + math.sqrt(width * (mode - lower) / 2)
    return upper - math.sqrt(width * (upper - mode) / 2)


def _row(name: str, support: Support, parameters: str, kernel: Node, log_normaliser: Any, ppf: Any, convert: Any,
         *, forms: tuple[str, ...] = (), free: int = 2) -> Family:  # fmt: skip
    split = tuple(tuple(f.split()) for f in (forms or (parameters,)))
    return Family(name, support, tuple(parameters.split()), split, kernel, log_normaliser, ppf, convert, free)


_TRUNCATED = _square("v", "mean", "sd")

FAMILIES: dict[str, Family] = {
    row.name: row
    for row in (
        _row("normal", "real", "mean sd", _square("t", "mean", "sd"), lambda p: -math.log(p["sd"]) - _HALF_LOG_2PI,
             lambda q, p: p["mean"] + p["sd"] * special.ndtri(q), _spread("sd")),
        _row("lognormal", "above", "mu sigma", _square("t", "mu", "sigma"),
             lambda p: -math.log(p["sigma"]) - _HALF_LOG_2PI,
             lambda q, p: np.exp(p["mu"] + p["sigma"] * special.ndtri(q)), _lognormal,
             forms=("median sigma", "mean sd")),
        _row("student_t", "real", "nu mean scale", _student(_op("div", _op("sub", "t", "mean"), "scale")), _log_student,
             lambda q, p: p["mean"] + p["scale"] * special.stdtrit(p["nu"], q), _spread("nu", "scale")),
        _row("half_normal", "above", "sd", _op("add", "t", _op("mul", -0.5, _op("mul", _op("div", "v", "sd"), _op("div", "v", "sd")))),
             lambda p: math.log(2) - math.log(p["sd"]) - _HALF_LOG_2PI,
             lambda q, p: p["sd"] * special.ndtri(0.5 + np.asarray(q) / 2), _spread("sd"), free=1),
        _row("half_student_t", "above", "nu scale", _op("add", "t", _student(_op("div", "v", "scale"))),
             lambda p: math.log(2) + _log_student(p),
             lambda q, p: p["scale"] * special.stdtrit(p["nu"], 0.5 + np.asarray(q) / 2), _spread("nu", "scale"), free=1),
        _row("exponential", "above", "mean", _op("sub", "t", _op("div", "v", "mean")), lambda p: -math.log(p["mean"]),
             lambda q, p: -p["mean"] * np.log1p(-np.asarray(q)), _spread("mean"), free=1),
        _row("gamma", "above", "shape rate", _op("sub", _op("mul", "shape", "t"), _op("mul", "rate", "v")),
             lambda p: p["shape"] * math.log(p["rate"]) - float(special.gammaln(p["shape"])),
             lambda q, p: special.gammaincinv(p["shape"], q) / p["rate"], _gamma, forms=("mean sd", "shape rate")),
        _row("beta", "between", "alpha beta", _op("add", _op("mul", "alpha", "below"), _op("mul", "beta", "above")),
             lambda p: -float(special.betaln(p["alpha"], p["beta"])),
             lambda q, p: p["upper"] * special.betaincinv(p["alpha"], p["beta"], q), _beta, forms=("mean sd", "alpha beta")),
        _row("uniform", "between", "lower upper", _INSIDE, lambda p: 0.0,
             lambda q, p: p["lower"] + (p["upper"] - p["lower"]) * np.asarray(q), _ordered()),
        _row("log_uniform", "between", "lower upper", _op("sub", _INSIDE, _op("log", "v")),
             lambda p: math.log(p["upper"] - p["lower"]) - math.log(math.log(p["upper"] / p["lower"])),
             lambda q, p: p["lower"] * (p["upper"] / p["lower"]) ** np.asarray(q), _ordered("lower")),
        _row("triangular", "between", "lower mode upper log_rise log_fall",
             _op("add", _INSIDE, _op("where", _op("lt", "v", "mode"), _op("sub", "below", "log_rise"), _op("sub", "above", "log_fall"))),
             lambda p: math.log(2), _ppf_triangular, _triangular, forms=("lower mode upper",), free=3),
        _row("truncated_normal", "between", "mean sd lower upper", _op("add", _INSIDE, _TRUNCATED), _log_truncated,
             _ppf_truncated, _ordered("sd"), free=4),
        _row("truncated_normal_above", "above", "mean sd lower", _op("add", "t", _TRUNCATED), _log_truncated,
             _ppf_truncated, _spread("sd"), free=3),
        _row("truncated_normal_below", "below", "mean sd upper", _op("add", "t", _TRUNCATED), _log_truncated,
             _ppf_truncated, _spread("sd"), free=3),
    )
}  # fmt: skip
"""Every family by its name; the two one-sided truncations are written ``truncated_normal`` with one bound."""

_MEDIANS: dict[str, Callable[[Parameters], float]] = {
    "normal": lambda p: p["mean"],
    "student_t": lambda p: p["mean"],
    "lognormal": lambda p: math.exp(p["mu"]),
    "half_normal": lambda p: p["sd"] * _standard_normal(0.75),
    "exponential": lambda p: p["mean"] * math.log(2),
    "uniform": lambda p: (p["lower"] + p["upper"]) / 2,
    "log_uniform": lambda p: math.sqrt(p["lower"] * p["upper"]),
    "triangular": lambda p: _middle_of_triangle(p["lower"], p["mode"], p["upper"]),
}

MAY_BE_QUANTITIES: dict[str, tuple[str, ...]] = {
    "normal": ("mean", "sd"),
    "lognormal": ("median", "sigma"),
    "student_t": ("mean", "scale"),
    "half_normal": ("sd",),
    "exponential": ("mean",),
}
"""The parameters, as they are written, that may rest on quantities; the first is where the family is, if it has two."""

WRITABLE = tuple(sorted(n for n in FAMILIES if not n.startswith("truncated_normal_")))

FITTED = ("beta", "gamma", "lognormal", "normal")
"""The families that are fitted to a table of values."""


@dataclass(frozen=True, slots=True)
class Prior:
    """A family with its parameters, in the unit of the quantity; ``stated`` is how it was written.

    Parameters that rest on quantities stand in ``trees``, by the names that the family's row gives its own parameters;
    those that are plain numbers stand in ``parameters`` alone. ``parameters`` always has every parameter: for one with a
    tree, its value where all that the tree rests on is at its prior median (a hypothesis's prior: under that hypothesis;
    givens: as the dossier states them). So ``ppf``, ``centre``, ``spread`` and ``log_normaliser`` are those of the prior
    there, and no more than typical; the density at a point has the value of each tree at that point in place of the
    parameter. The names that may stand in ``trees``, and what each tree is in:

    ============= ==================================================================================================
    family        trees
    ============= ==================================================================================================
    normal        ``mean`` [unit], ``sd`` [unit, a difference]
    lognormal     ``mu`` [1], the logarithm of the median in the unit: ``Op("log", (median,))``; ``sigma`` [1]
    student_t     ``mean`` [unit], ``scale`` [unit, a difference]; ``nu`` [1] is always a number
    half_normal   ``sd`` [unit, a difference]
    exponential   ``mean`` [unit]
    ============= ==================================================================================================

    A tree names givens, latents and relations, none of which rests on the quantity itself under any hypothesis
    (``Model.order`` has each after what it rests on). The prior of a latent with one value a member may name quantities
    of the same group, which stand for that member's value.
    """

    family: str
    parameters: tuple[tuple[str, float], ...]
    stated: str = ""
    trees: tuple[tuple[str, Node], ...] = ()

    @property
    def row(self) -> Family:
        """The family's row of the table."""
        return FAMILIES[self.family]

    @property
    def values(self) -> dict[str, float]:
        """Parameters by name."""
        return dict(self.parameters)

    @property
    def bounds(self) -> tuple[float, float]:
        """Least and greatest value, in the quantity's unit; infinite where there is none."""
        p, support = self.values, self.row.support
        lower = p.get("lower", 0.0) if support in ("above", "between") else -math.inf
        return lower, p["upper"] if support in ("below", "between") else math.inf

    def ppf(self, q: Any) -> Any:
        """Quantiles, in the quantity's unit. [1] → [unit]"""
        return self.row.ppf(q, self.values)

    def unconstrained(self, v: Any) -> Any:
        """``t`` for values ``v``, as the module describes it."""
        lower, upper = self.bounds
        v = np.asarray(v, dtype=np.float64)
        match self.row.support:
            case "real":
                return v
            case "above":
                return np.log(v - lower)
            case "below":
                return np.log(upper - v)
            case "between":
                return np.log(v - lower) - np.log(upper - v)

    def constrained(self, t: Any) -> Any:
        """Values ``v`` for unconstrained ``t``, as the module describes it."""
        lower, upper = self.bounds
        match self.row.support:
            case "real":
                return np.asarray(t, dtype=np.float64)
            case "above":
                return lower + np.exp(t)
            case "below":
                return upper - np.exp(t)
            case "between":
                return lower + (upper - lower) * special.expit(t)

    @property
    def median(self) -> float:
        """The median, in the quantity's unit; of the most usual families without loading SciPy."""
        at_once = _MEDIANS.get(self.family)
        return at_once(self.values) if at_once else float(self.ppf(0.5))

    def log_density(self, t: Any) -> Any:
        """Log density of unconstrained ``t``, normalised over it. [nat]"""
        names = {"t": t, "v": self.constrained(t), "below": -np.logaddexp(0, -t), "above": -np.logaddexp(0, t)}
        with np.errstate(all="ignore"):
            return evaluate(self.row.kernel, {**self.values, **names}) + self.log_normaliser

    @property
    def log_normaliser(self) -> float:
        """What the kernel lacks to integrate to 1 over ``t``."""
        return self.row.log_normaliser(self.values)

    @property
    def centre(self) -> float:
        """The median on the unconstrained scale."""
        return _standardisation(self)[0]

    @property
    def spread(self) -> float:
        """Half of the central 68.27 % interval on the unconstrained scale: a normal's standard deviation."""
        return _standardisation(self)[1]


@functools.lru_cache(maxsize=1024)
def _standardisation(prior: Prior) -> tuple[float, float]:
    one_sigma = special.ndtr(1.0)
    low, middle, high = prior.unconstrained(prior.ppf(np.array([1 - one_sigma, 0.5, one_sigma])))
    return float(middle), abs(float(high - low)) / 2


def make_prior(family: str, written: Mapping[str, float], *, one: float = 1.0, stated: str = "") -> Prior:
    """A prior from parameters as they may be written, in the unit of the quantity; ``one`` is 1 in that unit.

    Raises
    ------
    PriorError
        If the parameters are none of the family's forms, or cannot be.
    """
    row = FAMILIES[family]
    given = dict(written)
    if family == "truncated_normal" and set(given) in ({"mean", "sd", "lower"}, {"mean", "sd", "upper"}):
        return make_prior(f"{family}_{'above' if 'lower' in given else 'below'}", given, stated=stated)
    if set(given) not in [set(form) for form in row.forms]:
        allowed = " or ".join(", ".join(form) for form in row.forms)
        raise PriorError(", ".join(given) or "no parameters", f"{family} takes {allowed}")
    if family == "beta":
        given |= {"lower": 0.0, "upper": one}
    return Prior(family, tuple(row.convert(given).items()), stated)


def prior_over_quantities(family: str, numbers: Mapping[str, float], trees: Mapping[str, Node], *,
                          stated: str = "") -> Prior:  # fmt: skip
    """A prior some of whose parameters are trees, by their written names; ``settled`` gives it their values.

    Raises
    ------
    PriorError
        If one of the numbers cannot be.
    """
    row = FAMILIES[family]
    values = row.convert({**numbers, **dict.fromkeys(trees, 1.0)})  # any value will do to check the numbers by
    own = dict(("mu", _op("log", tree)) if name == "median" else (name, tree) for name, tree in trees.items())
    return Prior(
        family, tuple((n, math.nan if n in own else values[n]) for n in row.parameters), stated, tuple(own.items())
    )


def settled(prior: Prior, value: Callable[[Node], float]) -> Prior:
    """The same prior, its parameters that are trees having the values that ``value`` gives these.

    Raises
    ------
    PriorError
        If one of the values cannot be; NaN stands for one that is not known, and can.
    """
    found = {name: value(tree) for name, tree in prior.trees}
    for name, v in found.items():
        width = name in ("sd", "scale", "sigma") or prior.family == "exponential"
        if math.isinf(v) or (width and v <= 0):
            raise PriorError(f"{name} {v:g}", f"{name} above 0" if width else "a finite number")
    return replace(prior, parameters=tuple((n, found.get(n, v)) for n, v in prior.parameters))


def prior_from_values(family: str, values: Sequence[float], *, one: float = 1.0, stated: str = "") -> Prior:
    """The member of a family with the mean and the sd of some values, or, for lognormal, of their logarithms.

    Raises
    ------
    PriorError
        If a value is outside the family's support, or all are the same.
    """
    from statistics import fmean, stdev

    lowest, greatest = min(values), max(values)
    if family in ("lognormal", "gamma", "beta") and not lowest > 0:
        raise PriorError(f"a value of {lowest:g}", f"values above 0, as {family} needs")
    if family == "beta" and not greatest < one:
        raise PriorError(f"a value of {greatest:g}", f"values below {one:g}, as beta needs")
    natural = [math.log(v) for v in values] if family == "lognormal" else values
    centre, spread = fmean(natural), stdev(natural)
    written = {"median": math.exp(centre), "sigma": spread} if family == "lognormal" else {"mean": centre, "sd": spread}
    return make_prior(family, written, one=one, stated=stated)


def prior_from_quantiles(family: str, quantiles: Mapping[float, float], *, nu: float | None = None, one: float = 1.0,
                         stated: str = "") -> Prior:  # fmt: skip
    """The member of a family with the given quantiles {probability: value}, as many as it has free parameters.

    Raises
    ------
    PriorError
        If the quantiles do not rise, are outside the family's support, or no member has them.
    """
    fit = _FITS.get(family)
    row = FAMILIES[family]
    if fit is None:
        raise PriorError(f"quantiles of {family}", "quantiles of " + ", ".join(sorted(_FITS)))
    needed = 1 if family in ("half_normal", "half_student_t", "exponential") else 2
    points = sorted(quantiles.items())
    if len(points) != needed or not all(0 < q < 1 for q, _ in points):
        raise PriorError(f"{len(points)} quantiles", f"{needed} between 0 % and 100 %")
    values = [v for _, v in points]
    if values != sorted(set(values)):
        raise PriorError("quantiles that do not rise", "a larger value at a larger probability")
    if row.support == "above" and values[0] <= 0:
        raise PriorError(f"quantile {values[0]:g}", "positive values")
    if family == "beta" and not 0 < values[0] < values[-1] < one:
        raise PriorError("quantiles outside 0 to 1", "values between 0 and 1")
    if family in ("student_t", "half_student_t") and nu is None:
        raise PriorError("quantiles without nu", f"{family} takes nu beside its quantiles")
    return make_prior(family, fit(points, nu, one), one=one, stated=stated)


def _standard_normal(q: float) -> float:
    """The quantile of the standard normal for one ``q``, for which SciPy need not be loaded."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(q) if q < 1 else math.inf


def _line(points: list[tuple[float, float]], standard: Callable[[float], Any]) -> tuple[float, float]:
    """Centre and spread for which ``centre + spread * standard(q)`` passes through two points."""
    (q1, v1), (q2, v2) = points
    spread = (v2 - v1) / float(standard(q2) - standard(q1))
    return v1 - spread * float(standard(q1)), spread


def _fit_normal(points: Any, nu: Any, one: float) -> dict[str, float]:
    return dict(zip(("mean", "sd"), _line(points, _standard_normal), strict=True))


def _fit_lognormal(points: Any, nu: Any, one: float) -> dict[str, float]:
    mu, sigma = _line([(q, math.log(v)) for q, v in points], _standard_normal)
    return {"median": math.exp(mu), "sigma": sigma}


def _fit_student(points: Any, nu: Any, one: float) -> dict[str, float]:
    mean, scale = _line(points, lambda q: special.stdtrit(nu, q))
    return {"nu": nu, "mean": mean, "scale": scale}


def _fit_uniform(points: Any, nu: Any, one: float) -> dict[str, float]:
    lower, width = _line(points, float)
    return {"lower": lower, "upper": lower + width}


def _fit_log_uniform(points: Any, nu: Any, one: float) -> dict[str, float]:
    lower, width = _line([(q, math.log(v)) for q, v in points], float)
    return {"lower": math.exp(lower), "upper": math.exp(lower + width)}


def _fit_scale(
    name: str, standard: Callable[[float, Any], Any], *, with_nu: bool = False
) -> Callable[..., dict[str, float]]:
    def fit(points: Any, nu: Any, one: float) -> dict[str, float]:
        ((q, v),) = points
        return {name: v / float(standard(q, nu))} | ({"nu": nu} if with_nu else {})

    return fit


def _fit_shapes(names: tuple[str, str], start: Callable[[float, float], tuple[float, float]],
                ppf: Callable[[float, float, float], float]) -> Callable[..., dict[str, float]]:  # fmt: skip
    """Two positive parameters by root finding on their logs, from the moments of the matching normal."""

    def fit(points: Any, nu: Any, one: float) -> dict[str, float]:
        from scipy import optimize

        scaled = [(q, v / one) for q, v in points]
        first = np.log(start(*_line(scaled, _standard_normal)))

        def misses(logs: Any) -> list[float]:
            return [math.log(max(ppf(q, *np.exp(logs)), 1e-300) / v) for q, v in scaled]

        found = optimize.root(misses, first, method="hybr", tol=1e-13)
        if not np.all(np.abs(misses(found.x)) < 1e-9):
            raise PriorError("quantiles that no member of the family has", "quantiles of the family")
        return {n: float(x) for n, x in zip(names, np.exp(found.x), strict=True)}

    return fit


def _moments_beta(mean: float, sd: float) -> tuple[float, float]:
    mean = min(max(mean, 0.02), 0.98)
    size = max(mean * (1 - mean) / sd**2 - 1, 0.5)
    return mean * size, (1 - mean) * size


def _moments_gamma(mean: float, sd: float) -> tuple[float, float]:
    mean = max(mean, sd / 2)
    return (mean / sd) ** 2, mean / sd**2


_FITS: dict[str, Callable[..., dict[str, float]]] = {
    "normal": _fit_normal, "lognormal": _fit_lognormal, "student_t": _fit_student, "uniform": _fit_uniform,
    "log_uniform": _fit_log_uniform,
    "half_normal": _fit_scale("sd", lambda q, nu: _standard_normal(0.5 + q / 2)),
    "half_student_t": _fit_scale("scale", lambda q, nu: special.stdtrit(nu, 0.5 + q / 2), with_nu=True),
    "exponential": _fit_scale("mean", lambda q, nu: -math.log1p(-q)),
    "beta": _fit_shapes(("alpha", "beta"), _moments_beta, lambda q, a, b: float(special.betaincinv(a, b, q))),
    "gamma": _fit_shapes(("shape", "rate"), _moments_gamma, lambda q, a, r: float(special.gammaincinv(a, q)) / r),
}  # fmt: skip
