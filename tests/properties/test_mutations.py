"""Whatever becomes of a file, reading it ends with faults that a reader can find, or with a Spec, and never otherwise."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gaugeglass.errors import SpecError
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.sampling import draw_prior
from gaugeglass.language.alternatives import alter
from gaugeglass.language.expressions import ExpressionError, lower
from gaugeglass.language.files import Checked, check, check_bytes, parse, specify
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Spec
from gaugeglass.language.units import UnitError, parse_unit
from gaugeglass.language.values import ValueFault, parse_value
from gaugeglass.language.workspace import shipped
from properties.bench import LISTED, MODEL
from properties.mutations import Tree, found, mutated_line, mutated_text, mutated_tree, places

SMALL = ("serials", "serials-dated", "gravitation", "outliers", "labels")
LARGE = ("heron-35",)
randoms = st.randoms(use_true_random=False)


def bounded(examples: int) -> settings:
    """The same examples each time; how long one takes is no matter."""
    slow = (HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large)
    return settings(max_examples=examples, deadline=None, derandomize=True, database=None, suppress_health_check=slow)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with all that ships."""
    folder = tmp_path_factory.mktemp("workspace")
    for kind in ("models", "observations"):
        shutil.copytree(shipped(kind), folder / kind)
    return folder


@cache
def texts(dossier: str) -> tuple[str, str]:
    """A shipped dossier's model and itself."""
    spec = check(shipped("observations") / f"{dossier}.yaml").spec
    assert spec is not None
    return spec.texts[spec.model.file], spec.texts[spec.dossier.file]


@cache
def trees(name: str) -> tuple[Tree, Tree]:
    """The same as plain trees; ``bench`` has groups, grades, bases, inexact inputs and shared errors."""
    if name == "bench":
        return MODEL, {"dossier": "bench", "subject": "A store", "observations": LISTED}
    model, dossier = (parse(text, Notes(name)) for text in texts(name))
    assert model is not None
    assert dossier is not None
    return model.plain(), dossier.plain()


# --- files --------------------------------------------------------------------------------------------------


def assert_told(checked: Checked, files: set[str]) -> None:
    """Either a Spec or faults, of which each names its file, its line where it is of a field, and both sides."""
    assert (checked.spec is None) == bool(checked.faults) or checked.model is not None
    for fault in (*checked.faults, *checked.warnings):
        assert fault.file in files
        assert fault.found
        assert fault.allowed
        assert fault.line is None or fault.line >= 1
        assert fault.line is not None or not fault.field
        assert str(fault).isprintable() or "\n" in str(fault)


def read_mutated(home: Path, dossiers: tuple[str, ...], random: Random) -> None:
    """Write a mutated model or dossier, read both, and put everything back."""
    name, kind = random.choice(dossiers), random.choice(["models", "observations"])
    model, dossier = texts(name)
    others = [text for other in (name, random.choice(dossiers)) for text in texts(other)]
    path = home / "observations" / f"{name}.yaml"
    node = parse(dossier, Notes(name))
    assert node is not None
    of_model = home / "models" / f"{node.entries['model'].text}.yaml"
    changed, stood = (of_model, model) if kind == "models" else (path, dossier)
    written = mutated_text(stood, others, random).encode("utf-8", "surrogatepass")
    changed.write_bytes(written)
    try:
        checked = check(path)
        assert_told(checked, {str(path), str(of_model), *map(str, (home / "models").iterdir())})
        assert check_bytes(str(path), path.read_bytes()).faults == checked.faults
        check(changed)
    finally:
        changed.write_text(stood, "utf-8")


@given(random=randoms)
@bounded(50)
def test_a_mutated_file_gives_faults_or_a_spec(home: Path, random: Random) -> None:
    read_mutated(home, SMALL, random)


@pytest.mark.slow
@given(random=randoms)
@bounded(400)
def test_any_mutated_file_gives_faults_or_a_spec(home: Path, random: Random) -> None:
    read_mutated(home, SMALL + LARGE, random)


# --- what is made in Python -----------------------------------------------------------------------------------


def specified(names: tuple[str, ...], random: Random) -> Spec | None:
    """The Spec of a mutated model or dossier; None where there are faults, which are then told."""
    name, other = random.choice(names), random.choice(names)
    (model, dossier), (of_model, of_dossier) = trees(name), trees(other)
    if random.random() < 0.5:
        model = mutated_tree(model, [model, of_model, dossier], random)
    else:
        dossier = mutated_tree(dossier, [dossier, of_dossier, model], random)
    try:
        return specify(model, dossier)
    except SpecError as problem:
        faults = problem.faults
    assert faults
    assert all(fault.found and fault.allowed and fault.line is None for fault in faults)
    return None


