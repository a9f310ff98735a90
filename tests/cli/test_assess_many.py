"""Several dossiers assessed at once: each as it would be alone, one index of all, and failures that stop no other."""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from cli.test_assess import CANDIDATES, READINGS
from gaugeglass import cli
from gaugeglass.cli.assessing import BADNESS, Assessing
from gaugeglass.errors import InferenceError, StoreError
from gaugeglass.language.files import load
from gaugeglass.record import rechecks, runs
from gaugeglass.record.indices import entries, finished, write_index
from inference.cluster import Cluster, cluster
from plain_tank import DOSSIER, lay_out
from printed import plain

__all__ = ["cluster"]  # a fixture

QUICK = ["--draws", "200"]
HOSTILE = "A <b>tank</b> & co"
TANK = DOSSIER + READINGS


@pytest.fixture
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    lay_out(tmp_path, READINGS)
    other = TANK.replace("dossier: tank", "dossier: other").replace("An invented tank", HOSTILE)
    (tmp_path / "observations" / "other.yaml").write_text(other)
    (tmp_path / "observations" / "broken.yaml").write_text(TANK.replace("101 ± 2 L", "101 ± 2 kg"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def test_several_are_recorded_and_listed_and_a_failure_stops_no_other(
    workspace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [f"observations/{name}.yaml" for name in ("tank", "broken", "other")]
    assert cli.run(["assess", *files, *QUICK, "--processes", "2"]) == 3
    out = capsys.readouterr().out
    assert "1 of 3 could not be assessed:" in out
    assert "observations/broken.yaml:6: observations[0].value" in out
    assert out.endswith("\nindex   reports/index.html\n")
    page = (workspace / "reports" / "index.html").read_text()
    links = re.findall(r'href="([^"#]+)"', page)
    assert [link.partition("/")[0] for link in links] == ["other", "tank"]
    assert all((workspace / "reports" / link).is_file() for link in links)
    assert HOSTILE not in page
    assert html.escape(HOSTILE) in page
    assert "1 file could not be assessed" in page
    assert not re.search(r"https?://", page)
    for link in links:
        result = json.loads((workspace / "reports" / link).with_name("result.json").read_text())
        assert html.escape(result["sentence"][:40], quote=False) in plain(page)
        assert result["audit"] is not None


def test_one_among_several_has_the_numbers_that_it_has_alone(
    workspace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["assess", "observations/tank.yaml", *QUICK, "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert not (workspace / "reports" / "index.html").exists()
    assert cli.run(["assess", "observations/tank.yaml", *QUICK, "--processes", "1", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "gaugeglass.assessments/1"
    (told,) = document["runs"]
    assert (told["file"], told["status"], told["message"]) == ("observations/tank.yaml", 0, "")
    assert told["sentence"] == alone["sentence"]
    result = json.loads((workspace / told["run"] / "result.json").read_text())
    assert {key: alone[key] for key in result} == result


# --- going on after an interruption -------------------------------------------------------------------------


def names(workspace: Path, dossier: str) -> list[str]:
    return [folder.name for folder in runs.listing(workspace / "reports", dossier)]


def test_what_is_done_is_kept_when_asked_and_only_then(workspace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = ["observations/tank.yaml", "observations/broken.yaml", "observations/other.yaml"]
    again = ["assess", *files, *QUICK, "--processes", "1", "--resume"]
    assert cli.run(["assess", files[0], *QUICK]) == 0
    (first,) = names(workspace, "tank")
    capsys.readouterr()
    assert cli.run([*again, "--json"]) == 3
    out, err = capsys.readouterr()
    assert {told["file"]: told["kept"] for told in json.loads(out)["runs"]} == dict(
        zip(files, (True, False, False), strict=True)
    )
    assert err == "kept as done already: 1 of 3\n"
    assert json.loads(out)["runs"][0]["run"] == f"reports/tank/{first}"
    assert cli.run(again) == 3
    out, err = capsys.readouterr()
    assert err == "kept as done already: 2 of 3\n"
    assert [line.strip() for line in out.splitlines() if line.startswith("    reports/")] == [
        f"reports/{name}/{run}" for name in ("tank", "other") for run in names(workspace, name)
    ]
    assert "1 of 3 could not be assessed:" in out
    assert (len(names(workspace, "tank")), len(names(workspace, "other"))) == (1, 1)
    assert [entry.dossier for entry in entries(workspace / "reports")] == ["other", "tank"]
    assert cli.run(["assess", files[0], *QUICK]) == 0
    assert len(names(workspace, "tank")) == 2


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with one run that is finished."""
    home = tmp_path_factory.mktemp("done")
    file = lay_out(home, READINGS + CANDIDATES)
    assert cli.run(["assess", str(file), *QUICK, "--seed", "3"]) == 0
    return home


def edit_dossier(home: Path) -> None:
    file = home / "observations" / "tank.yaml"
    file.write_text(file.read_text() + "# a comment\n")


def edit_model(home: Path) -> None:
    file = home / "models" / "tank.yaml"
    file.write_text(file.read_text().replace("sigma: 0.2", "sigma: 0.3"))


def damage(home: Path) -> None:
    (draws,) = home.glob("reports/tank/*/posterior.nc")
    draws.write_bytes(draws.read_bytes()[:-1])


def infer_alone(home: Path) -> None:
    """A later run of the same files without audit and page."""
    assert cli.run(["infer", str(home / "observations" / "tank.yaml"), *QUICK, "--seed", "3"]) == 0


def edit_assess_and_undo(home: Path) -> None:
    """A later run, of other files."""
    file = home / "observations" / "tank.yaml"
    before = file.read_text()
    edit_dossier(home)
    assert cli.run(["infer", str(file), *QUICK, "--seed", "3"]) == 0
    file.write_text(before)


@pytest.mark.parametrize("change", [edit_dossier, edit_model, damage, infer_alone, edit_assess_and_undo])
def test_what_is_otherwise_or_not_whole_is_done_again(
    change: Callable[[Path], None], done: Path, tmp_path: Path
) -> None:
    home = shutil.copytree(done, tmp_path / "work")
    file, reports = home / "observations" / "tank.yaml", home / "reports"
    assert finished(load(file), reports, seed=3, draws=200) is not None
    change(home)
    assert finished(load(file), reports, seed=3, draws=200) is None


@pytest.fixture
def unpaged(done: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, bytes]:
    """The page of a finished run that is lost, and what it held; nothing can be inferred."""
    home = shutil.copytree(done, tmp_path / "work")
    (page,) = home.glob("reports/tank/*/report.html")
    before = page.read_bytes()
    page.unlink()
    monkeypatch.setattr("gaugeglass.inference.posterior.infer", None)
    return page, before


@pytest.mark.parametrize("command", ["assess", "report"])
def test_a_page_that_was_lost_is_made_again_to_the_byte(
    command: str, unpaged: tuple[Path, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    page, before = unpaged
    file = str(page.parents[3] / "observations" / "tank.yaml")
    if command == "assess":
        told = Assessing(seed=3, draws=200, resume=True).do(None, (file, str(page.parents[2])))
        assert (told["status"], told["message"], told["kept"], told["run"]) == (0, "", True, str(page.parent))
    else:
        assert cli.run(["report", str(page.parent)]) == 0
    assert page.read_bytes() == before
    assert rechecks.damages(page.parent) == ()


def test_a_page_that_comes_out_otherwise_is_not_put_in_the_place_of_one_that_was_lost(
    unpaged: tuple[Path, bytes], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    page, _ = unpaged
    monkeypatch.setattr("gaugeglass.publication.page.page", lambda *_, **__: "<html>Otherwise</html>")
    assert cli.run(["report", str(page.parent)]) == 5
    assert f"{page} is missing, and does not come out again as it was" in capsys.readouterr().err
    assert not page.exists()
    file = str(page.parents[3] / "observations" / "tank.yaml")
    told = Assessing(seed=3, draws=200, resume=True).do(None, (file, str(page.parents[2])))
    assert "'NoneType' object is not callable" in told["message"], "it would be inferred again"


def test_another_seed_number_of_draws_or_version_is_done_again(done: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spec, reports = load(done / "observations" / "tank.yaml"), done / "reports"
    found = finished(spec, reports, seed=3, draws=200)
    assert found is not None
    assert found.audit is not None
    assert found.ranking is not None
    assert finished(spec, reports, seed=4, draws=200) is None
    assert finished(spec, reports, seed=3, draws=201) is None
    monkeypatch.setattr("gaugeglass.record.indices.version", lambda name: "999")
    assert finished(spec, reports, seed=3, draws=200) is None


@pytest.mark.slow
def test_an_assessment_that_was_killed_goes_on(workspace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The process is killed once the first dossier of four is done, upon which its worker ends with what it is at."""
    for name in ("third", "fourth"):
        text = TANK.replace("dossier: tank", f"dossier: {name}")
        (workspace / "observations" / f"{name}.yaml").write_text(text)
    every = ["tank", "other", "third", "fourth"]
    command = ["assess", *(f"observations/{name}.yaml" for name in every), *QUICK, "--processes", "1"]
    program = subprocess.Popen(
        [sys.executable, "-c", "import sys; from gaugeglass import cli; sys.exit(cli.run(sys.argv[1:]))", *command],
        cwd=workspace, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        for _ in range(1200):
            if names(workspace, "tank") or program.poll() is not None:
                break
            time.sleep(0.1)
    finally:
        os.kill(program.pid, signal.SIGKILL)
    program.communicate()  # the worker writes there too, so this ends when both have
    assert program.returncode == -signal.SIGKILL
    before = {name: names(workspace, name) for name in every}
    assert len(before["tank"]) == 1
    assert before["fourth"] == []
    assert not (workspace / "reports" / "index.html").exists()
    assert cli.run([*command, "--resume", "--json"]) == 0
    told = {run["dossier"]: run for run in json.loads(capsys.readouterr().out)["runs"]}
    assert {name: told[name]["kept"] for name in every} == {name: bool(before[name]) for name in every}
    assert Path(told["tank"]["run"]).name == before["tank"][0]
    assert [len(names(workspace, name)) for name in every] == [1, 1, 1, 1]
    assert [e.dossier for e in entries(workspace / "reports")] == sorted(every)


# --- the rest -----------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_workers_of_a_cluster_that_stand_elsewhere_find_files_and_reports(
    workspace: Path, cluster: Cluster, capsys: pytest.CaptureFixture[str]
) -> None:
    files = ["observations/tank.yaml", "observations/other.yaml"]
    assert cli.run(["assess", *files, *QUICK, "--cluster", cluster.address]) == 0
    assert "could not be assessed" not in capsys.readouterr().out
    assert [e.dossier for e in entries(workspace / "reports")] == ["other", "tank"]
    assert (workspace / "reports" / "index.html").is_file()


@pytest.mark.parametrize(
    ("problem", "status", "said"),
    [(InferenceError("no way"), 4, "no way"), (StoreError("no room"), 5, "no room"),
     (ZeroDivisionError("oops"), 1, "a bug of gaugeglass: ZeroDivisionError: oops")],
)  # fmt: skip
def test_what_goes_wrong_with_one_is_told(
    problem: Exception, status: int, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*given: object) -> None:
        raise problem

    monkeypatch.setattr(Assessing, "_assessed", fail)
    told = Assessing(1, 200).do(None, ("a.yaml", "reports"))
    assert (told["file"], told["status"], told["message"], told["run"]) == ("a.yaml", status, said, "")


def test_the_worst_status_is_a_bug() -> None:
    assert max((0, 3, 1, 5, 4), key=BADNESS.index) == 1
    assert max((0, 3, 4), key=BADNESS.index) == 4


def test_another_page_called_index_stays_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text("<p>Our home page</p>")
    with pytest.raises(StoreError, match="is no index of gaugeglass and stays as it is"):
        write_index(tmp_path, "new")
    assert (tmp_path / "index.html").read_text() == "<p>Our home page</p>"
    assert [p.name for p in tmp_path.iterdir()] == ["index.html"]


def test_a_damaged_run_is_listed_with_the_reason(tmp_path: Path) -> None:
    run = tmp_path / "tank" / "20260101T000000Z-00000000"
    run.mkdir(parents=True)
    (run / "run.json").write_text("{")
    (found,) = entries(tmp_path)
    assert found.dossier == "tank"
    assert found.problem.startswith("damaged: ")
    shutil.rmtree(run)
    assert list(entries(tmp_path)) == []
