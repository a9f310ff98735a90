"""What moved, in plain text: what became of the files, the verdicts and quantities beside what they were, the time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from gaugeglass.errors import Fault, SpecError
from gaugeglass.judgement.moves import ChanceMove, Change, LevelMove, Moves, Part
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.documents import plain

FORMAT = "gaugeglass.watch/1"
GAP = 3
"""Between two columns of a table. [letters]"""

UP, DOWN = "\N{BLACK UP-POINTING TRIANGLE}", "\N{BLACK DOWN-POINTING TRIANGLE}"
ARROW = "\N{RIGHTWARDS ARROW}"
_DOUBLE = 2.0  # from here on a width is so many times what it was

MARK_NOTE = (
    f"± is one Monte Carlo error; {UP} and {DOWN} mark what moved by more than three. Intervals are credible, with "
    "90 %."
)
MOVE_NOTE = (
    f"{MARK_NOTE} How far a verdict rests on the widths of priors is not followed here: 'gaugeglass assess' tells."
)


type Did = Literal["inferred", "inferred again", "nothing moved", "faults found", "refused"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a save of ``files`` led to.

    ``seconds`` says where the time went [s], ``moves`` is None where nothing was inferred, and ``message`` says why the
    inference was refused, or what of it was not reached.
    """

    did: Did
    files: tuple[str, ...]
    seconds: Mapping[str, float]
    changes: tuple[Change, ...] = ()
    moves: Moves | None = None
    faults: tuple[Fault, ...] = ()
    message: str = ""


def answer_text(answer: Answer, subject: str, when: str, width: int = 80, *, color: bool = False) -> str:
    """Everything that an answer says, the time that it took left out."""
    parts = (
        [] if answer.did == "inferred" else [tables._styled(f"{when}  {', '.join(answer.files)}", width, color=color)]
    )
    if answer.changes:
        parts.append(changes_text(answer.changes, width))
    if answer.did == "nothing moved":
        parts.append("Nothing changed that an inference uses.")
    if answer.faults:
        parts.append(str(SpecError(answer.faults)))
    if answer.moves is not None:
        parts += ["", *_tables(answer.moves, subject, is_first=answer.did == "inferred", width=width, color=color)]
    if answer.message:
        parts += ["", *answer.message.split("\n")]
    if answer.moves is not None and answer.did == "inferred":
        parts += ["", *tables._wrapped(MOVE_NOTE, width, hanging="")]
    return "\n".join(parts).strip("\n")


def answer_document(answer: Answer) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    moved = answer.moves or Moves((), ())
    found: dict[str, Any] = plain(
        {
            "format": FORMAT,
            "did": answer.did,
            "files": answer.files,
            "changes": answer.changes,
            "verdicts": moved.chances,
            "quantities": moved.levels,
            "faults": answer.faults,
            "message": answer.message,
            "seconds": answer.seconds,
        }
    )
    return found


def moves_text(moved: Moves, width: int = 80, *, color: bool = False) -> str:
    """The verdicts and leading quantities before and now, and what of them moved."""
    return "\n".join(_tables(moved, "", is_first=False, width=width, color=color))


def changes_text(changed: Sequence[Change], width: int = 80) -> str:
    """What became of the files, one entry a line."""
    return "\n".join(tables._bullets(_sentences(changed), width))


def seconds_text(from_save: float, seconds: Mapping[str, float], width: int = 80) -> str:
    """How long an answer took from the save [s], and what of it went where."""
    spent = ", ".join(f"{step} {_seconds(t)}" for step, t in seconds.items())
    return "\n".join(tables._wrapped(f"{_seconds(from_save)} s from the save: {spent}", width, hanging=""))


def _seconds(t: float) -> str:
    return numbers.fixed(t, 2 if t < 10 else 1)


