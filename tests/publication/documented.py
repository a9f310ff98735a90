"""What DEVELOPERS tells of the documents that commands print."""

from __future__ import annotations

import re
from pathlib import Path

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")


def keys_told(after: str, *, before: str = "\n\n`") -> set[str]:
    """The keys that are named between two texts, those of lists with their brackets."""
    _, found, rest = DEVELOPERS.partition(after)
    assert found, after
    return set(re.findall(r"`(?:[\w\[\]]+\.)*(\w+)(?:\[\])?`", rest.partition(before)[0]))
