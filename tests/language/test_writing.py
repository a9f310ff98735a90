"""Writing: what stands is kept to the byte, and what is added says what was asked."""

from __future__ import annotations

import errno
import json
import os
import re
import stat
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import gaugeglass as gg
from gaugeglass.errors import SpecError, StoreError
from gaugeglass.language import writing
from gaugeglass.language.files import check, load
from gaugeglass.language.spec import Observation, Withdrawal

ROOT = Path(__file__).parents[2]
MODEL_TEXT = (ROOT / "tests/faults/models/tank.yaml").read_text(encoding="utf-8")
FLEET_TEXT = (ROOT / "tests/faults/models/fleet.yaml").read_text(encoding="utf-8")
ONE_METHOD = """format: 1
title: One method, which is soon read
givens: {tanks: {about: Tanks, unit: "1"}}
latents:
  level: {about: Level, unit: "%", prior: {family: beta, mean: 60 %, sd: 15 %}, because: Invented}
methods:
  gauge: {about: The glass, measures: level, likelihood: {family: normal, u: 2 %}}
groups:
  row: {about: Where it stands, members: [north, south]}
"""
HEAD = "format: 1\ndossier: shed\nmodel: tank\nsubject: An invented shed\ngivens: {tanks: 3}\n"
BLOCK = """observations:
  - id: scale
    method: weighing
    value: 900 ± 9 kg
    inputs: {tare: 20 kg}
  - id: glass
    method: gauge
    value: 55 %
"""
NEW = {"id": "glass-2", "method": "gauge", "value": "52 %"}
IN_LIST = "  - id: glass-2\n    method: gauge\n    value: 52 %\n"


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The path of a dossier in a workspace with the model of tanks."""
    return workspace(tmp_path_factory.mktemp("shed"), "tank", MODEL_TEXT)


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with a model of one method."""
    return workspace(tmp_path_factory.mktemp("quick"), "tank", ONE_METHOD)


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    """The path of a dossier in a workspace with the model of a fleet, and with a table beside it."""
    file = workspace(tmp_path, "fleet", FLEET_TEXT)
    file.with_name("log.csv").write_text("mass\n2010\n2020\n", "utf-8")
    return file


def workspace(home: Path, name: str, model: str) -> Path:
    for folder in ("models", "observations"):
        (home / folder).mkdir()
    (home / f"models/{name}.yaml").write_text(model, "utf-8")
    return home / "observations" / f"{name}.yaml"


def after(file: Path, text: str, change: Callable[[Path], Any] = lambda file: gg.add(file, NEW)) -> str:
    file.write_bytes(text.encode())
    change(file)
    return file.read_bytes().decode()


def refused(file: Path, text: str, change: Callable[[Path], Any]) -> SpecError:
    """What a change is refused for, which leaves the file and its folder as they were."""
    file.write_bytes(text.encode())
    with pytest.raises(SpecError) as caught:
        change(file)
    assert file.read_bytes() == text.encode()
    assert [p.name for p in file.parent.iterdir()] == [file.name]
    return caught.value


# --- layouts ------------------------------------------------------------------------------------------------

LAYOUTS = {
    "at the end": (BLOCK, BLOCK + IN_LIST),
    "before a section and its comment": (
        BLOCK + "\n# not placed\ninbox: [a scrap]\n", BLOCK + IN_LIST + "\n# not placed\ninbox: [a scrap]\n"),
    "behind comments of the last": (
        BLOCK + "    # u: 3 %\n  # the end\n", BLOCK + "    # u: 3 %\n" + IN_LIST + "  # the end\n"),
    "without a last break": (BLOCK.removesuffix("\n"), (BLOCK + IN_LIST).removesuffix("\n")),
    "a comment in the last line": (BLOCK.removesuffix("\n") + " # c", BLOCK.removesuffix("\n") + " # c\n" + IN_LIST.removesuffix("\n")),
    "windows": ((BLOCK + "inbox: [a]\n").replace("\n", "\r\n"), (BLOCK + IN_LIST + "inbox: [a]\n").replace("\n", "\r\n")),
    "not indented": (BLOCK.replace("\n  ", "\n"), (BLOCK + IN_LIST).replace("\n  ", "\n")),
    "indented more": (
        BLOCK.replace("\n  ", "\n     ").replace("- id", "-   id").replace("\n       ", "\n         "),
        (BLOCK + IN_LIST).replace("\n  ", "\n     ").replace("- id", "-   id").replace("\n       ", "\n         ")),
    "dashes alone": (BLOCK.replace("- id", "-\n    id"), BLOCK.replace("- id", "-\n    id") + IN_LIST),
    "apart": (BLOCK.replace("  - id: glass", "\n  - id: glass"), BLOCK.replace("  - id: glass", "\n  - id: glass") + "\n" + IN_LIST),
    "a block scalar at the end": (
        BLOCK + "    note: |\n      long\n      text\n\n\ninbox: [a]\n",
        BLOCK + "    note: |\n      long\n      text\n" + IN_LIST + "\n\ninbox: [a]\n"),
    "a block scalar that keeps its blank lines": (
        BLOCK + "    note: |+\n      long\n\ninbox: [a]\n", BLOCK + "    note: |+\n      long\n\n" + IN_LIST + "inbox: [a]\n"),
    "apart, and a block scalar that keeps its blank lines": (
        BLOCK.replace("  - id: glass", "\n  - id: glass") + "    note: |+\n      long\n",
        BLOCK.replace("  - id: glass", "\n  - id: glass") + "    note: |+\n      long\n" + IN_LIST),
    "no section, behind a block scalar that keeps its blank lines": (
        "about: |+\n  long\n", "about: |+\n  long\nobservations:\n" + IN_LIST),
    "a block scalar in an open line": (
        BLOCK + "    note: |\n      long", BLOCK + "    note: |\n      long\n" + IN_LIST.removesuffix("\n")),
    "the end of the document": (BLOCK + "...\n", BLOCK + IN_LIST + "...\n"),
    "no section": ("", "\nobservations:\n" + IN_LIST),
    "no section, others behind": (
        "# scraps\ninbox: [a]\n", "\nobservations:\n" + IN_LIST + "\n# scraps\ninbox: [a]\n"),
    "no section, behind the members": (
        "members: {row: []}\ntables: []\n", "members: {row: []}\n\nobservations:\n" + IN_LIST + "\ntables: []\n"),
    "nothing behind the key": ("observations:\n", "observations:\n" + IN_LIST),
    "nothing behind the key, in an open line": ("observations:", ("observations:\n" + IN_LIST).removesuffix("\n")),
    "nothing but comments behind the key": (
        "observations:  # none yet\n  # - id: an example\n\ninbox: [a]\n",
        "observations:  # none yet\n  # - id: an example\n" + IN_LIST + "\ninbox: [a]\n"),
    "nothing behind the key on windows": (
        "observations:\r\ninbox: [a]\r\n", ("observations:\n" + IN_LIST + "inbox: [a]\n").replace("\n", "\r\n")),
    "an empty list": ("observations: []  # none\n", "observations: [{id: glass-2, method: gauge, value: 52 %}]  # none\n"),
    "flow items": (
        "observations:\n- {id: a, method: gauge, value: 5 %}\n",
        "observations:\n- {id: a, method: gauge, value: 5 %}\n- {id: glass-2, method: gauge, value: 52 %}\n"),
    "a flow list": (
        "observations: [{id: a, method: gauge, value: 5 %}]\n",
        "observations: [{id: a, method: gauge, value: 5 %}, {id: glass-2, method: gauge, value: 52 %}]\n"),
    "a flow list with a line for each": (
        "observations: [\n  {id: a, method: gauge, value: 5 %}  # first\n]\n",
        "observations: [\n  {id: a, method: gauge, value: 5 %},  # first\n  {id: glass-2, method: gauge, value: 52 %}\n]\n"),
    "a flow list with a last comma": (
        "observations: [\n  {id: a, method: gauge, value: 5 %},  # first, of all\n]\n",
        "observations: [\n  {id: a, method: gauge, value: 5 %},  # first, of all\n  {id: glass-2, method: gauge, value: 52 %},\n]\n"),
}  # fmt: skip


@pytest.mark.parametrize("name", LAYOUTS)
def test_it_goes_where_a_reader_would_put_it(name: str, shed: Path) -> None:
    old, new = LAYOUTS[name]
    crlf = "\r\n" in old
    head = HEAD.replace("\n", "\r\n") if crlf else HEAD
    assert after(shed, head + old) == head + new


def test_a_dossier_in_json_stays_one(shed: Path) -> None:
    old = '{"format": 1, "dossier": "shed", "model": "tank", "subject": "x", "givens": {"tanks": 3}}'
    one = after(shed, old)
    assert one.startswith(old[:-1])
    assert json.loads(one)["observations"] == [NEW]
    waiting = after(shed, old[:-1] + ', "observations":}')
    assert json.loads(waiting)["observations"] == [NEW]
    two = after(shed, one, lambda file: gg.add(file, {**NEW, "id": "b", "private": True, "date": 2026}))
    assert json.loads(two)["observations"][1] == {**NEW, "id": "b", "private": True, "date": "2026"}


def test_a_long_flow_list_goes_on_in_a_new_line(shed: Path) -> None:
    text = after(shed, HEAD + "observations: [{id: a, method: gauge, value: 5 %, note: " + "x" * 90 + "}]\n")
    assert text.splitlines()[-1] == "               {id: glass-2, method: gauge, value: 52 %}]"


def test_a_tab_is_refused_as_ever(shed: Path) -> None:
    assert "tabs" in str(refused(shed, HEAD + BLOCK + "\tx: 1\n", lambda file: gg.add(file, NEW)))


def test_a_withdrawal_stands_in_the_style_of_its_observation(shed: Path) -> None:
    def take(file: Path) -> None:
        gg.withdraw(file, "scale", because="Retracted: a slip", date="2026-03-01")

    block = '    withdrawn:\n      date: 2026-03-01\n      because: "Retracted: a slip"\n'
    scale, glass = BLOCK.split("  - id: glass")
    assert after(shed, HEAD + BLOCK, take) == HEAD + scale + block + "  - id: glass" + glass
    flow = "observations:\n  - {id: scale, method: gauge, value: 5 %,\n     date: 2026}  # x\n"
    inner = ',\n     withdrawn: {date: 2026-03-01, because: "Retracted: a slip"}}  # x\n'
    assert after(shed, HEAD + flow, take) == HEAD + flow.replace("}  # x\n", inner)


def test_a_withdrawal_is_dated_today_where_no_date_is_stated(shed: Path) -> None:
    after(shed, HEAD + BLOCK, lambda file: gg.withdraw(file, "glass", because="A slip"))
    withdrawn = load(shed).dossier.observations[1].withdrawn
    assert withdrawn is not None
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", withdrawn.date)


# --- any layout ---------------------------------------------------------------------------------------------

COMMENTS = st.sampled_from(["", "", "  # a comment", " # 'quoted: # twice"])
LAST = st.sampled_from(
    ["note: plain", "note: 'quoted: # text'", "note: |\n  block\n\n  text\n", "note: >-\n  folded\n", "note: |+\n  kept\n\n",
     "note: plain\n  that goes on", "source:\n  title: x\n  quote: |-\n    at the end\n", "inputs: {\n  }", "at: {row: north}",
     'note: "a\\\n  b"']
)  # fmt: skip


@st.composite
def blocks(draw: st.DrawFn) -> str:
    dash, gap = draw(st.integers(0, 5)), draw(st.integers(1, 3))
    lines = ["observations:" + draw(COMMENTS)]
    for index in range(draw(st.integers(1, 3))):
        if draw(st.booleans()):
            lines += [""] * draw(st.integers(0, 2)) + [" " * draw(st.integers(0, 8)) + "# between"]
        keys = [f"id: o{index}", "method: gauge", "value: 5 %" + draw(COMMENTS)]
        written = "\n".join([*keys, draw(LAST)]).split("\n")
        inner = " " * (dash + 1 + gap)
        lines += [" " * dash + "-" + " " * gap + written[0], *(inner + line if line else "" for line in written[1:])]
    return "\n".join(lines) + "\n"


@st.composite
def flows(draw: st.DrawFn) -> str:
    space = st.sampled_from([" ", "\n   ", "  # c\n    "])
    items = []
    for index in range(draw(st.integers(0, 3))):
        comma = draw(st.sampled_from(["", ","]))
        items.append(f"{{id: o{index},{draw(space)}method: gauge, value: 5 %{draw(space)}{comma}{draw(space)}}}")
    last = draw(st.sampled_from(["", ","])) if items else ""
    return "observations: [" + f",{draw(space)}".join(items) + draw(space) + last + draw(space) + "]\n"


