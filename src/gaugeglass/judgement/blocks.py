"""Parts of the evidence that are told together, and what any choice of them says in each draw.

What is independent once everything else is known is a block by itself. Readings that may be wrong together, that have
an open basis in common, or that are numbers of one series, are one block: their log-likelihoods do not add up. Of most
such blocks a pool has pieces, from which the log-likelihood of any choice follows; of others it has that of a few.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaugeglass.language.late import Late

special = Late("scipy.special")

type Floats = NDArray[np.float64]
type Values = Callable[[int], Floats]
"""The values of a column by its index, dims ("draw",)."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """Readings that have one basis in common.

    ``chances`` [1] are those of the bases that are possible. ``columns`` are, for each atom of the block, those of the
    log-likelihood of what it has here, one a basis, of a source that is reliable; none where it has nothing here.
    """

    chances: tuple[float, ...]
    columns: tuple[tuple[int, ...], ...]

    def told(self, on: Sequence[int], values: Values) -> Floats:
        """Log-likelihood of what the atoms ``on`` have here, dims ("draw",) [nat]."""
        own = [self.columns[a] for a in on if self.columns[a]]
        each = [
            math.log(chance) + sum((values(columns[b]) for columns in own), np.float64(0.0))
            for b, chance in enumerate(self.chances)
        ]
        return np.asarray(special.logsumexp(each, axis=0))


@dataclass(frozen=True, slots=True)
class Source:
    """Readings that may be wrong together.

    ``reliable`` [1] is the chance that they are not. ``wrong`` [nat] is, for each atom of the block, the log density of
    what it has of them if they are; None where that is impossible.
    """

    reliable: float
    wrong: tuple[float | None, ...]
    clusters: tuple[Cluster, ...]

    def told(self, on: Sequence[int], values: Values) -> Floats:
        """Log-likelihood of what the atoms ``on`` have of them, dims ("draw",) [nat]."""
        with np.errstate(divide="ignore"):
            right, astray = np.log(self.reliable), np.log1p(-self.reliable)
        for cluster in self.clusters:
            right = right + cluster.told(on, values)
        for a in on:
            astray = astray + (-math.inf if self.wrong[a] is None else self.wrong[a])
        return np.asarray(np.logaddexp(right, astray))


@dataclass(frozen=True, slots=True)
class Numbers:
    """Serial numbers of one series, none of which was drawn twice.

    ``total`` is the column of how many there are; ``reached`` that of how many of the numbers seen, told apart and in
    order, are no greater. Each atom of the block has ``counts`` of them, of which the greatest has the place ``ranks``
    in that order, from 1.
    """

    total: int
    reached: int
    counts: tuple[int, ...]
    ranks: tuple[int, ...]

    def rank(self, on: Sequence[int]) -> int:
        """The place of the greatest number that counts; 0 without any."""
        return max((self.ranks[a] for a in on), default=0)

    def told(self, on: Sequence[int], values: Values) -> Floats:
        """Log-likelihood of the numbers of the atoms ``on``, dims ("draw",) [nat]."""
        left = np.where(values(self.reached) > self.rank(on) - 0.5, values(self.total), np.inf)
        found = np.zeros(len(left))
        for taken in range(sum(self.counts[a] for a in on)):
            found -= np.log(left - taken)
        return found


@dataclass(frozen=True, slots=True)
class Block:
    """Atoms that are told together, by their indices.

    ``columns`` are those of the log-likelihoods of subsets: bit i of a subset's number is set where the block's i-th
    atom counts. Where there are ``sources`` or ``numbers`` every subset follows from these. Of no atoms it is 0.
    """

    atoms: tuple[int, ...]
    columns: Mapping[int, int] = field(default_factory=dict)
    sources: tuple[Source, ...] = ()
    numbers: Numbers | None = None

    def on(self, off: Collection[int]) -> list[int]:
        """Which of its atoms, by their places in it, count where those of the evidence are off."""
        return [k for k, atom in enumerate(self.atoms) if atom not in off]

    def columns_of(self, atom: int) -> tuple[int, ...]:
        """The columns that one of its atoms is told by, one a basis; none where no columns are its own."""
        if len(self.atoms) == 1:
            return tuple(self.columns.values())
        place = self.atoms.index(atom)
        own = [cluster.columns[place] for source in self.sources for cluster in source.clusters]
        return next(filter(None, own), ())

    def told(self, on: Sequence[int], values: Values) -> Floats | None:
        """Log-likelihood of some of its atoms, at least one, dims ("draw",) [nat]; None where it is not known."""
        column = self.columns.get(sum(1 << k for k in on))
        if column is not None:
            return values(column)
        if self.numbers is not None:
            return self.numbers.told(on, values)
        if not self.sources:
            return None
        return np.asarray(sum(source.told(on, values) for source in self.sources))

    @staticmethod
    def read(texts: Mapping[str, Any]) -> Block:
        """A block from what JSON has of it."""
        numbers = texts.get("numbers")
        return Block(
            tuple(texts["atoms"]),
            {int(mask): column for mask, column in texts["columns"].items()},
            tuple(_source(s) for s in texts.get("sources", ())),
            numbers and Numbers(**{**numbers, **{k: tuple(numbers[k]) for k in ("counts", "ranks")}}),
        )


def _source(texts: Mapping[str, Any]) -> Source:
    clusters = (Cluster(tuple(c["chances"]), tuple(map(tuple, c["columns"]))) for c in texts["clusters"])
    return Source(texts["reliable"], tuple(texts["wrong"]), tuple(clusters))


def told(blocks: Sequence[Block], off: Collection[int], values: Values, draws: int) -> Floats | None:
    """Log-likelihood of the evidence without some atoms, dims ("draw",) [nat]; None where it is not known."""
    found = np.zeros(draws)
    for block in blocks:
        if on := block.on(off):
            own = block.told(on, values)
            if own is None:
                return None
            found = found + own
    return found
