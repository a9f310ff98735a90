"""Quantities with one value for each member of a group, told as one where the members are many."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gaugeglass.judgement.results import QuantitySummary
from gaugeglass.publication import numbers

MOST_SINGLE = 6
"""So many members of a group stand by themselves; more of them are one line [1]."""


@dataclass(frozen=True, slots=True)
class Members:
    """One quantity of many members: its plain name, and the summary of each member."""

    name: str
    members: tuple[QuantitySummary, ...]

    @property
    def about(self) -> str:
        """What the quantity is."""
        return self.members[0].about

    @property
    def unit(self) -> str:
        """The unit of every member."""
        return self.members[0].unit

    @property
    def count(self) -> int:
        """How many members there are."""
        return len(self.members)

    @property
    def widest(self) -> QuantitySummary:
        """The member that is known least after the evidence."""
        return max(self.members, key=lambda q: q.posterior.upper - q.posterior.lower)

    @property
    def ordered(self) -> tuple[QuantitySummary, ...]:
        """The members from the lowest median to the highest."""
        return tuple(sorted(self.members, key=lambda q: q.posterior.median))


def split_name(name: str) -> tuple[str, str]:
    """The plain name of a quantity and its member, which is empty where it has one value."""
    plain, bracket, member = name.partition("[")
    return (plain, member.removesuffix("]")) if bracket else (name, "")


def by_member(quantities: Sequence[QuantitySummary], most_single: int = MOST_SINGLE) -> list[QuantitySummary | Members]:
    """Quantities in their order, those of more members than may stand by themselves as one."""
    together: dict[str, list[QuantitySummary]] = {}
    for q in quantities:
        plain, member = split_name(q.name)
        together.setdefault(plain if member else q.name, []).append(q)
    return [entry for name, found in together.items() for entry in _entries(name, found, most_single)]


def _entries(name: str, found: list[QuantitySummary], most_single: int) -> Iterator[QuantitySummary | Members]:
    has_members = bool(split_name(found[0].name)[1])
    if has_members and len(found) > most_single:
        yield Members(name, tuple(found))
    else:
        yield from found


def medians_text(group: Members) -> str:
    """The range of the members' medians, to the digits that the best known of them has."""
    first, *_, last = group.ordered
    u = min((q.posterior.sd for q in group.members if q.posterior.sd > 0), default=0.0)
    return f"{numbers.rounded(first.posterior.median, u)} to {_with_unit(last.posterior.median, u, group.unit)}"


def after_text(group: Members) -> str:
    """Where the members lie after the evidence: the range of medians, and the widest interval of any."""
    return f"medians {medians_text(group)} (widest {numbers.bounds(group.widest.posterior)})"


def before_text(group: Members) -> str:
    """The widest interval of any member before the evidence."""
    widest = max(group.members, key=lambda q: q.prior.upper - q.prior.lower)
    return numbers.bounds(widest.prior, group.unit)


def ratios_text(group: Members, *, sharp: bool = False) -> str:
    """The range of the members' ratios of sd; with ever sharper readings, if asked."""
    found = [r for q in group.members if not math.isnan(r := q.sharp_ratio if sharp else q.ratio)]
    if not found:
        return numbers.ABSENT
    ends = [numbers.plain(end, 2) for end in (min(found), max(found))]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def identified_text(group: Members) -> str:
    """How many members are identified, partly or not."""
    found = [q.identified for q in group.members]
    kinds = dict.fromkeys(found)
    return found[0] if len(kinds) == 1 else ", ".join(f"{found.count(kind)} {kind}" for kind in kinds)


def _with_unit(value: float, u: float, unit: str) -> str:
    return numbers.with_unit(numbers.rounded(value, u), unit)
