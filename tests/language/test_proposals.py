"""Candidates that are stated beside the files are read as the files are."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conftest import OBSERVATIONS
from gaugeglass.errors import SpecError
from gaugeglass.language.files import load
from gaugeglass.language.proposals import propose
from gaugeglass.language.spec import Spec


@pytest.fixture(scope="module")
def heron() -> Spec:
    return load(OBSERVATIONS / "heron-35.yaml")


def test_text_in_braces_and_a_mapping_give_the_same_candidate(heron: Spec) -> None:
    keys = {"method": "bench_discharge", "u": "0.8 Wh", "origin": "laboratory D", "cost": 500, "count": 2}
    text = "{method: bench_discharge, u: 0.8 Wh, origin: laboratory D, cost: 500, count: 2}"
    (by_keys,) = propose(heron, {"third": keys})
    (by_text,) = propose(heron, {"third": text})
    assert by_keys == by_text
    assert (by_keys.u, by_keys.origin, by_keys.cost, by_keys.count) == (0.8, "laboratory D", 500.0, 2)


def test_units_are_those_of_the_method(heron: Spec) -> None:
    (found,) = propose(heron, {"third": {"method": "bench_discharge", "u": "0.0008 kWh"}})
    assert found.u == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("stated", "field", "found"),
    [
        ({"method": "bench_discharge"}, "--candidate third.u", "nothing"),
        ({"method": "bench_discharged", "u": "1 Wh"}, "--candidate third.method", "bench_discharged"),
        ({"method": "bench_discharge", "u": "1 kg"}, "--candidate third.u", "kg"),
        ({"method": "bench_discharge", "u": "1 Wh", "price": 3}, "--candidate third.price", "price"),
        ("{method: bench_discharge, u: 1 Wh, cost: -1}", "--candidate third.cost", "-1"),
        ("{method: bench_discharge", "--candidate third", "YAML"),
        ("bench_discharge", "--candidate third", "bench_discharge"),
    ],
)
def test_what_is_wrong_is_said_where_it_was_stated(heron: Spec, stated: Any, field: str, found: str) -> None:
    with pytest.raises(SpecError) as refused:
        propose(heron, {"third": stated}, file="the command line", place="--candidate ")
    faults = refused.value.faults
    assert [(f.file, f.line) for f in faults] == [("the command line", None)] * len(faults)
    assert any(f.field == field and found in f"{f.found} {f.allowed}" for f in faults), faults


def test_a_name_that_is_taken_is_refused(heron: Spec) -> None:
    taken = heron.model.candidates[0].name
    with pytest.raises(SpecError, match="a name of its own"):
        propose(heron, {taken: {"method": "bench_discharge", "u": "1 Wh"}})
    listed = replace(
        heron, dossier=replace(heron.dossier, candidates=(replace(heron.model.candidates[0], name="own"),))
    )
    with pytest.raises(SpecError, match="a name of its own"):
        propose(listed, {"own": {"method": "bench_discharge", "u": "1 Wh"}})
