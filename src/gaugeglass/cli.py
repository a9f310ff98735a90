"""The command line: one function a command. Results go to stdout, progress and warnings to stderr."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sys
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.errors import Fault, InferenceError, SpecError, StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.language.spec import Spec
    from gaugeglass.record.runs import Run

DONE, BUG, USAGE, FAULTY, REFUSED, STORE, INTERRUPTED = 0, 1, 2, 3, 4, 5, 130

_COMPLETING = "_GAUGEGLASS_COMPLETE"
"""Set in the environment by a shell that asks for completions."""

DEMO = "heron-35"
"""The dossier that ``demo`` assesses."""

EXAMPLES = """\b
Examples:
  gaugeglass demo                                 the whole job, on an invented van
  gaugeglass new my-work                          lay out a workspace of your own
  gaugeglass check observations/heron-35.yaml     say everything that is wrong with a file
  gaugeglass assess observations/heron-35.yaml    infer, judge, draw, write the page, record
  gaugeglass report heron-35                      show the latest run of a dossier again
  gaugeglass publish heron-35                     make the form that shows nothing private

Infers hidden quantities from scattered observations, weighs rival explanations and says how probable each claim is.

\b
Exit status: 0 done, 1 a bug of ours, 2 wrong usage, 3 the input is at fault, 4 the inference was refused,
5 the store of runs is damaged or cannot be written, 130 interrupted.

\b
Completion of commands and options, in bash (zsh and fish likewise):
  eval "$(_GAUGEGLASS_COMPLETE=bash_source gaugeglass)"
"""

_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
_seed = click.option(
    "--seed", default=1, show_default=True, type=click.IntRange(0, 2**31 - 1), help="Decides every draw."
)
_draws = click.option(
    "--draws", default=1000, show_default=True, type=click.IntRange(100, 100_000),
    help="Draws a chain, doubled while a claim's Monte Carlo error is above 0.01.",
)  # fmt: skip
_reports = click.option(
    "--reports", type=click.Path(file_okay=False, path_type=Path),
    help="Where runs are kept.  [default: reports/ of the dossier's workspace]",
)  # fmt: skip
_file = click.argument("file", type=click.Path())


@click.group(help=EXAMPLES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 120})
@click.version_option(package_name="gaugeglass")
@click.option("--traceback", is_flag=True, help="Show where in the program a bug struck.")
def gaugeglass(traceback: bool) -> None:
    """All commands; what help shows is ``EXAMPLES``, and ``--traceback`` is read by ``run``."""


# --- commands -----------------------------------------------------------------------------------------------


@gaugeglass.command()
@_seed
@_draws
@_json
@_reports
def demo(seed: int, draws: int, as_json: bool, reports: Path | None) -> None:
    """Assess the dossier of an invented van, whose truth is known, and keep the run in ./reports."""
    from gaugeglass.language.workspace import shipped

    file = shipped("observations") / f"{DEMO}.yaml"
    near = Path("observations") / file.name
    typed = near if near.is_file() and near.samefile(file) else file
    _assess(str(typed), seed=seed, draws=draws, as_json=as_json, reports=reports or Path("reports"))


@gaugeglass.command()
@click.argument("folder", type=click.Path(path_type=Path))
@_json
def new(folder: Path, as_json: bool) -> None:
    """Lay out a workspace in FOLDER, with the shipped models and the demo dossier to start from.

    FOLDER is made, or must be empty: nothing is overwritten.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise click.UsageError(f"{folder} is not empty; choose a new folder")
    made = _lay_out(folder)
    if as_json:
        _print_json({"format": "gaugeglass.workspace/1", "folder": str(folder), "files": made})
        return
    for path in made:
        click.echo(path)
    click.echo(f"next: cd {folder} && gaugeglass assess observations/{DEMO}.yaml")


@gaugeglass.command()
@click.argument("files", nargs=-1, required=True, type=click.Path())
@_json
def check(files: tuple[str, ...], as_json: bool) -> None:
    """Say everything that is wrong with dossiers (and their models) or with model files."""
    from gaugeglass.language.files import check as check_file

    checked = {file: check_file(file) for file in files}
    faults = list(dict.fromkeys(fault for found in checked.values() for fault in found.faults))
    warnings = list(dict.fromkeys(warning for found in checked.values() for warning in found.warnings))
    if as_json:
        told = {"files": list(files), "faults": _rows(faults), "warnings": _rows(warnings)}
        _print_json({"format": "gaugeglass.check/1", **told})
    else:
        _warn(warnings)
        for file, found in checked.items():
            if not found.faults:
                click.echo(_faultless(file, found.spec))
                _note_beyond(found.spec)
        if faults:
            click.echo(str(SpecError(faults)))
    if faults:
        raise click.exceptions.Exit(FAULTY)


