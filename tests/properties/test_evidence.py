"""Truths about evidence as it really comes: echoes, graded sources, tables, other variants, inputs that are not exact."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import special, stats

from gaugeglass.inference import density as densities
from gaugeglass.inference.density import Density, compile_density
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.inference.rows import log_wrong
from gaugeglass.judgement.predictions import chance_right
from gaugeglass.judgement.verdicts import judge
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec
from properties.bench import LISTED, MODEL, bench, charges, filed, log_densities, sheet, table
from references.estimates import Estimate, mean_of, quantile_of, sd_of

NAMES = list(MODEL["hypotheses"])


def the_same(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two log densities agree to 1e-9."""
    return bool(np.allclose(a, b, rtol=1e-9, atol=1e-9))


def is_constant(gap: np.ndarray, within: float) -> bool:
    return bool(np.ptp(gap) <= within)


def same_numbers(a: Posterior, b: Posterior) -> bool:
    """Whether everything drawn and every weight agrees to the last bit."""
    fits = all(np.array_equal(a.fits[h].x, b.fits[h].x) for h in a.fits)
    quantities = all(np.array_equal(a.mixture[q], b.mixture[q]) for q in a.mixture)
    weights = np.array_equal(a.weights.posterior, b.weights.posterior) and np.array_equal(
        a.weights.mcse, b.weights.mcse
    )
    return fits and quantities and weights and a.mixture.keys() == b.mixture.keys()


# --- what does not count --------------------------------------------------------------------------------------

ECHOES = [
    {"id": "echo-1", "method": "bench", "value": "55 kWh", "u": "0.1 kWh", "repeats": "bench-1", "origin": "laboratory"},
    {"id": "echo-2", "method": "hearsay", "value": "75 kWh", "u": "0.1 kWh", "repeats": "echo-1", "grade": "A2"},
    {"id": "echo-3", "method": "charge", "value": "1 kWh", "u": "0.1 kWh", "repeats": "charge-0", "at": {"vehicle": "V2"},
     "inputs": {"soc_start": "20 %", "soc_end": "80 %"}},
]  # fmt: skip
OTHERS = [
    o | {"applies": {"variant": "short"}} for o in ({k: v for k, v in e.items() if k != "repeats"} for e in ECHOES)
]
LONG = {"applies": {"variant": "long"}}


@pytest.mark.parametrize(
    ("more", "sections"), [(ECHOES, {}), (OTHERS, LONG)], ids=["echoes", "observations of another variant"]
)
def test_what_is_set_aside_changes_no_number_at_all(more: list[dict[str, Any]], sections: dict[str, Any]) -> None:
    """Every draw, weight and verdict to the last bit, whatever it says, and wherever among the others it stands."""
    with_it, without = (infer(bench(o, **sections), seed=3) for o in ([more[0], *LISTED, *more[1:]], LISTED))
    assert len(with_it.spec.observations) == len(without.spec.observations) + len(more)
    assert same_numbers(with_it, without)
    ours, theirs = (dataclasses.asdict(judge(p)) for p in (with_it, without))
    for part in set(ours) - {"ledger"}:
        assert repr(ours[part]) == repr(theirs[part]), part
    said = {o["id"] for o in more}
    assert {row.id for row in judge(with_it).ledger if row.aside} == said


def test_row_of_another_variant_changes_nothing(tmp_path: Path) -> None:
    """A table whose rows say in a column what they apply to: those of another variant might as well not stand there."""
    rows = charges(12)
    text = "\n".join(
        line + ("," + ("variant" if k == 0 else "short" if k % 3 == 0 else "long"))
        for k, line in enumerate(sheet(rows).splitlines())
    )
    described = table("owners", applies={"variant": {"column": "variant"}})
    mixed = filed(tmp_path / "mixed", [described], {"owners": text}, **LONG)
    kept = [row for k, row in enumerate(rows, 1) if k % 3]
    alone = filed(tmp_path / "alone", [table("owners")], {"owners": sheet(kept)}, **LONG)
    assert len(mixed.set_aside) == 4
    for name in NAMES:
        assert the_same(log_densities(mixed, name), log_densities(alone, name))


# --- graded readings ------------------------------------------------------------------------------------------


def far(method: str, value: float) -> dict[str, Any]:
    return {"id": "far", "method": method, "value": f"{value!r} kWh", "u": "1 kWh", "grade": "B3"}


