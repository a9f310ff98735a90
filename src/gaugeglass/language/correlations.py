"""Published correlations between the errors of observations."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from gaugeglass.language.located import show
from gaugeglass.language.reading import Section, keys, listing, nearest, number, text
from gaugeglass.language.spec import Correlation, Observation, Spec
from gaugeglass.language.units import ONE

_CORRELATION = keys("between r")
_PAIR = "the ids of two observations"
_FAMILIES = ("normal", "lognormal")
_LEAST = 1e-12
"""The least variance that an error may have left where those correlated with it are known. [1]"""
_MOST = 6
"""Correlations that a message names at most. [1]"""

type Pair = tuple[str, str]


def read_correlations(top: Section, spec: Spec) -> tuple[Correlation, ...]:
    """The correlations of a dossier, without those of observations that do not count; what is wrong is noted."""
    known = {o.id: o for o in spec.observations}
    faults = len(top.notes.faults)
    r: dict[Pair, float] = {}
    sections: dict[Pair, Section] = {}
    for item in top.listed("correlations"):
        section = Section(item, _CORRELATION, top.notes)
        pair, own = _pair(section, known, spec), _coefficient(section)
        if pair is None or own is None or _is_set_aside(section, pair, spec):
            continue
        if pair in r or pair[::-1] in r:
            top.notes.fault(section.at("between"), f"{_names(pair)} a second time", "each pair once")
            continue
        r[pair], sections[pair] = own, section
    if len(top.notes.faults) == faults:
        _note_impossible(r, known, sections)
    return tuple(itertools.starmap(Correlation, r.items()))


def _pair(section: Section, known: dict[str, Observation], spec: Spec) -> Pair | None:
    if "between" not in section:
        return None
    node, notes = section.at("between"), section.notes
    if not isinstance(node.content, tuple):
        notes.fault(node, node.kind, _PAIR)
        return None
    names = [text(item, notes) for item in node.items]
    unknown = [name for name in names if name and name not in known]
    for name in unknown:
        notes.fault(node, show(name), _PAIR, nearest(name, known))
    if len(names) != 2 or names[0] == names[1]:
        notes.fault(node, f"{listing(map(show, names)) if names else 'nothing'}", _PAIR)
        return None
    sound = [name for name in names if name in known and _is_linear(section, known[name], spec)]
    return (names[0], names[1]) if len(sound) == 2 else None


def _is_linear(section: Section, o: Observation, spec: Spec) -> bool:
    """Whether the error of an observation can be correlated with another; if not, that is noted."""
    method = spec.model.method_by_name.get(o.method)
    if method is None or math.isnan(o.value):  # which is noted where it stands
        return False
    family = method.likelihood.family
    if o.is_point and family in _FAMILIES:
        return True
    what = f"a {family} likelihood" if family not in _FAMILIES else f"no single number, {show(o.stated)}"
    found = f"{show(o.id)}, which has {what}"
    section.notes.fault(section.at("between"), found, "values by methods with a normal or lognormal likelihood")
    return False


def _coefficient(section: Section) -> float | None:
    if "r" not in section:
        return None
    r = number(section.at("r"), ONE, section.notes)
    if r is not None and abs(r) > 1 - _LEAST:
        section.notes.fault(section.at("r"), show(section.at("r").text), "a correlation between -1 and 1")
        return None
    return r


def _is_set_aside(section: Section, pair: Pair, spec: Spec) -> bool:
    aside = [name for name in pair if name in spec.set_aside]
    for name in aside:
        found = f"{show(name)}, which does not count ({spec.set_aside[name]}): this correlation changes nothing"
        section.notes.warn(section.at("between"), found, "observations that count")
    return bool(aside)


def _names(pair: Pair) -> str:
    return " and ".join(map(show, pair))


# --- correlations that errors can have together -------------------------------------------------------------


def connected(pairs: Iterable[Pair], order: Collection[str]) -> Iterator[list[str]]:
    """The names that hang together by pairs, each once, in their order."""
    beside: dict[str, list[str]] = {}
    for a, b in pairs:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    place = {name: k for k, name in enumerate(order)}
    seen: set[str] = set()
    for first in (name for name in order if name in beside):
        if first in seen:
            continue
        seen.add(first)
        found = [first]
        for name in found:
            new = [other for other in beside[name] if other not in seen]
            seen.update(new)
            found += dict.fromkeys(new)
        yield sorted(found, key=place.__getitem__)


def _note_impossible(r: Mapping[Pair, float], order: Collection[str], sections: Mapping[Pair, Section]) -> None:
    """Note correlations that no errors have together, as their matrix is not positive definite.

    Of observations that hang together by them the fewest are named, any of which could be left out; then the rest are
    looked at without the last of these.
    """
    whole = {**r, **{(b, a): value for (a, b), value in r.items()}}
    for names in connected(r, order):
        while few := _fewest(names, whole):
            *others, last = [pair for pair in r if set(pair).issubset(few)]
            low, high = _between(few, last, whole)
            beside = [f"{r[pair]:g} between {_names(pair)}" for pair in others]
            unsaid = [pair for pair in itertools.combinations(few, 2) if pair not in whole]
            section = sections[last]
            section.notes.fault(
                section.at("r"),
                f"{r[last]:g} between {_names(last)}, beside {_some(beside)}",
                f"a correlation between {low:.15g} and {high:.15g} beside these",
                f"none is stated between {_some(map(_names, unsaid))}, which counts as 0" if unsaid else None,
            )
            names.remove(last[1])


def _roots(names: Sequence[str], r: Mapping[Pair, float], least: float = _LEAST) -> list[list[float]]:
    """The rows of the lower root of a matrix of correlations (A. L. Cholesky's), up to the last that there is."""
    rows: list[list[float]] = []
    for i, name in enumerate(names):
        row = [r.get((name, other), 0.0) for other in names[:i]]
        for j in range(next((j for j in range(i) if row[j]), i), i):
            row[j] = (row[j] - math.sumprod(row[:j], rows[j][:j])) / rows[j][j]
        left = 1 - math.sumprod(row, row)
        if left <= least:
            break
        rows.append([*row, math.sqrt(left)])
    return rows


def _fewest(names: Sequence[str], r: Mapping[Pair, float]) -> list[str]:
    """Names whose errors cannot be correlated as stated, those of all but any one of them can; none if all can."""
    few: list[str] = []
    rest = list(names)
    while (sound := len(_roots([*few, *rest], r))) >= len(few):
        if sound == len(few) + len(rest):
            return []
        at = sound - len(few)
        few.append(rest[at])
        del rest[at:]
    return sorted(few, key=list(names).index)


def _between(names: Sequence[str], pair: Pair, r: Mapping[Pair, float]) -> tuple[float, float]:
    """Between which correlations that of a pair has to be, beside those of the others of some names, to few digits."""
    others = [name for name in names if name not in pair]
    (*first, own), (*second, other) = (_roots([*others, name], r, 0.0)[-1] for name in pair)
    middle, reach = math.sumprod(first, second), own * other
    for scale in (10.0**digits for digits in range(2, 15)):
        low, high = math.ceil((middle - reach) * scale) / scale, math.floor((middle + reach) * scale) / scale
        if low < high:
            return low, high
    return middle - reach, middle + reach


def _some(texts: Iterable[str]) -> str:
    listed = list(texts)
    more = f" and {len(listed) - _MOST} more" if len(listed) > _MOST else ""
    return ", ".join(listed[:_MOST]) + more
