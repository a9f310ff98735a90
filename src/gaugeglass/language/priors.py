"""Priors as they are written: a family with its parameters, with quantiles or fitted to a table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from gaugeglass.errors import Fault
from gaugeglass.language.conditions import passes, read_conditions
from gaugeglass.language.expressions import ExpressionError, Node, mentioned
from gaugeglass.language.families import (
    FAMILIES,
    FITTED,
    KINDS,
    MAY_BE_QUANTITIES,
    WRITABLE,
    Prior,
    PriorError,
    make_prior,
    prior_from_quantiles,
    prior_from_values,
    prior_over_quantities,
)
from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import (
    Notes,
    Scope,
    Section,
    as_percentage,
    keys,
    mapping,
    measured_in,
    nearest,
    number,
    positive,
    read_unit,
    stated_number,
    unwritten_unit,
    value_tree,
)
from gaugeglass.language.sheets import Sheet, read_sheet
from gaugeglass.language.units import ONE, Unit, convert
from gaugeglass.language.values import ValueFault, parse_number

_WITH_NU = ("student_t", "half_student_t")
_TRUNCATED = ("mean", "sd", "lower", "upper")
_ORDINARY = {
    "mu": (-300.0, 300.0), "sigma": (1e-3, 20.0), "nu": (0.5, 1e5), "shape": (0.5, 1e5), "alpha": (0.5, 1e5),
    "beta": (0.5, 1e5),
}  # fmt: skip
"""Between what pure parameters are ordinary. [1]"""
_FROM = keys("file column", "unit where")
_FEWEST = 5
"""Values that a prior is fitted to. [1]"""


def read_prior(node: Located, unit: Unit, notes: Notes, scope: Scope | None = None) -> Prior | None:
    """A prior in the unit of its quantity, or None once its faults are noted.

    Parameters that rest on quantities in ``scope`` become trees whose values are left NaN; without it there are none.
    """
    entries = mapping(node, notes)
    family = _family(node, entries, notes)
    if family is None:
        return None
    if family == "beta" and unit.dimension.powers:
        notes.fault(entries["family"], f"'beta' for [{unit.dimension}]", "beta for pure numbers from 0 to 1 only")
        return None
    if not _keys_are_known(family, entries, notes):
        return None
    if "from" in entries:
        return _from_table(node, family, unit, notes)
    if "quantiles" in entries:
        return _from_quantiles(node, family, unit, notes)
    return _from_parameters(node, family, unit, notes, scope)


def _family(node: Located, entries: Mapping[str, Located], notes: Notes) -> str | None:
    if "family" not in entries:
        if isinstance(node.content, Mapping):
            notes.missing(node, "family", ", ".join(FITTED if "from" in entries else WRITABLE))
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
    others = ("quantiles",) if family not in ("triangular", "truncated_normal") else ()
    allowed = (*_parameters(family), *others, *(("from",) if family in FITTED else ()))
    unknown = [key for key in entries if key not in ("family", *allowed)]
    for key in unknown:
        forms = f"{', '.join(FITTED)} from a table" if key == "from" else f"{family} takes {_forms(family)}"
        notes.fault(entries[key], f"parameter {show(key)}", forms, nearest(key, allowed))
    return not unknown


def _forms(family: str) -> str:
    if family == "truncated_normal":
        return "mean, sd and lower or upper or both"
    forms = [", ".join(form) for form in FAMILIES[family].forms]
    if family != "triangular":
        forms.append("nu and quantiles" if family in _WITH_NU else "quantiles")
    return ", or ".join(forms)


def _from_parameters(node: Located, family: str, unit: Unit, notes: Notes, scope: Scope | None) -> Prior | None:
    written = {key: child for key, child in node.entries.items() if key != "family"}
    named = [key for key, child in written.items() if scope and _names_something(child)]
    trees = {key: _tree(key, written[key], family, unit, notes, scope) for key in named} if scope else {}
    numbers = {key: _parameter(key, child, unit, notes) for key, child in written.items() if key not in named}
    found = {key: tree for key, tree in trees.items() if tree is not None}
    values = {key: value for key, value in numbers.items() if value is not None}
    if len(found) + len(values) < len(written):
        return None
    if missing := _lacking(family, set(written)):
        notes.fault(node, f"{family} with {', '.join(written) or 'no parameters'}", missing)
        return None
    stated = f"{family}({', '.join(f'{key} {child.text}' for key, child in written.items())})"
    try:
        if found:
            return prior_over_quantities(family, values, found, stated=stated)
        return checked(make_prior(family, values, one=1 / unit.factor, stated=stated))
    except (PriorError, ArithmeticError) as problem:
        _note(node, problem, notes)
        return None


def _lacking(family: str, given: set[str]) -> str | None:
    """What a message says is allowed where the parameters given are none of the family's forms."""
    forms = [set(form) for form in FAMILIES[family].forms]
    if family == "truncated_normal":
        forms += [{"mean", "sd", "lower"}, {"mean", "sd", "upper"}]
    return None if given in forms else f"{family} takes {_forms(family)}"