@pytest.mark.parametrize("value", [0.1, 1e3, 1e5, 1e8])
@pytest.mark.parametrize("name", NAMES)
def test_graded_reading_far_off_is_one_that_is_not_there(value: float, name: str) -> None:
    """A normal reading whose wrong density has longer tails: the log density is the same but for a constant, exactly.

    The constant is that the source was wrong and read just that, which is the same under every hypothesis.
    """
    spec = bench([*LISTED, far("bench", value)])
    reading = spec.evidence[-1]
    wrong = spec.method(reading).wrong
    assert wrong is not None
    expected = math.log(1 - 0.9 * 0.7) + log_wrong(wrong, reading)
    assert np.allclose(extended(spec, "far", name), expected, rtol=1e-9, atol=0)


def extended(spec: Spec, which: str, hypothesis: str) -> np.ndarray:
    """What one observation adds to the log density at points about the prior."""
    density = compile_density(spec)
    x = np.random.default_rng(7).standard_normal((30, len(density.free)))
    on, off = (density.pack(density.dials(hypothesis, power=p)) for p in ({}, {which: 0.0}))
    return density.log_densities(x, on) - density.log_densities(x, off)


@pytest.mark.parametrize("value", [400.0, 1000.0])
def test_wrong_readings_may_be_normal_too(value: float) -> None:
    """A wide normal for what is wrong is enough beside a narrow one for what is right."""
    added = extended(bench([*LISTED, far("hearsay", value)]), "far", "lossy")
    assert is_constant(added, 1e-9 * (1 + np.abs(added).max()))


def test_graded_reading_far_off_leaves_the_posterior() -> None:
    """The same for what is inferred: weights, mean, sd and quantiles within combined Monte Carlo errors."""
    with_it, without = (infer(bench(o), seed=s) for o, s in (([*LISTED, far("bench", 1e5)], 5), (LISTED, 6)))
    for a, b, e, f in zip(
        with_it.weights.posterior, without.weights.posterior, with_it.weights.mcse, without.weights.mcse, strict=True
    ):
        assert Estimate(a, e).agrees(b, mcse=f)
    for name in NAMES:
        ours, theirs = (p.fits[name].quantities["capacity"] for p in (with_it, without))
        for estimate in (mean_of, sd_of, lambda d: quantile_of(d, 0.05), lambda d: quantile_of(d, 0.95)):
            assert estimate(ours).agrees(estimate(theirs).value, mcse=estimate(theirs).mcse)
        fit = with_it.fits[name]
        assert np.all(chance_right(with_it.density, with_it.spec.evidence[-1], fit) < 1e-12)


def test_far_reading_of_a_source_speaks_against_its_other_readings() -> None:
    """Reliability is of a source: one absurd reading makes its others, at the same grade, more likely to be wrong.

    Closed form: of two hypotheses of the source, reliable with chance r and then right with chance c, the other reading's
    chance to be right goes from r·c to r(1 − c)c / (r(1 − c) + 1 − r), times how much better right ones fit it.
    """

    def other(*more: dict[str, Any]) -> float:
        readings = [
            {"id": "said", "method": "rumour", "value": "61 kWh", "u": "1 kWh", "grade": "B3", "origin": "o"},
            *more,
        ]
        found = infer(bench([*LISTED[:2], *readings]), seed=5)
        return float(chance_right(found.density, found.spec.evidence[2], found.fits["lossy"]).mean())

    alone = other()
    beside = other(far("bench", 1e6) | {"origin": "o"})
    r, c = 0.9, 0.7
    before, after = r * c, r * (1 - c) * c / (r * (1 - c) + 1 - r)
    fits = alone / (1 - alone) / (before / (1 - before))
    assert beside == pytest.approx(fits * after / (1 - after) / (1 + fits * after / (1 - after)), abs=0.02)
    assert beside < alone


def test_long_tails_of_a_right_reading_are_told_from_wrong_ones_slowly() -> None:
    """Where right readings have long tails themselves, a far one need not be wrong; it tells less and less all the same.

    A Student's t reading v off moves the log density over the prior's width w by about (ν + 1) w / v at most.
    """
    for value in (1e3, 1e5, 1e7):
        added = extended(bench([*LISTED, far("rumour", value)]), "far", "lossy")
        assert is_constant(added, 5 * 200 / value)


