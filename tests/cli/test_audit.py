"""Audit and next, as a reader at a terminal meets them: on a dossier that takes a second, and on faults of usage."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click
import pytest

from gaugeglass import cli
from gaugeglass.cli.printing import save_pictures
from gaugeglass.language.workspace import shipped
from gaugeglass.publication.sheet import Picture
from plain_tank import lay_out
from printed import plain

DOSSIER = str(shipped("observations") / "gravitation.yaml")
QUICK = ["--draws", "200"]
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")

HUSHED = """\
  - {id: first, method: filling, value: 99 ± 4 L}
  - {id: second, method: filling, value: 106 ± 3 L, private: true}
"""


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_an_audit_is_printed_and_drawn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(["audit", DOSSIER, *QUICK, "--figures", "drawn"]) == 0
    out = plain(capsys.readouterr().out)
    assert "carries “The stated uncertainties are too small" in " ".join(out.split())
    for title in (
        "Left out one at a time",
        "Pairs that contradict",
        "Priors that matter",
        "Prior odds of each",
        "How it was found",
    ):
        assert f"\n{title}" in out
    assert out.endswith(f"\nnext: gaugeglass next {DOSSIER}\n")
    assert max(len(line) for line in out.splitlines() if DOSSIER not in line) <= 80
    made = {f"{name}.{ending}" for name in ("influence", "tipping", "prior-odds") for ending in ("json", "png", "svg")}
    assert {p.name for p in (tmp_path / "drawn").iterdir()} == made
    assert [p.name for p in tmp_path.iterdir()] == ["drawn"]  # nothing was recorded


def test_an_audit_as_json_is_one_document_and_the_same_each_time(capsys: pytest.CaptureFixture[str]) -> None:
    told = []
    for _ in range(2):
        assert cli.run(["audit", DOSSIER, *QUICK, "--json", "--seed", "3"]) == 0
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]
    document = json.loads(told[0])
    assert document["format"] == "gaugeglass.audit/1"
    assert (document["dossier"], document["claim"], document["seed"]) == ("gravitation", "too_small", 3)
    assert {u["unit"]["kind"] for u in document["units"]} == {"observation", "origin"}


def test_candidates_are_ranked_within_a_budget(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["next", DOSSIER, *QUICK, "--budget", "3e6", "--figures", str(tmp_path)]) == 0
    out = plain(capsys.readouterr().out)
    assert "Best next: another (Another laboratory measures" in " ".join(out.split())
    assert "The best set for a budget of 3 000 000" in out
    assert max(map(len, out.splitlines())) <= 80
    assert (tmp_path / "candidates.svg").is_file()


def test_a_quantity_is_asked_about_without_any_claim(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["next", DOSSIER, *QUICK, "--quantity", "tau", "--budget", "2e6", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "gaugeglass.next/1"
    assert (document["claim"], document["quantity"]) == (None, "tau")
    assert document["best"]["about"] == "quantity"
    assert document["worths"][0]["claim_bits"] is None


def test_a_hypothesis_may_be_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["next", DOSSIER, *QUICK, "--claim", "scattered", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["claim"], document["best"]) == ("scattered", None)
    assert document["worths"][0]["claim_bits"]["value"] >= 0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--claim", "no_such"], "there is no claim or hypothesis 'no_such'; there are: too_small"),
        (["--quantity", "no_such"], "there is no quantity 'no_such'; there are: "),
        (["--claim", "too_small", "--quantity", "tau"], "--claim or --quantity, not both"),
        (["--budget", "-1"], "x>=0"),
    ],
)
def test_what_cannot_be_ranked_is_refused_before_anything_is_inferred(
    options: list[str], message: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gaugeglass.inference.posterior.infer", None)
    assert cli.run(["next", DOSSIER, *options]) == 2
    assert message in " ".join(capsys.readouterr().err.split())


def test_without_candidates_there_is_nothing_to_rank(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["next", str(shipped("observations") / "labels.yaml")]) == 2
    assert "list them under 'candidates'" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["audit", "next"])
def test_a_faulty_dossier_is_at_fault(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run([command, "nowhere.yaml"]) == 3
    assert "1 fault" in capsys.readouterr().err


@pytest.fixture
def idle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing can be inferred."""
    monkeypatch.setattr("gaugeglass.inference.posterior.infer", None)
    monkeypatch.setattr("gaugeglass.calibrate", None)


