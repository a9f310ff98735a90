"""What can be wrong: faults of what the user wrote, and inferences that were refused."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One mistake in one place: where it stands, what was found and what is allowed.

    ``line`` is 1-based, or None where the input was made in Python and has no lines.
    """

    file: str
    line: int | None
    field: str
    found: str
    allowed: str
    hint: str | None = None

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        rows = [f"{place}: {self.field}" if self.field else place]
        rows.append(f"    found    {self.found}")
        rows.append(f"    allowed  {self.allowed}")
        if self.hint:
            rows.append(f"    hint     {self.hint}")
        return "\n".join(rows)


class SpecError(ValueError):
    """What the user wrote is at fault; ``faults`` lists everything found, in order of file and line."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        unique = dict.fromkeys(faults)
        self.faults = tuple(sorted(unique, key=lambda f: (f.file, f.line or 0, f.field)))
        count = len(self.faults)
        title = "1 fault" if count == 1 else f"{count} faults"
        super().__init__("\n".join([title, *map(str, self.faults)]))


class InferenceError(RuntimeError):
    """An inference was refused; the message says why and what would help."""


class StoreError(RuntimeError):
    """The store of runs is damaged, locked, full or cannot be written."""
