"""The runs of a dossier through time: finding one by a short name, what was held in each, and what came in between."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from gaugeglass.errors import SpecError, StoreError
from gaugeglass.judgement.moves import Change, Moves, Standing, changes, moves, recorded_chances, recorded_standing
from gaugeglass.language.alternatives import options
from gaugeglass.language.spec import Alternative, Spec
from gaugeglass.record import runs
from gaugeglass.record.documents import plain
from gaugeglass.record.runs import Run

_LATEST = re.compile(r"latest(?:~(\d{1,4}))?")
_INPUTS = "inputs/"
_PROGRAM = "program"
_SECTIONS = ("settings", "versions")


@dataclass(frozen=True, slots=True)
class Otherwise:
    """One thing in how two runs were computed that is not the same; None where one does not say it."""

    key: str
    before: str | None
    now: str | None


@dataclass(frozen=True)
class Moment:
    """One run in the history of its dossier.

    ``changes`` says what became of the files since the run before it that could be read, ``otherwise`` how it was
    computed otherwise, and ``moves`` what that moved; the first run has none. An alternative is held against the run
    that it is one to, and ``asked`` says what it alters, as options of the command line. ``damage`` says why a run
    cannot be read, and is empty where it can.
    """

    folder: Path
    name: str
    created: str
    digest: str = ""
    standing: Standing | None = None
    changes: tuple[Change, ...] = ()
    otherwise: tuple[Otherwise, ...] = ()
    moves: Moves | None = None
    is_first: bool = False
    asked: str = ""
    damage: str = ""
    alternatives: tuple[Moment, ...] = ()


@dataclass(frozen=True)
class History:
    """The runs of a dossier, oldest first; alternatives stand under the run that they are alternatives to."""

    dossier: str
    subject: str
    moments: tuple[Moment, ...]

    @property
    def all(self) -> Iterator[Moment]:
        """Every run, alternatives after the run that they belong to."""
        for moment in self.moments:
            yield moment
            yield from moment.alternatives


# --- finding a run ------------------------------------------------------------------------------------------


def find(reports: Path, dossier: str, which: str = "latest") -> Path:
    """The folder of one run of a dossier.

    Parameters
    ----------
    which
        ``latest``; ``latest~1``, the one before it, and so on; or the name of a run, or the beginning of one name.

    Raises
    ------
    LookupError
        If there is no such run, or if several begin so; the message says which runs there are.
    """
    listed = runs.listing(reports, dossier)
    if not listed:
        raise LookupError(f"no runs of '{dossier}' in {reports}")
    if match := _LATEST.fullmatch(which):
        back = int(match[1] or 0)
        if back >= len(listed):
            raise LookupError(f"{dossier}@{which}: there are {len(listed)} runs of '{dossier}' in {reports}")
        return listed[-1 - back]
    place = reports / dossier
    if which and (place / which / "run.json").is_file() and "/" not in which:
        return place / which
    found = [path for path in _every(reports, dossier) if which and path.name.startswith(which)]
    if len(found) != 1:
        what = "no run is" if not found else "several runs are"
        names = ", ".join(path.name for path in found or listed[-5:])
        raise LookupError(f"{dossier}@{which}: {what} called so; there {'are' if found else 'is, last,'} {names}")
    return found[0]


def parent_of(folder: Path) -> str | None:
    """The name of the run that the run in a folder is an alternative to; None where it is no alternative.

    Empty where it is one to a run that was not recorded.
    """
    stated = told_by(folder).get("alternative")
    if not isinstance(stated, dict):
        return None
    of = stated.get("of")
    return str(of.get("run", "")) if isinstance(of, dict) else ""


def alternative_asked(spec: Spec, of: Run, reports: Path, *, seed: int, draws: int) -> Run | None:
    """The latest alternative to a run that is on record with the same changes, seed and draws, by the same version.

    Parameters
    ----------
    spec
        What was altered of what the run was made from.
    draws
        Draws a chain, as asked for. [1]
    """
    if spec.alternative is None:
        return None
    asked = {
        "alternative": {"of": {"run": of.name, "digest": of.digest}, "changes": plain(spec.alternative)},
        "seed": seed, "draws": draws, "version": version("gaugeglass"),
    }  # fmt: skip
    for folder in reversed(runs.alternatives(reports, spec.dossier.name)):
        about = told_by(folder)
        settings, versions = (found if isinstance(found := about.get(key), dict) else {} for key in _SECTIONS)
        told = {"draws": settings.get("draws"), "version": versions.get("gaugeglass")}
        if asked == {"alternative": about.get("alternative"), "seed": about.get("seed"), **told}:
            with contextlib.suppress(StoreError):  # 'runs' lists what is damaged
                return runs.read(folder)
    return None


def between(before: Run, now: Run) -> tuple[tuple[str, Spec], ...]:
    """The runs of a dossier between two of it, in the order that leads from one to the other: names and Specs.

    None where either is a public form or they are of two folders; what cannot be read is left out.
    """
    places = [run.folder.resolve() for run in (before, now)]
    if places[0].parent != places[1].parent or any(run.about.get("public") for run in (before, now)):
        return ()
    first, last = sorted(map(runs.in_time, places))
    listed = runs.listing(places[0].parents[1], places[0].parent.name)
    opened = (_opened(folder) for folder in listed if first < runs.in_time(folder) < last)
    found = [(each.run.name, each.spec) for each in opened if each.run is not None and each.spec is not None]
    return tuple(found if first == runs.in_time(places[0]) else reversed(found))


def told_by(folder: Path) -> dict[str, Any]:
    """What ``run.json`` says, unchecked; nothing where it cannot be read."""
    try:
        found = json.loads((folder / "run.json").read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _every(reports: Path, dossier: str) -> tuple[Path, ...]:
    """The folders of all runs of a dossier but public forms, alternatives among them, oldest first."""
    every = (*runs.listing(reports, dossier), *runs.alternatives(reports, dossier))
    return tuple(sorted(every, key=runs.in_time))


# --- what was held ------------------------------------------------------------------------------------------


def standing_of(run: Run, spec: Spec | None) -> Standing:
    """What a run recorded of claims, hypotheses and leading quantities; no quantities where it keeps no inputs."""
    if spec is None:
        return Standing(recorded_chances(run.assessment), ())
    return recorded_standing(spec, run.assessment, run.draws()[1])


def spec_of(run: Run) -> Spec | None:
    """The inputs of a run; None where it keeps none, or none that can be read today."""
    try:
        return run.spec()
    except (StoreError, SpecError):
        return None


# --- what came ----------------------------------------------------------------------------------------------


def history(reports: Path, dossier: str) -> History:
    """Every run of a dossier below a folder of reports, with what came between each and the one before it.

    Raises
    ------
    LookupError
        If there are none.
    """
    every = _every(reports, dossier)
    if not every:
        raise LookupError(f"no runs of '{dossier}' in {reports}")
    read = {folder.name: _opened(folder) for folder in every}
    parents = {folder.name: parent_of(folder) for folder in every}
    subject, moments = dossier, []
    last: _Opened | None = None
    for folder in (f for f in every if parents[f.name] not in read):
        opened = read[folder.name]
        under = [_moment(f, read[f.name], opened) for f in every if parents[f.name] == folder.name]
        is_own = parents[folder.name] is None
        moments.append(_moment(folder, opened, last if is_own else None, tuple(under)))
        if opened.run is not None and is_own:
            last, subject = opened, opened.run.assessment.subject
    return History(dossier, subject, tuple(moments))


@dataclass(frozen=True)
class _Opened:
    """A run as it was read, or why it was not."""

    run: Run | None
    spec: Spec | None
    standing: Standing | None
    damage: str = ""


def _opened(folder: Path) -> _Opened:
    try:
        run = runs.read(folder)
    except StoreError as problem:
        return _Opened(None, None, None, str(problem))
    return _Opened(run, spec_of(run), Standing(recorded_chances(run.assessment), ()))


def _moment(folder: Path, opened: _Opened, before: _Opened | None, alternatives: tuple[Moment, ...] = ()) -> Moment:
    run, held = opened.run, opened.standing
    if run is None or held is None:
        return Moment(folder, folder.name, "", damage=opened.damage, alternatives=alternatives)
    told = Moment(
        folder, folder.name, str(run.about["created"]), run.digest, held, asked=_asked(run), alternatives=alternatives
    )
    if before is None or before.run is None or before.standing is None:
        return replace(told, is_first=True)
    between = changes(before.spec, opened.spec) if before.spec and opened.spec else ()
    computed = computed_otherwise(before.run, run)
    return replace(told, changes=between, otherwise=computed, moves=moves(before.standing, held))


def _asked(run: Run) -> str:
    return options(Alternative(**run.alternative["changes"])) if run.alternative else ""


def computed_otherwise(before: Run, after: Run) -> tuple[Otherwise, ...]:
    """In what the two runs were computed otherwise: seed, settings, versions, processor.

    That another program was compiled is said only where the inputs are the same, for it follows from them.
    """
    old, new = (_computed(run) for run in (before, after))
    if inputs_of(before) != inputs_of(after):
        del old[_PROGRAM], new[_PROGRAM]
    return tuple(Otherwise(key, old.get(key), new.get(key)) for key in {**old, **new} if old.get(key) != new.get(key))


def _computed(run: Run) -> dict[str, str | None]:
    found: dict[str, str | None] = {"seed": str(run.about["seed"]), _PROGRAM: None}
    for section in _SECTIONS:
        found |= {key: str(value) for key, value in run.about[section].items() if key != "seed"}
    return found


def inputs_of(run: Run) -> dict[str, str]:
    """The digest of every input file of a run, by its place in ``inputs/``."""
    files: Mapping[str, str] = run.about["files"]
    return {path.removeprefix(_INPUTS): digest for path, digest in files.items() if path.startswith(_INPUTS)}
