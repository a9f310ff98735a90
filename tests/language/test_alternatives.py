"""Alternatives: what is changed is what a changed file would say, and what cannot be meant is refused in plain words."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gaugeglass.errors import SpecError
from gaugeglass.language.alternatives import OPTIONS, alter, check_alternative, options, own_priors, stated_before
from gaugeglass.language.files import load, specify
from gaugeglass.language.spec import LEFT_OUT, Alternative, Observation, Spec

MODEL = """\
format: 1
title: A fleet of tanks
givens:
  tanks: {about: Tanks in all, unit: "1"}
  load: {about: Load, unit: kg, default: 75 kg}
groups:
  tank: {about: A tank of the fleet}
latents:
  volume:
    about: Volume of a tank
    unit: L
    prior: {family: lognormal, median: 100 L, sigma: 0.5}
    because: Tanks of this kind
  leak: {about: What leaks, unit: "%", prior: {family: beta, mean: 5 %, sd: 2 %}, because: Invented}
  shape: {about: A shape, unit: "1", prior: {family: normal, mean: 1, sd: 0.1}, because: Invented}
  use: {about: Use, unit: L/h, prior: {family: lognormal, median: 2 L/h, sigma: 0.5}, because: Invented}
  share: {about: A share, unit: "%", prior: {family: beta, mean: 50 %, sd: 20 %}, because: Invented}
relations:
  kept: {unit: L, equals: volume * (1 - leak) * shape}
methods:
  filling: {about: Fill it and count, measures: volume, likelihood: {family: normal}}
  gauging:
    about: Read the gauge
    measures: kept * part
    inputs: {part: {unit: "%"}}
    likelihood: {family: normal}
    shared: {by: origin, u: 1 %}
  counting: {about: Count them, measures: tanks * 1, likelihood: {family: poisson}}
  using: {about: Watch it, measures: use, likelihood: {family: normal}}
  sharing: {about: Ask for it, measures: share, likelihood: {family: normal}}
hypotheses:
  tight: {says: Nothing leaks, fix: {leak: 0 %}, priors: {shape: {family: normal, mean: 1, sd: 0.05}}}
  leaky: {says: It leaks, priors: {leak: as stated, shape: {family: normal, mean: 1, sd: 0.2}}}
claims:
  large: {says: The tank holds more than 100 L, holds: volume > 100 L}
"""

DOSSIER = """\
format: 1
dossier: tank
model: tank
subject: Invented tanks
applies: {version: first}
givens: {tanks: 12}
observations:
  - {id: filled, method: filling, value: 104.0(12) L, origin: a bucket}
  - {id: quoted, method: filling, value: 98 L, u: 4 L, k: 2, origin: a book}
  - {id: limited, method: filling, value: 101 L, tolerance: 3 L, rounded: 1 L, origin: a bucket}
  - {id: percent, method: filling, value: 100 L, u: 2 %}
  - {id: gauge-1, method: gauging, value: 51 ± 2 L, inputs: {part: 50 %}, origin: a gauge}
  - {id: gauge-2, method: gauging, value: 40 .. 60 L, u: 2 L, inputs: {part: 50 %}, origin: a gauge}
  - {id: counted, method: counting, value: 11}
  - {id: used, method: using, value: 2.0 ± 0.2 L/h}
  - {id: asked, method: sharing, value: 50 ± 2 %}
  - {id: echo, method: filling, value: 104 L, u: 1.2 L, repeats: filled}
  - {id: other, method: filling, value: 140 ± 2 L, applies: {version: second}}
  - {id: gone, method: filling, value: 140 ± 2 L, origin: a liar, withdrawn: {date: 2026-01-02, because: It was a joke}}
  - {id: a-lid, method: filling, value: 99 ± 2 L, origin: two}
  - {id: two, method: filling, value: 99 ± 2 L}
correlations:
  - {between: [filled, percent], r: 0.3}
tables:
  - {id: log, file: log.csv, method: filling, value: {column: volume, unit: L}, u: 3 L, origin: {column: who}}