@pytest.mark.usefixtures("idle")
@pytest.mark.parametrize("command", ["audit", "next", "calibrate"])
def test_a_folder_that_cannot_be_written_is_refused_before_anything_is_inferred(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    assert cli.run([command, DOSSIER, "--figures", str(tmp_path / "file" / "drawn")]) == 5
    assert f"nothing can be written to {tmp_path / 'file' / 'drawn'}: Not a directory" in capsys.readouterr().err
    assert cli.run([command, DOSSIER, "--figures", str(tmp_path / "file")]) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


@pytest.mark.usefixtures("idle")
@pytest.mark.parametrize(("command", "name"), [("audit", "tipping.svg"), ("next", "candidates.json")])
def test_a_picture_that_is_there_is_refused_before_anything_is_inferred(
    command: str, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / name).write_text("mine")
    assert cli.run([command, DOSSIER, "--figures", str(tmp_path)]) == 2
    assert f"{tmp_path / name} is there already and stays as it is; choose another folder\n" in capsys.readouterr().err
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {name: "mine"}


def test_pictures_are_written_together_and_overwrite_nothing(tmp_path: Path) -> None:
    worth = Picture("worth", "Worth", "Worth", b"<svg/>", b"png", {})
    folder = tmp_path / "drawn"
    save_pictures([worth], folder)
    assert {p.name for p in folder.iterdir()} == {"worth.svg", "worth.png", "worth.json"}
    for gone in ("worth.svg", "worth.json"):
        (folder / gone).unlink()
    with pytest.raises(click.UsageError, match=r"worth\.png is there already and stays as it is"):
        save_pictures([worth], folder)
    assert {p.name for p in folder.iterdir()} == {"worth.png"}


def test_pictures_of_what_is_private_are_said_to_show_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = lay_out(tmp_path, HUSHED)
    assert cli.run(["audit", str(file), *QUICK, "--figures", str(tmp_path / "drawn")]) == 0
    assert f"this shows what is private; 'gaugeglass assess {file}', then" in capsys.readouterr().err
    file.write_text(file.read_text().replace(", private: true", ""))
    assert cli.run(["audit", str(file), *QUICK, "--figures", str(tmp_path / "open")]) == 0
    assert "private" not in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize("command", ["audit", "next"])
def test_readme_shows_what_the_demo_prints(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Numbers differ from processor to processor within their Monte Carlo errors, and with them their columns."""

    def words(text: str) -> list[str]:
        return re.sub(r"[0-9.]+", "#", text).split()

    section = README.partition("## What carries it")[2].partition("\n## ")[0]
    shown = re.findall(r"^```text\n(.*?)^```", section, flags=re.MULTILINE | re.DOTALL)[command == "next"]
    assert cli.run([command, str(shipped("observations") / "heron-35.yaml")]) == 0
    printed = plain(capsys.readouterr().out)
    sentence, _, table = shown.partition("\n\n")
    assert words(printed)[: len(words(sentence))] == words(sentence)
    assert {line.split()[0] for line in table.splitlines()} <= {
        line.split()[0] for line in printed.splitlines() if line.split()
    }


def test_a_candidate_of_the_command_line_is_ranked_beside_those_of_the_files(
    capsys: pytest.CaptureFixture[str],
) -> None:
    sharp = "sharp={method: laboratory_result, u: 0.00002e-11 m**3/(kg*s**2), cost: 5, origin: a sixth laboratory}"
    assert cli.run(["next", DOSSIER, *QUICK, "--candidate", sharp, "--quantity", "measurand", "--json"]) == 0
    worths = {w["name"]: w for w in json.loads(capsys.readouterr().out)["worths"]}
    assert set(worths) == {"sharp", "another"}
    assert (worths["sharp"]["cost"], worths["sharp"]["origin"]) == (5.0, "a sixth laboratory")
    assert worths["sharp"]["quantity_nats"]["value"] > worths["another"]["quantity_nats"]["value"]


def test_a_faulty_candidate_of_the_command_line_is_refused_before_anything_is_inferred(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gaugeglass.inference.posterior.infer", None)
    assert cli.run(["next", DOSSIER, "--candidate", "third={method: laboratory_result}"]) == 3
    assert "--candidate third.u" in capsys.readouterr().err
    assert cli.run(["next", DOSSIER, "--candidate", "third"]) == 2
    assert "NAME={...}" in " ".join(capsys.readouterr().err.split())
