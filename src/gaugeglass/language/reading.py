"""Reading a located tree section by section: what is wrong is noted, and reading goes on."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gaugeglass.errors import Fault
from gaugeglass.language.expressions import (
    RESERVED,
    Const,
    ExpressionError,
    Node,
    lower,
    lower_truth,
    lower_value,
    mentioned,
)
from gaugeglass.language.located import Located, join, show
from gaugeglass.language.units import ONE, Unit, UnitError, convert, convert_difference, parse_unit
from gaugeglass.language.values import ALLOWED, ValueFault, parse_number

FORMAT = 1
_NAME = re.compile(r"[^\W\d]\w*")
_LONGEST_NAME = 60
_WITH_ONE = re.compile(r"[\d)]\s+1\s*$")
_ONE_NUMBER = "one number with its unit, such as '2 Wh' or '5 %'"

WANTED = {
    "about": "text: what it is",
    "because": "text: why it is so",
    "column": "the name of a column",
    "dossier": "a name for the dossier",
    "equals": "an expression, such as gross * (1 - buffer)",
    "family": "the name of a family",
    "file": "the name of a CSV file beside the dossier",
    "format": f"format: {FORMAT}",
    "holds": "an expression that is true or false, such as reserve > 5 %",
    "id": "an id of its own",
    "likelihood": "a likelihood, such as {family: normal}",
    "measures": "an expression: what an observation by this method would read without error",
    "method": "the name of a method",
    "model": "the name of a model file",
    "prior": "a prior, such as {family: normal, mean: 203 Wh, sd: 2 Wh}",
    "says": "text: what it says in plain words",
    "subject": "text: what the dossier is about",
    "title": "text: a title",
    "unit": "a unit such as kWh, or 1 for a pure number",
    "value": "a value, such as 97.5 ± 1.5 Wh",
}
"""What a message says is allowed where a key is missing."""


_OTHER_WORDS = {
    "accuracy": "u",
    "constants": "givens",
    "description": "about",
    "error": "u",
    "formula": "equals",
    "parameters": "latents",
    "reason": "because",
    "sd": "u",
    "sigma": "u",
    "uncertainty": "u",
    "variables": "latents",
    "why": "because",
}
"""Keys by words that other tools have for them."""


@dataclass(frozen=True, slots=True)
class Keys:
    """The keys that a section must and may have."""

    required: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    every: frozenset[str] = frozenset()

    @property
    def known(self) -> tuple[str, ...]:
        """Every key that may stand here, sorted."""
        return tuple(sorted(self.every))


def keys(required: str = "", optional: str = "") -> Keys:
    """A row of the tables of keys, each written as words."""
    return Keys(tuple(required.split()), tuple(optional.split()), frozenset((*required.split(), *optional.split())))


@dataclass(slots=True)
class Notes:
    """What is wrong or odd in one file, collected while reading goes on.

    ``folder`` is where the tables lie that it may name, None where it was made in Python; ``texts`` keeps those that
    were read, by their path as a user would type it.
    """

    file: str
    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)
    folder: Path | None = None
    texts: dict[str, str] = field(default_factory=dict)

    def fault(self, at: Located, found: str, allowed: str, hint: str | None = None) -> None:
        """Note a fault of a node."""
        self.faults.append(self._about(at, found, allowed, hint))

    def warn(self, at: Located, found: str, allowed: str, hint: str | None = None) -> None:
        """Note what is allowed and yet odd."""
        self.warnings.append(self._about(at, found, allowed, hint))

    def _about(self, at: Located, found: str, allowed: str, hint: str | None) -> Fault:
        return Fault(self.file, at.line, at.path, _printable(found), _printable(allowed), hint and _printable(hint))

    def missing(self, section: Located, key: str, allowed: str | None = None, hint: str | None = None) -> None:
        """Note that a section lacks a key."""
        at = Located(None, join(section.path, key), section.line)
        self.fault(at, "nothing", allowed or WANTED.get(key, f"a {key}"), hint)


def _printable(text: str) -> str:
    """A text in which nothing can move a cursor or turn the direction of reading."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def nearest(word: str, options: Iterable[str]) -> str | None:
    """The hint that names the option nearest to a word, if any is near."""
    by_lower = {option.lower(): option for option in options}
    near = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return f"did you mean {by_lower[near[0]]!r}?" if near else None


def _nearest_key(key: str, known: Keys) -> str | None:
    other = _OTHER_WORDS.get(key.lower())
    return f"did you mean {other!r}?" if other in known.known else nearest(key, known.known)


