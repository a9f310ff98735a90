"""What has to hold between the observations of a dossier, and what is odd about them though it may stand."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterator
from itertools import groupby

from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Observation, Spec

_DIGITS = re.compile(r"[+-]?(?:\d+(?:\.(\d*))?|\.(\d+))")
_PUBLISHED_U = re.compile(r"±|\d\(\d")
_MOST = 20
"""How many likely echoes are shown; the rest are counted."""

_U_APART = 0.1
"""How far the logarithms of two published u may lie apart where one only repeats the other. [1]"""

type _Key = tuple[object, ...]


def note_evidence(root: Located, spec: Spec, notes: Notes) -> None:
    """Note what is wrong or odd between the observations of a dossier."""
    places = _places(root, spec)
    _note_confirmed(spec, places, notes)
    _note_serials(spec, places, notes)
    _warn_of_future(root, notes)
    if not notes.faults:
        _warn_of_echoes(spec, places, notes)


def _places(root: Located, spec: Spec) -> dict[str, Located]:
    """Where each observation stands, by its id; a row in the description of its table."""
    listed = root.entries["observations"].items if "observations" in root.entries else ()
    found = dict(zip((o.id for o in spec.dossier.observations), listed, strict=False))
    tables = root.entries["tables"].items if "tables" in root.entries else ()
    for table, node in zip(spec.dossier.tables, tables, strict=False):
        found |= {row.id: node for row in table.rows}
    return found


def _said(o: Observation) -> str:
    """An observation by its id and its place, for a message."""
    if o.table:
        return f"{show(o.id)}, a row of {show(o.table)}"
    return f"{show(o.id)} (line {o.line})" if o.line else show(o.id)


# --- counted twice ------------------------------------------------------------------------------------------


def _note_confirmed(spec: Spec, places: dict[str, Located], notes: Notes) -> None:
    """Note what is graded as confirmed by what counts anyhow, since the confirmation would then count twice."""
    noted: set[str] = set()
    for o in spec.evidence:
        place = o.table or o.id
        if o.grade is None or not o.grade.endswith("1") or place in noted:
            continue
        other = next((other for other in spec.evidence if _confirms(other, o)), None)
        if other is not None:
            noted.add(place)
            node = places[o.id].find("grade") or places[o.id]
            found = f"{show(o.grade)}, confirmed by others, and {_said(other)} counts as evidence too"
            allowed = "credibility 1 only for what nothing else here confirms: it would count twice"
            hint = f"grade it {o.grade[0]}2, or mark an echo with 'repeats'"
            notes.fault(node, found, allowed, hint)


def _confirms(other: Observation, o: Observation) -> bool:
    """Whether one observation is of the same method and of another origin than another."""
    return other.method == o.method and other.id != o.id and (other.origin is None or other.origin != o.origin)


def _note_serials(spec: Spec, places: dict[str, Located], notes: Notes) -> None:
    """Note serial numbers that were drawn twice, which without replacement they cannot be."""
    first: dict[_Key, Observation] = {}
    for o in spec.evidence:
        method = spec.model.method_by_name.get(o.method)
        if method is None or method.likelihood.family != "serial" or math.isnan(o.value):
            continue
        known = first.setdefault((o.method, o.value, *sorted(o.at.items())), o)
        if known is not o:
            found = f"serial number {o.value:g} of {_said(o)} a second time; the first is {_said(known)}"
            node = places[o.id].find("value") or places[o.id]
            notes.fault(node, found, "each serial number once", f"did you mean 'repeats: {known.id}'?")


# --- likely echoes ------------------------------------------------------------------------------------------


def _warn_of_echoes(spec: Spec, places: dict[str, Located], notes: Notes) -> None:
    """Warn of observations that say the same, and may be one another's echoes, without being marked."""
    pairs = list(_alike(spec))
    for first, second in pairs[:_MOST]:
        node = places[second.id]
        found = f"{show(second.stated)} by the same method as {_said(first)}, which says {show(first.stated)}"
        allowed = f"'repeats: {first.id}' where one only repeats the other; nothing where each was measured"
        notes.warn(node.find("value") or node, found, allowed)
    if pairs[_MOST:]:
        at = places[pairs[_MOST][1].id]
        notes.warn(at, f"{len(pairs) - _MOST} more observations that say the same as another", "'repeats' for echoes")
    _warn_of_rows_twice(spec, places, notes)


