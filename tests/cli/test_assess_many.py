"""Several dossiers assessed at once: each as it would be alone, one index of all, and failures that stop no other."""

from __future__ import annotations

import html
import json
import re
import shutil
from pathlib import Path

import pytest

from cli.test_assess import DOSSIER, MODEL
from gaugeglass import cli
from gaugeglass.cli.assessing import BADNESS, Assessing
from gaugeglass.errors import InferenceError, StoreError
from gaugeglass.record.indices import entries, write_index
from inference.cluster import Cluster, cluster

__all__ = ["cluster"]  # a fixture

QUICK = ["--draws", "200"]
HOSTILE = "A <b>tank</b> & co"


@pytest.fixture
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for kind in ("models", "observations"):
        (tmp_path / kind).mkdir()
    (tmp_path / "models" / "tank.yaml").write_text(MODEL)
    (tmp_path / "observations" / "tank.yaml").write_text(DOSSIER)
    other = DOSSIER.replace("dossier: tank", "dossier: other").replace("An invented tank", HOSTILE)
    (tmp_path / "observations" / "other.yaml").write_text(other)
    (tmp_path / "observations" / "broken.yaml").write_text(DOSSIER.replace("101 ± 2 L", "101 ± 2 kg"))
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
        assert html.escape(result["sentence"][:40], quote=False) in page.replace("\N{NARROW NO-BREAK SPACE}", " ")
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

    monkeypatch.setattr("gaugeglass.cli.assessing._assessed", fail)
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