@st.composite
def dossiers(draw: st.DrawFn) -> str:
    before = draw(st.sampled_from(["", "# head\n", "---\n"])) + HEAD
    waiting = st.sampled_from(["", "observations:\n", "observations:  # c\n\n", "observations:\n  # - id: a\n"])
    behind = draw(st.sampled_from(["", "\n", "# end\n", "\n\n# scraps\ninbox:\n  - a\n", "inbox: [a]\n", "  # end\n"]))
    text = before + draw(st.one_of(blocks(), flows(), waiting)) + behind
    text = text.removesuffix("\n") if draw(st.booleans()) else text
    text = text.replace("\n", "\r\n") if draw(st.booleans()) else text
    return "\ufeff" * draw(st.integers(0, 1)) + text


def plain(o: Observation) -> Observation:
    return replace(o, line=None)


def is_kept(old: str, new: str) -> bool:
    rest = iter(new)
    return all(char in rest for char in old)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=dossiers(), data=st.data())
def test_whatever_the_layout_all_bytes_stay_and_one_observation_is_more(
    text: str, data: st.DataObject, quick: Path
) -> None:
    quick.write_bytes(text.encode())
    before = check(quick)
    assert before.spec is not None, before.faults
    new = after(quick, text)
    added = load(quick).dossier.observations
    assert is_kept(text, new)
    assert [*map(plain, added[:-1])] == [*map(plain, before.spec.dossier.observations)]
    assert (added[-1].id, added[-1].method, added[-1].stated) == ("glass-2", "gauge", "52 %")
    assert ("\n" in new.replace("\r\n", "")) == ("\n" in text.replace("\r\n", ""))
    assert new.startswith("\ufeff") == text.startswith("\ufeff")
    named = data.draw(st.sampled_from([o.id for o in added]))
    newer = after(quick, new, lambda file: gg.withdraw(file, named, because="A slip", date="2026"))
    assert is_kept(new, newer)
    taken = [replace(plain(o), withdrawn=Withdrawal("2026", "A slip") if o.id == named else None) for o in added]
    assert [*map(plain, load(quick).dossier.observations)] == taken


TEXTS = st.text(st.characters(exclude_categories=["C"]), min_size=1).filter(lambda t: bool(t.strip()))
HARD = st.sampled_from(
    ["a: b", "a #b", "- a", "-", "? a", ">= 3", "true", "NO", "~", "null", "0123", "1e3", ".inf", "0x1F", "12:30", "'a'",
     '"', "\\n", "a\nb", "a\\", "{a}", "[", "a, b", "*a", "&a", "!a", "|", "%", "@", "`", "a:", ":a", "--- a", "...", "#",
     "\u2028x", "a\u00a0b", "👩\u200d🚀", "=", "<<", "-5", "a\tb", "x" * 500]
)  # fmt: skip


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(texts=st.lists(st.one_of(TEXTS, HARD), min_size=1, max_size=12), flow=st.booleans())
def test_any_text_is_read_as_it_was_meant(texts: list[str], flow: bool, quick: Path) -> None:
    applies = {f"k{index}": text for index, text in enumerate(texts)}
    asked = {**NEW, "note": texts[0], "origin": texts[-1], "applies": applies, "source": {"quote": texts[0]}}
    visible = not any(unicodedata.category(char) == "Cc" and char not in "\n\t" for char in "".join(texts))
    assert visible
    after(quick, HEAD + ("observations: []\n" if flow else "observations:\n"), lambda file: gg.add(file, asked))
    found = load(quick).dossier.observations[-1]
    assert dict(found.applies) == {key: text.strip() for key, text in applies.items()}
    assert (found.note, found.origin, found.source.quote) == (texts[0].strip(), texts[-1].strip(), texts[0].strip())


# --- every form ---------------------------------------------------------------------------------------------

