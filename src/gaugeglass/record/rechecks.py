"""A run held against itself: whether its files are as they were written, and whether it comes out the same again."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from gaugeglass.errors import StoreError
from gaugeglass.judgement.moves import error_of, recorded_chances
from gaugeglass.judgement.results import Assessment
from gaugeglass.record import runs
from gaugeglass.record.documents import plain
from gaugeglass.record.histories import Otherwise, told_by
from gaugeglass.record.runs import Run

if TYPE_CHECKING:
    from gaugeglass.inference.posterior import Posterior

ERRORS = 5.0
"""Monte Carlo errors of a difference beyond which a run is not reproduced: so many, since dozens of numbers are held
against each other, with errors that are estimates themselves. [1]"""
_LEAST = 1e-4
"""Difference of two probabilities below which they are the same: the last digit that is printed. [1]"""
_DECIDING = ("gaugeglass", "nutpie", "llvmlite", "numpy", "scipy", "python", "sampler", "program", "processor")
"""The versions that decide every draw to the last bit."""

type Outcome = Literal["to the last bit", "within errors", "beyond errors"]


@dataclass(frozen=True, slots=True)
class Number:
    """One number as it was recorded and as it comes out again, in its unit; they are ``errors`` [1] errors apart."""

    kind: Literal["claim", "hypothesis", "quantity"]
    name: str
    unit: str
    recorded: float
    again: float
    mcse: float
    errors: float


@dataclass(frozen=True)
class Recheck:
    """A run and its repetition from its own inputs, seed and settings.

    ``otherwise`` lists what decides the draws and is not as it was; where it is empty, ``expected`` is the same to the
    last bit, and agreement within Monte Carlo errors else. ``unlisted`` are files in its folder that ``run.json`` does
    not list, so that no digest guards them. ``same_draws`` says whether the draws agree to the last bit,
    which what is judged of them need not where that is rounded otherwise.
    """

    run: str
    folder: str
    digest: str
    files: int
    expected: Literal["to the last bit", "within errors"]
    outcome: Outcome
    same_draws: bool
    otherwise: tuple[Otherwise, ...]
    numbers: tuple[Number, ...]
    unlisted: tuple[str, ...] = ()


def damages(folder: Path) -> tuple[str, ...]:
    """What is wrong with the files of a run, one sentence each; nothing where all are as they were written."""
    try:
        runs.read(folder)
    except StoreError as problem:
        return tuple(dict.fromkeys((*_unlike(folder), *([] if any(_unlike(folder)) else [str(problem)]))))
    return ()


def _unlike(folder: Path) -> Iterator[str]:
    files = told_by(folder).get("files")
    for path, digest in files.items() if isinstance(files, Mapping) else ():
        place = folder / str(path)
        if not place.is_file():
            yield f"{place} is missing"
        elif runs.digest_of(place) != digest:
            yield f"{place} is not as it was written: its digest differs from that in run.json"


def held_against(run: Run, posterior: Posterior, again: Assessment) -> Recheck:
    """Hold a run against its repetition.

    Parameters
    ----------
    posterior, again
        What its own inputs give today with its own seed and settings.
    """
    otherwise = tuple(_deciding(run.about["versions"], plain(posterior.versions)))
    numbers = tuple(_numbers(run.assessment, again))
    same_draws = _has_same_draws(run, posterior)
    same = same_draws and _concluded(run.assessment) == _concluded(again)
    apart = any(n.errors > ERRORS for n in numbers) or _names(run.assessment) != _names(again)
    return Recheck(
        run=run.name,
        folder=str(run.folder),
        digest=run.digest,
        files=len(run.about["files"]),
        expected="within errors" if otherwise else "to the last bit",
        outcome="to the last bit" if same else "beyond errors" if apart else "within errors",
        same_draws=same_draws,
        otherwise=otherwise,
        numbers=numbers,
        unlisted=tuple(_unlisted(run)),
    )


def _unlisted(run: Run) -> Iterator[str]:
    known = {"run.json", *run.about["files"]}
    files = (path.relative_to(run.folder).as_posix() for path in run.folder.rglob("*") if not path.is_dir())
    yield from sorted(file for file in files if file not in known)


def _deciding(recorded: Mapping[str, str], today: Mapping[str, str]) -> Iterator[Otherwise]:
    for key in _DECIDING:
        if recorded.get(key) is None or recorded.get(key) != today.get(key):
            yield Otherwise(key, recorded.get(key), today.get(key))


def _has_same_draws(run: Run, posterior: Posterior) -> bool:
    today = [runs.by_member(posterior.tree[name].to_dataset()) for name in ("prior", "posterior")]
    return all(
        old.keys() == new.keys() and all(np.array_equal(old[name], new[name], equal_nan=True) for name in old)
        for old, new in zip(run.draws(), today, strict=True)
    )


def _concluded(assessment: Assessment) -> Any:
    """Every number of the verdicts, the hypotheses and the quantities."""
    return plain((assessment.verdicts, assessment.hypotheses, assessment.quantities))


def _names(assessment: Assessment) -> list[tuple[str, str]]:
    chances = [(c.kind, c.name) for c in recorded_chances(assessment)]
    return sorted([*chances, *(("quantity", q.name) for q in assessment.quantities)])


def _numbers(recorded: Assessment, again: Assessment) -> Iterator[Number]:
    """Every probability and every mean that both have."""
    chances = {(c.kind, c.name): c.probability for c in recorded_chances(again)}
    for c in recorded_chances(recorded):
        if (p := chances.get((c.kind, c.name))) is not None:
            mcse = math.hypot(error_of(c.probability), error_of(p))
            yield _number(c.kind, c.name, "1", c.probability.value, p.value, mcse, least=_LEAST)
    quantities = {(q.name, q.unit): q for q in again.quantities}
    for q in recorded.quantities:
        if (twin := quantities.get((q.name, q.unit))) is not None:
            mcse = math.hypot(q.mcse, twin.mcse)
            yield _number("quantity", q.name, q.unit, q.posterior.mean, twin.posterior.mean, mcse, least=0.0)


def _number(
    kind: Literal["claim", "hypothesis", "quantity"], name: str, unit: str, old: float, new: float, mcse: float, *,
    least: float,
) -> Number:  # fmt: skip
    apart = abs(new - old)
    is_same = apart <= least or math.isclose(old, new, rel_tol=1e-12)
    return Number(kind, name, unit, old, new, mcse, 0.0 if is_same else apart / mcse if mcse > 0 else math.inf)
