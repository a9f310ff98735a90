from __future__ import annotations

import errno
import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.files import load
from gaugeglass.record import redaction, runs, store


def write(posterior: Any, assessment: Assessment, picture: Any, reports: Path) -> Path:
    return runs.write(posterior, assessment, [picture], "<html></html>", reports)


@pytest.fixture
def folder(posterior: SimpleNamespace, assessment: Assessment, picture: Any, tmp_path: Path) -> Path:
    return write(posterior, assessment, picture, tmp_path / "reports")


def test_a_run_holds_everything_and_nothing_is_left_beside_it(folder: Path) -> None:
    files = sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())
    assert files == [
        "figures/leading.json", "figures/leading.png", "figures/leading.svg", "inputs/models/tank.yaml",
        "inputs/observations/tank.yaml", "posterior.nc", "report.html", "result.json", "run.json",
    ]  # fmt: skip
    assert list(folder.parent.iterdir()) == [folder]


def test_a_run_is_read_as_it_was_written(folder: Path, assessment: Assessment, posterior: SimpleNamespace) -> None:
    run = runs.read(folder)
    before, after = run.draws()
    assert repr(run.assessment) == repr(assessment)
    assert np.array_equal(after["volume"], posterior.tree["posterior"]["volume"].to_numpy().ravel())
    assert before.keys() == after.keys()
    assert run.name == folder.name


def test_the_copies_of_the_inputs_are_a_workspace_of_their_own(folder: Path, posterior: SimpleNamespace) -> None:
    assert runs.read(folder).spec().dossier.observations == posterior.spec.dossier.observations
    assert load(folder / "inputs" / "observations" / "tank.yaml").model.name == "tank"


def test_draws_carry_a_checksum(folder: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(folder / "posterior.nc") as file:
        assert file["posterior/volume"].fletcher32


@pytest.mark.parametrize("file", ["result.json", "posterior.nc", "report.html", "inputs/models/tank.yaml"])
def test_a_flipped_byte_is_found(folder: Path, file: str) -> None:
    content = bytearray((folder / file).read_bytes())
    content[len(content) // 2] ^= 1
    (folder / file).write_bytes(bytes(content))
    with pytest.raises(StoreError, match=r"is not as it was written"):
        runs.read(folder)


def test_a_missing_file_and_a_truncated_record_are_found(folder: Path) -> None:
    (folder / "report.html").unlink()
    with pytest.raises(StoreError, match=r"report\.html cannot be read"):
        runs.read(folder)
    (folder / "run.json").write_text((folder / "run.json").read_text()[:100])
    with pytest.raises(StoreError, match=r"run\.json is damaged"):
        runs.read(folder)


@pytest.mark.parametrize("key", ["run", "file", "created", "seed", "settings", "versions", "seconds", "note", "files"])
@pytest.mark.parametrize("value", [None, []])
def test_a_record_that_lacks_something_is_found(folder: Path, key: str, value: Any) -> None:
    record = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps(record | {key: value}))
    with pytest.raises(StoreError, match=rf"run\.json is damaged: {key} missing"):
        runs.read(folder)


def test_a_record_that_is_nested_without_end_is_found(folder: Path) -> None:
    (folder / "run.json").write_text("[" * 100_000)
    with pytest.raises(StoreError, match=r"run\.json is damaged"):
        runs.read(folder)


def test_a_run_of_a_newer_version_is_refused(folder: Path) -> None:
    record = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps(record | {"format": "gaugeglass.run/9"}))
    with pytest.raises(StoreError, match="a newer gaugeglass wrote it"):
        runs.read(folder)


def test_the_digest_changes_with_any_file(folder: Path, posterior: Any, assessment: Assessment, tmp_path: Path) -> None:
    other = runs.write(posterior, assessment, [], "<html>other</html>", tmp_path / "elsewhere")
    assert runs.read(folder).digest != runs.read(other).digest


