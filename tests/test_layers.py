"""The rooms of the house: each imports only from those above it, and each library has the one room that knows it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "src" / "gaugeglass"
ROOMS = ("errors", "language", "inference", "judgement", "record", "publication", "cli")
"""From top to bottom. The package's own ``__init__`` hands out names of all of them and stands outside."""

FOREIGN = {
    # library: the rooms or modules that may import it; a room stands for all its modules
    "lark": {"language.expressions"},
    "ruamel": {"language.files"},
    "csv": {"language.sheets", "record.sheets", "publication"},
    "click": {"cli"},
    "rich": {"cli", "publication"},
    "jinja2": {"publication"},
    "matplotlib": {"publication"},
    "nutpie": {"inference"},
    "llvmlite": {"inference"},
    "pymc": {"inference.graph"},
    "pytensor": {"inference.graph"},
    "dask": {"inference.fanout"},
    "distributed": {"inference.fanout"},
}
ONLY_TYPES = {("record", "inference")}
"""What may be imported for annotations alone: a record is handed draws and knows nothing of how they were made."""

BANNED = {"utils", "util", "core", "base", "common", "helpers", "misc"}
MODULES = sorted(p for p in ROOT.rglob("*.py") if p != ROOT / "__init__.py")


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports(tree: ast.AST, *, with_types: bool) -> Iterator[str]:
    """Full names of what a module imports, late imports included."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test) and not with_types:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        yield from imports(node, with_types=with_types)


def own(path: Path, *, with_types: bool) -> set[str]:
    """Modules of the package that a module imports, without the package's name; '' for the package itself."""
    known = {module_of(p) for p in MODULES}
    found = set()
    for name in imports(ast.parse(path.read_text()), with_types=with_types):
        head, _, rest = name.partition(".")
        if head == "gaugeglass":
            found.add(next((m for m in (rest, rest.rpartition(".")[0]) if m in known), ""))
    return found


def room(module: str) -> str:
    return module.partition(".")[0]


@pytest.mark.parametrize("path", MODULES, ids=module_of)
def test_a_module_imports_only_from_its_own_room_and_those_above(path: Path) -> None:
    here = room(module_of(path))
    assert here in ROOMS, f"{here} is no room"
    allowed = set(ROOMS[: ROOMS.index(here) + 1]) | ({""} if here == "cli" else set())
    wrong = {m for m in own(path, with_types=True) if room(m) not in allowed}
    not_for_work = {m for m in own(path, with_types=False) if (here, room(m)) in ONLY_TYPES}
    assert wrong | not_for_work == set()


@pytest.mark.parametrize("path", MODULES, ids=module_of)
def test_a_library_is_known_only_in_its_room(path: Path) -> None:
    here = module_of(path)
    heads = {name.partition(".")[0] for name in imports(ast.parse(path.read_text()), with_types=False)}
    wrong = {head for head in heads & FOREIGN.keys() if not {here, room(here)} & FOREIGN[head]}
    assert wrong == set()


def test_no_module_is_called_after_nothing() -> None:
    parts = {part for path in MODULES for part in module_of(path).split(".")}
    assert parts & BANNED == set()


def test_no_modules_import_each_other_in_a_circle() -> None:
    graph = {module_of(path): own(path, with_types=True) - {""} for path in MODULES}
    TopologicalSorter(graph).prepare()


def test_every_room_is_there() -> None:
    assert {room(module_of(path)) for path in MODULES} == set(ROOMS)
