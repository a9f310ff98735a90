"""The demo's page answers as Python does, and as new draws do wherever it says that it can be relied on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from browser.conftest import Reader
from browser.test_question import _drawn, _fragment, same_as_python
from gaugeglass.inference.posterior import holds, infer, probability
from gaugeglass.judgement.answers import State, what_if
from gaugeglass.judgement.audit import audit
from gaugeglass.judgement.verdicts import judge
from gaugeglass.language.alternatives import alter
from gaugeglass.publication import figures, page

pytestmark = pytest.mark.slow

ASKED = {
    "without=bench-1": {"without": ["bench-1"]},
    "without=cell-mass": {"without": ["cell-mass"]},
    "without-origin=laboratory+A": {"without": ["laboratory A"]},
    "u.bench-2=2": {"replace": {"bench-2": "{u: 3 Wh}"}},
    "u.session-1=2": {"replace": {"session-1": "{u: 0.6 kWh}"}},
    "prior.held=0.05": {"prior_weights": {"held": 0.25}},  # of weights of 1 each, of which every one is a fifth
    "without=bench-2&u.highway=2": {"without": ["bench-2"], "replace": {"highway": "{u: 5 Wh/km}"}},
}
"""What is asked of the page, and of `alter`."""
ERRORS = 4.0


@pytest.fixture(scope="module")
def demo(heron, tmp_path_factory):
    """The demo's pool, and its page's address."""
    found = audit(heron)
    assessment = judge(heron)
    drawn = figures.pictures(heron.spec, assessment, heron.prior_mixture, heron.mixture)
    path = tmp_path_factory.mktemp("demo") / "report.html"
    text = page.page(heron.spec, assessment, drawn, {"seed": heron.seed}, pool=found.pool)
    path.write_text(text, encoding="utf-8")
    return found.pool, path.as_uri()


def test_the_page_answers_as_python_does(reader: Reader, demo) -> None:
    pool, address = demo
    rng = np.random.default_rng(5)
    states = [State(), *(State(off=(u.label,)) for u in pool.units), *(_drawn(rng, pool) for _ in range(40))]
    found = reader.open(address).answers([_fragment(s, pool) for s in states])
    for state, ours in zip(states, found, strict=True):
        same_as_python(ours, what_if(pool, state), pool)
    assert not reader.complaints


def test_reliable_answers_are_those_of_new_draws(reader: Reader, demo, heron) -> None:
    """Every claim and hypothesis, of alternatives inferred with another seed, within four combined errors."""
    address, reliable = demo[1], 0
    for fragment, found in zip(ASKED, reader.open(address).answers(list(ASKED)), strict=True):
        if not found["isReliable"]:
            continue
        reliable += 1
        anew = infer(alter(heron.spec, **ASKED[fragment]), seed=77)
        weights = anew.weights
        for claim, ours in zip(heron.spec.model.claims, found["claims"], strict=True):
            values = {name: holds(claim, fit.quantities) for name, fit in anew.fits.items()}
            value, mcse = probability(values, weights.posterior, weights.replicates)
            assert _is_near(ours, value, mcse), (fragment, claim.name, ours, value, mcse)
        for name, value, mcse, ours in zip(
            weights.names, weights.posterior, weights.mcse, found["weights"], strict=True
        ):
            assert _is_near(ours, value, mcse), (fragment, name, ours, value, mcse)
    assert reliable >= 4


def _is_near(ours: dict, value: float, mcse: float) -> bool:
    spread = mcse if math.isfinite(mcse) else 0.0
    if ours["error"] is None or not math.isfinite(ours["error"]):  # all draws agree, which leaves a bound
        least, most = ours.get("atLeast") or 0.0, 1.0 if ours.get("atMost") is None else ours["atMost"]
        return least - ERRORS * spread <= value <= most + ERRORS * spread
    return abs(ours["value"] - value) <= ERRORS * math.hypot(ours["error"], spread)
