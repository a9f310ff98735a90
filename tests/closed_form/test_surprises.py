"""How far readings lie from what the rest foretells where there are several modes, against every way of it enumerated."""

from __future__ import annotations

import math

import numpy as np
import pytest

from closed_form.camps import Camps, Exact, Reading
from gaugeglass.inference.posterior import infer
from gaugeglass.judgement.leaving import leave_out, units
from gaugeglass.judgement.surprises import surprise
from references.estimates import Estimate

BASES = (1.0, 1.3)


def graded(*values: float, u: float, right: float, origin: str = "", reliable: float = 1.0) -> tuple[Reading, ...]:
    return tuple(Reading(y, u, right=right, origin=origin, reliable=reliable) for y in values)


def open_to(*values: float, origin: str = "") -> tuple[Reading, ...]:
    return tuple(Reading(y, 0.5, bases=BASES, origin=origin) for y in values)


def offset(*values: float, lab: int) -> tuple[Reading, ...]:
    return tuple(Reading(y, 0.4, (1.0, *(float(k == lab) for k in range(3))), right=0.7) for y in values)


CAMPS = {
    "two against three": Camps((10,), graded(-6, -5.8, u=0.3, right=0.8) + graded(7, 7.3, 7.1, u=0.3, right=0.6)),
    "three origins": Camps(
        (10,),
        graded(-6, -5.7, u=0.3, right=0.9, origin="X", reliable=0.6)
        + graded(3, 3.2, u=0.3, right=0.9, origin="Y", reliable=0.7)
        + graded(3.6, 5, u=0.5, right=0.9, origin="Z", reliable=0.8),
    ),
    "open bases": Camps((40,), (*open_to(30, 30.3, 29.5), Reading(23.5, 3))),
    "open bases of three": Camps((40,), (*open_to(30, 30.3, 29.5, origin="X"), *open_to(23.2, 30.9, origin="Y"))),
    "open bases of two": Camps((40,), (*open_to(30, 30.3, origin="X"), *open_to(23.2, 23.3, origin="Y"))),
    "laboratories": Camps((10, 2, 2, 2), offset(-5, -5.5, lab=0) + offset(6, 6.4, lab=1) + offset(5.5, lab=2)),
}


@pytest.mark.parametrize("name", CAMPS)
@pytest.mark.parametrize("seed", [1, 3])
def test_a_surprise_is_the_one_known_exactly(name: str, seed: int) -> None:
    """Of each reading its two-sided tail in closed form, of each origin the misfit of 400 000 sets of its readings.

    Within four Monte Carlo errors, and these are at most 0.04. A mode that none of the draws is in may count for more
    than they scatter by, which is part of the error; a basis that is not the likeliest may be the one that was meant.
    """
    camps, rng = CAMPS[name], np.random.default_rng(seed)
    posterior = infer(camps.spec(), seed=seed)
    for left in leave_out(posterior, units(posterior.spec)):
        own = tuple(int(i.removeprefix("r")) for i in left.unit.ids)
        exact = Exact(camps, without=own)
        found = surprise(posterior.density, left, seed=seed)
        assert found.kind == ("tail" if len(own) == 1 else "misfit")
        expected = exact.tail(own[0]) if len(own) == 1 else exact.misfit(own, rng)
        p = found.probability
        if math.isnan(p.mcse):
            assert (p.at_least or 0.0) <= expected <= (1.0 if p.at_most is None else p.at_most), own
            continue
        assert Estimate(p.value, p.mcse).agrees(expected), own
        assert p.mcse < 0.04
