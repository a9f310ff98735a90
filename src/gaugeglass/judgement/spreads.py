"""A distribution in five numbers."""

from __future__ import annotations

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Spread


def spread_of(values: Floats) -> Spread:
    """Mean, sd, median and equal-tailed 90 % interval of draws, in their unit; what is not finite is left out."""
    finite = np.ravel(values)
    finite = finite[np.isfinite(finite)]
    if np.ptp(finite) == 0:
        value = float(finite[0])
        return Spread(value, 0.0, value, value, value)
    edge = (1 - INTERVAL_PROBABILITY) / 2
    lower, median, upper = np.quantile(finite, [edge, 0.5, 1 - edge])
    return Spread(float(finite.mean()), float(finite.std()), float(median), float(lower), float(upper))
