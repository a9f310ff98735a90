"""A run held against its repetition, in plain text and as a document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gaugeglass.publication import numbers, tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.calibrations import Kept
from gaugeglass.record.documents import plain
from gaugeglass.record.rechecks import ERRORS, Number, Recheck

FORMAT, KEPT = "gaugeglass.recheck/1", "gaugeglass.recheck_of_calibration/1"
NOTE = f"apart: in Monte Carlo errors of the difference; ! beyond {ERRORS:.0f}."
DIGEST_NOTE = (
    "That is the digest of run.json, which lists the digests of all others and is guarded by nothing else: compare it "
    "with the one that was posted."
)
KEPT_NOTE = (
    "That is the digest of what calibration.json says, the digests of the other files with it. A calibration is not "
    "made again here; its page says by which command it is."
)
_MOST = 12
"""How many numbers are listed, those furthest apart; the rest are counted."""


def kept_text(found: Kept, width: int = 80) -> str:
    """That the files of a calibration are as they were, and which were not held against a digest."""
    parts = [*_files_text(found.folder, found.files, width), f"sha256:{found.digest}"]
    parts += tables._wrapped(KEPT_NOTE, width, hanging="")
    return "\n".join([*parts, *_unlisted_text(found.unlisted, "calibration", width)]).rstrip()


def kept_document(found: Kept) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    return {"format": KEPT, **plain(found)}


def _files_text(folder: str, files: int, width: int) -> list[str]:
    many = f"{files} files, all as they were written" if files > 1 else "1 file, as it was written"
    return tables._wrapped(f"{folder}: {many}", width)


def _unlisted_text(unlisted: Sequence[str], what: str, width: int) -> list[str]:
    """Which files no digest guards; nothing where there are none."""
    if not unlisted:
        return []
    more = f" and {len(unlisted) - _MOST} more" if len(unlisted) > _MOST else ""
    names = ", ".join(unlisted[:_MOST]) + more
    return [*tables._wrapped(f"Not of the {what}, and so not checked: {names}.", width, hanging=""), ""]


def recheck_text(found: Recheck, width: int = 80, *, color: bool = False) -> str:
    """Whether the files are as they were, what could be expected of a repetition, and what it gave."""
    parts = [*_files_text(found.folder, found.files, width), f"sha256:{found.digest}"]
    parts += [*tables._wrapped(DIGEST_NOTE, width, hanging=""), "", *_unlisted_text(found.unlisted, "run", width)]
    parts += tables._wrapped(f"{expectation(found)} {finding(found)}", width, hanging="")
    if found.outcome == "to the last bit":
        return "\n".join(parts)
    ordered = sorted(found.numbers, key=lambda n: -n.errors)
    rows = [_row(n) for n in ordered[:_MOST]]
    title = f"The {_MOST} of {len(ordered)} numbers furthest apart" if len(ordered) > _MOST else "Numbers"
    headings = ("number", "recorded", "again", "apart")
    return "\n".join([*parts, "", tables.fitting(title, headings, rows, width, color=color), *_note(width)])


def recheck_document(found: Recheck) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    return {"format": FORMAT, **plain(found)}


def expectation(found: Recheck) -> str:
    """What can be expected of a repetition, and why no more."""
    if not found.otherwise:
        return "Same compiled program, versions and processor, so the same numbers to the last bit are expected."
    said = [f"{spoken(o.key)} ({o.before or 'not recorded'}, now {o.now or 'none'})" for o in found.otherwise]
    return f"Not computed as it was: {', '.join(said)}. So agreement within Monte Carlo errors is expected."


def finding(found: Recheck) -> str:
    """What the repetition gave."""
    if found.outcome == "to the last bit":
        return "Inferred and judged again: every draw, verdict and quantity is the same to the last bit."
    furthest = max((n.errors for n in found.numbers), default=0.0)
    apart = "without end" if math.isinf(furthest) else f"{numbers.fixed(furthest, 1)} errors"
    if found.outcome == "within errors":
        draws = (
            "Every draw is the same to the last bit, and what is judged of them" if found.same_draws else "Everything"
        )
        more = "" if found.otherwise or found.same_draws else ", though not to the last bit"
        return f"Inferred and judged again. {draws} agrees within Monte Carlo errors, {apart} at most{more}."
    beyond = sum(n.errors > ERRORS for n in found.numbers)
    what = f"{beyond} of {len(found.numbers)} numbers are" if beyond else "what was judged is"
    return f"Inferred and judged again: the run is not reproduced; {what} beyond Monte Carlo errors, {apart} at most."


def _row(n: Number) -> tuple[str, str, str, str]:
    name = f"hypothesis {spoken(n.name)}" if n.kind == "hypothesis" else spoken(n.name)
    mark = " !" if n.errors > ERRORS else ""
    apart = "∞" if math.isinf(n.errors) else numbers.fixed(n.errors, 1)
    return name, _text(n, n.recorded), _text(n, n.again), apart + mark


def _text(n: Number, x: float) -> str:
    if n.kind != "quantity":
        return numbers.percent(x, 2)
    return numbers.with_unit(numbers.rounded(x, n.mcse), n.unit)


def _note(width: int) -> list[str]:
    return tables._wrapped(NOTE, width, hanging="")