@gaugeglass.command()
@_file
@_seed
@_draws
@_json
@_reports
def infer(file: str, seed: int, draws: int, as_json: bool, reports: Path | None) -> None:
    """Infer and judge the dossier FILE and record the run; ``report`` makes its page later."""
    from gaugeglass.record import runs

    posterior, assessment = _infer(file, seed=seed, draws=draws)
    folder = runs.write(posterior, assessment, (), None, reports or _reports_of(file))
    _show(assessment, runs.read(folder), as_json=as_json)


@gaugeglass.command()
@_file
@_seed
@_draws
@_json
@_reports
def assess(file: str, seed: int, draws: int, as_json: bool, reports: Path | None) -> None:
    """Do the whole job for the dossier FILE: check, infer, judge, draw, write the page, record the run."""
    _assess(file, seed=seed, draws=draws, as_json=as_json, reports=reports or _reports_of(file))


@gaugeglass.command()
@click.argument("run_or_dossier")
@_json
@_reports
def report(run_or_dossier: str, as_json: bool, reports: Path | None) -> None:
    """Show a run again, or the latest one of a dossier, and make its page if it has none yet."""
    run = _find_run(run_or_dossier, reports)
    if not (run.folder / "report.html").is_file():
        _make_page(run)
    _show(run.assessment, run, as_json=as_json)


@gaugeglass.command()
@click.argument("run_or_dossier")
@_json
@_reports
def publish(run_or_dossier: str, as_json: bool, reports: Path | None) -> None:
    """Make the public form of a run, or of the latest one of a dossier, beside it.

    Whatever is private is redacted in it everywhere, the copies of the inputs included. The digest that is printed
    proves, once posted in public, what was claimed when.
    """
    from gaugeglass import make_public
    from gaugeglass.record import runs

    public = runs.read(make_public(_find_run(run_or_dossier, reports).folder))
    if as_json:
        told = {"folder": str(public.folder), "page": str(public.folder / "report.html"), "digest": public.digest}
        _print_json({"format": "gaugeglass.publication/1", **told})
        return
    click.echo(public.assessment.sentence)
    click.echo(f"\npage    {public.folder / 'report.html'}\ndigest  sha256:{public.digest}")


# --- what commands share ------------------------------------------------------------------------------------


def _assess(file: str, *, seed: int, draws: int, as_json: bool, reports: Path) -> None:
    from gaugeglass import record_run
    from gaugeglass.record import runs

    posterior, assessment = _infer(file, seed=seed, draws=draws)
    with _progress() as tell:
        tell("drawing pictures", 0.0)
        folder = record_run(posterior, assessment, reports=reports)
    _show(assessment, runs.read(folder), as_json=as_json)
    if any(row.private for row in assessment.ledger):
        _tell(f"this run shows what is private; 'gaugeglass publish {folder}' makes a form that does not")


def _infer(file: str, *, seed: int, draws: int) -> tuple[Posterior, Assessment]:
    spec = _load(file)
    with _progress() as tell:
        tell("starting", 0.0)
        from gaugeglass.inference.posterior import infer as infer_spec
        from gaugeglass.judgement.verdicts import judge

        posterior = infer_spec(spec, seed=seed, draws=draws, progress=tell)
        assessment = judge(posterior, progress=tell)
    if posterior.note:
        _tell(f"note: {posterior.note}")
    return posterior, assessment


def _load(file: str) -> Spec:
    from gaugeglass.language.files import check as check_file
    from gaugeglass.language.files import load

    found = check_file(file)
    _warn(found.warnings)
    return found.spec or load(file)


def _make_page(run: Run) -> None:
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.record import runs

    spec = run.spec()
    drawn = pictures(spec, run.assessment, *run.draws())
    runs.add_page(run, drawn, page(spec, run.assessment, drawn, runs.facts(run.about)))


def _find_run(named: str, reports: Path | None) -> Run:
    """The run of a folder; the latest one of a dossier, given by its name or its file."""
    from gaugeglass.record import runs

    if (Path(named) / "run.json").is_file():
        return runs.read(Path(named))
    is_file = Path(named).is_file()
    place = reports or (_reports_of(named) if is_file else Path("reports"))
    found = runs.listing(place, _load(named).dossier.name if is_file else Path(named).name)
    if not found:
        raise click.UsageError(f"no run and no dossier with runs in {place}: {named}")
    return runs.read(found[-1])


