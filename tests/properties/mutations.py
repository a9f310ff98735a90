"""What happens to a file on its way: lines and words are swapped, lost, repeated, made hostile, or come from another."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Sequence
from random import Random
from typing import Any

type Tree = dict[str, Any]
type Place = tuple[Any, ...]

HOSTILE = (
    "", "~", "null", "true", "no", "-", "- -", "{}", "[]", "[[]]", "{a: {b: {}}}", "[1, 2]", "? ", "&a", "*a", "!!int 3", "<<",
    '"', "'", "|", ">", "#", "%", "@", "`", "\t", "\r", "\u00a0", "\u2028", "\u0085", "\ufeff", "\u202e", "\x1b[31m", "\x00", "\ud800",
    "0", "-0", "1", "-1", "1e308", "-1e308", "1e-320", "1e400", "nan", ".nan", "inf", "-.inf", "9" * 400, "0x1F", "1_000", "٤٢",
    "0 %", "100 %", "102 %", "-5 %", "1 kWh", "0 kWh", "1 kwh", "1 k W h", "1 kg", "1e70 kWh", "1e-70 kWh", "-3 °C", "20 °C", "5 °F",
    "97,5", "97.5(15)", "97.5 ± 1.5", "97.5 ± 0", "96 .. 99", "99 .. 96", "5 .. 5", ">= 67 kWh", "<= 71", "> 5", "!= 5", "present",
    "1/0", "0/0", "0 ** -1", "0 ** 0", "(-1) ** 0.5", "sqrt(-1)", "log(0)", "exp(1000)", "1e70 * 1e70", "2 ** 5000", "1 - 1",
    "x", "u", "as stated", "origin", "sum(x)", "mean(1)", "min(1)", "where(1 > 0, 1, 2)", "not 1", "1 < 2 < 3", "a" * 300, "((((((((",
    "-" * 200 + "1", "__import__('os')", "A1", "F6", "Z9", "B2", "2025-02-30", "9999-12-31", "0000", "../../x", "/etc/passwd", "a\0b",
    "<script>alert(1)</script>", "javascript:alert(1)", "=HYPERLINK(1)", "uniform", "beta", "lognormal", "student_t", "gamma",
    "triangular", "log_uniform", "half_normal", "poisson", "binomial", "serial", "exponential", "truncated_normal",
)  # fmt: skip
"""Words that are apt to hurt a reader of files."""
NUMBERS = ("0", "1", "2", "-1", "0.5", "1e-3", "1e3", "1e-9", "1e9", "1e-30", "1e30", "1e-70", "1e70", "-1e70", "1e308")
"""Numbers that are sound in many places, and extreme in some."""

_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_WORD = re.compile(r"[^\W\d]\w*|\d+(?:\.\d+)?|[^\w\s]|\s+")


# --- texts --------------------------------------------------------------------------------------------------


def mutated_text(text: str, others: Sequence[str], random: Random) -> str:
    """A text after one to three mishaps, of which some bring in lines and words of the ``others``."""
    for _ in range(random.randint(1, 3)):
        text = random.choice(_MISHAPS)(text, random.choice(others), random)
    return text


def mutated_line(text: str, others: Sequence[str], random: Random) -> str:
    """A text of one line with one to three other words."""
    for _ in range(random.randint(1, 3)):
        text = _reworded(text, random.choice(others), random)
    return text


def _reworded(text: str, other: str, random: Random) -> str:
    words, donors = _WORD.findall(text) or [""], _WORD.findall(other) or [""]
    words[random.randrange(len(words))] = random.choice([random.choice(HOSTILE), random.choice(donors)])
    return "".join(words)


def _of_lines(change: Callable[[list[str], list[str], int, Random], None]) -> Callable[[str, str, Random], str]:
    """What changes lines, one of them above all, as what changes a text."""

    def changed(text: str, other: str, random: Random) -> str:
        lines = text.splitlines(keepends=True) or [""]
        change(lines, other.splitlines(keepends=True) or [""], random.randrange(len(lines)), random)
        return "".join(lines)

    return changed


def _swap(lines: list[str], others: list[str], at: int, random: Random) -> None:
    to = random.randrange(len(lines))
    lines[at], lines[to] = lines[to], lines[at]


def _delete(lines: list[str], others: list[str], at: int, random: Random) -> None:
    del lines[at : at + random.randint(1, 3)]


def _duplicate(lines: list[str], others: list[str], at: int, random: Random) -> None:
    to = random.randrange(len(lines))
    lines[to:to] = lines[at : at + random.randint(1, 4)]


def _splice(lines: list[str], others: list[str], at: int, random: Random) -> None:
    start = random.randrange(len(others))
    lines[at : at + random.randint(0, 3)] = others[start : start + random.randint(1, 6)]


def _indent(lines: list[str], others: list[str], at: int, random: Random) -> None:
    by = random.choice([-4, -2, -1, 1, 2, 4])
    lines[at] = " " * by + lines[at] if by > 0 else lines[at][-by:]


def _reword(lines: list[str], others: list[str], at: int, random: Random) -> None:
    lines[at] = _reworded(lines[at], random.choice(others), random)


def _revalue(lines: list[str], others: list[str], at: int, random: Random) -> None:
    key, colon, _ = lines[at].partition(": ")
    lines[at] = f"{key}{colon}{random.choice(HOSTILE)}\n"


def _truncate(text: str, other: str, random: Random) -> str:
    return text[: random.randint(0, len(text))]


_MISHAPS = (
    *map(_of_lines, (_swap, _delete, _duplicate, _splice, _indent, _reword, _reword, _revalue, _revalue)),
    _truncate,
)


# --- trees --------------------------------------------------------------------------------------------------


def mutated_tree(tree: Tree, others: Sequence[Tree], random: Random) -> Tree:
    """A tree of mappings, lists and scalars after one to three such mishaps; its root stays a mapping."""
    tree = copy.deepcopy(tree)
    for _ in range(random.randint(1, 3)):
        paths = places(tree)
        if paths:
            random.choice(_TURNS)(tree, random.choice(paths), random.choice(others), random)
    return tree


def places(tree: Any, path: Place = ()) -> list[Place]:
    """The path of every node but the root."""
    entries = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    return [p for key, child in entries for p in ((*path, key), *places(child, (*path, key)))]


def found(tree: Any, path: Place) -> Any:
    """The node at a path."""
    for key in path:
        tree = tree[key]
    return tree


def _set(tree: Any, path: Place, value: Any) -> None:
    found(tree, path[:-1])[path[-1]] = copy.deepcopy(value)


def _leaf(tree: Tree, random: Random) -> Place | None:
    leaves = [path for path in places(tree) if not isinstance(found(tree, path), dict | list)]
    return random.choice(leaves) if leaves else None


def _drop(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    del found(tree, path[:-1])[path[-1]]


def _poison(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    odd = (None, True, 0, 1, -1, 2.5, float("nan"), float("inf"), 1e308, 10**400, {}, [], [None])
    _set(tree, path, random.choice([*HOSTILE, *odd]))


def _poison_leaf(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    if leaf := _leaf(tree, random):
        _poison(tree, leaf, other, random)


def _reword_leaf(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    leaf, donor = _leaf(tree, random), _leaf(other, random)
    if leaf and donor:
        _set(tree, leaf, _reworded(str(found(tree, leaf)), str(found(other, donor)), random))


def _renumber(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    leaf = _leaf(tree, random)
    text = str(found(tree, leaf)) if leaf else ""
    hits = list(_NUMBER.finditer(text))
    if leaf and hits:
        hit = random.choice(hits)
        _set(tree, leaf, text[: hit.start()] + random.choice(NUMBERS) + text[hit.end() :])


def _move(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    _set(tree, path, found(tree, random.choice(places(tree))))


def _alike(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    """What stands under the same key elsewhere, in this or another file."""
    donor = random.choice([tree, other])
    same = [p for p in places(donor) if p[-1] == path[-1]]
    if same:
        _set(tree, path, found(donor, random.choice(same)))


def _rename(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    holder = found(tree, path[:-1])
    if isinstance(holder, dict):
        names = [str(p[-1]) for p in places(random.choice([tree, other]))] or ["x"]
        holder[random.choice([random.choice(names), random.choice(HOSTILE)])] = holder.pop(path[-1])


def _add(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    holder, donors = found(tree, path[:-1]), places(other)
    if donors:
        donor = random.choice(donors)
        if isinstance(holder, dict):
            holder[donor[-1]] = copy.deepcopy(found(other, donor))
        else:
            holder.insert(random.randrange(len(holder) + 1), copy.deepcopy(found(other, donor)))


def _again(tree: Tree, path: Place, other: Tree, random: Random) -> None:
    holder = found(tree, path[:-1])
    if isinstance(holder, list):
        holder.append(copy.deepcopy(holder[path[-1]]))
    else:
        holder[f"{path[-1]}_again"] = copy.deepcopy(holder[path[-1]])


_TURNS = (
    _drop, _poison, _poison_leaf, _poison_leaf, _poison_leaf, _reword_leaf, _reword_leaf, _reword_leaf, _renumber, _renumber,
    _renumber, _move, _alike, _alike, _rename, _add, _again,
)  # fmt: skip
