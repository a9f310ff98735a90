"""What if: an alternative as a reader at a terminal meets it, its record, its page and its public form."""

from __future__ import annotations

import hashlib
import html
import json
import os
import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import gaugeglass as gg
import plain_tank
from gaugeglass import cli
from gaugeglass.language.spec import Alternative
from gaugeglass.publication.alternatives import remarks, what_if
from gaugeglass.record import runs
from gaugeglass.record.redaction import public_form
from printed import plain

MODEL = """\
format: 1
title: A tank
latents:
  volume:
    about: Volume of the tank
    unit: L
    prior: {family: lognormal, median: 100 L, sigma: 0.5}
    because: Tanks of this kind
  leak: {about: What leaks, unit: "1", prior: {family: beta, mean: 0.1, sd: 0.05}, because: Invented}
relations:
  kept: {unit: L, equals: volume * (1 - leak)}
methods:
  filling: {about: Fill it and count, measures: volume, likelihood: {family: normal}}
  gauging: {about: Read the gauge, measures: kept, likelihood: {family: normal}}
hypotheses:
  tight: {says: Nothing leaks, fix: {leak: 0}}
  leaky: {says: It leaks, priors: {leak: as stated}}
claims:
  large: {says: The tank holds more than 100 L, holds: volume > 100 L}
leading: [volume, kept]
"""

READINGS = """\
  - {id: public-1, method: filling, value: 104 ± 2 L, origin: a bucket}
  - {id: gauge-1, method: gauging, value: 96 ± 2 L, origin: a gauge}
  - id: whisper-7
    method: filling
    value: 98(3) L
    origin: Quillfeather's cousin
    private: true
    note: Said in confidence
  - {id: echo-1, method: filling, value: 98 L, u: 3 L, repeats: whisper-7}
"""
DOSSIER = plain_tank.DOSSIER + READINGS
FILE = "observations/tank.yaml"
QUICK = ["--draws", "200"]