def _reports_of(file: str) -> Path:
    """The folder of reports of a dossier's workspace, as short as it can be typed."""
    folder = Path(file).parent
    return folder.parent / "reports" if folder.name == "observations" else Path("reports")


def _lay_out(folder: Path) -> list[str]:
    from gaugeglass.language.workspace import shipped

    made = []
    try:
        for kind in ("models", "observations"):
            (folder / kind).mkdir(parents=True, exist_ok=True)
            for source in sorted(p for p in shipped(kind).iterdir() if p.is_file()):
                made.append(str(shutil.copyfile(source, folder / kind / source.name)))
        (folder / "reports").mkdir()
    except OSError as problem:
        raise StoreError(f"{folder} cannot be laid out: {problem.strerror}") from problem
    return made


# --- what is printed ----------------------------------------------------------------------------------------


def _show(assessment: Assessment, run: Run, *, as_json: bool) -> None:
    if as_json:
        _print_json({**json.loads((run.folder / "result.json").read_bytes()), "run": str(run.folder)})
        return
    from gaugeglass.publication.tables import assessment_text

    click.echo(assessment_text(assessment, _width(), color=_colored()))
    page = run.folder / "report.html"
    click.echo(f"\nrun     {run.folder}")
    click.echo(f"page    {page}" if page.is_file() else f"page    none yet; 'gaugeglass report {run.folder}' makes it")


def _width() -> int:
    return max(20, min(shutil.get_terminal_size((100, 24)).columns, 120))


def _colored() -> bool:
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def _faultless(file: str, spec: Spec | None) -> str:
    if spec is None:
        return f"{file}: no faults"
    count = len(spec.dossier.observations)
    withdrawn = count - len(spec.evidence)
    noun = "observation" if count == 1 else "observations"
    return f"{file}: {count} {noun}{f' ({withdrawn} withdrawn)' if withdrawn else ''}, no faults"


def _note_beyond(spec: Spec | None) -> None:
    for what in spec.beyond if spec else ():
        _tell(f"note: {what}")


def _rows(faults: Sequence[Fault]) -> list[dict[str, Any]]:
    names = ("file", "line", "field", "found", "allowed", "hint")
    return [{name: getattr(fault, name) for name in names} for fault in faults]


def _print_json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def _warn(warnings: Sequence[Fault]) -> None:
    for warning in warnings:
        _tell(f"warning: {warning}")


def _tell(text: str) -> None:
    click.echo(text, err=True)


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[str, float], None]]:
    """A line on stderr that says what is being done; nothing where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield lambda what, share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(24), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda what, share: bar.update(task, description=what, completed=share)


# --- how it ends --------------------------------------------------------------------------------------------


def main() -> None:
    """Run the command line and leave with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit status; nothing but that tells how it ended."""
    try:
        status = gaugeglass.main(list(arguments), prog_name="gaugeglass", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as problem:
        problem.show()
        return USAGE
    except (click.Abort, KeyboardInterrupt):
        _tell("interrupted")
        return INTERRUPTED
    except (BrokenPipeError, SystemExit):  # click leaves by itself where stdout was closed, and after completing a word
        if _COMPLETING in os.environ:
            raise
        return _without_stdout()
    except (SpecError, InferenceError, StoreError) as problem:
        return _failed(problem, as_json="--json" in arguments)
    except Exception as problem:  # the last resort, which says that it is a bug
        return _bug(problem, with_traceback="--traceback" in arguments)
    return int(status or DONE)


def _failed(problem: SpecError | InferenceError | StoreError, *, as_json: bool) -> int:
    if as_json and isinstance(problem, SpecError):
        _print_json({"format": "gaugeglass.check/1", "files": [], "faults": _rows(problem.faults), "warnings": []})
    elif as_json:
        _print_json({"format": "gaugeglass.failure/1", "message": str(problem)})
    _tell(str(problem))
    if isinstance(problem, SpecError):
        return FAULTY
    return REFUSED if isinstance(problem, InferenceError) else STORE


def _bug(problem: Exception, *, with_traceback: bool) -> int:
    if with_traceback:
        traceback.print_exception(problem)
    else:
        _tell(f"a bug of gaugeglass: {type(problem).__name__}: {problem}")
        _tell("'gaugeglass --traceback COMMAND' shows where it struck")
    return BUG


def _without_stdout() -> int:
    """End quietly when whoever read stdout has left; what Python still wants to flush goes nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE
