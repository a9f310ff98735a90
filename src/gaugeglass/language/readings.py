"""What an observation reads: its value and its uncertainty, brought into the unit of its method."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from gaugeglass.language.expressions import Ref, evaluate, names
from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import measured_quantity
from gaugeglass.language.reading import (
    Notes,
    Section,
    as_percentage,
    positive,
    stated_number,
    unwritten_unit,
    with_unit,
)
from gaugeglass.language.spec import Latent, Method, Model
from gaugeglass.language.units import ONE, Unit, convert, convert_difference, reciprocal
from gaugeglass.language.values import ALLOWED, Value, ValueFault, parse_value

_COARSE = 10.0
"""How many u a reading may be rounded to before that is taken for a slip. [1]"""

_FAR = 5.0
"""How many u a reading may lie outside of what can be before it is taken for a slip. [1]"""


@dataclass(frozen=True, slots=True)
class Reading:
    """A value as ``Observation`` has it: in the unit of the method, rounding included."""

    value: float
    lower: float
    upper: float
    u: float | None


@dataclass(frozen=True, slots=True)
class _Statement:
    """A value as it is stated, with the section it stands in and the method it was made by."""

    section: Section
    value: Value
    method: Method
    place: str

    @property
    def unit(self) -> Unit:
        """The unit as stated; of a bare 0, which is 0 in any, the one of the method where a u has to state one."""
        is_bare_0 = self.value.unit == ONE and not (any(self.ends) or self.value.u)
        return self.method.unit if is_bare_0 and self.method.unit.is_never_bare else self.value.unit

    @property
    def ends(self) -> list[float]:
        """Where the value ends, once or twice [unit as stated]."""
        return [end for end in (self.value.lower, self.value.upper) if math.isfinite(end)]

    @property
    def notes(self) -> Notes:
        return self.section.notes

    @property
    def node(self) -> Located:
        return self.section.at("value")

    @property
    def centre(self) -> float:
        """The point, the middle of an interval, or the edge of a bound [unit as stated]."""
        lower, upper = self.value.lower, self.value.upper
        if math.isinf(lower):
            return upper
        return lower if math.isinf(upper) else (lower + upper) / 2

    @property
    def is_relative(self) -> bool:
        """Whether the method takes u as the standard deviation of the logarithm."""
        return self.method.likelihood.family == "lognormal"


@dataclass(frozen=True, slots=True)
class _Width:
    """An uncertainty or a limit as stated: a share of the value [1], or absolute [unit as stated]."""

    amount: float
    is_share: bool


def read_reading(section: Section, method: Method | None, place: str = "") -> Reading | None:
    """The reading of an observation, or None once its faults are noted; ``place`` is where the method's u stands."""
    value = _value(section.at("value"), section.notes) if "value" in section else None
    if value is None or method is None:
        return None
    statement = _Statement(section, value, method, place)
    if method.likelihood.is_count:
        return _count(statement)
    if not (_fits(statement) and _is_positive_enough(statement)):
        return None
    half, u = _half_step(statement), _standard_u(statement)
    _warn_of_coarse_rounding(statement, half, u)
    reading = _convert(statement, half, u)
    return reading if reading is None or _is_a_share(statement, reading) else None


def _value(node: Located, notes: Notes) -> Value | None:
    if not node.is_scalar or node.content is None or isinstance(node.content, bool):
        notes.fault(node, node.kind, ALLOWED)
        return None
    try:
        return parse_value(node.text)
    except ValueFault as problem:
        notes.fault(node, problem.found, problem.allowed, problem.hint)
        return None


# --- the value ----------------------------------------------------------------------------------------------


