"""What candidates are expected to tell of serial numbers, of members of a group, and on an open basis, held against
enumeration, a closed form and quadrature."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import special, stats

from closed_form.test_candidates import (
    CLAIM,
    NODES,
    PRIOR,
    agrees,
    candidate,
    exact_claim,
    exact_over,
    exact_set,
    on_grid,
    posterior,
    reading,
    worths,
)
from gaugeglass.inference.posterior import Posterior, infer
from gaugeglass.judgement.candidates import rank_candidates
from gaugeglass.judgement.outlooks import channel, gather, look
from gaugeglass.judgement.rankings import Worth
from gaugeglass.language.files import specify


@dataclass(frozen=True)
class Exact:
    """What a reading tells: of the claim [bit], of the quantity [nat], and its expected sd over its sd now [1]."""

    bits: float
    nats: float
    narrowing: float


def told(found: Worth, exact: Exact, *, smoothed: float = 0.0) -> list[str]:
    """What is not found as it is known, within four Monte Carlo errors; of nats that are smoothed, a share beside that."""
    right = {
        "bits": agrees(found.claim_bits, exact.bits),
        "nats": agrees(found.quantity_nats, exact.nats, tolerance=smoothed * exact.nats),
        "narrowing": agrees(found.narrowing, exact.narrowing),
    }
    return [f"{name}: {found}" for name, is_right in right.items() if not is_right]


# --- serial numbers -----------------------------------------------------------------------------------------

SEEN, MOST, MANY = (1900, 4000, 4200, 6000), 60_000, 9000
"""Numbers seen, the end of the flat prior and the claim's number: invented, so large that whole numbers are dense. [1]"""


def of_serials(seen: tuple[int, ...]) -> Posterior:
    model = {
        "title": "Serial numbers from 1 on",
        "givens": {"said": {"about": "How many are said", "unit": "1", "default": 20_000}},
        "latents": {
            "total": {"about": "How many", "unit": "1", "because": "Flat",
                      "prior": {"family": "uniform", "lower": 0, "upper": MOST}},
        },
        "relations": {"missing": {"about": "Fewer than said", "unit": "1", "equals": "said - total"}},
        "methods": {"plate": {"about": "A plate", "measures": "total", "likelihood": {"family": "serial"}}},
        "claims": {"high": {"says": "There are many", "holds": f"total > {MANY}"}},
    }  # fmt: skip
    observations = [{"id": f"plate-{n}", "method": "plate", "value": n} for n in seen]
    return infer(specify(model, {"dossier": "plates", "subject": "Things", "observations": observations}), seed=1)


@pytest.fixture(scope="module")
def serials() -> Posterior:
    return of_serials(SEEN)


def exact_serials(count: int) -> Exact:
    """By enumeration of every total N and every greatest e of so many further numbers, drawn without putting back.

    They are all up to e in as many ways as (e - k) (e - k - 1) …, k having been seen, of (N - k) (N - k - 1) …; none
    above what was seen before leaves all totals open, weighed anew.
    """
    k, n = len(SEEN), np.arange(max(SEEN), MOST + 1, dtype=np.float64)
    now = np.prod([1 / (n - j) for j in range(k)], axis=0)
    now /= now.sum()
    ways = np.prod([n - j for j in range(k, k + count)], axis=0)
    each = np.diff(ways, prepend=0.0)

    def reached(what: np.ndarray) -> np.ndarray:
        """Sums over totals from each e on."""
        return np.cumsum((now / ways * what)[::-1])[::-1]

    whole, holding = reached(np.ones_like(n)), reached(n > MANY)
    p, after = each * whole, holding / whole
    claim = float(now @ (n > MANY))
    bits = stats.entropy([claim, 1 - claim], base=2) - p @ (special.entr(after) + special.entr(1 - after)) / math.log(2)
    known = np.log(ways) - np.cumsum(special.xlogy(each, each)) / ways
    mean = reached(n) / whole
    sd = np.sqrt(np.maximum(reached(n**2) / whole - mean**2, 0))
    return Exact(
        float(bits), float(special.entr(p).sum() - now @ known), float(p @ sd / math.sqrt(now @ n**2 - (now @ n) ** 2))
    )


