"""Pictures as they are recorded: two forms of each, and its words with the numbers behind it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from gaugeglass.record.documents import dump


class Drawn(Protocol):
    """A picture as it is recorded: its two forms, its text equivalent and the numbers behind it."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def title(self) -> str: ...  # noqa: D102
    @property
    def alt(self) -> str: ...  # noqa: D102
    @property
    def svg(self) -> bytes: ...  # noqa: D102
    @property
    def png(self) -> bytes: ...  # noqa: D102
    @property
    def numbers(self) -> Mapping[str, Any]: ...  # noqa: D102


def picture_files(pictures: Iterable[Drawn]) -> dict[str, bytes]:
    """Every file of pictures, by its path in the folder of what they show."""
    found = {}
    for picture in pictures:
        found[f"figures/{picture.name}.svg"] = picture.svg
        found[f"figures/{picture.name}.png"] = picture.png
        words = {"name": picture.name, "title": picture.title, "alt": picture.alt, "numbers": picture.numbers}
        found[f"figures/{picture.name}.json"] = dump(words)
    return found
