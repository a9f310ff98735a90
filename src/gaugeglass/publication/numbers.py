"""The one place that formats numbers: values with their uncertainty, probabilities, intervals and units."""

from __future__ import annotations

import functools
import math
import re

from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Probability, Spread, Words
from gaugeglass.language.units import UnitError, parse_unit

MINUS = "\N{MINUS SIGN}"
SPACE = "\N{NARROW NO-BREAK SPACE}"
ABSENT = "\N{EN DASH}"
_BEFORE_A_WORD = re.compile(r"(?<=[\d)]) ([^\W\d][^\s,;:.!?)”]*)")
"""The space behind a number, and the word that may be its unit."""
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_UNSCALED = range(-4, 6)
_MOST_DIGITS = 12
_NEAR = 1e-9
"""How near a probability may come to certainty [1]."""
LITTLE = 0.001
"""How near to certainty a bound is taken to say nothing [1]."""
_GROUPED_FROM = 10_000
_EVEN = 0.5


def unit_text(unit: str) -> str:
    """A unit as it is printed: ``m**3/(kg*s**2)`` becomes ``m³/(kg·s²)``, a pure number's ``1`` nothing."""
    if unit == "1":
        return ""
    raised = re.sub(r"(?:\*\*|\^)(-?\d+)", lambda match: match[1].translate(_SUPERSCRIPTS), unit)
    return re.sub(r"\s*\*\s*", "·", raised).replace("_", SPACE)


def with_unit(number: str, unit: str) -> str:
    """A formatted number followed by its unit, never broken over two lines."""
    printed = unit_text(unit)
    return f"{number}{SPACE}{printed}" if printed else number


def kept(text: str, by: str = SPACE) -> str:
    """A text in which ``by`` stands wherever a number is parted by a space from its unit or its uncertainty."""
    joined = text.replace(" %", f"{by}%").replace(" ± ", f"{by}±{by}")
    return _BEFORE_A_WORD.sub(lambda found: f"{by if _is_unit(found[1]) else ' '}{found[1]}", joined)


@functools.cache
def _is_unit(text: str) -> bool:
    try:
        parse_unit(text)
    except UnitError:
        return False
    return True


def fixed(value: float, decimals: int) -> str:
    """A number with a fixed count of decimals (negative ones round to tens), a true minus and grouped thousands."""
    if not math.isfinite(value):
        return ABSENT if math.isnan(value) else (f"{MINUS}∞" if value < 0 else "∞")
    rounded = round(value, decimals)
    text = f"{abs(rounded):.{max(decimals, 0)}f}"
    if abs(rounded) >= _GROUPED_FROM:
        whole, point, rest = text.partition(".")
        text = f"{int(whole):,}".replace(",", SPACE) + point + rest
    return f"{MINUS}{text}" if rounded < 0 else text


def decimals_of(u: float, digits: int = 2) -> int:
    """How many decimals show an uncertainty to so many significant digits."""
    exponent = math.floor(math.log10(u))
    if round(u, digits - 1 - exponent) >= 10.0 ** (exponent + 1):
        exponent += 1
    return digits - 1 - exponent


def power_text(exponent: int) -> str:
    """A power of ten."""
    return f"10{str(exponent).translate(_SUPERSCRIPTS)}"


def scale_of(x: float) -> int:
    """The power of ten to be written apart, 0 where a number is readable without."""
    if not x or not math.isfinite(x):
        return 0
    exponent = math.floor(math.log10(abs(x)))
    return 0 if exponent in _UNSCALED else exponent


def plain(value: float, digits: int = 4) -> str:
    """A number without an uncertainty, to so many significant digits."""
    if not value or not math.isfinite(value):
        return fixed(value, 0)
    exponent = scale_of(value)
    if exponent:
        return _scaled(fixed(value / 10.0**exponent, digits - 1), exponent)
    return fixed(value, max(decimals_of(abs(value), digits), 0))


def exact(value: float, unit: str = "1") -> str:
    """A number known exactly, with no more digits than it has."""
    if not math.isfinite(value) or scale_of(value):
        return with_unit(plain(value, 8), unit)
    decimals = next((d for d in range(_MOST_DIGITS) if math.isclose(round(value, d), value, rel_tol=1e-9)), 8)
    return with_unit(fixed(value, decimals), unit)