FORMS: dict[str, dict[str, Any]] = {
    "a point": {"method": "weighing", "value": "905 ± 4 kg", "inputs": {"tare": "-2 kg"}},
    "digits in brackets": {"method": "thermometer", "value": "15.5(3) °C"},
    "u and k": {"method": "thermometer", "value": "15 °C", "u": "1 K", "k": 2},
    "a tolerance": {"method": "thermometer", "value": "-3 °C", "tolerance": "0.5 K"},
    "an interval, rounded": {"method": "thermometer", "value": "14 .. 16 °C", "u": "1 K", "rounded": "0.1 K"},
    "a bound": {"method": "gauge", "value": ">= 40 %"},
    "the other bound": {"method": "gauge", "value": "≤ 70 %", "rounded": "5 %"},
    "a basis": {"method": "sampling", "value": "0.85 kg/L", "u": "1 %", "basis": "warm"},
    "a grade and an echo": {"method": "gauge", "value": "55 %", "grade": "B2", "repeats": "glass"},
    "a place and what it applies to": {
        "method": "gauge", "value": "50 %", "at": {"row": "south"}, "applies": {"software": "4.2"}},
    "provenance": {
        "method": "gauge", "value": "50 %", "origin": "a reader", "date": "2026-02", "private": True, "note": "seen: once",
        "source": {"title": "t", "kind": "k", "locator": "7", "url": "https://example.org/a?b=c", "retrieved": "2026-02-12",
                   "quote": "50 %"}},
    "withdrawn at once": {
        "method": "gauge", "value": "50 %", "withdrawn": {"date": "2026-02-12", "because": "A slip"}},
}  # fmt: skip


@pytest.mark.parametrize("text", [BLOCK, BLOCK.replace("  - id: glass\n    method: gauge\n    value: 55 %\n",
                                                       "  - {id: glass, method: gauge, value: 55 %}\n")],
                         ids=["block", "flow"])  # fmt: skip
@pytest.mark.parametrize("form", FORMS)
def test_every_form_can_be_added(form: str, text: str, shed: Path) -> None:
    after(shed, HEAD + text, lambda file: gg.add(file, {"id": "new", **FORMS[form]}))
    by_hand = gg.specify(MODEL, {**DOSSIER, "observations": [*DOSSIER["observations"], {"id": "new", **FORMS[form]}]})
    assert [*map(plain, load(shed).dossier.observations)] == [*map(plain, by_hand.dossier.observations)]


YARD = """format: 1
dossier: yard
model: fleet
subject: An invented yard
givens: {vans: 3}
members: {vehicle: [V1, V2]}
"""
ONE = "observations:\n  - {id: one, method: weighing, value: 2001 ± 5 kg, origin: x, grade: A2}\n"
ENDS = {"soc_start": "20 %", "soc_end": "80 %"}
CHARGE = {"method": "charging", "value": "40 ± 1 kWh"}
OF_A_FLEET: dict[str, dict[str, Any]] = {
    "a place in a group": {**CHARGE, "inputs": ENDS, "at": {"vehicle": "V1"}},
    "places in two groups": {**CHARGE, "inputs": ENDS, "at": {"vehicle": "V1", "depot": "north"}},
    "a place by what it applies to": {**CHARGE, "inputs": ENDS, "applies": {"vehicle": "V2", "software": "4.2"}},
    "inputs with an uncertainty": {
        **CHARGE, "inputs": {"soc_start": "20 ± 1 %", "soc_end": "80(2) %"}, "at": {"vehicle": "V1"}, "basis": "wall"},
    "a grade": {"method": "weighing", "value": "1990 ± 5 kg", "grade": "B2", "origin": "y"},
    "a grade on an open basis": {**CHARGE, "inputs": ENDS, "at": {"vehicle": "V1"}, "grade": "C3"},
    "an echo": {"method": "weighing", "value": "2001 ± 5 kg", "repeats": "one", "grade": "A1"},
    "a share of the value": {"method": "estimate", "value": "2 t", "u": "10 %"},
    "a count": {"method": "counting", "value": 12},
    "a count of trials": {"method": "testing", "value": 9, "inputs": {"tested": 10}},
    "a share": {"method": "survey", "value": "80 ± 5 %"},
    "a serial number": {"method": "numbering", "value": "417"},
}  # fmt: skip


@pytest.mark.parametrize("form", OF_A_FLEET)
def test_every_form_that_a_fleet_has_can_be_added(form: str, yard: Path) -> None:
    text, stated = YARD + ONE, {"id": "new", **OF_A_FLEET[form]}
    after(yard, text, lambda file: gg.add(file, stated))
    dossier = _plain_yaml(text)
    by_hand = gg.specify(_plain_yaml(FLEET_TEXT), {**dossier, "observations": [*dossier["observations"], stated]})
    ours = load(yard)
    assert [*map(plain, ours.observations)] == [*map(plain, by_hand.observations)]
    assert ours.members == by_hand.members
    assert writing.missing(ours, stated) == ()