def _quoted(key: str, entries: Mapping[str, Located]) -> str:
    """The hint that puts a text in quotes of which commas between braces made keys, of which this is one."""
    names = list(entries)
    first = last = names.index(key)
    while first and entries[names[first]].is_bare:
        first -= 1
    while last + 1 < len(names) and entries[names[last + 1]].is_bare:
        last += 1
    begun = entries[names[first]]
    hint = "a text with a comma stands in quotes between braces"
    if begun.is_bare or not begun.is_scalar:
        return hint
    return f"{hint}: {names[first]}: {show(', '.join([begun.text, *names[first + 1 : last + 1]]))}"


def with_unit(value: float, unit: Unit) -> str:
    """A number with its unit; nothing follows a pure number."""
    return f"{value:g}" if unit.text == "1" else f"{value:g} {unit}"


def listing(options: Iterable[str]) -> str:
    """Options in the order of a message."""
    return ", ".join(sorted(options)) or "none: the model has none"


class Section:
    """A mapping whose keys are known; anything else reads as an empty one, after the fault is noted."""

    def __init__(self, node: Located, known: Keys, notes: Notes) -> None:
        self.node, self.notes = node, notes
        self.entries = mapping(node, notes)
        for key in [key for key in self.entries if key not in known.every]:
            found, allowed = f"unknown key {show(key)}", ", ".join(known.known)
            is_bare = self.entries[key].is_bare
            notes.fault(
                self.entries[key], found, allowed, _quoted(key, self.entries) if is_bare else _nearest_key(key, known)
            )
        if isinstance(node.content, Mapping):
            for key in known.required:
                if key not in self.entries:
                    notes.missing(node, key)

    def __contains__(self, key: str) -> bool:
        return key in self.entries

    def at(self, key: str) -> Located:
        """The node of a key, or an empty one in its place."""
        return self.entries.get(key) or Located(None, join(self.node.path, key), self.node.line)

    def text(self, key: str) -> str:
        """The text of a key; empty where there is none."""
        return text(self.entries[key], self.notes) if key in self.entries else ""

    def mapping(self, key: str) -> Mapping[str, Located]:
        """The entries of a key; none where there is none."""
        return mapping(self.entries[key], self.notes) if key in self.entries else {}

    def items(self, key: str) -> tuple[Located, ...]:
        """The items of a key; none where there is none."""
        return items(self.entries[key], self.notes) if key in self.entries else ()

    def listed(self, key: str) -> tuple[Located, ...]:
        """The items of a key that may wait for its first one: with nothing behind it, it has none."""
        is_waiting = key in self.entries and self.entries[key].is_blank
        return () if is_waiting else self.items(key)

    def texts(self, key: str) -> tuple[str, ...]:
        """The texts of a list; none where there is none."""
        return tuple(text(item, self.notes) for item in self.items(key))


def mapping(node: Located, notes: Notes) -> Mapping[str, Located]:
    """The entries of a node that has to be a mapping."""
    if not isinstance(node.content, Mapping):
        wanted = WANTED.get(node.path.rpartition(".")[2], "")
        notes.fault(node, node.kind, wanted if "{" in wanted else "a mapping of keys to values")
    return node.entries


def items(node: Located, notes: Notes) -> tuple[Located, ...]:
    """The items of a node that has to be a list."""
    if not isinstance(node.content, tuple):
        notes.fault(node, node.kind, "a list")
    return node.items


def text(node: Located, notes: Notes) -> str:
    """The text of a scalar, as written; what stands for nothing in YAML is none."""
    if not node.is_scalar or node.content is None or not node.text.strip():
        quoted = f"leave the key out, or put {node.text} in quotes"
        hint = quoted if node.content is None and node.text else None
        notes.fault(node, node.kind if node.content != "" else "an empty text", "text", hint)
        return ""
    return node.text.strip()


def flag(node: Located, notes: Notes) -> bool:
    """A truth value."""
    if not isinstance(node.content, bool):
        notes.fault(node, node.kind, "true or false")
        return False
    return node.content


def check_format(section: Section) -> bool:
    """Whether the file says that it is written in the format read here; anything else is noted."""
    if "format" not in section:
        return True
    node = section.at("format")
    if node.content == FORMAT and not isinstance(node.content, bool):
        return True
    newer = isinstance(node.content, int) and node.content > FORMAT
    hint = "the file was made for a newer gaugeglass: install that one to read it" if newer else None
    section.notes.fault(node, node.kind if not newer else f"format {node.text}", f"format: {FORMAT}", hint)
    return not newer


def named(section: Section, key: str) -> Iterator[tuple[str, Located]]:
    """The entries of a mapping from names to sections, without those whose name cannot be one."""
    for name, node in section.mapping(key).items():
        if is_name(name, node, section.notes):
            yield name, node


