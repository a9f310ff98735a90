"""Commands that write files of a workspace, or only read them."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli import asking
from gaugeglass.cli.comparing import check_calibration, check_run, run_meant
from gaugeglass.cli.inferring import DEMO
from gaugeglass.cli.printing import fault_rows, print_json, warn
from gaugeglass.cli.program import FAULTY, file_argument, gaugeglass, json_option
from gaugeglass.cli.recorded import is_calibration, is_run
from gaugeglass.errors import Fault, SpecError, StoreError

if TYPE_CHECKING:
    from gaugeglass.language.spec import Spec

_CHECKED = "a YAML file, the folder of a run or of a calibration, DOSSIER or DOSSIER@WHICH"


@gaugeglass.command()
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
def new(folder: Path, as_json: bool) -> None:
    """Lay out a workspace in FOLDER, with the shipped models and dossiers to start from.

    FOLDER is made, or must be empty: nothing is overwritten.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise click.UsageError(f"{folder} is not empty; choose a new folder")
    made = _lay_out(folder)
    if as_json:
        print_json({"format": "gaugeglass.workspace/1", "folder": str(folder), "files": made})
        return
    for path in made:
        click.echo(path)
    click.echo(f"next: cd {folder} && gaugeglass assess observations/{DEMO}.yaml")


@gaugeglass.command()
@click.argument("files", nargs=-1, required=True, type=click.Path())
@json_option
def check(files: tuple[str, ...], as_json: bool) -> None:
    """Say everything that is wrong with dossiers (and their models) or with model files; or hold a run against itself.

    Of a run, given by its folder, by its dossier's name or as DOSSIER@WHICH, every file is held against its digest, and
    the run is inferred and judged again from its own inputs, seed and settings. With the same compiled program,
    versions and processor it has to come out the same to the last bit, else within Monte Carlo errors. Exit
    status 5 where a file is not as it was written, 1 where the run is not reproduced. Of a calibration, given by its
    folder, the files are held against their digests.
    """
    from gaugeglass.language.files import check as check_file

    for file in files:
        _refuse_part(file)
    if any(map(is_calibration, files)):
        if len(files) > 1:
            raise click.UsageError("one calibration by itself, or files")
        check_calibration(Path(files[0]), as_json=as_json)
        return
    if meant := [run for file in files if (run := run_meant(file))]:
        if len(files) > 1:
            raise click.UsageError("one run by itself, or files")
        check_run(meant[0], as_json=as_json)
        return

    checked = {file: check_file(file) for file in files}
    faults = list(dict.fromkeys(_told(fault) for found in checked.values() for fault in found.faults))
    warnings = list(dict.fromkeys(warning for found in checked.values() for warning in found.warnings))
    if as_json:
        told = {"files": list(files), "faults": fault_rows(faults), "warnings": fault_rows(warnings)}
        print_json({"format": "gaugeglass.check/1", **told})
    else:
        warn(warnings)
        for file, found in checked.items():
            if not found.faults:
                click.echo(_faultless(file, found.spec))
        if faults:
            click.echo(str(SpecError(faults)))
    if faults:
        raise click.exceptions.Exit(FAULTY)


def _refuse_part(path: str) -> None:
    """Refuse a document that a run or a calibration consists of: what is checked is its folder."""
    folder = Path(path).parent
    if Path(path).suffix != ".json" or not Path(path).is_file():
        return
    if is_run(str(folder)) or is_calibration(str(folder)):
        what = "run" if is_run(str(folder)) else "calibration"
        raise click.UsageError(f"{path} is part of a {what}; name its folder: gaugeglass check {folder}")


def _told(fault: Fault) -> Fault:
    """The same, and of a folder what else could be checked."""
    folder = Path(fault.file)
    if fault.field or not folder.is_dir():
        return fault
    has_runs = folder.parent == Path("reports") and any(folder.glob("*/run.json"))
    hint = f"'gaugeglass check {folder.name}' checks its latest run" if has_runs else None
    return replace(fault, allowed=_CHECKED, hint=hint)


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
                name, metavar=metavar, help=told, multiple=many, is_flag=not metavar or None, expose_value=False,
                callback=_keep_pairs if many else _keep,
            )  # fmt: skip
            command = option(command)
        return command

    return decorate


@gaugeglass.command()
@file_argument
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
@json_option
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
        asking.complete(stated, files.load(file))
    after = writing.add(file, stated)
    _show_entry(after, len(after.dossier.observations) - 1, did="added", as_json=as_json)


@gaugeglass.command()
@file_argument
@click.argument("observation", metavar="ID")
@click.option("--because", metavar="TEXT", help="Why it no longer counts.")
@click.option("--date", metavar="DATE", default="", help="Since when.  [default: today]")
@json_option
def withdraw(file: str, observation: str, because: str | None, date: str, as_json: bool) -> None:
    """Mark the observation ID of the dossier FILE as withdrawn; every byte that stands is kept.

    It stays in the ledger and no longer counts.

    \b
      gaugeglass withdraw observations/heron-35.yaml bench-2 --because 'The laboratory retracted it'
    """  # noqa: D301 - as in add
    from gaugeglass.language import files, writing

    if because is None:
        if not asking.may_ask():
            raise click.UsageError("missing: --because TEXT")
        with writing.nothing_written():
            writing.place_of(files.load(file), observation)
        because = click.prompt("Why it no longer counts", err=True)
    after = writing.withdraw(file, observation, because=because.strip(), date=date.strip())
    index = next(i for i, o in enumerate(after.dossier.observations) if o.id == observation)
    _show_entry(after, index, did="withdrawn", as_json=as_json)


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


def _show_entry(spec: Spec, index: int, *, did: str, as_json: bool) -> None:
    """What became of one observation of a dossier, and where it stands."""
    from gaugeglass.language.files import check as check_file

    file, entry = spec.dossier.file, spec.dossier.observations[index]
    at = f"observations[{index}]."
    warnings = [warning for warning in check_file(file).warnings if f"{warning.field}.".startswith(at)]
    if as_json:
        told = {"did": did, "file": file, "line": entry.line, "id": entry.id, "warnings": fault_rows(warnings)}
        print_json({"format": "gaugeglass.entry/1", **told})
        return
    warn(warnings)
    what = f"by {entry.method}, {entry.stated}" if entry.withdrawn is None else f"since {entry.withdrawn.date}"
    click.echo(f"{file}:{entry.line}: {entry.id} {did}, {what}")
    echoes = [o.id for o in spec.observations if o.repeats == entry.id and entry.withdrawn and not o.withdrawn]
    if echoes:
        click.echo(f"with it goes what repeats it: {', '.join(echoes)}")
    click.echo(f"next: gaugeglass assess {file}")


def _faultless(file: str, spec: Spec | None) -> str:
    if spec is None:
        return f"{file}: no faults"
    count, aside = len(spec.observations), len(spec.set_aside)
    noun = "observation" if count == 1 else "observations"
    return f"{file}: {count:,} {noun}{f' ({aside:,} set aside)' if aside else ''}, no faults"