"""
LOG = "volume,who\n97,Ada\n103,Ben\n101,Ada\n"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for folder, name, text in (
        ("models", "tank.yaml", MODEL), ("observations", "tank.yaml", DOSSIER), ("observations", "log.csv", LOG),
    ):  # fmt: skip
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / name).write_text(text)
    return tmp_path


@pytest.fixture
def spec(home: Path) -> Spec:
    return load(home / "observations" / "tank.yaml")


def reading(spec: Spec, name: str) -> Observation:
    return next(o for o in spec.observations if o.id == name)


def told(spec: Spec, *, as_options: bool = True, **asked: Any) -> list[str]:
    """What is refused: the place, what was found, what is allowed and the hint, each by itself."""
    checked = check_alternative(spec, Alternative(**asked), as_options=as_options)
    assert checked.spec is None
    return [line.strip() for fault in checked.faults for line in str(fault).splitlines()]


# --- an alternative says what changed files would say -------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "before", "after"),
    [
        ({"replace": {"filled": "106.0(5) L"}}, "104.0(12) L", "106.0(5) L"),
        ({"replace": {"quoted": "97 ± 1 L"}}, "98 L, u: 4 L, k: 2", "97 ± 1 L"),
        ({"replace": {"limited": "97 ± 1 L"}}, "101 L, tolerance: 3 L,", "97 ± 1 L,"),
        ({"replace": {"limited": "99 L"}}, "value: 101 L", "value: 99 L"),
        ({"replace": {"percent": "0.2 m**3"}}, "100 L, u: 2 %", "0.2 m**3, u: 2 %"),
        ({"replace": {"gauge-2": "{u: 4 L}"}}, "u: 2 L", "u: 4 L"),
        ({"replace": {"gauge-2": {"value": ">= 45 L", "rounded": "1 L"}}}, "40 .. 60 L", '">= 45 L", rounded: 1 L'),
        ({"replace": {"quoted": {"k": 4}}}, "k: 2", "k: 4"),
        ({"replace": {"quoted": {"tolerance": "3 L"}}}, "u: 4 L, k: 2", "tolerance: 3 L"),
        ({"replace": {"counted": 14}}, "value: 11", "value: 14"),
        ({"givens": {"tanks": "13"}}, "tanks: 12", "tanks: 13"),
        ({"givens": {"load": "80 kg"}}, "tanks: 12", "tanks: 12, load: 80 kg"),
    ],
)
def test_an_alternative_is_as_if_the_dossier_said_so(
    home: Path, spec: Spec, asked: dict[str, Any], before: str, after: str
) -> None:
    file = home / "observations" / "tank.yaml"
    assert DOSSIER.count(before) == 1
    file.write_text(DOSSIER.replace(before, after))
    changed = load(file)
    assert alter(spec, **asked).model == changed.model
    assert alter(spec, **asked).dossier == changed.dossier
    assert changed.dossier != spec.dossier


@pytest.mark.parametrize(
    ("asked", "before", "after"),
    [
        ({"prior_weights": {"leaky": "0.1"}}, "says: It leaks,", "says: It leaks, prior_weight: 0.1,"),
        ({"priors": {"leak": "{family: beta, mean: 1 %, sd: 1 %}"}}, "mean: 5 %, sd: 2 %", "mean: 1 %, sd: 1 %"),
        ({"priors": {"leak": {"family": "uniform", "lower": 0, "upper": 0.2}}},
         "family: beta, mean: 5 %, sd: 2 %", "family: uniform, lower: 0, upper: 0.2"),
    ],
)  # fmt: skip
def test_an_alternative_is_as_if_the_model_said_so(
    home: Path, spec: Spec, asked: dict[str, Any], before: str, after: str
) -> None:
    file = home / "models" / "tank.yaml"
    file.write_text(MODEL.replace(before, after))
    changed, found = load(home / "observations" / "tank.yaml").model, alter(spec, **asked).model
    reasons = {q.name: q.because for q in changed.latents}
    assert replace(found, latents=tuple(replace(q, because=reasons[q.name]) for q in found.latents)) == changed
    assert changed != spec.model


def test_a_new_prior_says_in_place_of_which_it_stands(spec: Spec) -> None:
    found = alter(spec, priors={"leak": "{family: beta, mean: 1 %, sd: 1 %}"})
    stated = spec.model.quantities["leak"].prior.stated  # type: ignore[union-attr]
    assert found.model.quantities["leak"].because == f"Asked for in an alternative, in place of {stated}"  # type: ignore[union-attr]
    assert own_priors(found, "leak") == ("tight",)


@pytest.mark.parametrize(
    ("name", "value", "stated", "u"),
    [
        ("filled", "107 L", "107 ± 1.2 L", 1.2),
        ("filled", "0.107 m**3", "0.107 ± 0.0012 m**3", 1.2),
        ("asked", "55 %", "55 ± 2 %", 2.0),  # and not 2 % of it
        ("asked", "0.55", "0.55 ± 0.02", 2.0),
    ],
)
def test_a_value_without_u_keeps_the_one_that_stood_behind_it(
    spec: Spec, name: str, value: str, stated: str, u: float
) -> None:
    found = reading(alter(spec, replace={name: value}), name)
    assert found.stated == stated
    assert found.u == pytest.approx(u)


def test_u_alone_may_be_otherwise_where_the_value_has_it(spec: Spec) -> None:
    found = reading(alter(spec, replace={"filled": {"u": "3 L"}}), "filled")
    assert (found.stated, found.value, found.u) == ("104 L", 104.0, 3.0)


def test_inputs_origin_and_line_stay(spec: Spec) -> None:
    before, found = reading(spec, "gauge-1"), reading(alter(spec, replace={"gauge-1": "48 ± 1 L"}), "gauge-1")
    assert replace(found, stated=before.stated, value=51.0, lower=51.0, upper=51.0, u=2.0) == before
    assert (found.value, found.u) == (48.0, 1.0)


# --- what is left out ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "gone"),
    [
        ("quoted", {"quoted"}),
        ("filled", {"filled"}),
        ("a bucket", {"filled", "limited"}),
        ("a gauge", {"gauge-1", "gauge-2"}),
        ("log", {"log:2", "log:3", "log:4"}),
        ("log:3", {"log:3"}),
        ("Ada", {"log:2", "log:4"}),
    ],
)
def test_an_observation_a_row_a_table_and_an_origin_can_be_left_out(spec: Spec, name: str, gone: set[str]) -> None:
    found = alter(spec, without=[name])
    assert {o.id for o in spec.evidence} - {o.id for o in found.evidence} == gone
    assert found.observations == spec.observations  # so that the ledger shows what is left out, and why
    assert {found.set_aside[o] for o in gone} == {LEFT_OUT}
    assert found.set_aside["echo"] == "repeats filled"


def test_a_correlation_goes_with_either_of_its_observations(spec: Spec) -> None:
    assert len(spec.dossier.correlations) == 1
    assert alter(spec, without=["percent"]).dossier.correlations == ()
    assert alter(spec, without="quoted").dossier.correlations == spec.dossier.correlations


def test_members_that_only_what_is_left_out_names_are_none() -> None:
    model = {
        "title": "Tanks", "groups": {"tank": {}},
        "latents": {"volume": {"about": "Volume", "unit": "L", "per": "tank", "because": "Invented",
                               "prior": {"family": "lognormal", "median": "100 L", "sigma": 0.5}}},
        "methods": {"filling": {"about": "a", "measures": "volume", "likelihood": {"family": "normal"}}},
    }  # fmt: skip
    rows = [{"id": f"o-{t}", "method": "filling", "value": "99 ± 2 L", "at": {"tank": t}} for t in ("T1", "T2")]
    dossier: dict[str, Any] = {"dossier": "tanks", "subject": "Tanks", "observations": rows}
    assert alter(specify(model, dossier), without=["o-T2"]).members == {"tank": ("T1",)}
    dossier["candidates"] = {"again": {"method": "filling", "u": "2 L", "at": {"tank": "T2"}}}
    with pytest.raises(SpecError, match=r"candidates\.again\.at\.tank\n +found    'T2'\n +allowed  a member: T1"):
        alter(specify(model, dossier), without=["o-T2"])


# --- several, one after the other, and from Python ----------------------------------------------------------


def test_changes_of_an_alternative_are_kept_and_the_last_word_counts(spec: Spec) -> None:
    first = alter(spec, replace={"filled": "106 ± 1 L", "quoted": "97 ± 1 L"}, without=["log"])
    found = alter(first, replace={"quoted": "96 ± 1 L"}, without=["a gauge"])
    assert found.alternative is not None
    assert found.alternative.replace == {"filled": "106 ± 1 L", "quoted": "96 ± 1 L"}
    assert found.alternative.without == ("log", "a gauge")
    assert reading(found, "quoted").value == 96.0
    assert found.dossier.left_out == {"log:2", "log:3", "log:4", "gauge-1", "gauge-2"}
    assert found.texts == spec.texts


def test_nothing_asked_for_changes_nothing(spec: Spec) -> None:
    assert alter(spec) is spec


def test_what_was_made_in_python_can_be_altered_too() -> None:
    latent = {"about": "Volume", "unit": "L", "because": "Invented",
              "prior": {"family": "lognormal", "median": "100 L", "sigma": 0.5}}  # fmt: skip
    methods = {"filling": {"about": "a", "measures": "volume", "likelihood": {"family": "normal"}}}
    model = {"title": "A tank", "latents": {"volume": latent}, "methods": methods}
    dossier: dict[str, Any] = {"dossier": "tank", "subject": "A tank",
                               "observations": [{"id": "o", "method": "filling", "value": "99 ± 2 L"}]}  # fmt: skip
    found = alter(specify(model, dossier), replace={"o": "101 ± 1 L"})
    dossier["observations"][0]["value"] = "101 ± 1 L"
    assert found.dossier == specify(model, dossier).dossier
    assert reading(alter(found, priors={"volume": {**latent["prior"], "median": "90 L"}}), "o").value == 101.0  # type: ignore[dict-item]


def test_what_the_files_say_of_everything_that_is_otherwise_can_be_told(spec: Spec) -> None:
    altered = check_alternative(spec, ASKED).spec
    assert altered is not None
    assert stated_before(altered) == Alternative(
        replace={
            "filled": {"value": "104.0(12) L"},
            "gauge-2": {"value": "40 .. 60 L", "u": "2 L"},
            "counted": {"value": "11"},
        },
        prior_weights={"leaky": "1"},
        priors={"leak": {"family": "beta", "mean": "5 %", "sd": "2 %"}},
        givens={"tanks": "12", "load": "75 kg"},
    )
    assert stated_before(spec) == Alternative()
    assert stated_before(replace(altered, texts={})) == Alternative()


ASKED = Alternative(
    replace={"filled": "106 ± 1 L", "gauge-2": {"value": ">= 45 L", "u": "3 L"}, "counted": 14},
    without=("log:3", "a book"),
    prior_weights={"leaky": "0.1"},
    priors={"leak": {"family": "beta", "quantiles": {"5 %": "1 %", "95 %": 0.2}}},
    givens={"tanks": 13, "load": "80 kg"},
)


def test_the_options_of_an_alternative_ask_for_that_alternative(spec: Spec) -> None:
    words = shlex.split(options(ASKED))
    read: dict[str, Any] = {key: {} for key in OPTIONS} | {"without": []}
    keys = {option: key for key, option in OPTIONS.items()}
    for option, text in zip(words[::2], words[1::2], strict=True):
        name, _, value = text.partition("=")
        if option == "--without":
            read["without"].append(text)
        else:
            read[keys[option]][name] = value
    ours, theirs = check_alternative(spec, ASKED).spec, alter(spec, **read)
    assert ours is not None
    assert (ours.dossier, ours.model) == (theirs.dossier, theirs.model)
    assert ours.dossier != spec.dossier
    assert "--replace gauge-2='{value: \">= 45 L\", u: 3 L}'" in options(ASKED)


# --- what is refused ----------------------------------------------------------------------------------------

COUNT = "a-lid, asked, counted, filled, gauge-1, gauge-2, limited, percent, quoted, two, used"


@pytest.mark.parametrize(
    ("asked", "lines"),
    [
        ({"replace": {"filed": "99 L"}},
         ["the command line: --replace filed", "found    'filed', which is not there",
          f"allowed  an observation that counts: {COUNT}", "hint     did you mean 'filled'?"]),
        ({"replace": {"echo": "99 L"}},
         ["the command line: --replace echo", "found    'echo', which does not count anyway: repeats filled",
          f"allowed  an observation that counts: {COUNT}"]),
        ({"replace": {"log:2": "99 L"}},
         ["the command line: --replace log:2", "found    'log:2', which is a row of a table",
          f"allowed  an observation that counts: {COUNT}"]),
        ({"replace": {"filled": "99 kg"}},
         ["the command line: --replace filled", "found    '99 kg' [mass]",
          "allowed  a unit of volume, as method 'filling' measures (L)"]),
        ({"replace": {"filled": "99 ± 0 L"}},
         ["the command line: --replace filled", "found    '99 ± 0 L', whose uncertainty is 0",
          "allowed  an uncertainty above 0"]),
        ({"replace": {"filled": "90 .. 99 L"}},
         ["the command line: --replace filled",
          "found    '90 .. 99 L' without a u, in place of '104.0(12) L', whose ± it cannot have",
          "allowed  a value with its u, such as {value: 96 .. 99 Wh, u: 2 Wh}"]),
        ({"replace": {"used": "2 h/L"}},
         ["the command line: --replace used",
          "found    '2 h/L' without a u, in place of '2.0 ± 0.2 L/h', whose ± it cannot have",
          "allowed  a value with its u, such as {value: 96 .. 99 Wh, u: 2 Wh}"]),
        ({"replace": {"filled": "{valu: 99 L}"}},
         ["the command line: --replace filled.valu", "found    unknown key 'valu'",
          "allowed  k, rounded, tolerance, u, value", "hint     did you mean 'value'?"]),
        ({"replace": {"filled": "{value: 99 L, or so}"}},
         ["the command line: --replace filled.or so", "found    unknown key 'or so'",
          "allowed  k, rounded, tolerance, u, value",
          "hint     a text with a comma stands in quotes between braces: value: '99 L, or so'"]),
        ({"replace": {"filled": "{u: 3 L"}},
         ["the command line: --replace filled",
          "found    '{u: 3 L' (expected ',' or '}', but got '<stream end>')", "allowed  YAML 1.2"]),
        ({"replace": {"quoted": "99 ± 2 L"}, "without": ("quoted",)},
         ["the command line: --replace quoted", "found    'quoted', which is also left out",
          "allowed  an observation that stays"]),
        ({"without": ("log:99",)},
         ["the command line: --without log:99", "found    'log:99', which is not there",
          "allowed  an observation, a table or an origin that counts: Ada, Ben, a book, a bucket, a gauge, a-lid, asked, "
          "counted, filled, gauge-1, gauge-2, limited, log, percent, quoted, two, used",
          "hint     rows are named by their lines of the file: log:2 to log:4"]),
        ({"without": ("other",)},
         ["the command line: --without other",
          "found    'other', which does not count anyway: of another version second",
          "allowed  an observation, a table or an origin that counts: Ada, Ben, a book, a bucket, a gauge, a-lid, asked, "
          "counted, filled, gauge-1, gauge-2, limited, log, percent, quoted, two, used"]),
        ({"prior_weights": {"leak": "1"}},
         ["the command line: --prior-weight leak", "found    unknown hypothesis 'leak'",
          "allowed  a hypothesis: leaky, tight", "hint     did you mean 'leaky'?"]),
        ({"prior_weights": {"leaky": "0"}},
         ["the command line: --prior-weight leaky", "found    '0'", "allowed  a number above 0"]),
        ({"priors": {"shape": "{family: normal, mean: 1, sd: 1}"}},
         ["the command line: --prior shape",
          "found    'shape', which every hypothesis fixes or gives a prior of its own: tight, leaky",
          "allowed  a latent whose prior, as stated, a hypothesis uses: leak, share, use, volume"]),
        ({"priors": {"kept": "{family: normal, mean: 1, sd: 1}"}},
         ["the command line: --prior kept", "found    'kept', a relation, which has no prior",
          "allowed  a latent: leak, shape, share, use, volume"]),
        ({"priors": {"tanks": "{family: normal, mean: 1, sd: 1}"}},
         ["the command line: --prior tanks", "found    'tanks', a given, which --given states",
          "allowed  a latent: leak, shape, share, use, volume"]),
        ({"priors": {"leak": "{family: normol, mean: 1, sd: 1}"}},
         ["the command line: --prior leak.family", "found    'normol'",
          "allowed  beta, exponential, gamma, half_normal, half_student_t, log_uniform, lognormal, normal, student_t, "
          "triangular, truncated_normal, uniform", "hint     did you mean 'normal'?"]),
        ({"givens": {"tank": "3"}},
         ["the command line: --given tank", "found    unknown given 'tank'", "allowed  a given: load, tanks",
          "hint     did you mean 'tanks'?"]),
        ({"givens": {"load": "3 m"}},
         ["the command line: --given load", "found    '3 m' [length]",
          "allowed  a number with a unit of mass (kg)"]),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(spec: Spec, asked: dict[str, Any], lines: list[str]) -> None:
    assert told(spec, **asked) == lines


def test_a_name_of_two_things_is_refused(spec: Spec) -> None:
    """The origin of one observation is the id of another."""
    lines = told(spec, without=("two",))
    assert lines[1:] == [
        "found    'two', which is an origin and an observation",
        "allowed  a name of one thing",
        "hint     name the observations one by one: a-lid, two",
    ]


def test_an_origin_of_which_nothing_counts_is_refused(spec: Spec) -> None:
    assert told(spec, without=("a liar",))[1] == "found    'a liar', an origin of which nothing counts"


def test_every_fault_is_told_at_once_and_in_python_by_the_names_of_python(spec: Spec) -> None:
    asked = {"replace": {"filled": "99 kg"}, "without": ["nothing"], "prior_weights": {"leaky": -1}, "givens": {"x": 1}}
    with pytest.raises(SpecError) as raised:
        alter(spec, **asked)  # type: ignore[arg-type]
    places = [(fault.file, fault.line, fault.field) for fault in raised.value.faults]
    fields = ["givens.x", "prior_weights.leaky", "replace.filled", "without.nothing"]
    assert places == [("alter", None, field) for field in fields]


def test_what_a_change_breaks_elsewhere_is_told_where_that_stands(spec: Spec) -> None:
    """A correlation is of single numbers."""
    (fault,) = check_alternative(spec, Alternative(replace={"percent": "90 .. 99 L"})).faults
    assert fault.file == spec.dossier.file
    assert fault.field == "correlations[0].between"
    assert fault.found == "'percent', which has no single number, '90 .. 99 L'"


def test_what_is_odd_with_a_change_is_told_and_nothing_else(spec: Spec) -> None:
    checked = check_alternative(spec, Alternative(replace={"used": "-0.1 ± 0.3 L/h"}), as_options=True)
    assert checked.spec is not None
    assert [(w.file, w.line, w.field) for w in checked.warnings] == [("the command line", None, "--replace used")]


def test_a_table_that_has_changed_since_is_refused(home: Path, spec: Spec) -> None:
    (home / "observations" / "log.csv").write_text(LOG + "99,Cem\n")
    (fault,) = check_alternative(spec, Alternative(without=("filled",))).faults
    assert fault.found == "a file that has changed since it was read"
    assert fault.file.endswith("log.csv")


def test_an_object_that_is_no_text_is_refused(spec: Spec) -> None:
    (line, *_) = told(spec, as_options=False, priors={"leak": {"family": object()}})
    assert line == "alter: priors.leak.family"


def test_a_number_without_its_unit_is_told_as_it_was_typed(spec: Spec) -> None:
    assert told(spec, replace={"asked": "14"})[1:] == [
        "found    '14', which is 1400 %", "allowed  a value in %", "hint     did you mean '14 %'?"
    ]  # fmt: skip
    assert told(spec, replace={"asked": {"value": 14}})[1] == "found    '14', which is 1400 %"
    assert reading(alter(spec, replace={"asked": "0.14"}), "asked").u == pytest.approx(2)


# --- where no bare number but 0 is one in the unit ----------------------------------------------------------

RAMP: dict[str, Any] = {
    "title": "A ramp",
    "latents": {
        "angle": {"about": "Its angle", "unit": "deg", "because": "Invented",
                  "prior": {"family": "normal", "mean": "30 deg", "sd": "6 deg"}},
        "grit": {"about": "Its grit", "unit": "ppm", "because": "Invented",
                 "prior": {"family": "half_normal", "sd": "300 ppm"}},
    },
    "methods": {
        "protractor": {"about": "A protractor", "measures": "angle", "likelihood": {"family": "normal"}},
        "sieve": {"about": "A sieve", "measures": "grit", "likelihood": {"family": "normal"}},
    },
}  # fmt: skip


@pytest.fixture
def ramp() -> Spec:
    angle = {"id": "a", "method": "protractor", "value": "31.5 ± 0.8 deg"}
    grit = {"id": "g", "method": "sieve", "value": "0.0004 ± 0.0001 1"}
    return specify(RAMP, {"dossier": "ramp", "subject": "A ramp", "observations": [angle, grit]})


def test_a_bare_angle_is_refused_in_every_alternative(ramp: Spec) -> None:
    assert told(ramp, replace={"a": "33"})[1:] == [
        "found    '33', which is 1890.76 deg",
        "allowed  a value in deg",
        "hint     did you mean '33 deg', or '33 rad'?",
    ]
    prior = "{family: normal, mean: 28 deg, sd: 5}"
    assert told(ramp, priors={"angle": prior})[1] == "found    '5', which is 286.479 deg"


def test_0_and_what_states_that_it_is_a_pure_number_may_be_bare(ramp: Spec) -> None:
    level = reading(alter(ramp, replace={"a": 0}), "a")
    assert (level.value, level.u) == (0, pytest.approx(0.8))
    assert reading(alter(ramp, replace={"g": "0.0005 1"}), "g").u == pytest.approx(100)
    assert reading(alter(ramp, replace={"g": {"u": "50 ppm"}}), "g").value == pytest.approx(400)
