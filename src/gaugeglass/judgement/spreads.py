"""A distribution in five numbers."""

from __future__ import annotations

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Spread


def spread_of(values: Floats) -> Spread:
    """Mean, sd, median and equal-tailed 90 % interval of draws, in their unit; what is not finite is left out."""
    every = np.ravel(values)
    finite = every[np.isfinite(every)]
    no_value = 1 - finite.size / every.size
    if finite.size == 0:
        nan = float("nan")
        return Spread(nan, nan, nan, nan, nan, no_value)
    if np.ptp(finite) == 0:
        value = float(finite[0])
        return Spread(value, 0.0, value, value, value, no_value)
    edge = (1 - INTERVAL_PROBABILITY) / 2
    lower, median, upper = np.quantile(finite, [edge, 0.5, 1 - edge])
    mean, sd = float(finite.mean()), float(finite.std())
    return Spread(mean, sd, float(median), float(lower), float(upper), no_value)
