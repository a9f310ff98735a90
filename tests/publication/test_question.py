"""What the page is given so that it can be questioned, before any browser sees it."""

from __future__ import annotations

import base64
import hashlib
import html as entities
import json
import re
from dataclasses import replace

import pytest

from browser import tank
from gaugeglass.judgement.pools import Compared
from gaugeglass.language.alternatives import alter
from gaugeglass.language.expressions import Const
from gaugeglass.language.files import load
from gaugeglass.language.spec import Claim
from gaugeglass.publication import figures, page
from gaugeglass.publication.question import as_data, question
from gaugeglass.publication.scripts import CONSTANTS, SCRIPTS, own
from publication import water_tank
from publication.test_page import RUN, _read


@pytest.fixture(scope="module")
def pool():
    return tank.pool(draws=40)


@pytest.fixture(scope="module")
def html(pool) -> str:
    spec, assessment = water_tank.spec(), tank.assessment(pool)
    return page.page(
        spec, assessment, figures.pictures(spec, water_tank.assessment(), *water_tank.draws()), RUN, pool=pool
    )


def test_the_page_stays_whole(html: str) -> None:
    reader = _read(html)
    assert not reader.faults
    assert not reader.open
    ids = [a["id"] for _, a in reader.elements if "id" in a]
    assert len(ids) == len(set(ids))
    hidden = {a.get("id") for _, a in reader.elements if "hidden" in a}
    assert {"question", "what-if"} <= hidden


def test_just_the_pages_own_script_may_run(html: str) -> None:
    """The policy names the digest of the one script that there is, and no other source."""
    policy = entities.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', html)[1])
    scripts = re.findall(r'<script type="module">(.*?)</script>', html, re.DOTALL)
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}';" in policy
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'unsafe-inline';")
    assert policy.count("script-src") == 1
    assert "unsafe-eval" not in policy


def test_the_script_makes_no_markup_of_data(html: str) -> None:
    script = re.search(r'<script type="module">(.*?)</script>', html, re.DOTALL)[1]
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function|fetch\(|XMLHttp", script
    )


def test_the_data_come_back_as_they_were(html: str, pool) -> None:
    found = re.search(r'<script type="application/json" id="pool">(.*?)</script>', html, re.DOTALL)[1]
    assert json.loads(found) == json.loads(json.dumps(pool.document()))


def test_data_cannot_end_their_element() -> None:
    text = "</script><!--<script>&\u2028\u2029"
    shown = as_data({"a": text})
    assert not set(shown) & set("<>&\u2028\u2029")
    assert json.loads(shown) == {"a": text}
    with pytest.raises(ValueError, match="not JSON compliant"):
        as_data(float("nan"))


def test_without_a_pool_nothing_runs() -> None:
    spec, assessment = water_tank.spec(), water_tank.assessment()
    plain = page.page(spec, assessment, (), RUN)
    assert "<script" not in plain.replace("&lt;script", "")
    assert "script-src" not in plain
    assert '<section id="question" hidden></section>' in plain


def test_an_echo_stands_beside_its_original(pool) -> None:
    found = question(water_tank.spec(), tank.assessment(pool), pool, command="gaugeglass infer x.yaml")
    assert {r["name"]: r["echoes"] for r in found.readings if r["echoes"]} == {"meter-1": ("meter-1-again",)}


def test_a_share_that_is_stated_in_percent_is_moved_in_percent(pool) -> None:
    spec, claim = water_tank.spec(), replace(pool.claims[0], compare=Compared(">", 0.05, "1"))
    stated = replace(spec, model=replace(spec.model, claims=(Claim("little", "x", Const(1.0), "leak > 5 %"),)))
    found = question(stated, tank.assessment(pool), replace(pool, claims=(claim,)), command="x").claims[0]
    assert (found["compare"], found["factor"]) == ({"stated": "5\u202f%", "unit": "%", "than": "more than"}, 100)
    bare = question(spec, tank.assessment(pool), replace(pool, claims=(claim,)), command="x").claims[0]
    assert (bare["compare"], bare["factor"]) == ({"stated": "0.05", "unit": "", "than": "more than"}, 1)


def test_the_options_that_the_page_tells_do_what_it_says(pool) -> None:
    """Each replacement, read as the command line reads it, gives that reading the multiplied u and nothing else."""
    spec = load("observations/heron-35.yaml")
    own = {o.id: o for o in spec.evidence}
    row = next(r for r in tank.assessment(pool).ledger)
    for name in ("bench-1", "bench-2", "pack-cell", "plate", "recharge", "highway", "session-1", "pack-bound"):
        o = own[name]
        unit = spec.method(o).unit.text
        reading = replace(pool.readings[0], id=name, unit=unit)
        stated = replace(tank.assessment(pool), ledger=(replace(row, id=name, u=o.u, unit=unit),))
        found = question(spec, stated, replace(pool, readings=(reading,)), command="x").readings[0]
        for factor, text in found["replacements"].items():
            altered = {o.id: o for o in alter(spec, replace={name: text}).evidence}
            assert altered[name].u == pytest.approx(float(factor) * o.u, rel=1e-9)
            assert (altered[name].lower, altered[name].upper) == (o.lower, o.upper)
            assert {i: a for i, a in altered.items() if i != name} == {i: a for i, a in own.items() if i != name}


def test_the_script_repeats_no_number_that_python_hands_it() -> None:
    """What is handed out is used, so that a page decides by it and by no copy of it."""
    written = "\n".join(map(own, SCRIPTS))
    assert [name for name in CONSTANTS if not re.search(rf"\b{name}\b", written)] == []
