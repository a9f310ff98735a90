"""Limits by which ranks and coverage of a calibration are judged: a right engine fails one seed in a hundred."""

from __future__ import annotations

from scipy import stats

from gaugeglass.judgement.calibration import Calibration

SIMULATIONS = 100
MISTAKE = 0.01
"""Chance that a right engine fails one test, over all its quantities (Bonferroni). [1]"""
PROBABILITY = 0.9


def moving(found: Calibration) -> list[str]:
    """Quantities whose rank says something: those with a truth in ten simulations or more."""
    return [name for name, ranks in found.ranks.items() if len(ranks) >= 10]


def off(found: Calibration) -> list[str]:
    """Quantities whose ranks are not uniform, by the limit shared among them."""
    names = moving(found)
    return [name for name in names if found.p_value(name) < MISTAKE / len(names)]


def off_in_coverage(found: Calibration) -> list[str]:
    """Quantities whose 90 % intervals hold the truth more or less often than the binomial distribution allows."""
    names = moving(found)
    tail = MISTAKE / len(names) / 2
    wrong = []
    for name in names:
        n = len(found.ranks[name])
        lower, upper = stats.binom(n, PROBABILITY).ppf([tail, 1 - tail]) / n
        if not lower <= found.coverage(name, PROBABILITY) <= upper:
            wrong.append(name)
    return wrong
