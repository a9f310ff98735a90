"""The command line: one function a command. Results go to stdout, progress and warnings to stderr."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import sys
import textwrap
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.errors import Fault, InferenceError, SpecError, StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.findings import Audit
    from gaugeglass.judgement.moves import Standing
    from gaugeglass.judgement.rankings import Ranking
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.language.files import Checked
    from gaugeglass.language.spec import Method, Spec
    from gaugeglass.language.watching import Save
    from gaugeglass.publication.moves import Answer
    from gaugeglass.publication.sheet import Picture
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
  gaugeglass audit observations/heron-35.yaml     what carries the verdict, and what would overturn it
  gaugeglass next observations/heron-35.yaml      which observation to make next
  gaugeglass report heron-35                      show the latest run of a dossier again
  gaugeglass publish heron-35                     make the form that shows nothing private
  gaugeglass add observations/heron-35.yaml       append an observation; it asks for what it needs
  gaugeglass watch observations/heron-35.yaml     say after each save what it moved

Infers hidden quantities from scattered observations, weighs rival explanations and says how probable each claim is.

\b
Exit status: 0 done, 1 a bug of ours, 2 wrong usage, 3 the input is at fault, 4 the inference was refused,
5 a dossier or the store of runs cannot be written, or the store is damaged, 130 interrupted.

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
_figures = click.option(
    "--figures", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path),
    help="Draw the pictures into this folder too, as SVG and PNG with their numbers.",
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
@_file
@_seed
@_draws
@_json
@_figures
def audit(file: str, seed: int, draws: int, as_json: bool, figures: Path | None) -> None:
    """Say of the dossier FILE what carries the leading claim, and what would overturn it.

    Each observation, origin and table is left out in turn, and shifted until the claim turns; pairs are held against
    each other, and priors and hypotheses varied. Nothing is recorded.
    """

    def examine(posterior: Posterior, tell: Callable[[str, float], None]) -> Audit:
        from gaugeglass.judgement.audit import audit

        return audit(posterior, progress=tell)

    posterior, found = _after_inference(_load(file), examine, seed=seed, draws=draws)
    from gaugeglass.publication.audits import audit_document, audit_text

    if figures is not None:
        from gaugeglass.publication.influences import audit_pictures

        _save(audit_pictures(found, posterior.spec), figures)
    if as_json:
        _print_json(audit_document(found, posterior.spec))
        return
    click.echo(audit_text(found, posterior.spec, _width(), color=_colored()))
    if posterior.spec.dossier.candidates or posterior.spec.model.candidates:
        click.echo(f"\nnext: gaugeglass next {file}")


@gaugeglass.command("next")
@_file
@click.option("--claim", metavar="NAME", help="Ask about this claim or hypothesis.  [default: the first claim]")
@click.option("--quantity", metavar="NAME", help="Ask about this quantity instead of a claim.")
@click.option("--budget", metavar="NUMBER", type=click.FloatRange(min=0), help="Seek the best set that costs no more.")
@_seed
@_draws
@_json
@_figures
def next_(
    file: str, claim: str | None, quantity: str | None, budget: float | None, seed: int, draws: int, as_json: bool,
    figures: Path | None,
) -> None:  # fmt: skip
    """Say of the dossier FILE which observation to make next.

    Candidates of the dossier and of its model are ranked by what each is expected to tell, before it is known what
    would be read. Nothing is recorded.
    """
    spec = _load(file)
    _refuse_to_rank(spec, claim, quantity)

    def rank(posterior: Posterior, tell: Callable[[str, float], None]) -> Ranking:
        from gaugeglass.judgement.candidates import rank_candidates

        tell("weighing candidates", 0.0)
        asked = "" if claim is None and quantity is not None else claim
        return rank_candidates(posterior, claim=asked, quantity=quantity, budget=budget)

    _, found = _after_inference(spec, rank, seed=seed, draws=draws)
    from gaugeglass.publication.prospects import ranking_document, ranking_text

    if figures is not None:
        from gaugeglass.publication.worths import worth_and_cost

        _save(worth_and_cost(found), figures)
    if as_json:
        _print_json(ranking_document(found, spec))
        return
    click.echo(ranking_text(found, _width(), color=_colored()))


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


def _keep(context: click.Context, parameter: click.Parameter, value: Any) -> None:
    """Put what was stated of an observation under its key into ``context.obj``."""
    stated = context.ensure_object(dict)
    if value not in (None, (), False):
        stated[parameter.name] = value


def _keep_pairs(context: click.Context, parameter: click.Parameter, value: tuple[str, ...]) -> None:
    """The same for an option whose every use states one entry of a mapping."""
    pairs: dict[str, str] = {}
    for written in value:
        bare = parameter.name == "source" and not re.match("[a-z]+=", written)
        key, sign, text = ("title", "=", written) if bare else written.partition("=")
        if not sign or not key.strip():
            raise click.BadParameter(f"{written!r} is not {parameter.metavar}", context, parameter)
        if key.strip() in pairs:
            raise click.BadParameter(f"{key.strip()!r} is stated twice", context, parameter)
        pairs[key.strip()] = text.strip()
    _keep(context, parameter, pairs or None)


def _states(*rows: tuple[str, str, str]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Options that state the keys of an observation, from their names, metavars and help."""

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        for name, metavar, told in reversed(rows):
            many = "=" in metavar
            option = click.option(
                name, metavar=metavar, help=told, multiple=many, is_flag=not metavar, expose_value=False,
                callback=_keep_pairs if many else _keep,
            )  # fmt: skip
            command = option(command)
        return command

    return decorate


