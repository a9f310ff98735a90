"""What README and DEVELOPERS say is run, or held against the program."""

from __future__ import annotations

import json
import math
import re
import shutil
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

import printed
from gaugeglass import cli
from gaugeglass.judgement import results
from gaugeglass.language.files import check, parse
from gaugeglass.language.reading import Notes

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def blocks(language: str, document: str = README) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", document, flags=re.MULTILINE | re.DOTALL)


# --- the file language --------------------------------------------------------------------------------------

LANGUAGE = DEVELOPERS.partition("## The file language\n")[2].partition("\n## ")[0]
OF_A_DOSSIER = {"members", "observations", "correlations", "tables", "applies", "candidates", "truth"}


def fleet(home: Path) -> Path:
    """The dossier that the examples of the file language make, put together, with its model and its tables."""
    model: dict[str, Any] = {"format": 1, "title": "An invented fleet"}
    dossier: dict[str, Any] = {"format": 1, "dossier": "fleet", "model": "fleet", "subject": "An invented fleet"}
    for block in blocks("yaml", LANGUAGE):
        for key, part in plain(block).items():
            into = dossier if key in OF_A_DOSSIER else model
            into[key] = [*into.get(key, []), *part] if isinstance(part, list) else {**into.get(key, {}), **part}
    for folder, made in (("models", model), ("observations", dossier)):
        (home / folder).mkdir()
        (home / folder / "fleet.yaml").write_text(json.dumps(made))
    log, vans = blocks("csv", LANGUAGE)
    (home / "observations" / "log.csv").write_text(log)
    (home / "models" / "vans.csv").write_text(vans)
    return home / "observations" / "fleet.yaml"


def plain(text: str) -> dict[str, Any]:
    root = parse(text, Notes("example"))
    assert root is not None, text
    return dict(root.plain())


def test_the_examples_of_the_file_language_are_sound_together(tmp_path: Path) -> None:
    checked = check(fleet(tmp_path))
    assert [str(fault) for fault in (*checked.faults, *checked.warnings)] == []
    assert checked.spec is not None
    assert [o.id for o in checked.spec.observations if o.table] == ["log:2", "log:3"]
    assert checked.spec.members == {"vehicle": ("V1", "V2", "V3")}


@pytest.mark.slow
def test_the_examples_of_the_file_language_can_be_inferred(tmp_path: Path) -> None:
    import gaugeglass as gg

    ledger = {row.id: row for row in gg.judge(gg.infer(gg.load(fleet(tmp_path)), seed=1)).ledger}
    assert {name for name, row in ledger.items() if row.aside} == {"forum-1", "scale-0"}
    assert ledger["advert-1"].bases["with the driver"] > 0.9


def test_the_examples_of_evidence_in_the_readme_are_sound_with_that_model(tmp_path: Path) -> None:
    file = fleet(tmp_path)
    (example,) = [block for block in blocks("yaml") if "members:" in block]
    file.write_text(f"format: 1\ndossier: fleet\nmodel: fleet\nsubject: An invented fleet\n{example}")
    file.with_name("log.csv").write_text("van,from,to,energy\nV2,30,90,42.3\nV2,10,40,21.9\n")
    checked = check(file)
    assert [str(fault) for fault in checked.faults] == []
    assert checked.spec is not None
    assert [o.id for o in checked.spec.evidence] == ["charge-1", "advert-1", "log:2"]


def test_every_key_of_an_observation_a_table_and_a_dossier_is_told_of() -> None:
    from gaugeglass.language import dossiers, observations, tables

    known = {*observations.OBSERVATION.known, *tables._TABLE.known, *dossiers.DOSSIER.known}
    told = set(re.findall(r"[a-z_]+", README + LANGUAGE))
    assert known - told == set()


# --- the program --------------------------------------------------------------------------------------------


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


# --- the small workspace ------------------------------------------------------------------------------------


def cistern(home: Path) -> Path:
    """The dossier of the README's small workspace, copied as it stands into a new one."""
    assert cli.run(["new", str(home)]) == 0
    for text, path in zip(blocks("yaml")[:2], ("models/cistern.yaml", "observations/cistern.yaml"), strict=True):
        assert f"`{path}`" in README
        (home / path).write_text(text)
    return home / "observations" / "cistern.yaml"