def is_name(name: str, at: Located, notes: Notes) -> bool:
    """Whether a name can stand in an expression; if not, that is noted."""
    if name in RESERVED:
        notes.fault(at, f"{show(name)}, which is reserved", "a name other than " + ", ".join(sorted(RESERVED)))
        return False
    if _NAME.fullmatch(name) and len(name) <= _LONGEST_NAME:
        return True
    hint = nearest_name(name)
    notes.fault(at, f"name {show(name)}", f"letters, digits and _, first a letter, at most {_LONGEST_NAME}", hint)
    return False


def nearest_name(name: str) -> str | None:
    """The hint that turns a text into a name, where blanks or dashes are all that is wrong."""
    repaired = re.sub(r"[\s.\-]+", "_", name.strip())
    return f"did you mean {repaired!r}?" if _NAME.fullmatch(repaired) and len(repaired) <= _LONGEST_NAME else None


# --- units and numbers --------------------------------------------------------------------------------------


def read_unit(node: Located, notes: Notes) -> Unit | None:
    """A unit, or None once the fault is noted."""
    if not node.is_scalar or not node.text:
        notes.fault(node, node.kind, WANTED["unit"])
        return None
    try:
        return parse_unit(node.text)
    except UnitError as problem:
        notes.fault(node, show(problem.found), problem.allowed, problem.hint)
        return None


def unit_of(section: Section) -> Unit | None:
    """The unit that a section states, or None where it is missing or at fault (which is noted)."""
    return read_unit(section.at("unit"), section.notes) if "unit" in section else None


def stated_number(node: Located, notes: Notes) -> tuple[float, Unit] | None:
    """A number with the unit that stands behind it."""
    if not node.is_scalar or node.content is None or isinstance(node.content, bool):
        notes.fault(node, node.kind, _ONE_NUMBER)
        return None
    try:
        return parse_number(node.text)
    except ValueFault as problem:
        allowed = _ONE_NUMBER if problem.allowed == ALLOWED else problem.allowed
        notes.fault(node, problem.found, allowed, problem.hint)
        return None


def measured_in(unit: Unit) -> str:
    """What a message says is allowed where a number in a unit is wanted."""
    if not unit.dimension.powers:
        return "a pure number or a percentage"
    return f"a number with a unit of {unit.dimension} ({unit})"


def number(node: Located, unit: Unit, notes: Notes, *, difference: bool = False) -> float | None:
    """A number [unit], or a difference of two values in that unit; None once a fault is noted."""
    stated = stated_number(node, notes)
    if stated is None:
        return None
    value, own = stated
    if own.dimension != unit.dimension:
        shown = unit.difference if difference else unit
        bare = own == ONE and bool(unit.dimension.powers)
        hint = f"did you mean '{node.text} {shown}'?" if bare else None
        notes.fault(node, f"{show(node.text)} [{own.dimension}]", measured_in(shown), hint)
        return None
    if slip := unwritten_unit(node, value, own, unit):
        notes.fault(node, slip.found, f"a number in {unit}", slip.hint)
        return None
    return convert_difference(value, own, unit) if difference else convert(value, own, unit)


def given_number(node: Located, unit: Unit, notes: Notes, *, whole: bool) -> float | None:
    """The number of a given [unit], a whole one where it counts something; None once a fault is noted."""
    value = number(node, unit, notes)
    if value is None or not whole or value == round(value):
        return value
    notes.fault(node, show(node.text), "a whole number, as the model says of this given")
    return None


@dataclass(frozen=True, slots=True)
class Slip:
    """What a number without a unit would be in the unit that it was surely meant in, and how that is written."""

    found: str
    hint: str


def unwritten_unit(node: Located, value: float, own: Unit, unit: Unit, *, width: float = 0.0) -> Slip | None:
    """What is wrong with a bare number where the unit is a pure one of its own size; None where nothing is.

    In % it is one above 1 in size, such as 92, which would mean 9200 %, for shares are written so too. In any other
    such unit, as deg or ppm, it is every one but 0 without ``width``. ``0.0004 1`` states its unit.
    """
    if unit.text == "%" and own == ONE and abs(value) > 1:
        return Slip(f"{show(node.text)}, which is {bare_as(value, unit)}", f"did you mean '{node.text} %'?")
    if not unit.is_never_bare or own != ONE or not (value or width) or _WITH_ONE.search(node.text):
        return None
    meant = f"which is {bare_as(value, unit)}" if value else f"in which {width:g} is {bare_as(width, unit)}"
    return Slip(f"{show(node.text)}, {meant}", f"did you mean '{node.text} {unit}', or '{node.text} {_whole(unit)}'?")


