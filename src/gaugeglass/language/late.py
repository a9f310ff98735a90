"""Libraries that are slow to load, and that reading and checking a file seldom needs."""

from __future__ import annotations

import importlib
from typing import Any


class Late:
    """A library that is imported when something of it is first asked for."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        value = getattr(importlib.import_module(self._name), name)
        setattr(self, name, value)
        return value
