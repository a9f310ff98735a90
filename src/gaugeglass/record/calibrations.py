"""Calibrations on record: each in a folder of its own beside the runs, and in the run whose page shows it.

``reports/DOSSIER/calibrations/TIME-TRUTHS/`` holds ``calibration.json``, ``figures/`` and ``report.html``. The document
bears the digest of all else that it says, and the digests of the input files, by which a run of the same is known.
"""

from __future__ import annotations

import datetime
import platform
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gaugeglass.errors import StoreError
from gaugeglass.record import store
from gaugeglass.record.documents import CALIBRATION, calibration_of, check_format, dump
from gaugeglass.record.pictures import Drawn, picture_files

if TYPE_CHECKING:
    from gaugeglass.judgement.calibration import Calibration, Truths

CALIBRATIONS = "gaugeglass.calibrations/1"
"""Name and version of what a run holds of the calibrations that its page shows."""
FILE = "calibration.json"
_FOLDER = "calibrations"
_VERSIONED = ("gaugeglass", "nutpie", "llvmlite", "numpy", "scipy")
_WHERE_FROM: tuple[Truths, ...] = ("prior", "posterior")
_HEAD: Mapping[str, type] = {"created": str, "versions": dict}


@dataclass(frozen=True)
class Recorded:
    """A calibration, when it was recorded and which versions made it."""

    found: Calibration
    created: str
    versions: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Damage:
    """A calibration that cannot be shown: its folder, where its truths are from, and what is wrong with it.

    ``simulations`` [1] and ``seed`` are what can still be read of how it was made; None where that cannot.
    """

    folder: Path
    truths: Truths
    why: str
    simulations: int | None = None
    seed: int | None = None


@dataclass(frozen=True)
class Beside:
    """The calibrations that stand beside the runs of a dossier.

    ``shown`` are those of the same files, one for each place that truths are from. ``damages`` are those that may be of
    the same files and cannot be read. ``elsewhere`` is when the latest one of other files was made; empty where there
    is none, and where one of the same files is shown.
    """

    shown: tuple[Recorded, ...] = ()
    damages: tuple[Damage, ...] = ()
    elsewhere: str = ""


@dataclass(frozen=True, slots=True)
class Kept:
    """A calibration on record whose files are as they were written.

    ``digest`` is that of what ``calibration.json`` says, ``files`` how many were held against their digests, and
    ``unlisted`` are those that have none.
    """

    folder: str
    digest: str
    files: int
    unlisted: tuple[str, ...]


def made_now(found: Calibration) -> Recorded:
    """A calibration that was just made, as it is to be recorded."""
    versions = {name: version(name) for name in _VERSIONED} | {"python": platform.python_version()}
    return Recorded(found, datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"), versions)


def entry(made: Recorded, document: Mapping[str, Any]) -> dict[str, Any]:
    """A calibration as a run holds it.

    Parameters
    ----------
    document
        As the command line prints it.
    """
    return _sealed({**document, "created": made.created, "versions": dict(made.versions)})


def in_run(told: Sequence[Mapping[str, Any]]) -> bytes:
    """The bytes of ``calibration.json`` of a run."""
    return dump({"format": CALIBRATIONS, "calibrations": told})


def write(
    made: Recorded, document: Mapping[str, Any], pictures: Iterable[Drawn], page: str, reports: Path, *,
    inputs: Mapping[str, str],
) -> Path:  # fmt: skip
    """Record a calibration below a folder of reports, whole or not at all.

    Parameters
    ----------
    document
        As the command line prints it.
    inputs
        The digest of every input file by its place in a run.

    Returns
    -------
    Path
        The calibration's own folder; the page in it is ``report.html``.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    files = {"report.html": page.encode(), **picture_files(pictures)}
    digests = {path: store.sha256(content) for path, content in sorted(files.items())}
    told = _sealed({**entry(made, document), "inputs": dict(inputs), "files": digests})
    created = datetime.datetime.fromisoformat(made.created)
    name = f"{created:%Y%m%dT%H%M%SZ}-{made.found.truths}"
    return store.place({FILE: dump(told), **files}, name, reports / made.found.dossier / _FOLDER, what="calibration")


def beside(folder: Path, inputs: Mapping[str, str]) -> Beside:
    """The calibrations of the same input files, byte for byte, for truths of the prior and of the posterior.

    Of several that with most simulations, and of those the latest. A damaged one is passed over, and told of where no
    later one of the same truths and files is sound.

    Parameters
    ----------
    folder
        The folder of a dossier's runs.
    inputs
        The digest of every input file by its place in a run.

    Raises
    ------
    StoreError
        If the folder cannot be read.
    """
    place = folder / _FOLDER
    try:
        every = sorted(place.iterdir(), key=_in_time, reverse=True) if inputs and place.is_dir() else []
    except OSError as problem:
        raise StoreError(f"{place} cannot be read: {problem.strerror}") from problem
    shown, damages, others = [], [], list[str]()
    for truths in _WHERE_FROM:
        same: list[Recorded] = []
        for path in (p for p in every if _truths_of(p) == truths and (p / FILE).is_file()):
            try:
                told = _document(path, said=FILE)
                made = _recorded(told, Path(FILE))
            except StoreError as problem:
                damages += [] if same else [Damage(path, truths, str(problem), *_stated(path))]
                continue
            if told.get("inputs") == inputs:
                same.append(made)
            else:
                others.append(made.created)
        if same:  # of as many simulations the first, which is the latest
            shown.append(max(same, key=lambda made: made.found.simulations))
    return Beside(tuple(shown), tuple(damages), "" if shown else max(others, default=""))


def _stated(folder: Path) -> tuple[int | None, int | None]:
    """How many simulations and which seed a damaged document states, as far as they can be read."""
    try:
        text = (folder / FILE).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None, None
    simulations, seed = (re.search(rf'"{key}": (\d{{1,10}}),', text) for key in ("simulations", "seed"))
    return simulations and int(simulations[1]), seed and int(seed[1])


def _truths_of(folder: Path) -> str:
    """Where truths were drawn from, as the name of a calibration's folder says."""
    return folder.name.partition("-")[2].partition("-")[0]


def read(folder: Path) -> Recorded:
    """The calibration of a folder, held against its digest.

    Raises
    ------
    StoreError
        If there is none, or it is damaged, edited or of a newer version.
    """
    return _recorded(_document(folder), folder / FILE)


def _document(folder: Path, *, said: str = "") -> Mapping[str, Any]:
    """What the document of a folder says, held against its digest; errors name it by its path, or as it is ``said``."""
    path = Path(said) if said else folder / FILE
    return _checked(store.parse(store.read(folder / FILE), path), path)


def check(folder: Path) -> Kept:
    """Hold every file of a calibration's folder against its digest.

    Raises
    ------
    StoreError
        If any is missing or not as it was written; it names them all.
    """
    told, path = _document(folder), folder / FILE
    digests = told.get("files", {})
    _recorded(told, path)
    if found := list(_unlike(folder, digests)):
        raise StoreError("\n".join(found))
    every = (file.relative_to(folder).as_posix() for file in folder.rglob("*") if not file.is_dir())
    unlisted = sorted(file for file in every if file != FILE and file not in digests)
    return Kept(str(folder), str(told["digest"]), 1 + len(digests), tuple(unlisted))


def _unlike(folder: Path, digests: Mapping[str, str]) -> Iterator[str]:
    for file, digest in digests.items():
        if not (folder / file).is_file():
            yield f"{folder / file} is missing"
        elif store.sha256(store.read(folder / file)) != digest:
            yield f"{folder / file} is not as it was written: its digest differs from that in {FILE}"


def entries(path: Path) -> tuple[Mapping[str, Any], ...]:
    """The calibrations that ``calibration.json`` of a run holds, each held against its digest; none without the file.

    Raises
    ------
    StoreError
        If it is damaged, edited or of a newer version.
    """
    if not path.is_file():
        return ()
    told = store.parse(store.read(path), path)
    check_format(told, CALIBRATIONS)
    found = told.get("calibrations")
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise StoreError(f"{path} is damaged: it holds no list of calibrations")
    return tuple(_checked(one, path) for one in found)


def of_run(path: Path) -> tuple[Recorded, ...]:
    """The same as calibrations.

    Raises
    ------
    StoreError
        As ``entries``.
    """
    return tuple(_recorded(told, path) for told in entries(path))


def _in_time(folder: Path) -> tuple[str, int, str]:
    """What sorts folders by when they were made, and within a second by when they were written."""
    try:
        written = (folder / FILE).stat().st_mtime_ns
    except OSError:
        written = 0
    return folder.name.partition("-")[0], written, folder.name


def _recorded(told: Mapping[str, Any], path: Path) -> Recorded:
    if wrong := [key for key, kind in _HEAD.items() if not isinstance(told.get(key), kind)]:
        raise StoreError(f"{path} is damaged: {', '.join(wrong)} missing, or not as it is written")
    return Recorded(calibration_of(told), told["created"], told["versions"])


def _sealed(told: Mapping[str, Any]) -> dict[str, Any]:
    """A document with the digest of all else in it."""
    rest = {key: value for key, value in told.items() if key != "digest"}
    return {**rest, "digest": store.sha256(dump(rest))}


def _checked(told: Mapping[str, Any], path: Path) -> Mapping[str, Any]:
    """The same, if it is of this version and as it was written."""
    check_format(told, CALIBRATION)
    if _sealed(told)["digest"] != told.get("digest"):
        raise StoreError(f"{path} is not as it was written: its digest differs from that of what it says")
    return told
