"""Commands that read what was recorded."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gaugeglass.cli.handing import hand_out, handing_options, refuse_options_of_handouts
from gaugeglass.cli.printing import colored, load_dossier, print_json, say, width
from gaugeglass.cli.program import gaugeglass, json_option, reports_option

if TYPE_CHECKING:
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.record.runs import Run


@gaugeglass.command()
@click.argument("run_or_dossier")
@handing_options
@json_option
@reports_option
def report(
    run_or_dossier: str, form: str, into: Path | None, private: bool, as_json: bool, reports: Path | None
) -> None:
    """Show a run again, or the latest one of a dossier, and make its page if it has none yet.

    It is named as for 'compare': by its folder, as DOSSIER, or as DOSSIER@WHICH.

    \b
      gaugeglass report heron-35
      gaugeglass report heron-35@latest~1
      gaugeglass report heron-35 --format md
      gaugeglass report heron-35 --format png --into film

    As md it writes an article in Markdown with its picture; as png single figures, wide and square, and a numbered
    sequence of frames: what is known before any evidence, as each piece of it joins in order of date, and in the end.
    Both show what the public form shows, unless --private is given.
    """  # noqa: D301 - click takes the sign for a paragraph to be left as it is
    refuse_options_of_handouts(form, into, private=private)
    run = open_run(run_or_dossier, reports, without_page=form == "html")
    if form != "html":
        hand_out(run, form, into, private=private, as_json=as_json)
        return
    if not run.has_page:
        _say_damages(run)
        make_page(run)
    show_run(run.assessment, run, as_json=as_json)


@gaugeglass.command()
@click.argument("run_or_dossier")
@json_option
@reports_option
def publish(run_or_dossier: str, as_json: bool, reports: Path | None) -> None:
    """Make the public form of a run, or of the latest one of a dossier, beside it; it is named as for 'report'.

    Whatever is private is redacted in it everywhere, the copies of the inputs included. The digest that is printed
    proves, once posted in public, what was claimed when.
    """
    from gaugeglass import make_public
    from gaugeglass.record import runs

    public = runs.read(make_public(open_run(run_or_dossier, reports).folder))
    if as_json:
        told = {"folder": str(public.folder), "page": str(public.folder / "report.html"), "digest": public.digest}
        print_json({"format": "gaugeglass.publication/1", **told})
        return
    show_alternative(public)
    click.echo(public.assessment.sentence)
    click.echo(f"\npage    {public.folder / 'report.html'}\ndigest  sha256:{public.digest}")


def open_run(named: str, reports: Path | None, *, without_page: bool = False) -> Run:
    """The run that is named: by its folder, or by its dossier and perhaps which run of that it is.

    With ``without_page``, its page may be missing.
    """
    from gaugeglass.record import runs
    from gaugeglass.record.histories import find

    if (Path(named) / "run.json").is_file():
        return runs.read(Path(named), without_page=without_page)
    if is_calibration(named):
        page = Path(named) / "report.html"
        where = f"its page is {page}" if page.is_file() else f"its page is missing; see 'gaugeglass check {named}'"
        raise click.UsageError(f"{named} is a calibration and no run; {where}")
    dossier, sign, which = named.rpartition("@")
    place, name = place_of(dossier if sign else which, reports)
    try:
        return runs.read(find(place, name, which if sign else "latest"), without_page=without_page)
    except LookupError as problem:
        raise click.UsageError(str(problem)) from problem


def is_run(path: str) -> bool:
    """Whether a path is the folder of a run, whole or not."""
    return any((Path(path) / name).is_file() for name in ("run.json", "result.json", "posterior.nc"))


def is_calibration(path: str) -> bool:
    """Whether a path is the folder of a calibration by itself, and not of a run that shows one."""
    return (Path(path) / "calibration.json").is_file() and not is_run(path)


def place_of(dossier: str, reports: Path | None) -> tuple[Path, str]:
    """The folder of reports and the name of a dossier that is given by its name or its file."""
    if Path(dossier).is_file():
        return reports or reports_of(dossier), load_dossier(dossier).dossier.name
    return reports or Path("reports"), Path(dossier).name


def reports_of(file: str) -> Path:
    """The folder of reports of a dossier's workspace, as short as it can be typed."""
    folder = Path(file).parent
    return folder.parent / "reports" if folder.name == "observations" else Path("reports")


def _say_damages(run: Run) -> None:
    """Say which calibrations beside a run cannot be shown."""
    from gaugeglass.publication.calibrations import damage_texts
    from gaugeglass.record import runs

    for text in damage_texts(runs.calibrations_beside(run), f"observations/{run.about['file']}"):
        say(f"warning: {text}")


def make_page(run: Run) -> None:
    """Give a recorded run its pictures and its page, or one that lost its page that page again."""
    from gaugeglass.publication.calibrations import calibration_entry
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.publication.reckonings import recorded_pictures
    from gaugeglass.record import runs

    spec = run.spec()
    audit, ranking = run.audit, run.ranking
    beside = runs.calibrations_beside(run)
    shown = beside.shown if run.page_digest is None else run.calibrations()
    drawn = [*pictures(spec, run.assessment, *run.draws(), audit=audit, ranking=ranking),
             *recorded_pictures(shown, spec)]  # fmt: skip
    told = runs.facts(run.about)
    text = page(
        spec, run.assessment, drawn, told, pool=run.pool(), audit=audit, ranking=ranking, calibrations=shown,
        elsewhere=beside.elsewhere,
    )  # fmt: skip
    runs.add_page(run, drawn, text, shown=[calibration_entry(made, spec) for made in shown])


def show_run(assessment: Assessment, run: Run, *, as_json: bool, more: str = "") -> None:
    """Print what a run concluded, how to learn ``more`` of that, and where it is kept."""
    if as_json:
        told = {"alternative": run.alternative} if run.alternative else {}
        print_json({**json.loads((run.folder / "result.json").read_bytes()), "run": str(run.folder), **told})
        return
    from gaugeglass.publication.tables import assessment_text

    show_alternative(run)
    whole = assessment_text(assessment, width(), color=colored())
    click.echo("\n\n".join([whole, *_examined_texts(run), *([more] if more else [])]))
    show_place(run)


def _examined_texts(run: Run) -> list[str]:
    """What an audit and a ranking of candidates say in short, as far as they were made."""
    from gaugeglass.publication.audits import audit_brief
    from gaugeglass.publication.prospects import ranking_brief

    found = []
    if run.audit is not None and (run.folder / "inputs").is_dir():
        found.append(audit_brief(run.audit, run.spec(), width(), color=colored()))
    if run.ranking is not None:
        found.append(ranking_brief(run.ranking, width(), color=colored()))
    return found


def show_alternative(run: Run) -> None:
    """Print of an alternative that it is one, and to what."""
    if run.alternative:
        from gaugeglass.publication.alternatives import heading_text

        click.echo(f"{heading_text(run.spec(), run.alternative['of'], width(), color=colored())}\n")


def show_place(run: Run) -> None:
    """Print where a run is kept, and its page."""
    page = run.folder / "report.html"
    click.echo(f"\nrun     {run.folder}")
    click.echo(f"page    {page}" if page.is_file() else f"page    none yet; 'gaugeglass report {run.folder}' makes it")
