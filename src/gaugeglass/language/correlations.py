"""Published correlations between the errors of observations."""

from __future__ import annotations

import math

from gaugeglass.language.located import show
from gaugeglass.language.reading import Section, keys, listing, nearest, number, text
from gaugeglass.language.spec import Correlation, Observation, Spec
from gaugeglass.language.units import ONE

_CORRELATION = keys("between r")
_PAIR = "the ids of two observations"
_FAMILIES = ("normal", "lognormal")


def read_correlations(top: Section, spec: Spec) -> tuple[Correlation, ...]:
    """The correlations of a dossier, without those of observations that do not count; what is wrong is noted."""
    known = {o.id: o for o in spec.observations}
    found: list[Correlation] = []
    sums: dict[str, float] = {}
    for item in top.listed("correlations"):
        section = Section(item, _CORRELATION, top.notes)
        pair, r = _pair(section, known, spec), _coefficient(section)
        if pair is None or r is None or _is_set_aside(section, pair, spec):
            continue
        if any(set(pair) == set(other.between) for other in found):
            top.notes.fault(section.at("between"), f"{_names(pair)} a second time", "each pair once")
            continue
        for name in pair:
            sums[name] = sums.get(name, 0.0) + abs(r)
            if sums[name] >= 1 > sums[name] - abs(r):
                total = f"correlations of {show(name)} whose sizes add up to {sums[name]:g}"
                top.notes.fault(section.at("r"), total, "less than 1 in all for one observation")
        found.append(Correlation(pair, r))
    return tuple(found)


def _pair(section: Section, known: dict[str, Observation], spec: Spec) -> tuple[str, str] | None:
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
    if r is not None and not -1 < r < 1:
        section.notes.fault(section.at("r"), show(section.at("r").text), "a correlation between -1 and 1")
        return None
    return r


def _is_set_aside(section: Section, pair: tuple[str, str], spec: Spec) -> bool:
    aside = [name for name in pair if name in spec.set_aside]
    for name in aside:
        found = f"{show(name)}, which does not count ({spec.set_aside[name]}): this correlation changes nothing"
        section.notes.warn(section.at("between"), found, "observations that count")
    return bool(aside)


def _names(pair: tuple[str, str]) -> str:
    return " and ".join(map(show, pair))