@gaugeglass.command()
@_file
@_states(
    ("--id", "ID", "An id of its own, such as bench-3."),
    ("--method", "NAME", "The method of the model that it was made by."),
    ("--value", "VALUE", "'97.5 ± 1.5 Wh', '97.5(15) Wh', '97.5 Wh', '96 .. 99 Wh', '>= 67 kWh' or '<= 71 kWh'."),
    ("--u", "NUMBER", "Its standard uncertainty, or a percentage of the value."),
    ("--k", "NUMBER", "What ± or --u is to be divided by, where an expanded uncertainty is quoted."),
    ("--tolerance", "NUMBER", "In place of --u: a limit that the error is within."),
    ("--rounded", "STEP", "What the value was rounded to."),
    ("--input", "NAME=NUMBER", "An input of the method, such as soc_start='20 %' or '20 ± 0.5 %'; once for each."),
    ("--origin", "TEXT", "Where it ultimately comes from; one origin shares one error."),
    ("--date", "DATE", "When it was made: 2026-02-11, 2026-02 or 2026."),
    ("--grade", "GRADE", "Reliability A to F and credibility 1 to 6, such as B2."),
    ("--repeats", "ID", "The observation that it merely repeats, or the row of a table, such as log:17."),
    ("--basis", "NAME", "What the number refers to, where the method leaves that open."),
    ("--at", "GROUP=MEMBER", "Its place in a group of the model, such as vehicle=V1."),
    ("--applies", "KEY=TEXT", "What it speaks of, where that is not what the dossier speaks of."),
    ("--source", "[KEY=]TEXT", "Where to look it up: its title, or kind=, locator=, url=, retrieved= or quote=."),
    ("--note", "TEXT", "Anything else."),
    ("--private", "", "Publish it without source, note, origin, date and id."),
)
@_json
@click.pass_context
def add(context: click.Context, file: str, as_json: bool) -> None:
    """Append an observation to the dossier FILE; every byte that stands is kept.

    \b
      gaugeglass add observations/heron-35.yaml
      gaugeglass add observations/heron-35.yaml --id plate-2 --method pack_voltage_reading --value '376 ± 2 V'

    At a terminal it asks for what is missing, and for nothing where nothing is. What 'check' would find fault with is
    refused, and nothing is written then.
    """  # noqa: D301 - click takes the sign for a paragraph to be left as it is
    from gaugeglass.language import files, writing

    stated = {("inputs" if key == "input" else key): value for key, value in context.ensure_object(dict).items()}
    with writing.nothing_written():
        _complete(stated, files.load(file))
    after = writing.add(file, stated)
    _show_entry(after, len(after.dossier.observations) - 1, did="added", as_json=as_json)


@gaugeglass.command()
@_file
@click.argument("observation", metavar="ID")
@click.option("--because", metavar="TEXT", help="Why it no longer counts.")
@click.option("--date", metavar="DATE", default="", help="Since when.  [default: today]")
@_json
def withdraw(file: str, observation: str, because: str | None, date: str, as_json: bool) -> None:
    """Mark the observation ID of the dossier FILE as withdrawn; every byte that stands is kept.

    It stays in the ledger and no longer counts.

    \b
      gaugeglass withdraw observations/heron-35.yaml bench-2 --because 'The laboratory retracted it'
    """  # noqa: D301 - as in add
    from gaugeglass.language import files, writing

    if because is None:
        if not _may_ask():
            raise click.UsageError("missing: --because TEXT")
        with writing.nothing_written():
            writing.place_of(files.load(file), observation)
        because = click.prompt("Why it no longer counts", err=True)
    after = writing.withdraw(file, observation, because=because.strip(), date=date.strip())
    index = next(i for i, o in enumerate(after.dossier.observations) if o.id == observation)
    _show_entry(after, index, did="withdrawn", as_json=as_json)


