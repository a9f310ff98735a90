"""Priors as they are written: a family with its parameters or with quantiles."""

from __future__ import annotations

import math
from collections.abc import Mapping

from gaugeglass.language.families import FAMILIES, KINDS, WRITABLE, Prior, PriorError, make_prior, prior_from_quantiles
from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import (
    Notes,
    as_percentage,
    mapping,
    measured_in,
    nearest,
    number,
    positive,
    stated_number,
)
from gaugeglass.language.units import ONE, Unit

_WITH_NU = ("student_t", "half_student_t")
_TRUNCATED = ("mean", "sd", "lower", "upper")
_ORDINARY = {
    "mu": (-300.0, 300.0), "sigma": (1e-3, 20.0), "nu": (0.5, 1e5), "shape": (0.5, 1e5), "alpha": (0.5, 1e5),
    "beta": (0.5, 1e5),
}  # fmt: skip
"""Between what pure parameters are ordinary. [1]"""


def read_prior(node: Located, unit: Unit, notes: Notes) -> Prior | None:
    """A prior in the unit of its quantity, or None once its faults are noted."""
    entries = mapping(node, notes)
    family = _family(node, entries, notes)
    if family is None:
        return None
    if family == "beta" and unit.dimension.powers:
        notes.fault(entries["family"], f"'beta' for [{unit.dimension}]", "beta for pure numbers from 0 to 1 only")
        return None
    if not _keys_are_known(family, entries, notes):
        return None
    read = _from_quantiles if "quantiles" in entries else _from_parameters
    return read(node, family, unit, notes)


def _family(node: Located, entries: Mapping[str, Located], notes: Notes) -> str | None:
    if "from" in entries:
        notes.fault(
            entries["from"],
            "a table to fit a prior to",
            "a family with parameters or quantiles; tables are not read yet",
        )
        return None
    if "family" not in entries:
        if isinstance(node.content, Mapping):
            notes.missing(node, "family", ", ".join(WRITABLE))
        return None
    found = entries["family"]
    if found.text not in WRITABLE:
        kind = show(found.text) if found.is_scalar else found.kind
        notes.fault(found, kind, ", ".join(WRITABLE), nearest(found.text, WRITABLE))
        return None
    return found.text


def _parameters(family: str) -> tuple[str, ...]:
    """Every parameter that a family may be written with, in the order of its forms."""
    if family == "truncated_normal":
        return _TRUNCATED
    return tuple(dict.fromkeys(p for form in FAMILIES[family].forms for p in form))


def _keys_are_known(family: str, entries: Mapping[str, Located], notes: Notes) -> bool:
    allowed = (*_parameters(family), *(() if family in ("triangular", "truncated_normal") else ("quantiles",)))
    unknown = [key for key in entries if key not in ("family", *allowed)]
    for key in unknown:
        forms = f"{family} takes {_forms(family)}"
        notes.fault(entries[key], f"parameter {show(key)}", forms, nearest(key, allowed))
    return not unknown


def _forms(family: str) -> str:
    if family == "truncated_normal":
        return "mean, sd and lower or upper or both"
    forms = [", ".join(form) for form in FAMILIES[family].forms]
    if family != "triangular":
        forms.append("nu and quantiles" if family in _WITH_NU else "quantiles")
    return ", or ".join(forms)


def _from_parameters(node: Located, family: str, unit: Unit, notes: Notes) -> Prior | None:
    written = {key: child for key, child in node.entries.items() if key != "family"}
    read = {key: _parameter(key, child, unit, notes) for key, child in written.items()}
    values = {key: value for key, value in read.items() if value is not None}
    if len(values) < len(read):
        return None
    if missing := _lacking(family, set(values)):
        notes.fault(node, f"{family} with {', '.join(values) or 'no parameters'}", missing)
        return None
    stated = f"{family}({', '.join(f'{key} {child.text}' for key, child in written.items())})"
    try:
        return _checked(make_prior(family, values, one=1 / unit.factor, stated=stated))
    except (PriorError, ArithmeticError) as problem:
        _note(node, problem, notes)
        return None


def _lacking(family: str, given: set[str]) -> str | None:
    """What a message says is allowed where the parameters given are none of the family's forms."""
    forms = [set(form) for form in FAMILIES[family].forms]
    if family == "truncated_normal":
        forms += [{"mean", "sd", "lower"}, {"mean", "sd", "upper"}]
    return None if given in forms else f"{family} takes {_forms(family)}"


