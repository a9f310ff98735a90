"""Files: the only module that knows YAML. Bytes become located trees, and trees a ``Spec``."""

from __future__ import annotations

import copy
import io
import os
import re
import stat
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.crosschecks import note_dossier, note_model
from gaugeglass.language.dossiers import read_dossier
from gaugeglass.language.evidence import note_evidence
from gaugeglass.language.extents import Extent, Measure
from gaugeglass.language.located import DEEPEST, MOST_NODES, Located, TreeError, join, locate, show
from gaugeglass.language.medians import spec_of
from gaugeglass.language.models import ModelReading, read_model
from gaugeglass.language.reading import FORMAT, Notes
from gaugeglass.language.spec import Dossier, Model, Spec
from gaugeglass.language.workspace import find_model, leads_out

LARGEST = 2_000_000
"""The largest file that is read. [byte]"""

_INT = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_NULLS = ("", "~", "null", "Null", "NULL")
_TRUTHS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_PAIR = re.compile("[\ud800-\udbff][\udc00-\udfff]")
_DISGUISES = {
    **{chr(c): "a bidirectional override" for c in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))},
    "\x1b": "a terminal escape",
}


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found. ``spec`` is None where there are faults, or where a model file was checked alone."""

    spec: Spec | None
    model: Model | None
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]


def load(path: str | os.PathLike[str]) -> Spec:
    """Read a dossier and its model.

    Parameters
    ----------
    path : str or path
        A dossier. Its model is ``models/NAME.yaml`` of its workspace, else one that comes with the package.

    Returns
    -------
    Spec
        Model and dossier, in which every number is in the unit of its quantity or method.

    Raises
    ------
    SpecError
        If anything in either file is at fault; it lists every fault of both.
    """
    checked = check(path)
    if checked.spec is None:
        raise SpecError(checked.faults or [_not_a_dossier(os.fspath(path))])
    return checked.spec


def check(path: str | os.PathLike[str]) -> Checked:
    """Read a dossier and its model, or a model file alone, and say all that is wrong or odd with them."""
    notes = Notes(os.fspath(path))
    return _check_text(read_text(notes.file, notes), notes)


def check_bytes(file: str, data: bytes) -> Checked:
    """What ``check`` would say of a file if it held these bytes."""
    notes = Notes(file)
    return _check_text(_decode(data, notes), notes)


def specify(model: Mapping[str, Any], dossier: Mapping[str, Any]) -> Spec:
    """A spec from a model and a dossier made in Python, with the keys of the files.

    Parameters
    ----------
    model, dossier : mapping
        As the files would have them; ``format`` may be left out, and the name of the model in the dossier.

    Raises
    ------
    SpecError
        If anything in either is at fault; the faults have no lines.
    """
    of_model, of_dossier = Notes("model"), Notes("dossier")
    model_root = _located({"format": FORMAT, **model}, of_model)
    dossier_root = _located({"format": FORMAT, "model": "model", **dossier}, of_dossier)
    name = str(dossier.get("model", "model"))
    reading = _read_model(model_root, name, of_model, "") if model_root else None
    found = _read_dossier(dossier_root, reading, of_dossier, "") if dossier_root else None
    faults = [*of_model.faults, *of_dossier.faults]
    if faults or reading is None or dossier_root is None or model_root is None or found is None:
        raise SpecError(faults)
    return replace(spec_of(reading.model, found), trees=(dossier_root, model_root))


def trees_of(spec: Spec) -> tuple[Located, Located]:
    """The trees of the dossier and of the model that a Spec was read from, as they were before any alternative."""
    if spec.trees is not None:
        return spec.trees
    dossier, model = (parse(spec.texts.get(file, ""), Notes(file)) for file in (spec.dossier.file, spec.model.file))
    if dossier is None or model is None:
        found, allowed = "a Spec without its texts", "one as it was read from files"
        raise SpecError([Fault(spec.dossier.file, None, "", found, allowed)])
    return dossier, model


def read_again(spec: Spec, dossier: Located, model: Located, left_out: frozenset[str]) -> Checked:
    """What a check of a Spec's files would say if they held these trees; its texts stay as they are."""
    in_python = spec.trees is not None
    of_model, of_dossier = (
        Notes(file, folder=None if in_python else Path(file).parent) for file in (spec.model.file, spec.dossier.file)
    )
    reading = _read_model(model, spec.model.name, of_model, "")
    found = _read_dossier(dossier, reading, of_dossier, "", left_out)
    for notes in (of_model, of_dossier):
        notes.faults += [
            Fault(file, None, "", "a file that has changed since it was read", "the file as it was", "load it again")
            for file, text in notes.texts.items()
            if spec.texts.get(file) != text
        ]
    if reading is None or of_model.faults or of_dossier.faults:
        return _checked([of_model, of_dossier])
    again = replace(spec_of(reading.model, found, spec.texts), trees=spec.trees)
    return _checked([of_model, of_dossier], model=reading.model, spec=again)


