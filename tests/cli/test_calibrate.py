"""Calibration, as a reader at a terminal meets it: on a dossier that takes a second, and on faults of usage."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gaugeglass import cli
from gaugeglass.judgement import calibration
from gaugeglass.language.workspace import shipped

DOSSIER = str(shipped("observations") / "serials.yaml")
FEW = ["--simulations", "12"]


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def plain(text: str) -> str:
    return " ".join(text.replace("\N{NARROW NO-BREAK SPACE}", " ").split())


def test_a_calibration_is_printed_and_drawn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(["calibrate", DOSSIER, *FEW, "--figures", "drawn"]) == 0
    out = capsys.readouterr().out
    assert plain(out).startswith("When this engine says 90 %, the truth was inside ")
    assert "Nothing is off: ranks, intervals and probabilities pass all" in plain(out)
    assert "Truths were drawn from the prior" in plain(out)
    assert max(map(len, out.splitlines())) <= 80
    names = {
        f"calibration-{what}.{ending}" for what in ("ranks", "inside", "chances") for ending in ("json", "png", "svg")
    }
    assert {p.name for p in (tmp_path / "drawn").iterdir()} == names
    assert [p.name for p in tmp_path.iterdir()] == ["drawn"]  # nothing was recorded


def test_a_calibration_as_json_is_the_same_wherever_it_is_done(capsys: pytest.CaptureFixture[str]) -> None:
    told = []
    for place in ([], ["--processes", "2"]):
        assert cli.run(["calibrate", DOSSIER, *FEW, "--json", "--seed", "3", *place]) == 0
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]
    document = json.loads(told[0])
    assert document["format"] == "gaugeglass.calibration/1"
    assert (document["dossier"], document["truths"], document["seed"], document["simulations"]) == (
        "serials",
        "prior",
        3,
        12,
    )
    assert document["interval"] == {"probability": 0.9, "kind": "equal-tailed"}
    assert [q["quantity"] for q in document["quantities"]][-1] == "log-likelihood"
    assert all(0 <= rank < document["levels"] for q in document["quantities"] for rank in q["ranks"])
    assert document["limit"] == pytest.approx(document["mistake"] / document["tests"])


def test_truths_of_the_posterior_are_another_calibration(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["calibrate", DOSSIER, *FEW, "--truths", "posterior"]) == 0
    assert "inferred again from the observed and the simulated together" in plain(capsys.readouterr().out)


def test_what_was_interrupted_is_gone_on_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "half"
    done, whole = [], calibration.Simulations.do

    def interrupted(self, prepared, job):
        if len(done) == 5:
            raise KeyboardInterrupt
        done.append(job)
        return whole(self, prepared, job)

    with monkeypatch.context() as patched:
        patched.setattr(calibration.Simulations, "do", interrupted)
        assert cli.run(["calibrate", DOSSIER, *FEW, "--keep", str(folder)]) == 130
    assert len((folder / "partial.jsonl").read_text().splitlines()) == 6
    again: list[object] = []
    monkeypatch.setattr(calibration.Simulations, "do", lambda *of: (again.append(of[2]), whole(*of))[1])
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json", "--keep", str(folder)]) == 0
    gone_on = capsys.readouterr().out
    assert len(again) == 7
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json"]) == 0
    assert capsys.readouterr().out == gone_on
    assert cli.run(["calibrate", DOSSIER, *FEW, "--seed", "2", "--keep", str(folder)]) == 5
    assert "holds results of other files, another seed or another version" in capsys.readouterr().err


def test_two_places_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["calibrate", DOSSIER, "--processes", "2", "--cluster", "tcp://127.0.0.1:1"]) == 2
    assert "--processes or --cluster, not both" in capsys.readouterr().err
