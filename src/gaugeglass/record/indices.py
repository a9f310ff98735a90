"""The index of a folder of reports: the latest run of every dossier there, and the page that lists them."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from gaugeglass.errors import StoreError
from gaugeglass.language.spec import Spec
from gaugeglass.record.runs import Run, calibrations_beside, input_digests, listing, of_same_files, read

FILE = "index.html"
MARK = "gaugeglass index"
"""What an index says made it, so that no other page of that name is written over."""


@dataclass(frozen=True, slots=True)
class Entry:
    """The latest run of a dossier: what it is about, its verdict, when it was made and where.

    ``run`` and ``page`` are paths below the folder of reports; ``page`` is empty where the run has none. ``problem``
    says why a run cannot be read, whose other fields are empty then.
    """

    dossier: str
    run: str
    subject: str = ""
    sentence: str = ""
    made: str = ""
    page: str = ""
    fits_badly: bool = False
    problem: str = ""


def entries(reports: Path) -> Iterator[Entry]:
    """The latest run of every dossier below a folder of reports, by name; digests are left to who reads a run.

    Raises
    ------
    StoreError
        If the folder cannot be read.
    """
    try:
        names = sorted(p.name for p in reports.iterdir() if p.is_dir() and not p.name.startswith("."))
    except OSError as problem:
        raise StoreError(f"{reports} cannot be read: {problem.strerror}") from problem
    for name in names:
        if found := listing(reports, name):
            yield _entry(reports, name, found[-1])


def _entry(reports: Path, name: str, run: Path) -> Entry:
    place = run.relative_to(reports).as_posix()
    try:
        told: dict[str, Any] = json.loads((run / "run.json").read_bytes())
        result: dict[str, Any] = json.loads((run / "result.json").read_bytes())
        page = f"{place}/report.html" if (run / "report.html").is_file() else ""
        return Entry(
            name, place, str(told["subject"]), str(result["sentence"]), str(told["created"]), page,
            bool(result["fits_badly"]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as problem:
        return Entry(name, place, problem=f"damaged: {problem}")


def finished(spec: Spec, reports: Path, *, seed: int, draws: int) -> Run | None:
    """The latest run of a dossier, if another assessment would say the same.

    That is one of the same files, byte for byte, with the same seed and as many draws, made by this version, which has
    its audit and its ranking where there are candidates, and is whole but for its page, which may be missing;
    ``shows_calibrations`` says whether that is of today. None else.
    """
    try:
        found = of_same_files(input_digests(spec), reports, spec.dossier.name)
        if found is None or found != listing(reports, spec.dossier.name)[-1]:
            return None
        run = read(found, without_page=True)
    except StoreError:
        return None
    about = run.about
    asked = (seed, draws, version("gaugeglass"))
    ranked = bool(spec.dossier.candidates or spec.model.candidates)
    is_same = (about["seed"], about["settings"].get("draws"), about["versions"].get("gaugeglass")) == asked
    is_judged = run.audit is not None and (run.ranking is not None) == ranked
    return run if is_same and is_judged else None


def shows_calibrations(run: Run) -> bool:
    """Whether the page of a run shows the calibrations that are recorded by now, or is still to be made."""
    try:
        was_made = run.has_page or run.page_digest is not None
        return not was_made or run.calibrations() == calibrations_beside(run).shown
    except StoreError:
        return False


def write_index(reports: Path, text: str) -> Path:
    """Write the index in place of the last one; the page's path is returned.

    Raises
    ------
    StoreError
        If another page of that name is there, which stays as it is, or it cannot be written.
    """
    target = reports / FILE
    try:
        if target.exists() and MARK not in target.read_text(encoding="utf-8", errors="replace"):
            raise StoreError(f"{target} is no index of gaugeglass and stays as it is")
        reports.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", dir=reports, prefix=".index-", delete=False, encoding="utf-8") as stream:
            stream.write(text)
        Path(stream.name).chmod(0o644)
        Path(stream.name).replace(target)
    except OSError as problem:
        raise StoreError(f"{target} could not be written: {problem.strerror}") from problem
    return target