def bare_as(value: float, unit: Unit) -> str | None:
    """What a bare number is in a pure unit that it may be meant in, with that unit; None where it may stand.

    As in a value, but for a share: in % it may stand up to 1 in size.
    """
    if abs(value) > 1 and unit.text == "%":
        return f"{value * 100:g} %"
    return f"{value / unit.factor:g} {unit}" if value and unit.is_never_bare else None


def _whole(unit: Unit) -> str:
    """What stands behind a pure number whose unit is 1, where it could be taken for one in another unit."""
    return "rad" if unit.is_angle else "1"


def as_percentage(node: Located, value: float) -> str | None:
    """The hint for a bare number such as 92 where 92 % would be a probability; else None."""
    is_one = 1 < value < 100 and "%" not in node.text
    return f"did you mean '{node.text} %'?" if is_one else None


def positive(node: Located, unit: Unit, notes: Notes, *, difference: bool = False) -> float | None:
    """A number above 0 [unit]; None once a fault is noted."""
    value = number(node, unit, notes, difference=difference)
    if value is not None and not value > 0:
        notes.fault(node, show(node.text), "a number above 0")
        return None
    return value


def probability(node: Located, notes: Notes) -> float | None:
    """A probability strictly between 0 and 1 [1]; None once a fault is noted."""
    value = number(node, ONE, notes)
    if value is not None and not 0 < value < 1:
        allowed = "a probability between 0 and 1, or between 0 % and 100 %"
        notes.fault(node, show(node.text), allowed, as_percentage(node, value))
        return None
    return value


# --- expressions --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scope:
    """The names that an expression may use: those with a unit, and those whose own fault is already noted."""

    units: Mapping[str, Unit]
    broken: frozenset[str] = frozenset()
    groups: Mapping[str, str] = field(default_factory=dict)

    def with_names(self, units: Mapping[str, Unit], broken: Iterable[str] = ()) -> Scope:
        """The same names and more."""
        return Scope({**self.units, **units}, self.broken | frozenset(broken), self.groups)


def value_tree(node: Located, unit: Unit, scope: Scope, notes: Notes) -> Node | None:
    """The tree of a value [unit]; None where a fault was noted, here or of a name that it uses."""
    if slip := _unwritten_unit(node, unit):
        notes.fault(node, slip.found, f"a number in {unit}", slip.hint)
        return None
    return _tree(node, scope, notes, lambda t: lower_value(t, scope.units, unit, groups=scope.groups))


def _unwritten_unit(node: Located, unit: Unit) -> Slip | None:
    """What is wrong with an expression that is one bare number; None where it is another, or nothing is."""
    try:
        return unwritten_unit(node, *parse_number(node.text), unit) if unit.is_never_bare else None
    except ValueFault:
        return None


def truth_tree(node: Located, scope: Scope, notes: Notes) -> Node | None:
    """The tree of an expression that is true or false; None where a fault was noted."""
    return _tree(node, scope, notes, lambda t: lower_truth(t, scope.units, groups=scope.groups))


def dimensioned(node: Located, scope: Scope, notes: Notes) -> Unit | None:
    """The coherent unit of an expression whose own unit is not stated; None where a fault was noted."""
    unit: list[Unit] = []

    def lowered(text: str) -> Node:
        low = lower(text, scope.units, groups=scope.groups)
        if low.dimension is None:
            raise ExpressionError(f"{text!r} [truth value]", "a value")
        unit.append(Unit("", low.dimension, low.scale))
        return low.node

    _tree(node, scope, notes, lowered)
    return unit[0] if unit else None


def _tree(node: Located, scope: Scope, notes: Notes, read: Callable[[str], Node]) -> Node | None:
    if not node.is_scalar or not node.text or isinstance(node.content, bool):
        notes.fault(node, node.kind, "an expression")
        return None
    try:
        used = mentioned(node.text)
        unknown = [name for name in used if name not in scope.units and name not in scope.broken]
        for name in unknown:
            _note_unknown(name, node, scope, notes)
        if unknown or not scope.broken.isdisjoint(used):
            return None
        return read(node.text)
    except ExpressionError as problem:
        found = problem.found if show(node.text)[1:-1] in problem.found else f"{problem.found} in {show(node.text)}"
        notes.fault(node, found, problem.allowed, problem.hint)
        return None


def note_names(node: Located, scope: Scope, notes: Notes) -> None:
    """Note what is wrong with the grammar and the names of an expression whose unit is not known."""
    _tree(node, Scope({}, scope.broken.union(scope.units), scope.groups), notes, lambda t: Const(0.0))


def _note_unknown(name: str, node: Located, scope: Scope, notes: Notes) -> None:
    try:
        lower(name, scope.units)
    except ExpressionError as problem:
        notes.fault(node, f"{problem.found} in {show(node.text)}", problem.allowed, problem.hint)