@pytest.mark.parametrize(("count", "quantity"), [(1, "total"), (4, "total"), (32, "total"), (4, "missing")])
def test_further_serial_numbers_tell_what_enumeration_says(serials: Posterior, count: int, quantity: str) -> None:
    """What is fixed by the total is told as much of as the total itself."""
    further = candidate("plate", None, count=count)
    (found,) = worths(serials, further, quantity=quantity).values()
    assert told(found, exact_serials(count), smoothed=0.01) == []
    assert agrees(found.expected, float(rank_candidates(serials, candidates=[further]).probability or 0))


def test_further_serial_numbers_are_drawn_without_putting_back() -> None:
    """The chance that three further ones of N are all below the greatest of four is hypergeometric."""
    seen = (19, 40, 42, 60)
    further = candidate("plate", None, count=3)
    draws = gather(of_serials(seen), [further])
    total = np.round(draws.values("total"))
    outlook = replace(look(draws, further), mu=total[None])
    exact = stats.hypergeom.pmf(3, total - len(seen), max(seen) - len(seen), 3)
    assert np.allclose(channel(draws, outlook).chances[:, 0], exact)


def test_repeats_of_a_serial_number_are_further_numbers(serials: Posterior) -> None:
    (found,) = worths(serials, candidate("plate", None), quantity="total").values()
    for repeat in found.repeats:
        exact = exact_serials(repeat.readings)
        assert agrees(repeat.claim_bits, exact.bits)
        assert agrees(repeat.quantity_nats, exact.nats)
    assert [r.readings for r in found.repeats] == [1, 2, 4, 8]


# --- members of a group -------------------------------------------------------------------------------------

TYPICAL, BETWEEN, WITHIN, BIAS, LARGE = 70.0, 3.0, 2.0, 0.8, 71.0
"""Prior mean and sd of what is typical, scatter of members about it, sd of a shared error, and the claim's number. [kWh]"""
SLOTS = ("typical", "energy[V1]", "energy[V2]", "energy[V3]", "of origin one", "of origin two")


@pytest.fixture(scope="module")
def vans() -> Posterior:
    model = {
        "title": "Vans",
        "groups": {"van": {"about": "A van"}},
        "latents": {
            "typical": {"about": "Typical energy", "unit": "kWh", "because": "x",
                        "prior": {"family": "normal", "mean": f"{TYPICAL} kWh", "sd": f"{BETWEEN} kWh"}},
            "energy": {"about": "Energy of one", "unit": "kWh", "per": "van", "because": "x",
                       "prior": {"family": "normal", "mean": "typical", "sd": f"{WITHIN} kWh"}},
        },
        "relations": {"mean_energy": {"about": "Mean", "unit": "kWh", "equals": "mean(energy)"}},
        "methods": {
            "bench": {"about": "x", "measures": "energy", "likelihood": {"family": "normal"}},
            "meter": {"about": "x", "measures": "energy", "likelihood": {"family": "normal"},
                      "shared": {"by": "origin", "u": f"{BIAS} kWh"}},
        },
        "claims": {"large": {"says": "Large on average", "holds": f"mean_energy > {LARGE} kWh"}},
    }  # fmt: skip
    observations = [
        {"id": "a", "method": "bench", "value": "73 kWh", "u": "1 kWh", "at": {"van": "V1"}},
        {"id": "b", "method": "meter", "value": "69 kWh", "u": "0.5 kWh", "at": {"van": "V2"}, "origin": "one"},
    ]
    dossier = {
        "dossier": "vans", "subject": "Vans", "members": {"van": ["V1", "V2", "V3"]}, "observations": observations,
    }  # fmt: skip
    return infer(specify(model, dossier), seed=1, draws=2000)