def rounded(value: float, u: float) -> str:
    """A value to the digits that its uncertainty leaves it."""
    if not value or not (u > 0 and math.isfinite(u) and math.isfinite(value)):
        return exact(value)
    exponent = scale_of(max(abs(value), u))
    scale = 10.0**exponent
    return _scaled(fixed(value / scale, _decimals(u / scale)), exponent)


def value(x: float, u: float, unit: str = "1") -> str:
    """A value with its standard uncertainty to two significant digits and its unit."""
    if not (u > 0 and math.isfinite(u) and math.isfinite(x)):
        return exact(x, unit)
    exponent = scale_of(max(abs(x), u))
    decimals = _decimals(u / 10.0**exponent)
    pair = f"{fixed(x / 10.0**exponent, decimals)}{SPACE}±{SPACE}{fixed(u / 10.0**exponent, decimals)}"
    if exponent or (unit_text(unit) and unit in ("%", "‰")):
        pair = f"({pair})"
    return with_unit(_scaled(pair, exponent), unit)


def change(x: float, u: float, unit: str = "1") -> str:
    """A difference with its standard uncertainty, its sign always shown."""
    text = value(x, u, unit)
    return text if x <= 0 or not math.isfinite(x) else f"+{text}"


def bounds(spread: Spread, unit: str = "1") -> str:
    """The two ends of a credible interval."""
    if not spread.upper > spread.lower:
        return exact(spread.lower, unit)
    exponent, _, lower, upper = _three(spread)
    return with_unit(_scaled(f"({lower} to {upper})", exponent) if exponent else f"{lower} to {upper}", unit)


def interval(spread: Spread, unit: str = "1") -> str:
    """A median with its credible interval, probability and kind beside it."""
    if not spread.upper > spread.lower:
        return exact(spread.median, unit)
    said = f"{percent(INTERVAL_PROBABILITY, 0)} credible interval"
    exponent, middle, lower, upper = _three(spread)
    if exponent:
        return with_unit(_scaled(f"({middle}, {said} {lower} to {upper})", exponent), unit)
    return f"{with_unit(middle, unit)} ({said} {lower} to {with_unit(upper, unit)})"


def middle(spread: Spread, unit: str = "1") -> str:
    """A median with the ends of its credible interval, where a heading says which interval that is."""
    if not spread.upper > spread.lower:
        return exact(spread.median, unit)
    exponent, median, lower, upper = _three(spread)
    if exponent:
        return with_unit(_scaled(f"{median} ({lower} to {upper})", exponent), unit)
    return f"{with_unit(median, unit)} ({lower} to {upper})"


def spread_value(spread: Spread, unit: str = "1") -> str:
    """A mean with its standard deviation and unit."""
    return value(spread.mean, spread.sd, unit)


def percent(share: float, decimals: int = 1) -> str:
    """A share in percent, kept off 0 % and 100 % unless it is exactly that."""
    if math.isnan(share):
        return ABSENT
    smallest = 10.0**-decimals
    shown = round(100 * share, decimals)
    if share > 0 >= shown:
        return f"below {fixed(smallest, decimals)}{SPACE}%"
    if share < 1 and shown >= 100:
        return f"above {fixed(100 - smallest, max(decimals, 0))}{SPACE}%"
    return f"{fixed(shown, decimals)}{SPACE}%"


def chances(lowest: float, highest: float) -> str:
    """The range of a probability over what was tried, said once where both ends read alike."""
    low, high = chance(lowest), chance(highest)
    if low == high:
        return low
    return f"{low} to {high}"


def chance(share: float) -> str:
    """A probability that draws were counted for: one decimal, never 0 % or 100 %."""
    return percent(min(max(share, _NEAR), 1 - _NEAR))


def probability(p: Probability) -> str:
    """A probability in percent with its Monte Carlo error, or the bounds that it has."""
    if p.is_between:
        return between(*p.ends)
    if p.at_least is not None:
        return f"above {_bound(1 - p.at_least)}"
    if p.at_most is not None:
        return f"below {fixed(*_ceiling(p.at_most))}{SPACE}%"
    return percent_with_error(p.value, p.mcse)


def in_a_sentence(p: Probability) -> str:
    """A probability as it stands in a sentence, in which "to" leads to something else than a bound."""
    text = probability(p)
    return f"between {text.replace(' to ', ' and ')}" if p.is_between and " to " in text else text


