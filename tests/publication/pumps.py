"""An invented station of invented pumps, its evidence as it really comes: no number here was inferred."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from gaugeglass.judgement.results import Assessment, LedgerRow, QuantitySummary, Spread
from gaugeglass.language.expressions import Const
from gaugeglass.language.families import make_prior
from gaugeglass.language.spec import (
    Balance,
    Basis,
    Correlation,
    Dossier,
    Latent,
    Likelihood,
    Method,
    Model,
    Relation,
    Shared,
    Spec,
)
from gaugeglass.language.units import parse_unit
from publication import water_tank

FLOW, LOSS = "flow_rate", "loss"
ABOUTS = {FLOW: ("What one pump delivers", "L/min"), LOSS: ("What one pump loses of it", "1")}


def spec(count: int = 50) -> Spec:
    """A model with a group of pumps, and methods of every kind."""
    unit = parse_unit("L/min")
    prior = make_prior("normal", {"mean": 40.0, "sd": 9.0}, one=1.0, stated="normal(mean 40 L/min, sd 9 L/min)")
    wrong = make_prior("uniform", {"lower": 0.0, "upper": 100.0}, one=1.0, stated="uniform(lower 0, upper 100 L/min)")
    bases = (Basis("gross", Const(1.0)), Basis("net_of_leaks", Const(0.9), "1 - loss", 2.0))
    methods = (
        Method("bucket", "A bucket and a watch", unit, Const(1.0), FLOW, Likelihood("normal"), wrong=wrong,
               shared=Shared("origin", 0.01, True, "watch"), basis=bases),
        Method("strokes", "Strokes counted in an hour", parse_unit("1"), Const(1.0), "strokes", Likelihood("poisson")),
    )  # fmt: skip
    model = Model(
        "pumps", "models/pumps.yaml", "An invented station of pumps",
        latents=(Latent(FLOW, ABOUTS[FLOW][0], unit, prior, "Pumps of this size", per="pump"),
                 Latent("total", "What all pumps deliver", unit, prior, "Their sum")),
        relations=(Relation(LOSS, ABOUTS[LOSS][0], parse_unit("1"), Const(1.0), "1 - kept", per="pump"),),
        methods=methods, groups={"pump": {"about": "A pump", "members": ()}},
        pictures=(Balance("chain", "From pump to pipe", (FLOW, LOSS)),),
        grades={"reliability": {"A": 0.98, "C": 0.6}, "credibility": {"1": 0.97, "3": 0.5}},
    )  # fmt: skip
    dossier = Dossier("pumps", "observations/pumps.yaml", "An invented station of pumps",
                      members={"pump": tuple(members(count))},
                      correlations=(Correlation(("bucket-1", "bucket-2"), 0.35),))  # fmt: skip
    return Spec(model, dossier)


def members(count: int) -> list[str]:
    """Invented names of pumps, one of them longer than a label."""
    return [f"P_{k:02d}" for k in range(1, count)] + ["the pump behind the old mill"]


def assessment(count: int = 50) -> Assessment:
    """Conclusions about as many pumps as asked for."""
    rng = np.random.default_rng(4)
    names = members(count)
    flows = [_summary(FLOW, m, rng.normal(40, 5), 1.0 + rng.exponential(1.0), (40.0, 9.0)) for m in names]
    losses = [_summary(LOSS, m, rng.uniform(0.02, 0.2), 0.03, (0.1, 0.04)) for m in names]
    full = water_tank.assessment()
    total = replace(flows[0], name="total", about="What all pumps deliver")
    return replace(
        full, quantities=(total, *flows, *losses), ledger=ledger(), not_identified=tuple(q.name for q in losses)
    )


def draws() -> tuple[dict[str, Any], dict[str, Any]]:
    """Draws of the one quantity that has one value."""
    rng = np.random.default_rng(5)
    return {"total": rng.normal(40, 9, 4000)}, {"total": rng.normal(41, 2, 4000)}


def ledger() -> tuple[LedgerRow, ...]:
    """Readings of every kind: plain, graded, of an open basis, of a table, and set aside for every reason."""
    predicted = Spread(41.0, 2.0, 41.0, 37.7, 44.3)
    return (
        row("bucket-1", "41.5 ± 1.0 L/min", 41.5, predicted=predicted, tail=0.8),
        row("bucket-2", "46.9 ± 1.0 L/min", 46.9, predicted=predicted, tail=0.004),
        row("rumour-1", "44 ± 3 L/min", 44.0, predicted=predicted, tail=0.3, grade="A1", wrong=0.032),
        row("rumour-2", "62 ± 3 L/min", 62.0, predicted=predicted, tail=0.0001, grade="C3", wrong=0.964),
        row("plate-1", "38 ± 2 L/min", 38.0, predicted=predicted, tail=0.21, grade="C3", wrong=0.51,
            bases={"gross": 0.16, "net_of_leaks": 0.84}),
        row("plate-2", "36 ± 2 L/min", 36.0, predicted=predicted, tail=0.08, bases={"gross": 0.55, "net_of_leaks": 0.45}),
        row("hours", "412 readings", 40.7, lower=29.3, upper=55.1, u=None, rows=412, outside=0.125),
        row("strokes", "5000 readings", 61.0, lower=12.0, upper=190.0, u=None, unit="1", rows=4998, outside=0.31),
        row("mill", "7 readings", 33.0, lower=31.0, upper=35.0, u=None, rows=0, aside="every reading is set aside"),
        row("bucket-0", "20 ± 1 L/min", 20.0, aside="withdrawn: it leaked", withdrawn="2026-02-01: it leaked"),
        row("notice-1", "41.5 L/min", 41.5, aside="repeats bucket-1"),
        row("sister-1", "90 ± 2 L/min", 90.0, aside="of another variant long"),
    )  # fmt: skip


def row(name: str, stated: str, value: float, *, lower: float | None = None, upper: float | None = None,
        u: float | None = 1.0, unit: str = "L/min", predicted: Spread | None = None, tail: float | None = None,
        withdrawn: str | None = None, aside: str | None = None, grade: str | None = None, wrong: float | None = None,
        bases: dict[str, float] | None = None, rows: int | None = None, outside: float | None = None) -> LedgerRow:  # fmt: skip
    """A row of the ledger."""
    return LedgerRow(name, "bucket", "A bucket and a watch", unit, stated, value, value if lower is None else lower,
                     value if upper is None else upper, u, "the keeper", "2026-02-11", "An invented logbook", "", "", False,
                     withdrawn, predicted, tail, aside, grade, wrong, bases or {}, rows, outside)  # fmt: skip


def _summary(name: str, member: str, median: float, sd: float, before: tuple[float, float]) -> QuantitySummary:
    about, unit = ABOUTS[name]
    kind, ratio = ("latent", sd / before[1]) if name == FLOW else ("relation", sd / before[1])
    identified = "identified" if ratio < 0.5 else "partly"
    return QuantitySummary(f"{name}[{member}]", about, unit, kind, _spread(*before), _spread(median, sd), sd / 40, ratio,
                           ratio / 10, identified, {})  # type: ignore[arg-type] # fmt: skip


def _spread(mean: float, sd: float) -> Spread:
    return Spread(mean, sd, mean, mean - 1.645 * sd, mean + 1.645 * sd)
