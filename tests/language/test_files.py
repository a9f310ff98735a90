"""Files: what bytes become, which model a dossier finds, and what never leaves the workspace."""

from __future__ import annotations

import errno
import json
import os
import random
from pathlib import Path

import pytest

from gaugeglass.errors import SpecError
from gaugeglass.language import workspace
from gaugeglass.language.files import LARGEST, check, load, parse, specify
from gaugeglass.language.located import Located
from gaugeglass.language.reading import Notes
from vessel import MODEL, dossier

ROOT = Path(__file__).parents[2]
MODEL_TEXT = (ROOT / "tests/faults/models/tank.yaml").read_text(encoding="utf-8")
DOSSIER_TEXT = """format: 1
dossier: shed
model: tank
subject: An invented shed
givens: {tanks: 3}
observations:
  - {id: scale, method: weighing, value: 900 ± 9 kg, inputs: {tare: 20 kg}, date: 2026-02-11, origin: 0123}
  - id: glass
    method: gauge
    value: 55 %
"""


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with one model and one dossier, which is the working folder."""
    home = tmp_path / "shed"
    for folder, text in (("models", MODEL_TEXT), ("observations", DOSSIER_TEXT)):
        (home / folder).mkdir(parents=True)
        (home / folder / "tank.yaml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(home)
    return home


def found(path: str) -> list[str]:
    return [fault.found for fault in check(path).faults]


def tree(text: str) -> Located:
    notes = Notes("file")
    root = parse(text, notes)
    assert notes.faults == []
    assert root is not None
    return root


# --- from bytes to a tree -----------------------------------------------------------------------------------


def test_scalars_are_those_of_yaml_1_2() -> None:
    text = """a: 1e-3