@pytest.mark.parametrize("at", range(0, 9, 2))
def test_a_full_disk_leaves_nothing(
    at: int, posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = iter(range(100))

    def full(handle: int) -> None:
        if next(count) == at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left on device"):
        write(posterior, assessment, picture, tmp_path / "reports")
    assert list((tmp_path / "reports" / "tank").iterdir()) == []


def test_an_interrupt_leaves_nothing(
    posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write(posterior, assessment, picture, tmp_path / "reports")
    assert list((tmp_path / "reports" / "tank").iterdir()) == []


def test_a_file_in_the_place_of_the_reports_is_a_fault_of_the_store(
    posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path
) -> None:
    (tmp_path / "reports").write_text("")
    with pytest.raises(StoreError, match="no run can be written"):
        write(posterior, assessment, picture, tmp_path / "reports")


def test_runs_at_once_get_a_folder_each(posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path) -> None:
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda _: write(posterior, assessment, picture, tmp_path / "reports"), range(8)))
    assert len(set(made)) == 8
    assert set(runs.listing(tmp_path / "reports", "tank")) == set(made)
    assert {runs.read(folder).name for folder in made} == {folder.name for folder in made}


def test_what_a_killed_process_leaves_is_no_run(
    posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def kill(place: Path) -> None:
        raise SystemExit(9)

    monkeypatch.setattr(store, "_sync", kill)
    monkeypatch.setattr(shutil, "rmtree", lambda *_, **__: None)
    with pytest.raises(SystemExit):
        write(posterior, assessment, picture, tmp_path)
    left = list((tmp_path / "tank").iterdir())
    assert [(p / "run.json").is_file() for p in left] == [True]
    assert runs.listing(tmp_path, "tank") == ()


def test_a_dossier_without_runs_lists_none(tmp_path: Path) -> None:
    assert runs.listing(tmp_path, "tank") == ()


def test_a_run_without_a_page_can_be_given_one(
    posterior: Any, assessment: Assessment, picture: Any, tmp_path: Path
) -> None:
    run = runs.read(runs.write(posterior, assessment, (), None, tmp_path))
    assert not (run.folder / "report.html").exists()
    assert runs.add_page(run, [picture], "<html></html>").read_text() == "<html></html>"
    assert runs.read(run.folder).digest == run.digest


def test_the_public_form_stands_beside_the_run_and_says_nothing_private(
    secrets: Any, folder: Path, picture: Any
) -> None:
    run = runs.read(folder)
    private = run.spec()
    spec, assessment = redaction.public_form(private), redaction.public_assessment(run.assessment, private)
    public = runs.write_public(run, spec, assessment, [picture], "<html></html>")
    texts = [p.read_bytes() for p in public.rglob("*") if p.is_file()]
    assert [secret for secret in secrets if any(secret.encode() in text for text in texts)] == []
    assert runs.read(public).about["public"] is True
    assert runs.listing(folder.parent.parent, "tank") == (folder,)


def test_a_page_that_still_says_something_private_is_not_written(folder: Path, picture: Any) -> None:
    run = runs.read(folder)
    private = run.spec()
    spec, assessment = redaction.public_form(private), redaction.public_assessment(run.assessment, private)
    with pytest.raises(StoreError, match=r"private text is left in report\.html"):
        runs.write_public(run, spec, assessment, [picture], "<p>As whisper-7 has it</p>")
    assert list(folder.parent.iterdir()) == [folder]


def test_facts_for_the_page_name_a_command_that_repeats_the_run(posterior: Any) -> None:
    told = runs.facts(runs.about(posterior))
    assert told["command"] == "gaugeglass assess observations/tank.yaml --seed 1 --draws 50"


def test_runs_of_one_second_are_listed_as_they_were_written(tmp_path: Path) -> None:
    made = ["20260102T000000Z-c", "20260102T000000Z-a", "20260102T000000Z-b", "20260101T235959Z-z"]
    for k, name in enumerate(made):
        (tmp_path / "tank" / name).mkdir(parents=True)
        file = tmp_path / "tank" / name / "run.json"
        file.write_text("{}")
        os.utime(file, ns=(k, k))
    assert [p.name for p in runs.listing(tmp_path, "tank")] == [made[3], *made[:3]]
