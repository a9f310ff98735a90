"""An invented assessment of an invented water tank, for tests of what is printed: no number here was inferred."""

from __future__ import annotations

from typing import Any

import numpy as np

from gaugeglass.judgement.results import (
    Assessment,
    Conditional,
    HypothesisSummary,
    LedgerRow,
    Probability,
    QuantitySummary,
    Spread,
    Verdict,
    WidthCurve,
    WidthPoint,
    Words,
)
from gaugeglass.language.expressions import Const
from gaugeglass.language.families import make_prior
from gaugeglass.language.spec import (
    Balance,
    Claim,
    Dossier,
    Given,
    Hypothesis,
    Latent,
    Likelihood,
    Method,
    Model,
    Relation,
    Spec,
)
from gaugeglass.language.units import parse_unit

DRAWS = 4000
CHAIN = Balance("chain", "From what flows in to what is kept", ("inflow", "after_leak", "kept"))
PARTS = Balance("parts", "What the tank weighs", ("shell", "water", "lid"), "full_mass")

_ABOUT = {
    "kept": ("Water that the tank holds when its gauge reads full", "L"),
    "inflow": ("Water that the main delivers in one filling", "L"),
    "after_leak": ("What the leak leaves of one filling", "L"),
    "leak": ("Share of a filling that the leak takes before the tank is full", "1"),
    "shell": ("Mass of the empty shell", "kg"),
    "water": ("Mass of the water in a full tank", "kg"),
    "lid": ("Mass of the lid", "g"),
    "full_mass": ("Mass of the full tank", "kg"),
}


def draws(seed: int = 1) -> tuple[dict[str, Any], dict[str, Any]]:
    """Invented draws of every quantity before and after, paired by index."""
    rng = np.random.default_rng(seed)
    return _draws(rng, (900, 160), leak=(0.11, 0.07), none=0.5), _draws(rng, (861, 14), leak=(0.082, 0.012), none=0.12)


def _draws(
    rng: np.random.Generator, inflow: tuple[float, float], *, leak: tuple[float, float], none: float
) -> dict[str, Any]:
    drawn = {"inflow": rng.normal(*inflow, DRAWS)}
    share = np.clip(rng.normal(*leak, DRAWS), 0.002, 0.6)
    drawn["leak"] = np.where(rng.uniform(size=DRAWS) < none, 0.0, share)
    drawn["after_leak"] = drawn["inflow"] * (1 - drawn["leak"])
    drawn["kept"] = drawn["after_leak"] - np.abs(rng.normal(22, 4, DRAWS))
    drawn["shell"] = rng.normal(141, 0.2 * inflow[1], DRAWS)
    drawn["water"] = 0.998 * drawn["kept"]
    drawn["lid"] = rng.normal(9200, 300, DRAWS)
    drawn["full_mass"] = drawn["shell"] + drawn["water"] + drawn["lid"] / 1000
    return drawn


def spec() -> Spec:
    """An invented model and dossier, with hostile words where a user may write any."""
    normal = make_prior("normal", {"mean": 900.0, "sd": 160.0}, one=1.0, stated="normal(mean 900 L, sd 160 L)")
    latents = (Latent("inflow", *_of("inflow"), normal, because="A main of this size; <script>alert(1)</script>"),)
    names = [n for n in _ABOUT if n != "inflow"]
    relations = tuple(
        Relation(n, *_of(n), Const(1.0), f"{n} of <b>one</b> filling", source="An invented table") for n in names
    )
    hypotheses = (
        Hypothesis("tight", "The tank keeps all that flows in", 1.0, fix={"leak": 0.0}),
        Hypothesis("leaking", "The tank leaks while it fills", 1.0),
        Hypothesis("short_main", "The main delivers less than its plate says", 1.0),
    )
    method = Method(
        "meter", "A meter in the main counts one filling", parse_unit("L"), Const(1.0), "inflow", Likelihood("normal")
    )
    model = Model(
        "water-tank", "models/water-tank.yaml", "An invented water tank", about="Invented for tests.",
        cautions=("A full tank is heavy: stand clear of its feet.",),
        givens=(Given("outlets", "Outlets of the tank", parse_unit("1"), 2.0),),
        latents=latents, relations=relations, methods=(method,), hypotheses=hypotheses,
        claims=(Claim("leaks", "the tank loses more than 5 % of a filling", Const(1.0), "leak > 5 %"),),
        leading=("kept", "leak", "inflow", "shell"), pictures=(CHAIN, PARTS),
    )  # fmt: skip
    return Spec(
        model,
        Dossier("tank-7", "observations/tank-7.yaml", "An invented water tank", inbox=("A photograph", "A rumour")),
    )


def _of(name: str) -> tuple[str, Any]:
    about, unit = _ABOUT[name]
    return about, parse_unit(unit)


def assessment(*, fits_badly: bool = False) -> Assessment:
    """Invented conclusions about the invented tank."""
    before, after = draws()
    opening = "No explanation here fits: " if fits_badly else ""
    chance = "83.1 % ± 0.6 %, from 41.0 % before the evidence"
    sentence = f"{opening}it is very likely ({chance}) that the tank loses more than 5 % of a filling"
    return Assessment(
        "An invented water tank", sentence, fits_badly, _verdicts(), _hypotheses(),
        tuple(_quantity(n, before[n], after[n]) for n in _ABOUT), _ledger(),
        ("leak and inflow are seen only together: no meter stands behind the leak",),
    )  # fmt: skip


