"""The public form of a dossier: what is private is taken out before anything is computed, written or drawn from it.

Of a private observation only what inference needs stays: its method, its value with uncertainty and inputs, and
where it was made. Its id becomes ``private-1`` and so on, its origin one of its own, and its source, note and dates go.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.judgement.results import Assessment, LedgerRow
from gaugeglass.language.files import parse
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Observation, Source, Spec, Withdrawal

KEPT = (
    "method", "value", "u", "k", "tolerance", "rounded", "inputs", "grade", "repeats", "basis", "at", "applies",
    "private",
)  # fmt: skip
"""Keys of a private observation that stay; every other one is left out."""

WITHHELD = "withheld"
_SHORTEST = 3
"""A private text shorter than this is not looked for elsewhere. [1]"""


def public_form(spec: Spec) -> Spec:
    """The same spec without what is private, its texts included; the spec itself where nothing is private.

    Raises
    ------
    SpecError
        If a private text also stands in a public part of the dossier or the model, from where it cannot be taken out.
    """
    aliases = _aliases(spec)
    if not aliases:
        return spec
    observations = tuple(_redact(o, aliases) for o in spec.dossier.observations)
    texts = {file: _public_text(spec, file, text, aliases) for file, text in spec.texts.items()}
    public = replace(spec, dossier=replace(spec.dossier, observations=observations), texts=texts)
    _refuse_leaks(spec, public)
    return public


def public_assessment(assessment: Assessment, spec: Spec) -> Assessment:
    """The same assessment with the rows of private observations redacted; ``spec`` is the one it speaks of."""
    aliases = _aliases(spec)
    return replace(assessment, ledger=tuple(_public_row(row, aliases) for row in assessment.ledger))


def _public_row(row: LedgerRow, aliases: Mapping[str, str]) -> LedgerRow:
    if row.id not in aliases:
        return row
    withdrawn = WITHHELD if row.withdrawn else None
    return replace(row, id=aliases[row.id], origin=None, date="", source="", url="", note="", withdrawn=withdrawn)


def leaks(spec: Spec, texts: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Where private texts of a spec stand in other texts: pairs of the name of a text and the private text.

    Capitals make no difference. What a public observation says too is no secret; kinds of source are trade words.
    """
    secret = _secrets(o for o in spec.dossier.observations if o.private)
    known = _secrets(o for o in spec.dossier.observations if not o.private)
    for name, text in texts.items():
        plain = _one_line(text)
        for found in sorted(secret - known):
            if re.search(rf"(?<!\w){re.escape(_one_line(found))}(?!\w)", plain, re.IGNORECASE):
                yield name, found


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _secrets(observations: Iterator[Observation]) -> set[str]:
    found: set[str] = set()
    for o in observations:
        source = o.source
        found |= {o.id, o.origin or "", o.note, source.title, source.locator, source.url, source.quote}
        found |= {o.withdrawn.because} if o.withdrawn else set()
    return {text for text in found if len(text.strip()) >= _SHORTEST and not _is_alias(text)}


def _is_alias(text: str) -> bool:
    return text == WITHHELD or bool(re.fullmatch(r"private(-origin)?-\d+", text))


def _aliases(spec: Spec) -> dict[str, str]:
    """A new id for each private observation, none of which a public one has."""
    private = [o for o in spec.dossier.observations if o.private]
    taken = {o.id for o in spec.dossier.observations if not o.private}
    free = (name for n in range(1, len(private) + len(taken) + 1) if (name := f"private-{n}") not in taken)
    return {o.id: alias for o, alias in zip(private, free, strict=False)}


def _redact(o: Observation, aliases: Mapping[str, str]) -> Observation:
    repeats = aliases.get(o.repeats, o.repeats) if o.repeats else None
    if not o.private:
        return replace(o, repeats=repeats)
    withdrawn = Withdrawal(o.withdrawn.date, WITHHELD) if o.withdrawn else None
    return replace(
        o, id=aliases[o.id], origin=None, date="", source=Source(), repeats=repeats, note="",
        withdrawn=withdrawn, line=None,
    )  # fmt: skip


def _public_text(spec: Spec, file: str, text: str, aliases: Mapping[str, str]) -> str:
    """The text of a dossier written anew without what is private; comments go, for they may speak of it."""
    if file != spec.dossier.file:
        return text
    root = parse(text, Notes(file))
    if root is None:
        raise SpecError(
            [Fault(file, None, "", "a text that cannot be read", "the text that the dossier was read from")]
        )
    document = root.plain()
    document["observations"] = [_public_entry(entry, aliases) for entry in document.get("observations") or ()]
    return "".join(f"{line}\n" for line in _yaml(document))


def _public_entry(entry: dict[str, Any], aliases: Mapping[str, str]) -> dict[str, Any]:
    found = dict(entry)
    if str(entry["id"]) in aliases:
        found = {"id": aliases[str(entry["id"])], **{key: entry[key] for key in KEPT if key in entry}}
        if "withdrawn" in entry:
            found["withdrawn"] = {"date": entry["withdrawn"]["date"], "because": WITHHELD}
    if str(found.get("repeats")) in aliases:
        found["repeats"] = aliases[str(found["repeats"])]
    return found


def _yaml(value: Any, indent: str = "") -> Iterator[str]:
    """Lines of YAML for plain mappings and lists; every scalar is written as JSON has it, which YAML 1.2 reads."""
    entries = value.items() if isinstance(value, dict) else ((None, entry) for entry in value)
    for key, entry in entries:
        lead = f"{indent}-" if key is None else f"{indent}{_key(key)}:"
        if isinstance(entry, dict | list) and entry:
            yield lead
            yield from _yaml(entry, indent + "  ")
        else:
            yield f"{lead} {json.dumps(entry, ensure_ascii=False)}"


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", key) else json.dumps(key, ensure_ascii=False)


def _refuse_leaks(spec: Spec, public: Spec) -> None:
    texts = {file: _readable(text) for file, text in public.texts.items()}
    faults = [
        Fault(
            file,
            None,
            "",
            f"{text!r}, which a private observation says",
            "public parts without it",
            "leave it out there",
        )
        for file, text in leaks(spec, texts)
    ]
    if faults:
        raise SpecError(faults)


def _readable(text: str) -> str:
    """A text of YAML with the values of its scalars below it, so that escapes and folded lines hide nothing."""
    root = parse(text, Notes(""))
    scalars = [str(node.content) for node in root.walk() if node.is_scalar] if root else []
    return "\n".join([text, *scalars])
