"""Units: the only module that knows pint.

A unit that a user writes passes a whitelist before pint sees it, because pint accepts
surprising texts (``k W h`` as a constant) and hangs on some (``9**9**9 m``).
"""

from __future__ import annotations

import difflib
import functools
import re
import tokenize
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

_PREFIXED = {
    "Wh": "watt_hour", "J": "joule", "W": "watt", "g": "gram", "m": "meter", "s": "second", "V": "volt",
    "A": "ampere", "Ah": "ampere_hour", "ohm": "ohm", "Ω": "ohm", "K": "kelvin", "Pa": "pascal", "N": "newton",
    "Hz": "hertz", "mol": "mole", "rad": "radian", "L": "liter", "l": "liter", "VA": "volt_ampere", "bar": "bar",
    "eV": "electron_volt", "T": "tesla", "lm": "lumen",
}  # fmt: skip
_PREFIXES = {"": "", "n": "nano", "µ": "micro", "μ": "micro", "u": "micro", "m": "milli", "c": "centi", "k": "kilo",
             "M": "mega", "G": "giga"}  # fmt: skip
_PLAIN = {
    "1": "dimensionless", "%": "percent", "‰": "permille", "ppm": "ppm", "min": "minute", "h": "hour", "d": "day",
    "day": "day", "week": "week", "year": "year", "yr": "year", "t": "metric_ton", "lb": "pound", "oz": "ounce",
    "mi": "mile", "ft": "foot", "yd": "yard", "inch": "inch", "US_gal": "gallon", "mph": "mile / hour",
    "deg": "degree", "°": "degree", "°C": "degree_Celsius", "degC": "degree_Celsius", "°F": "degree_Fahrenheit",
    "degF": "degree_Fahrenheit", "psi": "psi", "hp": "horsepower", "BTU": "btu", "mpg": "mile / gallon",
    # 10 CFR 474.3 petroleum-equivalent factor, and the gasoline equivalent of 40 CFR 600.002 on the label
    "mpge_label": "mile / (33.705 * kilowatt_hour)", "mpge_petroleum": "mile / (82.049 * kilowatt_hour)",
}  # fmt: skip
_DENIED = {
    "ton": "t (metric) or lb", "gal": "US_gal", "gallon": "US_gal", "C": "°C, or 1/h for a rate of charge",
    "PS": "kW or hp", "kw": "kW", "kwh": "kWh", "KWh": "kWh", "Kwh": "kWh", "kWH": "kWh", "KWH": "kWh", "wh": "Wh",
    "WH": "Wh", "mwh": "MWh or mWh", "Kg": "kg", "KG": "kg", "kgs": "kg", "Km": "km", "KM": "km", "miles": "mi",
    "mile": "mi", "lbs": "lb", "in": "inch", "mpge": "mpge_label (33.705 kWh a US gallon) or mpge_petroleum (82.049)",
    "MPGe": "mpge_label (33.705 kWh a US gallon) or mpge_petroleum (82.049)", "MPG": "mpg", "kph": "km/h",
    "percent": "%", "pct": "%", "hr": "h", "hours": "h", "sec": "s", "minutes": "min", "days": "day",
    "years": "year", "a": "year", "ah": "Ah", "v": "V", "w": "W", "kv": "kV",
}  # fmt: skip

_OFFSET = {"degree_Celsius": (1.0, 273.15), "degree_Fahrenheit": (5 / 9, 459.67 * 5 / 9)}
_NAMED = {"energy": "J", "mass": "kg", "length": "m", "time": "s", "power": "W", "voltage": "V", "charge": "Ah",
          "current": "A", "temperature": "K", "energy per mass": "J/kg", "energy per length": "J/m",
          "length per energy": "m/J", "resistance": "ohm", "speed": "m/s", "frequency": "1/s", "density": "kg/m**3",
          "pressure": "Pa", "area": "m**2", "volume": "m**3", "acceleration": "m/s**2"}  # fmt: skip

_TOKEN = re.compile(r"\s*(\*\*|[*/()^·]|-?\d+(?!\w)|[^\W\d]\w*|°[CF]?|[%‰])")
_LONGEST = 80
_STEEPEST = 9


class UnitError(ValueError):
    """A text is not a unit that may be written here; ``allowed`` and ``hint`` say what is."""

    def __init__(self, found: str, allowed: str, hint: str | None = None) -> None:
        super().__init__(f"{found!r} is not a unit: {allowed}")
        self.found, self.allowed, self.hint = found, allowed, hint


@dataclass(frozen=True, slots=True)
class Dimension:
    """Powers of the base dimensions, sorted by name; without any, a pure number."""

    powers: tuple[tuple[str, Fraction], ...] = ()

    def __mul__(self, other: Dimension) -> Dimension:
        total = dict(self.powers)
        for name, power in other.powers:
            total[name] = total.get(name, Fraction(0)) + power
        return Dimension(tuple(sorted((n, p) for n, p in total.items() if p)))

    def __pow__(self, exponent: Fraction | int) -> Dimension:
        return Dimension(tuple((n, p * exponent) for n, p in self.powers if exponent))

    def __truediv__(self, other: Dimension) -> Dimension:
        return self * other**-1

    def __str__(self) -> str:
        known = _kinds().get(self)
        if known is not None:
            return known
        over = [_power(n, p) for n, p in self.powers if p > 0]
        under = [_power(n, -p) for n, p in self.powers if p < 0]
        return " / ".join([" · ".join(over) or "1", *under])