def _tables(moved: Moves, subject: str, *, is_first: bool, width: int, color: bool) -> list[str]:
    last = () if is_first else ("moved",)
    chances = [(_proposition(c, is_first), *_chances(c), _chance_mark(c))[: 3 + len(last)] for c in moved.chances]
    levels = [(spoken(q.name), *_levels(q), _level_mark(q))[: 3 + len(last)] for q in moved.levels]
    is_table = width >= tables.NARROW
    if is_table and sum(max(map(len, column)) + GAP for column in zip(*levels, strict=True)) > width:
        levels = [tuple(_in_two_lines(cell) for cell in row) for row in levels]
    title = f"{subject}: before the evidence, and now" if is_first else "Verdicts"
    parts = [tables._table(title, ("claim or hypothesis", "before", "now", *last), chances, width, color=color)]
    if levels:
        headings = ("quantity", "before (90 %)", "now (90 %)", *last)
        parts += ["", tables._table("Leading quantities", headings, levels, width, color=color)]
    return parts


# --- verdicts and quantities --------------------------------------------------------------------------------


def _proposition(c: ChanceMove, with_sense: bool) -> str:
    """By its name, which the first answer puts before what it says."""
    name = spoken(c.name) if c.kind == "claim" else f"hypothesis {spoken(c.name)}"
    return f"{name}: {c.says}" if with_sense else name


def _chances(c: ChanceMove) -> tuple[str, str]:
    return numbers.ABSENT if c.before is None else numbers.probability(c.before), numbers.probability(c.now)


def _chance_mark(c: ChanceMove) -> str:
    if c.before is None:
        return "new"
    return f"{_sign(c.shift)} {numbers.plain(100 * abs(c.shift), 2)}{numbers.SPACE}points" if c.moved else ""


def _levels(q: LevelMove) -> tuple[str, str]:
    now = numbers.middle(q.now, q.unit)
    return numbers.ABSENT if q.before is None else numbers.middle(q.before, q.unit), now


def _in_two_lines(cell: str) -> str:
    return cell.replace(" (", "\n(", 1).replace(", ", "\n", 1)


def _level_mark(q: LevelMove) -> str:
    if q.before is None:
        return "new"
    marks = []
    if q.moved:
        marks.append(f"{_sign(q.shift)} {numbers.with_unit(numbers.plain(abs(q.shift), 2), q.unit)}")
    if q.width_moved:
        marks.append(_width_mark(q.width_ratio))
    return ", ".join(marks)


def _width_mark(ratio: float) -> str:
    if ratio < 1:
        return f"{numbers.percent(1 - ratio, 0)} narrower"
    if ratio < _DOUBLE:
        return f"{numbers.percent(ratio - 1, 0)} wider"
    return f"{numbers.plain(ratio, 2)} times as wide"


def _sign(shift: float) -> str:
    return UP if shift > 0 else DOWN


# --- what became of the files -------------------------------------------------------------------------------


def _sentences(changed: Sequence[Change]) -> Iterator[str]:
    """One for each entry of the dossier; entries of the model share one by what became of them."""
    entries = [c for c in changed if c.place in ("observation", "table", "given")]
    rest = [c for c in changed if c not in entries]
    yield from (_sentence(c) for c in entries)
    for place, how in dict.fromkeys((c.place, c.how) for c in rest):
        names = ", ".join(_named(c) for c in rest if (c.place, c.how) == (place, how))
        of = f"{place} of the model" if place not in ("dossier", "model") else place
        yield f"{of}: {names} {how}"


def _named(c: Change) -> str:
    stated = " ".join(_part(part) for part in c.parts)
    return f"{c.name} ({stated})" if stated else c.name


def _sentence(c: Change) -> str:
    name = c.name if c.place == "observation" else f"{c.place} {c.name}"
    told = [c.says] if c.says else []
    told += [_part(part) for part in c.parts if (part.before, part.now) != (None, None)]
    bare = [part.key for part in c.parts if (part.before, part.now) == (None, None)]
    told += [f"{' and '.join(bare)} changed"] if bare else []
    if c.how == "changed" and told:
        return f"{name}: {', '.join(told)}"
    return f"{name} {c.how}{f': {", ".join(told)}' if told else ''}"


def _part(part: Part) -> str:
    key = "" if part.key in ("", "value") else f"{spoken(part.key)} "
    return f"{key}{_worded(part.before, part.unit)} {ARROW} {_worded(part.now, part.unit)}"


def _worded(value: float | str | None, unit: str) -> str:
    if value is None:
        return "none"
    return value if isinstance(value, str) else numbers.exact(value, unit)