@gaugeglass.command()
@_file
@_seed
@_draws
@_json
def watch(file: str, seed: int, draws: int, as_json: bool) -> None:
    """Answer each save of the dossier FILE, of its model and of its tables with what it moved, until Ctrl-C.

    After the first inference, an answer says what changed in the files and sets each verdict and each leading quantity
    beside what it was. Faults are shown as 'check' shows them, and the last state without any is held. Nothing is
    recorded. With --json each answer is one line.
    """
    from gaugeglass.language.watching import saves

    watched = _Watch(file, seed=seed, draws=draws, as_json=as_json)
    saved = saves(lambda: watched.files)
    try:
        watched.open()
        for save in saved:
            watched.answer(save)
    except KeyboardInterrupt:
        raise click.exceptions.Exit(INTERRUPTED) from None


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
    def judged(posterior: Posterior, tell: Callable[[str, float], None]) -> Assessment:
        from gaugeglass.judgement.verdicts import judge

        return judge(posterior, progress=tell)

    return _after_inference(_load(file), judged, seed=seed, draws=draws)


def _after_inference[T](
    spec: Spec, do: Callable[[Posterior, Callable[[str, float], None]], T], *, seed: int, draws: int
) -> tuple[Posterior, T]:
    """A posterior, and what is made of it while progress is shown."""
    with _progress() as tell:
        tell("starting", 0.0)
        from gaugeglass.inference.posterior import infer as infer_spec

        posterior = infer_spec(spec, seed=seed, draws=draws, progress=tell)
        made = do(posterior, tell)
    if posterior.note:
        _tell(f"note: {posterior.note}")
    return posterior, made


def _refuse_to_rank(spec: Spec, claim: str | None, quantity: str | None) -> None:
    """Refuse what cannot be ranked before anything is inferred."""
    if claim is not None and quantity is not None:
        raise click.UsageError("--claim or --quantity, not both")
    asked = [*(c.name for c in spec.model.claims), *(h.name for h in spec.hypotheses if spec.has_rivals)]
    for name, known, what in ((claim, asked, "claim or hypothesis"), (quantity, list(spec.quantities), "quantity")):
        if name is not None and name not in known:
            raise click.UsageError(f"there is no {what} '{name}'; there are: {', '.join(known) or 'none'}")
    if not (spec.dossier.candidates or spec.model.candidates):
        raise click.UsageError("neither the dossier nor its model has candidates; list them under 'candidates'")


def _save(pictures: Iterable[Picture], folder: Path) -> None:
    """Write pictures, each with its text equivalent and its numbers."""
    from gaugeglass.record.documents import dump

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for p in pictures:
            words = {"name": p.name, "title": p.title, "alt": p.alt, "numbers": p.numbers}
            for ending, content in (("svg", p.svg), ("png", p.png), ("json", dump(words))):
                (folder / f"{p.name}.{ending}").write_bytes(content)
    except OSError as problem:
        raise StoreError(f"no pictures can be written to {folder}: {problem.strerror}") from problem


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


def _may_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _complete(stated: dict[str, Any], spec: Spec) -> None:
    """Ask for what a new observation lacks, or say what is missing where nobody is there to answer."""
    from gaugeglass.language.writing import missing, propose_id

    lacking = missing(spec, stated)
    if lacking and not _may_ask():
        raise click.UsageError(f"missing: {', '.join(map(_option, lacking))}")
    if "method" in lacking:
        _list_methods(spec)
    while lacking := missing(spec, stated):
        key, _, name = lacking[0].partition(".")
        method = spec.model.method_by_name.get(stated.get("method", ""))
        proposed = propose_id(spec, stated["method"]) if key == "id" else None
        answer = str(click.prompt(_question(lacking[0], method, spec), default=proposed, err=True)).strip()
        answer = _by_number(answer, spec) if key == "method" else answer
        told = {**stated, key: {**stated.get(key, {}), name: answer} if name else answer}
        if not _refuses(spec, told, lacking[0]):
            stated |= told