def exact_vans(slope: dict[str, float], variance: float, quantity: str) -> Exact:
    """Closed form: all is normal, so that each reading takes its share of a variance whatever is read."""
    spread = np.zeros((6, 6))
    spread[:4, :4] = BETWEEN**2
    spread[1:4, 1:4] += WITHIN**2 * np.eye(3)
    spread[4, 4] = spread[5, 5] = BIAS**2
    mean = np.array([TYPICAL] * 4 + [0.0, 0.0])
    for seen, value, u in (({"energy[V1]": 1}, 73, 1.0), ({"energy[V2]": 1, "of origin one": 1}, 69, 0.5)):
        h = vector(seen)
        gain = spread @ h / (h @ spread @ h + u**2)
        mean, spread = mean + gain * (value - h @ mean), spread - np.outer(gain, h @ spread)

    h = vector(slope)

    def share(of: np.ndarray) -> float:
        return float((of @ spread @ h) ** 2 / (h @ spread @ h + variance) / (of @ spread @ of))

    average = np.array([0, 1, 1, 1, 0, 0]) / 3
    of = average if quantity == "mean_energy" else vector({quantity: 1})
    bits, _ = exact_claim(float(average @ mean) - LARGE + CLAIM, math.sqrt(average @ spread @ average), share(average))
    return Exact(bits, -0.5 * math.log1p(-share(of)), math.sqrt(1 - share(of)))


def vector(slope: dict[str, float]) -> np.ndarray:
    return np.array([slope.get(name, 0.0) for name in SLOTS])


@pytest.mark.parametrize("quantity", ["typical", "mean_energy", "energy[V1]", "energy[V3]"])
def test_a_reading_of_a_member_tells_what_is_known_exactly(vans: Posterior, quantity: str) -> None:
    """Of its own member, of the others through what is typical, and of the mean; each member is tried where none is said.

    One percent of the nats beside four errors: draws are told apart by rank.
    """
    found = worths(vans, candidate("bench", 1.0, name="bench"), quantity=quantity)
    assert list(found) != []
    assert sorted(found) == ["bench[V1]", "bench[V2]", "bench[V3]"]
    for member in ("V1", "V2", "V3"):
        exact = exact_vans({f"energy[{member}]": 1}, 1.0, quantity)
        assert told(found[f"bench[{member}]"], exact, smoothed=0.01) == []


@pytest.mark.parametrize(("origin", "count"), [("one", 1), ("two", 1), ("one", 4), ("two", 4)])
def test_a_member_read_by_an_origin_that_erred_before(vans: Posterior, origin: str, count: int) -> None:
    """The origin that read V2 brings its error to V3; several readings of a new origin all share its own."""
    asked = candidate("meter", 0.5, origin=origin, count=count, at={"van": "V3"})
    (found,) = worths(vans, asked, quantity="energy[V3]").values()
    slope = {"energy[V3]": 1.0, f"of origin {origin}": 1.0}
    assert told(found, exact_vans(slope, 0.25 / count, "energy[V3]"), smoothed=0.01) == []


# --- open bases ---------------------------------------------------------------------------------------------

FACTORS, CHANCES = (1.0, 2.0), (0.75, 0.25)
BEFORE, U_BEFORE = 1.6, 0.4
"""What origin one read, on a basis that is open. [V]"""


@pytest.fixture(scope="module")
def based() -> Posterior:
    return posterior([reading("r", "based", BEFORE, U_BEFORE, origin="one")], draws=2000)


@pytest.fixture(scope="module")
def unseen() -> Posterior:
    return posterior(draws=2000)


def after_one() -> np.ndarray:
    """Probability of each basis of origin one and of each a together, after its reading, dims ("basis", "a")."""
    joint = np.array(
        [p * PRIOR * stats.norm.pdf(BEFORE, f * NODES, U_BEFORE) for f, p in zip(FACTORS, CHANCES, strict=True)]
    )
    return joint / joint.sum()


def mixed(chances: np.ndarray, u: float) -> np.ndarray:
    """A reading whose basis is open, with the chance of each basis, dims ("basis", "a"), as dims ("outcome", "a")."""
    parts = [on_grid(lambda y, f=f: stats.norm.pdf(y, f * NODES, u), -20, 20) for f in FACTORS]
    return sum(p * part for p, part in zip(chances, parts, strict=True))  # type: ignore[no-any-return]


def exact_based(outcomes: np.ndarray, prior: np.ndarray) -> Exact:
    """By quadrature over a and the reading."""
    bits, nats = exact_over(outcomes, prior)
    joint = outcomes * prior
    p = np.maximum(joint.sum(axis=1), 1e-300)
    variance = joint @ NODES**2 / p - (joint @ NODES / p) ** 2
    now = math.sqrt(prior @ NODES**2 - (prior @ NODES) ** 2)
    return Exact(bits, nats, float(p @ np.sqrt(np.maximum(variance, 0)) / now))