def _parameter(key: str, node: Located, unit: Unit, notes: Notes) -> float | None:
    match KINDS[key]:
        case "value":
            return number(node, unit, notes)
        case "spread":
            return number(node, unit, notes, difference=True)
        case "rate":
            return _rate(node, unit, notes)
        case _:
            return number(node, ONE, notes)


def _rate(node: Located, unit: Unit, notes: Notes) -> float | None:
    """A number in the inverse of a unit."""
    inverse = Unit(f"1/({unit})" if set("*/ ") & set(unit.text) else f"1/{unit}", unit.dimension**-1, 1 / unit.factor)
    stated = stated_number(node, notes)
    if stated is None:
        return None
    if stated[1].dimension != inverse.dimension:
        notes.fault(node, f"{show(node.text)} [{stated[1].dimension}]", measured_in(inverse))
        return None
    return stated[0] * stated[1].factor / inverse.factor


def _from_quantiles(node: Located, family: str, unit: Unit, notes: Notes) -> Prior | None:
    entries = node.entries
    if others := [key for key in entries if key not in ("family", "quantiles", "nu")]:
        notes.fault(entries[others[0]], f"{show(others[0])} beside quantiles", "either parameters or quantiles")
        return None
    nu = positive(entries["nu"], ONE, notes) if "nu" in entries else None
    points = _points(entries["quantiles"], unit, notes)
    if points is None or ("nu" in entries and nu is None) or not _are_enough(entries["quantiles"], family, notes):
        return None
    quantiles = ", ".join(f"{key}: {child.text}" for key, child in entries["quantiles"].entries.items())
    stated = f"{family}({'nu ' + entries['nu'].text + ', ' if 'nu' in entries else ''}{quantiles})"
    try:
        return _checked(prior_from_quantiles(family, points, nu=nu, one=1 / unit.factor, stated=stated))
    except (PriorError, ArithmeticError) as problem:
        _note(entries["quantiles"], problem, notes)
        return None


def _are_enough(node: Located, family: str, notes: Notes) -> bool:
    needed, found = min(FAMILIES[family].free, 2), len(node.entries)
    if found != needed:
        notes.fault(node, _quantiles(found), f"{_quantiles(needed)} of {family}")
    return found == needed


def _quantiles(count: int) -> str:
    return f"{count} quantile{'' if count == 1 else 's'}"


def _points(node: Located, unit: Unit, notes: Notes) -> dict[float, float] | None:
    points: dict[float, float] = {}
    entries = mapping(node, notes)
    for key, child in entries.items():
        at = Located(key, child.path, child.line, key)
        q, value = number(at, ONE, notes), number(child, unit, notes)
        if q is not None and not 0 < q < 1:
            notes.fault(at, f"quantile {show(key)}", "a probability between 0 % and 100 %", as_percentage(at, q))
        elif q is not None and value is not None:
            points[q] = value
    return points if entries and len(points) == len(entries) else None


def is_ordinary(prior: Prior) -> bool:
    """Whether the parameters are far from any for which a quantile could not be computed, so that none is tried."""
    p, (lower, upper) = prior.values, prior.bounds
    pure = all(low <= p[key] <= high for key, (low, high) in _ORDINARY.items() if key in p)
    sizes = [abs(p[key]) for key in p.keys() & KINDS.keys() - _ORDINARY.keys() if p[key]]
    wide = upper == math.inf or lower == -math.inf or upper - lower > 1e-6 * max(abs(lower), abs(upper))
    inside = "truncated" not in prior.family or lower - 5 * p["sd"] < p["mean"] < upper + 5 * p["sd"]
    return pure and all(1e-4 < size < 1e6 for size in sizes) and wide and inside


def is_computable(prior: Prior) -> bool:
    """Whether the quantiles, the scale and the normaliser are finite numbers."""
    import numpy as np

    with np.errstate(all="ignore"):
        quantiles = prior.ppf(np.array([1e-3, 0.5, 0.999]))
        computed = np.array([*quantiles, prior.centre, prior.spread, prior.log_normaliser])
    return bool(np.isfinite(computed).all()) and prior.spread > 0


def _checked(prior: Prior) -> Prior:
    if not (is_ordinary(prior) or is_computable(prior)):
        raise PriorError(f"{prior.stated}, whose quantiles cannot be computed", "parameters of a proper distribution")
    return prior


def _note(node: Located, problem: PriorError | ArithmeticError, notes: Notes) -> None:
    if isinstance(problem, PriorError):
        notes.fault(node, problem.found, problem.allowed)
    else:
        notes.fault(node, "parameters too extreme to compute with", "parameters of a proper distribution")