def _option(key: str) -> str:
    """The option that states a key which is missing."""
    match key.partition("."):
        case ("inputs", _, name):
            return f"--input {name}=NUMBER"
        case ("at", _, group):
            return f"--at {group}=MEMBER"
    return f"--{key}"


def _refuses(spec: Spec, stated: dict[str, Any], key: str) -> bool:
    """Whether an answer is at fault, which is said, so that it can be given again."""
    from gaugeglass.language.writing import faults_of

    at = f"observations[{len(spec.dossier.observations)}].{key}"
    found = [fault for fault in faults_of(spec, stated) if fault.field == at]
    for fault in found:
        _tell("\n".join(str(fault).splitlines()[1:]))
    return bool(found)


def _question(key: str, method: Method | None, spec: Spec) -> str:
    unit = "" if method is None or method.unit.text == "1" else f" {method.unit}"
    match key.partition("."):
        case ("method", *_):
            return "Method, by number or name"
        case ("value", *_):
            width = " ± 1.5" if method and method.likelihood.takes_stated_u else ""
            is_count = method is not None and method.likelihood.is_count
            forms = "12, a whole number" if is_count else f"97.5{width}{unit}, 96 .. 99{unit} or >= 67{unit}"
            return f"Value, such as {forms}"
        case ("u", *_):
            return f"Standard uncertainty u, such as 1.5{unit}"
        case ("inputs", _, name):
            known = next(i for i in method.inputs if i.name == name) if method else None
            about = f" ({known.about})" if known and known.about else ""
            return f"{name}{about}, such as 20 {known.unit}" if known and known.unit.text != "1" else f"{name}{about}"
        case ("at", _, group):
            return f"Which {group} it was made on, such as {', '.join(spec.members[group][:3]) or 'V1'}"
    return "An id of its own"


def _list_methods(spec: Spec) -> None:
    methods = spec.model.methods
    widest = max(len(method.name) for method in methods)
    for number, method in enumerate(methods, 1):
        head = f"{number:>3}  {method.name:<{widest}}  "
        told = f"{method.about} [{method.unit}]"
        _tell(
            textwrap.fill(told, max(_width(), len(head) + 20), initial_indent=head, subsequent_indent=" " * len(head))
        )


def _by_number(answer: str, spec: Spec) -> str:
    names = [method.name for method in spec.model.methods]
    return names[int(answer) - 1] if answer.isdecimal() and 1 <= int(answer) <= len(names) else answer


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