def _names_something(node: Located) -> bool:
    """Whether a parameter is an expression with names rather than one number with its unit."""
    try:
        parse_number(node.text)
    except ValueFault:
        try:
            return node.is_scalar and bool(mentioned(node.text))
        except ExpressionError:
            return False
    return False


def _tree(key: str, node: Located, family: str, unit: Unit, notes: Notes, scope: Scope) -> Node | None:
    """A parameter that rests on quantities."""
    if key not in MAY_BE_QUANTITIES.get(family, ()):
        kinds = "; ".join(f"{name}: {', '.join(keys)}" for name, keys in MAY_BE_QUANTITIES.items())
        notes.fault(node, f"{show(node.text)} for {key} of {family}", f"a number; quantities may stand in {kinds}")
        return None
    target = {"value": unit, "spread": unit.step}.get(KINDS[key], ONE)
    return value_tree(node, target, scope, notes)


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
    if inverse.is_never_bare and (slip := unwritten_unit(node, *stated, inverse)):
        notes.fault(node, slip.found, f"a number in {inverse}", slip.hint)
        return None
    return stated[0] * stated[1].factor / inverse.factor


def _from_table(node: Located, family: str, unit: Unit, notes: Notes) -> Prior | None:
    entry = Section(node.entries["from"], _FROM, notes)
    if others := [key for key in node.entries if key not in ("family", "from")]:
        notes.fault(node.entries[others[0]], f"{show(others[0])} beside a table", "either parameters or a table")
        return None
    own = _unit_of_column(entry, unit)
    file, column = entry.text("file"), entry.text("column")
    sheet = _chosen(entry, read_sheet(entry.at("file"), notes)) if file else None
    values = sheet.numbers(entry.at("column"), notes) if sheet and column else None
    if values is None or own is None:
        return None
    if len(values) < _FEWEST:
        notes.fault(entry.at("column"), f"{len(values)} values", f"{_FEWEST} values or more, to fit a prior to")
        return None
    stated = f"{family}(from {len(values)} values of {column} in {file})"
    try:
        converted = [convert(value, own, unit) for value in values]
        return checked(prior_from_values(family, converted, one=1 / unit.factor, stated=stated))
    except (PriorError, ArithmeticError) as problem:
        _note(entry.at("column"), problem, notes)
        return None


def _chosen(entry: Section, sheet: Sheet | None) -> Sheet | None:
    """The rows of a sheet that the conditions ask for; None once a fault is noted."""
    if sheet is None:
        return None
    noted = len(entry.notes.faults)
    conditions = read_conditions(entry, sheet)
    verdicts = [(row, passes(row, conditions, sheet.file)) for row in sheet.rows]
    entry.notes.faults += [verdict for _, verdict in verdicts if isinstance(verdict, Fault)]
    rows = tuple(row for row, verdict in verdicts if verdict is True)
    return replace(sheet, rows=rows) if len(entry.notes.faults) == noted else None


def _unit_of_column(entry: Section, unit: Unit) -> Unit | None:
    if "unit" not in entry:
        if not unit.dimension.powers and not unit.is_never_bare:
            return ONE
        entry.notes.missing(entry.node, "unit", f"the unit of the column, one of {unit.dimension} ({unit})")
        return None
    own = read_unit(entry.at("unit"), entry.notes)
    if own is None or own.dimension == unit.dimension:
        return own
    allowed = f"a unit of {unit.dimension} ({unit})" if unit.dimension.powers else "1 or %"
    entry.notes.fault(entry.at("unit"), f"{show(own.text)} [{own.dimension}]", allowed)
    return None


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
        return checked(prior_from_quantiles(family, points, nu=nu, one=1 / unit.factor, stated=stated))
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


def checked(prior: Prior) -> Prior:
    """The same prior, whose values, where they are known, are far from what cannot be computed.

    Raises
    ------
    PriorError
        If a quantile, the scale or the normaliser is no finite number.
    """
    if any(math.isnan(v) for v in prior.values.values()):
        return prior
    if not (is_ordinary(prior) or is_computable(prior)):
        raise PriorError(f"{prior.stated}, whose quantiles cannot be computed", "parameters of a proper distribution")
    return prior


def _note(node: Located, problem: PriorError | ArithmeticError, notes: Notes) -> None:
    if isinstance(problem, PriorError):
        notes.fault(node, problem.found, problem.allowed)
    else:
        notes.fault(node, "parameters too extreme to compute with", "parameters of a proper distribution")
