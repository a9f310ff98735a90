"""Calibrations on record: written whole, read again, shown with runs of the same bytes, and nothing private in public."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import gaugeglass as gg
from gaugeglass.errors import StoreError
from gaugeglass.judgement.calibration import Truths
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.files import load
from gaugeglass.language.spec import Spec
from gaugeglass.publication.calibrations import calibration_entry
from gaugeglass.record import calibrations, histories, indices, rechecks, redaction, runs
from gaugeglass.record.calibrations import Recorded
from record import examined

FAILED = "as_stated: whisper-7 of Quillfeather is out of its limits"


@pytest.fixture
def spec(workspace: Path) -> Spec:
    return load(workspace / "observations" / "tank.yaml")


def record(spec: Spec, reports: Path, *, truths: Truths = "prior", moment: str = "2026-11-28T20:15:49+00:00",
           more: int = 0) -> Path:  # fmt: skip
    """A calibration of a hundred simulations, or more, on record, without pictures, which take their time."""
    made = Recorded(examined.calibration(spec, truths=truths, failures=more * ("no",)), moment, {"gaugeglass": "1.0"})
    document = calibration_entry(made, spec)
    return calibrations.write(made, document, (), "<html></html>", reports, inputs=runs.input_digests(spec))


def files_of(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


# --- on disk ------------------------------------------------------------------------------------------------


def test_a_calibration_is_recorded_whole_and_read_as_it_was_found(spec: Spec, workspace: Path) -> None:
    found = examined.calibration(spec)
    folder = gg.record_calibration(found, spec, reports=workspace / "reports")
    pictures = [f"figures/calibration-prior-{what}.{form}" for what in ("chances", "inside", "ranks")
                for form in ("json", "png", "svg")]  # fmt: skip
    assert files_of(folder) == ["calibration.json", *pictures, "report.html"]
    assert folder.parent == workspace / "reports" / "tank" / "calibrations"
    assert folder.name.endswith("-prior")
    assert list(folder.parent.iterdir()) == [folder]
    assert calibrations.read(folder).found == found
    document = json.loads((folder / "calibration.json").read_text())
    assert set(document["inputs"]) == {"inputs/models/tank.yaml", "inputs/observations/tank.yaml"}
    assert set(document["versions"]) >= {"gaugeglass", "numpy", "python"}


def test_what_is_no_calibration_of_these_files_is_not_recorded(spec: Spec, workspace: Path) -> None:
    found = examined.calibration(spec)
    with pytest.raises(ValueError, match="a calibration on the dossier 'barrel'"):
        gg.record_calibration(replace(found, dossier="barrel"), spec, reports=workspace)
    with pytest.raises(ValueError, match="an alternative has no calibration"):
        gg.record_calibration(found, gg.alter(spec, without=["public-1"]), reports=workspace)
    assert not (workspace / "tank").exists()


def test_no_listing_takes_it_for_a_run(
    spec: Spec, workspace: Path, posterior: SimpleNamespace, assessment: Assessment
) -> None:
    reports = workspace / "reports"
    record(spec, reports)
    assert runs.listing(reports, "tank") == ()
    assert list(indices.entries(reports)) == []
    with pytest.raises(LookupError, match="no runs of 'tank'"):
        histories.history(reports, "tank")
    run = runs.write(posterior, assessment, (), None, reports)
    assert runs.listing(reports, "tank") == (run,)
    assert runs.parent(spec, reports).folder == run  # type: ignore[union-attr]
    assert histories.find(reports, "tank") == run
    assert [moment.folder for moment in histories.history(reports, "tank").all] == [run]
    assert [entry.run for entry in indices.entries(reports)] == [f"tank/{run.name}"]


@pytest.mark.parametrize("at", range(3))
@pytest.mark.parametrize("problem", [OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), KeyboardInterrupt()])
def test_one_that_is_interrupted_leaves_nothing(
    at: int, problem: BaseException, spec: Spec, workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = iter(range(100))

    def struck(handle: int) -> None:
        if next(count) == at:
            raise problem

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", struck)
        wanted = StoreError if isinstance(problem, OSError) else KeyboardInterrupt
        with pytest.raises(wanted):
            record(spec, workspace / "reports")
    assert list((workspace / "reports" / "tank" / "calibrations").iterdir()) == []
    assert runs.calibrations_of(spec, workspace / "reports") == calibrations.Beside()


def test_two_of_one_second_stand_side_by_side(spec: Spec, workspace: Path) -> None:
    first, second = (record(spec, workspace / "reports") for _ in range(2))
    assert second.name == f"{first.name}-2"
    assert calibrations.read(first).found == calibrations.read(second).found


# --- of the same files --------------------------------------------------------------------------------------


def test_the_latest_of_each_kind_is_found_by_the_bytes_of_the_files(spec: Spec, workspace: Path) -> None:
    reports = workspace / "reports"
    for truths in ("prior", "posterior"):
        for day in (3, 2, 1):
            record(spec, reports, truths=truths, moment=f"2026-11-0{day}T12:00:00+00:00")  # type: ignore[arg-type]
    found = runs.calibrations_of(spec, reports).shown
    assert [(made.found.truths, made.created[:10]) for made in found] == [
        ("prior", "2026-11-03"), ("posterior", "2026-11-03"),
    ]  # fmt: skip
    assert runs.calibrations_of(gg.alter(spec, without=["public-1"]), reports) == calibrations.Beside()
    file = workspace / "observations" / "tank.yaml"
    file.write_text(f"{file.read_text()}# one more byte\n")
    assert runs.calibrations_of(load(file), reports) == calibrations.Beside(elsewhere="2026-11-03T12:00:00+00:00")


def test_a_dossier_made_in_python_has_none(spec: Spec, workspace: Path) -> None:
    record(replace(spec, texts={}), workspace / "reports")
    assert runs.calibrations_of(replace(spec, texts={}), workspace / "reports") == calibrations.Beside()


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('"simulations": 100', '"simulations": 900', "is not as it was written"),
        ('"inputs": {', '"input": {', "is not as it was written"),
        ("gaugeglass.calibration/1", "gaugeglass.calibration/9", "a newer gaugeglass wrote it"),
        ("{", "", "calibration.json is damaged"),
    ],
)
def test_a_damaged_one_is_passed_over_and_told_of(
    before: str, after: str, said: str, spec: Spec, workspace: Path
) -> None:
    reports = workspace / "reports"
    folder = record(spec, reports)
    file = folder / "calibration.json"
    file.write_text(file.read_text().replace(before, after, 1))
    with pytest.raises(StoreError, match=said):
        calibrations.read(folder)
    with pytest.raises(StoreError, match=said):
        calibrations.check(folder)
    found = runs.calibrations_of(spec, reports)
    assert found.shown == ()
    (damage,) = found.damages
    assert (damage.folder, damage.truths) == (folder, "prior")
    assert said in damage.why
    stated = re.search(r'"simulations": (\d+)', file.read_text())
    assert stated is not None
    assert (damage.simulations, damage.seed) == (int(stated[1]), 1)
    older = record(spec, reports, moment="2026-11-01T00:00:00+00:00")
    found = runs.calibrations_of(spec, reports)
    assert [made.created for made in found.shown] == [calibrations.read(older).created]
    assert found.damages == (damage,)
    later = record(spec, reports, moment="2026-12-01T00:00:00+00:00")
    found = runs.calibrations_of(spec, reports)
    assert [made.created for made in found.shown] == [calibrations.read(later).created]
    assert found.damages == ()


def test_every_file_of_one_is_held_against_its_digest(spec: Spec, workspace: Path) -> None:
    folder = gg.record_calibration(examined.calibration(spec), spec, reports=workspace / "reports")
    digest = json.loads((folder / "calibration.json").read_text())["digest"]
    assert calibrations.check(folder) == calibrations.Kept(str(folder), digest, 11, ())
    (folder / "notes.txt").write_text("mine")
    assert calibrations.check(folder).unlisted == ("notes.txt",)
    (folder / "report.html").write_text("<p>Right as often as it says</p>")
    (folder / "figures" / "calibration-prior-inside.svg").unlink()
    with pytest.raises(StoreError) as refused:
        calibrations.check(folder)
    assert str(refused.value).splitlines() == [
        f"{folder}/figures/calibration-prior-inside.svg is missing",
        f"{folder}/report.html is not as it was written: its digest differs from that in calibration.json",
    ]


def test_the_one_with_most_simulations_is_shown(spec: Spec, workspace: Path) -> None:
    """A quick look after a long night does not hide what the night found."""
    long = record(spec, workspace / "reports", more=20)
    record(spec, workspace / "reports", moment="2026-12-01T00:00:00+00:00")
    (shown,) = runs.calibrations_of(spec, workspace / "reports").shown
    assert shown.created == calibrations.read(long).created
    again = record(spec, workspace / "reports", moment="2026-12-02T00:00:00+00:00", more=20)
    (shown,) = runs.calibrations_of(spec, workspace / "reports").shown
    assert shown.created == calibrations.read(again).created


# --- in a run -----------------------------------------------------------------------------------------------


@pytest.fixture
def run(spec: Spec, posterior: SimpleNamespace, assessment: Assessment, picture: Any, workspace: Path) -> runs.Run:
    """A run that shows a calibration, some simulations of which failed for private reasons."""
    made = Recorded(examined.calibration(spec, failures=[FAILED]), "2026-11-28T20:15:49+00:00", {"gaugeglass": "1.0"})
    shown = runs.Examined(calibrations=(calibration_entry(made, spec),))
    return runs.read(
        runs.write(posterior, assessment, [picture], "<html></html>", workspace / "reports", examined=shown)
    )


def test_a_run_holds_what_its_page_shows(run: runs.Run, spec: Spec, workspace: Path) -> None:
    shutil.rmtree(workspace / "observations")
    (made,) = run.calibrations()
    assert made.found == examined.calibration(spec, failures=[FAILED])
    assert made.created == "2026-11-28T20:15:49+00:00"
    assert "calibration.json" in run.about["files"]
    assert rechecks.damages(run.folder) == ()


def test_damage_to_it_is_found_by_the_digest_of_the_run(run: runs.Run) -> None:
    file = run.folder / "calibration.json"
    file.write_text(file.read_text().replace('"inside": ', '"inside": 1', 1))
    with pytest.raises(StoreError, match=r"calibration\.json is not as it was written"):
        runs.read(run.folder)
    assert [str(file) in damage for damage in rechecks.damages(run.folder)] == [True]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('"inside": ', '"inside": 1', "its digest differs from that of what it says"),
        ("gaugeglass.calibrations/1", "gaugeglass.calibrations/2", "a newer gaugeglass wrote it"),
        ('"calibrations": ', '"calibration": ', "holds no list of calibrations"),
    ],
)
def test_one_that_was_added_with_the_page_is_guarded_by_its_own(
    before: str, after: str, said: str, posterior: SimpleNamespace, assessment: Assessment, spec: Spec, workspace: Path
) -> None:
    run = runs.read(runs.write(posterior, assessment, (), None, workspace / "reports"))
    made = Recorded(examined.calibration(spec), "2026-11-28T20:15:49+00:00", {})
    runs.add_page(run, (), "<html></html>", shown=[calibration_entry(made, spec)])
    assert [one.found for one in runs.read(run.folder).calibrations()] == [made.found]
    file = run.folder / "calibration.json"
    file.write_text(file.read_text().replace(before, after, 1))
    with pytest.raises(StoreError, match=said):
        runs.read(run.folder)


# --- in public ----------------------------------------------------------------------------------------------


def test_in_public_failures_are_only_counted(spec: Spec, secrets: tuple[str, ...]) -> None:
    made = Recorded(examined.calibration(spec, failures=[FAILED] * 3), "", {})
    public = redaction.public_calibration(made, spec)
    assert public.found.failures == ("withheld",) * 3
    assert replace(public.found, failures=made.found.failures) == made.found
    told = repr(calibration_entry(public, redaction.public_form(spec)))
    assert [secret for secret in secrets if secret in told] == []
    open_ones = tuple(replace(o, private=False) for o in spec.dossier.observations)
    all_open = replace(spec, dossier=replace(spec.dossier, observations=open_ones))
    assert redaction.public_calibration(made, all_open) == made


def test_a_public_form_that_would_say_why_one_failed_is_not_written(run: runs.Run, picture: Any) -> None:
    private = run.spec()
    public, assessment = redaction.public_form(private), redaction.public_assessment(run.assessment, private)

    def written(shown: Recorded) -> Path:
        examined = runs.Examined(calibrations=(calibration_entry(shown, public),))
        return runs.write_public(run, public, assessment, [picture], "<html></html>", examined=examined)

    (made,) = run.calibrations()
    with pytest.raises(StoreError, match=r"private text is left in calibration\.json"):
        written(made)
    folder = written(redaction.public_calibration(made, private))
    assert runs.read(folder).calibrations()[0].found.failures == ("withheld",)


def test_a_public_page_shows_the_calibration_and_nothing_private(spec: Spec, workspace: Path, secrets: Any) -> None:
    reports = workspace / "reports"
    found = examined.calibration(spec, failures=[FAILED])
    own = gg.record_calibration(found, spec, reports=reports)
    posterior = gg.infer(spec, seed=1)
    run = gg.record_run(posterior, gg.judge(posterior), reports=reports)
    assert "whisper-7 of Quillfeather" in (run / "report.html").read_text()
    shutil.rmtree(own)  # a run shows it again without looking elsewhere
    public = gg.make_public(run)
    page = (public / "report.html").read_text()
    assert "1 of 101 simulations could not be inferred within limits and do not count." in page
    assert 'id="calibration"' in page
    texts = {path: path.read_bytes() for path in public.rglob("*") if path.is_file()}
    assert [(s, path.name) for s in secrets for path, text in texts.items() if s.encode() in text] == []
    assert (public / "figures" / "calibration-prior-inside.svg").is_file()
    document = json.loads((public / "calibration.json").read_text())
    assert "inputs" not in document["calibrations"][0]