b: no
c: 12:30
d: 2026-02-11
e: true
f: ~
g:
h: 007
i: '1'
j: 1_000
k: .5
l: -.inf
m: 5 %
n: 0o17
"""
    assert tree(text).plain() == {
        "a": 0.001, "b": "no", "c": "12:30", "d": "2026-02-11", "e": True, "f": None, "g": None, "h": 7, "i": "1",
        "j": "1_000", "k": 0.5, "l": float("-inf"), "m": "5 %", "n": "0o17",
    }  # fmt: skip


def test_every_node_knows_its_line_its_path_and_its_text() -> None:
    root = tree("a:\n  - 1.50\n  - {b: x,\n     c: y}\nd: >-\n  long\n  text\n")
    places = {node.path: (node.line, node.text) for node in root.walk()}
    assert places == {
        "": (1, ""), "a": (1, ""), "a[0]": (2, "1.50"), "a[1]": (3, ""), "a[1].b": (3, "x"), "a[1].c": (4, "y"),
        "d": (5, "long text"),
    }  # fmt: skip


@pytest.mark.parametrize("text", ["a: 1\r\nb: 2\r\n", "\ufeffa: 1\nb: 2", "a: 1\nb: 2", "---\na: 1\nb: 2\n...\n"])
def test_marks_and_line_ends_do_not_matter(text: str) -> None:
    root = tree(text)
    assert root.plain() == {"a": 1, "b": 2}
    assert root.entries["b"].line == (3 if text.startswith("---") else 2)


@pytest.mark.parametrize(
    ("text", "fault"),
    [("a: {a: 1, a: 2}", "a second key 'a'; the first is on line 1"), ("x: " + "[" * 13, "more than 12 levels"),
     ("- 1\n" * 20_001, "more than 20000 entries"), ("? [a]\n: 1\n", "a key that is not plain text"),
     ("a: 1\n---\nb: 1\n", "a second document"), ("%TAG ! x\n---\na: 1\n", "a directive of YAML"),
     ("a: !!python/object:os.system x", "tag '!!python/object:os.system'")],
)  # fmt: skip
def test_what_is_not_plain_yaml_is_refused_as_it_is_met(text: str, fault: str) -> None:
    notes = Notes("file")
    parse(text, notes)
    assert [f.found for f in notes.faults] == [fault]


def test_a_file_that_is_too_large_is_not_parsed(shed: Path) -> None:
    (shed / "observations/tank.yaml").write_bytes(b"#" * (LARGEST + 1))
    assert found("observations/tank.yaml") == ["more than 2 MB"]


@pytest.mark.parametrize(
    ("path", "fault"),
    [("observations", "a folder"), ("nowhere.yaml", "no file (No such file or directory)"), ("a\0b", "no file (no possible name)"),
     ("n" * 300, "no file (File name too long)"), (os.devnull, "neither a file nor a folder")],
)  # fmt: skip
def test_what_is_no_file_is_refused(path: str, fault: str, shed: Path) -> None:
    assert found(path) == [fault]


def test_a_file_that_may_not_be_read_is_refused(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The refusal is played, since root may read everything."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(Path, "read_bytes", refuse)
    monkeypatch.setattr("os.open", refuse)
    assert found("observations/tank.yaml") == ["a file that cannot be read (Permission denied)"]


# --- from a dossier to its model ----------------------------------------------------------------------------


def test_paths_are_as_the_user_typed_them(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert list(load("observations/tank.yaml").texts) == ["observations/tank.yaml", "models/tank.yaml"]
    assert list(load(shed / "observations/tank.yaml").texts) == [
        str(shed / "observations/tank.yaml"), str(shed / "models/tank.yaml")]  # fmt: skip
    monkeypatch.chdir("observations")
    assert list(load("tank.yaml").texts) == ["tank.yaml", "../models/tank.yaml"]


def test_texts_keep_every_character(shed: Path) -> None:
    text = "\ufeff" + DOSSIER_TEXT.replace("\n", "\r\n").removesuffix("\r\n")
    (shed / "observations/tank.yaml").write_bytes(text.encode())
    assert load("observations/tank.yaml").texts["observations/tank.yaml"] == text


def test_text_and_dates_stay_as_they_are_written(shed: Path) -> None:
    scale = load("observations/tank.yaml").dossier.observations[0]
    assert (scale.date, scale.origin, scale.stated, scale.line) == ("2026-02-11", "0123", "900 ± 9 kg", 7)


def test_a_dossier_without_a_model_of_its_own_finds_a_shipped_one(shed: Path) -> None:
    text = (ROOT / "observations/gravitation.yaml").read_text(encoding="utf-8")
    (shed / "observations/g.yaml").write_text(text, encoding="utf-8")
    spec = load("observations/g.yaml")
    assert spec.model.name == "interlaboratory"
    assert spec.model.file == str(workspace.shipped("models") / "interlaboratory.yaml")


def test_a_model_of_the_workspace_goes_before_a_shipped_one(shed: Path) -> None:
    (shed / "models/tank.yaml").rename(shed / "models/interlaboratory.yaml")
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("model: tank", "model: interlaboratory"), "utf-8")
    assert load("observations/tank.yaml").model.title == "A row of closed tanks"


def test_a_model_that_is_nowhere_is_named_with_those_that_are(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workspace, "shipped", lambda kind: shed / "nowhere")
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("model: tank", "model: tanks"), "utf-8")
    (fault,) = check("observations/tank.yaml").faults
    assert (fault.found, fault.allowed, fault.hint) == (
        "'tanks', which is not there",
        "a model: tank",
        "did you mean 'tank'?",
    )


@pytest.mark.parametrize("name", ["../tank", "/etc/passwd", "tank.yaml/..", ".tank", "n" * 82, "a b", "tank\\x"])
def test_a_model_is_named_without_a_path(name: str, shed: Path) -> None:
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("model: tank", f"model: {name}"), "utf-8")
    (fault,) = check("observations/tank.yaml").faults
    assert fault.field == "model"


def test_a_model_file_is_checked_alone(shed: Path) -> None:
    checked = check("models/tank.yaml")
    assert checked.faults == ()
    assert checked.spec is None
    assert checked.model is not None
    assert checked.model.name == "tank"
    with pytest.raises(SpecError, match="a model file"):
        load("models/tank.yaml")


def test_every_fault_of_both_files_is_raised_at_once(shed: Path) -> None:
    (shed / "models/tank.yaml").write_text(MODEL_TEXT.replace("unit: °C", "unit: C"), "utf-8")
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("method: gauge", "method: guage"), "utf-8")
    with pytest.raises(SpecError) as caught:
        load("observations/tank.yaml")
    assert [(f.file, f.field) for f in caught.value.faults] == [
        ("models/tank.yaml", "latents.warmth.unit"),
        ("observations/tank.yaml", "observations[1].method"),
    ]


def test_a_model_that_cannot_be_read_does_not_hide_the_faults_of_the_dossier(shed: Path) -> None:
    (shed / "models/tank.yaml").write_text("latents: [", "utf-8")
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("900 ± 9 kg", "900 ± 0 kg"), "utf-8")
    assert [f.field for f in check("observations/tank.yaml").faults] == ["", "observations[0].value"]


# --- the workspace ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", ["models/tank.yaml", "observations/tank.yaml"])
def test_a_link_out_of_the_workspace_is_refused(file: str, shed: Path) -> None:
    outside = shed.parent / "outside.yaml"
    (shed / file).rename(outside)
    (shed / file).symlink_to(outside)
    (fault,) = check("observations/tank.yaml").faults
    assert "a link out of the workspace" in fault.found


def test_a_link_within_the_workspace_is_followed(shed: Path) -> None:
    (shed / "models/tank.yaml").rename(shed / "shared.yaml")
    (shed / "models/tank.yaml").symlink_to("../shared.yaml")
    assert load("observations/tank.yaml").model.file == "models/tank.yaml"


def test_a_table_has_to_lie_in_the_folder_of_its_dossier(shed: Path) -> None:
    table = 'tables: [{id: log, file: FILE, method: gauge, value: {column: level, unit: "%"}}]\n'
    (shed / "observations/log.csv").write_text("level\n40\n", "utf-8")
    (shed / "secret.csv").write_text("level\n40\n", "utf-8")
    (shed / "observations/link.csv").symlink_to("../secret.csv")
    cases = {
        "log.csv": 0,
        "link.csv": 1,
        "../secret.csv": 1,
        str(shed / "observations/log.csv"): 1,
        "observations": 1,
        ".": 1,
    }
    for file, count in cases.items():
        (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT + table.replace("FILE", file), "utf-8")
        assert len(found("observations/tank.yaml")) == count, file


# --- warnings -----------------------------------------------------------------------------------------------


def test_what_nothing_uses_is_a_warning(shed: Path) -> None:
    model = MODEL_TEXT.replace("    measures: warmth\n", "    measures: 3 °C\n    unit: °C\n").split("grades:")[0]
    (shed / "models/tank.yaml").write_text(model, "utf-8")
    checked = check("observations/tank.yaml")
    assert checked.spec is not None
    assert [(w.file, w.field, w.found) for w in checked.warnings] == [
        ("models/tank.yaml", "latents.warmth", "nothing uses 'warmth'"),
        ("observations/tank.yaml", "observations",
         "no observation, table or candidate by 3 methods: draining, sampling, thermometer"),
    ]  # fmt: skip


def test_evidence_of_one_origin_is_a_warning(shed: Path) -> None:
    text = DOSSIER_TEXT.replace("    method: gauge", "    origin: 0123\n    method: gauge")
    (shed / "observations/tank.yaml").write_text(text, "utf-8")
    assert "every observation has the origin '0123'" in [w.found for w in check("observations/tank.yaml").warnings]


def test_a_dossier_without_evidence_is_a_warning(shed: Path) -> None:
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.split("observations:", maxsplit=1)[0], "utf-8")
    assert "no evidence: no observation counts" in [w.found for w in check("observations/tank.yaml").warnings]


def test_a_percentage_of_a_percentage_is_a_warning(shed: Path) -> None:
    model = MODEL_TEXT.replace("likelihood: {family: normal, u: 2 %}", "likelihood: {family: normal}")
    (shed / "models/tank.yaml").write_text(model, "utf-8")
    (shed / "observations/tank.yaml").write_text(DOSSIER_TEXT.replace("55 %", "50 %\n    u: 4 %"), "utf-8")
    warning = next(w for w in check("observations/tank.yaml").warnings if w.field == "observations[1].u")
    assert warning.found == "'4 %' of the value, which is 2 % of the whole"
    assert warning.allowed == "percentage points too, written '50 ± 4 %'"


@pytest.mark.parametrize("key", ["observations", "tables", "correlations", "inbox"])
def test_a_list_may_wait_for_its_first_item(key: str, shed: Path) -> None:
    text = DOSSIER_TEXT.split("observations:", maxsplit=1)[0] + f"{key}:  # none yet\n"
    (shed / "observations/tank.yaml").write_text(text, "utf-8")
    assert check("observations/tank.yaml").faults == ()
    (shed / "observations/tank.yaml").write_text(text.replace(":  #", ": null  #"), "utf-8")
    assert [(f.field, f.found) for f in check("observations/tank.yaml").faults] == [(key, "nothing")]


def test_two_escapes_that_make_one_character_are_that_character(shed: Path) -> None:
    subject = "A shed \U0001f69a"
    text = DOSSIER_TEXT.replace("An invented shed", json.dumps(subject))
    assert "\\ud83d" in text
    (shed / "observations/tank.yaml").write_text(text, "utf-8")
    assert load("observations/tank.yaml").dossier.subject == subject


@pytest.mark.parametrize("key", ["dossier", "model", "subject", "inbox"])
def test_half_a_character_is_a_fault_wherever_it_stands(key: str, shed: Path) -> None:
    lines = [line for line in DOSSIER_TEXT.splitlines() if not line.startswith(f"{key}:")]
    text = "\n".join([f'{key}: "\\ud800"', *lines, 'tables: [{file: "\\udc00.csv"}]', ""])
    (shed / "observations/tank.yaml").write_text(text, "utf-8")
    faults = check("observations/tank.yaml").faults
    assert {f.field for f in faults if f.found.startswith("half a character")} == {key, "tables[0].file"}


# --- made in Python -----------------------------------------------------------------------------------------


def test_what_is_made_in_python_has_no_lines() -> None:
    with pytest.raises(SpecError) as caught:
        specify(MODEL, dossier({"method": "weighing", "value": "2 t"}, titel="x"))
    assert str(caught.value).splitlines()[:2] == ["2 faults", "dossier: observations[0].u"]
    assert [f.line for f in caught.value.faults] == [None, None]


def test_an_object_of_another_kind_is_a_fault() -> None:
    with pytest.raises(SpecError, match="an object of type object"):
        specify({**MODEL, "about": object()}, dossier())
    loop: dict[str, object] = {}
    loop["loop"] = loop
    with pytest.raises(SpecError, match="more than 12 levels"):
        specify({**MODEL, "about": loop}, dossier())


def test_a_newer_format_is_said_as_such() -> None:
    with pytest.raises(SpecError, match="made for a newer gaugeglass") as caught:
        specify({**MODEL, "format": 2, "latents": 3}, dossier({"method": "x", "value": "1"}))
    assert [f.field for f in caught.value.faults] == ["format"]


# --- whatever is in them ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_damaged_files_are_read_or_refused(seed: int, shed: Path) -> None:
    chance = random.Random(seed)
    for file, text in (("models/tank.yaml", MODEL_TEXT), ("observations/tank.yaml", DOSSIER_TEXT)):
        data = bytearray(text.encode())
        for _ in range(chance.choice([0, 1, 4])):
            at = chance.randrange(len(data))
            data[at : at + chance.randrange(6)] = chance.choice(
                [
                    b"",
                    b"\n",
                    b": ",
                    b"- ",
                    b"{",
                    b"}",
                    b"]",
                    b"'",
                    b"&a ",
                    b"*a ",
                    b"!x ",
                    b"\t",
                    b"|",
                    b">",
                    b"\xff",
                    b"0",
                    b"%",
                ]
            )
        (shed / file).write_bytes(data)
    checked = check("observations/tank.yaml")
    assert (checked.spec is None) == bool(checked.faults)
    messages = "".join(map(str, (*checked.faults, *checked.warnings)))
    assert messages.replace("\n", "").isprintable()
