"""The evidence in the parts that units have in common, and which of these parts are told only together."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass

from gaugeglass.inference.density import Density
from gaugeglass.judgement.findings import Unit
from gaugeglass.judgement.pools import Atom
from gaugeglass.language.spec import Observation

ALL_SUBSETS = 3
"""Atoms of a block up to which every subset may have a column. [1]"""


@dataclass(frozen=True, slots=True)
class Split:
    """The evidence as atoms.

    ``ids`` are the readings of each atom, ``units`` the atoms of each unit, ``blocks`` those that are told together.
    """

    atoms: tuple[Atom, ...]
    ids: tuple[tuple[str, ...], ...]
    units: tuple[tuple[int, ...], ...]
    blocks: tuple[tuple[int, ...], ...]


def split(density: Density, units: Sequence[Unit]) -> Split:
    """The fewest atoms of which every unit is made, in the order of the evidence, and how they hang together."""
    own: dict[str, list[int]] = {}
    for k, unit in enumerate(units):
        for i in unit.ids:
            own.setdefault(i, []).append(k)
    parts: dict[tuple[int, ...], list[Observation]] = {}
    for o in density.spec.evidence:
        parts.setdefault(tuple(own[o.id]), []).append(o)
    groups = list(parts.values())
    return Split(
        atoms=tuple(_atom(readings, groups) for readings in groups),
        ids=tuple(tuple(o.id for o in readings) for readings in groups),
        units=tuple(tuple(k for k, places in enumerate(parts) if n in places) for n in range(len(units))),
        blocks=tuple(_blocks(density, groups)),
    )


def _atom(readings: list[Observation], groups: list[list[Observation]]) -> Atom:
    first = readings[0]
    is_one = sum(g[0].table == first.table for g in groups) == 1
    alike = {o.origin for o in readings}
    return Atom(first.table or first.id, None if first.table is None or is_one or len(alike) > 1 else first.origin)


def _blocks(density: Density, groups: list[list[Observation]]) -> Iterator[tuple[int, ...]]:
    """Atoms joined where readings of them are not independent even if everything else is known."""
    block_of = list(range(len(groups)))
    first: dict[Hashable, int] = {}
    for k, readings in enumerate(groups):
        for key in {key for o in readings for key in _bonds(density, o)}:
            one, other = block_of[first.setdefault(key, k)], block_of[k]
            block_of = [one if b == other else b for b in block_of]
    for b in dict.fromkeys(block_of):
        yield tuple(k for k, own in enumerate(block_of) if own == b)


def _bonds(density: Density, o: Observation) -> Iterator[Hashable]:
    """What an observation is judged with, has its open basis with, or is numbered with."""
    layout = density.layout
    if o.grade is not None:
        yield "judged", layout.judged_of(o)
    if sum(chance > 0 for chance in density.chances_of_bases(o).values()) > 1:
        yield "cluster", layout.cluster_of(o)
    if is_numbered(density, o):
        yield "numbered", density.spec.method(o).measures


def is_numbered(density: Density, o: Observation) -> bool:
    """Whether an observation is a serial number."""
    return density.spec.method(o).likelihood.family == "serial"


def subsets(block: tuple[int, ...], units: Sequence[tuple[int, ...]]) -> list[int]:
    """The subsets of a block whose log-likelihoods are kept, as numbers in which bit i is its i-th atom.

    Of few atoms all; of more those that leave out one atom, or what a unit has of them.
    """
    whole = (1 << len(block)) - 1
    if len(block) <= ALL_SUBSETS:
        return list(range(1, whole + 1))
    off = [1 << i for i in range(len(block))]
    off += [sum(1 << i for i, atom in enumerate(block) if atom in own) for own in units]
    return sorted({whole - mask for mask in (0, *off)} - {0})
