"""Two runs beside each other in plain text and as a document: what differs, and which input did what."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from gaugeglass.judgement.moves import ERRORS
from gaugeglass.judgement.paths import MOST_RANGED, Attribution, Path, Shift, Step
from gaugeglass.publication import moves as moving
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.histories import otherwise_text, when
from gaugeglass.publication.moves import ARROW
from gaugeglass.publication.sheet import short, spoken
from gaugeglass.record.changes import Comparison, Field, File, Rest
from gaugeglass.record.documents import plain

FORMAT = "gaugeglass.compare/1"
OPEN_NOTE = "It has no value in some draws: points and log odds are of the least that its probability may be."
ORDER_NOTE = (
    "Points are percentage points, ± one Monte Carlo error. Inputs are changed one after the other: as runs in between "
    "first had them, and of one run the model first, then what has no date, then by date. A share depends on that "
    "order; the last column is what the change does made first of all, and last of all. Each refit has an error of its "
    "own, which is in two neighbouring shares with opposite signs. No input: what is left of the change on record, by "
    "seeds, settings and versions."
)
_MOST_FIELDS, _LETTERS = 20, 160
_LEAST = 1e-4
"""Difference of two probabilities below which nothing is said to have moved: the last digit that is printed. [1]"""


def comparison_text(found: Comparison, width: int = 80, *, color: bool = False) -> str:
    """Everything that differs: the inputs first, then what was held, then what each input did to it."""
    if (found.before.run, found.before.digest) == (found.now.run, found.now.digest):
        one = f"{found.now.run}, made {when(found.now.created)}: one and the same run, so nothing differs."
        return "\n".join([*tables._wrapped(found.subject, width, hanging=""), *tables._wrapped(one, width, hanging="")])
    runs = f"{found.before.run} {ARROW} {found.now.run}"
    made = f"made {when(found.before.created)} and {when(found.now.created)}"
    parts = [*tables._wrapped(found.subject, width, hanging=""), *tables._wrapped(f"{runs}, {made}", width, hanging="")]
    parts += ["", tables._styled("Inputs", width, color=color), *tables._bullets(_inputs(found.files), width)]
    if found.otherwise:
        parts += tables._bullets([otherwise_text(found.otherwise)], width)
    parts += ["", *moving._tables(found.moves, found.subject, is_first=False, width=width, color=color)]
    if found.path is not None:
        parts += ["", *_path(found.path, found.rests, width, color=color)]
    if found.message:
        parts += ["", *tables._wrapped(f"What each input did is not known: {found.message}", width, hanging="")]
    return "\n".join(parts)


def comparison_document(found: Comparison) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    document: dict[str, Any] = plain(found)
    moved = document.pop("moves")
    return {"format": FORMAT, **document, "verdicts": moved["chances"], "quantities": moved["levels"]}


# --- inputs -------------------------------------------------------------------------------------------------


def _inputs(files: Sequence[File]) -> Iterator[str]:
    if not files:
        yield "the same, byte for byte"
    for file in files:
        if file.how != "changed":
            yield f"{file.file} {file.how}"
        elif not file.fields:
            yield f"{file.file}: comments or layout"
        else:
            yield from (f"{file.file}: {_field(field)}" for field in file.fields[:_MOST_FIELDS])
            if len(file.fields) > _MOST_FIELDS:
                yield f"{file.file}: {len(file.fields) - _MOST_FIELDS} fields more (--json lists all)"


def _field(field: Field) -> str:
    if field.before is None and field.now is None:
        return "not readable today"
    if field.before is None:
        return f"{field.key} added: {_brief(field.now)}"
    if field.now is None:
        return f"{field.key} removed: {_brief(field.before)}"
    return f"{field.key}: {_brief(field.before)} {ARROW} {_brief(field.now)}"


def _brief(text: str | None) -> str:
    return short(text, _LETTERS) if text else "nothing"


# --- what each did ------------------------------------------------------------------------------------------


def _path(path: Path, rests: Sequence[Rest], width: int, *, color: bool) -> Iterator[str]:
    if not path.steps:
        words = "No input that an inference uses differs: what moved all the same, seeds, settings or versions moved."
        yield from tables._wrapped(words, width, hanging="")
        return
    claims = [a for a in path.attributions if a.kind == "claim"]
    shown = [a for k, a in enumerate(claims) if k == 0 or is_seen(a.whole)]
    for found in shown:
        yield from (*_claim(found, path, _rest_of(found, rests), width, color=color), "")
    still = [spoken(a.name) for a in claims if a not in shown]
    if still:
        yield from (*tables._wrapped(f"Not moved by more than errors: {', '.join(still)}.", width, hanging=""), "")
    rivals = [a for a in path.attributions if a.kind == "hypothesis"]
    if rivals:
        rows = [_rival(a) for a in rivals]
        headings = ("hypothesis", "points", "of which")
        yield tables.fitting("What each input did to the hypotheses", headings, rows, width, color=color)
        yield ""
    yield from tables._wrapped(ORDER_NOTE, width, hanging="")
    of_model = next((s for s in path.steps if s.place == "model"), None)
    if of_model is not None:
        yield from tables._wrapped(f"The model is one step: {model_parts(of_model)}.", width, hanging="")
    if path.unused:
        said = "; ".join(moving._sentences(path.unused))
        yield from tables._wrapped(f"No inference uses what else changed: {said}.", width, hanging="")
    if len(path.steps) > MOST_RANGED:
        words = f"More than {MOST_RANGED} inputs differ, so that none was made first of all or last of all."
        yield from tables._wrapped(words, width, hanging="")


def model_parts(step: Step) -> str:
    """Which sections of the model differ, and which entries of the dossier change with it."""
    return "; ".join(moving._sentences(step.changes))


def _claim(found: Attribution, path: Path, rest: Rest | None, width: int, *, color: bool) -> Iterator[str]:
    title = (f"What moved {spoken(found.name)}: {numbers.probability(found.before)} {ARROW} "
             f"{numbers.probability(found.after)}")  # fmt: skip
    rows = [
        (s.step, points(s.on_path.probability, s.on_path.mcse), log_odds(s.on_path), _range(s.first, s.last))
        for s in found.shares
    ]
    if len(rows) > 1:
        rows.append(("all inputs", points(found.whole.probability, found.whole.mcse), log_odds(found.whole), ""))
    if rest is not None:
        mark = " !" if rest.seen else ""
        rows.append(("no input", points(rest.shift, rest.mcse) + mark, "", ""))
    headings = ("input", "points", "log odds", "first, last")
    yield tables.fitting(title, headings, rows, width, color=color)
    if found.before.is_between or found.after.is_between:
        yield from tables._wrapped(OPEN_NOTE, width, hanging="")
    if rest is not None and rest.seen:
        words = f"! by more than {ERRORS:.0f} errors: how the runs were computed moved it, not what they were told."
        yield from tables._wrapped(words, width, hanging="")


def _rest_of(found: Attribution, rests: Sequence[Rest]) -> Rest | None:
    return next((r for r in rests if (r.kind, r.claim) == (found.kind, found.name)), None)


def _rival(found: Attribution) -> tuple[str, str, str]:
    seen = [s for s in found.shares if is_seen(s.on_path)]
    seen.sort(key=lambda s: -abs(s.on_path.probability))
    said = ", ".join(f"{s.step} {points(s.on_path.probability, s.on_path.mcse)}" for s in seen)
    return spoken(found.name), points(found.whole.probability, found.whole.mcse), said or "none that is seen"


def is_seen(shift: Shift) -> bool:
    """Whether a shift is more than three Monte Carlo errors, and more than can be printed."""
    return abs(shift.probability) > max(ERRORS * shift.mcse, _LEAST)


def points(shift: float, mcse: float) -> str:
    """A difference of two probabilities in percentage points."""
    if not mcse > 0:
        return numbers.change(100 * shift, 0.0)
    decimals = min(max(numbers.decimals_of(100 * mcse, 1), 1), 2)
    sign = "+" if round(100 * shift, decimals) > 0 else ""
    shown, error = numbers.fixed(100 * shift, decimals), numbers.fixed(max(100 * mcse, 10.0**-decimals), decimals)
    return f"{sign}{shown}{numbers.SPACE}±{numbers.SPACE}{error}"


def log_odds(shift: Shift) -> str:
    """A difference of log odds; absent where every draw agrees at either end."""
    return numbers.ABSENT if math.isnan(shift.log_odds) else numbers.change(shift.log_odds, shift.log_odds_mcse)


def _range(first: Shift | None, last: Shift | None) -> str:
    if first is None or last is None:
        return numbers.ABSENT
    return ", ".join(_signed(100 * s.probability) for s in (first, last))


def _signed(x: float) -> str:
    text = numbers.fixed(x, 1)
    return f"+{text}" if round(x, 1) > 0 else text
