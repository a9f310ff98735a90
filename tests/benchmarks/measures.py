"""What is measured: whole processes by their clock and peak memory, and what ``inside.py`` measures in one.

This process stays small, and starts each measured one anew: the peak memory that the system states for a process
is never below that of the process that started it.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import Any

from .contenders import GAUGEGLASS, ROOT, Contender, dossier, environment

INSIDE = Path(__file__).with_name("inside.py")
LONGEST = 600.0  # s; a process that takes longer is ended, and its row says so
GROWTH_BUDGET = 60.0  # s; a row of growth is repeated until it has used so much
LIMIT = 5.0  # combined Monte Carlo errors between posterior means

REFIT = "A refit of 2 x (500 + 500) inside the process"
GRADIENT = "A value with its gradient, in a compiled loop"
WHOLE = {
    "empty": "First answer, whole process, nothing cached",
    "warm": "The same again, everything cached",
    "more": "One more observation, whole process",
    "edited": "An edited equation, whole process",
}


@dataclass
class Row:
    """One line of the table: a contender in a group, with every value measured, or why there is none."""

    group: str
    name: str
    unit: str
    values: list[float] = field(default_factory=list)
    note: str = ""

    @property
    def median(self) -> float:
        """The median; NaN where nothing was measured."""
        return median(self.values) if self.values else math.nan


@dataclass(frozen=True)
class Settings:
    """How much is measured."""

    repeats: int
    turns: int
    refits: int
    readings: tuple[int, ...]
    latents: tuple[int, ...]
    inferred: str = "heron-35"


FULL = Settings(5, 1_000_000, 15, (15, 120, 1200, 5000), (10, 30, 100, 300))
SMOKE = Settings(1, 1000, 1, (20,), (10,), "gravitation")


@dataclass(frozen=True)
class _Finished:
    seconds: float
    peak: float  # MiB
    told: dict[str, Any]
    fault: str


class Bench:
    """One run: it fills ``rows``, and ``disagreements`` with whatever values do not agree."""

    def __init__(self, folder: Path, settings: Settings, tell: Callable[[str], None]) -> None:
        self.folder, self.settings, self.tell = folder, settings, tell
        self.rows: dict[tuple[str, str], Row] = {}
        self.draws: dict[str, dict[str, Path]] = {}
        self.sampling: dict[str, list[float]] = {}
        self.disagreements: list[str] = []
        self.means: dict[str, Any] = {}
        self.workspaces = folder / "workspaces"
        self.ahead: dict[tuple[str, ...], _Finished] = {}

    # --- whole processes ---------------------------------------------------------------------------------

    def whole_processes(self, contenders: list[Contender]) -> None:
        """Each repeat begins with an empty cache; contenders take turns, in another order each time."""
        for repeat in range(self.settings.repeats):
            for step, title in WHOLE.items():
                for contender in _rotated(contenders, repeat):
                    self._one(contender, step, title, repeat)

    def _one(self, contender: Contender, step: str, title: str, repeat: int) -> None:
        row = self._row(title, contender.name, "s")
        if row.note or contender.absent:
            row.note = row.note or contender.absent
            return
        case = step if step in ("more", "edited") else "stated"
        file = self.folder / "draws" / f"{contender.arguments[-1].rpartition('/')[2]}-{step}.npz"
        done = self._run(contender.command(case, file, self.workspaces), self._cache(contender, repeat))
        if done.fault:
            self._failed(row, contender, done.fault)
            return
        row.values.append(done.seconds)
        self._row(f"Peak memory: {title[0].lower()}{title[1:]}", contender.name, "MiB").values.append(done.peak)
        self.draws.setdefault(step, {})[contender.name] = file
        if contender.name == GAUGEGLASS and step in ("empty", "warm"):
            for part, seconds in done.told.items():
                cached = "nothing cached" if step == "empty" else "everything cached"
                self._row(f"Where the time of gaugeglass goes, {cached}", part, "s").values.append(seconds)

    def infer(self) -> None:
        """The command itself: all hypotheses, their weights, the verdicts, and the run recorded."""
        row = self._row(f"gaugeglass infer {self.settings.inferred}, all hypotheses, recorded", GAUGEGLASS, "s")
        file = str(ROOT / "observations" / f"{self.settings.inferred}.yaml")
        code = "import sys; from gaugeglass.cli import main; sys.argv[0] = 'gaugeglass'; main()"
        for repeat in range(self.settings.repeats):
            reports = self.folder / "reports" / str(repeat)
            arguments = ["--traceback", "infer", file, "--reports", str(reports)]
            done = self._run(
                [sys.executable, "-c", code, *arguments], self.folder / "caches" / GAUGEGLASS / "0", parse=False
            )
            if done.fault:
                self._failed(row, None, done.fault)
                return
            row.values.append(done.seconds)

    # --- inside a process --------------------------------------------------------------------------------

    def refits(self, contenders: list[Contender]) -> None:
        """Refits of 2 x (500 + 500) with other data, in a process that has compiled already."""
        for repeat in range(self.settings.repeats):
            for contender in _rotated(contenders, repeat):
                row = self._row(REFIT, contender.name, "s")
                if row.note or contender.absent:
                    row.note = row.note or contender.absent
                    continue
                if contender.name == GAUGEGLASS:
                    done = self._inside(*self._asked("refit"))
                else:
                    file = self.folder / "draws" / "refit.npz"
                    done = self._run(contender.command("refit", file, self.workspaces), self._cache(contender, repeat))
                if done.fault:
                    self._failed(row, contender, done.fault)
                    continue
                row.values.append(median(done.told["seconds"]) if "seconds" in done.told else done.told["refit"])
                if math.isfinite(done.told["sampling"]):
                    self.sampling.setdefault(contender.name, []).append(done.told["sampling"])

    def effective_draws(self) -> None:
        """Effective draws a second of sampling alone, by the worst of the quantities that all contenders save."""
        for name, seconds in self.sampling.items():
            if name in self.means.get("warm", {}):
                worst = min(q["ess"] for q in self.means["warm"][name].values())
                row = self._row("Effective draws a second of sampling, worst quantity", name, "1/s")
                row.values += [worst / s for s in seconds]

    def gradient(self) -> None:
        """A value with its gradient in a compiled loop, against code written by hand."""
        for _ in range(self.settings.repeats):
            done = self._inside(*self._asked("gradient"))
            if done.fault:
                self._failed(self._row(GRADIENT, GAUGEGLASS, "us"), None, done.fault)
                return
            for name, seconds in done.told["seconds"].items():
                self._row(GRADIENT, name, "us").values.append(1e6 * median(seconds))
                gap = done.told["gaps"][name]
                if not gap <= done.told["tolerance"]:
                    self.disagreements.append(f"value or gradient of {name} is off by {gap:.1e}, relative")
            if "C by hand" not in done.told["seconds"]:
                self._row(GRADIENT, "C by hand", "us").note = "there is no C compiler here"

    def growth(self) -> None:
        """How compiling, a gradient and a refit grow with readings and with latents."""
        for kind, sizes in (("readings", self.settings.readings), ("latents", self.settings.latents)):
            for size in sizes:
                self._grown(kind, size)

    def _grown(self, kind: str, size: int) -> None:
        parts = {"compiling": ("s", 1.0), "gradient": ("us", 1e6), "refit": ("s", 1.0)}
        title = f"Growth with {kind}"
        rows = {part: self._row(f"{title}: {part}", f"{size} {kind}", unit) for part, (unit, _) in parts.items()}
        began = time.perf_counter()
        for repeat in range(self.settings.repeats):
            if repeat and time.perf_counter() - began > GROWTH_BUDGET:
                return
            cache = self.folder / "caches" / "growth" / f"{kind}-{size}-{repeat}"
            done = self._inside(*self._asked(kind, size), cache=cache)
            if done.fault:
                self._failed(rows["compiling"], None, done.fault)
                return
            for part, (_, factor) in parts.items():
                rows[part].values.append(factor * done.told[part])
            if not done.told["usable"]:
                rows["refit"].note = "draws not usable"

    def look_ahead(self) -> None:
        """Ask ``inside.py`` everything once, in one process; for a smoke test, which is not after times."""
        sizes = [("readings", n) for n in self.settings.readings] + [("latents", n) for n in self.settings.latents]
        asked = [self._asked("refit"), self._asked("gradient"), *(self._asked(kind, size) for kind, size in sizes)]
        done = self._inside(*(word for question in asked for word in (*question, "+")))
        for k, question in enumerate(asked):
            self.ahead[question] = done if done.fault else replace(done, told=done.told["all"][k])

    def _asked(self, what: str, size: int = 0) -> tuple[str, ...]:
        stated, turns = str(dossier(self.workspaces, "stated")), self.settings.turns
        fewer = str(max(100, turns // max(size, 1)))
        return {
            "refit": ("refit", stated, str(self.settings.refits)),
            "gradient": ("gradient", stated, str(turns)),
            "readings": ("readings", stated, str(size), fewer),
            "latents": ("latents", str(size), fewer),
        }[what]

    # --- agreement ---------------------------------------------------------------------------------------

    def agreement(self) -> None:
        """Posterior means of every case agree with those of gaugeglass; its own with empty and warm caches too."""
        files = [str(f) for by_name in self.draws.values() for f in by_name.values()]
        done = self._inside("tabulate", *files)
        if done.fault:
            self.disagreements.append(f"draws could not be compared: {done.fault}")
            return
        for step, by_name in self.draws.items():
            self.means[step] = {name: done.told[str(file)] for name, file in by_name.items()}
            for name, means in self.means[step].items():
                self._agree(f"{name}, {step}", means, self.means[step].get(GAUGEGLASS, means))
        if {"empty", "warm"} <= self.means.keys():
            self._agree("empty against warm", self.means["empty"][GAUGEGLASS], self.means["warm"][GAUGEGLASS])

    def _agree(self, what: str, ours: dict[str, Any], theirs: dict[str, Any]) -> None:
        for quantity, found in ours.items():
            other = theirs[quantity]
            gap = abs(found["mean"] - other["mean"]) / max(math.hypot(found["mcse"], other["mcse"]), 1e-300)
            if not gap <= LIMIT and found["mean"] != other["mean"]:
                self.disagreements.append(f"{what}: means of {quantity} are {gap:.1f} Monte Carlo errors apart")

    # --- processes ---------------------------------------------------------------------------------------

    def _row(self, group: str, name: str, unit: str) -> Row:
        return self.rows.setdefault((group, name), Row(group, name, unit))

    def _failed(self, row: Row, contender: Contender | None, fault: str) -> None:
        row.note = fault
        if contender is None or contender.name == GAUGEGLASS:
            self.disagreements.append(f"{row.group}: {row.name}: {fault}")

    def _cache(self, contender: Contender, repeat: int) -> Path:
        return self.folder / "caches" / contender.name.replace(" ", "-").replace(",", "") / str(repeat)

    def _inside(self, *arguments: str, cache: Path | None = None) -> _Finished:
        if arguments in self.ahead:
            return self.ahead[arguments]
        own = self.folder / "caches" / GAUGEGLASS / "0"
        return self._run([sys.executable, str(INSIDE), *arguments], cache or own)

    def _run(self, command: list[str], cache: Path, *, parse: bool = True) -> _Finished:
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            began = time.perf_counter()
            process = subprocess.Popen(command, stdout=out, stderr=err, env=environment(cache, self.folder / "matplotlib"),
                                       cwd=self.folder, start_new_session=True)  # fmt: skip
            end = threading.Timer(LONGEST, lambda: os.killpg(process.pid, signal.SIGKILL))
            end.start()
            _, status, usage = os.wait4(process.pid, 0)
            seconds = time.perf_counter() - began
            end.cancel()
            process.returncode = os.waitstatus_to_exitcode(status)
            out.seek(0)
            err.seek(0)
            told, said = out.read().decode(), err.read().decode(errors="replace").strip()
        words = (Path(part).name if "/" in part else part[:20] for part in command[1:])
        self.tell(f"{seconds:7.1f} s  {' '.join(words)}")
        if process.returncode:
            why = f"took longer than {LONGEST:.0f} s" if seconds >= LONGEST else said.splitlines()[-1] if said else "?"
            return _Finished(seconds, 0.0, {}, why)
        return _Finished(seconds, usage.ru_maxrss / 1024, json.loads(told.splitlines()[-1]) if parse else {}, "")


def _rotated(contenders: list[Contender], by: int) -> list[Contender]:
    by %= len(contenders)
    return contenders[by:] + contenders[:by]