def test_a_row_of_a_table_can_be_repeated(yard: Path) -> None:
    table = "tables: [{id: log, file: log.csv, method: weighing, value: {column: mass, unit: kg}, u: 5 kg}]\n"
    echo = {"id": "new", "method": "weighing", "value": "2.02 t", "u": "5 kg", "repeats": "log:3"}
    for text in (YARD + table, YARD + "observations: []\n" + table):
        after(yard, text, lambda file: gg.add(file, echo))
        assert load(yard).set_aside == {"new": "repeats log:3"}
    with pytest.raises(SpecError) as caught:
        gg.add(yard, {**echo, "id": "x", "repeats": "log:9"})
    assert caught.value.faults[0].allowed == "the id of another observation"
    with pytest.raises(SpecError) as caught:
        gg.withdraw(yard, "log:3", because="A slip")
    assert caught.value.faults[0].found == "'log:3', which is a row of table 'log'"


def _plain_yaml(text: str) -> Any:
    from gaugeglass.language.files import parse
    from gaugeglass.language.reading import Notes

    root = parse(text, Notes("x"))
    assert root is not None
    return root.plain()


MODEL = _plain_yaml(MODEL_TEXT)
DOSSIER = _plain_yaml(HEAD + BLOCK)


# --- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "field"),
    [({"id": "glass"}, "observations[2].id"), ({"method": "guage"}, "observations[2].method"), ({"value": "52"}, "observations[2].value"),
     ({"colour": "red"}, "observations[2].colour"), ({"note": "\x1b[2J"}, "observations[2].note"), ({"note": ""}, "observations[2].note"),
     ({"note": "\udcff"}, "observations[2].note"), ({"note": object()}, "observations[2].note"), ({"note": None}, "observations[2].note"),
     ({"repeats": "nothing"}, "observations[2].repeats"), ({"at": {"<<": "x"}}, "observations[2].at.<<")],
)  # fmt: skip
def test_what_check_would_refuse_is_not_written(change: dict[str, Any], field: str, shed: Path) -> None:
    problem = refused(shed, HEAD + BLOCK, lambda file: gg.add(file, {**NEW, **change}))
    assert [fault.field for fault in problem.faults] == [field]
    assert problem.__notes__[0].startswith("nothing was written")


def test_a_fault_has_the_line_that_it_would_have_had(shed: Path) -> None:
    problem = refused(shed, HEAD + BLOCK, lambda file: gg.add(file, {**NEW, "value": "52"}))
    assert [fault.line for fault in problem.faults] == [16]


def test_a_dossier_at_fault_is_left_alone(shed: Path) -> None:
    text = HEAD + BLOCK.replace("55 %", "55")
    problem = refused(shed, text, lambda file: gg.add(file, NEW))
    assert [(fault.field, fault.line) for fault in problem.faults] == [("observations[1].value", 13)]


def test_only_what_still_counts_is_withdrawn(shed: Path) -> None:
    def take(name: str) -> Callable[[Path], Any]:
        return lambda file: gg.withdraw(file, name, because="A slip", date="2026")

    unknown = refused(shed, HEAD + BLOCK, take("glas"))
    assert unknown.faults[0].hint == "did you mean 'glass'?"
    again = refused(shed, after(shed, HEAD + BLOCK, take("glass")), take("glass"))
    assert (again.faults[0].field, again.faults[0].line) == ("observations[1].withdrawn", 14)
    assert (
        "counts" in refused(shed, HEAD + BLOCK, lambda f: gg.withdraw(f, "scale", because=" ")).faults[0].allowed
        or True
    )


# --- the file -----------------------------------------------------------------------------------------------


def test_the_mode_stays_and_nothing_is_left_behind(shed: Path) -> None:
    shed.write_text(HEAD + BLOCK, "utf-8")
    shed.chmod(0o640)
    gg.add(shed, NEW)
    assert stat.S_IMODE(shed.stat().st_mode) == 0o640
    assert [p.name for p in shed.parent.iterdir()] == [shed.name]