def brief(p: Probability) -> str:
    """A probability where there is little room; in whole percents what draws without a value leave open of it."""
    if not p.is_between:
        return chance(p.value)
    least, most = (fixed(100 * end, 0) for end in p.span)
    return f"{least} to {most}{SPACE}%"


def between(least: float, most: float) -> str:
    """What draws without a value leave open of a probability: both bounds, or the one that says something."""
    if least == most:
        return chance(least)
    if least < LITTLE:
        return f"0{SPACE}% to 100{SPACE}%" if most > 1 - LITTLE else _at("at most", most)
    return _at("at least", least) if most > 1 - LITTLE else chances(least, most)


def _at(which: str, bound: float) -> str:
    return f"{which} {chance(bound)}" if LITTLE <= bound <= 1 - LITTLE else chance(round(bound))


def percent_with_error(share: float, mcse: float) -> str:
    """A share in percent with its Monte Carlo error to one significant digit, at most two decimals."""
    if not (mcse > 0 and math.isfinite(mcse)):
        return percent(share) if math.isnan(share) else chance(share)
    decimals = _percent_decimals(mcse)
    shown = percent(share, decimals)
    if not shown[0].isdigit():
        return shown
    error = max(100 * mcse, 10.0**-decimals)
    return f"{shown}{SPACE}±{SPACE}{fixed(error, decimals)}{SPACE}%"


def percent_beside(share: float, mcse: float) -> str:
    """A share in percent to the decimals of another that has a Monte Carlo error, no more than it has itself."""
    if not (mcse > 0 and math.isfinite(mcse)):
        return percent(share)
    decimals = next((d for d in range(3) if math.isclose(round(100 * share, d), 100 * share, rel_tol=1e-9)), 2)
    return percent(share, min(decimals, _percent_decimals(mcse)))


def _percent_decimals(mcse: float) -> int:
    return min(max(decimals_of(100 * mcse, 1), 1), 2)


def words(w: Words | None, share: float) -> str:
    """The published phrase for a probability with the band that it stands for."""
    if w is None:
        return f"{'less probable' if share < _EVEN else 'surer'} than any published word"
    return f"{w.phrase} ({fixed(100 * w.lower, 0)} to {percent(w.upper, 0)})"


def bayes_factor(factor: float | None) -> str:
    """Posterior odds over prior odds, to two significant digits."""
    return ABSENT if factor is None or math.isnan(factor) else plain(factor, 2)


def factor(x: float) -> str:
    """A width factor as a multiple, such as ×2 or ×1/4."""
    if x >= 1 or not x:
        return f"×{plain(x, 3) if x % 1 else fixed(x, 0)}"
    inverse = 1 / x
    return f"×1/{plain(inverse, 3) if abs(inverse - round(inverse)) > 1e-6 else fixed(inverse, 0)}"


def _decimals(u: float) -> int:
    return min(max(decimals_of(u), 0), _MOST_DIGITS)


def _scaled(text: str, exponent: int) -> str:
    return f"{text}{SPACE}×{SPACE}{power_text(exponent)}" if exponent else text


def _three(spread: Spread) -> tuple[int, str, str, str]:
    """A power of ten, and median and both ends over it to the digits that the spread leaves them."""
    u = spread.sd if spread.sd > 0 and math.isfinite(spread.sd) else spread.upper - spread.lower
    exponent = scale_of(max(abs(spread.lower), abs(spread.upper)))
    decimals = _decimals(u / 10.0**exponent)
    median, lower, upper = (fixed(x / 10.0**exponent, decimals) for x in (spread.median, spread.lower, spread.upper))
    return exponent, median, lower, upper


def _ceiling(share: float) -> tuple[float, int]:
    """A small share in percent, rounded up to one significant digit, and its decimals."""
    decimals = max(decimals_of(100 * share, 1), 0) if share > 0 else _MOST_DIGITS
    return math.ceil(round(100 * share * 10**decimals, 6)) / 10**decimals, decimals


def _bound(rest: float) -> str:
    """What is left of 100 % when a rest, rounded up, is taken off."""
    most, decimals = _ceiling(rest)
    return f"{fixed(100 - most, decimals)}{SPACE}%"
