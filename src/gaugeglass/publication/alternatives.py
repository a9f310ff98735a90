"""Alternatives in words: what is otherwise, what that moved, and to which run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from gaugeglass.judgement.moves import Moves, moves, recorded_standing
from gaugeglass.language.alternatives import options, own_priors, stated_before, written
from gaugeglass.language.spec import Alternative, Spec
from gaugeglass.publication import moves as moved
from gaugeglass.publication import tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.documents import plain
from gaugeglass.record.runs import Run

FORMAT = "gaugeglass.alternative/1"
"""Name and version of the shape of the document."""


def what_if(alternative: Alternative, before: Alternative | None = None) -> str:
    """What is otherwise, in one line, and instead of what where that is stated ``before``."""
    return f"What if: {'; '.join(_clauses(alternative, before or Alternative()))}"


def _clauses(alternative: Alternative, before: Alternative) -> Iterator[str]:
    if alternative.without:
        *most, last = alternative.without
        yield f"without {' and '.join([', '.join(most), last] if most else [last])}"
    for name, value in alternative.replace.items():
        yield f"{name} {_reading(value)}{_instead(_replaced(value, before.replace.get(name)))}"
    for name, value in alternative.prior_weights.items():
        yield f"prior weight of {spoken(name)} {value}{_instead(before.prior_weights.get(name))}"
    for name, value in alternative.priors.items():
        was = written(before.priors[name]) if name in before.priors else ""
        yield f"prior of {spoken(name)} {written(value)}{_instead(was)}"
    for name, value in alternative.givens.items():
        yield f"{spoken(name)} {value}{_instead(before.givens.get(name))}"


def _reading(value: Any) -> str:
    """A reading as it is stated: “at 198 ± 1 Wh”, “at 96 .. 99 Wh with u 2 Wh”, “with u 2 Wh”."""
    told = dict(value) if isinstance(value, Mapping) else {"value": value}
    at = [f"at {told.pop('value')}"] if "value" in told else []
    widths = ", ".join(f"{key} {text}" for key, text in told.items())
    return " ".join([*at, *([f"with {widths}"] if widths else [])])


def _replaced(value: Any, was: Any) -> str:
    """What stood in place of a reading; of one whose value stays its widths alone, where they stand apart from it."""
    if was is None:
        return ""
    if isinstance(value, Mapping) and "value" not in value and isinstance(was, Mapping):
        was = {key: text for key, text in was.items() if key != "value"} or was
    return _reading(was).removeprefix("at ").removeprefix("with ")


def _instead(was: Any) -> str:
    return f" instead of {was}" if was else ""


def to_what(of: Mapping[str, str] | None) -> str:
    """Of what this is an alternative, from the name and the digest of its parent."""
    whole = f"run {of['run']}" if of else "the dossier as it stands"
    return f"This is an alternative to {whole}, not what the files say."


def remarks(spec: Spec) -> tuple[str, ...]:
    """What an alternative leaves as it is though that may be taken for changed: priors that hypotheses state."""
    told = []
    for name in spec.alternative.priors if spec.alternative else ():
        if own := [spoken(h) for h in own_priors(spec, name)]:
            what = "keeps what it states" if len(own) == 1 else "keep what they state"
            told.append(f"The prior of {spoken(name)} is replaced where it is as stated; {', '.join(own)} {what}.")
    return tuple(told)


def what_it_moved(run: Run, parent: Run) -> Moves:
    """How the verdicts and leading quantities of an alternative differ from those of its parent, as both have them."""
    before, now = (recorded_standing(each.spec(), each.assessment, each.draws()[1]) for each in (parent, run))
    return moves(before, now)


def alternative_text(run: Run, parent: Run, width: int = 80, *, color: bool = False) -> str:
    """What is otherwise, the verdict with that, and what it moved."""
    spec = run.spec()
    parts = [heading_text(spec, (run.alternative or {}).get("of"), width, color=color), ""]
    parts += [*tables._wrapped(run.assessment.sentence, width, hanging=""), ""]
    parts += [moved.moves_text(what_it_moved(run, parent), width, color=color), ""]
    parts += tables._wrapped(moved.MARK_NOTE, width, hanging="")
    return "\n".join(parts)


def heading_text(spec: Spec, of: Mapping[str, str] | None, width: int = 80, *, color: bool = False) -> str:
    """That this is an alternative, to which run, and what is otherwise."""
    if spec.alternative is None:
        return ""
    title = tables._wrapped(what_if(spec.alternative, stated_before(spec)), width, hanging="  ")
    lines = [line for text in (to_what(of), *remarks(spec)) for line in tables._wrapped(text, width, hanging="")]
    return "\n".join([*(tables._styled(line, width, color=color) for line in title), *lines])


def alternative_document(run: Run, parent: Run) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    told, found = run.alternative or {}, what_it_moved(run, parent)
    head = {
        "format": FORMAT,
        "run": str(run.folder),
        "of": {**(told["of"] or {}), "folder": str(parent.folder)},
        "changes": told["changes"],
        "options": options(Alternative(**told["changes"])),
        "sentence": run.assessment.sentence,
    }
    return {**head, **plain({"verdicts": found.chances, "quantities": found.levels})}