# --- from trees to a spec -----------------------------------------------------------------------------------


def _check_text(text: str | None, notes: Notes) -> Checked:
    notes.folder = Path(notes.file).parent
    root = parse(text, notes) if text is not None else None
    if root is None:
        return _checked([notes])
    if _is_model(root):
        reading = _read_model(root, Path(notes.file).stem, notes, str(text))
        return _checked([notes], model=reading.model if reading else None)
    return _check_dossier(root, notes, str(text))


def _check_dossier(root: Located, notes: Notes, text: str) -> Checked:
    node = root.find("model")
    path = find_model(node, notes.file, notes) if node is not None else None
    of_model = Notes(path or "", folder=Path(path).parent if path else None)
    model_text = read_text(path, of_model) if path else None
    tree = parse(model_text, of_model) if model_text is not None else None
    reading = _read_model(tree, str(node and node.text), of_model, str(model_text)) if tree is not None else None
    dossier = _read_dossier(root, reading, notes, text)
    if reading is None or of_model.faults or notes.faults:
        return _checked([of_model, notes])
    texts = {notes.file: text, of_model.file: str(model_text), **notes.texts, **of_model.texts}
    spec = spec_of(reading.model, dossier, texts)
    return _checked([of_model, notes], model=reading.model, spec=spec)


def _read_model(root: Located, name: str, notes: Notes, text: str) -> ModelReading | None:
    note_disguises(root, notes, text)
    reading = read_model(root, name, notes)
    if reading is not None:
        note_model(reading)
    return reading


def _read_dossier(
    root: Located, reading: ModelReading | None, notes: Notes, text: str, left_out: frozenset[str] = frozenset()
) -> Dossier:
    note_disguises(root, notes, text)
    dossier = read_dossier(root, reading, notes, left_out)
    if reading is not None:
        note_dossier(root, dossier, reading, notes)
        note_evidence(root, Spec(reading.model, dossier), notes)
    return dossier


def _checked(all_notes: list[Notes], *, model: Model | None = None, spec: Spec | None = None) -> Checked:
    faults = SpecError(fault for notes in all_notes for fault in notes.faults).faults
    warnings = SpecError(fault for notes in all_notes for fault in notes.warnings).faults
    return Checked(spec, None if faults else model, faults, warnings)


def _is_model(root: Located) -> bool:
    """Whether a file is meant as a model: no key of a dossier alone stands in it, and some of a model alone does."""
    keys = set(root.entries)
    of_dossier = {"dossier", "model", "subject", "observations", "tables", "inbox", "truth"}
    of_model = {"title", "latents", "relations", "methods", "hypotheses", "claims", "cautions", "leading"}
    return len(keys & of_model) > len(keys & of_dossier)


def _not_a_dossier(file: str) -> Fault:
    return Fault(file, None, "", "a model file", "a dossier, which names its model")


def _located(value: Any, notes: Notes) -> Located | None:
    try:
        return locate(value)
    except TreeError as problem:
        notes.fault(Located(None, problem.path), problem.found, problem.allowed)
        return None


# --- from bytes to text -------------------------------------------------------------------------------------


def read_text(file: str, notes: Notes) -> str | None:
    """The text of a file, every byte kept; None once a fault is noted."""
    problem = _unreadable(file)
    if problem is None:
        try:
            with open(file, "rb") as stream:
                return _decode(stream.read(LARGEST + 1), notes)
        except OSError as error:
            problem = (f"a file that cannot be read ({error.strerror})", "a file that can be read")
    notes.fault(Located(None), *problem)
    return None


