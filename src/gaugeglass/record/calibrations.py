"""Calibrations on record: each in a folder of its own beside the runs, and in the run whose page shows it.

``reports/DOSSIER/calibrations/TIME-TRUTHS/`` holds ``calibration.json``, ``figures/`` and ``report.html``. The document
bears the digest of all else that it says, and the digests of the input files, by which a run of the same is known.
"""

from __future__ import annotations

import datetime
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gaugeglass.errors import StoreError
from gaugeglass.record import store
from gaugeglass.record.documents import CALIBRATION, calibration_of, check_format, dump
from gaugeglass.record.pictures import Drawn, picture_files

if TYPE_CHECKING:
    from gaugeglass.judgement.calibration import Calibration

CALIBRATIONS = "gaugeglass.calibrations/1"
"""Name and version of what a run holds of the calibrations that its page shows."""
FILE = "calibration.json"
_FOLDER = "calibrations"
_VERSIONED = ("gaugeglass", "nutpie", "llvmlite", "numpy", "scipy")
_WHERE_FROM = ("prior", "posterior")
_HEAD: Mapping[str, type] = {"created": str, "versions": dict}


@dataclass(frozen=True)
class Recorded:
    """A calibration, when it was recorded and which versions made it."""

    found: Calibration
    created: str
    versions: Mapping[str, str]


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
    told = _sealed({**entry(made, document), "inputs": dict(inputs)})
    created = datetime.datetime.fromisoformat(made.created)
    files = {FILE: dump(told), "report.html": page.encode(), **picture_files(pictures)}
    name = f"{created:%Y%m%dT%H%M%SZ}-{made.found.truths}"
    return store.place(files, name, reports / made.found.dossier / _FOLDER, what="calibration")


def latest(folder: Path, inputs: Mapping[str, str]) -> tuple[Recorded, ...]:
    """The calibration of the same input files, byte for byte, for truths of the prior and of the posterior.

    Of several that with most simulations, and of those the latest.

    Parameters
    ----------
    folder
        The folder of a dossier's runs.
    inputs
        The digest of every input file by its place in a run.

    Raises
    ------
    StoreError
        If one that may be the one is damaged.
    """
    place = folder / _FOLDER
    try:
        every = sorted(place.iterdir(), key=_in_time, reverse=True) if inputs and place.is_dir() else []
    except OSError as problem:
        raise StoreError(f"{place} cannot be read: {problem.strerror}") from problem
    found = []
    for truths in _WHERE_FROM:
        own = (path / FILE for path in every if path.name.partition("-")[2].partition("-")[0] == truths)
        if same := _of_same(own, inputs):  # of as many simulations the first, which is the latest
            found.append(_recorded(max(same, key=lambda told: told["simulations"]), place))
    return tuple(found)


def _of_same(files: Iterable[Path], inputs: Mapping[str, str]) -> list[Mapping[str, Any]]:
    """Documents of the same input files, the latest first; a damaged one is passed over where a later one is sound."""
    found: list[Mapping[str, Any]] = []
    for path in files:
        if not path.is_file():
            continue
        try:
            told = _checked(store.parse(store.read(path), path), path)
        except StoreError:
            if not found:
                raise
            continue
        if told.get("inputs") == inputs:
            found.append(told)
    return found


def read(folder: Path) -> Recorded:
    """The calibration of a folder, held against its digest.

    Raises
    ------
    StoreError
        If there is none, or it is damaged, edited or of a newer version.
    """
    path = folder / FILE
    return _recorded(_checked(store.parse(store.read(path), path), path), path)


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
