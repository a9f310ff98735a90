"""Between observations: echoes, likely echoes, grades, places, correlations, and what is odd about a dossier."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest

from gaugeglass.language.files import Checked, check, load
from gaugeglass.language.spec import Correlation, Inexact, Spec

FLEET = Path(__file__).parents[1] / "faults/models/fleet.yaml"
HEAD = """format: 1
dossier: yard
model: fleet
subject: An invented yard
givens: {vans: 3}
members: {vehicle: [V1, V2]}
"""
SOC = "inputs: {soc_start: 20 %, soc_end: 80 %}"


@pytest.fixture(autouse=True)
def _yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for folder in ("models", "observations"):
        (tmp_path / folder).mkdir()
    (tmp_path / "models/fleet.yaml").write_text(FLEET.read_text("utf-8"), "utf-8")
    monkeypatch.chdir(tmp_path)


def write(*observations: str, rest: str = "", head: str = HEAD) -> str:
    listed = "".join(f"  - {{id: {name}, {text}}}\n" for name, text in zip("abcdefgh", observations, strict=False))
    Path("observations/yard.yaml").write_text(f"{head}observations:\n{listed}{rest}", "utf-8")
    return "observations/yard.yaml"


def read(*observations: str, **sections: str) -> Spec:
    return load(write(*observations, **sections))


def told(*observations: str, **sections: str) -> Checked:
    return check(write(*observations, **sections))


def odd(*observations: str, **sections: str) -> list[str]:
    """What is odd about the values of observations."""
    return [w.found for w in told(*observations, **sections).warnings if ".value" in w.field or "rounded" in w.field]


# --- likely echoes ------------------------------------------------------------------------------------------


def test_the_same_value_by_the_same_method_may_be_an_echo() -> None:
    both = told("method: weighing, value: 2001.4 ± 5 kg, origin: x", "method: weighing, value: 2001 kg, u: 20 kg")
    (warning,) = [w for w in both.warnings if w.field == "observations[1].value"]
    assert warning.line == 9
    assert warning.found == "'2001 kg' by the same method as 'a' (line 8), which says '2001.4 ± 5 kg'"
    assert warning.allowed.startswith("'repeats: a'")
    assert both.faults == ()


def test_the_same_value_in_another_unit_is_the_same() -> None:
    assert len(odd("method: weighing, value: 2.0014 ± 0.005 t", "method: weighing, value: 2001 kg, u: 20 kg")) == 1


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("method: weighing, value: 2001.4 ± 5 kg", "method: weighing, value: 2002 kg, u: 20 kg"),
        ("method: weighing, value: 2001 ± 5 kg", "method: weighing, value: 2001 ± 8 kg"),
        ("method: weighing, value: 2001 ± 5 kg", "method: estimate, value: 2001 ± 5 kg"),
        ("method: weighing, value: 2001 ± 5 kg", "method: weighing, value: 2001 ± 5 kg, repeats: a"),
        ("method: weighing, value: 2001 ± 5 kg", "method: weighing, value: '>= 2001 kg', u: 5 kg"),
        ("method: counting, value: 20", "method: counting, value: 20"),
        (
            f"method: charging, value: 30 ± 1 kWh, {SOC}, at: {{vehicle: V1}}",
            f"method: charging, value: 30 ± 1 kWh, {SOC}, at: {{vehicle: V2}}",
        ),
    ],
)
def test_what_differs_in_any_way_or_is_marked_is_no_likely_echo(first: str, second: str) -> None:
    assert odd(first, second) == []


def test_rounding_counts_as_it_is_stated() -> None:
    assert (
        len(odd("method: weighing, value: 2040 kg, u: 30 kg, rounded: 20 kg", "method: weighing, value: 2033 ± 9 kg"))
        == 1
    )
    assert (
        len(odd("method: weighing, value: 2040 kg, u: 30 kg, rounded: 10 kg", "method: weighing, value: 2033 ± 9 kg"))
        == 0
    )


# --- grades -------------------------------------------------------------------------------------------------


def test_what_is_confirmed_elsewhere_may_be_graded_so() -> None:
    alone = "method: weighing, value: 2001 ± 5 kg, grade: B1, origin: x"
    assert read(alone).evidence[0].grade == "B1"
    assert read(alone, "method: weighing, value: 2100 ± 5 kg, origin: x").evidence[0].grade == "B1"
    assert read(alone, "method: estimate, value: 2100 ± 5 kg, origin: y").evidence[0].grade == "B1"
    gone = "method: weighing, value: 2100 ± 5 kg, withdrawn: {date: 2026-01-02, because: Invented}"
    assert read(alone, gone).evidence[0].grade == "B1"
    (fault,) = told(alone, "method: weighing, value: 2100 ± 5 kg").faults
    assert fault.hint == "grade it B2, or mark an echo with 'repeats'"


def test_a_grade_needs_a_mapping_in_the_model() -> None:
    model = FLEET.read_text("utf-8").partition("grades:")[0]
    Path("models/fleet.yaml").write_text(model, "utf-8")
    found = told("method: weighing, value: 2001 ± 5 kg, grade: B2").faults
    assert [f.allowed.rpartition(": ")[2] for f in found] == [
        "grades.reliability.B is missing",
        "grades.credibility.2 is missing",
    ]


# --- places -------------------------------------------------------------------------------------------------


def test_what_applies_to_a_member_of_a_group_is_placed_there() -> None:
    spec = read(f"method: charging, value: 30 ± 1 kWh, {SOC}, applies: {{vehicle: V2, software: old}}")
    assert (spec.evidence[0].at, spec.evidence[0].applies) == ({"vehicle": "V2"}, {"software": "old"})


def test_the_dossier_places_what_does_not_say_where() -> None:
    head = HEAD + "applies: {vehicle: V1, software: new}\n"
    spec = read(
        f"method: charging, value: 30 ± 1 kWh, {SOC}",
        f"method: charging, value: 31 ± 1 kWh, {SOC}, at: {{vehicle: V2}}",
        f"method: charging, value: 32 ± 1 kWh, {SOC}, applies: {{vehicle: V2}}",
        f"method: charging, value: 33 ± 1 kWh, {SOC}, applies: {{software: old}}",
        head=head,
    )
    assert [o.at["vehicle"] for o in spec.observations] == ["V1", "V2", "V2", "V1"]
    assert spec.set_aside == {"d": "of another software old"}


def test_members_are_the_models_the_dossiers_and_those_that_evidence_names() -> None:
    where = "method: weighing, value: 2001 ± 5 kg, at: {depot: east}"
    spec = read(where, head=HEAD.replace("[V1, V2]", "[V1, V2], depot: [east]"))
    assert spec.members == {"vehicle": ("V1", "V2"), "depot": ("north", "south", "east")}
    named = f"method: charging, value: 30 ± 1 kWh, {SOC}, at: {{vehicle: V9}}"
    assert read(named, head=HEAD.replace("members: {vehicle: [V1, V2]}\n", "")).members["vehicle"] == ("V9",)


# --- correlations -------------------------------------------------------------------------------------------

PAIR = ("method: weighing, value: 2001 ± 5 kg", "method: estimate, value: 2100 ± 5 kg")


def test_correlations_are_read() -> None:
    spec = read(*PAIR, rest="correlations: [{between: [a, b], r: -35.1 %}]\n")
    assert spec.dossier.correlations == (Correlation(("a", "b"), pytest.approx(-0.351)),)


def test_what_is_graded_or_has_an_open_basis_may_be_correlated() -> None:
    charge = f"method: charging, value: 40 ± 1 kWh, {SOC}, at: {{vehicle: V1}}"
    spec = read(f"{charge}, grade: B2", f"{charge}, repeats: a", f"{charge}, basis: wall, origin: x", PAIR[1],
                rest="correlations: [{between: [a, c], r: 0.3}, {between: [a, d], r: -0.3}]\n")  # fmt: skip
    assert [c.between for c in spec.dossier.correlations] == [("a", "c"), ("a", "d")]


def test_a_correlation_goes_with_what_is_set_aside_and_is_no_fault() -> None:
    gone = PAIR[1] + ", withdrawn: {date: 2026-01-02, because: Invented}"
    found = told(PAIR[0], gone, rest="correlations: [{between: [a, b], r: 0.351}]\n")
    assert found.spec is not None
    assert found.spec.dossier.correlations == ()
    assert [w.found for w in found.warnings if "correlations" in w.field] == [
        "'b', which does not count (withdrawn: Invented): this correlation changes nothing"
    ]


# --- candidates ---------------------------------------------------------------------------------------------


def test_a_candidate_has_a_place_a_grade_and_inputs_that_may_be_uncertain() -> None:
    stated = "method: charging, u: 1 kWh, inputs: {soc_start: 20 ± 1 %, soc_end: 80 %}, at: {vehicle: V2}, grade: B2"
    (found,) = read(PAIR[0], rest=f"candidates: {{again: {{{stated}}}}}\n").dossier.candidates
    assert (found.at, found.grade) == ({"vehicle": "V2"}, "B2")
    assert found.inputs == pytest.approx({"soc_start": 20, "soc_end": 80})
    assert found.inexact == {"soc_start": Inexact(u=1), "soc_end": Inexact(half=0.5)}


def test_a_candidate_is_made_where_the_dossier_applies() -> None:
    stated = f"method: charging, u: 1 kWh, {SOC}"
    rest = f"applies: {{vehicle: V1}}\ncandidates: {{again: {{{stated}}}}}\n"
    assert read(PAIR[0], rest=rest).dossier.candidates[0].at == {"vehicle": "V1"}


def test_a_candidate_may_be_made_on_what_only_the_evidence_names() -> None:
    head = HEAD.replace("members: {vehicle: [V1, V2]}\n", "")
    charge, place = f"method: charging, {SOC}", "at: {vehicle: V7}"
    rest = f"candidates: {{again: {{{charge}, u: 1 kWh, {place}}}}}\n"
    assert read(f"{charge}, value: 40 ± 1 kWh, {place}", rest=rest, head=head).dossier.candidates[0].at == {
        "vehicle": "V7"
    }


# --- what is odd --------------------------------------------------------------------------------------------


def test_a_date_in_the_future_is_odd() -> None:
    today = datetime.date.today()
    later = today + datetime.timedelta(days=2)
    value = "method: weighing, value: 2001 ± 5 kg"
    dates: dict[str, Any] = {today.isoformat(): 0, later.isoformat(): 1, f"{today.year}": 0, f"{today.year + 1}": 1}
    for date, count in dates.items():
        found = told(f"{value}, date: '{date}', source: {{title: t, retrieved: '{date}'}}").warnings
        assert len([w for w in found if "future" in w.found]) == 2 * count, date


def test_a_reading_below_what_can_be_is_odd_where_its_u_reaches_there() -> None:
    assert odd("method: weighing, value: -3 ± 5 kg") == ["'-3 ± 5 kg', though 'mass' is never below 0 kg"]
    assert odd("method: weighing, value: 3 ± 5 kg") == []


def test_rounding_much_coarser_than_u_is_odd() -> None:
    assert odd("method: weighing, value: 2000 kg, u: 5 kg, rounded: 100 kg") == [
        "'100 kg', 20 times the u of the reading"
    ]
    assert odd("method: weighing, value: 2000 kg, u: 5 kg, rounded: 50 kg") == []
    assert odd("method: estimate, value: 2000 kg, u: 1 %, rounded: 500 kg") == [
        "'500 kg', 25 times the u of the reading"
    ]


# --- counts -------------------------------------------------------------------------------------------------


def test_counts_are_whole_numbers_without_u() -> None:
    spec = read(
        "method: counting, value: 0", "method: numbering, value: 4711", "method: testing, value: 3, inputs: {tested: 3}"
    )
    assert [(o.value, o.is_point, o.u) for o in spec.evidence] == [(0, True, None), (4711, True, None), (3, True, None)]


def test_an_echo_of_a_serial_number_is_none_drawn_twice() -> None:
    assert (
        read("method: numbering, value: 4711", "method: numbering, value: 4711, repeats: a").evidence[0].value == 4711
    )