def _unreadable(file: str) -> tuple[str, str] | None:
    try:
        mode = os.stat(file).st_mode
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no possible name"
        return f"no file ({why})", "the path of a dossier or a model file"
    if stat.S_ISDIR(mode):
        return "a folder", "a YAML file"
    if not stat.S_ISREG(mode):
        return "neither a file nor a folder", "a YAML file"
    return ("a link out of the workspace", "a file in the workspace") if leads_out(file) else None


def _decode(data: bytes, notes: Notes) -> str | None:
    whole = Located(None)
    if len(data) > LARGEST:
        notes.fault(whole, f"more than {LARGEST / 1e6:g} MB", f"at most {LARGEST / 1e6:g} MB")
    elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
        notes.fault(whole, "a file in UTF-16", "a file in UTF-8", "save it as UTF-8")
    elif b"\0" in data:
        notes.fault(whole, "a binary file", "a YAML file in UTF-8")
    elif not data.removeprefix(b"\xef\xbb\xbf").strip():
        notes.fault(whole, "an empty file", "a model or a dossier")
    else:
        return _as_utf8(data, notes)
    return None


def _as_utf8(data: bytes, notes: Notes) -> str | None:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        notes.fault(
            Located(None, "", line),
            f"byte 0x{data[problem.start]:02x}, which is not UTF-8",
            "a file in UTF-8",
            "save it as UTF-8",
        )
        return None


# --- from text to a located tree ----------------------------------------------------------------------------


class _Refused(Exception):
    """A construct of YAML that is not read here; nothing after it is looked at."""

    def __init__(self, line: int | None, path: str, found: str, allowed: str, hint: str | None = None) -> None:
        self.at, self.found, self.allowed, self.hint = Located(None, path, line), found, allowed, hint


