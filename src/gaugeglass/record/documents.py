"""The shapes of what is recorded as typed JSON, and back: an assessment, an audit, a ranking, a calibration."""

from __future__ import annotations

import functools
import json
import math
import types
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAliasType, Union, get_args, get_origin, get_type_hints

from gaugeglass.errors import StoreError
from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, WHERE_OPEN, Assessment

if TYPE_CHECKING:
    from gaugeglass.judgement.calibration import Calibration

RESULT = "gaugeglass.result/2"
"""Name and version of the shape; the version counts up where a reader of the old one would go wrong."""
_FIRST = "gaugeglass.result/1"
"""The shape before tables, grades, bases and observations set aside; it is still read."""
AUDIT, NEXT = "gaugeglass.audit/1", "gaugeglass.next/1"
"""Name and version of what ``result.json`` holds of an audit and of a ranking, if they were made."""
CALIBRATION = "gaugeglass.calibration/1"
"""Name and version of the document of a calibration."""
_HEAD = ("dossier", "model", "interval", "subject")


def result_document(
    assessment: Assessment, *, dossier: str, model: str, audit: Mapping[str, Any] | None = None,
    ranking: Mapping[str, Any] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """The document of an assessment; NaN and infinity become null, for JSON has neither.

    ``audit`` and ``ranking`` are documents of their own, which lose here what the head says already.
    """
    head = {
        "format": RESULT,
        "dossier": dossier,
        "model": model,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
    }
    return {**head, **plain(assessment), "audit": _headless(audit), "next": _headless(ranking)}


def _headless(document: Mapping[str, Any] | None) -> dict[str, Any] | None:
    return None if document is None else {key: entry for key, entry in document.items() if key not in _HEAD}


def assessment_of(document: Mapping[str, Any]) -> Assessment:
    """The assessment that a document holds; null where a number belongs becomes NaN.

    Raises
    ------
    StoreError
        If the document is of another shape or version.
    """
    is_first = document.get("format") == _FIRST
    if not is_first:
        check_format(document, RESULT)
    return _read(Assessment, lambda: _brought_up(document) if is_first else document)  # type: ignore[no-any-return]


def audit_of(document: Mapping[str, Any]) -> Audit | None:
    """The audit that a result holds, without its pool, which is recorded by itself; None where none was made.

    Raises
    ------
    StoreError
        As ``assessment_of``.
    """
    found = document.get("audit")
    if found is None:
        return None
    check_format(found, AUDIT)
    whole = {**found, "subject": document["subject"], "pool": None}
    return _read(Audit, lambda: _bounded(whole, document["verdicts"]))  # type: ignore[no-any-return]


def ranking_of(document: Mapping[str, Any]) -> Ranking | None:
    """The ranking of candidates that a result holds; None where none was made.

    Raises
    ------
    StoreError
        As ``assessment_of``.
    """
    found = document.get("next")
    if found is None:
        return None
    check_format(found, NEXT)
    return _read(Ranking, lambda: found)  # type: ignore[no-any-return]


def calibration_of(document: Mapping[str, Any]) -> Calibration:
    """The calibration that a document holds.

    Raises
    ------
    StoreError
        As ``assessment_of``.
    """
    from gaugeglass.judgement.calibration import Calibration

    check_format(document, CALIBRATION)
    return _read(Calibration, lambda: document)  # type: ignore[no-any-return]


def _read(kind: type, found: Callable[[], Mapping[str, Any]]) -> Any:
    try:
        return _build(kind, found())
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        message = f"the result is damaged: {problem}"
        raise StoreError(message) from problem


def _brought_up(document: Mapping[str, Any]) -> dict[str, Any]:
    """A document of the first shape in today's: what did not count then had been withdrawn."""
    later: dict[str, Any] = {"grade": None, "wrong": None, "bases": {}, "rows": None, "outside": None}
    rows = [
        {**row, **later, "aside": f"withdrawn: {row['withdrawn'].partition(': ')[2]}" if row["withdrawn"] else None}
        for row in document["ledger"]
    ]
    return {**document, "ledger": rows}


def _bounded(audit: dict[str, Any], verdicts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """An audit from before it had bounds: of claims that verdicts leave open its probabilities are the least."""
    found = {v["claim"]: v["posterior"] for v in verdicts if v["kind"] == "claim"}
    shares = {name: p["no_value"] for name, p in found.items() if p.get("no_value") and _has_bounds(p)}
    if "undecided" in audit or not shares:
        return audit

    def least(name: str, p: Mapping[str, Any]) -> Mapping[str, Any]:
        is_exact = name not in shares or _has_bounds(p)
        return p if is_exact else {**p, "at_least": p["value"], "no_value": shares[name]}

    units = [
        {**u, "claims": [{**c, **{k: least(c["claim"], c[k]) for k in ("whole", "without")}} for c in u["claims"]]}
        for u in audit["units"]
    ]
    return {**audit, "units": units, "undecided": shares}


def _has_bounds(p: Mapping[str, Any]) -> bool:
    return p["at_least"] is not None or p["at_most"] is not None


def check_format(document: Mapping[str, Any], wanted: str) -> None:
    """Refuse a document of another kind or version."""
    found = str(document.get("format"))
    kind, _, version = found.rpartition("/")
    if found == wanted:
        return
    newer = kind == wanted.rpartition("/")[0] and version.isdigit()
    hint = "; a newer gaugeglass wrote it" if newer and int(version) > int(wanted.rpartition("/")[2]) else ""
    raise StoreError(f"found a document of format '{found}' where '{wanted}' belongs{hint}")


def dump(document: Any) -> bytes:
    """A document as UTF-8 text, indented, with a newline at its end."""
    return (json.dumps(plain(document), ensure_ascii=False, indent=2, allow_nan=False) + "\n").encode()


def plain(value: Any) -> Any:
    """The same made of what JSON has: dataclasses become mappings, tuples lists, numbers of libraries plain ones."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(entry) for f in fields(value) if not _is_left_out(f, entry := getattr(value, f.name))}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return float(value) if math.isfinite(value) else None


def _is_left_out(known: Field[Any], entry: Any) -> bool:
    return entry is None and known.metadata == WHERE_OPEN


@functools.cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _build(kind: Any, found: Any) -> Any:
    """A value of an annotated type from what JSON holds of it."""
    if is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        known = [
            f for f in fields(kind) if f.name in found or not _has_default(f)
        ]  # a key may be younger than a document
        return kind(**{f.name: _build(hints[f.name], found[f.name]) for f in known})
    kind = kind.__value__ if isinstance(kind, TypeAliasType) else kind
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return None if found is None else _build(next(k for k in inner if k is not type(None)), found)
    if origin is tuple:
        return tuple(_build(inner[0], entry) for entry in found)
    if origin is not None and origin is not Literal and issubclass(origin, Mapping):
        return {key: _build(inner[1], entry) for key, entry in found.items()}
    return _one_of(inner, found) if origin is Literal else _scalar(kind, found)


def _has_default(known: Field[Any]) -> bool:
    return known.default is not MISSING or known.default_factory is not MISSING


def _one_of(options: tuple[Any, ...], found: Any) -> Any:
    if found not in options:
        raise ValueError(f"{found!r} is none of {options}")
    return found


def _scalar(kind: type, found: Any) -> Any:
    if kind is float:
        return math.nan if found is None else float(found)
    if not isinstance(found, kind):
        raise TypeError(f"{found!r} where {kind.__name__} belongs")
    return found
