"""What moved: the differences of two Specs, and of what their posteriors say."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

import numpy as np

from gaugeglass.inference.density import Floats, Quantities
from gaugeglass.inference.posterior import Posterior, holds, probability
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Assessment, Probability, QuantitySummary, Spread
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.judgement.undefined import may_hold
from gaugeglass.judgement.verdicts import _bounded
from gaugeglass.language.spec import AS_STATED, Claim, Given, Observation, Source, Spec

ERRORS = 3.0
"""Monte Carlo errors of a difference beyond which something is said to have moved: our convention, and so many since an
answer compares some forty numbers, of which two errors would mark one or two for nothing. [1]"""
_FEWEST = 20
"""Draws of a hypothesis below which they add nothing to an error that could be reckoned. [1]"""
_LEAST = 1e-4
"""Difference of two probabilities below which nothing is said to have moved: the last digit that is printed. [1]"""
_BARE = {"source": Source(), "note": "", "private": False, "date": "", "line": None}
"""What an observation says that no inference uses, and what it would be were it not said."""
_SECTIONS = ("givens", "latents", "relations", "methods", "hypotheses", "claims", "candidates", "pictures")

type How = Literal["added", "removed", "withdrawn", "counted again", "changed"]


# --- of two Specs -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that an entry says otherwise than before: numbers in ``unit``, texts as they are stated.

    None where it was, or is, not said; both None where it is too long to be shown.
    """

    key: str
    before: float | str | None
    now: float | str | None
    unit: str = "1"


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one entry of the files.

    ``place`` is ``"observation"``, ``"table"``, ``"given"``, ``"dossier"``, ``"model"`` or a section of the model.
    ``says`` is what an observation that came or went states, why one was withdrawn, or how many rows of a table came
    and went.
    """

    place: str
    name: str
    how: How
    says: str = ""
    parts: tuple[Part, ...] = ()


def changes(before: Spec, now: Spec) -> tuple[Change, ...]:
    """What became of every entry of the files: observations, tables, the rest of the dossier, the model."""
    return (*_observations(before, now), *_tables(before, now), *_dossier(before, now), *_model(before, now))


def infers_alike(before: Spec, now: Spec) -> bool:
    """Whether two Specs differ in nothing that an inference uses, though perhaps in what is said about it."""
    return _used(before) == _used(now)


def _used(spec: Spec) -> tuple[Any, ...]:
    dossier, bare = spec.dossier, tuple(_bare(o) for o in spec.evidence)
    return spec.model, spec.givens, spec.members, dossier.correlations, dossier.subject, bare


def _bare(o: Observation) -> Observation:
    return replace(o, **_BARE)  # type: ignore[arg-type]


def _observations(before: Spec, now: Spec) -> Iterator[Change]:
    old, new = ({o.id: o for o in spec.dossier.observations if _stays(o, spec)} for spec in (before, now))
    for name, o in new.items():
        if name not in old:
            yield Change("observation", name, "added", f"by {o.method}, {_stated(o)}")
        elif o.withdrawn and not old[name].withdrawn:
            yield Change("observation", name, "withdrawn", o.withdrawn.because)
        elif parts := tuple(_parts(old[name], o, now)):
            again = old[name].withdrawn is not None and o.withdrawn is None
            yield Change("observation", name, "counted again" if again else "changed", "", parts)
        elif old[name].withdrawn and not o.withdrawn:
            yield Change("observation", name, "counted again")
    for name, o in old.items():
        if name not in new:
            yield Change("observation", name, "removed", f"by {o.method}, {_stated(o)}")


def _stays(o: Observation, spec: Spec) -> bool:
    """Whether an alternative does not leave an observation out."""
    return o.id not in spec.dossier.left_out


def _stated(o: Observation) -> str:
    return f"{o.stated} (withdrawn)" if o.withdrawn else o.stated


def _parts(old: Observation, new: Observation, spec: Spec) -> Iterator[Part]:
    """What an observation says otherwise than before, its value first."""
    method = spec.method(new)
    if old.stated != new.stated:
        yield Part("value", old.stated, new.stated)
    if old.u != new.u:
        yield Part("u", old.u, new.u, "1" if method.likelihood.family == "lognormal" else method.unit.text)
    elif old.stated == new.stated and (old.lower, old.upper) != (new.lower, new.upper):
        yield Part("rounded", None, None)
    units = {i.name: i.unit.text for i in method.inputs}
    for name in dict.fromkeys((*old.inputs, *new.inputs)):
        if old.inputs.get(name) != new.inputs.get(name):
            yield Part(name, old.inputs.get(name), new.inputs.get(name), units.get(name, "1"))
    for key in ("method", "origin", "date", "grade", "basis", "repeats"):
        if getattr(old, key) != getattr(new, key):
            yield Part(key, getattr(old, key) or None, getattr(new, key) or None)
    for key in ("inexact", "at", "applies", "source", "note", "private"):
        if getattr(old, key) != getattr(new, key):
            yield Part(key, None, None)


def _tables(before: Spec, now: Spec) -> Iterator[Change]:
    """Rows have no names of their own, so that one changed is one gone and one come."""
    old, new = ({t.id: t for t in spec.dossier.tables} for spec in (before, now))
    for name in dict.fromkeys((*new, *old)):
        gone, come = (
            _rows(o for o in tables[name].rows if _stays(o, spec)) if name in tables else Counter[str]()
            for tables, spec in ((old, before), (new, now))
        )
        removed, added = (gone - come).total(), (come - gone).total()
        how: How = "added" if name not in old else "removed" if name not in new else "changed"
        if how != "changed" or removed or added:
            yield Change("table", name, how, _row_counts(added, removed, how))
        elif replace(old[name], rows=()) != replace(new[name], rows=()):
            yield Change("table", name, how)


def _rows(rows: Iterable[Observation]) -> Counter[str]:
    return Counter(repr(replace(o, id="", line=None)) for o in rows)


def _row_counts(added: int, removed: int, how: How) -> str:
    changed = min(added, removed)
    counts = {"changed": changed, "added": added - changed, "removed": removed - changed}
    if how != "changed":
        return _count(added + removed)
    return ", ".join(f"{_count(n)} {what}" for what, n in counts.items() if n)


def _count(rows: int) -> str:
    return f"{rows} row" if rows == 1 else f"{rows} rows"


def _dossier(before: Spec, now: Spec) -> Iterator[Change]:
    givens = {g.name: g.unit.text for g in now.model.givens}
    for name in dict.fromkeys((*before.dossier.givens, *now.dossier.givens)):
        old, new = before.dossier.givens.get(name), now.dossier.givens.get(name)
        if old != new:
            how: How = "added" if old is None else "removed" if new is None else "changed"
            yield Change("given", name, how, "", (Part("", old, new, givens.get(name, "1")),))
    told = {"givens", "observations", "tables", "file", "left_out"}
    yield from (Change("dossier", key, "changed") for key in _differing(before.dossier, now.dossier) if key not in told)


def _model(before: Spec, now: Spec) -> Iterator[Change]:
    if before.model.name != now.model.name:
        yield Change("dossier", "model", "changed", "", (Part("", before.model.name, now.model.name),))
        return
    for section in _SECTIONS:
        old, new = (_by_name(getattr(spec.model, section)) for spec in (before, now))
        for name in dict.fromkeys((*new, *old)):
            how: How = "added" if name not in old else "removed" if name not in new else "changed"
            if old.get(name) != new.get(name):
                yield Change(section, name, how)
    rest = {"name", "file", *_SECTIONS}
    yield from (Change("model", key, "changed") for key in _differing(before.model, now.model) if key not in rest)


def _by_name(entries: Iterable[Any]) -> dict[str, Any]:
    return {getattr(entry, "name", None) or entry.title: entry for entry in entries}


def _differing(before: Any, now: Any) -> list[str]:
    return [f.name for f in fields(before) if getattr(before, f.name) != getattr(now, f.name)]


# --- of two posteriors --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Chance:
    """How probable a claim is, or that a hypothesis is the true one."""

    name: str
    says: str
    kind: Literal["claim", "hypothesis"]
    probability: Probability


@dataclass(frozen=True, slots=True)
class Level:
    """A quantity in its unit, with the Monte Carlo errors of its median and of the width of its interval. [unit]"""

    name: str
    unit: str
    spread: Spread
    median_mcse: float
    width_mcse: float


@dataclass(frozen=True)
class Standing:
    """What is held of the claims, the rival hypotheses and the quantities that the model shows first."""

    chances: tuple[Chance, ...]
    levels: tuple[Level, ...]


@dataclass(frozen=True, slots=True)
class ChanceMove:
    """A probability before and now; ``before`` is None where it was not asked for. ``shift`` [1] is now less before.

    ``moved`` says that it differs by more than three Monte Carlo errors of the difference, and by what can be printed.
    """

    name: str
    says: str
    kind: Literal["claim", "hypothesis"]
    before: Probability | None
    now: Probability
    shift: float
    moved: bool


@dataclass(frozen=True, slots=True)
class LevelMove:
    """A quantity before and now, in its unit; ``before`` is None where it was not in the model.

    ``shift`` [unit] is the median now less that before, ``width_ratio`` [1] the interval's width now over that before.
    ``moved`` and ``width_moved`` say that they differ by more than three Monte Carlo errors of the difference.
    """

    name: str
    unit: str
    before: Spread | None
    now: Spread
    shift: float
    moved: bool
    width_ratio: float
    width_moved: bool


@dataclass(frozen=True)
class Moves:
    """Everything that is followed, before and now."""

    chances: tuple[ChanceMove, ...]
    levels: tuple[LevelMove, ...]


def standing(posterior: Posterior) -> Standing:
    """What is held after the evidence."""
    return _standing(posterior, posterior.fits, posterior.weights.posterior, posterior.weights.replicates)


def prior_standing(posterior: Posterior) -> Standing:
    """What was held before any evidence."""
    return _standing(posterior, posterior.priors, posterior.weights.prior, None)


def recorded_standing(spec: Spec, assessment: Assessment, draws: Mapping[str, Floats]) -> Standing:
    """What is held after the evidence, from what a run recorded.

    Errors of medians and widths are those of the draws that are recorded, of which there are fewer than were drawn, and
    so at most somewhat larger than ``standing`` has them.

    Parameters
    ----------
    draws : mapping of name to array, dims ("draw",)
        Of every quantity, over the hypotheses, and ``hypothesis``, which each is of.
    """
    known, errors = {q.name: q for q in assessment.quantities}, [h.mcse for h in assessment.hypotheses]
    levels = tuple(_recorded_level(known[name], draws[name], draws["hypothesis"], errors) for name in leading(spec))
    return Standing(recorded_chances(assessment), levels)


def recorded_chances(assessment: Assessment) -> tuple[Chance, ...]:
    """How probable every claim was when a run was recorded, and every hypothesis where there are any."""
    claims = [Chance(v.claim, v.says, "claim", v.posterior) for v in assessment.verdicts if v.kind == "claim"]
    rivals = [Chance(h.name, h.says, "hypothesis", Probability(h.posterior, h.mcse)) for h in assessment.hypotheses]
    return (*claims, *(rivals if [h.name for h in assessment.hypotheses] != [AS_STATED] else ()))


def _recorded_level(q: QuantitySummary, mixed: Floats, owner: Floats, weight_errors: Sequence[float]) -> Level:
    edge, finite = (1 - INTERVAL_PROBABILITY) / 2, np.isfinite(mixed)

    def error(share: float) -> float:
        below = (mixed <= np.quantile(mixed[finite], share)).astype(np.float64)
        own = {str(k): below[finite & (owner == k)] for k in range(len(weight_errors))}
        weighed = [e * (b.mean() - share) for e, b in zip(weight_errors, own.values(), strict=True) if len(b)]
        enough = {k: b[None] for k, b in own.items() if len(b) >= _FEWEST}
        weights = np.array([b.size for b in enough.values()]) / finite.sum()
        return _half_way(mixed[finite], share, math.hypot(probability(enough, weights, None)[1], *weighed))

    lower, median, upper = (error(share) for share in (edge, 0.5, 1 - edge))
    return Level(q.name, q.unit, q.posterior, median, math.hypot(lower, upper))


def _half_way(finite: Floats, share: float, mcse: float) -> float:
    """Half of how far a quantile moves when its probability moves by one Monte Carlo error either way."""
    lower, upper = np.quantile(finite, np.clip([share - mcse, share + mcse], 0, 1))
    return float(upper - lower) / 2


def moves(before: Standing, now: Standing) -> Moves:
    """How two standings differ, entry by entry as the second one has them."""
    chances = {(c.kind, c.name): c.probability for c in before.chances}
    levels = {(q.name, q.unit): q for q in before.levels}
    return Moves(
        tuple(_chance_move(c, chances.get((c.kind, c.name))) for c in now.chances),
        tuple(_level_move(q, levels.get((q.name, q.unit))) for q in now.levels),
    )


def _chance_move(now: Chance, before: Probability | None) -> ChanceMove:
    here = now.probability
    if before is None:
        return ChanceMove(now.name, now.says, now.kind, None, here, math.nan, moved=False)
    shift = max((now - was for now, was in zip(here.span, before.span, strict=True)), key=abs)
    moved = abs(shift) > max(ERRORS * math.hypot(error_of(here), error_of(before)), _LEAST)
    return ChanceMove(now.name, now.says, now.kind, before, here, shift, moved)


def error_of(p: Probability) -> float:
    """The error of a probability; where every draw agrees, so much that the bound lies at the limit of a move."""
    if math.isfinite(p.mcse):
        return p.mcse
    bound = p.at_most if p.at_most is not None else 1 - p.at_least if p.at_least is not None else 0.0
    return bound / ERRORS


def _level_move(now: Level, before: Level | None) -> LevelMove:
    here = now.spread
    if before is None:
        return LevelMove(now.name, now.unit, None, here, math.nan, moved=False, width_ratio=math.nan, width_moved=False)
    was = before.spread
    shift, width, was_width = here.median - was.median, here.upper - here.lower, was.upper - was.lower
    return LevelMove(
        now.name,
        now.unit,
        was,
        here,
        shift,
        moved=abs(shift) > ERRORS * math.hypot(now.median_mcse, before.median_mcse),
        width_ratio=width / was_width if was_width > 0 else math.nan,
        width_moved=abs(width - was_width) > ERRORS * math.hypot(now.width_mcse, before.width_mcse),
    )


# --- what is held -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Mixture:
    """Draws of every hypothesis, and how much each weighs."""

    fits: Mapping[str, Fit]
    weights: Floats
    replicates: Floats | None

    def chance(self, claim: Claim) -> Probability:
        """A claim's probability, and what draws leave open of it in which it has no value."""
        return Probability.between(self._share(claim, holds), self._share(claim, may_hold))

    def _share(self, claim: Claim, truth: Callable[[Claim, Quantities], Floats]) -> Probability:
        values = {h: truth(claim, fit.quantities) for h, fit in self.fits.items()}
        found = probability(values, self.weights, self.replicates)
        return _bounded(found, lambda h, _: values[h], self.fits, self.weights)

    def level(self, name: str, unit: str, mixed: Floats) -> Level:
        edge = (1 - INTERVAL_PROBABILITY) / 2
        lower, median, upper = (self._quantile_mcse(name, mixed, share) for share in (edge, 0.5, 1 - edge))
        return Level(name, unit, spread_of(mixed), median, math.hypot(lower, upper))

    def _quantile_mcse(self, name: str, mixed: Floats, share: float) -> float:
        finite = mixed[np.isfinite(mixed)]
        edge = float(np.quantile(finite, share))
        below = {h: (fit.quantities[name] <= edge).astype(np.float64) for h, fit in self.fits.items()}
        _, mcse = probability(below, self.weights, self.replicates)
        return _half_way(finite, share, mcse)


def _standing(posterior: Posterior, fits: Mapping[str, Fit], weights: Floats, replicates: Floats | None) -> Standing:
    spec, mixture = posterior.spec, _Mixture(fits, weights, replicates)
    mixed = posterior.prior_mixture if replicates is None else posterior.mixture
    claims = [Chance(c.name, c.says, "claim", mixture.chance(c)) for c in spec.model.claims]
    errors = posterior.weights.mcse if replicates is not None else np.zeros(len(weights))
    rivals = [
        Chance(h.name, h.says, "hypothesis", Probability(float(w), float(e)))
        for h, w, e in zip(spec.hypotheses, weights, errors, strict=True)
    ]
    levels = tuple(mixture.level(name, spec.unit(name).text, mixed[name]) for name in leading(spec))
    return Standing((*claims, *(rivals if spec.has_rivals else ())), levels)


def leading(spec: Spec) -> list[str]:
    """The quantities that the model shows first, each member by itself; all that are no givens where it names none."""
    whole = spec.model.leading or [n for n, q in spec.model.quantities.items() if not isinstance(q, Given)]
    return [name for name in spec.quantities if name.partition("[")[0] in whole]
