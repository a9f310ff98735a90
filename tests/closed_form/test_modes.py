"""Several modes: readings of which some are wrong, or a basis is open, against every way of it enumerated.

Everything is held to four of its Monte Carlo errors. Chains that follow the slope stay in one mode of these, and nothing
in them tells.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy import optimize

from closed_form.camps import Camps, Exact, Reading
from gaugeglass.inference import modes
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.modes import REMEDY, cross, may_be_several
from gaugeglass.inference.posterior import Posterior, holds, infer
from gaugeglass.inference.sampling import Settings
from gaugeglass.judgement.leaving import Left, leave_out, units
from gaugeglass.judgement.results import Probability
from gaugeglass.judgement.tipping import confirmed, search
from gaugeglass.judgement.widths import curves
from references.estimates import Estimate, mean_of


def readings(*values: float, u: float, right: float, origin: str = "", reliable: float = 1.0) -> tuple[Reading, ...]:
    return tuple(Reading(v, u, right=right, origin=origin, reliable=reliable) for v in values)


def offset(*values: float, lab: int) -> tuple[Reading, ...]:
    row = (1.0, *(float(k == lab) for k in range(3)))
    return tuple(Reading(v, 0.4, row, right=0.7) for v in values)


POINTS = ((-3, -16), (-2, -9), (-1, 11), (0, 8), (1, 6), (2, 12), (3, 15))
BASES = (1.0, 1.3)
CAMPS = {
    "two against three": Camps((10,), readings(-6, -5.8, u=0.3, right=0.8) + readings(7, 7.3, 7.1, u=0.3, right=0.6)),
    "two against two": Camps((10,), readings(-4, -3.9, 4.2, 3.8, u=0.5, right=0.7)),
    "two origins": Camps(
        (10,),
        readings(-6, -5.7, -6.2, u=0.3, right=0.9, origin="X", reliable=0.6)
        + readings(3, 3.2, u=0.3, right=0.9, origin="Y", reliable=0.7)
        + readings(3.6, u=0.5, right=0.9),
    ),
    "a line": Camps((30, 10), tuple(Reading(y, 2, (1, x), right=0.75) for x, y in POINTS), above=3),
    "open bases": Camps(
        (40,),
        (*(Reading(y, u, bases=BASES) for y, u in ((30, 0.5), (30.3, 0.5), (29.5, 1))), Reading(23.5, 3)),
        above=26,
    ),
    "laboratories": Camps((10, 2, 2, 2), offset(-5, -5.5, lab=0) + offset(6, 6.4, lab=1) + offset(5.5, lab=2)),
}
ANCHORED = Camps((10,), (Reading(-5, 0.5), *readings(-5.2, -4.9, 5.1, 4.8, 5, u=0.4, right=0.7)))
"""Only the first reading, which is not graded, rules out the three."""
SHIFTED = Camps((10,), (Reading(-14, 3), *ANCHORED.readings[1:]))
NARROW = Camps((1.6,), readings(-1.5, -1.2, u=0.4, right=0.8) + readings(8, 8.1, u=0.3, right=0.9), above=3)
"""Only the prior rules out the two."""
TWO_BASES = Camps((40,), tuple(Reading(y, 0.5, bases=BASES) for y in (30, 23.2)), above=26)


@cache
def posterior(camps: Camps) -> Posterior:
    return infer(camps.spec(), seed=1)


@cache
def lefts(camps: Camps) -> dict[int, Left]:
    found = posterior(camps)
    return {int(left.unit.name[1:]): left for left in leave_out(found, units(found.spec))}


def claim_without(camps: Camps, left: Left) -> Probability:
    (claim,) = posterior(camps).spec.model.claims
    return left.probability(lambda _, fit: holds(claim, fit.quantities))


def agrees(found: Probability, exact: float) -> bool:
    """Within four errors, or within what so many draws leave open where all agree."""
    if math.isnan(found.mcse):
        return (found.at_least or 0.0) <= exact <= (1.0 if found.at_most is None else found.at_most)
    return Estimate(found.value, found.mcse).agrees(exact)


@pytest.mark.parametrize("name", CAMPS)
@pytest.mark.parametrize("seed", [1, 2])
def test_draws_go_from_mode_to_mode(name: str, seed: int) -> None:
    camps = CAMPS[name]
    exact, density = Exact(camps), compile_density(camps.spec())
    found = cross(density, density.dials("as_stated"), Settings(seed))
    assert found is not None
    assert found.evidence is not None
    assert not found.fit.diagnostics.faults
    assert found.fit.diagnostics.remedy == REMEDY
    level = found.fit.quantities["x0"]
    assert mean_of(level).agrees(exact.mean)
    assert mean_of((level > camps.above).astype(float)).agrees(exact.claim)
    assert Estimate(found.evidence.log, found.evidence.mcse).agrees(exact.log_z)
    assert found.evidence.mcse < 0.01


def test_a_peak_that_no_start_leads_to_is_found_by_the_weights(monkeypatch: pytest.MonkeyPatch) -> None:
    camps = CAMPS["two against three"]
    exact, density = Exact(camps), compile_density(camps.spec())
    monkeypatch.setattr(modes, "_ways", lambda *_: ())
    monkeypatch.setattr(modes, "_fitting_draws", lambda *_: ())
    found = cross(density, density.dials("as_stated"), Settings(1))
    assert found is not None
    assert found.evidence is not None
    assert found.evidence.mcse < 0.01
    assert mean_of((found.fit.quantities["x0"] > 0).astype(float)).agrees(exact.claim)


def test_nothing_is_crossed_where_nothing_may_be_wrong() -> None:
    density = compile_density(Camps((10,), (Reading(-5, 0.5), Reading(5, 0.5))).spec())
    assert not may_be_several(density)
    assert cross(density, density.dials("as_stated"), Settings(1)) is None


@pytest.mark.parametrize("camps", [ANCHORED, TWO_BASES], ids=["anchored", "two bases"])
def test_leaving_out_finds_the_mode_that_only_a_reading_rules_out(camps: Camps) -> None:
    assert max(Exact(camps, without=(k,)).claim for k in lefts(camps)) > 0.4
    for k, left in lefts(camps).items():
        exact, part = Exact(camps, without=(k,)), left.parts["as_stated"]
        assert agrees(claim_without(camps, left), exact.claim), k
        assert Estimate(part.evidence.log, part.evidence.mcse).agrees(exact.log_z), k


def test_a_width_curve_finds_the_mode_that_only_the_prior_rules_out() -> None:
    (claim,) = posterior(NARROW).spec.model.claims
    (curve,) = curves(posterior(NARROW), {"high": (lambda _, q: holds(claim, q), 0.5)}).values()
    assert len(curve.points) == 9
    for p in curve.points:
        exact = Exact(NARROW, stretch=p.factor).claim
        assert Estimate(p.probability, p.mcse).agrees(exact, half_digit=5 / 1200), p.factor  # where all draws agree
    assert curve.points[-1].probability > 0.7


def test_a_shift_leads_to_the_mode_that_no_draw_with_the_reading_is_in() -> None:
    found = posterior(SHIFTED)
    (claim,) = found.spec.model.claims
    assert not np.any(holds(claim, found.fits["as_stated"].quantities))

    def over(shift: float) -> float:
        return Exact(SHIFTED, shift={0: shift}).claim - 0.5

    root = optimize.brentq(over, 0, 5)
    (tipping,) = search(found, lefts(SHIFTED)[0], claim).tipping
    assert tipping.side == "above"
    assert Estimate(tipping.shift, tipping.shift_mcse).agrees(root)
    assert tipping.shift_mcse < 0.1 * root
    (again,) = confirmed(found, claim, [(lefts(SHIFTED)[0], tipping)], lambda share: None)
    assert again is not None
    assert Estimate(again.value, again.mcse).agrees(over(tipping.shift) + 0.5)


@pytest.mark.parametrize("name", CAMPS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_whole_inference_goes_from_mode_to_mode(name: str, seed: int) -> None:
    camps = CAMPS[name]
    exact, found = Exact(camps), infer(camps.spec(), seed=seed)
    level = found.fits["as_stated"].quantities["x0"]
    assert mean_of(level).agrees(exact.mean)
    assert mean_of((level > camps.above).astype(float)).agrees(exact.claim)
    (evidence,) = found.weights.evidences
    assert Estimate(evidence.log, evidence.mcse).agrees(exact.log_z)
