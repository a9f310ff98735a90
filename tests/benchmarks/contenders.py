"""Who is measured: each contender's program, the environment it runs in, and why it is absent where it is.

Rivals other than PyMC are installed into environments of their own under a temporary folder.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

HERON = Path(__file__).parent / "heron"
ROOT = Path(__file__).parents[2]
CASES = ("stated", "more", "edited")
GAUGEGLASS = "gaugeglass"
STAN_PYTHONS = ("python3.12", "python3.11", "python3.10")
"""Where pystan is tried first: its compiled models do not import on Python 3.13.0."""


@dataclass(frozen=True)
class Contender:
    """A program that fits the van. ``absent`` says why it cannot be run, and is empty where it can."""

    name: str
    python: str
    arguments: tuple[str, ...]
    absent: str = ""

    def command(self, case: str, file: Path, workspaces: Path) -> list[str]:
        """What is run for a case; draws go to ``file``."""
        if self.name == GAUGEGLASS:
            return [self.python, *self.arguments, str(dossier(workspaces, case)), str(file)]
        return [self.python, *self.arguments, case, str(file)]


def contenders(folder: Path, *, rivals: bool) -> list[Contender]:
    """Gaugeglass, and the rivals if they are wanted."""
    own = Contender(GAUGEGLASS, sys.executable, (str(HERON / "gaugeglass_fit.py"),))
    if not rivals:
        return [own]
    return [
        own,
        *(
            Contender(f"PyMC, sampler {name}", sys.executable, (str(HERON / "pymc_fit.py"), name))
            for name in ("pymc", "nutpie")
        ),
        _installed("numpyro", folder, ("numpyro",), "numpyro", (_base_python(),)),
        _installed("Stan by pystan", folder, ("pystan", "setuptools<81"), "stan", (*STAN_PYTHONS, _base_python())),
    ]


def _base_python() -> str:
    return str(Path(sys.base_prefix) / "bin" / "python3")


def _working(python: str) -> str | None:
    """The first of that name on the path that starts: a version manager's stand-in may not."""
    for folder in [""] if "/" in python else os.get_exec_path():
        path = Path(folder) / python
        if os.access(path, os.X_OK):
            command = [str(path), "-c", "import sys; print(sys.executable)"]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if not done.returncode:
                return done.stdout.strip()
    return None


def _installed(name: str, folder: Path, packages: tuple[str, ...], module: str, pythons: tuple[str, ...]) -> Contender:
    script = str(HERON / f"{module}_fit.py")
    place = folder / "environments" / module
    uv = shutil.which("uv")
    python = next(filter(None, map(_working, pythons)), None)
    if uv is None or python is None:
        return Contender(name, "", (script,), "uv is not installed" if uv is None else "no Python for it")
    own = str(place / "bin" / "python")
    commands = (
        [uv, "venv", "--quiet", "--python", python, str(place)],
        [uv, "pip", "install", "--quiet", "--compile-bytecode", "--python", own, *packages],
        [own, "-c", f"import {module}"],
    )
    for command in commands:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            return Contender(name, own, (script,), (done.stderr.strip().splitlines() or ["no message"])[-1])
    return Contender(name, own, (script,))


def environment(cache: Path, matplotlib: Path) -> dict[str, str]:
    """Variables that give a process caches of its own; matplotlib's list of fonts is no part of the question."""
    kept = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONHOME")}
    return kept | {
        "XDG_CACHE_HOME": str(cache),
        "NUMBA_CACHE_DIR": str(cache / "numba"),
        "PYTENSOR_FLAGS": f"base_compiledir={cache / 'pytensor'}",
        "JAX_COMPILATION_CACHE_DIR": str(cache / "jax"),
        "JAX_PERSISTENT_CACHE_MIN_COMPILE_TIME_SECS": "0",
        "MPLCONFIGDIR": str(matplotlib),
    }


# --- the cases of gaugeglass are files ----------------------------------------------------------------------

_MORE = """
  - id: bench-3
    method: bench_discharge
    value: 198.1(10) Wh
    source: {title: Bench report of a third laboratory, kind: laboratory, locator: table 1}
"""
_BEFORE = "\n  # What the papers say\n"
_EQUATION = ("equals: cells_mass * noncell_ratio", "equals: cells_mass * noncell_ratio + 10 kg")


def lay_out(workspaces: Path) -> None:
    """A workspace for each case: as stated, with one more reading, with another equation."""
    model = (ROOT / "models" / "traction-pack.yaml").read_text(encoding="utf-8")
    stated = (ROOT / "observations" / "heron-35.yaml").read_text(encoding="utf-8")
    for case in CASES:
        for name in ("models", "observations"):
            (workspaces / case / name).mkdir(parents=True)
        text = _replaced(model, *_EQUATION) if case == "edited" else model
        (workspaces / case / "models" / "traction-pack.yaml").write_text(text, encoding="utf-8")
        text = _replaced(stated, _BEFORE, _MORE + _BEFORE) if case == "more" else stated
        dossier(workspaces, case).write_text(text, encoding="utf-8")


def _replaced(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise ValueError(f"{old.strip()!r} stands {text.count(old)} times in the file, and must stand there once")
    return text.replace(old, new)


def dossier(workspaces: Path, case: str) -> Path:
    """The dossier of a case."""
    return workspaces / case / "observations" / "heron-35.yaml"