class _Watch:
    """A dossier that is being edited, and what was last held of it."""

    def __init__(self, file: str, *, seed: int, draws: int, as_json: bool) -> None:
        self.file, self.seed, self.draws, self.as_json = file, seed, draws, as_json
        self.files: tuple[str, ...] = (file,)
        self.checked: Checked | None = None
        self.posterior: Posterior | None = None
        self.spec: Spec | None = None  # the posterior's, or one that is inferred alike
        self.held: Standing | None = None

    def open(self) -> None:
        """The first answer; faults may be mended under watch, but a dossier has to be there."""
        from gaugeglass.language.files import load

        seconds: dict[str, float] = {}
        found = self._check(seconds)
        if found.spec is None and (not found.faults or not Path(self.file).is_file()):
            load(self.file)  # which refuses
        self._print(self._answer((self.file,), found, seconds), None)
        _tell(f"watching {', '.join(self.files)}; Ctrl-C ends it")

    def answer(self, save: Save) -> None:
        """What a save moved; nothing where all that is read is as it was."""
        seconds, before = {"waiting": time.time() - save.at}, self.checked
        found = self._check(seconds)
        if not _is_news(save, found, before):
            return
        self._print(self._answer(save.files, found, seconds), save.at)

    def _check(self, seconds: dict[str, float]) -> Checked:
        from gaugeglass.language.files import check as check_file
        from gaugeglass.language.watching import sources

        began = time.perf_counter()
        found = check_file(self.file)
        seconds["checking"] = time.perf_counter() - began
        _warn([w for w in found.warnings if self.checked is None or w not in self.checked.warnings])
        self.checked, self.files = found, sources(found, self.file)
        return found

    def _answer(self, files: tuple[str, ...], found: Checked, seconds: dict[str, float]) -> Answer:
        from gaugeglass.publication.moves import Answer

        if found.spec is None:
            faults = found.faults or (Fault(self.file, None, "", "a model file", "a dossier, which names its model"),)
            return Answer("faults found", files, seconds, faults=faults, message=self._what_is_held())
        try:
            return self._follow(files, found.spec, seconds)
        except InferenceError as problem:
            return Answer("refused", files, seconds, message="\n".join([str(problem), self._what_is_held()]).strip())

    def _what_is_held(self) -> str:
        return "What was inferred last is held." if self.posterior else ""

    def _follow(self, files: tuple[str, ...], spec: Spec, seconds: dict[str, float]) -> Answer:
        """Infer what there is to infer, and hold it from now on."""
        from gaugeglass.inference.posterior import infer as infer_spec
        from gaugeglass.inference.posterior import reinfer
        from gaugeglass.judgement.moves import changes, infers_alike, moves, prior_standing, standing
        from gaugeglass.publication.moves import Answer

        before, was = self.posterior, self.spec
        changed = changes(was, spec) if was else ()
        self.spec = spec
        if was and infers_alike(was, spec):
            return Answer("nothing moved", files, seconds, changed)
        try:
            with _progress() as tell:
                now = (
                    reinfer(before, spec, progress=tell)
                    if before
                    else infer_spec(spec, seed=self.seed, draws=self.draws, progress=tell)
                )
        except InferenceError:
            self.spec = was
            raise
        began = time.perf_counter()
        held = standing(now)
        moved = moves(self.held or prior_standing(now), held)
        self.posterior, self.held = now, held
        seconds |= {**now.seconds, "judging": time.perf_counter() - began}
        return Answer("inferred again" if before else "inferred", files, seconds, changed, moved, message=now.note)

    def _print(self, answer: Answer, saved_at: float | None) -> None:
        from gaugeglass.publication.moves import answer_document, answer_text, seconds_text

        if self.as_json:
            document = answer_document(answer)
            if saved_at is not None:
                document["seconds"] = {"from_save": time.time() - saved_at, **document["seconds"]}
            click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
            return
        subject = self.spec.dossier.subject if self.spec else self.file
        text = answer_text(answer, subject, time.strftime("%H:%M:%S"), _width(), color=_colored())
        if saved_at is not None:
            text += ("\n\n" if answer.moves else "\n") + seconds_text(time.time() - saved_at, answer.seconds, _width())
        click.echo(text + "\n")


def _is_news(save: Save, found: Checked, before: Checked | None) -> bool:
    """Whether a save is to be answered: not where only the names in a folder changed, or nothing that is read did."""
    if before is None or (found.spec is None) != (before.spec is None):
        return True
    if found.spec is None or before.spec is None:
        return found != before or not all(Path(file).is_dir() for file in save.files)
    return found.spec.texts != before.spec.texts


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


def _show_entry(spec: Spec, index: int, *, did: str, as_json: bool) -> None:
    """What became of one observation of a dossier, and where it stands."""
    from gaugeglass.language.files import check as check_file

    file, entry = spec.dossier.file, spec.dossier.observations[index]
    at = f"observations[{index}]."
    warnings = [warning for warning in check_file(file).warnings if f"{warning.field}.".startswith(at)]
    if as_json:
        told = {"did": did, "file": file, "line": entry.line, "id": entry.id, "warnings": _rows(warnings)}
        _print_json({"format": "gaugeglass.entry/1", **told})
        return
    _warn(warnings)
    what = f"by {entry.method}, {entry.stated}" if entry.withdrawn is None else f"since {entry.withdrawn.date}"
    click.echo(f"{file}:{entry.line}: {entry.id} {did}, {what}")
    echoes = [o.id for o in spec.observations if o.repeats == entry.id and entry.withdrawn and not o.withdrawn]
    if echoes:
        click.echo(f"with it goes what repeats it: {', '.join(echoes)}")
    click.echo(f"next: gaugeglass assess {file}")


def _width() -> int:
    return max(20, min(shutil.get_terminal_size((100, 24)).columns, 120))


def _colored() -> bool:
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def _faultless(file: str, spec: Spec | None) -> str:
    if spec is None:
        return f"{file}: no faults"
    count, aside = len(spec.observations), len(spec.set_aside)
    noun = "observation" if count == 1 else "observations"
    return f"{file}: {count:,} {noun}{f' ({aside:,} set aside)' if aside else ''}, no faults"


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
    _tell("\n".join([str(problem), *getattr(problem, "__notes__", ())]))
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
