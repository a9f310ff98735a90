"""Of which columns the evidence is told in each draw, so that as many choices of it as possible can be."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from gaugeglass.inference.density import Density, Floats, Quantities
from gaugeglass.inference.rows import log_wrong, reliability
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.atoms import ALL_SUBSETS, Split, is_numbered, subsets
from gaugeglass.judgement.blocks import Block, Cluster, Numbers, Source
from gaugeglass.judgement.codes import BITS, Column, coded, coded_below
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.spec import Observation

_BITS_EXACT = 16
"""How finely a total of numbered things is told apart, from which log-likelihoods follow. [bit]"""
_MOST = 3.0
"""Up to how many times as many columns as a few subsets take all are told by pieces. [1]"""


@dataclass(frozen=True, slots=True)
class Piece:
    """What one column has: of some readings the log-likelihood, or the total and how many of their numbers it reaches.

    ``basis`` is the basis that readings are taken to have, by the id of one, of a source that is reliable; ``chance``
    [nat] is the log of how probable that is.
    """

    ids: tuple[str, ...]
    what: Literal["told", "total", "reached"] = "told"
    basis: Mapping[str, str] = field(default_factory=dict)
    chance: float = 0.0

    def coded(self, values: Floats) -> Column:
        """Its column as codes, of values with dims ("draw",)."""
        return coded_below(values, bits=BITS) if self.what == "told" else coded(values, bits=_BITS_EXACT)


def laid_out(density: Density, parts: Split) -> tuple[tuple[Block, ...], tuple[Piece, ...]]:
    """The blocks of the evidence, with their columns numbered from 0, and what each column has."""
    columns: list[Piece] = []
    return tuple(_Layer(density, parts, columns).block(atoms) for atoms in parts.blocks), tuple(columns)


class _Layer:
    """Blocks whose columns are added to those there are."""

    def __init__(self, density: Density, parts: Split, columns: list[Piece]) -> None:
        self.density, self.parts, self.columns = density, parts, columns
        self.readings = {o.id: o for o in density.spec.evidence}

    def block(self, atoms: tuple[int, ...]) -> Block:
        own = [[self.readings[i] for i in self.parts.ids[atom]] for atom in atoms]
        if len(atoms) == 1:
            return Block(atoms, {1: self.add(Piece(self.parts.ids[atoms[0]]))})
        if is_numbered(self.density, own[0][0]):
            return Block(atoms, numbers=self.numbers(own))
        masks = subsets(atoms, self.parts.units)
        tried = _Layer(self.density, self.parts, list(self.columns))
        sources = tuple(tried.sources(own))
        added = tried.columns[len(self.columns) :]
        if len(added) > len(masks) and (len(atoms) <= ALL_SUBSETS or len(added) > _MOST * len(masks)):
            ids = {m: tuple(o.id for k, os in enumerate(own) if m >> k & 1 for o in os) for m in masks}
            return Block(atoms, {mask: self.add(Piece(ids[mask])) for mask in masks})
        self.columns += added
        return Block(atoms, sources=sources)

    def add(self, piece: Piece) -> int:
        """A further column, and its index."""
        self.columns.append(piece)
        return len(self.columns) - 1

    def numbers(self, own: Sequence[Sequence[Observation]]) -> Numbers:
        every = tuple(o.id for readings in own for o in readings)
        values = sorted({self.readings[i].value for i in every})
        return Numbers(
            total=self.add(Piece(every, "total")),
            reached=self.add(Piece(every, "reached")),
            counts=tuple(len(readings) for readings in own),
            ranks=tuple(1 + values.index(max(o.value for o in readings)) for readings in own),
        )

    def sources(self, own: Sequence[Sequence[Observation]]) -> Iterator[Source]:
        """What may be wrong together; what cannot be goes first, as a source that is reliable."""
        layout = self.density.layout
        mixed = [[o for o in readings if layout.kind_of(o).is_mixed] for readings in own]
        plain = [tuple(o.id for o in readings if o not in some) for readings, some in zip(own, mixed, strict=True)]
        if any(plain):
            cluster = Cluster((1.0,), tuple((self.add(Piece(ids)),) if ids else () for ids in plain))
            yield Source(1.0, (0.0,) * len(own), (cluster,))
        for judged in dict.fromkeys(layout.judged_of(o) for readings in mixed for o in readings):
            of_source = [[o for o in readings if layout.judged_of(o) == judged] for readings in mixed]
            chance = reliability(layout, next(o for readings in of_source for o in readings))
            wrong = (sum(self._wrong(o) for o in readings) for readings in of_source)
            clusters = tuple(self.clusters(of_source, chance)) if chance > 0 else ()
            yield Source(chance, tuple(w if math.isfinite(w) else None for w in wrong), clusters)

    def _wrong(self, o: Observation) -> float:
        wrong = self.density.spec.method(o).wrong
        return 0.0 if o.grade is None or wrong is None else log_wrong(wrong, o)

    def clusters(self, of_source: Sequence[Sequence[Observation]], reliable: float) -> Iterator[Cluster]:
        layout = self.density.layout
        for key in dict.fromkeys(layout.cluster_of(o) for readings in of_source for o in readings):
            own = [tuple(o.id for o in readings if layout.cluster_of(o) == key) for readings in of_source]
            first = next(i for ids in own for i in ids)
            open_ = {b: p for b, p in self.density.chances_of_bases(self.readings[first]).items() if p > 0}
            yield Cluster(
                tuple(open_.values()),
                tuple(
                    tuple(
                        self.add(Piece(ids, basis={ids[0]: b}, chance=math.log(p) + math.log(reliable)))
                        for b, p in open_.items()
                        if ids
                    )
                    for ids in own
                ),
            )


def told(density: Density, pieces: Sequence[Piece], fit: Fit) -> Floats:
    """What the columns have in each draw of a fit of one chain, dims ("column", "draw")."""
    numbered = {o.id: o for o in density.spec.evidence if is_numbered(density, o)}
    bare = {o.id: fit.dials.power.get(o.id, 1.0) if o.id in numbered else 0.0 for o in density.spec.evidence}
    x = fit.x[0]

    def at(ids: Sequence[str], basis: Mapping[str, str]) -> Floats:
        power = {**bare, **dict.fromkeys(ids, 1.0)}
        return density.log_densities(x, density.pack(replace(fit.dials, power=power, basis=basis)))

    nothing, columns = at((), {}), list[Floats]()
    for piece in pieces:
        if piece.ids[0] in numbered:
            columns.append(_of_numbers(density, [numbered[i] for i in piece.ids], fit.quantities, piece.what))
        else:
            columns.append(at(piece.ids, piece.basis) - nothing - piece.chance)
    return np.array(columns).reshape(-1, len(x))


def _of_numbers(density: Density, readings: Sequence[Observation], quantities: Quantities, what: str) -> Floats:
    """Of serial numbers, none of which was drawn twice, the total, how many of them it reaches, or log-likelihoods."""
    total = np.ravel(evaluate(density.spec.method(readings[0]).measures, quantities))
    values = sorted({o.value for o in readings})
    reached = np.searchsorted(np.array(values) - 0.5, total, side="right")  # as a whole number is taken for a real one
    match what:
        case "total":
            return np.asarray(total)
        case "reached":
            return reached.astype(np.float64)
    left = np.where(reached == len(values), total, np.inf)[:, None] - np.arange(len(readings))
    return -np.log(left).sum(axis=1)
