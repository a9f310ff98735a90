"""Writing: text is inserted into a dossier, and every byte that stands is kept.

What would be written is read again first, as ``check`` would read it, and compared; only then does it replace the file.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
import time
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from gaugeglass.errors import Fault, SpecError, StoreError
from gaugeglass.language.extents import Extent
from gaugeglass.language.files import check_bytes, extents, load, parse
from gaugeglass.language.located import Located, TreeError, locate, show
from gaugeglass.language.reading import Notes, nearest
from gaugeglass.language.spec import Spec
from gaugeglass.language.values import ValueFault, parse_value

_ORDER = (
    "id", "method", "value", "u", "k", "tolerance", "rounded", "inputs", "origin", "date", "grade", "repeats", "basis",
    "at", "applies", "private", "source", "note", "withdrawn",
)  # fmt: skip
"""The keys of an observation in the order in which they are written."""
_BEFORE = ("format", "dossier", "model", "subject", "about", "applies", "givens", "members")
"""The sections of a dossier that its observations follow."""
_IN_BLOCK = ("source", "withdrawn")
"""The keys whose entries get a line each where the observation is written in block style."""
_AS_WRITTEN = ("value", "u", "k", "tolerance", "rounded", "inputs", "date", "retrieved")
"""The keys under which what looks like a number or a date needs no quotes."""
_WIDEST = 120
"""Where a flow list or mapping goes on in a line of its own. [character]"""
_PATIENCE = 10.0
"""How long another process may hold the file before it is taken for one that died. [s]"""

_BREAK = re.compile("\r\n|[\n\r\x85]")
_BLANK_LINE = re.compile("(?>\r\n|[\n\r\x85])[ \t]*[\n\r\x85]")

type Insertions = Sequence[tuple[int, str]]
"""Texts and the places where they go, in the order of the places. [character of the old text]"""
type Change = tuple[Insertions, dict[str, Any]]
"""What is inserted, and what the whole then has to say."""


def add(path: str | os.PathLike[str], observation: Mapping[str, Any]) -> Spec:
    """Append an observation to a dossier, in whose file every byte that stands is kept.

    Parameters
    ----------
    path : str or path
        A dossier without faults.
    observation : mapping
        The keys of an observation as the files have them, ``id``, ``method`` and ``value`` among them.

    Returns
    -------
    Spec
        The dossier as it is now; the new observation is its last.

    Raises
    ------
    SpecError
        If the dossier has faults, or would have some; nothing is written then.
    StoreError
        If the file cannot be written, or was changed by somebody else meanwhile; the file is as it was.
    """
    return _revise(path, lambda spec: _addition(spec, observation))


def withdraw(path: str | os.PathLike[str], observation: str, *, because: str, date: str = "") -> Spec:
    """Mark an observation of a dossier as withdrawn, which keeps it in the ledger and out of the inference.

    Parameters
    ----------
    path : str or path
        A dossier without faults.
    observation : str
        The id of an observation that still counts.
    because : str
        Why it no longer counts.
    date : str
        Since when; today where none is stated.

    Returns
    -------
    Spec
        The dossier as it is now.

    Raises
    ------
    SpecError
        If the dossier has faults, or has no such observation that still counts; nothing is written then.
    StoreError
        If the file cannot be written, or was changed by somebody else meanwhile; the file is as it was.
    """
    withdrawn = {"date": date or datetime.date.today().isoformat(), "because": because}
    return _revise(path, lambda spec: _withdrawal(spec, observation, withdrawn))


# --- what an observation lacks ------------------------------------------------------------------------------


def missing(spec: Spec, stated: Mapping[str, Any]) -> tuple[str, ...]:
    """The keys that a new observation has to state and does not, in the order to ask for them.

    An input is named ``inputs.NAME``, a place in a group ``at.GROUP``. What is stated and at fault counts as stated:
    that is for ``add`` to refuse.
    """
    found = [key for key in ("method", "value") if key not in stated]
    method = spec.model.method_by_name.get(stated.get("method", ""))
    if method is not None:
        if "value" in stated and method.likelihood.takes_stated_u and not _states_u(stated):
            found.append("u")
        known = stated.get("inputs", {})
        found += [f"inputs.{entry.name}" for entry in method.inputs if entry.name not in known]
        placed = {*stated.get("at", {}), *stated.get("applies", {}), *spec.dossier.applies}
        found += [f"at.{group}" for group in sorted(spec.model.groups_of(method) - placed)]
    return (*found, *(["id"] if "id" not in stated else []))


def _states_u(stated: Mapping[str, Any]) -> bool:
    if "u" in stated or "tolerance" in stated:
        return True
    try:
        return parse_value(stated["value"]).u is not None
    except ValueFault:
        return True


def propose_id(spec: Spec, method: str) -> str:
    """An id that is not taken: the next number of those that observations by the method have."""
    taken = {o.id for o in spec.dossier.observations} | {t.id for t in spec.dossier.tables}
    alike = [m for o in spec.dossier.observations if o.method == method and (m := re.fullmatch(r"(.*\D)(\d+)", o.id))]
    stem = alike[-1][1] if alike else method.replace("_", "-") + "-"
    first = 1 + max((int(m[2]) for m in alike if m[1] == stem), default=0)
    return next(name for n in range(first, first + len(taken) + 1) if (name := f"{stem}{n}") not in taken)


# --- what is inserted where ---------------------------------------------------------------------------------


def _addition(spec: Spec, observation: Mapping[str, Any]) -> Change:
    text = _text(spec)
    node = _asked(observation, spec, f"observations[{len(spec.dossier.observations)}]")
    expected = _spelled(_parsed(_with_last_break(text)))
    expected["observations"] = [*(expected.get("observations") or []), _spelled(node)]
    root = extents(text)
    there = root.entries.get("observations")
    if there is None:
        return _new_section(text, root, node), expected
    if there.is_empty:
        return _into_empty(text, root, there, node), expected
    if there.is_flow:
        quoted = _is_quoted(text, there.items[-1] if there.items else root)
        return _into_flow(text, there, _flow(node, quoted=quoted)), expected
    return _into_list(text, there, node), expected


def _withdrawal(spec: Spec, observation: str, withdrawn: Mapping[str, str]) -> Change:
    text, index = _text(spec), place_of(spec, observation)
    node = _asked({"withdrawn": withdrawn}, spec, f"observations[{index}]")
    expected = _spelled(_parsed(_with_last_break(text)))
    expected["observations"][index] |= _spelled(node)
    there = extents(text).entries["observations"].items[index]
    if there.is_flow:
        return _into_flow(text, there, _flow(node, quoted=_is_quoted(text, there))[1:-1]), expected
    return [_after(text, there, _block(node, there.column))], expected


def _text(spec: Spec) -> str:
    return spec.texts[spec.dossier.file]


def place_of(spec: Spec, observation: str) -> int:
    """Where an observation stands that is not withdrawn yet, among those listed; anything else is raised as a fault."""
    by_id = {o.id: (index, o) for index, o in enumerate(spec.dossier.observations)}
    if observation not in by_id:
        raise SpecError([_unknown(spec, observation)])
    index, known = by_id[observation]
    if known.withdrawn is not None:
        node = _parsed(_text(spec)).entries["observations"].items[index].entries["withdrawn"]
        found = f"{show(observation)}, withdrawn on {known.withdrawn.date}: {known.withdrawn.because}"
        hint = "to change the date or the reason, or to let it count again, edit the file there"
        allowed = "an observation that still counts"
        raise SpecError([Fault(spec.dossier.file, node.line, f"observations[{index}].withdrawn", found, allowed, hint)])
    return index


def _unknown(spec: Spec, observation: str) -> Fault:
    listed = [o.id for o in spec.dossier.observations if o.withdrawn is None]
    tables = {t.id: "a table" for t in spec.dossier.tables}
    rows = {row.id: f"a row of table {show(t.id)}" for t in spec.dossier.tables for row in t.rows}
    kind = (tables | rows).get(observation)
    hint = "'withdrawn' in the table's description withdraws it whole, 'where' leaves rows out" if kind else None
    found = f"{show(observation)}, which is {kind or 'not there'}"
    allowed = f"an observation that is listed and not withdrawn: {', '.join(listed) or 'none is'}"
    return Fault(spec.dossier.file, None, "observations", found, allowed, hint or nearest(observation, listed))


def _asked(entry: Mapping[str, Any], spec: Spec, path: str) -> Located:
    """The tree of what is to be inserted, its keys in the order of the files."""
    order = {key: place for place, key in enumerate(_ORDER)}
    file = spec.dossier.file
    try:
        node = locate({key: entry[key] for key in sorted(entry, key=lambda key: order.get(key, len(order)))}, path)
    except TreeError as problem:
        raise SpecError([Fault(file, None, problem.path, problem.found, problem.allowed)]) from problem
    return node


def _new_section(text: str, root: Extent, node: Located) -> Insertions:
    """The whole section, behind those that its like stand behind; in a flow mapping, at its end."""
    if root.is_flow:
        quoted = _is_quoted(text, root)
        key = '"observations"' if quoted else "observations"
        return _into_flow(text, root, f"{key}: [{_flow(node, quoted=quoted)}]")
    known = [extent for key, extent in root.entries.items() if key in _BEFORE]
    last = max(known, key=lambda extent: extent.end)
    at = _next_line(text, last.end, root.column + 1)
    column = root.column + 2
    lines = [*([] if last.keeps else [""]), " " * root.column + "observations:", *_item(node, column, 2)]
    follows = text[at:].lstrip(" \t")
    if follows and not _BREAK.match(follows):
        lines.append("")
    return [_lines(text, at, lines)]


def _into_empty(text: str, root: Extent, there: Extent, node: Located) -> Insertions:
    """What becomes of a key with nothing behind it: a list of one item, below the comments that are indented there."""
    if not root.is_flow:
        at = _next_line(text, there.end, root.column + 1)
        return [_lines(text, at, _item(node, root.column + 2, 2))]
    colon = text.find(":", there.end) + 1
    return [(colon or there.end, f" [{_flow(node, quoted=_is_quoted(text, root))}]")]


def _into_list(text: str, there: Extent, node: Located) -> Insertions:
    last = there.items[-1]
    if last.is_flow:
        lines = [" " * there.column + "- " + _flow(node, quoted=_is_quoted(text, last))]
    else:
        lines = _item(node, there.column, max(last.column - there.column, 2))
    gaps = [text[one.end : other.start] for one, other in zip(there.items, there.items[1:], strict=False)]
    if gaps and all(map(_BLANK_LINE.search, gaps)) and not last.keeps:
        lines.insert(0, "")
    return [_after(text, last, lines)]


def _item(node: Located, column: int, inner: int) -> list[str]:
    """The lines of a block item whose dash stands in ``column`` and whose keys stand ``inner`` further on."""
    first, *rest = _block(node, column + inner)
    return [" " * column + "-" + first[column + 1 :], *rest]


def _after(text: str, there: Extent, lines: list[str]) -> tuple[int, str]:
    """The insertion of lines behind a block and the comments that are indented like it."""
    return _lines(text, _next_line(text, there.end, there.column), lines)


def _next_line(text: str, end: int, column: int) -> int:
    """Where the line begins that follows what ends at ``end``, and follows the comments from ``column`` on below it."""
    at = _line_end(text, end)[1]
    comment = re.compile(f" {{{column},}}#[^\n\r\x85]*(\r\n|[\n\r\x85]|$)")
    while match := comment.match(text, at):
        at = match.end()
    return at


def _line_end(text: str, at: int) -> tuple[int, int]:
    """Where the line of a place ends, before and after its break."""
    match = _BREAK.search(text, at)
    return (match.start(), match.end()) if match else (len(text), len(text))


def _lines(text: str, at: int, lines: list[str]) -> tuple[int, str]:
    """The insertion of whole lines; behind a last line that does not end, the new one does not end either."""
    ending = _ending(text, at)
    whole = "".join(line + ending for line in lines)
    is_open = at == len(text) and not text.endswith(("\n", "\r", "\x85"))
    return at, ending + whole.removesuffix(ending) if is_open else whole


def _ending(text: str, at: int) -> str:
    """How the line before a place ends; the first of the file where that one does not."""
    before = [match[0] for match in _BREAK.finditer(text, 0, at)] or _BREAK.findall(text)[:1]
    return before[-1] if before else "\n"


def _into_flow(text: str, there: Extent, piece: str) -> Insertions:
    """The insertion of a last part of a flow list or mapping, in a line of its own where the one before has its own."""
    if not there.parts:
        return [(there.start + 1, piece)]
    first, last = there.parts[-1]
    behind = re.sub("#[^\n\r\x85]*", lambda match: " " * len(match[0]), text[last : there.end - 1])
    comma = last + behind.find(",") + 1 if "," in behind else None
    comma_after, at = "," if comma else "", comma or last
    begun = max(text.rfind(char, 0, first) for char in "\n\r\x85") + 1
    own_line = not text[begun:first].strip()
    if own_line and _line_end(text, at)[0] < there.end:
        at = _line_end(text, at)[0]
    width = len(text[begun:at]) + len(piece) + 4
    column = first - begun if own_line else there.column + 1
    gap = _ending(text, first) + " " * column if own_line or width > _WIDEST else " "
    return [*([] if comma else [(last, ",")]), (at, gap + piece + comma_after)]


# --- how it is spelled --------------------------------------------------------------------------------------


def flow(node: Located) -> str:
    """A node in flow style, its scalars as they are written wherever a reader would take them for the same."""
    return _flow(node, key="inputs")


def _block(node: Located, column: int) -> list[str]:
    """The lines of a block mapping whose keys stand in a column."""
    lines = []
    for key, child in node.entries.items():
        start = " " * column + _scalar(key) + ":"
        if key in _IN_BLOCK and child.entries:
            lines += [start, *_block(child, column + 2)]
        else:
            lines.append(f"{start} {_flow(child, key=key, in_block=True)}")
    return lines


def _flow(node: Located, *, key: str = "", quoted: bool = False, in_block: bool = False) -> str:
    """A node in flow style; a scalar in the style of a block where it stands in one."""
    if isinstance(node.content, Mapping):
        inner = []
        for name, child in node.entries.items():
            under = key if key == "inputs" else name
            inner.append(f"{_scalar(name, in_flow=True, quoted=quoted)}: {_flow(child, key=under, quoted=quoted)}")
        return "{" + ", ".join(inner) + "}"
    if isinstance(node.content, tuple):
        return "[" + ", ".join(_flow(item, key=key, quoted=quoted) for item in node.items) + "]"
    if node.content is None or isinstance(node.content, bool):
        return node.text.lower()
    return _scalar(node.text, in_flow=not in_block, quoted=quoted, as_written=key in _AS_WRITTEN)


_WORDS = {"", "~", "null", "true", "false", "yes", "no", "on", "off", "y", "n", "<<", "="}
"""What is no text to some reader of YAML."""
_NUMBER_LIKE = re.compile(r"[-+]?[.\d][\d_.,:+\-a-fox]*|[-+]?\.(inf|nan)", re.IGNORECASE)
_LEADING = re.compile("[-?:,\\[\\]{}#&*!|>'\"%@`<=]")
_NEGATIVE = re.compile(r"-[.\d]")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _scalar(text: str, *, in_flow: bool = False, quoted: bool = False, as_written: bool = False) -> str:
    """A text as a scalar: plain where every reader of YAML would take it for this very text, else in double quotes."""
    is_number = bool(_NUMBER_LIKE.fullmatch(text))
    if not quoted and _may_be_plain(text, in_flow=in_flow) and (as_written or not is_number):
        return text
    return '"' + "".join(map(_escaped, text)) + '"'


def _may_be_plain(text: str, *, in_flow: bool) -> bool:
    if text.lower() in _WORDS or text != text.strip() or any(map(_is_hidden, text)):
        return False
    if _LEADING.match(text) and not _NEGATIVE.match(text):
        return False
    if ": " in text or " #" in text or text.endswith(":") or text.startswith(("---", "...")):
        return False
    return not (in_flow and re.search(r"[,\[\]{}:?]", text))


def _is_hidden(char: str) -> bool:
    return unicodedata.category(char)[0] == "C" or unicodedata.category(char) in ("Zl", "Zp")


def _escaped(char: str) -> str:
    if char in _ESCAPES:
        return _ESCAPES[char]
    if not _is_hidden(char):
        return char
    return f"\\u{ord(char):04x}" if ord(char) < 0x10000 else f"\\U{ord(char):08x}"


def _is_quoted(text: str, there: Extent) -> bool:
    """Whether a flow mapping has its keys in double quotes, as JSON has them."""
    return there.is_flow and bool(there.parts) and text[there.parts[0][0]] == '"'


# --- reading it again ---------------------------------------------------------------------------------------


def _revise(path: str | os.PathLike[str], change: Callable[[Spec], Change]) -> Spec:
    """Make a change, once before the file is locked, and again under the lock where somebody else was first."""
    file = os.fspath(path)
    with nothing_written():
        old = load(file)
        new, spec = _changed(old, change(old))
        with _locked(Path(file).resolve(), file) as partial:
            now = load(file)
            if _text(now) != _text(old):
                old = now
                new, spec = _changed(old, change(old))
            _replace(Path(file).resolve(), partial, file, old=_text(old).encode(), new=new)
    return spec


@contextlib.contextmanager
def nothing_written() -> Iterator[None]:
    """Say with what is found to be at fault meanwhile that nothing was written."""
    try:
        yield
    except SpecError as problem:
        if not hasattr(problem, "__notes__"):
            problem.add_note("nothing was written")
        raise


def faults_of(spec: Spec, observation: Mapping[str, Any]) -> tuple[Fault, ...]:
    """What ``add`` would refuse an observation for; nothing is written."""
    try:
        insertions, _ = _addition(spec, observation)
    except SpecError as problem:
        return problem.faults
    return check_bytes(spec.dossier.file, _inserted(_text(spec), insertions).encode()).faults


def _changed(old: Spec, change: Change) -> tuple[bytes, Spec]:
    """The bytes and the spec after a change; what would be at fault then is raised."""
    insertions, expected = change
    text = _inserted(_text(old), insertions)
    new = text.encode()
    checked = check_bytes(old.dossier.file, new)
    if checked.spec is not None and _spelled(_parsed(text)) == expected:
        return new, checked.spec
    problem = SpecError(checked.faults or [_unfit(old.dossier.file, insertions)])
    problem.add_note(f"nothing was written: the lines are those that {old.dossier.file} would have had")
    raise problem


def _inserted(text: str, insertions: Insertions) -> str:
    for at, piece in reversed(insertions):
        text = text[:at] + piece + text[at:]
    return text


def _unfit(file: str, insertions: Insertions) -> Fault:
    wanted = " / ".join(" ".join(piece.split()) for _, piece in insertions)
    found = "a layout into which nothing can be inserted without changing what it says"
    return Fault(file, None, "observations", found, "a list with a line for each key", f"insert by hand: {wanted}")


def _parsed(text: str) -> Located:
    """The tree of a text that was read before, so that nothing in it is at fault."""
    return parse(text, Notes("")) or Located({})


def _with_last_break(text: str) -> str:
    """A text whose last line ends: what follows it ends it, and a block scalar would gain a break."""
    return text if text.endswith(("\n", "\r", "\x85")) else text + _ending(text, len(text))


def _spelled(node: Located) -> Any:
    """A node as dicts, lists and the texts of its scalars; nothing else can differ after an insertion."""
    if isinstance(node.content, Mapping):
        return {key: _spelled(child) for key, child in node.entries.items()}
    if isinstance(node.content, tuple):
        return [_spelled(item) for item in node.items]
    return None if node.content is None else node.text.lower() if isinstance(node.content, bool) else node.text


# --- replacing the file -------------------------------------------------------------------------------------


@contextlib.contextmanager
def _locked(target: Path, file: str) -> Iterator[Path]:
    """The new file beside the old one, still empty: that it can be made but once keeps two writers apart.

    Whoever leaves without having renamed it removes it; once renamed, the name may be another writer's.
    """
    partial = target.with_name(f".{target.name}.partial")
    if not os.access(target, os.W_OK):
        raise StoreError(f"{file} may not be written; it is as it was")
    _claim(partial, file)
    is_renamed = False
    try:
        yield partial
        is_renamed = True
    except OSError as problem:
        raise StoreError(f"{file} could not be written ({problem.strerror}); it is as it was") from problem
    finally:
        if not is_renamed:
            partial.unlink(missing_ok=True)


def _claim(partial: Path, file: str) -> None:
    deadline = time.monotonic() + _PATIENCE
    while True:
        try:
            os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except FileExistsError as problem:
            if time.monotonic() > deadline:
                why = f"{file} is being written by another process; if none is, delete {partial}"
                raise StoreError(why) from problem
            time.sleep(0.05)
        except OSError as problem:
            raise StoreError(f"{file} could not be written ({problem.strerror}); it is as it was") from problem
        else:
            return


def _replace(target: Path, partial: Path, file: str, *, old: bytes, new: bytes) -> None:
    with partial.open("wb") as stream:
        stream.write(new)
        stream.flush()
        os.fsync(stream.fileno())
    partial.chmod(target.stat().st_mode & 0o7777)
    if target.read_bytes() != old:
        raise StoreError(f"{file} was changed by somebody else meanwhile; nothing was written, so try again")
    partial.replace(target)
    _sync(target.parent)


def _sync(folder: Path) -> None:
    """Have the new name on the disk too, where a folder can be opened."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):  # the file has its name by now, whatever becomes of the machine
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
