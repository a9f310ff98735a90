"""Commands that read what was recorded."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gaugeglass.cli.printing import colored, load_dossier, print_json, width
from gaugeglass.cli.program import gaugeglass, json_option, reports_option

if TYPE_CHECKING:
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.record.runs import Run


@gaugeglass.command()
@click.argument("run_or_dossier")
@json_option
@reports_option
def report(run_or_dossier: str, as_json: bool, reports: Path | None) -> None:
    """Show a run again, or the latest one of a dossier, and make its page if it has none yet."""
    run = find_run(run_or_dossier, reports)
    if not (run.folder / "report.html").is_file():
        make_page(run)
    show_run(run.assessment, run, as_json=as_json)


@gaugeglass.command()
@click.argument("run_or_dossier")
@json_option
@reports_option
def publish(run_or_dossier: str, as_json: bool, reports: Path | None) -> None:
    """Make the public form of a run, or of the latest one of a dossier, beside it.

    Whatever is private is redacted in it everywhere, the copies of the inputs included. The digest that is printed
    proves, once posted in public, what was claimed when.
    """
    from gaugeglass import make_public
    from gaugeglass.record import runs

    public = runs.read(make_public(find_run(run_or_dossier, reports).folder))
    if as_json:
        told = {"folder": str(public.folder), "page": str(public.folder / "report.html"), "digest": public.digest}
        print_json({"format": "gaugeglass.publication/1", **told})
        return
    click.echo(public.assessment.sentence)
    click.echo(f"\npage    {public.folder / 'report.html'}\ndigest  sha256:{public.digest}")


def find_run(named: str, reports: Path | None) -> Run:
    """The run of a folder; the latest one of a dossier, given by its name or its file."""
    from gaugeglass.record import runs

    if (Path(named) / "run.json").is_file():
        return runs.read(Path(named))
    is_file = Path(named).is_file()
    place = reports or (reports_of(named) if is_file else Path("reports"))
    found = runs.listing(place, load_dossier(named).dossier.name if is_file else Path(named).name)
    if not found:
        raise click.UsageError(f"no run and no dossier with runs in {place}: {named}")
    return runs.read(found[-1])


def reports_of(file: str) -> Path:
    """The folder of reports of a dossier's workspace, as short as it can be typed."""
    folder = Path(file).parent
    return folder.parent / "reports" if folder.name == "observations" else Path("reports")


def make_page(run: Run) -> None:
    """Give a recorded run its pictures and its page."""
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.record import runs

    spec = run.spec()
    drawn = pictures(spec, run.assessment, *run.draws())
    runs.add_page(run, drawn, page(spec, run.assessment, drawn, runs.facts(run.about)))


def show_run(assessment: Assessment, run: Run, *, as_json: bool) -> None:
    """Print what a run concluded, and where it is kept."""
    if as_json:
        print_json({**json.loads((run.folder / "result.json").read_bytes()), "run": str(run.folder)})
        return
    from gaugeglass.publication.tables import assessment_text

    click.echo(assessment_text(assessment, width(), color=colored()))
    page = run.folder / "report.html"
    click.echo(f"\nrun     {run.folder}")
    click.echo(f"page    {page}" if page.is_file() else f"page    none yet; 'gaugeglass report {run.folder}' makes it")
