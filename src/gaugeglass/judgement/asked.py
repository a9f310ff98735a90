"""What a pool asks of each draw beside its log-likelihoods."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np

from gaugeglass.inference.density import Floats, Quantities
from gaugeglass.inference.posterior import Posterior, holds
from gaugeglass.inference.sampling import Fit
from gaugeglass.inference.smoothing import means_and_errors
from gaugeglass.judgement.atoms import Split
from gaugeglass.judgement.codes import BITS, Column, coded, coded_below, moved_apart
from gaugeglass.judgement.limits import limit
from gaugeglass.judgement.moves import leading
from gaugeglass.judgement.pieces import laid_out
from gaugeglass.judgement.pools import Compared, PooledClaim, PooledQuantity, PooledReading, Scaling
from gaugeglass.judgement.predictions import chances_of_bases, predict, simulate
from gaugeglass.judgement.scalings import FACTORS, curves, is_plain, log_likelihood_at, log_likelihood_of, peak
from gaugeglass.judgement.undefined import may_hold
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.spec import Claim, Given, Observation

type Truth = Callable[[Claim, Quantities], Floats]
"""Whether a claim holds in each draw, as 0 and 1, or may hold."""

_BITS_COMPARED = 15
"""How finely numbers are told apart that a claim compares. [bit]"""
_MOST_QUANTITIES, _MOST_SIMULATED, _MOST_BASES = 16, 60, 60
"""How many quantities are kept of each draw; up to how many observations what would be read of each, and up to how many
pieces of readings that are told together what they would be with another u. [1]"""
_SEED = 0xB001


class Asked:
    """What is asked of each draw beside its log-likelihoods: one column each, in an order of its own."""

    def __init__(self, posterior: Posterior, parts: Split) -> None:
        self.posterior, self.parts = posterior, parts
        self.density, self.spec = posterior.density, posterior.spec
        self.listed = [o for o in self.spec.dossier.observations if o.id not in self.spec.set_aside]
        self.limits = {c.name: found for c in self.spec.model.claims if (found := limit(self.spec, c))}
        self.quantities = self._quantities()
        alone = {block[0] for block in parts.blocks if len(block) == 1}
        self.atom = {i: k for k, ids in enumerate(parts.ids) for i in ids}
        can_be = [o for o in self.listed if self.atom[o.id] in alone and o.u is not None]
        self.plain = {o.id for o in can_be if is_plain(self.density, o)}
        self.curves = {o.id: own for o in can_be if o.id not in self.plain and (own := curves(self.density, o))}
        self.scaled = [o for o in can_be if o.id not in self.plain and o.id not in self.curves]
        self.bases = self._bases()
        self.simulated = self.listed if len(self.listed) <= _MOST_SIMULATED else []
        self.keys: list[tuple[str, str]] = [
            *(("scaled", f"{o.id} {factor:g}") for o in self.scaled for factor in FACTORS),
            *(
                ("basis", f"{i} {factor:g} {b}")
                for i, many in self.bases.items()
                for factor in FACTORS
                for b in range(many)
            ),
            *(("simulated", o.id) for o in self.simulated),
            *(("quantity", name) for name in self.quantities),
            *(key for c in self.spec.model.claims if (key := self._key(c.name))[0] != "quantity"),
        ]
        self.place = {key: k for k, key in enumerate(self.keys)}

    def _bases(self) -> dict[str, int]:
        """Of readings that are told together with others, by how many columns each is, one a basis."""
        blocks = (b for b in laid_out(self.density, self.parts)[0] if len(b.atoms) > 1)
        many = {atom: len(b.columns_of(atom)) for b in blocks for atom in b.atoms}
        found = {o.id: many.get(self.atom[o.id], 0) for o in self.listed if o.u is not None}
        return found if sum(found.values()) <= _MOST_BASES else {}

    def _quantities(self) -> tuple[str, ...]:
        """The leading ones, those that claims compare with a number, and others as long as there is room for them."""
        every = [n for n, q in self.spec.model.quantities.items() if not isinstance(q, Given) and not q.per]
        first = [*leading(self.spec), *(found.name for found in self.limits.values() if found.name)]
        return tuple(dict.fromkeys([*first, *every]))[: max(_MOST_QUANTITIES, len(set(first)))]

    def _key(self, claim: str) -> tuple[str, str]:
        """The column of a claim: a quantity that it compares, what it alone compares, or whether it holds."""
        own = self.limits.get(claim)
        if own is None:
            return "claim", claim
        return ("quantity", own.name) if own.name else ("compared", claim)

    def answer(self, fit: Fit, key: tuple[str, str]) -> Floats:
        """A column for the draws of a fit of one chain, dims ("draw",)."""
        kind, name = key
        quantities, x = fit.quantities.each(np.ravel), fit.x[0]
        match kind:
            case "scaled":
                o, factor = self._reading(name.rpartition(" ")[0]), float(name.rpartition(" ")[2])
                return log_likelihood_at(self.density, o, factor, quantities, x)
            case "basis":
                i, by, place = name.rsplit(" ", 2)
                o = self._reading(i)
                basis = [b for b, chance in self.density.chances_of_bases(o).items() if chance > 0][int(place)]
                return log_likelihood_of(self.density, o, float(by), basis, quantities, x)
            case "simulated":
                return self._simulated(fit, self._reading(name))
            case "quantity":
                return quantities[name]
            case "compared":
                with np.errstate(all="ignore"):
                    return np.asarray(np.broadcast_to(evaluate(self.limits[name].value, quantities), len(x)))
        claim = next(c for c in self.spec.model.claims if c.name == name)
        surely = holds(claim, quantities)
        return np.where(surely == may_hold(claim, quantities), surely, np.nan)

    def _reading(self, name: str) -> Observation:
        return next(o for o in self.listed if o.id == name)

    def _simulated(self, fit: Fit, o: Observation) -> Floats:
        """One reading by each draw, of each basis as often as that is probable."""
        quantities, x = fit.quantities.each(np.ravel), fit.x[0]
        rng = np.random.default_rng([self.posterior.seed, _SEED, len(x), *map(ord, fit.hypothesis + o.id)])
        is_open = sum(p > 0 for p in self.density.chances_of_bases(o).values()) > 1
        bases = chances_of_bases(self.density, o, fit) if is_open else {"": np.ones(len(x))}
        each = [simulate(self.density, o, *predict(self.density, o, quantities, x, basis=b), rng) for b in bases]
        ends = np.cumsum(list(bases.values()), axis=0)
        chosen = np.sum(rng.uniform(size=len(x)) * ends[-1] > ends, axis=0)
        return np.asarray(np.choose(np.minimum(chosen, len(each) - 1), each))

    def coded(self, columns: Sequence[Floats]) -> list[Column]:
        """The columns as codes."""
        ats: dict[tuple[str, str], list[Compared]] = {}
        for name, own in self.limits.items():
            ats.setdefault(self._key(name), []).append(own.compared)
        found = []
        for key, values in zip(self.keys, columns, strict=True):
            if key[0] in ("scaled", "basis"):
                found.append(coded_below(values, bits=BITS))
                continue
            column = coded(values, bits=_BITS_COMPARED if key in ats else BITS)
            for compared in ats.get(key, []):
                column = moved_apart(column, values, compared.at, is_above=compared.sign in (">=", "<"))
            found.append(column)
        return found

    # --- as the pool has it -------------------------------------------------------------------------------------

    def readings(self, first: int) -> Iterator[PooledReading]:
        """The listed observations that count; columns are numbered from ``first``."""
        for o in self.listed:
            method = self.spec.method(o)
            simulated = self.place.get(("simulated", o.id))
            yield PooledReading(
                id=o.id,
                about=method.about,
                unit=method.unit.text,
                stated=o.stated,
                value=o.value,
                lower=o.lower if math.isfinite(o.lower) else None,
                upper=o.upper if math.isfinite(o.upper) else None,
                atom=self.atom[o.id],
                simulated=None if simulated is None else first + simulated,
                scaling=self._scaling(o, first),
            )

    def _scaling(self, o: Observation, first: int) -> Scaling | None:
        if o.id in self.plain:
            likelihood = self.spec.method(o).likelihood
            return Scaling("student_t" if likelihood.nu else "normal", peak(self.density, o), likelihood.nu)
        if o.id in self.curves:
            at, others = self.curves[o.id]
            return Scaling("curves", at=_short(at), curves={f: _short(v) for f, v in others.items()})
        if o in self.scaled:
            return Scaling("columns", columns={f: first + self.place["scaled", f"{o.id} {f:g}"] for f in FACTORS})
        if many := self.bases.get(o.id, 0):
            starts = {f: first + self.place["basis", f"{o.id} {f:g} 0"] for f in FACTORS}
            return Scaling("bases", bases={f: tuple(range(start, start + many)) for f, start in starts.items()})
        return None

    def pooled_quantities(self, first: int) -> Iterator[PooledQuantity]:
        """The quantities that draws are kept of."""
        for name in self.quantities:
            q = self.spec.quantities[name]
            column = first + self.place["quantity", name]
            yield PooledQuantity(name, q.about, q.unit.text, column, name in leading(self.spec))

    def pooled_claims(self, first: int, drawn: Sequence[tuple[Fit, Floats]]) -> Iterator[PooledClaim]:
        """The claims, with what all draws and their shares say of each in every component."""
        found, most = ([self._of_all(truth, fit, shares) for fit, shares in drawn] for truth in (holds, may_hold))
        for n, claim in enumerate(self.spec.model.claims):
            own = self.limits.get(claim.name)
            is_open = any(means[n] != most_means[n] for (means, _), (most_means, _) in zip(found, most, strict=True))
            yield PooledClaim(
                name=claim.name,
                says=claim.says,
                threshold=claim.threshold,
                column=first + self.place[self._key(claim.name)],
                compare=own.compared if own else None,
                published=_short([means[n] for means, _ in found]),
                mcse=_short([errors[n] for _, errors in found]),
                most=_short([means[n] for means, _ in most]) if is_open else None,
                most_mcse=_short([errors[n] for _, errors in most]) if is_open else None,
            )

    def _of_all(self, truth: Truth, fit: Fit, shares: Floats) -> tuple[Floats, Floats]:
        values = [truth(claim, fit.quantities) for claim in self.spec.model.claims]
        return means_and_errors(np.stack(values, axis=-1), shares) if values else (np.empty(0), np.empty(0))


def _short(values: Iterable[float]) -> tuple[float, ...]:
    """Numbers to seven digits, which as text are half as long."""
    return tuple(float(f"{v:.7g}") for v in values)
