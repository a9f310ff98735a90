"""An invented audit and an invented ranking of the water tank: no number here was inferred."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from gaugeglass.judgement.findings import (
    Audit,
    ClaimInfluence,
    Contradiction,
    OddsCurve,
    OddsPoint,
    PriorFindings,
    QuantityInfluence,
    Sensitivity,
    Surprise,
    Tipping,
    Unit,
    UnitFinding,
    WithoutHypothesis,
)
from gaugeglass.judgement.rankings import BestSet, Expected, Ranking, Repeat, Step, Worth
from gaugeglass.judgement.results import Probability, Spread
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec

CLAIM = "software_limited"
SAYS = "Software holds back more than 5 % of the energy beyond the ordinary buffer"
_WHOLE = Probability(0.83, 0.006)
_SPREAD = Spread(0.1, 0.01, 0.1, 0.08, 0.12)


def spec() -> Spec:
    """The demo's, for its readings, methods and claims have names and units."""
    return load(str(Path(__file__).parents[2] / "observations" / "heron-35.yaml"))


def _unit(unit: Unit, without: Probability, *, p: float, tipping: tuple[Tipping, ...] = (), wrong: float | None = None,
          route: str = "refit", untipped: str = "") -> UnitFinding:  # fmt: skip
    k = 0.61 if route == "importance weights" else None
    hypothesis = WithoutHypothesis("held", 0.8, 0.01, -50.0, 0.02, route, "bridge", k, 900.0, True)  # type: ignore[arg-type]
    kind = "tail" if len(unit.ids) == 1 else "misfit"
    return UnitFinding(
        unit, Surprise(kind, Probability(p, 0.001)), (ClaimInfluence(CLAIM, _WHOLE, without),),
        (QuantityInfluence("reserve", "1", _SPREAD, _SPREAD, -0.4, 0.02),), wrong, tipping, None if untipped else (-8.0, 8.0),
        untipped, (hypothesis,),
    )  # fmt: skip


def audit() -> Audit:
    """One observation turns the verdict, one origin moves it, one table does not, two contradict each other."""
    at = Tipping("below", -2.5, 0.1, 182.0, 400.0, Probability(0.31, 0.008), Probability(0.503, 0.01))
    together = Tipping("above", 3.25, 0.2, None, 300.0, Probability(0.012, 0.002))
    units = (
        _unit(Unit("observation", "bench-1", ("bench-1",)), Probability(0.84, 0.01), p=0.4, route="importance weights"),
        _unit(Unit("observation", "bench-2", ("bench-2",)), Probability(0.67, 0.02), p=0.0004, wrong=0.7),
        _unit(Unit("observation", "pack-cell", ("pack-cell",)), Probability(0.33, 0.007), p=0.15, tipping=(at,)),
        _unit(Unit("origin", "range test", ("bench-1", "bench-2")), Probability(0.95, 0.01), p=0.8, tipping=(together,)),
        _unit(Unit("table", "log", ("log:2", "log:3")), Probability(0.83, 0.01), p=0.5, untipped="a reading has no u of its own"),
    )  # fmt: skip
    priors = PriorFindings(
        (
            Sensitivity("buffer", CLAIM, 0.29, 0.13, 0.2, "prior and evidence may conflict"),
            Sensitivity("buffer", "reserve", 0.09, 0.04, 0.2, "the prior decides"),
            Sensitivity("charge_efficiency", "usable", 0.08, 0.01, 0.9, "the prior decides"),
            Sensitivity("cell_energy", CLAIM, 0.01, 0.5, 0.1, "insensitive"),
        ),
        ("buffer",), ("session_ratio",), ("label_factor",), (), 0.2,
    )  # fmt: skip
    return Audit(
        "An invented van", CLAIM, 1, units, (Contradiction("bench-1", "bench-2", -0.7, 1.6, 0.96, -3.3, 0.0014),), 91, priors,
        (_curve(CLAIM, "held", 0.9, 0.29, 0.016), _curve(CLAIM, "aged", 0.0, 0.83, 2.3e30), _curve(CLAIM, "poorer", 0.9, 0.8, None),
         _curve(None, "held", 1.0, 0.0, 0.03)),
        ("draws without plate under held are out of their limits",),
    )  # fmt: skip


def _curve(claim: str | None, name: str, under: float, otherwise: float, crossing: float | None) -> OddsCurve:
    grid = [10.0 ** (k / 10) for k in range(-20, 21)]
    points = tuple(OddsPoint(o, (o * under + 0.1 * otherwise) / (o + 0.1)) for o in grid)
    return OddsCurve(claim, name, 0.5, 0.25, under, otherwise, 1.0, 0.01, crossing, points)


def _worth(name: str, bits: float, nats: float, cost: float | None, *, repeats: bool = True) -> Worth:
    about, again = f"What {name} is", Expected(nats, 0.01)
    each = tuple(Repeat(n, Expected(bits * (1 + n / 100), 0.01), again) for n in (1, 2, 4, 8)) if repeats else ()
    return Worth(
        name, about, "bench_discharge", 1, 1.0, "Wh", None, None, {}, cost, Expected(bits, 0.01), Expected(bits / 3, 0.02),
        Expected(0.83, 0.01), again, Expected(math.exp(-nats), 0.01), each,
    )  # fmt: skip


def ranking() -> Ranking:
    """One that tells most, one that tells more for its cost, one without a cost, one that cannot help."""
    worths = (
        _worth("full_filing", 0.14, 0.77, 3_000_000), _worth("city", 0.05, 0.1, 60), _worth("asking", 0.04, 0.02, None),
        _worth("weigh_pack", 0.0, 0.0, 900, repeats=False),
    )  # fmt: skip
    steps = (Step("city", Expected(0.05, 0.01), Expected(0.05, 0.01), 60, 800.0),)
    best = BestSet(500, "claim", steps, "nothing that is left is within the budget")
    left_out = {"asking": "no cost is stated, so that no budget can be held against it"}
    return Ranking(CLAIM, SAYS, 0.5, 0.83, "reserve", "1", 0.024, worths, best, 2180, left_out)


def of_a_quantity() -> Ranking:
    """The same where no claim is asked about."""
    worths = tuple(replace(w, claim_bits=None, crossing=None, expected=None,
                           repeats=tuple(replace(r, claim_bits=None) for r in w.repeats)) for w in ranking().worths)  # fmt: skip
    return replace(ranking(), claim=None, says="", threshold=None, probability=None, worths=worths, best=None)
