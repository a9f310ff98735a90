"""Numbers of draws as sixteen bits each, so that a page can carry many of them.

Of the sixteen bits a column uses as many as it needs: codes are multiples of a power of two, which packs better.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

type Floats = NDArray[np.float64]
type Scale = Literal["linear", "log", "below"]
type Codes = NDArray[np.uint16]

MISSING, MOST = 65535, 65534
"""The code of what is no number, and the greatest of those that are."""
BITS = 13
"""How finely most numbers of draws are told apart. [bit]"""
DEEPEST = 400.0
"""How far below its greatest value a log-likelihood is told apart. [nat]"""
_WIDE = 50.0  # ratio of the greatest to the least positive value above which codes are of logarithms

_LARGEST = 1e300
"""What is larger has no value for whoever reckons with it. [unit of the column]"""


@dataclass(frozen=True, eq=False)
class Column:
    """One number of every draw.

    A code c stands for ``low + (high - low) * c / MOST``, of the logarithm if ``scale`` is "log"; if it is "below", for
    ``high - (high - low) * (c / MOST) ** 2``. ``MISSING`` stands for NaN, or where ``scale`` is "below" for minus
    infinity.
    """

    codes: Codes
    low: float
    high: float
    scale: Scale

    @cached_property
    def values(self) -> Floats:
        """The numbers that the codes stand for, dims ("draw",)."""
        share = self.codes / MOST
        if self.scale == "below":
            return np.where(self.codes == MISSING, -np.inf, self.high - (self.high - self.low) * share**2)
        values = self.low + (self.high - self.low) * share
        return np.where(self.codes == MISSING, np.nan, np.exp(values) if self.scale == "log" else values)


def coded(values: Floats, *, bits: int) -> Column:
    """Numbers as codes, logarithms where they are positive and of very different size. dims ("draw",)"""
    values = np.where(np.abs(values) < _LARGEST, values, np.nan)
    seen = values[np.isfinite(values)]
    if seen.size and seen.min() > 0 and seen.max() > _WIDE * seen.min():
        return _between(np.log(np.where(values > 0, values, np.nan)), bits, "log")
    return _between(values, bits, "linear")


def _between(values: Floats, bits: int, scale: Scale) -> Column:
    is_seen = np.isfinite(values)
    low, high = (float(f(values[is_seen])) for f in (np.min, np.max)) if is_seen.any() else (0.0, 0.0)
    share = np.where(is_seen, values - low, 0.0) / ((high - low) or 1.0)
    codes, most = _rounded(share, bits)
    return Column(np.where(is_seen, codes, MISSING).astype(np.uint16), low, low + (high - low) * MOST / most, scale)


def coded_below(values: Floats, *, bits: int) -> Column:
    """Log-likelihoods as codes, the finer the greater; none is more than ``DEEPEST`` lower. dims ("draw",)"""
    is_seen = np.isfinite(values)
    high = float(np.max(values[is_seen])) if is_seen.any() else 0.0
    depth = np.minimum(np.where(is_seen, high - values, 0.0), DEEPEST)
    deepest = float(depth.max(initial=0.0))
    codes, most = _rounded(np.sqrt(depth / (deepest or 1.0)), bits)
    return Column(
        np.where(is_seen, codes, MISSING).astype(np.uint16), high - deepest * (MOST / most) ** 2, high, "below"
    )


def _rounded(share: Floats, bits: int) -> tuple[Floats, int]:
    """Codes of numbers between 0 and 1, and the greatest of them."""
    step = 1 << (16 - bits)
    steps = MOST // step
    return np.round(share * steps) * step, steps * step


def moved_apart(column: Column, values: Floats, at: float, *, is_above: bool = False) -> Column:
    """The same with every number on that side of ``at`` on which it was before it was coded; ``at`` itself is below.

    Where it ``is_above`` it is above.
    """
    if column.high == column.low:
        return column
    beyond = np.greater_equal if is_above else np.greater
    codes, step = column.codes.astype(int), _step(column.codes)
    for _ in range(2):
        now = Column(codes.astype(np.uint16), column.low, column.high, column.scale).values
        is_seen = codes != MISSING
        up, down = is_seen & beyond(values, at) & ~beyond(now, at), is_seen & ~beyond(values, at) & beyond(now, at)
        codes = np.where(is_seen, np.clip(codes + step * (up.astype(int) - down.astype(int)), 0, MOST), MISSING)
    return Column(codes.astype(np.uint16), column.low, column.high, column.scale)


def _step(codes: Codes) -> int:
    used = np.unique(codes[codes != MISSING]).astype(int)
    return int(np.gcd.reduce(used)) or 1