@given(random=randoms)
@bounded(120)
def test_a_mutated_tree_gives_faults_or_a_spec(random: Random) -> None:
    specified(("bench", "bench", "serials", "gravitation"), random)


@pytest.mark.slow
@given(random=randoms)
@bounded(1000)
def test_any_mutated_tree_gives_faults_or_a_density_that_can_be_evaluated(random: Random) -> None:
    """At the medians of the priors the log density is no positive infinity, and the priors can be drawn from."""
    spec = specified(("bench", "serials", "serials-dated", "gravitation", "outliers", "heron-35"), random)
    if spec is None or not spec.model.latents or random.random() < 0.7:
        return
    density = compile_density(spec)
    for hypothesis in spec.hypotheses:
        value, _ = density.log_density(np.zeros(len(density.free)), density.pack(density.dials(hypothesis.name)))
        assert value != math.inf
        assert np.all(np.isfinite(draw_prior(density, hypothesis.name, draws=20, chains=1, seed=1).x))


# --- what if ------------------------------------------------------------------------------------------------


@cache
def stated(name: str) -> Spec:
    return specify(*trees(name))


ASKED: dict[str, Tree] = {
    "bench": {
        "replace": {"bench-1": "60 ± 1 kWh", "bench-2": {"value": "60 kWh", "u": "1 kWh", "k": 2}},
        "without": ["said-1", "laboratory"],
        "prior_weights": {"lossy": 3},
        "priors": {"capacity": {"family": "lognormal", "median": "50 kWh", "sigma": 0.4}, "loss": "{family: beta, mean: 0.2, sd: 0.1}"},
    },
    "serials": {"replace": {"first": 17}, "without": ["second"], "givens": {"said": 300},
                "priors": {"total": "{family: log_uniform, lower: 1, upper: 5000}"}},
}  # fmt: skip


def altered(random: Random) -> None:
    name, other = random.choice([*ASKED]), random.choice([*ASKED])
    asked = mutated_tree(ASKED[name], [ASKED[name], ASKED[other], *trees(name)], random)
    known: dict[str, type] = {"replace": dict, "without": list, "prior_weights": dict, "priors": dict, "givens": dict}
    asked = {key: part for key, part in asked.items() if isinstance(part, known.get(str(key), ()))}
    try:
        alter(stated(name), **asked)
    except SpecError as problem:
        faults = problem.faults
    else:
        return
    assert faults
    assert all(fault.found and fault.allowed and fault.file for fault in faults)


@given(random=randoms)
@bounded(100)
def test_a_mutated_alternative_gives_faults_or_a_spec(random: Random) -> None:
    altered(random)


@pytest.mark.slow
@given(random=randoms)
@bounded(600)
def test_any_mutated_alternative_gives_faults_or_a_spec(random: Random) -> None:
    altered(random)


# --- texts of one line --------------------------------------------------------------------------------------


@cache
def scalars() -> tuple[str, ...]:
    """Every text of what ships and of the bench, values and expressions among them."""
    every = [tree for name in ("bench", "heron-35", "gravitation", "labels") for tree in trees(name)]
    return tuple(sorted({str(leaf) for tree in every for p in places(tree) if is_leaf(leaf := found(tree, p))}))


def is_leaf(node: Any) -> bool:
    return not isinstance(node, dict | list)


@pytest.mark.parametrize(
    ("read", "refusal"),
    [
        (parse_value, ValueFault),
        (parse_unit, UnitError),
        (lambda text: lower(text, {"u": parse_unit("kWh"), "x": parse_unit("°C"), "gross": parse_unit("kWh")}), ExpressionError),
    ],
    ids=["value", "unit", "expression"],
)  # fmt: skip
@given(random=randoms)
@bounded(200)
def test_a_mutated_line_is_read_or_refused(
    read: Callable[[str], Any], refusal: type[ValueError], random: Random
) -> None:
    text, said = mutated_line(random.choice(scalars()), scalars(), random), "something"
    try:
        read(text)
    except refusal as problem:
        said = str(getattr(problem, "allowed", ""))
    assert said