# --- tables -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [9, 150])
@pytest.mark.parametrize("cut", ["in the middle", "every other row"])
def test_splitting_a_table_changes_nothing(count: int, cut: str, tmp_path: Path) -> None:
    """Two tables of the same rows, whose origins are stated: the log density to 1e-9, condensed or not."""
    rows = charges(count)
    parts = (rows[: count // 3], rows[count // 3 :]) if cut == "in the middle" else (rows[::2], rows[1::2])
    whole = filed(tmp_path / "whole", [table("owners")], {"owners": sheet(rows)})
    split = filed(tmp_path / "split", [table("a"), table("b")], {"a": sheet(parts[0]), "b": sheet(parts[1])})
    assert len(split.evidence) == len(whole.evidence)
    for name in NAMES:
        ours, theirs = (_by_names(spec, name) for spec in (split, whole))
        assert the_same(ours, theirs)


def _by_names(spec: Spec, hypothesis: str, *, width: float = 1.0) -> np.ndarray:
    """Log density at points that are the same for coordinates of the same name, whatever their order."""
    density = compile_density(spec)
    x = np.stack(
        [width * np.random.default_rng([7, *free.name.encode()]).standard_normal(30) for free in density.free], axis=1
    )
    return density.log_densities(x, density.pack(density.dials(hypothesis)))


@pytest.mark.parametrize(("unit", "scale"), [("Wh", 1e3), ("MJ", 3.6), ("J", 3.6e6)])
def test_unit_of_a_column_is_irrelevant(unit: str, scale: float, tmp_path: Path) -> None:
    """The same energies in another unit, and states of charge as shares rather than percentages."""
    rows = charges(9)
    stated = filed(tmp_path / "stated", [table("owners")], {"owners": sheet(rows)})
    other = filed(tmp_path / "other", [table("owners", unit, scale=scale)], {"owners": sheet(rows, scale)})
    shares = [(v, o, a / 100, b / 100, y, u) for v, o, a, b, y, u in rows]
    inputs = {name: {"column": column, "unit": "1"} for name, column in (("soc_start", "from"), ("soc_end", "to"))}
    as_shares = filed(tmp_path / "shares", [table("owners", inputs=inputs)], {"owners": sheet(shares)})
    for name in NAMES:
        assert the_same(log_densities(other, name), log_densities(stated, name))
        assert the_same(log_densities(as_shares, name), log_densities(stated, name))


def test_order_of_rows_is_irrelevant(tmp_path: Path) -> None:
    rows = charges(40)
    stated = filed(tmp_path / "stated", [table("owners")], {"owners": sheet(rows)})
    turned = filed(tmp_path / "turned", [table("owners")], {"owners": sheet(rows[::-1])})
    for name in NAMES:
        assert the_same(_by_names(turned, name), _by_names(stated, name))


# --- inputs that are not exact ----------------------------------------------------------------------------------

STARTS = {"u": ("1 %", lambda z: 0.01 * special.ndtri(z)), "rounded": ("3 %", lambda z: 0.03 * (z - 0.5))}
"""How the state of charge before a charge is off, and the quantile function of its error [1]."""


def charging(kind: str, family: str, measures: str) -> dict[str, Any]:
    likelihood: dict[str, Any] = {"family": family} | ({"nu": 4} if family == "student_t" else {})
    return {
        "title": "Charges of one store",
        "latents": {
            "capacity": {"about": "Capacity", "unit": "kWh", "because": "Wide",
                         "prior": {"family": "normal", "mean": "60 kWh", "sd": "20 kWh"}},
        },
        "methods": {
            "charge": {"about": "A charge", "unit": "kWh", "measures": measures, "likelihood": likelihood,
                       "inputs": {"used": {"unit": "%", kind: STARTS[kind][0]}}},
        },
    }  # fmt: skip


USED = (30.0, 45.0, 60.0, 38.0, 52.0, 70.0)
ENERGIES = (18.4, 27.0, 35.8, 23.3, 30.9, 42.4)
"""Invented charges: the share used [%] and the energy [kWh]."""
BENT = "capacity * used * (1 + 0.2 * used)"
BEND = {"capacity * used": 0.0, BENT: 0.2}


def exact_capacity(kind: str, family: str, measures: str) -> tuple[float, float]:
    """Mean and sd of the capacity with each row's error integrated out by quadrature over its quantiles."""
    c = np.linspace(45, 75, 1501)
    error = STARTS[kind][1]((np.arange(2000) + 0.5) / 2000)
    scatter = stats.norm if family == "normal" else stats.t(4)
    log = stats.norm(60, 20).logpdf(c)
    for used, y in zip(USED, ENERGIES, strict=True):
        share = used / 100 + error
        mu = c[:, None] * share * (1 + BEND[measures] * share)
        log = log + np.log(np.maximum(scatter.pdf((y - mu) / 0.3).mean(axis=1), 1e-300))
    weight = np.exp(log - log.max())
    mean = float(np.average(c, weights=weight))
    return mean, math.sqrt(np.average((c - mean) ** 2, weights=weight))


LINEARISED = [
    ("u", "normal", "capacity * used", 0.0, 0.0),
    ("u", "normal", BENT, 0.01, 0.01),
    ("rounded", "normal", "capacity * used", 0.05, 0.15),
    ("u", "student_t", "capacity * used", 0.05, 0.12),
    ("rounded", "student_t", "capacity * used", 0.05, 0.15),
]


@pytest.mark.parametrize(("kind", "family", "measures", "off_mean", "off_sd"), LINEARISED)
def test_rows_with_linear_inputs_are_near_those_with_latents(
    kind: str, family: str, measures: str, off_mean: float, off_sd: float, tmp_path: Path
) -> None:
    """Inputs of a listed observation are latents, those of a row are carried to first order: how far apart are they?

    The error of an input is most of what there is: 0.6 kWh beside a scatter of 0.3. For a normal reading of something
    straight with normal errors both are the same; else ``off_mean`` is the greatest error of the mean in sd of the posterior, and
    ``off_sd`` that of its sd as a share. Latents agree with quadrature within four Monte Carlo errors; rows are exact here.
    """
    model = charging(kind, family, measures)
    listed = [
        {"id": f"charge-{k}", "method": "charge", "value": f"{y} kWh", "u": "0.3 kWh", "inputs": {"used": f"{used} %"}}
        for k, (used, y) in enumerate(zip(USED, ENERGIES, strict=True))
    ]
    mean, sd = exact_capacity(kind, family, measures)
    spec = specify(model, {"dossier": "store", "subject": "A store", "observations": listed})
    drawn = infer(spec, seed=2, draws=2000).fits["as_stated"].quantities["capacity"]
    assert mean_of(drawn).agrees(mean)
    assert sd_of(drawn).agrees(sd)
    described = {"id": "charges", "file": "charges.csv", "method": "charge", "value": {"column": "energy", "unit": "kWh"},
                 "u": "0.3 kWh", "inputs": {"used": {"column": "used", "unit": "%"}}}  # fmt: skip
    lines = "\n".join(f"{a},{y}" for a, y in zip(USED, ENERGIES, strict=True))
    rows = filed(tmp_path, [described], {"charges": f"used,energy\n{lines}\n"}, model=model, observations=[])
    of_rows = summed(compile_density(rows), "capacity")
    assert abs(of_rows[0] - mean) <= off_mean * sd + 1e-4 * sd
    assert of_rows[1] == pytest.approx(sd, rel=off_sd + 1e-4)


def summed(density: Density, quantity: str) -> tuple[float, float]:
    """Mean and sd of a quantity of a density that has one coordinate, summed over a grid of it."""
    x = np.linspace(-3, 3, 20_001)[:, None]
    dials = density.dials("as_stated")
    log = density.log_densities(x, density.pack(dials))
    weight, values = np.exp(log - log.max()), density.quantities(x, dials)[quantity]
    mean = float(np.average(values, weights=weight))
    return mean, math.sqrt(np.average((values - mean) ** 2, weights=weight))


# --- long tables, condensed -------------------------------------------------------------------------------------

FAMILIES: dict[str, dict[str, Any]] = {
    "normal": {"measures": "rate * x", "u": "0.5"},
    "student_t": {"measures": "rate * x", "u": "0.5", "nu": 4},
    "lognormal": {"measures": "rate * x", "u": "0.1"},
    "poisson": {"measures": "rate * x"},
    "binomial": {"measures": "rate", "trials": "x"},
}
CONDENSED_ERROR, GRADIENT_ERROR = 1e-6, 1e-4
"""Of the log density [nat], and of its slope over one standard uncertainty of what is measured [nat].

An error of 1e-6 that comes and goes within one step of an eighth of a standard uncertainty has a slope of up to 6e-5.
"""


def counted(family: str, folder: Path, count: int) -> Spec:
    """Invented readings of a rate of 5, or of a chance of 25 %, as many as asked for, in a table."""
    own = FAMILIES[family]
    rng = np.random.default_rng(4)
    x = rng.integers(3, 12, count).astype(float)
    draw = {
        "normal": lambda: 5 * x + 0.5 * rng.normal(size=count),
        "student_t": lambda: 5 * x + 0.5 * rng.standard_t(4, size=count),
        "lognormal": lambda: 5 * x * np.exp(0.1 * rng.normal(size=count)),
        "poisson": lambda: rng.poisson(5 * x),
        "binomial": lambda: rng.binomial(x.astype(int), 0.25),
    }[family]()
    prior = (
        {"family": "beta", "mean": 0.3, "sd": 0.1}
        if family == "binomial"
        else {"family": "lognormal", "median": 4, "sigma": 0.3}
    )
    likelihood = {"family": family} | {key: own[key] for key in ("nu", "trials") if key in own}
    model = {
        "title": "A rate",
        "latents": {"rate": {"about": "A rate", "unit": "1", "because": "Wide", "prior": prior}},
        "methods": {"counting": {"about": "A count", "measures": own["measures"], "inputs": {"x": {"unit": "1"}},
                                 "likelihood": likelihood}},
    }  # fmt: skip
    described = {"id": "rows", "file": "rows.csv", "method": "counting", "value": {"column": "y"},
                 "inputs": {"x": {"column": "x"}}} | ({"u": own["u"]} if "u" in own else {})  # fmt: skip
    if family in ("normal", "student_t", "lognormal"):
        described["value"] = {"column": "y", "unit": "1"}
    text = "\n".join(["x,y", *(f"{a:g},{b!r}" for a, b in zip(x, draw.tolist(), strict=True)), ""])
    return filed(folder, [described], {"rows": text}, model=model, observations=[])


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("count", [40, 2000])
def test_condensed_readings_are_those_run_one_by_one(
    family: str, count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A curve in place of many readings: value and slope, from beside the peak to far beyond the curve's end, and at other powers."""
    density = compile_density(counted(family, tmp_path, count))
    condensed = [
        density.pack(density.dials("as_stated", power=p)) for p in ({}, {o.id: 0.5 for o in density.spec.evidence})
    ]
    monkeypatch.setattr(densities, "FEWEST", 10**9)
    plain = compile_density(density.spec)
    each = [plain.pack(plain.dials("as_stated", power=p)) for p in ({}, {o.id: 0.5 for o in plain.spec.evidence})]
    assert len(condensed[0]) > len(each[0])  # there is a curve
    x = np.linspace(-4, 4, 8001)[:, None]
    log = plain.log_densities(x, each[0])
    peak = int(log.argmax())
    sd = float((x[1] - x[0])[0] / math.sqrt(-(log[peak - 1] - 2 * log[peak] + log[peak + 1])))
    steps = np.concatenate([np.linspace(-20, 20, 401), [-100, 100]])
    places = np.clip(x[peak, 0] + sd * steps, -6, 6)[:, None]
    for with_curve, without in zip(condensed, each, strict=True):
        values = density.log_densities(places, with_curve), plain.log_densities(places, without)
        assert np.all(np.abs(values[0] - values[1]) <= CONDENSED_ERROR + 1e-12 * np.abs(values[1]))
        slopes = [
            np.array([d.log_density(at, dials)[1][0] for at in places])
            for d, dials in ((density, with_curve), (plain, without))
        ]
        assert np.all(np.abs(slopes[0] - slopes[1]) * sd <= GRADIENT_ERROR + 1e-12 * np.abs(slopes[1]) * sd)


# --- health and reserve -----------------------------------------------------------------------------------------

GROSS, HEALTH = 80.0, 0.92


def battery(*observations: dict[str, Any], health: dict[str, Any]) -> Spec:
    """An aged battery of 80 kWh of which nothing is held back: 73.6 kWh are usable, since its health is 92 %."""
    prior = {"family": "beta", "mean": 0.08, "sd": 0.06}
    model = {
        "title": "An aged battery",
        "givens": {"gross": {"about": "Energy when new", "unit": "kWh"}},
        "latents": {
            "reserve": {"about": "Share held back", "unit": "1", "because": "Invented", "prior": prior},
            "health": {
                "about": "What is left of the energy when new",
                "unit": "1",
                "because": "Invented",
                "prior": health,
            },
        },
        "relations": {
            "usable": {"about": "Usable energy", "unit": "kWh", "equals": "gross * (1 - reserve) * health"},
            "kept": {"about": "Usable energy over that when new", "unit": "1", "equals": "usable / gross"},
        },
        "methods": {
            "drive": {"about": "Driven until empty", "measures": "usable", "likelihood": {"family": "normal"}},
            "health_check": {
                "about": "Capacity now over capacity when new",
                "measures": "health",
                "unit": "%",
                "likelihood": {"family": "normal"},
            },
        },
        "claims": {"held_back": {"says": "More than 5 % is held back", "holds": "reserve > 5 %"}},
    }
    driven = {"id": "drive-1", "method": "drive", "value": f"{GROSS * HEALTH!r} kWh", "u": "0.4 kWh"}
    dossier = {
        "dossier": "battery",
        "subject": "A battery",
        "givens": {"gross": f"{GROSS} kWh"},
        "observations": [driven, *observations],
    }
    return specify(model, dossier)


OPEN = {"family": "uniform", "lower": 0.7, "upper": 1}
NEW = {"family": "truncated_normal", "mean": 1, "sd": 0.001, "upper": 1}
CHECKED = {"id": "check-1", "method": "health_check", "value": "92 ± 0.8 %"}
"""In percentage points: ``u: 0.8 %`` would be a share of the 92 %."""


def reserve_by_quadrature(u: float | None) -> tuple[float, float, float]:
    """Mean and sd of the reserve, and the chance that it is above 5 %, over a grid of reserve and health."""
    size = 0.08 * 0.92 / 0.06**2 - 1
    prior = stats.beta(0.08 * size, 0.92 * size)
    r, h = np.linspace(1e-5, 0.4, 4001)[:, None], np.linspace(0.7, 1, 1501)[None, :]
    weight = prior.pdf(r) * stats.norm.pdf(GROSS * (1 - r) * h, GROSS * HEALTH, 0.4)
    if u is not None:
        weight = weight * stats.norm.pdf(h, HEALTH, u)
    own = weight.sum(axis=1) / weight.sum()
    mean = float(own @ r[:, 0])
    return mean, math.sqrt(own @ (r[:, 0] - mean) ** 2), float(own[r[:, 0] > 0.05].sum())


@pytest.mark.parametrize(("observations", "u"), [((CHECKED,), 0.008), ((), None)], ids=["health read", "health open"])
def test_reserve_of_an_aged_battery_agrees_with_quadrature(
    observations: tuple[dict[str, Any], ...], u: float | None
) -> None:
    """Where health is read, and where it is open from 70 to 100 %: four Monte Carlo errors."""
    drawn = infer(battery(*observations, health=OPEN), seed=4, draws=4000).fits["as_stated"].quantities["reserve"]
    mean, sd, above = reserve_by_quadrature(u)
    assert mean_of(drawn).agrees(mean, half_digit=1e-5)
    assert sd_of(drawn).agrees(sd, half_digit=1e-5)
    assert mean_of((drawn > 0.05).astype(float)).agrees(above, half_digit=1e-3)


def test_health_of_92_percent_is_not_a_reserve() -> None:
    """How health must be read: what is left of the energy when new, as a latent of its own beside the reserve, with a reading.

    With one at 92 ± 0.8 % the usable 73.6 of 80 kWh leave no reserve of 5 %. Left open, the reserve is as likely as before, for only
    the product of both is known, and known to 0.5 %. A model that takes the battery for new reports 8 % held back, as sure as it is
    wrong: energy when new over energy now is not a reserve.
    """
    read, left_open, new = (
        infer(battery(*o, health=h), seed=4, draws=2000).fits["as_stated"].quantities
        for o, h in (((CHECKED,), OPEN), ((), OPEN), ((), NEW))
    )
    assert np.mean(read["reserve"] > 0.05) < 0.01
    assert np.quantile(read["reserve"], 0.95) < 0.03
    assert 0.2 < np.mean(left_open["reserve"] > 0.05) < 0.8
    assert left_open["kept"].std() == pytest.approx(0.005, rel=0.05)
    assert left_open["reserve"].std() > 4 * left_open["kept"].std()
    assert np.mean(new["reserve"] > 0.05) > 0.999
    assert new["reserve"].mean() == pytest.approx(0.08, abs=0.002)
