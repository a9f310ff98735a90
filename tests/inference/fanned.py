"""Tasks for the fan-out, in a module that workers can import."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gaugeglass.errors import Fault, SpecError


@dataclass(frozen=True)
class Powers:
    """Powers of a base. A job in ``deadly`` kills its worker: the first time, or always if ``always``."""

    base: float
    folder: str = ""
    deadly: tuple[int, ...] = ()
    always: bool = False
    seconds: float = 0.0

    def prepare(self) -> dict[str, Any]:
        if self.folder:
            (Path(self.folder) / f"prepared-{os.getpid()}").touch()
        return {"base": self.base}

    def do(self, prepared: dict[str, Any], job: int) -> dict[str, Any]:
        print("this goes to stderr")  # noqa: T201 - and does not spoil what a worker answers
        if self.folder:
            with (Path(self.folder) / "done").open("a") as stream:
                stream.write(f"{job}\n")
        time.sleep(self.seconds)
        marker = Path(self.folder) / f"died-{job}"
        if job in self.deadly and (self.always or not marker.exists()):
            marker.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return {"power": prepared["base"] ** job, "third": prepared["base"] / 3}


@dataclass(frozen=True)
class Faulty:
    """What a job may raise: an error that travels, and one that does not."""

    travels: bool

    def prepare(self) -> None:
        return None

    def do(self, prepared: None, job: int) -> None:
        if self.travels:
            raise LookupError(f"job {job}")
        raise SpecError([Fault("a.yaml", 1, "", "nothing", "something")])