def test_the_small_workspace_has_no_faults(tmp_path: Path) -> None:
    checked = check(cistern(tmp_path / "work"))
    assert [str(fault) for fault in (*checked.faults, *checked.warnings)] == []
    assert checked.spec is not None
    assert len(checked.spec.evidence) == 2


@pytest.mark.slow
def test_the_small_workspace_gives_what_the_readme_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Word for word but for numbers, and of verdicts within four of the Monte Carlo errors that both print."""
    cistern(tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setenv("COLUMNS", "80")
    capsys.readouterr()
    assert cli.run(["assess", "observations/cistern.yaml"]) == 0
    printed = capsys.readouterr().out
    (shown,) = [block for block in blocks("text") if "cistern" in block]
    count = len(shown.splitlines())
    begun = "\n".join(printed.splitlines()[:count]) + "\n"
    assert worded(begun) == worded(shown)
    pairs = list(zip(estimates(begun), estimates(shown), strict=True))
    assert len(pairs) == 6
    assert [pair for pair in pairs if abs(pair[0][0] - pair[1][0]) > 4 * math.hypot(pair[0][1], pair[1][1])] == []
    assert "\npage    reports/cistern/" in printed


def test_the_samples_of_the_demo_are_of_one_inference() -> None:
    """What audit, next, an alternative and a comparison begin with is the same probability."""
    begins = (
        r"that goes from ([\d.]+) %", r"with everything: ([\d.]+) %", r"\(now ([\d.]+) %\)",
        r"software limited {2,}([\d.]+) % ±", r"What moved software limited: ([\d.]+) %",
    )  # fmt: skip
    shown = " ".join(printed.plain(block).replace("\ngoes", " goes") for block in blocks("text"))
    found = [re.findall(begin, shown) for begin in begins]
    assert [len(each) for each in found] == [1] * len(begins)
    assert len({number for each in found for number in each}) == 1


def stand_in_copy(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in a folder that has the shipped models and observations, and no runs."""
    for kind in ("models", "observations"):
        shutil.copytree(ROOT / kind, folder / kind)
    monkeypatch.chdir(folder)


@pytest.mark.slow
def test_a_comparison_of_the_demo_reads_as_the_readme_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Word for word but for numbers and their signs."""
    stand_in_copy(tmp_path, monkeypatch)
    monkeypatch.setenv("COLUMNS", "80")
    file = Path("observations/heron-35.yaml")
    assert cli.run(["infer", str(file)]) == 0
    assert cli.run(["withdraw", str(file), "pack-cell", "--because", "It was another cell"]) == 0
    file.write_text(file.read_text().replace("subject_age: 3 year", "subject_age: 4 year"))
    assert cli.run(["infer", str(file)]) == 0
    capsys.readouterr()
    assert cli.run(["compare", "heron-35@latest~1", "heron-35@latest"]) == 0
    told = " ".join(unsigned(capsys.readouterr().out))
    (shown,) = [block for block in blocks("text") if block.startswith("What moved")]
    assert " ".join(unsigned(shown)) in told


def unsigned(text: str) -> list[str]:
    return [word.lstrip("+−") for word in worded(text)]


def worded(text: str) -> list[str]:
    return re.sub(r"[\d.]+", "#", text).split()


def estimates(text: str) -> list[tuple[float, float]]:
    """Every percentage that is printed with its Monte Carlo error."""
    return [(float(p), float(u)) for p, u in re.findall(r"([\d.]+) % ± ([\d.]+) %", printed.plain(text))]


# --- the rest -----------------------------------------------------------------------------------------------


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
    stand_in_copy(tmp_path, monkeypatch)
    (code,) = blocks("python")
    scope: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), scope)  # noqa: S102 - the README is ours
    folder = scope["folder"]
    assert isinstance(folder, Path)
    assert (folder / "report.html").is_file()
    assert json.loads((folder / "result.json").read_text())["sentence"] == capsys.readouterr().out.strip()
    assert folder.name.endswith("-public")
    assert [p for p in folder.rglob("*") if p.is_file() and b"mechanic" in p.read_bytes()] == []
