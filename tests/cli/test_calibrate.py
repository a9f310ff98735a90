"""Calibration, as a reader at a terminal meets it: on a dossier that takes a second, and on faults of usage."""

from __future__ import annotations

import json
import re
import shutil
from html import unescape
from pathlib import Path

import pytest

from gaugeglass import cli
from gaugeglass.cli.assessing import Assessing
from gaugeglass.inference import fanout
from gaugeglass.judgement import calibration
from gaugeglass.language.workspace import shipped
from printed import joined

DOSSIER = "observations/serials.yaml"
FEW = ["--simulations", "12"]


@pytest.fixture(autouse=True)
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with the shipped dossier of serial numbers, in which the command is typed."""
    for kind, name in (("observations", "serials"), ("models", "serial-numbers")):
        (tmp_path / kind).mkdir()
        shutil.copy(shipped(kind) / f"{name}.yaml", tmp_path / kind)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def test_a_calibration_is_printed_drawn_and_recorded(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["calibrate", DOSSIER, *FEW, "--figures", "drawn"]) == 0
    out = capsys.readouterr().out
    assert joined(out).startswith("When this engine says 90 %, the truth was inside ")
    assert "Nothing is off: ranks, intervals and probabilities pass all" in joined(out)
    assert "Truths were drawn from the prior" in joined(out)
    assert max(map(len, out.splitlines())) <= 80
    names = {
        f"calibration-prior-{what}.{ending}"
        for what in ("ranks", "inside", "chances")
        for ending in ("json", "png", "svg")
    }
    assert {p.name for p in (tmp_path / "drawn").iterdir()} == names
    (folder,) = (tmp_path / "reports" / "serials" / "calibrations").iterdir()
    assert {p.name for p in folder.iterdir()} == {"calibration.json", "figures", "report.html"}
    assert {p.name for p in (folder / "figures").iterdir()} == names
    place = f"reports/serials/calibrations/{folder.name}"
    assert out.endswith(
        f"\nfolder  {place}\npage    {place}/report.html\nshown   by the next 'gaugeglass assess {DOSSIER}'\n"
    )


def test_it_is_recorded_where_it_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json", "--reports", "elsewhere"]) == 0
    folder = Path(json.loads(capsys.readouterr().out)["folder"])
    assert folder.parent == Path("elsewhere/serials/calibrations")
    recorded = json.loads((folder / "calibration.json").read_text())
    assert recorded["format"] == "gaugeglass.calibration/1"
    assert not (tmp_path / "reports").exists()


# --- in runs of the same files ------------------------------------------------------------------------------


def section(run: Path) -> str:
    """What the page of a run says of calibrations, as it is read."""
    (found,) = re.findall(r'<section id="calibration".*?</section>', (run / "report.html").read_text(), re.DOTALL)
    return joined(unescape(re.sub("<[^>]*>", " ", found)))


def inferred(capsys: pytest.CaptureFixture[str], *otherwise: str) -> Path:
    """The folder of a run without a page, with something otherwise perhaps."""
    capsys.readouterr()
    assert cli.run(["infer", DOSSIER, "--draws", "400", "--json", *otherwise]) == 0
    return Path(json.loads(capsys.readouterr().out)["run"])


def test_pages_of_the_same_files_show_it_and_others_do_not(capsys: pytest.CaptureFixture[str]) -> None:
    first = inferred(capsys)
    assert cli.run(["calibrate", DOSSIER, *FEW]) == 0
    assert f"shown   by 'gaugeglass report {first}', which makes the page" in capsys.readouterr().out
    assert cli.run(["calibrate", DOSSIER, *FEW, "--truths", "posterior", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert cli.run(["report", str(first)]) == 0
    told = section(first)
    assert joined(document["sentence"]) in told
    assert all(f"({q['inside']} of 12)" in told for q in document["quantities"])
    assert told.index("Where the evidence leads") < told.index("Over all that the model thinks possible")
    own = json.loads((first / "calibration.json").read_text())["calibrations"]
    assert [one["truths"] for one in own] == ["prior", "posterior"]
    assert own[1] | document == own[1] | {"folder": document["folder"]}
    what_if = inferred(capsys, "--without", "first")
    assert cli.run(["report", str(what_if)]) == 0
    assert 'id="calibration"' not in (what_if / "report.html").read_text()
    file = Path(DOSSIER)
    file.write_text(f"{file.read_text()}# one more byte\n")
    other = inferred(capsys)
    assert cli.run(["report", str(other)]) == 0
    assert 'id="calibration"' not in (other / "report.html").read_text()
    assert f"gaugeglass calibrate {DOSSIER}" in (other / "report.html").read_text()


def test_a_page_that_is_made_stays_as_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    run = inferred(capsys)
    assert cli.run(["report", str(run)]) == 0
    before = (run / "report.html").read_bytes()
    capsys.readouterr()
    assert cli.run(["calibrate", DOSSIER, *FEW]) == 0
    assert f"shown   by the next 'gaugeglass assess {DOSSIER}'" in capsys.readouterr().out
    assert cli.run(["report", str(run)]) == 0
    assert (run / "report.html").read_bytes() == before
    assert not (run / "calibration.json").exists()


def calibrated(capsys: pytest.CaptureFixture[str]) -> Path:
    """The folder of a calibration that was just recorded."""
    capsys.readouterr()
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json"]) == 0
    return Path(json.loads(capsys.readouterr().out)["folder"])


def test_a_damaged_one_is_told_of_and_an_older_one_shown(capsys: pytest.CaptureFixture[str]) -> None:
    older, newest = calibrated(capsys), calibrated(capsys)
    file = newest / "calibration.json"
    file.write_text(file.read_text().replace('"seed": 1', '"seed": 2'))
    assert cli.run(["assess", DOSSIER, "--draws", "400"]) == 0
    out, err = capsys.readouterr()
    made = json.loads((older / "calibration.json").read_text())["created"]
    told = (
        f"the calibration {newest} cannot be shown: calibration.json is not as it was written: its digest differs from "
        f"that of what it says; that of {made[:16].replace('T', ' ')} is shown instead; move that folder away, and "
        f"calibrate again: gaugeglass calibrate {DOSSIER} --simulations 12 --seed 2"
    )
    assert err == f"warning: {told}\n"
    run = Path(next(line for line in out.splitlines() if line.startswith("run ")).split()[1])
    assert [one["created"] for one in json.loads((run / "calibration.json").read_text())["calibrations"]] == [made]
    shutil.rmtree(older)
    one_of_many = Assessing(seed=1, draws=400).do(None, (DOSSIER, "reports"))
    assert (one_of_many["status"], one_of_many["message"]) == (0, "")
    assert one_of_many["warnings"] == [told.replace(f"that of {made[:16].replace('T', ' ')} is shown instead; ", "")]
    assert not (Path(one_of_many["run"]) / "calibration.json").exists()
    first = inferred(capsys)
    assert cli.run(["report", str(first)]) == 0
    assert f"the calibration {newest} cannot be shown" in capsys.readouterr().err


def test_one_of_other_files_is_told_of(capsys: pytest.CaptureFixture[str]) -> None:
    made = json.loads((calibrated(capsys) / "calibration.json").read_text())["created"]
    moment = made[:16].replace("T", " ")
    file = Path(DOSSIER)
    file.write_text(f"{file.read_text()}# one more byte\n")
    assert cli.run(["assess", DOSSIER, "--draws", "400"]) == 0
    out = capsys.readouterr().out
    assert f"\ncalibrated {moment} on other files; on these: gaugeglass calibrate {DOSSIER}\n" in out
    run = Path(next(line for line in out.splitlines() if line.startswith("run ")).split()[1])
    assert cli.run(["publish", str(run)]) == 0
    for folder in (run, Path(f"{run}-public")):
        page = joined(re.sub("<[^>]*>", "", (folder / "report.html").read_text()))
        assert f"The latest calibration, of {moment} UTC, was on other files than this run." in page
    calibrated(capsys)
    assert cli.run(["assess", DOSSIER, "--draws", "400"]) == 0
    assert "on other files" not in capsys.readouterr().out


def test_its_files_are_checked(capsys: pytest.CaptureFixture[str]) -> None:
    folder = calibrated(capsys)
    assert cli.run(["check", str(folder)]) == 0
    assert joined(capsys.readouterr().out).startswith(f"{folder}: 11 files, all as they were written sha256:")
    assert cli.run(["check", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["folder"], told["files"], told["unlisted"]) == (str(folder), 11, [])
    assert cli.run(["check", str(folder), DOSSIER]) == 2
    assert "one calibration by itself, or files" in capsys.readouterr().err
    assert cli.run(["check", str(folder / "calibration.json")]) == 2
    said = f"{folder}/calibration.json is part of a calibration; name its folder: gaugeglass check {folder}"
    assert said in joined(capsys.readouterr().err)
    assert cli.run(["report", str(folder)]) == 2
    assert f"{folder} is a calibration and no run; its page is {folder}/report.html" in joined(capsys.readouterr().err)
    (folder / "report.html").unlink()
    assert cli.run(["check", str(folder)]) == 5
    assert capsys.readouterr().err == f"{folder}/report.html is missing\n"
    assert cli.run(["report", str(folder)]) == 2
    assert f"its page is missing; see 'gaugeglass check {folder}'" in joined(capsys.readouterr().err)


def test_a_folder_that_cannot_be_checked_is_told_what_can(capsys: pytest.CaptureFixture[str]) -> None:
    allowed = "allowed  a YAML file, the folder of a run or of a calibration, DOSSIER or DOSSIER@WHICH\n"
    assert cli.run(["check", "observations"]) == 3
    assert capsys.readouterr().out.endswith(allowed)
    run = inferred(capsys)
    assert cli.run(["check", "reports/serials"]) == 3
    assert capsys.readouterr().out.endswith(f"{allowed}    hint     'gaugeglass check serials' checks its latest run\n")
    assert cli.run(["check", str(run / "result.json")]) == 2
    assert f"is part of a run; name its folder: gaugeglass check {run}" in joined(capsys.readouterr().err)


def test_a_dossier_that_is_inferred_again_for_a_calibration_is_told_why(capsys: pytest.CaptureFixture[str]) -> None:
    again = ["assess", DOSSIER, "--draws", "400", "--processes", "1", "--resume"]
    assert cli.run(again) == 0
    (run,) = Path("reports/serials").glob("*-*")
    calibrated(capsys)
    assert cli.run([*again, "--json"]) == 0
    out, err = capsys.readouterr()
    why = f"the page of {run} shows other calibrations than are recorded by now"
    assert err == f"{DOSSIER}: inferred again, for {why}\n"
    (told,) = json.loads(out)["runs"]
    assert (told["kept"], told["again"]) == (False, why)
    assert cli.run([*again, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == "kept as done already: 1 of 1\n"
    assert json.loads(out)["runs"][0]["again"] == ""


# --- the document, and going on -----------------------------------------------------------------------------


def test_a_calibration_as_json_is_the_same_wherever_it_is_done(capsys: pytest.CaptureFixture[str]) -> None:
    told = []
    for place in ([], ["--processes", "2"]):
        assert cli.run(["calibrate", DOSSIER, *FEW, "--json", "--seed", "3", *place]) == 0
        told.append(json.loads(capsys.readouterr().out))
    folders = [Path(document.pop("folder")) for document in told]
    assert told[0] == told[1]
    assert folders[0] != folders[1]
    document = told[0]
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
    assert "inferred again from the observed and the simulated together" in joined(capsys.readouterr().out)


def test_what_was_interrupted_is_gone_on_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fanout.Place, "or_every_core", lambda place: place)  # here, where it can be interrupted
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
    said = f"interrupted\n5 simulations are kept in {folder}; the same command goes on from there\n"
    assert capsys.readouterr().err.endswith(said)
    again: list[object] = []
    monkeypatch.setattr(calibration.Simulations, "do", lambda *of: (again.append(of[2]), whole(*of))[1])
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json", "--keep", str(folder)]) == 0
    gone_on = json.loads(capsys.readouterr().out)
    assert len(again) == 7
    assert cli.run(["calibrate", DOSSIER, *FEW, "--json"]) == 0
    assert {**json.loads(capsys.readouterr().out), "folder": ""} == {**gone_on, "folder": ""}
    assert cli.run(["calibrate", DOSSIER, *FEW, "--seed", "2", "--keep", str(folder)]) == 5
    assert "holds results of other files, another seed or another version" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("keep", "said"),
    [(["--keep", "half"], "no simulation is kept in half yet"),
     ([], "nothing is kept; with --keep FOLDER what is done would be")],
)  # fmt: skip
def test_what_is_interrupted_at_once_says_what_is_kept(
    keep: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*of: object, **how: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(calibration, "calibrate", interrupted)
    assert cli.run(["calibrate", DOSSIER, *FEW, *keep]) == 130
    assert capsys.readouterr().err.endswith(f"interrupted\n{said}\n")


def test_two_places_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["calibrate", DOSSIER, "--processes", "2", "--cluster", "tcp://127.0.0.1:1"]) == 2
    assert "--processes or --cluster, not both" in capsys.readouterr().err
