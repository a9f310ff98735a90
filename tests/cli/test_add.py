"""What a user meets who adds an observation at the command line, or withdraws one."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest

import gaugeglass as gg
from gaugeglass import cli
from gaugeglass.cli import asking
from gaugeglass.language.spec import Inexact
from gaugeglass.language.workspace import shipped

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
FLEET = Path(__file__).parents[1] / "faults" / "models" / "fleet.yaml"
YARD = """format: 1
dossier: yard
model: fleet
subject: An invented yard
givens: {vans: 3}
members: {vehicle: [V1, V2]}
observations:
tables: [{id: log, file: log.csv, method: weighing, value: {column: mass, unit: kg}, u: 5 kg}]
"""
BENCH = ["--id", "bench-3", "--method", "bench_discharge", "--value", "198.2 ± 1.2 Wh"]

ENDS = ["--input", "soc_start=20 %", "--input", "soc_end=80 %"]


@pytest.fixture
def heron(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo dossier in a workspace of its own, which is the working folder."""
    for kind in ("models", "observations"):
        shutil.copytree(shipped(kind), tmp_path / kind, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return Path("observations/heron-35.yaml")


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A dossier without an observation yet, of a model with groups, grades and bases."""
    for folder in ("models", "observations"):
        (tmp_path / folder).mkdir(exist_ok=True)
    shutil.copyfile(FLEET, tmp_path / "models" / "fleet.yaml")
    (tmp_path / "observations" / "log.csv").write_text("mass\n2010\n2020\n", "utf-8")
    (tmp_path / "observations" / "yard.yaml").write_text(YARD, "utf-8")
    monkeypatch.chdir(tmp_path)
    return Path("observations/yard.yaml")


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Answers that somebody at a terminal gives, one after the other."""
    answers: list[str] = []
    monkeypatch.setattr(asking, "may_ask", lambda: True)
    monkeypatch.setattr("click.termui.visible_prompt_func", lambda _: answers.pop(0))
    return answers


def test_the_commands_of_the_readme_do_what_it_says(heron: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocks = re.findall(r"^```console\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    (block,) = (block for block in blocks if "gaugeglass add" in block)
    for line in block.splitlines():
        assert cli.run(shlex.split(line)[1:]) == 0
    printed = capsys.readouterr().out
    assert "observations/heron-35.yaml:278: bench-3 added, by bench_discharge, 198.2 ± 1.2 Wh\n" in printed
    assert "observations/heron-35.yaml:278: bench-3 withdrawn, since 20" in printed
    assert printed.endswith("next: gaugeglass assess observations/heron-35.yaml\n")
    last = gg.load(heron).dossier.observations[-1]
    assert (last.origin, last.withdrawn and last.withdrawn.because) == ("laboratory D", "The laboratory retracted it")


def test_every_key_can_be_stated(yard: Path) -> None:
    stated = ["--id", "s", "--method", "charging", "--value", "40 kWh", "--u", "0.4 kWh", "--k", "2", "--rounded", "0.1 kWh",
              "--input", "soc_start=20 ± 1 %", "--input", "soc_end=90 %", "--origin", "o", "--date", "2026", "--grade", "B2",
              "--repeats", "log:3", "--basis", "wall", "--at", "vehicle=V2", "--at", "depot=north", "--applies", "software=4.2",
              "--source", "A log: mine", "--source", "kind=owner", "--source", "url=https://example.org/?a=b", "--note", "n",
              "--private"]  # fmt: skip
    assert cli.run(["add", str(yard), *stated]) == 0
    last = gg.load(yard).dossier.observations[-1]
    assert last.u == pytest.approx(0.2)
    assert last.upper - last.lower == pytest.approx(0.1)
    assert last.inputs == pytest.approx({"soc_start": 20, "soc_end": 90})
    assert last.inexact == {"soc_start": Inexact(u=1), "soc_end": Inexact(half=0.5)}
    assert (last.origin, last.date, last.grade, last.repeats, last.note) == ("o", "2026", "B2", "log:3", "n")
    assert (last.basis, last.at) == ("wall", {"vehicle": "V2", "depot": "north"})
    assert (last.applies, last.private) == ({"software": "4.2"}, True)
    assert (last.source.title, last.source.kind, last.source.url) == (
        "A log: mine",
        "owner",
        "https://example.org/?a=b",
    )


def test_a_value_below_0_and_a_text_that_begins_with_a_dash_can_be_stated(yard: Path) -> None:
    stated = ["--id", "s", "--method", "weighing", "--value", "-3 ± 5 kg", "--note", "- x", "--origin=-o"]
    assert cli.run(["add", str(yard), *stated]) == 0
    last = gg.load(yard).dossier.observations[-1]
    assert (last.value, last.note, last.origin) == (-3, "- x", "-o")


def test_every_key_of_an_observation_has_an_option() -> None:
    from gaugeglass.language.observations import OBSERVATION

    options = {parameter.name for parameter in cli.gaugeglass.commands["add"].params} - {"file", "as_json"}
    assert {("inputs" if name == "input" else name) for name in options} == {*OBSERVATION.known} - {"withdrawn"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [([], "missing: --method, --value, --id"), (["--id", "x", "--method", "pack_weighing", "--value", "5 kg"], "missing: --u"),
     ([*BENCH[:2], "--method", "weighbridge", "--value", "2 ± 1 t"], "missing: --input load=NUMBER"),
     (["--id", "x", "--method", "charging", "--value", "2 ± 1 kWh", *ENDS], "missing: --at vehicle=MEMBER"),
     ([*BENCH, "--input", "load"], "'load' is not NAME=NUMBER"), ([*BENCH, "--at", "a=b", "--at", "a=c"], "'a' is stated twice")],
)  # fmt: skip
def test_what_is_missing_is_wrong_usage_where_nobody_can_answer(
    arguments: list[str], said: str, heron: Path, yard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = yard if "charging" in arguments else heron
    before = file.read_bytes()
    assert cli.run(["add", str(file), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert file.read_bytes() == before


def test_somebody_at_a_terminal_is_asked_again_where_an_answer_is_at_fault(
    heron: Path, terminal: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    terminal += ["charge", "13", "61", "61.0 kWh", "0.3 kWh", "20", "20 %", "90 %", "2 year", "30000 km", ""]
    assert cli.run(["add", str(heron)]) == 0
    captured = capsys.readouterr()
    assert terminal == []
    assert "did you mean 'charge_session'?" in captured.err
    assert "which is 2000 %" in captured.err
    assert captured.out.startswith("observations/heron-35.yaml:278: forum-2 added")


def test_a_place_is_asked_for_where_the_method_needs_one(
    yard: Path, terminal: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    terminal += ["charging", "40 ± 1 kWh", "20 ± 1 %", "80 %", "V3", "V2", ""]
    assert cli.run(["add", str(yard)]) == 0
    assert terminal == []
    assert "a member: V1, V2" in capsys.readouterr().err
    assert gg.load(yard).dossier.observations[0].at == {"vehicle": "V2"}


def test_nothing_is_asked_where_nothing_is_missing(heron: Path, terminal: list[str]) -> None:
    assert cli.run(["add", str(heron), *BENCH]) == 0


def test_what_is_refused_is_told_with_status_3(heron: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["add", str(heron), *BENCH[2:], "--id", "bench-1", "--json"]) == 3
    captured = capsys.readouterr()
    assert [fault["field"] for fault in json.loads(captured.out)["faults"]] == ["observations[18].id"]
    assert captured.err.splitlines()[-1] == (
        "nothing was written: the lines are those that observations/heron-35.yaml would have had"
    )
    assert cli.run(["withdraw", str(heron), "bench-0", "--because", "x"]) == 3
    assert "edit the file there" in capsys.readouterr().err


def test_no_reason_is_asked_for_what_cannot_be_withdrawn(
    yard: Path, terminal: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    for name, said in (("bench", "'bench', which is not there"), ("log:2", "a row of table 'log'")):
        assert cli.run(["withdraw", str(yard), name]) == 3
        assert said in capsys.readouterr().err


def test_what_goes_with_a_withdrawal_is_told(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, more in (("a", []), ("b", ["--repeats", "a"])):
        stated = ["--id", name, "--method", "weighing", "--value", "2000 ± 5 kg"]
        assert cli.run(["add", str(yard), *stated, *more]) == 0
    assert cli.run(["withdraw", str(yard), "a", "--because", "A slip"]) == 0
    assert "with it goes what repeats it: b\n" in capsys.readouterr().out


def test_a_withdrawal_needs_a_reason(heron: Path, terminal: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    terminal.append("A slip")
    assert cli.run(["withdraw", str(heron), "bench-1"]) == 0
    monkeypatch.setattr(asking, "may_ask", lambda: False)
    assert cli.run(["withdraw", str(heron), "bench-2"]) == 2


def test_as_json_it_is_one_document(heron: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["add", str(heron), *BENCH, "--date", "2999", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["did"], told["id"], told["line"]) == ("gaugeglass.entry/1", "added", "bench-3", 278)
    assert [warning["found"] for warning in told["warnings"]] == ["'2999', which is in the future"]