def _fits(s: _Statement) -> bool:
    """Whether the value is in a unit of what the method measures, or of its inverse; if not, that is noted."""
    unit = s.method.unit
    if s.unit.dimension == unit.dimension:
        slip = unwritten_unit(s.node, s.centre, s.unit, unit, width=s.value.u or s.ends[-1])
        if slip:
            s.notes.fault(s.node, slip.found, f"a value in {unit}", slip.hint)
        return slip is None
    if reciprocal(s.unit, unit):
        return _is_invertible(s)
    hint = f"did you mean '{s.node.text} {unit}'?" if s.unit == ONE else None
    wanted = f"a unit of {unit.dimension}, as method '{s.method.name}' measures ({unit})"
    s.notes.fault(s.node, f"{show(s.node.text)} [{s.unit.dimension}]", wanted, hint)
    return False


def _is_invertible(s: _Statement) -> bool:
    if s.value.lower > 0 and math.isfinite(s.value.upper):
        return True
    why = f"{show(s.node.text)}, which has to be inverted into {s.method.unit}"
    s.notes.fault(s.node, why, f"a point or an interval above 0, or a bound in {s.method.unit}")
    return False


def _is_positive_enough(s: _Statement) -> bool:
    if not s.is_relative or min(s.ends) > 0:
        return True
    wanted = f"values above 0, as the lognormal likelihood of method '{s.method.name}' needs"
    s.notes.fault(s.node, show(s.node.text), wanted)
    return False


def _half_step(s: _Statement) -> float:
    """Half of the step that the reading is rounded to, GUM F.2.2.1 [unit as stated]."""
    if "rounded" not in s.section:
        return 0.0
    return (positive(s.section.at("rounded"), s.unit, s.notes, difference=True) or 0.0) / 2


def _warn_of_coarse_rounding(s: _Statement, half: float, u: float | None) -> None:
    absolute = u if u is None or not s.is_relative else u * s.centre
    if absolute and 2 * half > _COARSE * absolute:
        node = s.section.at("rounded")
        found = f"{show(node.text)}, {2 * half / absolute:.3g} times the u of the reading"
        s.notes.warn(node, found, f"a step of at most {_COARSE:g} u, or no rounding")


def _is_a_share(s: _Statement, reading: Reading) -> bool:
    """Whether a reading can have a beta likelihood, if its method has one; if not, that is noted."""
    if s.method.likelihood.family != "beta":
        return True
    of = convert(1.0, ONE, s.method.unit)
    low, value, high = (x / of for x in (reading.lower, reading.value, reading.upper))
    allowed = f"more than 0 and less than 1, as the beta likelihood of method '{s.method.name}' needs"
    if not (low < 1 and high > 0) or (s.value.is_point and not 0 < value < 1):
        s.notes.fault(s.node, show(s.node.text), allowed, as_percentage(s.node, s.centre))
        return False
    widest = math.sqrt(value * (1 - value)) if 0 < value < 1 else math.inf
    if reading.u is None or reading.u / of < widest:
        return True
    # a beta distribution of mean m has a standard deviation below sqrt(m (1 - m))
    found = f"{show(s.node.text)} with a u of {with_unit(reading.u, s.method.unit)}"
    s.notes.fault(s.node, found, f"a u below {with_unit(widest * of, s.method.unit)}, as far as shares can scatter")
    return False


# --- counts -------------------------------------------------------------------------------------------------


def _count(s: _Statement) -> Reading | None:
    """The reading of a count, which is a whole number and has no uncertainty."""
    family = s.method.likelihood.family
    why = f"the {family} likelihood of method '{s.method.name}'"
    extra = [key for key in ("u", "k", "tolerance", "rounded") if key in s.section]
    for key in extra:
        found = f"{show(s.section.at(key).text)}, {key} of a count"
        s.notes.fault(s.section.at(key), found, f"a whole number alone: {why} says how counts scatter")
    least = 1 if family == "serial" else 0
    value = s.value
    is_whole = value.is_point and value.u is None and value.unit == ONE and value.lower == int(value.lower)
    if not is_whole or value.lower < least:
        what = "a serial number" if family == "serial" else "a count"
        s.notes.fault(s.node, show(s.node.text), f"{what}, a whole number from {least} on, for {why}")
        return None
    return None if extra else Reading(value.lower, value.lower, value.lower, None)


