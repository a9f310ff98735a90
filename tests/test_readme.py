"""What README and DEVELOPERS say is run, or held against the program."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

from gaugeglass import cli
from gaugeglass.judgement import results

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)


def test_the_first_two_blocks_do_their_own_set_up() -> None:
    assert blocks("sh") == ["pip install uv && uv run gaugeglass demo\n", "pip install uv && uv run pytest\n"]


def test_the_command_of_the_tests_is_the_one_that_ci_runs() -> None:
    assert blocks("sh")[1].strip() in (ROOT / ".ci" / "run").read_text().splitlines()


def test_every_command_is_in_the_table_and_no_other() -> None:
    told = re.findall(r"^\| `gaugeglass (\w+)", README, flags=re.MULTILINE)
    assert sorted(told) == sorted(cli.gaugeglass.commands)


def test_the_exit_statuses_are_those_of_the_help() -> None:
    (told,) = re.findall(r"Exit status: (.*?)\.\n", README, flags=re.DOTALL)
    assert " ".join(told.split()) in " ".join(cli.EXAMPLES.split())


def test_links_lead_somewhere() -> None:
    links = re.findall(r"\]\((?!http)([^)#]+)\)", README + DEVELOPERS)
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_the_sample_of_a_dossier_is_an_observation_of_the_demo() -> None:
    sample = blocks("yaml")[1]
    demo = (ROOT / "observations" / "heron-35.yaml").read_text()
    for words in ("bench-1", "bench_discharge", "199.0(12) Wh", "laboratory A", "2025-02-11"):
        assert words in sample
        assert words in demo


def test_files_that_developers_are_pointed_to_exist() -> None:
    named = re.findall(r"`((?:language|inference|judgement|record|publication)/\w+\.py)`", DEVELOPERS)
    assert named
    assert [name for name in named if not (ROOT / "src" / "gaugeglass" / name).is_file()] == []


@pytest.mark.parametrize(
    "kind",
    [
        results.Spread, results.QuantitySummary, results.HypothesisSummary, results.Probability, results.Words,
        results.WidthPoint, results.WidthCurve, results.Conditional, results.Verdict, results.LedgerRow,
        results.Assessment,
    ],
    ids=lambda kind: kind.__name__,
)  # fmt: skip
def test_every_key_of_a_result_is_documented(kind: type) -> None:
    shape = DEVELOPERS.partition("### The shape of `result.json`")[2]
    missing = [f.name for f in fields(kind) if not re.search(rf"`{f.name}(\[\])?`", shape)]
    assert missing == []


def test_the_licence_is_the_one_that_is_named() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["license"] == "BSD-3-Clause"
    assert (ROOT / "LICENSE").read_text().startswith("BSD 3-Clause License")


@pytest.mark.slow
def test_the_python_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind in ("models", "observations"):
        shutil.copytree(ROOT / kind, tmp_path / kind)
    monkeypatch.chdir(tmp_path)
    (code,) = blocks("python")
    scope: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), scope)  # noqa: S102 - the README is ours
    folder = scope["folder"]
    assert isinstance(folder, Path)
    assert (folder / "report.html").is_file()
    assert json.loads((folder / "result.json").read_text())["sentence"] == capsys.readouterr().out.strip()
    assert folder.name.endswith("-public")
    assert [p for p in folder.rglob("*") if p.is_file() and b"mechanic" in p.read_bytes()] == []
