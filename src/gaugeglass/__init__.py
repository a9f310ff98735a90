"""Inference from public scraps: hidden quantities, rival explanations, honest verdicts.

``load`` reads a dossier, ``infer`` weighs its evidence, ``judge`` says what follows, ``publish`` records it. Nothing
slow is imported before it is used.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gaugeglass.errors import Fault, InferenceError, SpecError, StoreError
    from gaugeglass.inference.posterior import Posterior, infer
    from gaugeglass.judgement.audit import audit
    from gaugeglass.judgement.calibration import Calibration, Truths
    from gaugeglass.judgement.candidates import rank_candidates
    from gaugeglass.judgement.findings import Audit
    from gaugeglass.judgement.paths import Path as Trail
    from gaugeglass.judgement.pools import Pool
    from gaugeglass.judgement.rankings import Ranking
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.judgement.verdicts import judge
    from gaugeglass.language.alternatives import alter
    from gaugeglass.language.files import check, load, specify
    from gaugeglass.language.spec import Spec
    from gaugeglass.language.writing import add, withdraw
    from gaugeglass.publication.handing import Handout
    from gaugeglass.record.calibrations import Recorded
    from gaugeglass.record.changes import Comparison
    from gaugeglass.record.histories import History
    from gaugeglass.record.outcomes import Outcomes
    from gaugeglass.record.runs import Examined, Run

__all__ = [
    "Assessment",
    "Audit",
    "Calibration",
    "Comparison",
    "Fault",
    "History",
    "InferenceError",
    "Outcomes",
    "Posterior",
    "Ranking",
    "Spec",
    "SpecError",
    "StoreError",
    "add",
    "alter",
    "audit",
    "calibrate",
    "check",
    "compare",
    "history",
    "infer",
    "judge",
    "load",
    "make_public",
    "publish",
    "rank_candidates",
    "record_calibration",
    "record_run",
    "score",
    "specify",
    "withdraw",
    "write_article",
    "write_frames",
]

_HOMES = {
    "Assessment": "judgement.results",
    "Audit": "judgement.findings",
    "Calibration": "judgement.calibration",
    "Comparison": "record.changes",
    "Fault": "errors",
    "History": "record.histories",
    "InferenceError": "errors",
    "Outcomes": "record.outcomes",
    "Posterior": "inference.posterior",
    "Ranking": "judgement.rankings",
    "Spec": "language.spec",
    "SpecError": "errors",
    "StoreError": "errors",
    "add": "language.writing",
    "alter": "language.alternatives",
    "audit": "judgement.audit",
    "check": "language.files",
    "infer": "inference.posterior",
    "judge": "judgement.verdicts",
    "load": "language.files",
    "rank_candidates": "judgement.candidates",
    "specify": "language.files",
    "withdraw": "language.writing",
}


def calibrate(
    of: Spec | Posterior, *, simulations: int = 200, truths: Truths = "prior", seed: int = 1,
    processes: int | None = None, cluster: str | None = None, keep: str | Path | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Calibration:  # fmt: skip
    """Say whether the engine is right as often as it says, on the evidence that a dossier has.

    Truths are drawn, the dossier's own evidence is simulated from each, and all is inferred again.

    Parameters
    ----------
    of
        What ``load`` or ``infer`` gave.
    simulations
        Truths drawn. [1]
    truths
        Drawn of the ``prior``, over all that the model thinks possible, or of the ``posterior``, about where the
        observed evidence leads.
    processes, cluster
        How many processes of this machine do the work, or the address of a Dask cluster; without either threads of
        this process do. The numbers are the same on one kind of machine.
    keep
        A folder that keeps simulations as they are done, so that the same call goes on where it was interrupted.
    progress
        Called with what is being done and the share of it that is done. [1]

    Raises
    ------
    InferenceError
        If an inference is refused, or a cluster does not answer.
    StoreError
        If the folder keeps simulations of something else, or cannot be written.
    ValueError
        If both processes and a cluster are named.
    """
    from gaugeglass.inference.fanout import Place
    from gaugeglass.judgement import calibration
    from gaugeglass.record.partials import open_partial

    place = Place(processes, cluster)
    kept = keep and open_partial(Path(keep), calibration.identity(of, truths=truths, seed=seed))
    return calibration.calibrate(
        of, simulations=simulations, truths=truths, seed=seed, place=place, kept=kept or None, progress=progress
    )


def publish(
    posterior: Posterior, assessment: Assessment, audit: Audit | None = None, ranking: Ranking | None = None, *,
    reports: str | Path = "reports",
) -> Path:  # fmt: skip
    """Record the run, and beside it the public form, in which whatever is private is redacted.

    Parameters are those of ``record_run``, and so is what it raises; SpecError where a private text also stands in a
    part that is not private.

    Returns
    -------
    Path
        The folder of the public form; the page in it is ``report.html``.
    """
    return make_public(record_run(posterior, assessment, audit, ranking, reports=reports))


def make_public(run: str | Path) -> Path:
    """Make the public form of the run in a folder, beside it, from what was recorded; its folder is returned."""
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.publication.reckonings import recorded_pictures
    from gaugeglass.record import redaction, runs

    own = runs.read(Path(run))
    private = own.spec()
    spec, assessment = redaction.public_form(private), redaction.public_assessment(own.assessment, private)
    audit = own.audit and redaction.public_audit(own.audit, private)
    ranking = own.ranking and redaction.public_ranking(own.ranking, private)
    pool = own.pool()
    public_pool = pool and redaction.public_pool(pool, private)
    beside = runs.calibrations_beside(own)
    made_before = own.calibrations() if (own.folder / "report.html").is_file() else beside.shown
    shown = [redaction.public_calibration(made, private) for made in made_before]
    drawn = [*pictures(spec, assessment, *own.draws(), audit=audit, ranking=ranking), *recorded_pictures(shown, spec)]
    told = runs.facts(runs.public_about(own, spec))
    text = page(
        spec, assessment, drawn, told, pool=public_pool, audit=audit, ranking=ranking, calibrations=shown,
        elsewhere=beside.elsewhere,
    )  # fmt: skip
    examined = _examined(spec, audit, ranking, public_pool, shown)
    return runs.write_public(own, spec, assessment, drawn, text, examined=examined)


def write_article(run: str | Path, into: str | Path, *, private: bool = False) -> Path:
    """Write what a run concluded as an article in Markdown, with its picture, into a folder.

    Parameters
    ----------
    run
        The folder of a recorded run.
    into
        The folder to write to, made where it is not there; what stands in it stays as it is.
    private
        Whether to show what is private, which is redacted otherwise.

    Returns
    -------
    Path
        The article.

    Raises
    ------
    StoreError
        If something of the same name is there, or the article cannot be written.
    SpecError
        If a private text also stands in a part that is not private.
    """
    from gaugeglass.publication import articles, frames
    from gaugeglass.record.handouts import hand_out

    told = _told(Path(run), private=private)
    figure = frames.verdict_figure(told.spec, told.assessment, told.ends())
    text = articles.article(told.spec, told.assessment, figure, told.reproduction)
    told.refuse_leaks({articles.FILE: text})
    hand_out({articles.FILE: text.encode(), articles.PICTURE: figure.png["wide"]}, Path(into))
    return Path(into) / articles.FILE


def write_frames(
    run: str | Path, into: str | Path, *, private: bool = False, progress: Callable[[str, float], None] | None = None
) -> Path:
    """Draw figures for screens and a numbered sequence of frames in which the evidence joins, into a folder.

    Each step between the first and the last is inferred anew. Parameters are those of ``write_article``, and so is what
    it raises; ``progress`` is called with what is being done and the share of it that is done. [1]

    Returns
    -------
    Path
        ``frames.json``, which says what every picture shows; ``figures/`` and ``frames/`` stand beside it.
    """
    from gaugeglass.publication import frames
    from gaugeglass.record.handouts import hand_out

    told = _told(Path(run), private=private)
    files = frames.files(told.spec, told.assessment, told.steps(progress), told.reproduction)
    told.refuse_leaks({"frames.json": files["frames.json"].decode(), "names": "\n".join(files)})
    hand_out(files, Path(into))
    return Path(into) / "frames.json"


def _told(run: Path, *, private: bool) -> Handout:
    from gaugeglass.publication.handing import Handout

    return Handout.of(run, private=private)


def _examined(
    spec: Spec, audit: Audit | None, ranking: Ranking | None, pool: Pool | None, shown: Sequence[Recorded]
) -> Examined:
    """What is recorded beside an assessment."""
    from gaugeglass.publication.audits import audit_document
    from gaugeglass.publication.calibrations import calibration_entry
    from gaugeglass.publication.prospects import ranking_document
    from gaugeglass.record.runs import Examined

    audited = None if audit is None else audit_document(audit, spec)
    ranked = None if ranking is None else ranking_document(ranking, spec)
    return Examined(audited, ranked, pool, tuple(calibration_entry(made, spec) for made in shown))


def record_run(
    posterior: Posterior, assessment: Assessment, audit: Audit | None = None, ranking: Ranking | None = None, *,
    reports: str | Path = "reports",
) -> Path:  # fmt: skip
    """Draw the pictures, write the page and record the run, private parts and all.

    What ``alter`` gave is recorded as an alternative to the latest run of the same files, if there is one. Of anything
    else the page shows the latest calibrations that ``record_calibration`` recorded of the same files; one that is
    damaged is passed over.

    Parameters
    ----------
    posterior, assessment
        What ``infer`` and ``judge`` gave.
    audit, ranking
        What ``audit`` and ``rank_candidates`` gave; the page has a section for each that is handed over, and what an
        audit drew lets readers question it.
    reports
        The folder of reports, in which the run gets a folder of its own.

    Returns
    -------
    Path
        The run's folder; the page in it is ``report.html``.

    Raises
    ------
    StoreError
        If the run cannot be written.
    """
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.publication.reckonings import recorded_pictures
    from gaugeglass.record import runs

    spec = posterior.spec
    of = runs.parent(spec, Path(reports)) if spec.alternative else None
    pool = audit.pool if audit else None
    beside = runs.calibrations_of(spec, Path(reports))
    shown = beside.shown
    known = (posterior.prior_mixture, posterior.mixture)
    drawn = [*pictures(spec, assessment, *known, audit=audit, ranking=ranking), *recorded_pictures(shown, spec)]
    told = runs.about(posterior, of=of)
    text = page(
        spec, assessment, drawn, runs.facts(told), pool=pool, audit=audit, ranking=ranking, calibrations=shown,
        elsewhere=beside.elsewhere,
    )  # fmt: skip
    examined = _examined(spec, audit, ranking, pool, shown)
    return runs.write(posterior, assessment, drawn, text, Path(reports), of=of, examined=examined, told=told)


def record_calibration(found: Calibration, spec: Spec, *, reports: str | Path = "reports") -> Path:
    """Draw the pictures of a calibration, write its page and record it, for runs of the same files to show.

    Parameters
    ----------
    found
        What ``calibrate`` gave.
    spec
        What it was calibrated on, as ``load`` read it.
    reports
        The folder of reports, in which the calibration gets a folder of its own.

    Returns
    -------
    Path
        The calibration's folder; the page in it is ``report.html``.

    Raises
    ------
    StoreError
        If the calibration cannot be written.
    ValueError
        If it is of another dossier, or the spec is an alternative, which no run shows a calibration of.
    """
    from gaugeglass.publication.calibration_page import calibration_page
    from gaugeglass.publication.calibrations import calibration_document
    from gaugeglass.publication.reckonings import calibration_pictures
    from gaugeglass.record import calibrations, runs

    if found.dossier != spec.dossier.name:
        raise ValueError(f"a calibration on the dossier {found.dossier!r}, and a spec of {spec.dossier.name!r}")
    if spec.alternative is not None:
        raise ValueError("an alternative has no calibration: calibrate on the files as they are")
    made = calibrations.made_now(found)
    drawn = list(calibration_pictures(found, spec))
    text, inputs = calibration_page(spec, made, drawn), runs.input_digests(spec)
    return calibrations.write(made, calibration_document(found, spec), drawn, text, Path(reports), inputs=inputs)


def history(dossier: str, *, reports: str | Path = "reports") -> History:
    """Every run of a dossier: where it is, what was held then, and what came since the run before it.

    Parameters
    ----------
    dossier
        Its name.
    reports
        The folder of reports that its runs are in.

    Returns
    -------
    History
        ``moments`` holds the runs, oldest first, alternatives under the run that each is one to. A run that cannot be
        read says why in its ``damage``.

    Raises
    ------
    LookupError
        If there are no runs of it.
    """
    from gaugeglass.record import histories

    return histories.history(Path(reports), dossier)


def compare(
    before: str | Path, now: str | Path, *, refit: bool = True, progress: Callable[[str, float], None] | None = None
) -> Comparison:
    """Say what differs between two runs, and which changed input moved which verdict by how much.

    Parameters
    ----------
    before, now
        The folders of two recorded runs, as ``record_run`` returns them and ``history`` lists them.
    refit
        Whether to infer anew after each change, with the seed of the second; ``path`` is None otherwise.
    progress
        Called with what is being done and the share of it that is done. [1]

    Returns
    -------
    Comparison
        ``files`` says what differs to the field, ``moves`` what that moved on record, ``path`` what each input did:
        in steps, each with its share of every claim's probability [1]. Where a refit is refused or a run keeps no
        inputs, ``path`` is None and ``message`` says why.

    Raises
    ------
    StoreError
        If a run is damaged or none.
    """
    from gaugeglass.record import runs
    from gaugeglass.record.changes import compared

    old, new = (runs.read(Path(run)) for run in (before, now))
    path, message = _path(old, new, progress) if refit and old.digest != new.digest else (None, "")
    return compared(old, new, path, message)


def _path(before: Run, now: Run, progress: Callable[[str, float], None] | None) -> tuple[Trail | None, str]:
    """What each changed input did, or why that is not known."""
    from gaugeglass.errors import InferenceError, StoreError
    from gaugeglass.judgement.paths import attribute
    from gaugeglass.record.histories import between

    try:
        specs = [run.spec() for run in (before, now)]
        seed = int(now.about["seed"])
        return attribute(*specs, between=between(before, now), seed=seed, progress=progress), ""
    except StoreError as problem:
        return None, str(problem)
    except InferenceError as problem:
        return None, f"a refit along the path was refused: {problem}"


def score(dossiers: Sequence[Spec], *, reports: str | Path = "reports") -> Outcomes:
    """Score what was claimed against the truth that dossiers state.

    Of each the latest run is scored that was made before the truth was known.

    Parameters
    ----------
    dossiers
        What ``load`` gave of each.
    reports
        The folder of reports that their runs are in.

    Returns
    -------
    Outcomes
        ``brier`` [1] and ``log_score`` [nat] of the claims beside what the priors alone score, the same of hypotheses,
        how many printed intervals hold the truth, each dossier's own, and why others are not scored.

    Raises
    ------
    StoreError
        If a run that is to be scored is damaged.
    """
    from gaugeglass.record import outcomes

    return outcomes.score([(spec, Path(reports)) for spec in dossiers])


def _represent() -> None:
    """Let results show themselves in a notebook; only here is there someone who knows both results and tables."""
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.results import Assessment

    Assessment._repr_html_ = _shown("assessment_html")  # type: ignore[attr-defined]
    Posterior._repr_html_ = _shown("posterior_html")  # type: ignore[attr-defined]


def _shown(table: str) -> Callable[[object], str]:
    def show(result: object) -> str:
        from gaugeglass.publication import tables

        html: str = getattr(tables, table)(result)
        return html

    return show


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'gaugeglass' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"gaugeglass.{_HOMES[name]}"), name)
    globals()[name] = value
    if name in ("infer", "judge"):
        _represent()
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, *globals()})
