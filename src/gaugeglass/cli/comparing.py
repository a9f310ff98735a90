"""Commands that hold runs against each other, against time and against the truth."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gaugeglass.cli.printing import colored, load_dossier, print_json, progress, save_pictures, say, say_private, width
from gaugeglass.cli.program import BUG, STORE, figures_option, gaugeglass, json_option, reports_option
from gaugeglass.cli.recorded import is_run, open_run, place_of, reports_of
from gaugeglass.errors import StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.language.spec import Spec
    from gaugeglass.record.runs import Run

_ALL = "observations"


@gaugeglass.command()
@click.argument("before", metavar="RUN")
@click.argument("now", metavar="RUN")
@click.option("--quick", is_flag=True, help="Say what differs, and do not refit to say what each input did.")
@json_option
@reports_option
def compare(before: str, now: str, quick: bool, as_json: bool, reports: Path | None) -> None:
    """Say what differs between two runs, and which changed input moved which verdict by how much.

    A RUN is its folder; DOSSIER, whose latest run it then is; or DOSSIER@WHICH, in which WHICH is latest, latest~1 (the
    one before it), latest~2 and so on, or the name of a run or the beginning of it. DOSSIER is a name or a file.

    \b
      gaugeglass compare heron-35@latest~1 heron-35@latest
      gaugeglass compare heron-35@20260211T0915 reports/heron-35/20260304T101500Z-1f0c2d3e

    Inputs are changed one after the other in the order in which they became known, and everything is inferred again
    after each: as the runs between the two first had them, and of one run the model first, then what has no date, then
    by date. A share depends on that order, so beside it stands what the change does made first of all and last of all.
    Nothing is recorded.
    """  # noqa: D301 - click takes the sign for a paragraph to be left as it is
    old, new = (open_run(named, reports) for named in (before, now))
    with progress() as tell:
        tell("starting", 0.0)
        from gaugeglass import compare as compare_runs

        found = compare_runs(old.folder, new.folder, refit=not quick, progress=tell)
    from gaugeglass.publication.comparisons import comparison_document, comparison_text

    if shown := next((run for run in (new, old) if _shows_private(run)), None):
        say_private("this shows", f"'gaugeglass publish {shown.folder}'")
    if as_json:
        print_json(comparison_document(found))
        return
    click.echo(comparison_text(found, width(), color=colored()))


@gaugeglass.command()
@click.argument("dossier")
@json_option
@reports_option
@figures_option
def runs(dossier: str, as_json: bool, reports: Path | None, figures: Path | None) -> None:
    """List the runs of DOSSIER, a name or a file: every verdict through time, and what came in between.

    Alternatives stand under the run that they are one to. A run that cannot be read is listed with the reason, and the
    exit status is 5 then.
    """
    from gaugeglass.publication.histories import history_document, history_text
    from gaugeglass.record.histories import history

    place, name = place_of(dossier, reports)
    try:
        found = history(place, name)
    except LookupError as problem:
        raise click.UsageError(str(problem)) from problem
    if figures is not None:
        from gaugeglass.publication.timelines import timeline_pictures

        save_pictures(timeline_pictures(found), figures)
        if any(_shows_private(open_run(str(m.folder), None)) for m in found.all if not m.damage):
            say_private("this shows", "'gaugeglass publish RUN'")
    if as_json:
        print_json(history_document(found))
    else:
        click.echo(history_text(found, width(), color=colored()))
    damaged = [m for m in found.all if m.damage]
    for moment in damaged:
        say(moment.damage)
    if damaged:
        raise click.exceptions.Exit(STORE)


@gaugeglass.command()
@click.argument("dossiers", metavar="[DOSSIER]...", nargs=-1, type=click.Path())
@json_option
@reports_option
@figures_option
def score(dossiers: tuple[str, ...], as_json: bool, reports: Path | None, figures: Path | None) -> None:
    """Score what was claimed against the truth that dossiers state under 'truth', once it is known.

    DOSSIER is a file; without any, all that state a truth in observations/ are scored. Of each the latest run is scored
    that was made before the date of the truth, or the latest of all where the truth has no date.

    \b
      truth: {date: 2026-05-04, source: {title: The maker's manual}, software_limited: true, usable: 66.8 kWh}
    """  # noqa: D301 - as in compare
    from gaugeglass.publication.outcomes import outcomes_document, outcomes_text
    from gaugeglass.record.outcomes import score as score_dossiers

    asked = [(load_dossier(file), reports or reports_of(file)) for file in dossiers] or _with_truth(reports)
    found = score_dossiers(asked)
    if figures is not None:
        from gaugeglass.publication.reliabilities import outcome_pictures

        save_pictures(outcome_pictures(found), figures)
    if as_json:
        print_json(outcomes_document(found))
        return
    click.echo(outcomes_text(found, width(), color=colored()))


# --- what they share ----------------------------------------------------------------------------------------


def run_meant(named: str) -> Path | None:
    """The folder of a run that is given as such, by the name of its dossier or as DOSSIER@WHICH; None of a file."""
    dossier, sign, which = named.rpartition("@")
    if is_run(named):
        return Path(named)
    if named.endswith((".yaml", ".yml")) or (not sign and Path(named).name != named):
        return None
    from gaugeglass.record.histories import find

    try:
        if Path(named).exists():
            return None
        return find(*place_of(dossier if sign else which, None), which if sign else "latest")
    except LookupError as problem:
        if sign:
            raise click.UsageError(str(problem)) from problem
        return None
    except OSError:  # as in is_run
        return None


def check_run(folder: Path, *, as_json: bool) -> None:
    """Hold a run's files against their digests, and the run against its repetition."""
    from gaugeglass.publication.rechecks import recheck_document, recheck_text
    from gaugeglass.record import runs
    from gaugeglass.record.rechecks import damages, held_against

    found = damages(folder)
    if found:
        raise StoreError("\n".join(found))
    run = runs.read(folder)
    posterior, again = _repeated(run)
    told = held_against(run, posterior, again)
    if as_json:
        print_json(recheck_document(told))
    else:
        click.echo(recheck_text(told, width(), color=colored()))
    if told.outcome == "beyond errors":
        raise click.exceptions.Exit(BUG)


def check_calibration(folder: Path, *, as_json: bool) -> None:
    """Hold a calibration's files against their digests."""
    from gaugeglass.publication.rechecks import kept_document, kept_text
    from gaugeglass.record.calibrations import check

    found = check(folder)
    if as_json:
        print_json(kept_document(found))
    else:
        click.echo(kept_text(found, width()))


def _repeated(run: Run) -> tuple[Posterior, Assessment]:
    """What the inputs of a run give today with its seed and settings."""
    spec = run.spec()
    with progress() as tell:
        tell("starting", 0.0)
        from gaugeglass.inference.posterior import infer
        from gaugeglass.judgement.verdicts import judge

        draws = int(run.about["settings"]["draws"])
        posterior = infer(spec, seed=int(run.about["seed"]), draws=draws, progress=tell)
        return posterior, judge(posterior, progress=tell)


def _shows_private(run: Run) -> bool:
    """Whether a run has anything private and is no public form."""
    return not run.about.get("public") and any(row.private for row in run.assessment.ledger)


def _with_truth(reports: Path | None) -> Sequence[tuple[Spec, Path]]:
    """Every dossier of the workspace that states a truth."""
    files = sorted(str(path) for path in Path(_ALL).glob("*.yaml"))
    if not files:
        raise click.UsageError(f"no dossier in {_ALL}/; give one by its file")
    found = [(spec, reports or reports_of(file)) for file in files if (spec := load_dossier(file)).dossier.truth]
    if not found:
        raise click.UsageError(f"no dossier in {_ALL}/ states what came out; add it under 'truth'")
    return found
