"""The public names are a promise: this list changes only together with the README."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path
from types import FunctionType

import pytest

import gaugeglass as gg
from conftest import OBSERVATIONS

NAMES = [
    "Assessment", "Audit", "Calibration", "Comparison", "Fault", "History", "InferenceError", "Outcomes", "Posterior",
    "Ranking", "Spec", "SpecError", "StoreError", "add", "alter", "audit", "calibrate", "check", "compare", "history",
    "infer", "judge", "load", "make_public", "publish", "rank_candidates", "record_calibration", "record_run", "score",
    "specify", "withdraw", "write_article", "write_frames",
]  # fmt: skip
SLOW = {
    "arviz", "arviz_base", "arviz_stats", "llvmlite", "matplotlib", "numba", "numpy", "nutpie", "pandas", "pint", "pymc",
    "pytensor", "rich", "scipy", "xarray",
}  # fmt: skip


def run(code: str) -> str:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()


def test_the_public_names_are_these_and_each_is_there() -> None:
    assert sorted(gg.__all__) == sorted(NAMES)
    assert [name for name in NAMES if not hasattr(gg, name)] == []
    assert set(NAMES) <= set(dir(gg))


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'audit_everything'"):
        gg.audit_everything  # noqa: B018


def test_publish_is_the_function() -> None:
    importlib.import_module("gaugeglass.publication.numbers")
    assert isinstance(gg.publish, FunctionType)


def test_no_verb_has_the_name_of_a_room() -> None:
    """Importing a room sets it on the package, in the verb's place."""
    rooms = {p.name for p in Path(gg.__file__).parent.iterdir() if p.is_dir()}
    assert rooms & set(gg.__all__) == set()


def test_importing_the_package_imports_nothing_slow() -> None:
    assert run("import sys, gaugeglass; print(len([m for m in sys.modules if m.startswith('gaugeglass.')]))") == "0"


@pytest.mark.parametrize(
    "command",
    [
        ["--help"],
        ["assess", "--help"],
        *(["check", f"observations/{path.name}"] for path in sorted(OBSERVATIONS.glob("*.yaml"))),
    ],
    ids=" ".join,
)
def test_help_and_check_import_nothing_slow(command: list[str]) -> None:
    code = (
        f"import sys; from gaugeglass.cli import run; run({command}); print('slow:', sorted({SLOW} & set(sys.modules)))"
    )
    assert run(code).splitlines()[-1] == "slow: []"
