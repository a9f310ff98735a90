"""What is printed, and where to: results on stdout, progress and warnings on stderr."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.errors import Fault, StoreError

if TYPE_CHECKING:
    from gaugeglass.language.spec import Spec
    from gaugeglass.publication.sheet import Picture


def width() -> int:
    """How many columns there are to print on."""
    return max(20, min(shutil.get_terminal_size((100, 24)).columns, 120))


def colored() -> bool:
    """Whether what is printed may have colours."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def print_json(document: dict[str, Any]) -> None:
    """Print one document."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def say(text: str) -> None:
    """Say something that is no result."""
    click.echo(text, err=True)


def warn(warnings: Sequence[Fault]) -> None:
    """Say what is odd with the files."""
    for warning in warnings:
        say(f"warning: {warning}")


def say_private(what: str, how: str) -> None:
    """Say that something shows what is private, and how to make a form that does not."""
    say(f"{what} what is private; {how} makes a form that does not")


def fault_rows(faults: Sequence[Fault]) -> list[dict[str, Any]]:
    """Faults as a document has them."""
    names = ("file", "line", "field", "found", "allowed", "hint")
    return [{name: getattr(fault, name) for name in names} for fault in faults]


@contextlib.contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
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


def writable_folder(context: click.Context, parameter: click.Parameter, folder: Path | None) -> Path | None:
    """A folder that an option names, once it is sure that files can be written there, before anything is inferred.

    Raises
    ------
    StoreError
        If none can.
    """
    if folder is None:
        return None
    there = next(place for place in (folder, *folder.absolute().parents) if place.exists() or place.is_symlink())
    from gaugeglass.record.store import hidden

    tried = hidden(there)
    try:
        tried.mkdir()
    except OSError as problem:
        raise StoreError(f"nothing can be written to {folder}: {problem.strerror}") from problem
    finally:
        with contextlib.suppress(OSError):
            tried.rmdir()
    return folder


def refuse_taken(folder: Path | None, names: Iterable[str]) -> None:
    """Refuse a folder for pictures that has one of these names already, before anything is inferred.

    Raises
    ------
    click.UsageError
        If it has.
    """
    if folder is not None:
        refuse_files(folder, (f"{name}.{suffix}" for name in names for suffix in ("svg", "png", "json")))


def refuse_files(folder: Path, names: Iterable[str]) -> None:
    """Refuse a folder that has one of these files or folders already.

    Raises
    ------
    click.UsageError
        If it has.
    """
    from gaugeglass.record.handouts import refusal, taken

    if there := taken(folder, names):
        raise click.UsageError(refusal(there))


def save_pictures(pictures: Iterable[Picture], folder: Path) -> None:
    """Write pictures, each with its text equivalent and its numbers: all or none, and over nothing that is there."""
    from gaugeglass.record.documents import dump
    from gaugeglass.record.handouts import hand_out

    files: dict[str, bytes] = {}
    for p in pictures:
        words = dump({"name": p.name, "title": p.title, "alt": p.alt, "numbers": p.numbers})
        files |= {f"{p.name}.svg": p.svg, f"{p.name}.png": p.png, f"{p.name}.json": words}
    refuse_files(folder, files)
    hand_out(files, folder)


def load_dossier(file: str) -> Spec:
    """Read a dossier and its model, and say what is odd with them."""
    from gaugeglass.language.files import check as check_file
    from gaugeglass.language.files import load

    found = check_file(file)
    warn(found.warnings)
    return found.spec or load(file)
