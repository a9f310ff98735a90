"""The page answers a reader's questions: driven in headless Chromium, held against exact answers and the Python twin."""

from __future__ import annotations

import itertools
import json
import math
import re
import shlex
from dataclasses import replace
from urllib.parse import urlencode

import numpy as np
import pytest

from browser import tank
from browser.conftest import AXE, TOLD, Reader
from conftest import OBSERVATIONS
from gaugeglass.inference.posterior import infer
from gaugeglass.judgement.answers import State, what_if
from gaugeglass.judgement.blocks import Block, Numbers
from gaugeglass.judgement.leaving import leave_out, units
from gaugeglass.judgement.pooling import make_pool
from gaugeglass.judgement.pools import Pool
from gaugeglass.judgement.results import Probability
from gaugeglass.judgement.verdicts import words_for
from gaugeglass.language.files import load
from gaugeglass.publication import numbers
from gaugeglass.publication.densities import density
from judgement.test_pools import graded
from judgement.test_undefined import examined

STATES = {
    "without=meter-1": ({0}, {}, None, {}),
    "without=meter-2": ({1}, {}, None, {}),
    "without=float-1": ({2}, {}, None, {}),
    "without=dip-1": ({3}, {}, None, {}),
    "without=dip-1&without=dip-2": ({3, 4}, {}, None, {}),
    "without-origin=waterworks": ({0, 1}, {}, None, {}),
    "without-origin=a+diver": ({3, 4}, {}, None, {}),
    "without-table=log": ({5}, {}, None, {}),
    "without=meter-2&without-table=log": ({1, 5}, {}, None, {}),
    "u.meter-1=2": (set(), {"meter-1": 2.0}, None, {}),
    "u.meter-1=0.5": (set(), {"meter-1": 0.5}, None, {}),
    "u.meter-2=4": (set(), {"meter-2": 4.0}, None, {}),
    "u.float-1=0.5": (set(), {"float-1": 0.5}, None, {}),
    "u.float-1=4&u.meter-2=2": (set(), {"float-1": 4.0, "meter-2": 2.0}, None, {}),
    "prior.tight=0.1&prior.leaking=0.8&prior.short_main=0.1": (
        set(),
        {},
        {"tight": 0.1, "leaking": 0.8, "short_main": 0.1},
        {},
    ),
    "at.little=860": (set(), {}, None, {"little": 860.0}),
    "at.dense=1.16": (set(), {}, None, {"dense": 1.16}),
    "without=float-1&at.dense=1.165&at.little=850": ({2}, {}, None, {"little": 850.0, "dense": 1.165}),
    "without=meter-1&u.meter-2=0.5&prior.tight=0&at.little=866": (
        {0},
        {"meter-2": 0.5},
        {**tank.PRIORS, "tight": 0.0},
        {"little": 866.0},
    ),
}
"""What is asked by each address: atoms off, factors of u, prior weights, numbers of claims."""


# --- what it says ---------------------------------------------------------------------------------------------


def test_nothing_is_asked_at_first_and_what_stands_is_as_published(reader: Reader, address: str, pool) -> None:
    reader.open(address)
    published = [numbers.probability(v.posterior) for v in tank.assessment(pool).verdicts]
    assert [reader.claim(k) for k in range(3)] == published[:3]
    assert [reader.weight(k) for k in range(3)] == [
        numbers.percent_with_error(h.posterior, h.mcse) for h in tank.assessment(pool).hypotheses
    ]
    assert reader.text("#asked") == "As published"
    assert not reader.view.locator("#what-if").is_visible()
    assert not reader.view.locator("#warning").is_visible()
    assert reader.view.locator("#restore").is_disabled()
    assert not reader.complaints


def test_answers_agree_with_the_exact_ones_within_their_errors(reader: Reader, address: str) -> None:
    """The tank is normal throughout, so each what-if has a closed form; four stated errors."""
    for (off, scale, prior, at), found in zip(STATES.values(), reader.open(address).answers(list(STATES)), strict=True):
        exact = tank.exact(frozenset(off), scale, prior)
        assert found["isAnswered"]
        assert found["isReliable"]
        asked = [(exact.below(at.get("little", tank.CLAIM_AT)), found["claims"][0])]
        asked += [(1 - exact.below(tank.FULL_AT), found["claims"][1])]
        asked += [(float(exact.weights @ exact.denser(at.get("dense", tank.DENSE_AT))), found["claims"][2])]
        asked += list(zip(exact.weights, found["weights"], strict=True))
        for wanted, got in asked:
            assert got["value"] == pytest.approx(wanted, abs=4 * got["error"] + 1e-9)
            assert got["error"] < 0.08


