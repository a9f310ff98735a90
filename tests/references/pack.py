"""The relations of the shipped pack model in plain numbers, apart from any inference."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import demo_truth
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.files import check
from gaugeglass.language.spec import Model

MODELS = Path(__file__).parents[2] / "models"


@cache
def model() -> Model:
    """The shipped model."""
    found = check(MODELS / "traction-pack.yaml").model
    assert found is not None
    return found


def relate(**changes: float) -> dict[str, float]:
    """Every quantity of the model, each in its unit, at the demo's truth but for what is changed."""
    values = demo_truth.GIVENS | demo_truth.TRUTH | changes
    for relation in model().relations:
        values[relation.name] = float(evaluate(relation.equals, values))
    return values


def predicted(method: str, quantities: dict[str, float], **inputs: float) -> float:
    """What a method of the model would read without error, in its unit."""
    return float(evaluate(model().method_by_name[method].measures, {**quantities, **inputs}))
