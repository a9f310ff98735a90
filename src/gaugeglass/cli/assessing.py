"""Many dossiers assessed through the fan-out, with an index of what each concluded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import print_json, progress, say, width
from gaugeglass.cli.program import BUG, DONE, FAULTY, REFUSED, STORE
from gaugeglass.cli.recorded import make_page, reports_of
from gaugeglass.errors import InferenceError, SpecError, StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.fanout import Place
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.language.spec import Spec
    from gaugeglass.record.runs import Run

BADNESS = (DONE, FAULTY, REFUSED, STORE, BUG)
"""Exit statuses of one assessment from the best to the worst."""


@dataclass(frozen=True)
class Assessing:
    """One dossier after another, each read, assessed and recorded where the files are.

    With ``resume``, what is done already is kept.
    """

    seed: int
    draws: int
    resume: bool = False

    def prepare(self) -> None:
        """Each dossier has a density of its own."""

    def do(self, prepared: None, job: tuple[str, str]) -> dict[str, Any]:
        """What came of one file; what goes wrong is told and ends nothing else."""
        file, reports = job
        empty = {**dict.fromkeys(("dossier", "subject", "sentence", "run", "again"), ""), "kept": False, "warnings": []}
        try:
            return {"file": file, "status": DONE, "message": "", **self._assessed(file, Path(reports))}
        except SpecError as problem:
            return {"file": file, "status": FAULTY, "message": str(problem), **empty}
        except InferenceError as problem:
            return {"file": file, "status": REFUSED, "message": str(problem), **empty}
        except StoreError as problem:
            return {"file": file, "status": STORE, "message": str(problem), **empty}
        except Exception as problem:  # the last resort, so that the others are assessed
            told = f"a bug of gaugeglass: {type(problem).__name__}: {problem}"
            return {"file": file, "status": BUG, "message": told, **empty}

    def _assessed(self, file: str, reports: Path) -> dict[str, Any]:
        from gaugeglass.inference.posterior import infer
        from gaugeglass.language.files import load
        from gaugeglass.publication.calibrations import damage_texts
        from gaugeglass.record import runs

        spec = load(file)
        damages = list(damage_texts(runs.calibrations_of(spec, reports), file))
        kept, again = self._kept(spec, reports) if self.resume else (None, "")
        run = kept or runs.read(record_examined(infer(spec, seed=self.seed, draws=self.draws), reports))
        return {
            "dossier": spec.dossier.name,
            "subject": spec.dossier.subject,
            "sentence": run.assessment.sentence,
            "run": str(run.folder),
            "kept": kept is not None,
            "again": again,
            "warnings": damages,
        }

    def _kept(self, spec: Spec, reports: Path) -> tuple[Run | None, str]:
        """The run that is finished, with its page, which is made where it is missing; else why one is not enough."""
        from gaugeglass.record.indices import finished, shows_calibrations

        run = finished(spec, reports, seed=self.seed, draws=self.draws)
        if run is not None and not shows_calibrations(run):
            return None, f"the page of {run.folder} shows other calibrations than are recorded by now"
        if run is not None and not run.has_page:
            try:
                make_page(run)
            except StoreError:
                return None, f"the page of {run.folder} is lost and does not come out again as it was"
        return run, ""


def assess_files(
    files: Sequence[str], *, seed: int, draws: int, as_json: bool, reports: Path | None, place: Place,
    resume: bool = False,
) -> int:  # fmt: skip
    """Assess dossiers, write an index into each folder of reports, print what came of each; the worst exit status.

    With ``resume``, what is done already is kept.
    """
    from gaugeglass.inference.fanout import fan_out

    jobs = [(file, str(reports or reports_of(file))) for file in dict.fromkeys(files)]
    if place.cluster:  # whose workers stand in folders of their own
        jobs = [(str(Path(file).absolute()), str(Path(folder).absolute())) for file, folder in jobs]
    with progress() as tell:
        tell("starting", 0.0)
        done = fan_out(
            Assessing(seed, draws, resume), jobs, place.or_every_core(),
            advance=lambda count, of: tell(f"dossier {min(count + 1, of)} of {of}", count / of),
        )  # fmt: skip
    for told in dict.fromkeys(text for d in done for text in d["warnings"]):
        say(f"warning: {told}")
    for d in done:
        if d["again"]:
            say(f"{d['file']}: inferred again, for {d['again']}")
    if count := sum(d["kept"] for d in done):
        say(f"kept as done already: {count} of {len(done)}")
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