def test_answers_are_those_of_python(reader: Reader, address: str, pool) -> None:
    """The same arithmetic twice, over states of every kind and combinations of them; to rounding."""
    rng = np.random.default_rng(11)
    states = [State(), *(_drawn(rng, pool) for _ in range(60))]
    found = reader.open(address).answers([_fragment(s, pool) for s in states])
    for state, ours in zip(states, found, strict=True):
        same_as_python(ours, what_if(pool, state), pool)


@pytest.mark.parametrize("name", ["sources", "numbers"])
def test_what_hangs_together_is_told_as_in_python(reader: Reader, address: str, name: str) -> None:
    """Every choice of readings that may be wrong together and have an open basis, and of serial numbers: to rounding."""
    pool = hanging_together(name)
    labels = [u.label for u in pool.units]
    states = [State(off=off) for size in range(4) for off in itertools.combinations(labels, size)]
    reader.open(address)
    reader.view.evaluate(
        """([told, codes]) => {
          const Pool = gaugeglass.page.pool.constructor;
          globalThis.other = new Pool(told, Uint16Array.from(codes));
        }""",
        [json.loads(json.dumps(pool.texts())), pool.codes.ravel().tolist()],
    )
    found = reader.view.evaluate(
        f"""(texts) => texts.map((text) =>
          ({TOLD})(gaugeglass.answer(other, gaugeglass.understood(other, text).state)))""",
        [_fragment(s, pool) for s in states],
    )
    answered = [what_if(pool, state) for state in states]
    for theirs, ours in zip(answered, found, strict=True):
        same_as_python(ours, theirs, pool)
    assert sum(a.answered for a in answered) == {"sources": len(states), "numbers": 12}[name]


@pytest.mark.parametrize(
    ("name", "window", "within"),
    [("normal", (-5.0, 5.0), (None, None)), ("normal", (0.5, 0.6), (None, None)), ("normal", (-5.0, 5.0), (1.0, 2.0)),
     ("exponential", (-0.1, 8.0), (0.0, None)), ("exponential", (-0.1, 8.0), (None, None)),
     ("exponential", (-0.1, 8.0), (-0.05, 9.0)), ("uniform", (-0.2, 1.2), (0.0, 1.0)), ("uniform", (-0.2, 1.2), (None, None))],
)  # fmt: skip
def test_densities_are_drawn_as_in_pictures(
    reader: Reader, address: str, name: str, window: tuple[float, float], within: tuple[float | None, float | None]
) -> None:
    """To 0.1 % of the peak: the page sums the kernel where pictures draw straight lines between an eighth of its width."""
    draws = getattr(np.random.default_rng(5), "standard_" + name, np.random.default_rng(5).random)(4000)
    reader.open(address)
    found = reader.view.evaluate(
        """([draws, [low, high], within]) => {
          const values = Float64Array.from(draws), order = Uint32Array.from(values.keys());
          const pool = {column: () => values, order: () => order.sort((a, b) => values[a] - values[b])};
          const shares = new Float64Array(values.length).fill(1 / values.length);
          return Array.from(gaugeglass.density(pool, 0, shares, low, high, null, within));
        }""",
        [draws.tolist(), window, within],
    )
    ends = tuple(side if end is None else end for end, side in zip(within, (-math.inf, math.inf), strict=True))
    drawn = density(draws, np.linspace(*window, len(found)), within=ends)
    assert found == pytest.approx(drawn, abs=1e-3 * drawn.max())


@pytest.mark.parametrize("off", [[], ["r"], ["origin Ann"]])
def test_claims_without_a_value_in_some_draws_are_told_as_in_python(
    reader: Reader, address: str, off: list[str]
) -> None:
    """Both bounds, their error and their words, of a claim that compares and of one that does not; and of neither."""
    pool = examined().pool
    assert pool is not None
    states = [State(off=off), State(off=off, prior={"short": 1, "long": 9}), State(off=off, at={"above": 1.3})]
    reader.open(address)
    found = reader.view.evaluate(
        f"""([told, codes, texts]) => {{
          const {{page, answer, understood, chanceText}} = gaugeglass,
            other = new page.pool.constructor(told, Uint16Array.from(codes));
          return texts.map((text) => {{
            const found = answer(other, understood(other, text).state);
            const worded = found.claims.map((c) => (c.isBetween ? page.wordedBetween(c) : page.wordFor(c.value)) ?? "");
            return {{...({TOLD})(found), printed: found.claims.map(chanceText), worded}};
          }});
        }}""",
        [json.loads(json.dumps(pool.texts())), pool.codes.ravel().tolist(), [_fragment(s, pool) for s in states]],
    )
    for state, ours in zip(states, found, strict=True):
        theirs = what_if(pool, state)
        assert [bool(c.get("isBetween")) for c in ours["claims"]] == [p.is_between for p in theirs.claims.values()]
        for got, p in zip(ours["claims"], theirs.claims.values(), strict=True):
            assert (got["value"], got["error"]) == pytest.approx((p.value, p.mcse), abs=1e-5)
            assert (got["atLeast"], got["atMost"]) == pytest.approx((p.at_least, p.at_most), abs=1e-5)
        assert ours["printed"] == [numbers.probability(p) for p in theirs.claims.values()]
        assert ours["worded"] == [w.phrase if (w := words_for(p)) else "" for p in theirs.claims.values()]


