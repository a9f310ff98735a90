"""The runs of a dossier through time, in plain text and as a document."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from gaugeglass.judgement.moves import Chance
from gaugeglass.publication import moves as moving
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.documents import plain
from gaugeglass.record.histories import History, Moment, Otherwise

FORMAT = "gaugeglass.runs/1"
NOTE = (
    "± is one Monte Carlo error; ▲ and ▼ mark what moved by more than three since the run before it, or, of "
    "an alternative, from the run that it is one to."
)
_MOST_SAID = 8
"""How many changes of one run are listed; the rest are counted."""
_GAP, _LEAST = 3, 12  # between two columns, and for the name of a claim over its column [letters]


def history_text(found: History, width: int = 80, *, color: bool = False) -> str:
    """Every verdict in every run, and what came between them."""
    count = len(found.moments)
    what_if = sum(len(m.alternatives) for m in found.moments)
    more = f" and {what_if} alternative{'s' if what_if > 1 else ''}" if what_if else ""
    title = f"{found.subject}: {count} run{'s' if count > 1 else ''} of {found.dossier}{more}"
    rows = list(numbered(found))
    parts = [*tables._wrapped(title, width, hanging=""), ""]
    for label, m in rows:
        indent = " " * (len(label) - len(label.lstrip()))
        said = f"{label.strip()}  {m.name}: {came(m)}"
        parts += tables._wrapped(said, width, indent=indent, hanging=f"{indent}   ")
    for kind, what in (("claim", "Claims"), ("hypothesis", "Hypotheses")):
        for chunk in _chunks([c for c in chances(found) if c.kind == kind], rows, width):
            parts += ["", _table(what, rows, chunk, width, color=color)]
    parts += ["", *tables._wrapped(NOTE, width, hanging="")]
    return "\n".join(parts)


def history_document(found: History) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    return {
        "format": FORMAT,
        "dossier": found.dossier,
        "subject": found.subject,
        "runs": [_document(moment) for moment in found.moments],
    }


def _document(m: Moment) -> dict[str, Any]:
    moved = m.moves.chances if m.moves else ()
    return {
        "run": m.name,
        "folder": str(m.folder),
        "digest": m.digest or None,
        "created": m.created or None,
        "damage": m.damage,
        "asked": m.asked,
        "verdicts": plain(m.standing.chances if m.standing else ()),
        "moved": [c.name for c in moved if c.moved],
        "changes": plain(m.changes),
        "otherwise": plain(m.otherwise),
        "alternatives": [_document(a) for a in m.alternatives],
    }


def numbered(found: History) -> Iterator[tuple[str, Moment]]:
    """Every run under its number, alternatives under that of their run and a letter, indented."""
    for k, moment in enumerate(found.moments, 1):
        yield str(k), moment
        for n, alternative in enumerate(moment.alternatives):
            yield f"  {k}{_letters(n)}", alternative


def _letters(n: int) -> str:
    return (_letters(n // 26 - 1) if n >= 26 else "") + chr(ord("a") + n % 26)


def chances(found: History) -> list[Chance]:
    """Every claim and hypothesis that any run has, as the latest has them first."""
    every = [c for m in reversed(list(found.all)) if m.standing for c in m.standing.chances]
    first: dict[tuple[str, str], Chance] = {}
    for chance in every:
        first.setdefault((chance.kind, chance.name), chance)
    return list(first.values())


def when(created: str) -> str:
    """A time of universal time as it is printed, to the minute."""
    return created[:16].replace("T", " ") if created else numbers.ABSENT


# --- tables -------------------------------------------------------------------------------------------------


def _chunks(every: Sequence[Chance], rows: Sequence[tuple[str, Moment]], width: int) -> Iterator[list[Chance]]:
    """Claims or hypotheses, as many at a time as fit beside the numbers of runs."""
    left = width - max(len(label) for label, _ in rows) - _GAP
    room = left
    chunk: list[Chance] = []
    for chance in every:
        needed = _GAP + max(_LEAST, *(len(_cell(m, chance)) for _, m in rows))
        if chunk and needed > room:
            yield chunk
            room, chunk = left, []
        chunk.append(chance)
        room -= needed
    if chunk:
        yield chunk


def _table(title: str, rows: Sequence[tuple[str, Moment]], shown: Sequence[Chance], width: int, *, color: bool) -> str:
    headings = ("run", *(spoken(c.name) for c in shown))
    cells = [(label, *(_cell(m, c) for c in shown)) for label, m in rows]
    return tables._table(title, headings, cells, width, color=color)


def _cell(m: Moment, chance: Chance) -> str:
    held = next((c for c in m.standing.chances if _is(c, chance)), None) if m.standing else None
    if held is None:
        return "damaged" if m.damage else numbers.ABSENT
    moved = next((c for c in m.moves.chances if _is(c, chance)), None) if m.moves else None
    mark = "" if moved is None or not moved.moved else f" {moving.UP if moved.shift > 0 else moving.DOWN}"
    return numbers.probability(held.probability) + mark


def _is(one: Any, other: Chance) -> bool:
    return (one.kind, one.name) == (other.kind, other.name)


# --- what came ----------------------------------------------------------------------------------------------


def came(m: Moment) -> str:
    """What came since the run before, in one sentence."""
    if m.damage:
        return m.damage
    if m.asked:
        return f"an alternative, {m.asked}"
    if m.is_first:
        return "the first run"
    said = list(moving._sentences(m.changes)) or ["the same inputs"]
    shown = [*said[:_MOST_SAID], *([f"{len(said) - _MOST_SAID} changes more"] if len(said) > _MOST_SAID else [])]
    return "; ".join([*shown, *([otherwise_text(m.otherwise)] if m.otherwise else [])])


def otherwise_text(found: Sequence[Otherwise]) -> str:
    """How something was computed otherwise, in one clause."""
    said = [f"{spoken(o.key)} {o.before or 'not said'} {moving.ARROW} {o.now or 'not said'}" for o in found]
    return f"computed with {', '.join(said)}"
