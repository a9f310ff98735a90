"""What a claim holds against which number, as its text has it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from conftest import OBSERVATIONS
from gaugeglass.judgement.limits import limit
from gaugeglass.language.expressions import evaluate, lower_truth
from gaugeglass.language.files import load
from gaugeglass.language.spec import Claim, Spec


@cache
def heron() -> Spec:
    return load(OBSERVATIONS / "heron-35.yaml")


def claimed(text: str, spec: Spec) -> Claim:
    quantities = spec.model.quantities
    groups = {name: q.per for name, q in quantities.items() if getattr(q, "per", None)}
    return Claim("x", "x", lower_truth(text, {name: q.unit for name, q in quantities.items()}, groups=groups), text)


@pytest.mark.parametrize(
    ("text", "name", "compared"),
    [
        ("held_back > 5 %", "held_back", (">", 0.05, "1", "")),
        ("5 % < held_back", "held_back", (">", 0.05, "1", "")),
        ("usable >= stated_usable", "usable", (">=", 68.0, "kWh", "")),
        ("usable * health >= 20000 Wh", "", (">=", 20000.0, "Wh", "usable * health")),
        ("150 [Wh/kg] < usable / cells_mass", "", (">", 150.0, "Wh/kg", "usable / cells_mass")),
        ("max(usable, 3 kWh) <= 4 kWh", "", ("<=", 4.0, "kWh", "max(usable, 3 kWh)")),
        ("usable - stated_usable > 0", "", (">", 0.0, "kWh", "usable - stated_usable")),
        ("cells_mass < cell_count * 1 kg - 2 kg", "", ("<", 0.0, "kg", "cells_mass - (cell_count * 1 kg - 2 kg)")),
        ("cells_mass * usable > usable * cells_mass", "", (">", 0.0, "m**2*kg**2*s**-2", "cells_mass * usable - usable * cells_mass")),
    ],
)  # fmt: skip
def test_what_is_compared_is_what_the_claim_says(text: str, name: str, compared: tuple[str, float, str, str]) -> None:
    """And where it is on the side of the number that the claim wants, the claim holds."""
    spec = heron()
    found = limit(spec, claim := claimed(text, spec))
    assert found is not None
    own = found.compared
    assert (found.name, (own.sign, own.at, own.unit, own.of)) == (
        name,
        (compared[0], pytest.approx(compared[1]), *compared[2:]),
    )
    rng = np.random.default_rng(1)
    values = {n: rng.lognormal(1.0, 2.0, 400) for n in spec.model.quantities} | spec.givens
    side = evaluate(found.value, values)
    signs = {">": np.greater, ">=": np.greater_equal, "<": np.less, "<=": np.less_equal}
    near = np.abs(side - own.at) < 1e-9 * np.abs(side)
    assert np.array_equal(signs[own.sign](side, own.at)[~near], evaluate(claim.holds, values)[~near])


@pytest.mark.parametrize(
    "text",
    ["health < 90 % and usable > 3 kWh", "not usable > 3 kWh", "1 kWh < usable < 3 kWh", "stated_usable > 3 kWh"],
)
def test_other_claims_have_no_number_to_move(text: str) -> None:
    assert limit(heron(), claimed(text, heron())) is None


def test_a_share_of_members_has_one() -> None:
    spec = load(OBSERVATIONS / "fleet.yaml")
    found = limit(spec, claimed("mean(where(health < 90 %, 1, 0)) > 0.1", spec))
    assert found is not None
    assert (found.name, found.compared.of, found.compared.at) == ("", "mean(where(health < 90 %, 1, 0))", 0.1)
