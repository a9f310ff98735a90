"""Correlated errors as errors that readings have in common.

Errors with the correlations R are as if each were one of its own and a few in common with others: R = d I + F F',
where d is the least eigenvalue of R. The columns of F are found by Cholesky's factorisation with pivots, which stops
where nothing is left (N. J. Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., 2002, 10.3; from memory),
so that readings of which every two are equally correlated have one error in common, and those in pairs one a pair.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

import numpy as np

from gaugeglass.language.correlations import connected
from gaugeglass.language.spec import Correlation

type Load = tuple[str, float]
"""An error in common, by the id of the observation for which it was found, and what it adds to one, in its u. [1]"""

_NOTHING = 1e-12


def loads_of(correlations: Iterable[Correlation], present: Collection[str]) -> dict[str, tuple[Load, ...]]:
    """What each observation has in common with others, by its id, of those present, in their order.

    The error of its own that is left has the variance ``1 - sum(load**2)``, in its u.
    """
    there = set(present)
    r = {c.between: c.r for c in correlations if c.r != 0 and there.issuperset(c.between)}
    found: dict[str, tuple[Load, ...]] = {}
    for names in connected(r, present):
        matrix = np.array([[1.0 if a == b else r.get((a, b), r.get((b, a), 0.0)) for a in names] for b in names])
        left = matrix - np.linalg.eigvalsh(matrix)[0] * np.eye(len(names))
        loads: dict[str, list[Load]] = {name: [] for name in names}
        while left[(k := int(left.diagonal().argmax())), k] > _NOTHING:
            column = left[:, k] / np.sqrt(left[k, k])
            left -= np.outer(column, column)
            left[k], left[:, k] = 0.0, 0.0
            for name, load in zip(names, column, strict=True):
                if abs(load) > _NOTHING:
                    loads[name].append((names[k], float(load)))
        found |= {name: tuple(own) for name, own in loads.items()}
    return found