@pytest.mark.parametrize("origin", ["one", "two"])
@pytest.mark.parametrize("count", [1, 3])
def test_an_open_basis_is_that_of_the_origin(based: Posterior, origin: str, count: int) -> None:
    """Quadrature over the two bases: origin one keeps the basis of what it read, whose chance goes with a; that of origin
    two is open as at first. Several readings are on one basis, so that their mean says all. Two percent of the nats beside
    four errors, since chances are smoothed over ranks.
    """
    joint = after_one()
    prior = joint.sum(axis=0)
    chances = joint / prior if origin == "one" else np.outer(CHANCES, np.ones(len(NODES)))
    (found,) = worths(based, candidate("based", 0.3, origin=origin, count=count), quantity="a").values()
    exact = exact_based(mixed(chances, 0.3 / math.sqrt(count)), prior)
    assert told(found, exact, smoothed=0.02) == []


COARSE, READ = NODES[::5], np.linspace(-12, 12, 401)
FLAT = PRIOR[::5] / PRIOR[::5].sum()


def coarsely(u: float) -> np.ndarray:
    """Chances of a reading whose basis is open, dims ("outcome", "a"), few enough for pairs of readings."""
    parts = [p * stats.norm.pdf(READ[:, None], f * COARSE, u) for f, p in zip(FACTORS, CHANCES, strict=True)]
    return np.sum(parts, axis=0) * (READ[1] - READ[0])


def fall(whole: np.ndarray, first: np.ndarray, second: np.ndarray) -> float:
    """Expected fall of the log of the sd of a [nat], from sums over a of the chances of outcomes, times a, times a²."""
    seen = whole > 1e-100
    p, first, second = whole[seen], first[seen], second[seen]
    then = np.log(np.maximum(second / p - (first / p) ** 2, 1e-12))
    return float(math.log(FLAT @ COARSE**2 - (FLAT @ COARSE) ** 2) - p @ then / p.sum()) / 2


@pytest.mark.parametrize("origins", [("one", "one"), ("one", "two")])
def test_two_readings_of_a_set_share_a_basis_if_they_share_an_origin(
    unseen: Posterior, origins: tuple[str, str]
) -> None:
    """Quadrature: by one origin both are on one basis, and their mean says all; by two each basis is open by itself,
    and where they differ both are known. How far the log of the sd falls, by the quantity alone.
    """
    u = 0.3
    asked = [candidate("based", u, name=f"c{k}", origin=o, cost=1.0) for k, o in enumerate(origins)]
    best = rank_candidates(unseen, claim="", quantity="a", candidates=asked, budget=2).best
    assert best is not None
    once, mean = coarsely(u), coarsely(u / math.sqrt(2))
    moments = [FLAT * COARSE**k for k in range(3)]
    alone = fall(*(once @ m for m in moments))
    together = fall(*(mean @ m for m in moments))
    apart = fall(*((once * m) @ once.T for m in moments))
    assert apart > together + 0.15
    assert agrees(best.steps[0].total, alone)
    assert agrees(best.steps[1].total, together if origins == ("one", "one") else apart)


def test_a_set_ends_where_too_few_draws_agree_and_says_how_many(unseen: Posterior) -> None:
    """Closed form: a reading of a + b/2 and one of b, both sharp, after which nearly none of the draws is left."""
    u = 0.1
    asked = [candidate("both", u, cost=1.0), candidate("second", u, cost=1.0), candidate("first", u, cost=100.0)]
    best = rank_candidates(unseen, candidates=asked, budget=200).best
    assert best is not None
    exact = [exact_set(((1, 0.5), u))[0], exact_set(((1, 0.5), u), ((0, 1), u))[0]]
    assert [agrees(step.total, bits) for step, bits in zip(best.steps, exact, strict=True)] == [True, True]
    told = re.fullmatch(
        r"too few draws would be left to judge by: of 8000, (\d+) agree with what is known by then, on average",
        best.ended,
    )
    assert told is not None
    assert 0 < int(told[1]) < 200
