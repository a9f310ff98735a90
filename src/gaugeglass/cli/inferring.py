"""Commands that infer."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gaugeglass.cli.altering import altered_spec, asked_for, what_if_options
from gaugeglass.cli.calibrating import place_options
from gaugeglass.cli.printing import (
    colored,
    load_dossier,
    print_json,
    progress,
    refuse_taken,
    save_pictures,
    say,
    say_private,
    width,
)
from gaugeglass.cli.program import (
    draws_option,
    figures_option,
    file_argument,
    gaugeglass,
    json_option,
    reports_option,
    seed_option,
)
from gaugeglass.cli.recorded import reports_of, show_place, show_run

if TYPE_CHECKING:
    from gaugeglass.inference.fanout import Place
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.findings import Audit
    from gaugeglass.judgement.rankings import Ranking
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.language.spec import Alternative, Candidate, Spec
    from gaugeglass.record.runs import Run

DEMO = "heron-35"
"""The dossier that ``demo`` assesses."""


@gaugeglass.command()
@seed_option
@draws_option
@json_option
@reports_option
def demo(seed: int, draws: int, as_json: bool, reports: Path | None) -> None:
    """Assess the dossier of an invented van, whose truth is known, and keep the run in ./reports."""
    from gaugeglass.language.workspace import shipped

    file = shipped("observations") / f"{DEMO}.yaml"
    near = Path("observations") / file.name
    typed = near if near.is_file() and near.samefile(file) else file
    assess_file(str(typed), seed=seed, draws=draws, as_json=as_json, reports=reports or Path("reports"))


@gaugeglass.command()
@file_argument
@what_if_options
@seed_option
@draws_option
@json_option
@reports_option
@click.pass_context
def infer(context: click.Context, file: str, seed: int, draws: int, as_json: bool, reports: Path | None) -> None:
    """Infer and judge the dossier FILE and record the run; 'report' makes its page later.

    \b
      gaugeglass infer observations/heron-35.yaml
      gaugeglass infer observations/heron-35.yaml --without pack-cell --replace bench-1='198 ± 1 Wh'
      gaugeglass infer observations/heron-35.yaml --prior held_back='{family: beta, mean: 0.05, sd: 0.02}'

    With something otherwise than the files say, which stay as they are, it records an alternative to the latest run of
    the same files and prints what that moved. Where there is no such run, the dossier as it stands is inferred first.
    What would change nothing is refused, and what was asked before with the same seed and draws is shown as recorded.
    'report' and 'publish' show an alternative where it is named, and never as the latest run.
    """  # noqa: D301 - click takes the sign for a paragraph to be left as it is
    if asked := asked_for(context):
        infer_alternative(file, asked, seed=seed, draws=draws, as_json=as_json, reports=reports or reports_of(file))
        return
    run = _record(*infer_spec(load_dossier(file), seed=seed, draws=draws), reports or reports_of(file))
    show_run(run.assessment, run, as_json=as_json)


@gaugeglass.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path())
@click.option(
    "--resume", is_flag=True,
    help="Keep what is done: runs of the same files, seed, draws and version, with their pages.",
)  # fmt: skip
@place_options
@seed_option
@draws_option
@json_option
@reports_option
def assess(
    files: tuple[str, ...], *, place: Place, resume: bool, seed: int, draws: int, as_json: bool, reports: Path | None
) -> int | None:
    """Do the whole job for the dossier FILE: check, infer, judge, audit, rank candidates, record it with its page.

    Several are assessed side by side, in as many processes as there are cores unless told otherwise, and listed in
    reports/index.html. One that fails is listed there too and stops no other; the exit status is the worst of all: 3
    before 4, 5 and 1. After an interruption --resume does what is left. Workers of a cluster find the files, and leave
    the runs, where they are here.
    """
    if len(files) > 1 or place.processes or place.cluster or resume:
        from gaugeglass.cli.assessing import assess_files

        return assess_files(files, seed=seed, draws=draws, as_json=as_json, reports=reports, place=place, resume=resume)
    (file,) = files
    assess_file(file, seed=seed, draws=draws, as_json=as_json, reports=reports or reports_of(file))
    return None


@gaugeglass.command()
@file_argument
@seed_option
@draws_option
@json_option
@figures_option
def audit(file: str, seed: int, draws: int, as_json: bool, figures: Path | None) -> None:
    """Say of the dossier FILE what carries the leading claim, and what would overturn it.

    Each observation, origin and table is left out in turn, and shifted until the claim turns; pairs are held against
    each other, and priors and hypotheses varied. Nothing is recorded.
    """

    def examine(posterior: Posterior, tell: Callable[[str, float], None]) -> Audit:
        from gaugeglass.judgement.audit import audit

        return audit(posterior, progress=tell)

    refuse_taken(figures, ("influence", "tipping", "prior-odds"))
    posterior, found = after_inference(load_dossier(file), examine, seed=seed, draws=draws)
    from gaugeglass.publication.audits import audit_document, audit_text

    if figures is not None:
        from gaugeglass.publication.influences import audit_pictures

        save_pictures(audit_pictures(found, posterior.spec), figures)
        if any(o.private for o in posterior.spec.observations):
            say_private("this shows", f"'gaugeglass assess {file}', then 'gaugeglass publish {file}',")
    if as_json:
        print_json(audit_document(found, posterior.spec))
        return
    click.echo(audit_text(found, posterior.spec, width(), color=colored()))
    if posterior.spec.dossier.candidates or posterior.spec.model.candidates:
        click.echo(f"\nnext: gaugeglass next {file}")


def _finite(context: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is not a finite number", context, parameter)
    return value


@gaugeglass.command("next")
@file_argument
@click.option("--claim", metavar="NAME", help="Ask about this claim or hypothesis.  [default: the first claim]")
@click.option("--quantity", metavar="NAME", help="Ask about this quantity instead of a claim.")
@click.option(
    "--candidate",
    "stated",
    metavar="NAME={...}",
    multiple=True,
    help="Rank this too, stated in braces as in a file: tear='{method: pack_weighing, u: 2 kg, cost: 900}'.",
)
@click.option(
    "--budget", metavar="NUMBER", type=click.FloatRange(min=0), callback=_finite,
    help="Seek the best set that costs no more.",
)  # fmt: skip
@seed_option
@draws_option
@json_option
@figures_option
def next_(
    file: str, *, claim: str | None, quantity: str | None, stated: tuple[str, ...], budget: float | None, seed: int,
    draws: int, as_json: bool, figures: Path | None,
) -> None:  # fmt: skip
    """Say of the dossier FILE which observation to make next.

    Candidates of the dossier, of its model and of the command line are ranked by what each is expected to tell, before
    it is known what would be read. Nothing is recorded.
    """
    spec = load_dossier(file)
    proposed = _proposed(spec, stated)
    _refuse_to_rank(spec, claim, quantity, proposed)
    refuse_taken(figures, ("candidates",))

    def rank(posterior: Posterior, tell: Callable[[str, float], None]) -> Ranking:
        from gaugeglass.judgement.candidates import rank_candidates, spec_candidates

        tell("weighing candidates", 0.0)
        asked = "" if claim is None and quantity is not None else claim
        every = (*proposed, *spec_candidates(spec))
        return rank_candidates(posterior, claim=asked, quantity=quantity, candidates=every, budget=budget)

    _, found = after_inference(spec, rank, seed=seed, draws=draws)
    from gaugeglass.publication.prospects import ranking_document, ranking_text

    if figures is not None:
        from gaugeglass.publication.worths import worth_and_cost

        save_pictures(worth_and_cost(found), figures)
    if as_json:
        print_json(ranking_document(found, spec))
        return
    click.echo(ranking_text(found, width(), color=colored()))


def assess_file(file: str, *, seed: int, draws: int, as_json: bool, reports: Path) -> None:
    """Do the whole job for a dossier and print what came of it."""
    from gaugeglass import record_run
    from gaugeglass.publication.calibrations import damage_texts, elsewhere_text
    from gaugeglass.record import runs

    def examined(posterior: Posterior, tell: Callable[[str, float], None]) -> Path:
        from gaugeglass.judgement.audit import audit
        from gaugeglass.judgement.candidates import rank_candidates, spec_candidates
        from gaugeglass.judgement.verdicts import judge

        assessment, audited = judge(posterior, progress=tell), audit(posterior, progress=tell)
        tell("weighing candidates", 0.0)
        ranking = rank_candidates(posterior) if spec_candidates(posterior.spec) else None
        tell("drawing pictures", 0.0)
        return record_run(posterior, assessment, audited, ranking, reports=reports)

    spec = load_dossier(file)
    beside = runs.calibrations_of(spec, reports)
    for text in damage_texts(beside, file):  # before the work
        say(f"warning: {text}")
    _, folder = after_inference(spec, examined, seed=seed, draws=draws)
    run = runs.read(folder)
    more = [f"more    gaugeglass audit {file}", *([f"        gaugeglass next {file}"] if run.ranking else [])]
    if told := elsewhere_text(beside, file):
        more += ["", told]
    show_run(run.assessment, run, as_json=as_json, more="\n".join(more))
    if any(row.private for row in run.assessment.ledger):
        say_private("this run shows", f"'gaugeglass publish {folder}'")


def infer_alternative(file: str, asked: Alternative, *, seed: int, draws: int, as_json: bool, reports: Path) -> None:
    """Infer a dossier with something otherwise, record that and print what it moved; what is on record is shown."""
    from gaugeglass.record import runs
    from gaugeglass.record.histories import alternative_asked

    spec = load_dossier(file)
    altered = altered_spec(spec, asked)
    parent = runs.parent(spec, reports)
    if parent is None:
        parent = _record(*infer_spec(spec, seed=seed, draws=draws), reports)
        say(f"there was no run of these files yet, so the dossier as it stands was inferred first: {parent.folder}")
    run = alternative_asked(altered, parent, reports, seed=seed, draws=draws)
    if run is not None:
        say("asked before with the same seed and draws: this is the alternative on record, and nothing was recorded")
    else:
        run = _record(*infer_spec(altered, seed=seed, draws=draws), reports, of=parent)
    from gaugeglass.publication.alternatives import alternative_document, alternative_text

    if as_json:
        print_json(alternative_document(run, parent))
        return
    click.echo(alternative_text(run, parent, width(), color=colored()))
    show_place(run)


def _record(posterior: Posterior, assessment: Assessment, reports: Path, *, of: Run | None = None) -> Run:
    """Record a run without its page, and read it."""
    from gaugeglass.record import runs

    return runs.read(runs.write(posterior, assessment, (), None, reports, of=of))


def infer_spec(spec: Spec, *, seed: int, draws: int) -> tuple[Posterior, Assessment]:
    """Infer and judge what was read."""

    def judged(posterior: Posterior, tell: Callable[[str, float], None]) -> Assessment:
        from gaugeglass.judgement.verdicts import judge

        return judge(posterior, progress=tell)

    return after_inference(spec, judged, seed=seed, draws=draws)


def after_inference[T](
    spec: Spec, do: Callable[[Posterior, Callable[[str, float], None]], T], *, seed: int, draws: int
) -> tuple[Posterior, T]:
    """A posterior, and what is made of it while progress is shown."""
    with progress() as tell:
        tell("starting", 0.0)
        from gaugeglass.inference.posterior import infer as infer_all

        posterior = infer_all(spec, seed=seed, draws=draws, progress=tell)
        made = do(posterior, tell)
    if posterior.note:
        say(f"note: {posterior.note}")
    return posterior, made


def _proposed(spec: Spec, stated: Sequence[str]) -> tuple[Candidate, ...]:
    """The candidates that the command line states."""
    named: dict[str, str] = {}
    for written in stated:
        name, sign, text = (part.strip() for part in written.partition("="))
        if not sign or not name:
            raise click.BadParameter(f"{written!r} is not NAME={{...}}", param_hint="'--candidate'")
        if name in named:
            raise click.BadParameter(f"{name!r} is stated twice", param_hint="'--candidate'")
        named[name] = text
    if not named:
        return ()
    from gaugeglass.language.proposals import propose

    return propose(spec, named, file="the command line", place="--candidate ")


def _refuse_to_rank(spec: Spec, claim: str | None, quantity: str | None, proposed: Sequence[Candidate]) -> None:
    """Refuse what cannot be ranked before anything is inferred."""
    if claim is not None and quantity is not None:
        raise click.UsageError("--claim or --quantity, not both")
    asked = [*(c.name for c in spec.model.claims), *(h.name for h in spec.hypotheses if spec.has_rivals)]
    for name, known, what in ((claim, asked, "claim or hypothesis"), (quantity, list(spec.quantities), "quantity")):
        if name is not None and name not in known:
            raise click.UsageError(f"there is no {what} '{name}'; there are: {', '.join(known) or 'none'}")
    if not (proposed or spec.dossier.candidates or spec.model.candidates):
        told = "neither the dossier nor its model has candidates; list them under 'candidates', or state --candidate"
        raise click.UsageError(told)