@pytest.mark.parametrize(
    "ends",
    [(0.67, 0.84), (0.0, 0.84), (0.67, 1.0), (0.0, 1.0), (0.0001, 0.0004), (0.9993, 0.9996), (0.3, 0.35), (0.001, 0.6),
     (0.6, 0.999), (0.0003, 0.9999)],
)  # fmt: skip
def test_bounds_are_printed_and_worded_as_python_does(reader: Reader, address: str, ends: tuple[float, float]) -> None:
    p = Probability(ends[0], 0.01, *ends, no_value=ends[1] - ends[0])
    printed, worded = reader.open(address).view.evaluate(
        """([atLeast, atMost]) => {
          const p = {value: atLeast, error: 0.01, atLeast, atMost, isBetween: true};
          return [gaugeglass.chanceText(p), gaugeglass.page.wordedBetween(p)];
        }""",
        list(ends),
    )
    words = words_for(p)
    assert (printed, worded) == (numbers.probability(p), words.phrase if words else "")


def hanging_together(name: str) -> Pool:
    """A pool of few draws, of readings that are told together."""
    posterior = graded(4) if name == "sources" else infer(load(OBSERVATIONS / "serials.yaml"), seed=1)
    return make_pool(posterior, leave_out(posterior, units(posterior.spec)))


def same_as_python(ours: dict, theirs, pool) -> None:
    """That the page and Python say the same of a state.

    Claims agree to 1e-5, a tenth of the last digit that is ever printed: they are corrected by the solution of a system
    whose condition is some 1e7, so that the order of sums shows before that. All else agrees to rounding.
    """
    assert ours["isAnswered"] == theirs.answered
    if not theirs.answered:
        return
    if math.inf not in theirs.pareto_k.values():  # as it is where the least of a tail are equal but for rounding
        assert ours["isReliable"] == theirs.reliable
        assert pool.hypotheses[ours["weakest"]].name == theirs.weakest
    for kind, wanted in (("claims", theirs.claims), ("weights", theirs.hypotheses)):
        for got, p in zip(ours[kind], wanted.values(), strict=True):
            if min(p.value, 1 - p.value) < 1e-9:
                assert round(got["value"], 6) == round(p.value, 6)
                continue
            assert got["value"] == pytest.approx(p.value, abs=1e-5 if kind == "claims" else 1e-9)
            assert (got["atLeast"], got["atMost"]) == pytest.approx((p.at_least, p.at_most), abs=1e-6)
            if not math.isnan(p.mcse):
                assert got["error"] == pytest.approx(p.mcse, rel=1e-3, abs=1e-5)
    for part, size, k in zip(ours["parts"], theirs.effective.values(), theirs.pareto_k.values(), strict=True):
        assert part["size"] == pytest.approx(size, rel=1e-6, abs=1e-9)
        if k != math.inf:
            assert part["k"] == pytest.approx(k, abs=1e-3)


def _drawn(rng: np.random.Generator, pool) -> State:
    """A state of several changes."""
    labels = [u.label for u in pool.units]
    scalable = [r.id for r in pool.readings if r.scaling]
    weights = dict(zip((h.name for h in pool.hypotheses), rng.dirichlet(np.ones(len(pool.hypotheses))), strict=True))
    movable = [c for c in pool.claims if c.compare]
    return State(
        off=tuple(rng.choice(labels, size=rng.integers(0, 3), replace=False)),
        scale={
            str(i): float(rng.choice([0.5, 2, 4])) for i in rng.choice(scalable, size=rng.integers(0, 3), replace=False)
        },
        prior=weights if rng.uniform() < 0.4 else {},
        at={c.name: c.compare.at * float(rng.uniform(0.97, 1.03)) for c in movable if rng.uniform() < 0.4},
    )


def _fragment(state: State, pool) -> str:
    """A state as an address says it."""
    units = {u.label: u for u in pool.units}
    keys = {"observation": "without", "origin": "without-origin", "table": "without-table"}
    return urlencode([
        *((keys[units[label].kind], units[label].name) for label in state.off),
        *((f"u.{name}", repr(factor)) for name, factor in state.scale.items()),
        *((f"prior.{name}", repr(float(weight))) for name, weight in state.prior.items()),
        *((f"at.{name}", repr(float(number))) for name, number in state.at.items()),
    ])  # fmt: skip


