"""A pool of draws of all hypotheses, with and without each unit of the evidence, from which what-ifs are answered.

Under each hypothesis the draws count as those of one mixture. How they answer is in ``answers``.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gaugeglass.judgement.blocks import Block, Numbers, told
from gaugeglass.judgement.codes import Codes, Column, Scale
from gaugeglass.judgement.overlaps import Known, log_mixture
from gaugeglass.language.late import Late

special = Late("scipy.special")

type Floats = NDArray[np.float64]

FORMAT = "gaugeglass.pool/1"
NEARLY_SURE = 3e-3
"""Standard deviation of a claim below which its draws say nothing of how other things move it. [1]"""
_SIGNS = {">": np.greater, ">=": np.greater_equal, "<": np.less, "<=": np.less_equal}


@dataclass(frozen=True, slots=True)
class PooledHypothesis:
    """A hypothesis: its prior weight [1], the published log marginal likelihood [nat], and which draws are its own."""

    name: str
    says: str
    prior: float
    log_evidence: float
    log_evidence_mcse: float
    first: int
    count: int


@dataclass(frozen=True, slots=True)
class Component:
    """The posterior under a hypothesis without a unit, by their indices; ``off`` is None for all of the evidence.

    ``draws`` [1] of the hypothesis's draws are its own; where there are none, only numbers are known of it. ``log_z``
    [nat] is its log marginal likelihood; ``mcse`` [nat] is what its error is beyond that of the whole evidence if it is
    ``anchored`` to it, and all of its error if not. What was not drawn ``anew`` is told by draws of the whole evidence,
    whose errors it shares.
    """

    hypothesis: int
    off: int | None
    draws: int
    log_z: float
    mcse: float
    anchored: bool
    anew: bool = False


@dataclass(frozen=True, slots=True)
class Atom:
    """Readings that every unit has all of or none: an observation, or of a table what one origin says."""

    name: str
    origin: str | None = None


@dataclass(frozen=True, slots=True)
class PooledUnit:
    """What can be switched off together: a unit of the audit, as the indices of its atoms."""

    kind: Literal["observation", "origin", "table"]
    name: str
    atoms: tuple[int, ...]

    @property
    def label(self) -> str:
        """What it is called among all units."""
        return f"origin {self.name}" if self.kind == "origin" else self.name


@dataclass(frozen=True, slots=True)
class Scaling:
    """How a reading's log-likelihood follows its standard uncertainty.

    ``peak`` [nat] is what it is at best; ``nu`` [1] are the degrees of freedom of "student_t". In "curves" it depends
    on nothing but what it is as stated: ``at`` [nat], rising, are values of that, ``curves`` those at a factor,
    straight between and below. Of ``columns`` each is the log-likelihood at a factor; of ``bases`` those at a factor
    take the place of the columns that the reading is told by in its block, in their order.
    """

    kind: Literal["normal", "student_t", "curves", "columns", "bases"]
    peak: float | None = None
    nu: float | None = None
    at: tuple[float, ...] | None = None
    curves: Mapping[float, tuple[float, ...]] | None = None
    columns: Mapping[float, int] | None = None
    bases: Mapping[float, tuple[int, ...]] | None = None


@dataclass(frozen=True, slots=True)
class PooledReading:
    """A listed observation that counts; numbers are in its ``unit``.

    ``simulated`` is the column of what was read had each draw been true, ``scaling`` None where u cannot be changed.
    """

    id: str
    about: str
    unit: str
    stated: str
    value: float
    lower: float | None
    upper: float | None
    atom: int
    simulated: int | None
    scaling: Scaling | None


@dataclass(frozen=True, slots=True)
class PooledQuantity:
    """A quantity [unit] and its column."""

    name: str
    about: str
    unit: str
    column: int
    leading: bool


@dataclass(frozen=True, slots=True)
class Compared:
    """That a claim holds where its column has the ``sign`` (">", ">=", "<" or "<=") to ``at`` [unit].

    ``of`` is what is compared as the claim has it; empty where that is a quantity of the pool.
    """

    sign: str
    at: float
    unit: str
    of: str = ""


@dataclass(frozen=True, slots=True)
class PooledClaim:
    """A claim: 1 or 0 in its column, or what is compared if it is a comparison with a number; NaN where it is neither.

    ``published`` and ``mcse`` [1] are its probability in each component from all draws there were; ``most`` and
    ``most_mcse`` that of its being true or neither, None where it always is true or false.
    """

    name: str
    says: str
    threshold: float
    column: int
    compare: Compared | None
    published: tuple[float, ...]
    mcse: tuple[float, ...]
    most: tuple[float, ...] | None = None
    most_mcse: tuple[float, ...] | None = None


@dataclass(frozen=True, eq=False)
class Mixture:
    """The draws of one hypothesis as those of a mixture of its ``components``, by their indices.

    ``log_density`` is the log of the mixture times how many draws there are, dims ("draw",) [nat]. ``shares`` [1] are
    how much each draw counts in each component, dims ("draw", "component"), and sum to 1; ``sums`` [1] is what they
    summed to before, which is about 1 too, as components' integrals are known but for ``errors`` of their logs [nat].
    ``apart`` is 1 for what was drawn anew, 0 else, dims ("component",).
    """

    components: tuple[int, ...]
    log_density: Floats
    shares: Floats
    sums: Floats
    errors: Floats
    apart: Floats

    @cached_property
    def known(self) -> Known:
        """The integrals of the components, which are known but for their errors."""
        return Known(self.shares, self.errors, self.apart)


@dataclass(frozen=True, eq=False)
class Pool:
    """Draws of every hypothesis, one hypothesis after the other, and what of them is asked."""

    hypotheses: tuple[PooledHypothesis, ...]
    components: tuple[Component, ...]
    atoms: tuple[Atom, ...]
    units: tuple[PooledUnit, ...]
    blocks: tuple[Block, ...]
    readings: tuple[PooledReading, ...]
    quantities: tuple[PooledQuantity, ...]
    claims: tuple[PooledClaim, ...]
    columns: tuple[Column, ...]

    @property
    def draws(self) -> int:
        """How many draws there are of all hypotheses."""
        return sum(h.count for h in self.hypotheses)

    @cached_property
    def codes(self) -> Codes:
        """The codes of all columns, dims ("column", "draw")."""
        return np.stack([c.codes for c in self.columns]) if self.columns else np.empty((0, self.draws), np.uint16)

    def log_likelihood(self, off: frozenset[int], other: Mapping[int, Floats] | None = None) -> Floats | None:
        """Log-likelihood of the evidence without some atoms, dims ("draw",) [nat]; None where it is not known.

        ``other`` has what takes the place of columns, by their indices.
        """
        own = other or {}
        return told(self.blocks, off, lambda c: own[c] if c in own else self.columns[c].values, self.draws)

    def reaches(self, off: frozenset[int]) -> bool:
        """Whether draws lie wherever the evidence without some atoms lets them.

        Serial numbers allow no total below the greatest, so that draws that knew of a greater one lack what lies below.
        """
        return all(numbers.rank(block.on(off)) >= least for block, numbers, least in self._series)

    @cached_property
    def _series(self) -> list[tuple[Block, Numbers, int]]:
        """Blocks of numbers, each with the least place of a greatest one of which every hypothesis has draws."""
        drawn = [c for c in self.components if c.draws > 0]
        offs = [[self._off(c.off) for c in drawn if c.hypothesis == k] for k in range(len(self.hypotheses))]
        found = []
        for block in self.blocks:
            if (numbers := block.numbers) is not None:
                least = (min((numbers.rank(block.on(off)) for off in own), default=0) for own in offs)
                found.append((block, numbers, max(least)))
        return found

    def _off(self, unit: int | None) -> frozenset[int]:
        return frozenset(() if unit is None else self.units[unit].atoms)

    @cached_property
    def mixtures(self) -> tuple[Mixture, ...]:
        """The draws of each hypothesis as those of a mixture of its components."""
        return tuple(self._mixture(k) for k in range(len(self.hypotheses)))

    def _mixture(self, k: int) -> Mixture:
        h = self.hypotheses[k]
        own = [n for n, c in enumerate(self.components) if c.hypothesis == k]
        each = [self._without(self.components[n].off)[h.first : h.first + h.count] for n in own]
        logs = np.stack(each, axis=1)
        log_z, counts = (np.array([getattr(self.components[n], name) for n in own]) for name in ("log_z", "draws"))
        density = log_mixture(logs, log_z, counts)
        shares = np.exp(logs - log_z - density[:, None])
        sums = shares.sum(axis=0)
        errors, apart = (np.array([float(getattr(self.components[n], a)) for n in own]) for a in ("mcse", "anew"))
        return Mixture(tuple(own), density, shares / np.where(sums > 0, sums, 1.0), sums, errors, apart)

    def _without(self, unit: int | None) -> Floats:
        found = self.log_likelihood(self._off(unit))
        if found is None:
            raise ValueError("a block lacks the column for what a unit leaves of it")
        return found

    @cached_property
    def weights(self) -> Floats:
        """The published weights of the hypotheses, dims ("hypothesis",). [1]"""
        return np.asarray(special.softmax([math.log(h.prior) + h.log_evidence for h in self.hypotheses]))

    def holds(self, claim: int, at: float | None = None) -> Floats:
        """Whether a claim holds in each draw, as 0 and 1, with another number if there is one; dims ("draw",)."""
        asked = self.claims[claim]
        values = self.columns[asked.column].values
        if asked.compare is None:
            return np.nan_to_num(values)
        return np.asarray(_SIGNS[asked.compare.sign](values, asked.compare.at if at is None else at), dtype=np.float64)

    def may_hold(self, claim: int, at: float | None = None) -> Floats:
        """The same of whether it may hold: it does, or is neither true nor false."""
        return np.maximum(self.holds(claim, at), np.isnan(self.columns[self.claims[claim].column].values))

    def known_of_claim(self, claim: int, hypothesis: int, *, at_most: bool = False) -> tuple[Known, Floats]:
        """What is known of a claim, or ``at_most`` of its being true or neither, under a hypothesis beside its draws.

        Integrals of components and of the claim in each; then how far the latter are from what the draws say of them
        [1], dims ("component",).
        """
        key = claim, hypothesis, at_most
        if key not in self._known:
            h, mixture, asked = self.hypotheses[hypothesis], self.mixtures[hypothesis], self.claims[claim]
            held = (self.may_hold if at_most else self.holds)(claim)[h.first : h.first + h.count]
            own = list(mixture.components)
            drawn = held @ mixture.shares
            terms = np.concatenate([mixture.shares, mixture.shares * (held[:, None] - drawn)], axis=1)
            least = NEARLY_SURE * np.sqrt(np.sum(mixture.shares**2, axis=0))
            told = (asked.most, asked.most_mcse) if at_most else (asked.published, asked.mcse)
            published, errors = (np.array(v)[own] for v in told)
            known = Known(
                terms, np.concatenate([mixture.errors, errors]), np.tile(mixture.apart, 2), least=np.tile(least, 2)
            )
            self._known[key] = (known, published - drawn)
        return self._known[key]

    @cached_property
    def _known(self) -> dict[tuple[int, int, bool], tuple[Known, Floats]]:
        return {}

    # --- as text ------------------------------------------------------------------------------------------------

    def texts(self) -> dict[str, Any]:
        """All but the codes, as it can be written as JSON."""
        plain = {
            name: [asdict(entry) for entry in getattr(self, name)]
            for name in ("hypotheses", "components", "atoms", "units", "blocks", "readings", "quantities", "claims")
        }
        for claim in plain["claims"]:
            for key in ("most", "most_mcse"):
                if claim[key] is None:
                    del claim[key]
        for scaling in filter(None, (reading["scaling"] for reading in plain["readings"])):
            if scaling["bases"] is None:
                del scaling["bases"]
        columns = [{"low": c.low, "high": c.high, "scale": c.scale} for c in self.columns]
        return {"format": FORMAT, **_plain(plain), "columns": columns, "draws": self.draws}

    def document(self) -> dict[str, Any]:
        """All of it as a page carries it: ``data`` is base64 of raw deflate of the codes, low byte first."""
        packing = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
        packed = packing.compress(self.codes.astype("<u2").tobytes()) + packing.flush()
        return {**self.texts(), "data": base64.b64encode(packed).decode("ascii")}

    @staticmethod
    def read(texts: Mapping[str, Any], codes: Codes) -> Pool:
        """A pool from its texts and its codes."""
        return Pool(
            hypotheses=tuple(PooledHypothesis(**h) for h in texts["hypotheses"]),
            components=tuple(Component(**c) for c in texts["components"]),
            atoms=tuple(Atom(**a) for a in texts["atoms"]),
            units=tuple(PooledUnit(u["kind"], u["name"], tuple(u["atoms"])) for u in texts["units"]),
            blocks=tuple(Block.read(b) for b in texts["blocks"]),
            readings=tuple(PooledReading(**{**r, "scaling": _scaling(r["scaling"])}) for r in texts["readings"]),
            quantities=tuple(PooledQuantity(**q) for q in texts["quantities"]),
            claims=tuple(
                PooledClaim(
                    **{
                        **c,
                        "compare": c["compare"] and Compared(**c["compare"]),
                        **{key: tuple(c[key]) for key in ("published", "mcse", "most", "most_mcse") if key in c},
                    }
                )
                for c in texts["claims"]
            ),
            columns=tuple(
                Column(np.asarray(own, dtype=np.uint16), c["low"], c["high"], _scale(c["scale"]))
                for own, c in zip(codes, texts["columns"], strict=True)
            ),
        )

    def renamed(self, ids: Mapping[str, str], origins: Mapping[str, str]) -> Pool:
        """The same with other names for observations and tables, and for origins."""
        units = (replace(u, name=(origins if u.kind == "origin" else ids).get(u.name, u.name)) for u in self.units)
        return replace(
            self,
            atoms=tuple(
                Atom(ids.get(a.name, a.name), a.origin and origins.get(a.origin, a.origin)) for a in self.atoms
            ),
            units=tuple(units),
            readings=tuple(replace(r, id=ids.get(r.id, r.id)) for r in self.readings),
        )


def _plain(value: Any) -> Any:
    """A value with lists for tuples and text for the keys of mappings."""
    if isinstance(value, Mapping):
        return {f"{k:g}" if isinstance(k, float) else str(k): _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, tuple | list) else value


def _scaling(found: Mapping[str, Any] | None) -> Scaling | None:
    if found is None:
        return None
    curves, columns, bases = found["curves"], found["columns"], found.get("bases")
    return Scaling(
        found["kind"],
        found["peak"],
        found["nu"],
        found["at"] and tuple(found["at"]),
        curves and {float(f): tuple(values) for f, values in curves.items()},
        columns and {float(f): c for f, c in columns.items()},
        bases and {float(f): tuple(own) for f, own in bases.items()},
    )


def _scale(name: str) -> Scale:
    return name  # type: ignore[return-value]
