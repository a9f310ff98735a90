"""Units: what may be written as one, and what it is in coherent SI units.

Only units of a table are known, so that none means something else than it seems to (``k W h`` is no kWh, and
``ton`` has three meanings).
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from dataclasses import dataclass
from fractions import Fraction

_LONGEST = 80
_ANGLE = re.compile("deg|°|[numckMGµμ]?rad")
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

    @property
    def is_angle(self) -> bool:
        """Whether it measures angles, as deg and mrad do."""
        return bool(_ANGLE.fullmatch(self.text))

    @property
    def is_never_bare(self) -> bool:
        """Whether no bare number but 0 is one in it: a pure unit other than 1, as deg and ppm, but for %.

        A bare share such as 0.92 is often written where the unit is %.
        """
        is_one = math.isclose(self.factor, 1.0, rel_tol=1e-14)
        return not (self.dimension.powers or is_one or self.text == "%")

    @property
    def step(self) -> Unit:
        """The same unit without its zero: a difference of two values in °F is so many steps of °F."""
        return Unit(self.text, self.dimension, self.factor) if self.offset else self


# --- what is known ------------------------------------------------------------------------------------------


def _base(name: str) -> Dimension:
    return Dimension(((name, Fraction(1)),))


_NUMBER, _MASS, _LENGTH, _TIME, _CURRENT = Dimension(), _base("mass"), _base("length"), _base("time"), _base("current")
_TEMPERATURE, _SUBSTANCE, _LUMINOSITY = _base("temperature"), _base("substance"), _base("luminosity")
_CHARGE, _VOLUME, _SPEED = _CURRENT * _TIME, _LENGTH**3, _LENGTH / _TIME
_FORCE = _MASS * _SPEED / _TIME
_PRESSURE, _ENERGY = _FORCE / _LENGTH**2, _FORCE * _LENGTH
_POWER = _ENERGY / _TIME
_VOLTAGE = _POWER / _CURRENT

# exact by definition: hour, day and Julian year; pound, foot, inch and mile of the international agreement of 1959; US
# gallon of 231 cubic inches; standard gravity of the 3rd CGPM (1901)
_HOUR, _DAY = 3600, 86400
_POUND, _FOOT, _INCH, _MILE = (Fraction(text) for text in ("0.45359237", "0.3048", "0.0254", "1609.344"))
_GALLON, _GRAVITY = 231 * _INCH**3, Fraction("9.80665")
_KWH = 3_600_000

type _Row = tuple[Fraction | float, Dimension]

# fmt: off
_PREFIXED: dict[str, _Row] = {
    "Wh": (_HOUR, _ENERGY), "J": (1, _ENERGY), "W": (1, _POWER), "g": (Fraction(1, 1000), _MASS), "m": (1, _LENGTH),
    "s": (1, _TIME), "V": (1, _VOLTAGE), "A": (1, _CURRENT), "Ah": (_HOUR, _CHARGE), "ohm": (1, _VOLTAGE / _CURRENT),
    "Ω": (1, _VOLTAGE / _CURRENT), "K": (1, _TEMPERATURE), "Pa": (1, _PRESSURE), "N": (1, _FORCE),
    "Hz": (1, _NUMBER / _TIME), "mol": (1, _SUBSTANCE), "rad": (1, _NUMBER), "L": (Fraction(1, 1000), _VOLUME),
    "l": (Fraction(1, 1000), _VOLUME), "VA": (1, _POWER), "bar": (100_000, _PRESSURE),
    "eV": (Fraction("1.602176634e-19"), _ENERGY),  # SI of 2019: the elementary charge, exact
    "T": (1, _VOLTAGE * _TIME / _LENGTH**2), "lm": (1, _LUMINOSITY),
}
_PREFIXES: dict[str, Fraction | int] = {
    "": 1, "n": Fraction(1, 10**9), "µ": Fraction(1, 10**6), "μ": Fraction(1, 10**6), "u": Fraction(1, 10**6),
    "m": Fraction(1, 1000), "c": Fraction(1, 100), "k": 1000, "M": 10**6, "G": 10**9,
}
_PLAIN: dict[str, _Row] = {
    "%": (Fraction(1, 100), _NUMBER), "‰": (Fraction(1, 1000), _NUMBER), "ppm": (Fraction(1, 10**6), _NUMBER),
    "min": (60, _TIME), "h": (_HOUR, _TIME), "d": (_DAY, _TIME), "day": (_DAY, _TIME), "week": (7 * _DAY, _TIME),
    "year": (Fraction("365.25") * _DAY, _TIME), "yr": (Fraction("365.25") * _DAY, _TIME), "t": (1000, _MASS),
    "lb": (_POUND, _MASS), "oz": (_POUND / 16, _MASS), "mi": (_MILE, _LENGTH), "ft": (_FOOT, _LENGTH),
    "yd": (3 * _FOOT, _LENGTH), "inch": (_INCH, _LENGTH), "US_gal": (_GALLON, _VOLUME), "mph": (_MILE / _HOUR, _SPEED),
    "deg": (math.pi / 180, _NUMBER), "°": (math.pi / 180, _NUMBER), "°C": (1, _TEMPERATURE), "degC": (1, _TEMPERATURE),
    "°F": (Fraction(5, 9), _TEMPERATURE), "degF": (Fraction(5, 9), _TEMPERATURE),
    # a pound-force a square inch; 550 foot-pounds-force a second
    "psi": (_POUND * _GRAVITY / _INCH**2, _PRESSURE), "hp": (550 * _FOOT * _POUND * _GRAVITY, _POWER),
    "BTU": (Fraction("1055.05585262"), _ENERGY),  # of the International Table: NIST SP 811 (2008), B.8
    "mpg": (_MILE / _GALLON, _LENGTH / _VOLUME),
    # 10 CFR 474.3 petroleum-equivalent factor, and the gasoline equivalent of 40 CFR 600.002 on the label
    "mpge_label": (_MILE / (Fraction("33.705") * _KWH), _LENGTH / _ENERGY),
    "mpge_petroleum": (_MILE / (Fraction("82.049") * _KWH), _LENGTH / _ENERGY),
}
# fmt: on

type _Measure = tuple[float, Dimension]

SYMBOLS: dict[str, _Measure] = {
    symbol: (float(factor), dimension)
    for symbol, (factor, dimension) in {
        **{p + s: (by * row[0], row[1]) for s, row in _PREFIXED.items() for p, by in _PREFIXES.items()},
        **_PLAIN,
    }.items()
}
"""Every unit of one word: its factor to coherent SI units, and its dimension."""

_ZEROS = {"°C": 273.15, "degC": 273.15, "°F": 459.67 * 5 / 9, "degF": 459.67 * 5 / 9}
"""Where the scale of a temperature begins, when its unit stands alone. [K]"""

_DENIED = {
    "ton": "t (metric) or lb", "gal": "US_gal", "gallon": "US_gal", "C": "°C, or 1/h for a rate of charge",
    "PS": "kW or hp", "kw": "kW", "kwh": "kWh", "KWh": "kWh", "Kwh": "kWh", "kWH": "kWh", "KWH": "kWh", "wh": "Wh",
    "WH": "Wh", "mwh": "MWh or mWh", "Kg": "kg", "KG": "kg", "kgs": "kg", "Km": "km", "KM": "km", "miles": "mi",
    "mile": "mi", "lbs": "lb", "in": "inch", "mpge": "mpge_label (33.705 kWh a US gallon) or mpge_petroleum (82.049)",
    "MPGe": "mpge_label (33.705 kWh a US gallon) or mpge_petroleum (82.049)", "MPG": "mpg", "kph": "km/h",
    "percent": "%", "pct": "%", "hr": "h", "hours": "h", "sec": "s", "minutes": "min", "days": "day",
    "years": "year", "a": "year", "ah": "Ah", "v": "V", "w": "W", "kv": "kV",
}  # fmt: skip

_NAMED = {"energy": "J", "mass": "kg", "length": "m", "time": "s", "power": "W", "voltage": "V", "charge": "Ah",
          "current": "A", "temperature": "K", "energy per mass": "J/kg", "energy per length": "J/m",
          "length per energy": "m/J", "resistance": "ohm", "speed": "m/s", "frequency": "1/s", "density": "kg/m**3",
          "pressure": "Pa", "area": "m**2", "volume": "m**3", "acceleration": "m/s**2"}  # fmt: skip

_TOKEN = re.compile(r"\s*(\*\*|[*/()^·]|-?\d+(?!\w)|[^\W\d]\w*|°[CF]?|[%‰])")
_SIGNS = {"*": "*", "·": "*", "/": "/", "**": "**", "^": "**", "(": "(", ")": ")"}
_NO_UNIT = "a unit such as kWh, km/h or kg*m/s**2"


# --- reading ------------------------------------------------------------------------------------------------


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
    words = _words(text)
    alone = len(words) == 1
    rest = [_part(word, before, alone=alone, text=text) for before, word in zip([None, *words], words, strict=False)]
    try:
        factor, dimension = _product(rest)
    except (_MalformedError, ArithmeticError) as problem:
        raise UnitError(text, _NO_UNIT) from problem
    if rest or not 0 < factor < math.inf:
        raise UnitError(text, _NO_UNIT)
    return Unit(text, dimension, factor, _ZEROS.get(text, 0.0))


def _words(text: str) -> list[str]:
    if not text or len(text) > _LONGEST:
        raise UnitError(text[:_LONGEST], "a unit such as kWh, or 1 for a pure number")
    words, at = [], 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise UnitError(text, "units, whole powers, *, / and brackets")
        words.append(match[1])
        at = match.end()
    if "".join(words) in SYMBOLS and len(words) > 1 and all(w.isalpha() for w in words):
        raise UnitError(text, "a unit in one word", f"did you mean {''.join(words)}?")
    return words


def _part(word: str, before: str | None, *, alone: bool, text: str) -> str | int | _Measure:
    """A sign, a power or what a word means."""
    if word in _SIGNS:
        return _SIGNS[word]
    if re.fullmatch(r"-?\d+", word):
        return _number(word, before, alone=alone, text=text)
    if before not in (None, "*", "/", "(", "·"):
        raise UnitError(text, "* or / between units", f"did you mean '{text.replace(' ', '')}'?")
    return _known(word, text)


def _number(word: str, before: str | None, *, alone: bool, text: str) -> int | _Measure:
    if before in ("**", "^"):
        if abs(int(word)) > _STEEPEST:
            raise UnitError(text, f"powers from -{_STEEPEST} to {_STEEPEST}")
        return int(word)
    if word == "1" and (alone or before in (None, "(")):
        return 1.0, Dimension()
    raise UnitError(text, "numbers only as powers, or a leading 1 as in 1/h")


def _known(word: str, text: str) -> _Measure:
    if word in SYMBOLS:
        return SYMBOLS[word]
    if word in _DENIED:
        suggestion = _DENIED[word]
        whole = text.replace(word, suggestion) if " " not in suggestion else suggestion
        raise UnitError(text, "a unit whose meaning is certain", f"did you mean {whole}?")
    powered = re.fullmatch(r"([^\W\d]+)([2-9²³])", word)
    if powered and powered[1] in SYMBOLS:
        written = f"{powered[1]}**{powered[2].translate({0xB2: '2', 0xB3: '3'})}"
        raise UnitError(text, "powers written with **", f"did you mean {text.replace(word, written)}?")
    near = difflib.get_close_matches(word, SYMBOLS, n=1, cutoff=0.6)
    raise UnitError(text, "a known unit (kWh, kg, km, V, h, %, 1 …)", f"did you mean {near[0]}?" if near else None)


class _MalformedError(Exception):
    """Words that are all known do not make a unit."""


def _product(rest: list[str | int | _Measure]) -> _Measure:
    """What the words at the front mean; they are taken away."""
    factor, dimension = _powered(rest)
    while rest and rest[0] in ("*", "/"):
        power = 1 if rest.pop(0) == "*" else -1
        by, of = _powered(rest)
        factor, dimension = factor * by**power, dimension * of**power
    return factor, dimension


def _powered(rest: list[str | int | _Measure]) -> _Measure:
    factor, dimension = _single(rest)
    if rest[:1] != ["**"]:
        return factor, dimension
    power = rest[1] if len(rest) > 1 else None
    if not isinstance(power, int):
        raise _MalformedError
    del rest[:2]
    return factor**power, dimension**power


def _single(rest: list[str | int | _Measure]) -> _Measure:
    first = rest.pop(0) if rest else None
    if isinstance(first, tuple):
        return first
    if first != "(":
        raise _MalformedError
    inner = _product(rest)
    if rest[:1] != [")"]:
        raise _MalformedError
    del rest[0]
    return inner


@functools.cache
def _kinds() -> dict[Dimension, str]:
    return {Dimension(): "pure number", **{_parse(text).dimension: kind for kind, text in _NAMED.items()}}


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
