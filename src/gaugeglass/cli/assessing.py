"""Many dossiers assessed through the fan-out, with an index of what each concluded."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import print_json, progress, width
from gaugeglass.cli.program import BUG, DONE, FAULTY, REFUSED, STORE
from gaugeglass.cli.recorded import reports_of
from gaugeglass.errors import InferenceError, SpecError, StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.fanout import Place
    from gaugeglass.inference.posterior import Posterior

BADNESS = (DONE, FAULTY, REFUSED, STORE, BUG)
"""Exit statuses of one assessment from the best to the worst."""


@dataclass(frozen=True)
class Assessing:
    """One dossier after another, each read, assessed and recorded where the files are."""

    seed: int
    draws: int

    def prepare(self) -> None:
        """Each dossier has a density of its own."""

    def do(self, prepared: None, job: tuple[str, str]) -> dict[str, Any]:
        """What came of one file; what goes wrong is told and ends nothing else."""
        file, reports = job
        empty = dict.fromkeys(("dossier", "subject", "sentence", "run"), "")
        try:
            return {"file": file, "status": DONE, "message": "", **_assessed(file, reports, self.seed, self.draws)}
        except SpecError as problem:
            return {"file": file, "status": FAULTY, "message": str(problem), **empty}
        except InferenceError as problem:
            return {"file": file, "status": REFUSED, "message": str(problem), **empty}
        except StoreError as problem:
            return {"file": file, "status": STORE, "message": str(problem), **empty}
        except Exception as problem:  # the last resort, so that the others are assessed
            told = f"a bug of gaugeglass: {type(problem).__name__}: {problem}"
            return {"file": file, "status": BUG, "message": told, **empty}


def _assessed(file: str, reports: str, seed: int, draws: int) -> dict[str, str]:
    from gaugeglass.inference.posterior import infer
    from gaugeglass.language.files import load

    posterior = infer(load(file), seed=seed, draws=draws)
    folder = record_examined(posterior, Path(reports))
    return {
        "dossier": posterior.spec.dossier.name,
        "subject": posterior.spec.dossier.subject,
        "sentence": _sentence(folder),
        "run": str(Path(reports, *folder.parts[-2:])),
    }


def _sentence(folder: Path) -> str:
    from gaugeglass.record import runs

    return runs.read(folder).assessment.sentence


def assess_files(
    files: Sequence[str], *, seed: int, draws: int, as_json: bool, reports: Path | None, place: Place
) -> int:
    """Assess dossiers, write an index into each folder of reports, print what came of each; the worst exit status."""
    from gaugeglass.inference.fanout import HERE, Place, fan_out

    jobs = [(file, str(reports or reports_of(file))) for file in dict.fromkeys(files)]
    if place.cluster:  # whose workers stand in folders of their own
        jobs = [(str(Path(file).absolute()), str(Path(folder).absolute())) for file, folder in jobs]
    own = Place(processes=os.process_cpu_count() or 1) if place == HERE else place  # pictures are drawn by one thread
    with progress() as tell:
        tell("starting", 0.0)
        done = fan_out(
            Assessing(seed, draws), jobs, own,
            advance=lambda count, of: tell(f"dossier {min(count + 1, of)} of {of}", count / of),
        )  # fmt: skip
    indices = [_indexed(Path(folder), jobs, done) for folder in dict.fromkeys(folder for _, folder in jobs)]
    from gaugeglass.publication.indices import assessments_document, assessments_text

    if as_json:
        print_json(assessments_document(done, indices))
    else:
        click.echo(assessments_text(done, indices, width()))
    return max((int(d["status"]) for d in done), key=BADNESS.index)


def _indexed(reports: Path, jobs: Sequence[tuple[str, str]], done: Sequence[dict[str, Any]]) -> Path:
    """The index of one folder of reports, with those of the files that were to be recorded there and could not be."""
    from gaugeglass.publication.indices import index_page
    from gaugeglass.record.indices import entries, write_index

    own = zip(jobs, done, strict=True)
    failures = [(d["file"], d["message"]) for (_, folder), d in own if Path(folder) == reports and d["message"]]
    found = list(entries(reports)) if reports.is_dir() else []
    return write_index(reports, index_page(found, failures))


def record_examined(posterior: Posterior, reports: Path) -> Path:
    """Judge, audit, rank candidates and record a posterior with its page; the run's folder is returned."""
    from gaugeglass import record_run
    from gaugeglass.judgement.audit import audit
    from gaugeglass.judgement.candidates import rank_candidates, spec_candidates
    from gaugeglass.judgement.verdicts import judge

    assessment, audited = judge(posterior), audit(posterior)
    ranking = rank_candidates(posterior) if spec_candidates(posterior.spec) else None
    return record_run(posterior, assessment, audited, ranking, reports=reports)
