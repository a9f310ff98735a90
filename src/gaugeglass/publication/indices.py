"""The index of many reports as one page, and many assessments as text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from gaugeglass.publication import page, tables
from gaugeglass.record.indices import MARK, Entry

ASSESSMENTS = "gaugeglass.assessments/1"
"""Name and version of the document."""


def index_page(entries: Sequence[Entry], failures: Sequence[tuple[str, str]]) -> str:
    """The index as one HTML text that needs no network.

    Parameters
    ----------
    failures
        Files that could not be assessed, and why.
    """
    made = page.environment().overlay()
    made.filters = {**made.filters, "path": quote}
    return made.get_template("index.html.j2").render(
        entries=entries, failures=failures, style=page.style(), fixed_caution=page.FIXED_CAUTION, mark=MARK
    )


def assessments_text(done: Sequence[dict[str, Any]], indices: Sequence[Path], width: int = 80) -> str:
    """What each of many assessments concluded, failures after them, and where they are listed."""
    parts = []
    for d in (d for d in done if not d["message"]):
        lines = [*tables._wrapped(f"{d['dossier']}: {d['sentence']}", width), f"    {d['run']}"]
        parts.append("\n".join(lines))
    failed = [d for d in done if d["message"]]
    if failed:
        parts.append(f"{len(failed)} of {len(done)} could not be assessed:")
        parts += [f"{d['file']}\n" + "\n".join(f"    {line}" for line in d["message"].splitlines()) for d in failed]
    return "\n\n".join([*parts, "\n".join(f"index   {path}" for path in indices)])


def assessments_document(done: Sequence[dict[str, Any]], indices: Sequence[Path]) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    return {"format": ASSESSMENTS, "indices": [str(path) for path in indices], "runs": list(done)}