def test_a_reading_is_switched_off_and_on(reader: Reader, address: str) -> None:
    reader.open(address)
    published = reader.claim(0)
    box = reader.view.get_by_label("meter-1", exact=True)
    box.uncheck()
    assert reader.text("#asked") == "What if: without meter-1"
    assert reader.claim(0) != published
    assert _near(reader.claim(0), tank.exact(frozenset({0})).below(tank.CLAIM_AT))
    assert "left out" in reader.text("[data-row='0'] th")
    assert "meter-1-again goes with it" in reader.text("[data-row='0'] th")
    assert reader.fragment() == "without=meter-1"
    box.check()
    assert reader.claim(0) == published
    assert reader.fragment() == ""


def test_an_origin_is_switched_off_with_all_its_readings(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.get_by_label("waterworks").uncheck()
    assert reader.text("#asked") == "What if: without origin waterworks"
    for row in (0, 1):
        assert "left out with origin waterworks" in reader.text(f"[data-row='{row}'] th")
    assert "left out" not in reader.text("[data-row='2'] th")


def test_a_u_is_scaled(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.get_by_label("u of meter-1").select_option("4")
    assert reader.text("#asked") == "What if: u of meter-1 × 4"
    assert _near(reader.claim(0), tank.exact(scale={"meter-1": 4.0}).below(tank.CLAIM_AT))
    assert reader.fragment() == "u.meter-1=4"


def test_prior_odds_are_moved_and_the_others_keep_their_proportions(reader: Reader, address: str) -> None:
    reader.open(address)
    field = reader.view.locator("[data-enter-prior='1']")
    field.fill("60")
    assert reader.text("#asked") == "What if: prior of leaking 60 %"
    moved = {"tight": 0.4 * 5 / 7, "leaking": 0.6, "short_main": 0.4 * 2 / 7}
    assert [_percent(reader.weight(k)) for k in range(3)] == pytest.approx(tank.exact(prior=moved).weights, abs=0.03)
    assert reader.view.locator("[data-slide-prior='0']").input_value() == "29"
    reader.view.locator("[data-slide-prior='1']").fill("100")
    assert reader.weight(1).startswith("above 99.9")
    field.fill("30")
    assert reader.text("#asked") == "As published"


def test_a_claims_number_is_moved_by_field_and_slider(reader: Reader, address: str) -> None:
    reader.open(address)
    field = reader.view.get_by_label("The number in “The tank keeps less than 855 L”, in L")
    field.fill("860")
    assert _near(reader.claim(0), tank.exact().below(860))
    assert "at 860 L in place of 855 L" in reader.text(".rows li:first-child .said")
    assert reader.fragment() == "at.little=860"
    slider = reader.view.locator("[data-slide-at='0']")
    assert float(slider.input_value()) == pytest.approx(860, abs=0.5)
    slider.focus()
    before = _percent(reader.claim(0))
    for _ in range(5):
        reader.view.keyboard.press("ArrowRight")
    assert _percent(reader.claim(0)) > before + 0.01
    assert float(field.input_value()) == float(slider.input_value())


def test_a_number_that_an_expression_is_held_against_is_moved(reader: Reader, address: str) -> None:
    """The ratio of mass and content, with its own picture, in which the number stands upright."""
    reader.open(address)
    field = reader.view.get_by_label("a litre that it keeps”, in kg/L")
    assert reader.text("[data-claim='2']") == reader.text(".rows li:nth-child(3) .odds b")
    field.fill("1.161")
    assert _near(reader.claim(2), float(tank.exact().weights @ tank.exact().denser(1.161)))
    assert reader.text("#asked") == "What if: the number of “dense” at 1.161 kg/L"
    said = reader.text("#density-told")
    assert said.startswith("full_mass / kept, in “the full tank weighs")
    assert "before the evidence" not in said
    assert not reader.view.locator("#before").is_visible()
    median = float(re.search(r": ([\d.]+) kg/L", said)[1])
    assert float(tank.exact().weights @ tank.exact().denser(median)) == pytest.approx(0.5, abs=0.03)
    line = reader.view.locator("#density svg line.limit")
    before = float(line.get_attribute("x1"))
    assert reader.view.locator("#limited").is_visible()
    field.fill("1.164")
    assert float(line.get_attribute("x1")) > before
    reader.view.get_by_label("Quantity", exact=True).select_option(label="leak")
    assert line.count() == 0
    assert not reader.view.locator("#limited").is_visible()


def test_as_published_restores_everything(reader: Reader, address: str) -> None:
    before = reader.open(address).rested()
    for fragment in ("without=meter-1&u.meter-2=2&prior.tight=0.9&at.little=850", "without-table=log"):
        assert reader.open(address, fragment).rested() != before
        reader.view.get_by_role("button", name="Back to what is published").click()
        assert reader.rested() == before
        assert reader.fragment() == ""


def test_cards_elsewhere_follow(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1")
    assert reader.text("#verdicts .if") == f"What if: {reader.claim(0)}".replace("\u202f", " ")
    assert reader.view.locator(".card .if:visible").count() == 6
    assert reader.text("#what-if").startswith("What if without meter-1")
    reader.view.get_by_role("button", name="Back to what is published").click()
    assert reader.view.locator(".card .if:visible").count() == 0


def test_the_ledger_predicts_a_reading_from_what_still_counts(reader: Reader, address: str) -> None:
    """Without meter-1 and the log its reading is foretold by the mixture of what is left, in closed form."""
    reader.open(address, "without=meter-1")
    exact = tank.exact(frozenset({0}))
    low, high = map(float, re.findall(r"[\d.]+", reader.text("[data-predicted='0']")))
    mean = float(exact.weights @ exact.means)
    sd = math.sqrt(float(exact.weights @ (exact.sds**2 + exact.means**2)) - mean**2 + 6.0**2)
    assert (low + high) / 2 == pytest.approx(mean, abs=1.0)
    assert (high - low) / 2 == pytest.approx(1.645 * sd, rel=0.08)


def test_the_picture_has_a_text_that_follows(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1")
    exact = tank.exact(frozenset({0}))
    said = reader.text("#density-told")
    assert "as published" in said
    median = float(re.search(r": ([\d.]+) L", said)[1])
    assert exact.below(median) == pytest.approx(0.5, abs=0.05)
    assert reader.view.locator("#density svg path.now").count() == 1
    assert reader.view.locator("#density svg path.was").count() == 1
    reader.view.get_by_label("Quantity", exact=True).select_option(label="leak")
    assert "Share of a filling" in reader.text("#density-told")
    assert "stem: " in reader.view.locator("#density svg").text_content()


def test_two_quantities_stand_against_each_other(reader: Reader, address: str) -> None:
    """Mass is 141 + 0.998 content with an sd of 2, so their correlation is that of a sum in closed form."""
    reader.open(address)
    reader.view.get_by_text("Two quantities against each other").click()
    reader.view.get_by_label("up", exact=True).select_option(label="full mass")
    base = tank.exact()
    mean = float(base.weights @ base.means)
    variance = 0.998**2 * (float(base.weights @ (base.sds**2 + base.means**2)) - mean**2)
    said = float(re.search(r"correlation is (\d\.\d+)", reader.text("#pair-told"))[1])
    assert said == pytest.approx(math.sqrt(variance / (variance + 4)), abs=0.02)
    drawn = "".join(p.get_attribute("d") for p in reader.view.locator("#pair path.points").all())
    assert 650 <= drawn.count("M") <= 700


# --- how far it can be trusted ---------------------------------------------------------------------------------


def test_a_good_answer_says_by_what(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1")
    said = reader.text("#trust")
    assert said.startswith("Good enough: this page’s draws count as ")
    fits = r"Pareto k [−\d.]+; up to 0\.\d\d can be trusted|their weights are about equal"
    assert re.search(rf"none dominates \(({fits})\)\.$|some were drawn for just this case\.$", said)


def test_an_answer_that_too_few_draws_give_is_warned_of(reader: Reader, write, pool) -> None:
    """Of twenty draws a component no hypothesis has the hundred that are needed."""
    poor = tank.pool(draws=20)
    reader.open(write("poor", poor, tank.assessment(pool)), "without=float-1")
    assert reader.text("#warned").startswith("Do not rely on this answer")
    assert "100 are needed" in reader.text("#warned")
    assert reader.text("#worded") == "not to be relied on"
    assert reader.view.locator("#command").is_visible()


def test_what_the_pool_has_no_column_for_is_not_answered(reader: Reader, write, pool) -> None:
    block = pool.blocks[-1]
    bare = replace(pool, blocks=(*pool.blocks[:-1], replace(block, columns={3: block.columns[3]})))
    reader.open(write("bare", bare, tank.assessment(pool)), "without=dip-1")
    assert reader.text("#warned").startswith(
        "This page cannot answer that: dip-1 and dip-2 hang together, and of so many"
    )
    assert reader.claim(0) == numbers.ABSENT
    reader.view.get_by_label("dip-2", exact=True).uncheck()
    assert "cannot answer" not in reader.text("#question")


def test_what_no_draw_knows_of_is_not_answered(reader: Reader, write, pool) -> None:
    """Were the dips serial numbers that count in each draw, there would be none for what the lesser alone allows."""
    kept = [k for k, c in enumerate(pool.components) if c.off is None or pool.units[c.off].name != "a diver"]
    numbered = Block((3, 4), numbers=Numbers(pool.quantities[0].column, pool.quantities[0].column, (1, 1), (1, 2)))
    made = replace(
        pool,
        components=tuple(pool.components[k] for k in kept),
        claims=tuple(
            replace(c, published=tuple(c.published[k] for k in kept), mcse=tuple(c.mcse[k] for k in kept))
            for c in pool.claims
        ),
        blocks=(*pool.blocks[:-1], numbered),
    )
    reader.open(write("series", made, tank.assessment(pool)), "without=dip-1")
    assert "cannot answer" not in reader.text("#question")
    reader.ask("without=dip-2")
    assert reader.text("#warned").startswith(
        "This page cannot answer that: of dip-1 and dip-2 the greatest are left out"
    )


def test_the_command_draws_anew_what_is_asked(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1&without-origin=a+diver&u.meter-2=2&prior.leaking=0.6&at.little=850")
    words = shlex.split(reader.text("#command"))
    assert words == [
        "gaugeglass", "infer", "observations/tank-7.yaml", "--seed", "7", "--without", "meter-1", "--without", "a diver",
        "--replace", "meter-2={u: 18 L}", "--prior-weight", "tight=0.5", "--prior-weight", "leaking=0.6",
        "--prior-weight", "short_main=0.2",
    ]  # fmt: skip


def test_a_moved_number_needs_no_new_draws(reader: Reader, address: str) -> None:
    assert not reader.open(address, "at.little=850").view.locator("#again").is_visible()


# --- the address -----------------------------------------------------------------------------------------------


def test_a_linked_what_if_is_the_same_what_if(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.get_by_label("meter-1", exact=True).uncheck()
    reader.view.get_by_label("a diver").uncheck()
    reader.view.get_by_label("u of float-1").select_option("0.5")
    reader.view.locator("[data-enter-prior='0']").fill("12")
    reader.view.locator("[data-enter-at='0']").fill("851.5")
    fragment, asked, answer = reader.fragment(), reader.text("#asked"), reader.answer()
    link = reader.view.get_by_text("Link to this").get_attribute("href")
    assert link == f"#{fragment}"
    reader.open(address, link[1:])
    assert reader.text("#asked") == asked
    assert reader.answer() == answer
    assert reader.fragment() == fragment


def test_back_and_forth_between_two_links(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1")
    reader.view.evaluate("location.hash = 'without=meter-2'")
    assert reader.text("#asked") == "What if: without meter-2"
    reader.view.go_back()
    assert reader.text("#asked") == "What if: without meter-1"
    reader.view.evaluate("location.hash = 'ledger-title'")
    assert reader.text("#asked") == "What if: without meter-1"


NONSENSE = [
    "without=nobody",
    "without-origin=meter-1",
    "u.meter-1=3",
    "u.meter-1=1e999",
    "u.dip-1=2",
    "prior.tight=-1",
    "prior.tight=x",
    "prior.tight=0&prior.leaking=0&prior.short_main=0",
    "at.little=",
    "at.full=3",
    "at.little=Infinity",
    "__proto__=1",
    "constructor.name=2",
    "at.__proto__=2",
    "<img src=x onerror=alert(1)>=1",
    "without=%3Cscript%3Ealert(1)%3C/script%3E",
    "without=%E0%A4%A",
    "a=" + "x" * 5000,
    "&&==&=&",
]
"""Addresses that ask for nothing that there is."""


def test_an_address_that_is_not_understood_changes_nothing_and_is_told(reader: Reader, address: str) -> None:
    reader.open(address, NONSENSE[0])
    for fragment in NONSENSE:
        reader.ask("without=meter-1").ask(fragment)
        assert reader.text("#asked") == "As published", fragment
        assert reader.text("#ignored") == (
            "Part of this page’s address asks for something that the page does not know; that part is ignored."
        )
    assert not reader.complaints
    assert reader.view.locator("#question img, #question script").count() == 0


def test_what_is_understood_of_an_address_still_counts(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1&without=nobody")
    assert reader.text("#asked") == "What if: without meter-1"
    assert reader.view.locator("#ignored").is_visible()
    reader.view.get_by_label("meter-2", exact=True).uncheck()
    assert not reader.view.locator("#ignored").is_visible()


# --- safe ------------------------------------------------------------------------------------------------------

HOSTILE = "</script><script>globalThis.hurt = 1</script><img src=x onerror='globalThis.hurt = 2'>&amp;\u2028"


def test_a_hostile_dossier_runs_nothing(reader: Reader, write, pool) -> None:
    """Whatever a user may write holds markup that would run a script, were any of it taken for markup."""

    def hurt(entries, *names):
        return tuple(replace(e, **{n: HOSTILE + getattr(e, n) for n in names}) for e in entries)

    hostile = replace(
        pool,
        hypotheses=hurt(pool.hypotheses, "name", "says"),
        atoms=hurt(pool.atoms, "name"),
        units=hurt(pool.units, "name"),
        readings=hurt(pool.readings, "id", "about", "unit", "stated"),
        quantities=hurt(pool.quantities, "name", "about", "unit"),
        claims=tuple(
            replace(c, name=HOSTILE + c.name, says=HOSTILE + c.says,
                    compare=c.compare and replace(c.compare, unit=HOSTILE))
            for c in pool.claims
        ),
    )  # fmt: skip
    plain = tank.assessment(pool)
    assessment = replace(
        plain,
        ledger=tuple(
            replace(r, id=HOSTILE + r.id, aside=r.aside and f"repeats {HOSTILE}meter-1") for r in plain.ledger
        ),
        hypotheses=hurt(plain.hypotheses, "name", "says"),
        verdicts=hurt(plain.verdicts, "claim", "says"),
    )
    reader.open(write("hostile", hostile, assessment))
    for box in reader.view.locator("[data-unit]").all():
        box.uncheck()
    reader.view.get_by_role("button", name="Back to what is published").click()
    reader.view.locator("[data-unit]").first.uncheck()
    reader.view.locator("[data-scale]").nth(1).select_option("2")
    reader.view.locator("[data-enter-prior='0']").fill("10")
    reader.view.locator("[data-enter-at='0']").fill("850")
    reader.view.locator("#against summary").click()
    reader.view.locator("#shown").select_option(index=1)
    fragment = reader.fragment()
    assert reader.view.evaluate("globalThis.hurt") is None
    assert HOSTILE.split("\u2028", maxsplit=1)[0] in reader.view.locator("#asked").text_content()
    assert reader.view.locator("img:not([src^='data:'])").count() == 0
    assert reader.view.locator("script").count() == 3
    assert not reader.complaints
    words = shlex.split(reader.view.locator("#command").text_content())
    assert HOSTILE + "waterworks" in words
    asked = reader.text("#asked")
    reader.open(reader.view.url.partition("#")[0], fragment)
    assert reader.text("#asked") == asked
    assert reader.view.evaluate("globalThis.hurt") is None


def test_no_request_leaves_the_page(reader: Reader, address: str) -> None:
    reader.open(address, "without=meter-1")
    reader.view.get_by_label("meter-1", exact=True).check()
    reader.view.locator("#against summary").click()
    assert {url.partition(":")[0] for url in reader.requests} <= {"file", "data", "about"}
    assert {url for url in reader.requests if url.startswith("file")} == {address}


def test_a_script_that_is_not_the_pages_own_does_not_run(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.evaluate("""() => {
      const own = document.createElement("script");
      own.textContent = "globalThis.hurt = 1";
      document.body.append(own);
      document.body.insertAdjacentHTML("beforeend", "<img src=data:, onerror='globalThis.hurt = 2'>");
    }""")
    reader.view.wait_for_timeout(100)
    assert reader.view.evaluate("globalThis.hurt") is None
    assert reader.complaints
    assert all("Content Security Policy" in said for said in reader.complaints)


def test_without_script_the_page_is_whole(chromium, address: str) -> None:
    context = chromium.new_context(java_script_enabled=False)
    view = context.new_page()
    view.goto(address)
    assert not view.locator("#question").is_visible()
    assert not view.locator("#what-if").is_visible()
    for heading in ("The leading verdict", "The ledger of evidence", "How to reproduce this"):
        assert view.get_by_role("heading", name=heading).is_visible()
    assert view.locator(".card .if:visible").count() == 0
    context.close()


# --- for everyone ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("fragment", ["", "without=meter-1&u.meter-2=2&prior.tight=0.9&at.little=850"])
def test_axe_finds_nothing_amiss(chromium, address: str, scheme: str, width: int, fragment: str) -> None:
    context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True)
    reader = Reader(context.new_page()).open(address, fragment)
    reader.view.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    reader.view.evaluate(AXE.read_text(encoding="utf-8") + "\n; undefined")
    found = reader.view.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    assert [(v["id"], v["nodes"][0]["html"][:200], v["nodes"][0]["failureSummary"]) for v in found["violations"]] == []
    assert reader.view.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def test_every_control_is_reached_and_worked_by_keyboard(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.evaluate("document.getElementById('against').open = true")
    wanted = reader.view.locator("#question :is(input, select, button:not(:disabled), summary)").count()
    reader.view.locator("#shown").focus()
    reached, outlines = set(), set()
    for _ in range(wanted + 20):
        at, outline = reader.view.evaluate("""() => {
          const e = document.activeElement, all = [...document.querySelectorAll("#question *")];
          return [all.indexOf(e), all.includes(e) ? getComputedStyle(e).outlineStyle : "solid"];
        }""")
        if at < 0:
            break
        reached.add(at)
        outlines.add(outline)
        reader.view.keyboard.press("Tab")
    assert len(reached) == wanted
    assert outlines == {"solid"}
    reader.view.get_by_label("meter-1", exact=True).focus()
    reader.view.keyboard.press("Space")
    assert reader.text("#asked") == "What if: without meter-1"
    reader.view.keyboard.press("Space")
    assert reader.text("#asked") == "As published"


@pytest.mark.parametrize("width", [390, 1280])
def test_what_is_scrolled_to_is_not_under_the_answer(reader: Reader, address: str, width: int) -> None:
    reader.view.set_viewport_size({"width": width, "height": 800})
    reader.open(address, "without=meter-1&u.meter-2=2&prior.tight=0.9&at.little=850")
    reader.view.wait_for_timeout(100)
    tops = reader.view.evaluate("""() => [...document.querySelectorAll("#question tbody input")].map((box) => {
      box.scrollIntoView({behavior: "instant"});
      return box.getBoundingClientRect().top - document.getElementById("answer").getBoundingClientRect().bottom;
    })""")
    assert len(tops) == 5
    assert min(tops) >= 0


def test_a_new_verdict_is_told_politely_once_it_rests(reader: Reader, address: str) -> None:
    reader.open(address)
    region = reader.view.locator("#told")
    assert region.get_attribute("role") == "status"
    reader.view.locator("[data-enter-at='0']").fill("860")
    reader.view.wait_for_timeout(800)
    said = region.text_content()
    assert said.startswith("What if the number of “little” at 860")
    assert reader.claim(0) in said
    assert "as published" in said


def test_in_print_a_what_if_has_a_banner_and_no_controls(reader: Reader, address: str) -> None:
    reader.open(address)
    reader.view.emulate_media(media="print")
    assert not reader.view.locator("#question").is_visible()
    reader.view.emulate_media(media="screen")
    reader.view.get_by_label("meter-1", exact=True).uncheck()
    reader.view.emulate_media(media="print")
    assert reader.view.locator("#what-if").is_visible()
    assert reader.view.locator("#question").is_visible()
    assert reader.view.locator("#question :is(input, select, button, summary):visible").count() == 0
    assert "left out" in reader.text("[data-row='0'] th")


def test_nothing_moves_where_motion_is_not_wanted(chromium, address: str) -> None:
    context = chromium.new_context(reduced_motion="reduce")
    reader = Reader(context.new_page()).open(address)
    assert reader.view.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"
    assert not reader.view.evaluate("document.getAnimations().length")
    context.close()


# --- numbers as text -------------------------------------------------------------------------------------------


def test_numbers_are_printed_as_python_prints_them(reader: Reader, address: str) -> None:
    reader.open(address)
    shares = [
        (p, e)
        for p in (3e-7, 0.00012, 0.0467, 0.5, 0.83149, 0.9949, 0.99951, 0.9999999)
        for e in (1e-6, 3e-4, 0.004, 0.0096, 0.03)
    ]
    printed = reader.view.evaluate(
        "(shares) => shares.map(([value, error]) => gaugeglass.chanceText({value, error, atLeast: null, atMost: null}))",
        shares,
    )
    assert printed == [numbers.percent_with_error(p, e) for p, e in shares]
    plain = [0.0, 1.0, -2.5, 0.00003, 123.456, 9999.6, 12345.6, -1234567.0, 6.67e-11, 0.099999, 99999.96]
    printed = reader.view.evaluate("(values) => values.map((x) => gaugeglass.plain(x))", plain)
    assert printed == [numbers.plain(x) for x in plain]
    spreads = [
        {"mean": m, "sd": s, "median": m, "lower": m - 1.6 * s, "upper": m + 1.6 * s}
        for m, s in ((0.081, 0.03), (857.2, 8.9), (6.6743e-11, 2e-15), (15000.0, 260.0), (-3.2, 0.96))
    ]
    printed = reader.view.evaluate("(spreads) => spreads.map((s) => gaugeglass.middle(s, 'L'))", spreads)
    assert printed == [numbers.middle(tank.Spread(**s), "L") for s in spreads]


def _percent(text: str) -> float:
    return float(re.search(r"[\d.]+", text)[0]) / 100


def _near(text: str, wanted: float) -> bool:
    value, error = map(float, re.findall(r"[\d.]+", text))
    return abs(value - 100 * wanted) <= 4 * error + 0.05


def test_the_data_of_the_page_are_json(reader: Reader, address: str) -> None:
    reader.open(address)
    for name in ("pool", "question-words"):
        assert json.loads(reader.view.locator(f"#{name}").text_content())
