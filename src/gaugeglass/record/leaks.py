"""The search for private texts in what the public may see."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePath

from gaugeglass.language.spec import Observation, Spec, Table

WITHHELD = "withheld"
"""What stands in the place of a private reason."""
_SHORTEST = 3
"""A private text shorter than this is not looked for elsewhere. [1]"""
_ALIAS = re.compile(r"(private(-origin|-table)?|origin)-\d+(:\d+|\.csv)?")
_PACKED = re.compile(r'(?:base64,|"data": ?")[A-Za-z0-9+/=]+')
"""Pictures and pools of draws within a page."""


def leaks(spec: Spec, texts: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Where private texts of a spec stand in other texts: pairs of the name of a text and the private text.

    Capitals make no difference. What a public observation says too is no secret, nor is what stays of a private one,
    such as where it was made; kinds of source are trade words, and a text without a letter could be any number.
    """
    secret = _secrets(spec) - _known(spec)
    words_of = {found: _words(found) for found in secret}
    for name, text in texts.items():
        plain = _one_line(_PACKED.sub("", text))
        words = _words(plain)
        for found in sorted(text for text, needed in words_of.items() if needed <= words):
            if re.search(rf"(?<!\w){re.escape(_one_line(found))}(?!\w)", plain, re.IGNORECASE):
                yield name, found


def is_private(table: Table) -> bool:
    """Whether a table, and so each of its rows, is private."""
    return table.description.get("private") is True or any(row.private for row in table.rows)


def _secrets(spec: Spec) -> set[str]:
    """What only private observations and tables say; a row's id is told by that of its table."""
    private = [o for o in spec.observations if o.private]
    found = {o.id for o in private if o.table is None} | _said(private)
    for table in filter(is_private, spec.dossier.tables):
        found |= {table.id, table.file, PurePath(table.file).name}
        if len(table.id) < _SHORTEST:
            found |= {row.id for row in table.rows}
    return {text for text in found if _is_telling(text)}


def _known(spec: Spec) -> set[str]:
    public = [o for o in spec.observations if not o.private]
    kept = [{*o.at.values(), *o.applies.values()} for o in spec.observations]
    files = {table.file for table in spec.dossier.tables if not is_private(table)}
    members = {member for found in spec.members.values() for member in found}
    return {o.id for o in public} | _said(public) | files | members | set().union(*kept)


def _said(observations: Iterable[Observation]) -> set[str]:
    found: set[str] = set()
    for o in observations:
        source = o.source
        found |= {o.origin or "", o.note, source.title, source.locator, source.url, source.quote}
        found |= {o.withdrawn.because} if o.withdrawn else set()
    return found


def _is_telling(text: str) -> bool:
    is_alias = text == WITHHELD or bool(_ALIAS.fullmatch(text))
    return len(text.strip()) >= _SHORTEST and any(c.isalpha() for c in text) and not is_alias


def _words(text: str) -> set[str]:
    """The words of a text in small letters: a text that lacks one of another's cannot hold that other."""
    return set(re.findall(r"\w+", text.lower()))


def _one_line(text: str) -> str:
    return " ".join(text.split())
