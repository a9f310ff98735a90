"""The value grammar: what a reading says, before its unit and its method are known to agree.

``97.5 ± 1.5 Wh``, ``97.5(15) Wh``, ``97.5 Wh``, ``96 .. 99 Wh``, ``>= 67 kWh``, ``<= 71 kWh``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from gaugeglass.language.units import ONE, Unit, UnitError, parse_unit

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_UNIT = r"(?:\s*(?P<unit>[^\d\s.,<>=±+\-/(*].*)|\s+(?P<one>1(?:/.*)?))?"
_FORMS = (  # the interval first, since "1e-3 .. 2e-3 m" also looks like 1 of a unit that begins with e
    re.compile(rf"(?P<lower>{_NUMBER})\s*\.\.\s*(?P<upper>{_NUMBER}){_UNIT}"),
    re.compile(rf"(?P<value>{_NUMBER})(?:\s*±\s*(?P<u>{_NUMBER}))?{_UNIT}"),
    re.compile(rf"(?P<value>[+-]?\d+(?:\.\d*)?)\((?P<digits>\d+(?:\.\d+)?)\)(?P<exponent>[eE][+-]?\d+)?{_UNIT}"),
    re.compile(rf"(?P<bound>>=|<=|≥|≤)\s*(?P<edge>{_NUMBER}){_UNIT}"),
)
_SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u2009\u200a\u202f"), " ")
_SIGNS = {ord("−"): "-", ord("–"): "-"}
_LONGEST = 200
_LARGEST = 1e75
"""What is larger, or smaller than its inverse, is no number of any trade, and its fourth power cannot be computed."""
ALLOWED = "'97.5 ± 1.5 Wh', '97.5(15) Wh', '97.5 Wh', '96 .. 99 Wh', '>= 67 kWh' or '<= 71 kWh'"


class ValueFault(ValueError):
    """A text is not a value; ``found``, ``allowed`` and ``hint`` say what is wrong."""

    def __init__(self, found: str, allowed: str, hint: str | None = None) -> None:
        super().__init__(f"{found}: {allowed}")
        self.found, self.allowed, self.hint = found, allowed, hint


@dataclass(frozen=True, slots=True)
class Value:
    """A stated value in its own unit: a point where both ends agree, else an interval or a bound.

    ``lower`` and ``upper`` are the ends [unit], infinite where there is none; ``u`` is what stood behind ± or in
    brackets [unit], None where nothing did.
    """

    lower: float
    upper: float
    unit: Unit
    u: float | None = None

    @property
    def is_point(self) -> bool:
        """Whether one number was stated."""
        return self.lower == self.upper


def parse_value(text: str | float) -> Value:
    """Read a value as it stands in a dossier; a bare number has unit 1.

    Raises
    ------
    ValueFault
        If it has none of the forms, is not finite, its interval is reversed, or its unit is unknown.
    """
    if isinstance(text, bool):
        raise ValueFault(f"{text}", ALLOWED)
    if isinstance(text, int | float):
        return Value(_finite(str(text)), float(text), ONE)
    clean = (text if text.isascii() else text.translate(_SPACES).translate(_SIGNS)).strip()
    if len(clean) > _LONGEST:
        raise ValueFault(f"{len(clean)} characters", f"at most {_LONGEST}")
    for form in _FORMS:
        match = form.fullmatch(clean)
        if match:
            return _value(match.groupdict(), text)
    raise ValueFault(f"{text!r}", ALLOWED, _hint(clean))


def parse_number(text: str | float) -> tuple[float, Unit]:
    """Read one number with its unit, such as ``75 kg``, ``5 %`` or ``408``."""
    value = parse_value(text)
    if not value.is_point or value.u is not None:
        raise ValueFault(f"{text!r}", "one number with its unit, such as '2 Wh' or '5 %'")
    return value.lower, value.unit


def _value(parts: dict[str, str | None], text: str) -> Value:
    unit = _unit(parts.get("unit") or parts.get("one"))
    if bound := parts.get("bound"):
        edge = _finite(parts["edge"])
        return Value(edge, math.inf, unit) if bound in (">=", "≥") else Value(-math.inf, edge, unit)
    if parts.get("lower") is not None:
        return _interval(_finite(parts["lower"]), _finite(parts["upper"]), unit, text)
    if digits := parts.get("digits"):
        return _concise(str(parts["value"]), digits, parts["exponent"] or "", unit, text)
    value = _finite(parts["value"])
    return Value(value, value, unit, _uncertainty(parts["u"], text) if parts["u"] else None)


def _interval(lower: float, upper: float, unit: Unit, text: str) -> Value:
    if lower == upper:
        raise ValueFault(f"{text!r}, an interval of no width", "two different ends, or one number")
    if lower > upper:
        raise ValueFault(f"{text!r}, an interval that runs backwards", "the smaller end first")
    return Value(lower, upper, unit)


def _concise(value: str, digits: str, exponent: str, unit: Unit, text: str) -> Value:
    """``97.5(15)``: the digits in brackets count in the last place of the value (GUM 7.2.2)."""
    places = len(value.partition(".")[2])
    centre = _finite(value + exponent)
    u = float(digits) if "." in digits else float(f"{digits}e-{places}")
    return Value(
        centre, centre, unit, _uncertainty(f"{u!r}{exponent}" if not exponent else str(u * float(f"1{exponent}")), text)
    )


def _uncertainty(text: str, whole: str) -> float:
    u = _finite(text)
    if not u > 0:
        raise ValueFault(f"{whole!r}, whose uncertainty is {u:g}", "an uncertainty above 0")
    return u


def _finite(text: str | None) -> float:
    value = float(text or "nan")
    if not math.isfinite(value):
        raise ValueFault(f"{text!r}", "a finite number")
    if value and not 1 / _LARGEST <= abs(value) <= _LARGEST:
        raise ValueFault(f"{text!r}", f"0, or a number between {1 / _LARGEST:g} and {_LARGEST:g} in size")
    return value


def _unit(text: str | None) -> Unit:
    if text is None:
        return ONE
    try:
        return parse_unit(text)
    except UnitError as problem:
        raise ValueFault(f"unit {problem.found!r}", problem.allowed, problem.hint) from problem


def _hint(text: str) -> str | None:
    if re.match(r"[+-]?\d+,\d+(?!\d*,)", text):
        return "decimals are written with a point: '" + re.sub(r"(?<=\d),(?=\d)", ".", text) + "'"
    if "+/-" in text or "+-" in text:
        return f"did you mean '{text.replace('+/-', '±').replace('+-', '±')}'?"
    if re.match(rf"{_NUMBER}\s*-\s*{_NUMBER}", text):
        return "an interval is written 96 .. 99 Wh"
    if re.match(r"[<>]\s*[\d.]", text):
        return "a bound is written >= 67 kWh or <= 71 kWh"
    if text.lower().startswith(("nan", "inf", "-inf", "+inf")):
        return "a finite number"
    return None