def note_trials(section: Section, reading: Reading, method: Method, values: Mapping[str, float]) -> None:
    """Note a number of trials that is none, or is less than the count of those that were met."""
    trials = method.likelihood.trials
    if trials is None or not set(names(trials)) <= set(values):
        return
    count = values[trials.name] if isinstance(trials, Ref) else float(evaluate(trials, values))
    if math.isfinite(count) and count == int(count) and count >= reading.value:
        return
    node = section.at("value")
    if math.isfinite(count) and count == int(count):
        section.notes.fault(node, f"{show(node.text)} of {count:g} trials", f"at most {count:g}")
    else:
        section.notes.fault(section.at("inputs"), f"{count:g} trials", "a whole number of trials")


# --- the uncertainty ----------------------------------------------------------------------------------------


def _standard_u(s: _Statement) -> float | None:
    """The one standard uncertainty that is stated [unit as stated; relative where the method takes it so]."""
    keys = [key for key in ("u", "tolerance") if key in s.section]
    written = [*(["±"] if s.value.u is not None else []), *keys]
    if not _is_one_uncertainty(s, written):
        return None
    stated = _width(s.section.at(keys[0]), s) if keys else _Width(s.value.u or 0.0, is_share=False)
    k = positive(s.section.at("k"), ONE, s.notes) if "k" in s.section else 1.0
    if stated is None or k is None:
        return None
    # a rectangular limit a has u = a / sqrt(3), GUM 4.3.7
    divisor = math.sqrt(3) if "tolerance" in keys else k
    return _in_the_form_of_the_method(_Width(stated.amount / divisor, stated.is_share), s)


def _is_one_uncertainty(s: _Statement, written: list[str]) -> bool:
    if "k" in s.section and written in ([], ["tolerance"]):
        found = "k of a tolerance, which is a limit" if written else "k without an uncertainty"
        s.notes.fault(s.section.at("k"), found, "k beside ± or u, which it divides")
    if not written:
        _note_missing(s)
        return False
    if len(written) > 1:
        allowed = "one of ± in the value, u and tolerance"
        s.notes.fault(s.section.at(written[-1]), f"{' and '.join(written)} for one value", allowed)
        return False
    if not s.method.likelihood.takes_stated_u:
        _note_unwanted(s, written[0])
        return False
    return True


def _note_missing(s: _Statement) -> None:
    if not s.method.likelihood.takes_stated_u:
        return
    form = "± in the value, u or tolerance" if s.value.is_point else "u or tolerance"
    why = "has none of its own" if s.method.likelihood.u is None else f"builds on it: {s.method.likelihood.u_text}"
    s.notes.missing(s.section.node, "u", f"its standard uncertainty ({form}); method '{s.method.name}' {why}")


def _note_unwanted(s: _Statement, written: str) -> None:
    node = s.node if written == "±" else s.section.at(written)
    allowed = f"the method's u alone, {show(s.method.likelihood.u_text)} ({s.place})"
    s.notes.fault(node, f"{show(node.text)}, an uncertainty of its own", allowed)


def _width(node: Located, s: _Statement) -> _Width | None:
    """An uncertainty or a limit as it is written beside the value."""
    written = stated_number(node, s.notes)
    if written is None:
        return None
    amount, own = written
    if not amount > 0:
        s.notes.fault(node, show(node.text), "an uncertainty above 0")
        return None
    is_bare = own == ONE
    if not own.dimension.powers and not own.is_angle and (s.is_relative or not is_bare):
        _warn_of_percent_of_percent(node, amount, s)
        return _Width(convert(amount, own, ONE), is_share=True)
    if own.dimension == s.unit.dimension:
        slip = unwritten_unit(node, amount, own, s.unit) if s.unit.is_never_bare else None
        if slip:
            s.notes.fault(node, slip.found, f"a number in {s.unit}, or a percentage of the value", slip.hint)
            return None
        return _Width(convert_difference(amount, own, s.unit), is_share=False)
    unit = s.unit.difference
    hint = f"did you mean '{node.text} {unit}'?" if is_bare else None
    allowed = f"a number with a unit of {unit.dimension} ({unit}), or a percentage of the value"
    s.notes.fault(node, f"{show(node.text)} [{own.dimension}]", allowed, hint)
    return None