def _alike(spec: Spec) -> Iterator[tuple[Observation, Observation]]:
    """Pairs of listed observations, in the order of the dossier, that agree as far as both are stated."""
    points = [o for o in spec.evidence if o.table is None and math.isfinite(o.lower) and math.isfinite(o.upper)]
    order = {o.id: place for place, o in enumerate(points)}
    found = []
    for _, group in groupby(sorted(points, key=_same), key=_same):
        alike = sorted(group, key=lambda o: o.value)
        method = spec.model.method_by_name.get(alike[0].method)
        if method is None or method.likelihood.is_count:
            continue  # small whole numbers agree by chance
        for at, o in enumerate(alike):
            if (other := next((p for p in alike[at + 1 : at + 2] if _agree(o, p)), None)) is not None:
                found.append(sorted((o, other), key=lambda o: order[o.id]))
    yield from ((a, b) for a, b in sorted(found, key=lambda pair: order[pair[1].id]))


def _same(o: Observation) -> tuple[str, ...]:
    """What echoes have in common beside their values."""
    return (o.method, repr(sorted(o.inputs.items())), repr(sorted(o.at.items())), str(o.basis))


def _agree(o: Observation, other: Observation) -> bool:
    """Whether two values differ by no more than the coarser of them is rounded to.

    Two that were published with uncertainties of their own, which differ, are no echoes.
    """
    own_u = [one.u for one in (o, other) if one.u and _PUBLISHED_U.search(one.stated)]
    if len(own_u) == 2 and abs(math.log(own_u[0] / own_u[1])) > _U_APART:
        return False
    step = max(_step(o), _step(other))
    return abs(o.value - other.value) <= step / 2 * (1 + 1e-9)


def _step(o: Observation) -> float:
    """What a value is rounded to, as its digits say, or as an interval is wide [unit of the method]."""
    if not o.is_point:
        return o.upper - o.lower
    number = _DIGITS.match(o.stated.replace("−", "-"))
    if number is None or not float(number[0]):
        return 0.0
    return abs(10.0 ** -len(number[1] or number[2] or "") / float(number[0]) * o.value)


def _warn_of_rows_twice(spec: Spec, places: dict[str, Located], notes: Notes) -> None:
    """Warn of rows that say what a listed observation says, or another row, to the last digit and input.

    Without an input or a date beside the value, equal values are no sign.
    """
    listed = {(*_same(o), o.value): o for o in spec.evidence if o.table is None and o.inputs}
    first: dict[_Key, Observation] = {}
    twice: dict[tuple[str | None, str | None], list[tuple[Observation, Observation]]] = {}
    for o in [o for o in spec.evidence if o.table is not None and (o.inputs or o.date)]:
        known = listed.get((*_same(o), o.value)) or first.setdefault((*_same(o), o.value, o.date, o.origin), o)
        if known is not o:
            twice.setdefault((known.table, o.table), []).append((known, o))
    for pairs in twice.values():
        known, o = pairs[0]
        rows = "1 row says" if len(pairs) == 1 else f"{len(pairs)} rows say"
        found = f"{rows} what another observation does: {show(o.id)} is as {show(known.id)}, {show(o.stated)}"
        notes.warn(places[o.id], found, "each reading once; 'where' leaves rows out")


# --- dates --------------------------------------------------------------------------------------------------


def _warn_of_future(root: Located, notes: Notes) -> None:
    today = datetime.date.today().isoformat()
    for node in root.walk():
        key = node.path.rpartition(".")[2]
        if key in ("date", "retrieved") and node.text[: len(today)] > today[: len(node.text)]:
            notes.warn(node, f"{show(node.text)}, which is in the future", f"a date up to today, {today}")
