"""An invented tank whose content has a normal prior and normal readings, so that every what-if has an exact answer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from gaugeglass.judgement.codes import coded, coded_below
from gaugeglass.judgement.pools import (
    Atom,
    Block,
    Compared,
    Component,
    Pool,
    PooledClaim,
    PooledHypothesis,
    PooledQuantity,
    PooledReading,
    PooledUnit,
    Scaling,
)
from gaugeglass.judgement.results import (
    Assessment,
    Conditional,
    HypothesisSummary,
    LedgerRow,
    Probability,
    QuantitySummary,
    Spread,
    Verdict,
)
from gaugeglass.judgement.verdicts import words_for
from publication import water_tank

HYPOTHESES = {"tight": (880.0, 25.0), "leaking": (820.0, 45.0), "short_main": (845.0, 12.0)}
"""Prior mean and sd of the content under each. [L]"""
PRIORS = {"tight": 0.5, "leaking": 0.3, "short_main": 0.2}
READINGS = {
    "meter-1": (858.0, 6.0, "waterworks"),
    "meter-2": (871.0, 9.0, "waterworks"),
    "float-1": (849.0, 14.0, None),
    "dip-1": (853.0, 10.0, "a diver"),
    "dip-2": (866.0, 10.0, "a diver"),
}
"""Value and u [L], and origin."""
ALIKE = 0.4
"""Correlation of the two dips, for which they are one block. [1]"""
LOG = (851.0, 862.0, 866.0, 840.0)
LOG_U = 18.0
"""A table of readings and their u. [L]"""
CLAIM_AT, FULL_AT, DENSE_AT = 855.0, 862.0, 1.163
EMPTY, A_LITRE, MASS_SD = 141.0, 0.998, 2.0
"""Mass of the empty tank [kg], of what it keeps [kg/L], and the sd of both together [kg]."""
ATOMS = (*READINGS, "log")
UNITS = (
    *(PooledUnit("observation", name, (i,)) for i, name in enumerate(READINGS)),
    PooledUnit("origin", "waterworks", (0, 1)),
    PooledUnit("origin", "a diver", (3, 4)),
    PooledUnit("table", "log", (5,)),
)
OFF = (None, 0, 1, 5, 6)
"""Of which components there are draws: all of the evidence, and without these units."""
_BITS = 14


@dataclass(frozen=True)
class Exact:
    """The exact answer: of each hypothesis its log marginal likelihood [nat], weight [1], mean and sd [L]."""

    log_z: np.ndarray
    weights: np.ndarray
    means: np.ndarray
    sds: np.ndarray

    def below(self, at: float) -> float:
        """The probability of less than a content. [L]"""
        return float(self.weights @ stats.norm.cdf(at, self.means, self.sds))

    def denser(self, at: float) -> np.ndarray:
        """The probability of a full mass of more than so much a content, by hypothesis. [kg/L]"""
        far = at - A_LITRE  # the mass less `at` times the content is normal
        return np.asarray(stats.norm.cdf(EMPTY, far * self.means, np.hypot(far * self.sds, MASS_SD)))


def exact(off: frozenset[int] = frozenset(), scale: dict[str, float] | None = None,
          prior: dict[str, float] | None = None) -> Exact:  # fmt: skip
    """The exact answer without some atoms, with factors of u and other prior weights."""
    on = [i for i in range(len(ATOMS)) if i not in off]
    value, covariance = _evidence(on, scale or {})
    found = []
    for mean, sd in HYPOTHESES.values():
        one = np.ones(len(value))
        log_z = (
            stats.multivariate_normal(mean * one, covariance + sd**2 * np.outer(one, one)).logpdf(value) if on else 0.0
        )
        weight = np.linalg.solve(covariance, one) if on else one
        precision = sd**-2 + float(weight.sum())
        found.append((float(log_z), (mean * sd**-2 + float(weight @ value)) / precision, precision**-0.5))
    log_z, means, sds = map(np.array, zip(*found, strict=True))
    shares = np.array(list((prior or PRIORS).values()))
    odds = shares * np.exp(log_z - log_z.max())
    return Exact(log_z, odds / odds.sum(), means, sds)


def _evidence(on: list[int], scale: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    values, us, homes = [], [], []
    for i in on:
        if ATOMS[i] == "log":
            values += LOG
            us += [LOG_U] * len(LOG)
            homes += [i] * len(LOG)
        else:
            value, u, _ = READINGS[ATOMS[i]]
            values.append(value)
            us.append(u * scale.get(ATOMS[i], 1.0))
            homes.append(i)
    covariance = np.diag(np.square(us)) if us else np.zeros((0, 0))
    if 3 in on and 4 in on:
        i, j = homes.index(3), homes.index(4)
        covariance[i, j] = covariance[j, i] = ALIKE * us[i] * us[j]
    return np.array(values), covariance


def pool(draws: int = 500, seed: int = 3) -> Pool:
    """A pool of so many draws of each component under each hypothesis."""
    rng = np.random.default_rng(seed)
    x, counts, first = [], [], []
    for k in range(len(HYPOTHESES)):
        first.append(sum(map(len, x)))
        for off in OFF:
            answer = exact(_atoms(off))
            x.append(rng.normal(answer.means[k], answer.sds[k], draws))
        counts.append(draws * len(OFF))
    content = np.concatenate(x)
    columns, blocks = [], []

    def add(column) -> int:
        columns.append(column)
        return len(columns) - 1

    def told(atoms: list[int], scale: dict[str, float] | None = None) -> int:
        value, covariance = _evidence(atoms, scale or {})
        root = np.linalg.cholesky(covariance)
        z = np.linalg.solve(root, value[:, None] - content)
        log = -0.5 * (z**2).sum(axis=0) - np.log(np.diag(root)).sum() - 0.5 * len(value) * math.log(2 * math.pi)
        return add(coded_below(log, bits=_BITS))

    for i in (0, 1, 2, 5):
        blocks.append(Block((i,), {1: told([i])}))
    blocks.append(Block((3, 4), {1: told([3]), 2: told([4]), 3: told([3, 4])}))
    readings = []
    for i, (name, (value, u, _)) in enumerate(READINGS.items()):
        scaling = Scaling("normal", -math.log(u * math.sqrt(2 * math.pi)))
        if name == "float-1":
            scaling = Scaling("columns", columns={f: told([i], {name: f}) for f in (0.5, 2.0, 4.0)})
        if i >= 3:
            scaling = None
        simulated = add(coded(content + u * rng.standard_normal(len(content)), bits=_BITS))
        readings.append(
            PooledReading(name, f"A {name[:-2]} in the tank", "L", f"{value:g} ± {u:g} L", value, value, value, i,
                          simulated, scaling)
        )  # fmt: skip
    base, mass = exact(), EMPTY + A_LITRE * content + rng.normal(0, MASS_SD, len(content))
    quantities = (
        PooledQuantity("kept", "Water that the tank holds when its gauge reads full", "L",
                       add(coded(content, bits=_BITS)), True),
        PooledQuantity("leak", "Share of a filling that the leak takes before the tank is full", "1",
                       add(coded(np.where(np.arange(len(content)) < counts[0], 0.0, 1 - content / 900), bits=_BITS)),
                       True),
        PooledQuantity("full_mass", "Mass of the full tank", "kg",
                       add(coded(mass, bits=_BITS)), False),
    )  # fmt: skip
    claims = tuple(
        _claim(name, says, column, compare)
        for name, says, column, compare in (
            ("little", "the tank keeps less than 855 L", quantities[0].column, Compared("<", CLAIM_AT, "L")),
            ("full", "the tank keeps at least 862 L", add(coded((content >= FULL_AT).astype(float), bits=_BITS)), None),
            (
                "dense",
                "the full tank weighs more than 1.163 kg a litre that it keeps",
                add(coded(mass / content, bits=16)),
                Compared(">", DENSE_AT, "kg/L", "full_mass / kept"),
            ),
        )
    )
    return Pool(
        tuple(
            PooledHypothesis(name, water_tank.spec().model.hypotheses[k].says, PRIORS[name], float(base.log_z[k]), 0.01,
                             first[k], counts[k])
            for k, name in enumerate(HYPOTHESES)
        ),
        tuple(
            Component(k, off, draws, float(exact(_atoms(off)).log_z[k]), 0.001, True, True)
            for k in range(len(HYPOTHESES)) for off in OFF
        ),
        tuple(Atom(name, READINGS[name][2] if name in READINGS else None) for name in ATOMS),
        UNITS, tuple(blocks), tuple(readings), quantities, claims, tuple(columns),
    )  # fmt: skip


def _atoms(off: int | None) -> frozenset[int]:
    return frozenset(() if off is None else UNITS[off].atoms)


def _claim(name: str, says: str, column: int, compare: Compared | None) -> PooledClaim:
    every = [_chances(name, exact(_atoms(off))) for off in OFF]
    published = [float(own[k]) for k in range(len(HYPOTHESES)) for own in every]
    return PooledClaim(name, says, 0.5, column, compare, tuple(published), (0.002,) * len(published))


def _chances(name: str, answer: Exact) -> np.ndarray:
    """How probable a claim is under each hypothesis."""
    if name == "dense":
        return answer.denser(DENSE_AT)
    below = stats.norm.cdf(CLAIM_AT if name == "little" else FULL_AT, answer.means, answer.sds)
    return np.asarray(below if name == "little" else 1 - below)


def assessment(made: Pool) -> Assessment:
    """What would have been concluded of the tank, from its exact posterior."""
    base, shown = exact(), water_tank.assessment()
    by = [
        HypothesisSummary(h.name, h.says, h.prior, float(w), 0.002, h.log_evidence, 0.01, 0.4)
        for h, w in zip(made.hypotheses, base.weights, strict=True)
    ]
    verdicts = [
        Verdict(
            c.name, c.says, "claim", 0.5, Probability(0.4, 0.005),
            Probability(float(base.weights @ c.published[:: len(OFF)]), 0.003), words_for(Probability(0.5, 0.003)),
            {h.name: Conditional(Probability(p, 0.002), False)
             for h, p in zip(made.hypotheses, c.published[:: len(OFF)], strict=True)},
            False, None, None, 0.3, 0.7,
        )
        for c in made.claims
    ]  # fmt: skip
    verdicts += [
        Verdict(h.name, h.says, "hypothesis", 0.5, Probability(h.prior, 0.0), Probability(h.posterior, h.mcse),
                words_for(Probability(h.posterior, h.mcse)), {}, True, None, None, h.posterior, h.posterior)
        for h in by
    ]  # fmt: skip
    quantities = tuple(
        replace(q, posterior=_spread(made, q.name)) if q.name in {p.name for p in made.quantities} else q
        for q in shown.quantities
    )
    rows = [
        LedgerRow(r.id, "meter", r.about, "L", r.stated, r.value, r.lower, r.upper, READINGS[r.id][1],
                  READINGS[r.id][2], "2026-02-11", "An invented logbook", "", "", False, None,
                  Spread(857.0, 9.0, 857.0, 842.0, 872.0), 0.5)
        for r in made.readings
    ]  # fmt: skip
    echo = replace(rows[0], id="meter-1-again", aside="repeats meter-1", predicted=None, tail=None)
    sentence = "it is a roughly even chance that the tank keeps less than 855 L"
    return replace(
        shown, sentence=sentence, verdicts=tuple(verdicts), hypotheses=tuple(by), quantities=quantities,
        ledger=(*rows, echo),
    )  # fmt: skip


def _spread(made: Pool, name: str) -> Spread:
    quantity: QuantitySummary | None = next(q for q in water_tank.assessment().quantities if q.name == name)
    base = exact()
    rng = np.random.default_rng(0)
    chosen = rng.choice(3, p=base.weights, size=4000)
    x = rng.normal(base.means[chosen], base.sds[chosen])
    x = {"kept": x, "leak": np.where(chosen == 0, 0.0, 1 - x / 900), "full_mass": EMPTY + A_LITRE * x}[quantity.name]
    low, middle, high = np.quantile(x, (0.05, 0.5, 0.95))
    return Spread(float(x.mean()), float(x.std()), float(middle), float(low), float(high))