@pytest.fixture(autouse=True)
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    plain_tank.lay_out(tmp_path, READINGS, model=MODEL)
    return tmp_path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reports with one run and one alternative to it, without ``whisper-7``."""
    home = tmp_path_factory.mktemp("made")
    plain_tank.lay_out(home, READINGS, model=MODEL)
    for options in ([], ["--without", "whisper-7"]):
        assert cli.run(["infer", str(home / FILE), *QUICK, *options]) == 0
    return home / "reports"


@pytest.fixture
def recorded(made: Path, workspace: Path) -> Path:
    """The same reports, in the workspace."""
    return shutil.copytree(made, workspace / "reports")


def infer(*options: str) -> int:
    return cli.run(["infer", FILE, *QUICK, *options])


def kept() -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """The runs and the alternatives that are recorded."""
    return runs.listing(Path("reports"), "tank"), runs.alternatives(Path("reports"), "tank")


# --- recorded and told --------------------------------------------------------------------------------------


def test_what_is_otherwise_and_what_it_moved_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        infer(
            "--without", "a bucket", "--replace", "gauge-1=80 L", "--prior", "leak={family: beta, mean: 0.2, sd: 0.1}"
        )
        == 0
    )
    out, err = capsys.readouterr()
    ((parent,), (run,)) = kept()
    assert f"the dossier as it stands was inferred first: {parent}\n" in err
    lines = plain(out).splitlines()
    assert lines[:5] == [
        "What if: without a bucket; gauge-1 at 80 L instead of 96 ± 2 L; prior of leak",
        "  {family: beta, mean: 0.2, sd: 0.1} instead of {family: beta, mean: 0.1, sd:",
        "  0.05}",
        f"This is an alternative to run {parent.name}, not what the files say.",
        "The prior of leak is replaced where it is as stated; tight keeps what it states.",
    ]
    assert re.search(r"^large +[\d.]+ % ± [\d.]+ % +[\d.]+ % ± [\d.]+ % +▼ \d+ points$", plain(out), re.MULTILINE)
    assert re.search(r"^kept +96", plain(out), re.MULTILINE)
    assert max(len(line) for line in lines if str(run.name) not in line) <= 80


@pytest.mark.usefixtures("recorded")
def test_an_alternative_is_recorded_beside_the_run_it_is_one_to() -> None:
    ((parent,), (folder,)) = kept()
    run = runs.read(folder)
    assert run.alternative == {
        "of": {"run": parent.name, "digest": runs.read(parent).digest},
        "changes": {"replace": {}, "without": ["whisper-7"], "prior_weights": {}, "priors": {}, "givens": {}},
    }
    assert runs.read(parent).alternative is None
    inputs = [(place / "inputs" / FILE).read_text() for place in (parent, folder)]
    assert inputs == [DOSSIER, DOSSIER]
    assert [o.id for o in run.spec().evidence] == ["public-1", "gauge-1"]
    row = next(row for row in run.assessment.ledger if row.id == "whisper-7")
    assert (row.aside, row.predicted) == ("left out in this alternative", None)


@pytest.mark.usefixtures("recorded")
def test_the_parent_is_the_latest_run_of_the_same_bytes(workspace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (workspace / FILE).write_text(DOSSIER + "# a comment\n")
    assert infer("--without", "gauge-1") == 0
    assert "inferred first" in capsys.readouterr().err
    assert infer("--without", "gauge-1", "--seed", "2") == 0
    assert "inferred first" not in capsys.readouterr().err
    ((first, second), alternatives) = kept()
    of = [runs.read(a).alternative["of"]["run"] for a in alternatives]  # type: ignore[index]
    assert of == [first.name, second.name, second.name]


@pytest.mark.usefixtures("recorded")
def test_what_was_asked_before_is_shown_and_not_recorded_again(capsys: pytest.CaptureFixture[str]) -> None:
    ((parent,), (folder,)) = kept()
    capsys.readouterr()
    assert infer("--without", "whisper-7") == 0
    out, err = capsys.readouterr()
    assert "asked before with the same seed and draws: this is the alternative on record" in err
    assert f"alternative to run {parent.name}" in out
    assert f"run     {folder}\n" in out
    assert kept() == ((parent,), (folder,))
    assert infer("--without", "whisper-7", "--json") == 0
    assert json.loads(capsys.readouterr().out)["run"] == str(folder)
    for anew in (["--seed", "2"], ["--draws", "300"], ["--without", "gauge-1"]):
        assert infer("--without", "whisper-7", *anew) == 0
        assert "asked before" not in capsys.readouterr().err
    assert len(kept()[1]) == 4


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize("harm", ["damaged", "of another version", "to another run"])
def test_what_cannot_be_shown_as_it_would_be_now_is_inferred_again(harm: str) -> None:
    ((_,), (folder,)) = kept()
    if harm == "damaged":
        (folder / "result.json").write_text("{}")
    elif harm == "to another run":
        assert infer() == 0
    else:
        told = json.loads((folder / "run.json").read_text())
        told["versions"]["gaugeglass"] = "0.0.1"
        (folder / "run.json").write_text(json.dumps(told))
    assert infer("--without", "whisper-7") == 0
    assert len(kept()[1]) == 2


@pytest.mark.parametrize(
    "idle",
    [
        ["--replace", "gauge-1=96.0(20) L"],
        ["--prior", "leak={family: beta, mean: 10 %, sd: 5 %}"],
        ["--prior-weight", "leaky=3", "--prior-weight", "tight=3"],
    ],
    ids=" ".join,
)
def test_what_changes_nothing_is_said_and_neither_inferred_nor_recorded(
    idle: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert infer(*idle) == 3
    said = capsys.readouterr().err
    assert said.count("which changes nothing") == len(idle) // 2
    assert f"the command line: {idle[0]} {idle[1].partition('=')[0]}" in said
    assert kept() == ((), ())


@pytest.mark.usefixtures("recorded")
def test_what_changes_nothing_beside_what_does_is_said_and_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    ((_,), (folder,)) = kept()
    capsys.readouterr()
    assert infer("--without", "whisper-7", "--replace", "gauge-1=96 L") == 0
    out, err = capsys.readouterr()
    assert "warning: the command line: --replace gauge-1\n    found    '96 L', which changes nothing" in err
    assert out.startswith("What if: without whisper-7\n")
    assert kept()[1] == (folder,)


def test_as_json_it_is_one_document_of_the_recorded_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    assert infer("--replace", "public-1=120 ± 1 L", "--without", "gauge-1", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    ((parent,), (folder,)) = kept()
    assert told["format"] == "gaugeglass.alternative/1"
    assert told["changes"]["replace"] == {"public-1": "120 ± 1 L"}
    assert told["options"] == "--replace public-1='120 ± 1 L' --without gauge-1"
    assert (Path(told["run"]).name, told["of"]["run"], Path(told["of"]["folder"]).name) == (
        folder.name, parent.name, parent.name,
    )  # fmt: skip
    before, now = (json.loads((p / "result.json").read_text()) for p in (parent, folder))
    large, tight = told["verdicts"][:2]
    assert (large["before"], large["now"]) == (before["verdicts"][0]["posterior"], now["verdicts"][0]["posterior"])
    assert (tight["name"], tight["now"]["value"]) == ("tight", now["hypotheses"][0]["posterior"])
    (volume,) = (q for q in told["quantities"] if q["name"] == "volume")
    assert volume["before"] == next(q["posterior"] for q in before["quantities"] if q["name"] == "volume")
    assert volume["moved"]
    exact = (120 / 1**2 + 98 / 3**2) / (1 / 1**2 + 1 / 3**2)  # two normal readings; the prior shifts it by 0.013 L
    mcse = next(q["mcse"] for q in now["quantities"] if q["name"] == "volume")
    assert abs(volume["now"]["mean"] - exact) <= 4 * mcse + 0.013


@pytest.mark.usefixtures("recorded")
def test_an_alternative_is_never_the_latest_run(capsys: pytest.CaptureFixture[str]) -> None:
    ((parent,), (folder,)) = kept()
    assert cli.run(["report", "tank"]) == 0
    out = capsys.readouterr().out
    assert f"run     {Path('reports') / 'tank' / parent.name}\n" in out
    assert "What if" not in out
    assert cli.run(["report", str(folder)]) == 0
    out = capsys.readouterr().out
    assert out.startswith(
        f"What if: without whisper-7\nThis is an alternative to run {parent.name}, not what the files say.\n\n"
    )
    assert cli.run(["report", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["alternative"]["changes"]["without"] == ["whisper-7"]


def command_on(page: str) -> list[str]:
    (found,) = set(re.findall(r"gaugeglass infer [^<\n]*", html.unescape(page)))
    return shlex.split(found)[1:]


@pytest.mark.usefixtures("recorded")
def test_the_page_says_that_it_is_of_an_alternative_and_its_command_gives_the_same_numbers() -> None:
    assert infer("--without", "gauge-1", "--replace", "whisper-7={value: 90 .. 97 L, u: 2 L}", "--seed", "7") == 0
    ((parent,), (_, folder)) = kept()
    assert cli.run(["report", str(folder)]) == 0
    page = (folder / "report.html").read_text()
    banner = re.search(r'<p class="banner" id="alternative" role="note"><strong>(.*?)</strong> (.*?)</p>', page)
    assert banner is not None
    assert banner[1] == "What if: without gauge-1; whisper-7 at 90 .. 97 L with u 2 L instead of 98(3) L"
    assert banner[2] == f"This is an alternative to run {parent.name}, not what the files say."
    first = folder.rename(folder.with_name("set-aside"))
    assert cli.run(command_on(page)) == 0
    _, again = kept()[1]
    assert (first / "result.json").read_bytes() == (again / "result.json").read_bytes()
    assert (first / "posterior.nc").read_bytes() == (again / "posterior.nc").read_bytes()
    assert (parent / "result.json").read_bytes() != (again / "result.json").read_bytes()


# --- in Python ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "before", "after"),
    [
        ({"replace": {"public-1": "110 ± 3 L"}}, "104 ± 2 L", "110 ± 3 L"),
        ({"without": ["a gauge"]}, "  - {id: gauge-1, method: gauging, value: 96 ± 2 L, origin: a gauge}\n", ""),
    ],
)
def test_an_alternative_draws_what_changed_files_draw(
    workspace: Path, asked: dict[str, Any], before: str, after: str
) -> None:
    whole = gg.load(FILE)
    ours = gg.infer(gg.alter(whole, **asked), seed=3, draws=200)
    (workspace / FILE).write_text(DOSSIER.replace(before, after))
    theirs = gg.infer(gg.load(FILE), seed=3, draws=200)
    assert np.array_equal(ours.mixture["volume"], theirs.mixture["volume"])
    assert not np.array_equal(ours.mixture["volume"], gg.infer(whole, seed=3, draws=200).mixture["volume"])


def test_with_nothing_left_the_prior_is_what_is_held() -> None:
    posterior = gg.infer(gg.alter(gg.load(FILE), without=["public-1", "gauge-1", "whisper-7"]), seed=1)
    assert np.median(posterior.mixture["volume"]) == pytest.approx(100.0, abs=1.0)  # [L] as the prior states
    assert np.std(np.log(posterior.mixture["volume"])) == pytest.approx(0.5, abs=0.01)


def test_record_run_finds_the_run_that_it_is_an_alternative_to() -> None:
    spec = gg.load(FILE)
    altered = gg.infer(gg.alter(spec, without=["gauge-1"]), seed=1, draws=200)
    alone = runs.read(gg.record_run(altered, gg.judge(altered)))
    assert alone.alternative is not None
    assert alone.alternative["of"] is None
    assert "This is an alternative to the dossier as it stands, not what" in (alone.folder / "report.html").read_text()
    posterior = gg.infer(spec, seed=1, draws=200)
    whole = runs.read(gg.record_run(posterior, gg.judge(posterior)))
    again = runs.read(gg.record_run(altered, gg.judge(altered)))
    assert again.alternative is not None
    assert again.alternative["of"] == {"run": whole.name, "digest": whole.digest}


@pytest.mark.usefixtures("recorded")
def test_of_several_runs_of_the_same_files_the_latest_is_the_parent() -> None:
    ((first,), _) = kept()
    later = shutil.copytree(first, first.with_name("99990101T000000Z-00000000"))
    shutil.copytree(first, first.with_name("20000101T000000Z-00000000"))
    found = runs.parent(gg.load(FILE), Path("reports"))
    assert found is not None
    assert found.folder == later


@pytest.mark.usefixtures("recorded")
def test_a_dossier_that_was_made_in_python_has_no_parent() -> None:
    assert runs.parent(gg.load(FILE), Path("reports")) is not None
    latent = {"about": "V", "unit": "L", "prior": {"family": "lognormal", "median": "1 L", "sigma": 1}, "because": "b"}
    model = {"title": "A tank", "latents": {"volume": latent}}
    made = gg.specify(model, {"dossier": "tank", "subject": "An invented tank"})
    assert runs.parent(made, Path("reports")) is None


# --- private things -----------------------------------------------------------------------------------------


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize("name", ["whisper-7", "Quillfeather's cousin"])
def test_the_public_form_of_an_alternative_names_nothing_private(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """An origin that nothing public shares is named by what was observed there."""
    assert infer("--without", "public-1", "--without", name) == 0
    folder = kept()[1][1]
    capsys.readouterr()
    assert cli.run(["publish", str(folder)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("What if: without public-1 and private-1\nThis is an alternative to run ")
    public = Path(re.findall(r"page +(.*)/report.html", out)[0])
    content = b"".join(p.read_bytes() for p in public.rglob("*") if p.is_file()) + out.encode()
    assert [s for s in (b"whisper-7", b"Quillfeather", b"cousin", b"confidence") if s in content] == []
    run = runs.read(public)
    assert run.alternative is not None
    assert run.alternative["changes"]["without"] == ["public-1", "private-1"]
    assert [o.id for o in run.spec().evidence] == ["gauge-1"]
    assert "--without private-1" in " ".join(command_on((public / "report.html").read_text()))


@pytest.mark.usefixtures("recorded")
def test_the_public_form_of_an_alternative_is_one_to_the_public_form_of_its_parent() -> None:
    ((parent,), (folder,)) = kept()
    public = [runs.read(gg.make_public(folder))]
    own = gg.make_public(parent)
    public.append(runs.read(gg.make_public(folder)))
    of = [run.alternative["of"] for run in public]  # type: ignore[index]
    assert of == [{"run": parent.name, "digest": None}, {"run": own.name, "digest": runs.read(own).digest}]
    secret = runs.read(parent).digest.encode()
    files = [p for run in public for p in run.folder.rglob("*") if p.is_file()]
    assert [p for p in files if secret in p.read_bytes()] == []
    page = html.unescape((public[1].folder / "report.html").read_text())
    assert f"This is an alternative to run {own.name}, not what the files say." in page


def test_a_private_observation_that_is_replaced_and_a_shared_origin_have_their_public_names(
    workspace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (workspace / FILE).write_text(DOSSIER.replace("origin: a gauge", "origin: Quillfeather's cousin"))
    assert infer("--replace", "whisper-7=90 ± 3 L") == 0
    assert infer("--without", "Quillfeather's cousin") == 0
    for folder in kept()[1]:
        assert cli.run(["publish", str(folder)]) == 0
    public = [runs.read(p.with_name(f"{p.name}-public")) for p in kept()[1]]
    replaced, left_out = sorted(public, key=lambda run: bool((run.alternative or {})["changes"]["without"]))
    assert replaced.alternative is not None
    assert left_out.alternative is not None
    assert replaced.alternative["changes"]["replace"] == {"private-1": "90 ± 3 L"}
    assert next(o for o in replaced.spec().observations if o.id == "private-1").value == 90.0
    assert left_out.alternative["changes"]["without"] == ["origin-1"]
    assert [o.id for o in left_out.spec().evidence] == ["public-1"]


TABLES = """\
tables:
  - id: secret-log
    file: secret.csv
    method: filling
    value: {column: v, unit: L}
    u: 3 L
    origin: Quillfeather's cousin
    private: true
    where: {v: "> 95"}
  - {id: open-log, file: open.csv, method: filling, value: {column: v, unit: L}, u: 3 L, origin: {column: who}}