def _warn_of_percent_of_percent(node: Located, amount: float, s: _Statement) -> None:
    if s.unit.text != "%" or "%" not in node.text:
        return
    found = f"{show(node.text)} of the value, which is {amount / 100 * abs(s.centre):.3g} % of the whole"
    s.notes.warn(node, found, f"percentage points too, written '{s.centre:g} ± {amount:g} %'")


def _in_the_form_of_the_method(width: _Width, s: _Statement) -> float | None:
    if width.is_share and (s.unit.offset or s.centre == 0):
        node = s.section.at("u" if "u" in s.section else "tolerance")
        s.notes.fault(node, f"{show(node.text)} of {show(s.node.text)}", f"a number in {s.unit.difference}")
        return None
    if s.is_relative:
        return width.amount if width.is_share else width.amount / s.centre
    return width.amount * abs(s.centre) if width.is_share else width.amount


# --- into the unit of the method ----------------------------------------------------------------------------


def _convert(s: _Statement, half: float, u: float | None) -> Reading | None:
    lower, upper, unit = s.value.lower - half, s.value.upper + half, s.method.unit
    if s.unit.dimension == unit.dimension:
        own_u = u if u is None or s.is_relative else convert_difference(u, s.unit, unit)
        value, low, high = (convert(x, s.unit, unit) for x in (s.centre, lower, upper))
        return Reading(value, low, high, own_u)
    if not lower > 0:
        node = s.section.at("rounded")
        s.notes.fault(node, f"{show(node.text)}, a step that reaches below 0", "a step of less than twice the value")
        return None
    inverse = 1 / (s.unit.factor * unit.factor)
    own_u = u if u is None or s.is_relative else u * inverse / s.centre**2  # first order: |d(1/v)/dv| = 1/v²
    return Reading(inverse / s.centre, inverse / upper, inverse / lower, own_u)


def note_impossible(section: Section, reading: Reading, method: Method, model: Model) -> None:
    """Note a reading far outside of what the one latent that its method measures can be."""
    latent, family = model.quantities.get(measured_quantity(method) or ""), method.likelihood.family
    if not isinstance(latent, Latent) or family in ("lognormal", "poisson", "binomial"):
        return
    lower, upper = (convert(end, latent.unit, method.unit) for end in latent.prior.bounds)
    lower = 1.0 if family == "serial" else lower  # a serial number may be any up to how many there are
    reach = _FAR * (reading.u or 0.0)
    node = section.at("value")
    if reading.upper + reach >= lower and reading.lower - reach <= upper:
        if reading.value < 0 <= lower:
            found = f"{show(node.text)}, though '{latent.name}' is never below {with_unit(lower, method.unit)}"
            section.notes.warn(node, found, "a reading above 0, as far as its u does not reach below")
        return
    bare = not method.unit.dimension.powers and not method.likelihood.is_count and _is_bare(node)
    allowed = f"a value that '{latent.name}' can have, {lower:g} .. {with_unit(upper, method.unit)}"
    unit = "deg" if method.unit.is_angle else "%"
    section.notes.fault(node, show(node.text), allowed, f"did you mean '{node.text} {unit}'?" if bare else None)


def _is_bare(node: Located) -> bool:
    """Whether a sound value states no unit."""
    return parse_value(node.text).unit == ONE
