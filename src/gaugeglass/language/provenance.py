"""Where an observation comes from and how far it is to be believed, as it is written."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from urllib.parse import urlsplit

from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes, Section, keys, text
from gaugeglass.language.spec import Source, Withdrawal

_SOURCE = keys("", "title kind locator url retrieved quote")
_WITHDRAWN = keys("date because")
_GRADE = re.compile(r"[A-F][1-6]")
_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?")
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,60}")
ID_ALLOWED = "letters, digits, _ . and -, first a letter or a digit, at most 61"
RELIABILITIES, CREDIBILITIES = "ABCDEF", "123456"


def read_id(section: Section) -> str:
    """The id of an observation or a table; empty once a fault is noted."""
    if "id" not in section:
        return ""
    name = section.text("id")
    if name and not ID.fullmatch(name):
        section.notes.fault(section.at("id"), show(name), ID_ALLOWED)
        return ""
    return name


def read_grade(section: Section) -> str | None:
    """A grade of the Admiralty code."""
    if "grade" not in section:
        return None
    grade = section.text("grade")
    if grade and not _GRADE.fullmatch(grade):
        hint = f"did you mean '{grade.upper()}'?" if _GRADE.fullmatch(grade.upper()) else None
        allowed = "a reliability A to F and a credibility 1 to 6, such as B2"
        section.notes.fault(section.at("grade"), show(grade), allowed, hint)
        return None
    return grade or None


def read_date(node: Located, notes: Notes) -> str:
    """A date, a month or a year, as written."""
    written = text(node, notes)
    match = _DATE.fullmatch(written)
    if written and not (match and _exists(*(int(part or 1) for part in match.groups()))):
        notes.fault(node, show(written), "a date such as 2026-02-11, 2026-02 or 2026")
        return ""
    return written


def _exists(year: int, month: int, day: int) -> bool:
    try:
        datetime.date(year, month, day)
    except ValueError:
        return False
    return True


def read_source(section: Section) -> Source:
    """Where an observation can be looked up."""
    return source_of(section.at("source"), section.notes) if "source" in section else Source()


def source_of(node: Located, notes: Notes) -> Source:
    """The same, of the node that says it."""
    entry = Section(node, _SOURCE, notes)
    retrieved = read_date(entry.at("retrieved"), notes) if "retrieved" in entry else ""
    url = _url(entry) if "url" in entry else ""
    return Source(entry.text("title"), entry.text("kind"), entry.text("locator"), url, retrieved, entry.text("quote"))


def _url(entry: Section) -> str:
    written = entry.text("url")
    if written and not _is_web_address(written):
        entry.notes.fault(entry.at("url"), show(written), "an address that begins with https:// or http://")
        return ""
    return written


def _is_web_address(written: str) -> bool:
    try:
        parts = urlsplit(written)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.netloc) and not re.search(r"[\s<>\"'`\\]", written)


def read_withdrawn(section: Section) -> Withdrawal | None:
    """That an observation no longer counts, since when and why."""
    if "withdrawn" not in section:
        return None
    entry = Section(section.at("withdrawn"), _WITHDRAWN, section.notes)
    date = read_date(entry.at("date"), section.notes) if "date" in entry else ""
    return Withdrawal(date, entry.text("because"))


def read_labels(section: Section, key: str) -> dict[str, str]:
    """A mapping from texts to texts."""
    entries: Mapping[str, Located] = section.mapping(key)
    return {name: text(node, section.notes) for name, node in entries.items()}