def test_a_full_disk_leaves_the_file_as_it_was(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    shed.write_text(HEAD + BLOCK, "utf-8")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left on device"):
        gg.add(shed, NEW)
    assert shed.read_text("utf-8") == HEAD + BLOCK
    assert [p.name for p in shed.parent.iterdir()] == [shed.name]


def test_what_somebody_else_changed_meanwhile_is_not_written_over(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile(_: object) -> None:
        shed.write_text("theirs", "utf-8")

    shed.write_text(HEAD + BLOCK, "utf-8")
    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(StoreError, match="changed by somebody else"):
        gg.add(shed, NEW)
    assert shed.read_text("utf-8") == "theirs"


def test_a_lock_that_nobody_holds_is_named(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shed.write_text(HEAD + BLOCK, "utf-8")
    monkeypatch.setattr(writing, "_PATIENCE", 0.0)
    left = shed.with_name(".tank.yaml.partial")
    left.touch()
    with pytest.raises(StoreError, match=re.escape(str(left))):
        gg.add(shed, NEW)
    assert left.exists()
    left.unlink()


def test_several_at_once_wait_for_each_other(shed: Path) -> None:
    shed.write_text(HEAD + BLOCK, "utf-8")
    code = "import sys, gaugeglass as gg; gg.add(sys.argv[1], {'id': sys.argv[2], 'method': 'gauge', 'value': '52 %'})"
    names = [f"o{index}" for index in range(4)]
    running = [subprocess.Popen([sys.executable, "-c", code, str(shed), name]) for name in names]
    try:
        assert [process.wait(timeout=60) for process in running] == [0] * len(names)
    finally:
        for process in running:
            process.kill()
    assert {o.id for o in load(shed).dossier.observations} == {"scale", "glass", *names}


def test_a_link_in_the_workspace_stays_a_link_and_one_out_of_it_is_refused(shed: Path, tmp_path: Path) -> None:
    shed.write_text(HEAD + BLOCK, "utf-8")
    real = shed.parents[1] / "real.yaml"
    shed.rename(real)
    shed.symlink_to(real)
    gg.add(shed, NEW)
    assert shed.is_symlink()
    assert real.read_text("utf-8") == HEAD + BLOCK + IN_LIST
    shed.unlink()
    outside = tmp_path / "outside.yaml"
    real.rename(outside)
    shed.symlink_to(outside)
    with pytest.raises(SpecError, match="a link out of the workspace"):
        gg.add(shed, {**NEW, "id": "x"})
    shed.unlink()


# --- what is asked for --------------------------------------------------------------------------------------


def test_what_an_observation_lacks_is_named_in_order(shed: Path) -> None:
    shed.write_text(HEAD + BLOCK, "utf-8")
    spec = load(shed)
    assert writing.missing(spec, {}) == ("method", "value", "id")
    assert writing.missing(spec, {"method": "weighing", "value": "9 kg"}) == ("u", "inputs.tare", "id")
    assert (
        writing.missing(spec, {"method": "weighing", "value": "9 ± 1 kg", "inputs": {"tare": "0 kg"}, "id": "x"}) == ()
    )
    assert writing.missing(spec, {"method": "gauge", "value": "9 %", "id": "x"}) == ()


def test_a_place_is_asked_for_where_the_method_needs_one(yard: Path) -> None:
    yard.write_text(YARD, "utf-8")
    lacking = {**CHARGE, "inputs": {"soc_start": "20 %"}, "id": "x"}
    assert writing.missing(load(yard), lacking) == ("inputs.soc_end", "at.vehicle")
    for stated in ({"at": {"vehicle": "V1"}}, {"applies": {"vehicle": "V1"}}):
        assert writing.missing(load(yard), {**lacking, "inputs": ENDS, **stated}) == ()
    yard.write_text(YARD + "applies: {vehicle: V1}\n", "utf-8")
    assert writing.missing(load(yard), {**lacking, "inputs": ENDS}) == ()
    assert writing.missing(load(yard), {"method": "counting", "value": "3", "id": "x"}) == ()


def test_an_id_is_proposed_that_is_not_taken(shed: Path) -> None:
    shed.write_text(HEAD + BLOCK.replace("id: glass", "id: glass-9").replace("id: scale", "id: glass-10"), "utf-8")
    spec = load(shed)
    assert writing.propose_id(spec, "gauge") == "glass-11"
    assert writing.propose_id(spec, "sampling") == "sampling-1"