"""


@pytest.mark.parametrize(
    ("name", "public", "gone"),
    [
        ("secret-log", "private-table-1", {"private-table-1:2", "private-table-1:3"}),
        ("secret-log:4", "private-table-1:3", {"private-table-1:3"}),
        ("Quillfeather's cousin", "origin-1",
         {"private-1", "private-table-1:2", "private-table-1:3", "open-log:3"}),
        ("open-log:3", "open-log:3", {"open-log:3"}),
        ("Ada", "Ada", {"open-log:2"}),
    ],
)  # fmt: skip
def test_what_is_left_out_of_private_tables_has_public_names_that_mean_the_same(
    name: str, public: str, gone: set[str], workspace: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    (workspace / FILE).write_text(DOSSIER + TABLES)
    (workspace / "observations" / "secret.csv").write_text("v\n97\n90\n103\n")
    (workspace / "observations" / "open.csv").write_text("v,who\n98,Ada\n99,Quillfeather's cousin\n")
    found = public_form(gg.alter(gg.load(FILE), without=[name]))
    assert found.alternative is not None
    assert found.alternative.without == (public,)
    elsewhere = tmp_path_factory.mktemp("public")
    for path, content in runs._inputs(found).items():
        (elsewhere / path).parent.mkdir(parents=True, exist_ok=True)
        (elsewhere / path).write_bytes(content)
    whole = gg.load(elsewhere / "inputs" / FILE)
    assert {o.id for o in whole.evidence} - {o.id for o in gg.alter(whole, without=[public]).evidence} == gone
    assert {o.id for o in whole.evidence} - {o.id for o in found.evidence} == gone


@pytest.mark.usefixtures("recorded")
def test_a_private_name_left_in_the_changes_is_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    folder = kept()[1][0]
    monkeypatch.setattr("gaugeglass.record.redaction._public_alternative", lambda spec, aliases: spec.alternative)
    with pytest.raises(gg.StoreError, match=r"private text is left in .*run\.json"):
        gg.make_public(folder)


# --- as the README tells it ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_readme_shows_what_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## What if")[2].partition("\n## ")[0]
    first, second = re.findall(r"^gaugeglass (infer .*)$", section, flags=re.MULTILINE)
    (shown,) = re.findall(r"^```text\n(.*?)^```", section, flags=re.MULTILINE | re.DOTALL)
    assert cli.run(["new", "mine"]) == 0
    os.chdir("mine")
    capsys.readouterr()
    assert cli.run(shlex.split(first)) == 0
    printed = plain(capsys.readouterr().out)

    def words(line: str) -> str:
        return re.sub(r"[0-9]{8}T[0-9]{6}Z-[0-9a-f]{8}|[0-9.]+", "#", line)

    assert [words(line) for line in shown.splitlines() if words(line) not in map(words, printed.splitlines())] == []
    assert cli.run(shlex.split(second)) == 0
    assert "prior weight of held 0.5 instead of 1; prior of held back {family:" in " ".join(
        capsys.readouterr().out.split()
    )


# --- refused ------------------------------------------------------------------------------------------------


def test_what_cannot_be_meant_is_refused_before_anything_is_inferred(capsys: pytest.CaptureFixture[str]) -> None:
    assert infer("--without", "gauge-2", "--replace", "public-1=104 kg") == 3
    assert capsys.readouterr().err.splitlines() == [
        "2 faults",
        "the command line: --replace public-1",
        "    found    '104 kg' [mass]",
        "    allowed  a unit of volume, as method 'filling' measures (L)",
        "the command line: --without gauge-2",
        "    found    'gauge-2', which is not there",
        "    allowed  an observation, a table or an origin that counts: Quillfeather's cousin, a bucket, a gauge, gauge-1, "
        "public-1, whisper-7",
        "    hint     did you mean 'gauge-1'?",
    ]
    assert not Path("reports").exists()


def test_faults_of_the_command_line_are_a_document_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert infer("--given", "x=1", "--json") == 3
    (fault,) = json.loads(capsys.readouterr().out)["faults"]
    assert (fault["file"], fault["line"], fault["field"]) == ("the command line", None, "--given x")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--replace", "public-1"], "'public-1' is not ID=VALUE"),
        (["--prior", "=3"], "'=3' is not LATENT=PRIOR"),
        (["--given", "x=1", "--given", "x=2"], "'x' is stated twice"),
        (["--without", "a", "--without", "a"], "'a' is stated twice"),
    ],
)
def test_wrong_usage_says_what_is_wanted(options: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert infer(*options) == 2
    assert message in capsys.readouterr().err


# --- in words -----------------------------------------------------------------------------------------------


def test_each_change_has_its_words() -> None:
    asked = Alternative(
        replace={"a": "1 L", "b": {"u": "2 L"}, "c": {"value": ">= 1 L", "u": "2 L", "rounded": "1 L"}},
        without=("x", "y", "z"),
        prior_weights={"it_leaks": 2},
        priors={"leak": {"family": "beta", "mean": 0.1, "sd": 0.05}},
        givens={"cell_count": 408},
    )
    assert what_if(asked) == (
        "What if: without x, y and z; a at 1 L; b with u 2 L; c at >= 1 L with u 2 L, rounded 1 L; prior weight of it "
        "leaks 2; prior of leak {family: beta, mean: 0.1, sd: 0.05}; cell count 408"
    )
    before = Alternative(replace={"b": {"value": "3 L", "u": "1 L", "k": "2"}}, givens={"cell_count": "400"})
    told = what_if(asked, before)
    assert "b with u 2 L instead of u 1 L, k 2; c at" in told
    assert told.endswith("; cell count 408 instead of 400")
    apart = Alternative(replace={"b": {"value": "98(3) L"}})
    assert what_if(Alternative(replace={"b": {"u": "2 L"}}), apart) == "What if: b with u 2 L instead of 98(3) L"
    assert remarks(gg.load(FILE)) == ()


@pytest.mark.usefixtures("recorded")
def test_a_run_of_an_earlier_version_has_no_alternative() -> None:
    ((folder,), _) = kept()
    told = json.loads((folder / "run.json").read_text())
    del told["alternative"]
    (folder / "run.json").write_text(json.dumps(told))
    run = runs.read(folder)
    assert run.alternative is None
    assert run.spec().alternative is None
    assert runs.facts(run.about)["command"].startswith("gaugeglass assess ")
    assert run.digest == hashlib.sha256((folder / "run.json").read_bytes()).hexdigest()