def _spread(x: Any) -> Spread:
    low, middle, high = np.quantile(x, (0.05, 0.5, 0.95))
    return Spread(float(x.mean()), float(x.std()), float(middle), float(low), float(high))


def _quantity(name: str, before: Any, after: Any) -> QuantitySummary:
    prior, posterior = _spread(before), _spread(after)
    ratio = posterior.sd / prior.sd
    sharp = ratio / 10 if name != "leak" else ratio
    kind = "latent" if name == "inflow" else "relation"
    identified = "not identified" if name == "leak" else "identified"
    return QuantitySummary(
        name, *_ABOUT[name], kind, prior, posterior, posterior.sd / 40, ratio, sharp, identified, {"leaking": posterior}
    )  # type: ignore[arg-type]


def _hypotheses() -> tuple[HypothesisSummary, ...]:
    return (
        HypothesisSummary("tight", "The tank keeps all that flows in", 1 / 3, 0.121, 0.004, -31.2, 0.02, 0.08),
        HypothesisSummary("leaking", "The tank leaks while it fills", 1 / 3, 0.831, 0.006, -29.3, 0.02, 0.44),
        HypothesisSummary(
            "short_main", "The main delivers less than its plate says", 1 / 3, 0.048, 0.003, -32.1, 0.03, 0.31
        ),
    )


def _verdicts() -> tuple[Verdict, ...]:
    points = tuple(
        WidthPoint(2.0 ** (k / 2), 0.92 - 0.05 * (k + 4) - 0.004 * (k + 4) ** 2, 0.01, 9.0 * 0.72 ** (k + 4))
        for k in range(-4, 5)
    )
    curve = WidthCurve("leak", points, 0.25, 2**0.5)
    sure = Probability(1.0, float("nan"), at_least=0.9993)
    none = Probability(0.0, float("nan"), at_most=0.0007)
    by = {"tight": Conditional(none, settled=True), "leaking": Conditional(Probability(0.93, 0.004), settled=False),
          "short_main": Conditional(Probability(0.41, 0.01), settled=False)}  # fmt: skip
    likely = Words("very likely", 0.8, 0.95)
    leaks = Verdict("leaks", "the tank loses more than 5 % of a filling", "claim", 0.5, Probability(0.41, 0.005),
                    Probability(0.831, 0.006), likely, by, False, 7.1, curve, 0.46, 0.92)  # fmt: skip
    holds = Verdict("keeps_700", "the tank keeps at least 700 L", "claim", 0.5, Probability(0.62, 0.005), sure, None,
                    {n: Conditional(sure, settled=False) for n in by}, False, None, None, 0.99, 1.0)  # fmt: skip
    tight = Verdict("tight", "The tank keeps all that flows in", "hypothesis", 0.5, Probability(1 / 3, 0.0),
                    Probability(0.121, 0.004), Words("very unlikely", 0.05, 0.2),
                    {"tight": Conditional(sure, settled=True), "leaking": Conditional(none, settled=True)},
                    True, None, None, 0.1, 0.2)  # fmt: skip
    return leaks, holds, tight


def _ledger() -> tuple[LedgerRow, ...]:
    predicted = Spread(861.0, 15.0, 861.0, 836.5, 885.6)
    mass = Spread(148.0, 2.1, 148.0, 144.5, 151.4)
    return (
        _row("meter-1", "858 ± 6 L", 858.0, 858.0, 858.0, predicted, 0.84, url="https://example.org/report?a=1&b=2"),
        _row(
            "meter-2",
            "903 ± 9 L",
            903.0,
            903.0,
            903.0,
            predicted,
            0.012,
            url="javascript:alert(1)",
            note="<script>alert(2)</script>",
        ),
        _row("float-1", "840 .. 870 L", 855.0, 840.0, 870.0, predicted, 0.6),
        _row("bound-1", ">= 830 L", 830.0, 830.0, None, predicted, 0.5),
        _row("", "861 L", 861.0, 861.0, 861.0, predicted, 0.97, private=True),
        _row("scale-1", "147.6 kg", 147.6, 147.1, 148.1, mass, 0.88, unit="kg"),
        _row(
            "meter-0",
            "1020 ± 10 L",
            1020.0,
            1020.0,
            1020.0,
            None,
            None,
            withdrawn="2026-03-01: the meter had run backwards",
        ),
    )


def _row(name: str, stated: str, value: float, lower: float | None, upper: float | None, predicted: Spread | None,
         tail: float | None, *, unit: str = "L", url: str = "", note: str = "", private: bool = False,
         withdrawn: str | None = None) -> LedgerRow:  # fmt: skip
    source = "" if private else "An invented logbook, page 3"
    origin = None if private else "waterworks"
    date = "" if private else "2026-02-11"
    aside = f"withdrawn: {withdrawn.partition(': ')[2]}" if withdrawn else None
    return LedgerRow(name, "meter", "A meter in the main counts one filling", unit, stated, value, lower, upper, 6.0,
                     origin, date, source, url, note, private, withdrawn, predicted, tail, aside)  # fmt: skip
