"""Weighing on an instrument of class III: limits of error, rounding to a division, and a bridge's own error."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec
from references.estimates import mean_of, sd_of

DIVISION = 20.0
"""Verification scale division e. [kg]"""
LIMITS = ((500, 0.5), (2000, 1.0), (math.inf, 1.5))
"""Class III: load up to so many e, limit of error in e, at verification. Twice that in service."""
LOAD = 2100.0
"""[kg]"""
IN_SERVICE = 20.0
"""Limit of error in service at that load. [kg]"""
U_LIMIT, U_ROUNDING = 11.5, 5.8
"""Standard uncertainties of a rectangular error of ±20 kg and of rounding to 20 kg, as published. [kg]"""
HALF_DIGIT = 0.05


def limit_in_service(load: float, division: float) -> float:
    """Limit of error in service. [kg]"""
    return 2 * division * next(limit for most, limit in LIMITS if load / division <= most)


def ticket(**keys: Any) -> dict[str, Any]:
    """A ticket that shows the load."""
    return {"method": "weighing", "value": f"{LOAD:g} kg", **keys}


def bridge(*observations: dict[str, Any], own: str | None = None, shared: bool = False) -> Spec:
    """Tickets of one vehicle, whose mass is not known at all before."""
    likelihood = {"family": "normal"} | ({"u": own} if own else {})
    method = {"about": "A weighbridge", "measures": "mass", "likelihood": likelihood}
    if shared:
        method["shared"] = {"by": "origin", "u": f"{IN_SERVICE / math.sqrt(3)!r} kg"}
    prior = {"family": "normal", "mean": f"{LOAD:g} kg", "sd": "5 t"}
    model = {
        "title": "A vehicle on a weighbridge",
        "latents": {"mass": {"about": "Mass", "unit": "kg", "prior": prior, "because": "Flat"}},
        "methods": {"weighing": method},
    }
    numbered = [o | {"id": f"ticket-{k}"} for k, o in enumerate(observations)]
    return specify(model, {"dossier": "bridge", "subject": "A vehicle", "observations": numbered})


def mass(spec: Spec) -> np.ndarray:
    return infer(spec, seed=1, draws=4000).fits["as_stated"].quantities["mass"]


def test_limits_follow_from_class_iii() -> None:
    """UK SI 1995/1907, schedule 2, as OIML R 76-1: ±0.5 e to 500 e, ±1 e to 2,000 e, ±1.5 e above; twice that in service.

    At 2,100 kg on a division of 20 kg, 105 e: ±20 kg in service. Exact.
    """
    assert limit_in_service(LOAD, DIVISION) == IN_SERVICE
    assert limit_in_service(500 * DIVISION, DIVISION) == 20
    assert limit_in_service(501 * DIVISION, DIVISION) == 40
    assert limit_in_service(2001 * DIVISION, DIVISION) == 60


def test_limit_of_error_is_a_standard_uncertainty() -> None:
    """±20 kg as ``tolerance`` is u = 20/√3 kg, published 11.5 kg; as read, and as it comes out. Half the last digit."""
    spec = bridge(ticket(tolerance=f"{IN_SERVICE:g} kg"))
    assert spec.evidence[0].u == pytest.approx(IN_SERVICE / math.sqrt(3), rel=1e-12)
    assert sd_of(mass(spec)).agrees(U_LIMIT, half_digit=HALF_DIGIT)


def test_rounding_to_a_division_adds_its_own() -> None:
    """Rounding to 20 kg is u = 20/√12 kg, published 5.8 kg, and adds to 11.5 kg in squares: the posterior is the sum of both errors.

    The published numbers are rounded, so half of their last digit is the tolerance beside four Monte Carlo errors.
    """
    drawn = mass(bridge(ticket(tolerance=f"{IN_SERVICE:g} kg", rounded=f"{DIVISION:g} kg")))
    assert mean_of(drawn).agrees(LOAD)
    assert sd_of(drawn).agrees(math.sqrt(IN_SERVICE**2 / 3 + DIVISION**2 / 12))
    assert sd_of(drawn).agrees(math.hypot(U_LIMIT, U_ROUNDING), half_digit=HALF_DIGIT)
    assert sd_of(mass(bridge(ticket(u="0.5 kg", rounded=f"{DIVISION:g} kg")))).agrees(U_ROUNDING, half_digit=HALF_DIGIT)


@pytest.mark.parametrize("count", [1, 2, 8])
def test_weighings_on_one_bridge_share_its_error(count: int) -> None:
    """Any number of tickets of one bridge leave its error of 11.5 kg, and of as many bridges do not.

    Closed form, with 5.8 kg for each ticket's own error: √(11.5² + 5.8²/n) against √((11.5² + 5.8²)/n), by the exact
    20/√3 and 20/√12. Tolerance: four Monte Carlo errors; the prior holds 1e-5 of the precision.
    """
    own, common = DIVISION / math.sqrt(12), IN_SERVICE / math.sqrt(3)
    one = bridge(*(ticket(origin="bridge") for _ in range(count)), own=f"{own!r} kg", shared=True)
    many = bridge(*(ticket(origin=f"bridge-{k}") for k in range(count)), own=f"{own!r} kg", shared=True)
    assert sd_of(mass(one)).agrees(math.hypot(common, own / math.sqrt(count)))
    assert sd_of(mass(many)).agrees(math.hypot(common, own) / math.sqrt(count))


def test_tickets_that_agree_tell_no_more_of_the_rounding() -> None:
    """Two tickets of one bridge that show the same division: the mass with the bridge's error lies within it, and no closer.

    Exact by quadrature over mass and error together, whose sum t has density (Φ((h − t)/s) − Φ((−h − t)/s))², h = 10 kg,
    s = 1 kg the scatter of a reading before it is rounded; the bridge's error adds its variance, 11.5² kg² rounded.
    """
    scatter = 1.0
    t = np.linspace(-3 * DIVISION, 3 * DIVISION, 200_001)
    weight = (stats.norm.cdf((DIVISION / 2 - t) / scatter) - stats.norm.cdf((-DIVISION / 2 - t) / scatter)) ** 2
    variance = np.average(t**2, weights=weight)
    two = [ticket(origin="bridge", rounded=f"{DIVISION:g} kg") for _ in range(2)]
    drawn = mass(bridge(*two, own=f"{scatter} kg", shared=True))
    assert sd_of(drawn).agrees(math.sqrt(variance + IN_SERVICE**2 / 3))