def _power(name: str, power: Fraction) -> str:
    return name if power == 1 else f"{name}^{power}"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measurement: a value ``x`` in it is ``x * factor + offset`` in coherent SI units.

    ``offset`` is nonzero only for °C and °F; differences and uncertainties never use it.
    """

    text: str
    dimension: Dimension
    factor: float
    offset: float = 0.0

    def __str__(self) -> str:
        return self.text

    @property
    def difference(self) -> Unit:
        """The unit of a difference of two values in this one (K for °C)."""
        if not self.offset:
            return self
        return Unit("K", self.dimension, 1.0)


def parse_unit(text: str) -> Unit:
    """Read the text of a unit, such as ``kWh``, ``%``, ``km/h`` or ``m**3/(kg*s**2)``.

    Raises
    ------
    UnitError
        If the text holds anything but known units, whole powers, ``*``, ``/`` and brackets.
    """
    return _parse(" ".join(text.split()))


@functools.cache
def _parse(text: str) -> Unit:
    import pint

    translated = _translate(text)
    if translated in _OFFSET:
        factor, offset = _OFFSET[translated]
        return Unit(text, Dimension((("temperature", Fraction(1)),)), factor, offset)
    try:
        base = (_registry().Quantity(1.0) * _registry().parse_expression(translated)).to_base_units()
    except (pint.errors.PintError, TypeError, SyntaxError, tokenize.TokenError) as problem:
        raise UnitError(text, "a unit such as kWh, km/h or kg*m/s**2") from problem
    return Unit(text, _dimension(base.dimensionality), float(base.magnitude))


def _dimension(dimensionality: Mapping[str, float]) -> Dimension:
    named = ((name.strip("[]"), Fraction(power).limit_denominator(12)) for name, power in dimensionality.items())
    return Dimension(tuple(sorted(named)))


def _translate(text: str) -> str:
    """The text in pint's words, each word looked up in the whitelist."""
    if not text or len(text) > _LONGEST:
        raise UnitError(text[:_LONGEST], "a unit such as kWh, or 1 for a pure number")
    words, at = [], 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise UnitError(text, "units, whole powers, *, / and brackets")
        words.append(match[1])
        at = match.end()
    if "".join(words) in _names() and len(words) > 1 and all(w.isalpha() for w in words):
        raise UnitError(text, "a unit in one word", f"did you mean {''.join(words)}?")
    named = [w for w in words if not re.fullmatch(r"\*\*|[*/()^·]|-?\d+", w)]
    alone = len(words) == 1
    out = []
    for before, word in zip([None, *words], words, strict=False):
        out.append(_word(word, before, named=word in named, alone=alone, text=text))
    return " ".join(out)


def _word(word: str, before: str | None, *, named: bool, alone: bool, text: str) -> str:  # noqa: PLR0911 - one a kind
    if word in ("^", "**"):
        return "**"
    if word == "·":
        return "*"
    if not named and re.fullmatch(r"-?\d+", word):
        return _number(word, before, alone=alone, text=text)
    if not named:
        return word
    if before is not None and before not in ("*", "/", "(", "·"):
        raise UnitError(text, "* or / between units", f"did you mean '{text.replace(' ', '')}'?")
    name = _known(word, text)
    if "/" in name:
        return f"({name})"
    if name.startswith("degree_") and not alone:
        return "kelvin" if name == "degree_Celsius" else "delta_degree_Fahrenheit"
    return name


def _number(word: str, before: str | None, *, alone: bool, text: str) -> str:
    if before in ("**", "^"):
        if abs(int(word)) > _STEEPEST:
            raise UnitError(text, f"powers from -{_STEEPEST} to {_STEEPEST}")
        return word
    if word == "1" and (alone or before in (None, "(")):
        return "dimensionless"
    raise UnitError(text, "numbers only as powers, or a leading 1 as in 1/h")


def _known(word: str, text: str) -> str:
    names = _names()
    if word in names:
        return names[word]
    if word in _DENIED:
        suggestion = _DENIED[word]
        whole = text.replace(word, suggestion) if " " not in suggestion else suggestion
        raise UnitError(text, "a unit whose meaning is certain", f"did you mean {whole}?")
    powered = re.fullmatch(r"([^\W\d]+)([2-9²³])", word)
    if powered and powered[1] in names:
        written = f"{powered[1]}**{powered[2].translate({0xB2: '2', 0xB3: '3'})}"
        raise UnitError(text, "powers written with **", f"did you mean {text.replace(word, written)}?")
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    raise UnitError(text, "a known unit (kWh, kg, km, V, h, %, 1 …)", f"did you mean {near[0]}?" if near else None)


@functools.cache
def _names() -> dict[str, str]:
    prefixed = {p + symbol: long + name for symbol, name in _PREFIXED.items() for p, long in _PREFIXES.items()}
    return {**prefixed, **_PLAIN}


@functools.cache
def _kinds() -> dict[Dimension, str]:
    return {Dimension(): "pure number", **{_parse(text).dimension: kind for kind, text in _NAMED.items()}}


@functools.cache
def _registry():  # type: ignore[no-untyped-def]  # noqa: ANN202 - pint's registry has no stable type
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)


ONE = Unit("1", Dimension(), 1.0)


def convert(value: float, source: Unit, target: Unit) -> float:
    """A value in another unit of the same dimension, absolute temperatures with their zero."""
    if source == target:
        return value
    return (value * source.factor + source.offset - target.offset) / target.factor


def convert_difference(value: float, source: Unit, target: Unit) -> float:
    """A difference or an uncertainty in another unit of the same dimension: no zero is shifted."""
    return value if source == target else value * source.factor / target.factor


def reciprocal(a: Unit, b: Unit) -> bool:
    """Whether one unit measures the inverse of the other, as mi/kWh and Wh/mi do."""
    return bool(a.dimension.powers) and a.dimension == b.dimension**-1