def parse(text: str, notes: Notes) -> Located | None:
    """The located tree of a YAML text; None once a fault is noted. Nothing is ever expanded or constructed."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        _refuse_unprintable(text)
        events = YAML(typ="safe", pure=True).parse(io.StringIO(text.removeprefix("\ufeff")))
        root = _Tree(events, notes).document()
    except _Refused as problem:
        notes.fault(problem.at, problem.found, problem.allowed, problem.hint)
    except MarkedYAMLError as problem:
        _note_grammar(problem, text, notes)
    except (YAMLError, ValueError) as problem:
        notes.fault(Located(None), f"text that is not YAML ({' '.join(str(problem).split())[:100]})", "YAML 1.2")
    else:
        return root
    return None


class _Tree:
    """Builds a located tree from the events of a parser, so that nothing is expanded and depth is known as it grows."""

    def __init__(self, events: Iterator[Any], notes: Notes) -> None:
        self.events, self.notes = events, notes
        self.ahead: list[Any] = []
        self.count = 0
        self.refused: dict[str, list[tuple[Located, str]]] = {}

    def document(self) -> Located | None:
        """The tree of the only document of the stream; None where something in it is not read here."""
        self._next()  # the start of the stream
        start = self._next()
        if _is(start, "StreamEnd"):
            raise _Refused(None, "", "an empty file", "a model or a dossier")
        self._refuse_directives(start)
        root = self._node(self._next(), "", None, 0)
        self._next()  # the end of the document
        after = self._next()
        if not _is(after, "StreamEnd"):
            raise _Refused(_line(after), "", "a second document", "one document a file")
        for kind, places in self.refused.items():
            at, written = places[0]
            more = f" and {len(places) - 1} more" if len(places) > 1 else ""
            self.notes.fault(
                at, f"{kind} {show(written)}{more}", "plain YAML, without anchors, aliases, tags or merge keys"
            )
        return None if self.refused else root

    def _refuse_directives(self, start: Any) -> None:
        if start.version not in (None, (1, 2)) or start.tags:
            raise _Refused(None, "", "a directive of YAML", "YAML 1.2 without directives")

    def _node(self, event: Any, path: str, line: int | None, depth: int) -> Located:
        line = line or _line(event)
        self._measure(line, path, depth)
        self._note_refused(event, path, line)
        if _is(event, "MappingStart"):
            return Located(self._entries(path, depth, is_flow=bool(event.flow_style)), path, line)
        if _is(event, "SequenceStart"):
            return Located(tuple(self._items(path, depth)), path, line)
        if _is(event, "Scalar"):
            return Located(_content(event), path, line, _written(event))
        return Located(None, path, line)

    def _measure(self, line: int, path: str, depth: int) -> None:
        self.count += 1
        if depth > DEEPEST:
            raise _Refused(line, path, f"more than {DEEPEST} levels", f"at most {DEEPEST}")
        if self.count > MOST_NODES:
            raise _Refused(line, path, f"more than {MOST_NODES} entries", f"at most {MOST_NODES} in one file")

    def _note_refused(self, event: Any, path: str, line: int) -> None:
        tag = str(getattr(event, "tag", None) or "!")
        if _is(event, "Alias"):
            self._refuse("alias", f"*{event.anchor}", path, line)
        elif getattr(event, "anchor", None):
            self._refuse("anchor", f"&{event.anchor}", path, line)
        if tag not in ("!", "None"):
            self._refuse("tag", tag.replace("tag:yaml.org,2002:", "!!"), path, line)

    def _refuse(self, kind: str, written: str, path: str, line: int) -> None:
        self.refused.setdefault(kind, []).append((Located(None, path, line), written))

    def _items(self, path: str, depth: int) -> Iterator[Located]:
        index = 0
        while not _is(event := self._next(), "SequenceEnd"):
            yield self._node(event, f"{path}[{index}]", None, depth + 1)
            index += 1

    def _entries(self, path: str, depth: int, *, is_flow: bool) -> dict[str, Located]:
        found: dict[str, Located] = {}
        while not _is(event := self._next(), "MappingEnd"):
            line = _line(event)
            if not _is(event, "Scalar"):
                raise _Refused(line, path, "a key that is not plain text", "keys that are names")
            key = _written(event)
            inner = join(path, key)
            self._note_refused(event, inner, line)
            if key == "<<":
                self._refuse("merge key", key, inner, line)
            child = self._node(self._value(inner, line), inner, line, depth + 1)
            if key in found:
                self.notes.fault(
                    child, f"a second key {show(key)}; the first is on line {found[key].line}", "each key once"
                )
            found.setdefault(key, replace(child, is_bare=True) if is_flow and child.is_blank else child)
        return found

    def _next(self) -> Any:
        return self.ahead.pop() if self.ahead else next(self.events)

    def _value(self, path: str, line: int) -> Any:
        """The event of a value; of one that ends at a decimal comma, what it should have been, once that is noted."""
        event = self._next()
        parts = [event]
        while _is_plain(parts[-1]) and parts[-1].value[-1:].isdigit():
            self.ahead.append(key := self._next())
            if not (
                _is_plain(key) and key.value[:1].isdigit() and key.start_mark.index == parts[-1].end_mark.index + 1
            ):
                break
            self.ahead.insert(0, behind := next(self.events))
            if not _is_plain(behind) or behind.value:
                break
            self.ahead.clear()
            parts.append(key)
        if len(parts) == 1:
            return event
        written, mended = (sign.join(str(part.value) for part in parts) for sign in (",", "."))
        hint = f"decimals are written with a point: {show(mended)}"
        allowed = "no comma, which ends a value between braces unless that stands in quotes"
        self.notes.fault(Located(None, path, line), show(written), allowed, hint)
        whole = copy.copy(event)
        whole.value = mended
        return whole


def _is(event: Any, kind: str) -> bool:
    return bool(type(event).__name__ == kind + "Event")


def _is_plain(event: Any) -> bool:
    return _is(event, "Scalar") and event.style is None


def _line(event: Any) -> int:
    return int(event.start_mark.line) + 1


def _content(event: Any) -> str | int | float | bool | None:
    """What a scalar is by the core schema of YAML 1.2; dates stay text."""
    written = _written(event)
    if event.style is not None:
        return written
    if written in _NULLS:
        return None
    if written in _TRUTHS:
        return _TRUTHS[written]
    if _INT.fullmatch(written) and len(written) < 1000:
        return int(written)
    return (
        float(written.replace(".inf", "inf").replace(".nan", "nan").lower()) if _FLOAT.fullmatch(written) else written
    )


def _written(event: Any) -> str:
    """The text of a scalar, in which two escapes that make one character, as in JSON, are that character."""
    written = str(event.value)
    return _PAIR.sub(lambda pair: pair[0].encode("utf-16", "surrogatepass").decode("utf-16"), written)


# --- where nodes stand in a text ----------------------------------------------------------------------------


def extents(text: str) -> Extent:
    """Where every node of a text stands that ``parse`` found no fault with."""
    from ruamel.yaml import YAML

    bare = text.removeprefix("\ufeff")
    events = YAML(typ="safe", pure=True).parse(io.StringIO(bare))
    next(events)  # the start of the stream
    next(events)  # the start of the document
    return Measure(events, bare, len(text) - len(bare)).root()


# --- what a text must not hold ------------------------------------------------------------------------------

_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _refuse_unprintable(text: str) -> None:
    match = _UNPRINTABLE.search(text)
    if match:
        line = text.count("\n", 0, match.start()) + 1
        raise _Refused(line, "", _named(match[0]), "text without control characters")


def _named(char: str) -> str:
    kind = "half a character" if _is_surrogate(char) else _DISGUISES.get(char, "a control character")
    return f"{kind}, U+{ord(char):04X}"


def _is_surrogate(char: str) -> bool:
    return unicodedata.category(char) == "Cs"


def _is_disguise(char: str) -> bool:
    is_control = unicodedata.category(char) == "Cc" and char not in "\n\t"
    return char in _DISGUISES or is_control or _is_surrogate(char)


def note_disguises(root: Located, notes: Notes, text: str = "") -> None:
    """Note every text that could show something else than it says, comments of the whole ``text`` included."""
    seen: set[str] = set()
    for node in root.walk():
        written = [node.text, *node.entries]
        odd = sorted({char for part in written for char in part if _is_disguise(char)})
        seen.update(odd)
        if odd:
            notes.fault(node, " and ".join(map(_named, odd)), "text that shows what it says")
    for number, line in enumerate(text.split("\n"), 1):
        odd = sorted({char for char in line.rstrip("\r") if _is_disguise(char)} - seen)
        if odd:
            notes.fault(
                Located(None, "", number),
                " and ".join(map(_named, odd)) + ", in a comment",
                "text that shows what it says",
            )


_WITH_BRACKETS = 'between braces a text with [ stands in quotes, as in holds: "speed > 3 [km/h]"'
_HINTS = (
    (re.compile(r":\s*>="), 'a bound stands in quotes, as in value: ">= 67 kWh"'),
    (re.compile(r":\s*>\s*[-+.\d]"), 'a comparison stands in quotes, as in where: {mass: "> 5"}'),
    (re.compile(r"[:\[{,]\s*%"), 'a unit that begins with % stands in quotes, as in unit: "%"'),
    (re.compile(r"^\s*\t"), "indent with blanks, not with tabs"),
    (re.compile(r"^[^{]*:\s[^{]*:\s|:\s[^,{\"']*:\s"), "a text that holds ': ' stands in quotes"),
)


def _note_grammar(problem: Any, text: str, notes: Notes) -> None:
    """Note what the parser could not read, with the line as it stands."""
    mark = problem.problem_mark or problem.context_mark
    lines = text.splitlines()
    line = min(mark.line, len(lines) - 1) if mark else 0
    hint = next((hint for pattern, hint in _HINTS if pattern.search(lines[line])), None)
    why = " ".join(f"{problem.problem or problem.context}".split())
    if why == "expected ',' or '}', but got '['":
        hint = _WITH_BRACKETS
    begun = problem.context_mark
    if begun is not None and begun.line < line and "flow" in (problem.context or ""):
        why += f"; a bracket opened on line {begun.line + 1} is not closed"
    notes.fault(Located(None, "", line + 1), f"{show(lines[line].strip())} ({why})", "YAML 1.2", hint)
