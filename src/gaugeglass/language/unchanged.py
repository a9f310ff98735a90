"""What an alternative states that the files say already, so that nothing is otherwise by it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from gaugeglass.errors import Fault
from gaugeglass.language.alternatives import OPTIONS, stated_before, written
from gaugeglass.language.located import show
from gaugeglass.language.spec import Alternative, Spec

_CLOSE = 1e-9
"""Relative difference up to which two numbers are one, written in other units or with other digits. [1]"""


def unchanged(spec: Spec, altered: Spec) -> Alternative:
    """The part of an alternative by which nothing is otherwise than in a Spec.

    A reading is the same where its ends and its u are, a prior where its family and parameters are, prior weights where
    every hypothesis has the share that it had. What is left out is never part of it.
    """
    asked = altered.alternative or Alternative()
    rows: Mapping[str, Callable[[Spec, str], Sequence[Any]]] = {
        "replace": _reading, "prior_weights": _shares, "priors": _prior, "givens": _given,
    }  # fmt: skip
    same: dict[str, Any] = {
        key: {name: value for name, value in getattr(asked, key).items() if _alike(row(spec, name), row(altered, name))}
        for key, row in rows.items()
    }
    return Alternative(**same)


def remaining(asked: Alternative, part: Alternative) -> Alternative:
    """What is left of an alternative without a part of it."""
    left: dict[str, Any] = {
        key: {name: value for name, value in getattr(asked, key).items() if name not in getattr(part, key)}
        for key in OPTIONS
        if key != "without"
    }
    return replace(asked, **left)


def faults_of(part: Alternative, altered: Spec) -> tuple[Fault, ...]:
    """That nothing is otherwise by what an alternative states, under the names that the command line has for it."""
    before = stated_before(altered)
    return tuple(
        Fault(
            "the command line", None, f"{OPTIONS[key]} {name}", f"{show(written(value))}, which changes nothing",
            f"something else; the files say {written(getattr(before, key).get(name, value))}",
        )
        for key in OPTIONS
        if key != "without"
        for name, value in getattr(part, key).items()
    )  # fmt: skip


def _alike(row: Sequence[Any], other: Sequence[Any]) -> bool:
    """Whether two rows have the same numbers, as near as rounding leaves them, and the same other things."""
    return len(row) == len(other) and all(map(_is_one, row, other))


def _is_one(part: Any, other: Any) -> bool:
    if isinstance(part, float) and isinstance(other, float):
        return math.isclose(part, other, rel_tol=_CLOSE)
    return bool(part == other)


def _reading(spec: Spec, name: str) -> Sequence[Any]:
    o = next(o for o in spec.dossier.observations if o.id == name)
    return o.lower, o.upper, o.u


def _shares(spec: Spec, _: str) -> Sequence[Any]:
    weights = [h.prior_weight for h in spec.hypotheses]
    return [weight / sum(weights) for weight in weights]


def _prior(spec: Spec, name: str) -> Sequence[Any]:
    prior = next(q.prior for q in spec.model.latents if q.name == name)
    return prior.family, prior.trees, *(part for named in prior.parameters for part in named)


def _given(spec: Spec, name: str) -> Sequence[Any]:
    return (spec.givens.get(name),)
