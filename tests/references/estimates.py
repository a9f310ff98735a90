"""Sampled numbers with their Monte Carlo errors, and how they are compared with what is published or known exactly.

Errors are those of ArviZ (A. Vehtari et al., Bayesian Analysis 16 (2021) 667), not of the engine under test.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Any

import numpy as np
from arviz_stats.base import array_stats

ERRORS = 4
"""Combined Monte Carlo errors within which two sampled numbers agree. [1]"""


@dataclass(frozen=True)
class Estimate:
    """A number from draws and its Monte Carlo standard error."""

    value: float
    mcse: float

    def agrees(self, expected: float, *, mcse: float = 0.0, half_digit: float = 0.0) -> bool:
        """Whether it is an expected number within combined errors.

        ``mcse`` is the expected number's own Monte Carlo error, ``half_digit`` the most that it was rounded by.
        """
        return abs(self.value - expected) <= ERRORS * hypot(self.mcse, mcse) + half_digit


def mean_of(draws: np.ndarray) -> Estimate:
    """Mean of draws, dims ("chain", "draw")."""
    return Estimate(float(np.mean(draws)), _mcse(draws, method="mean"))


def sd_of(draws: np.ndarray) -> Estimate:
    """Standard deviation of draws, dims ("chain", "draw")."""
    return Estimate(float(np.std(draws)), _mcse(draws, method="sd"))


def quantile_of(draws: np.ndarray, probability: float) -> Estimate:
    """A quantile of draws, dims ("chain", "draw")."""
    return Estimate(float(np.quantile(draws, probability)), _mcse(draws, method="quantile", prob=probability))


def _mcse(draws: np.ndarray, **how: Any) -> float:
    return float(array_stats.mcse(draws, chain_axis=0, draw_axis=1, **how))
