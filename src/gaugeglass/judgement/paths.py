"""What each changed input did to every claim: refits along a path from one Spec to another.

Inputs are changed one after the other, and each step's share is the difference that it makes where it stands on the
path, so that the shares add up to the whole. They depend on the order. It is fixed, and beside each share stands what
the change does by itself (first of all) and what it does where all others are made (last of all): a share that depends
on the order differs from these.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from gaugeglass.inference.posterior import Posterior, Progress, infer, reinfer
from gaugeglass.judgement.moves import Chance, Change, Standing, changes, error_of, infers_alike, standing
from gaugeglass.judgement.results import Probability
from gaugeglass.language.spec import Dossier, Observation, Spec

DRAWS = 2000
"""Draws a chain of a refit, of four chains. [1]"""
MOST_RANGED = 12
"""Steps up to which each is also made first of all and last of all: two more refits a step. [1]"""
REST = "the rest"
_OF_DOSSIER = ("observation", "table", "given", "dossier")

type Key = tuple[str, str]
"""The place and the name of a change, as ``moves.Change`` has them; ``("model", "")`` is the model as a whole."""

MODEL: Key = ("model", "")


@dataclass(frozen=True)
class Step:
    """One changed input: an observation, a table, a given, a key of the dossier, or the model with what hangs on it.

    ``date`` is when it became known, as far as the files say: that of an observation that was added, or the day on
    which one was withdrawn; empty else. ``entered`` is the name of the first run between the two from which on it is as
    in the second; empty where none has it.
    """

    name: str
    place: str
    changes: tuple[Change, ...]
    date: str = ""
    entered: str = ""

    @property
    def keys(self) -> frozenset[Key]:
        """What is taken from the second Spec."""
        return frozenset(_key(c) for c in self.changes)


@dataclass(frozen=True, slots=True)
class Shift:
    """How far a probability goes: the difference, that of the log odds [nat], and their Monte Carlo errors.

    Log odds are NaN where every draw agrees at either end, for then there is only a bound. Of a claim that draws
    without a value leave open they are of the least that its probability may be.
    """

    probability: float
    mcse: float
    log_odds: float
    log_odds_mcse: float


@dataclass(frozen=True, slots=True)
class Share:
    """What one step does to one claim: on the path, made first of all, and made last of all (None: not reckoned)."""

    step: str
    on_path: Shift
    first: Shift | None
    last: Shift | None


@dataclass(frozen=True, slots=True)
class Attribution:
    """How one claim, or the weight of one hypothesis, came from what it was to what it is; ``whole`` sums the path."""

    name: str
    says: str
    kind: Literal["claim", "hypothesis"]
    before: Probability
    after: Probability
    whole: Shift
    shares: tuple[Share, ...]


@dataclass(frozen=True)
class Path:
    """The steps from one Spec to another, in order, and what each does to every claim that both have.

    Without any step nothing is inferred, and there are no attributions.
    ``unused`` is what became of the files and moves no inference. ``refits`` [1] is how many there were.
    """

    steps: tuple[Step, ...]
    unused: tuple[Change, ...]
    attributions: tuple[Attribution, ...]
    seed: int
    draws: int
    refits: int


def attribute(
    before: Spec, after: Spec, *, between: Sequence[tuple[str, Spec]] = (), seed: int = 1, draws: int = DRAWS,
    progress: Progress | None = None,
) -> Path:  # fmt: skip
    """Refit along the path from one Spec to another, in the order in which its steps became known.

    What a run between the two had first comes first. Of what came with one run, the model comes first, as one step;
    then what has no date, in the order of the file; then observations by the day on which they were made or withdrawn,
    and by the order of the file within one.

    Parameters
    ----------
    between
        Runs between the two, in their order: the name of each and its Spec.
    draws
        Draws a chain of each refit, of four chains. [1]

    Raises
    ------
    InferenceError
        If a refit's diagnostics stay out of limits.
    """
    before, after = without_left_out(before), without_left_out(after)
    found, unused = steps(before, after, between)
    if not found:
        return Path((), unused, (), seed, draws, 0)
    tell = progress or (lambda what, share: None)
    refits = _Refits(before, after, found, seed, draws, tell)
    path = [refits.at(range(k)) for k in range(len(found) + 1)]
    is_ranged = len(found) <= MOST_RANGED
    alone = [refits.at([k]) if is_ranged else None for k in range(len(found))]
    others = [refits.at([j for j in range(len(found)) if j != k]) if is_ranged else None for k in range(len(found))]
    return Path(found, unused, tuple(_attributions(found, path, alone, others)), seed, draws, len(refits.known))


# --- steps --------------------------------------------------------------------------------------------------


def steps(
    before: Spec, after: Spec, between: Sequence[tuple[str, Spec]] = ()
) -> tuple[tuple[Step, ...], tuple[Change, ...]]:
    """The steps from one Spec to another in their order, and the changes that no inference uses."""
    changed = changes(before, after)
    of_model = [c for c in changed if _key(c) == MODEL]
    hanging = [c for c in changed if of_model and _key(c) != MODEL and _hangs_on_model(c, before, after)]
    every = [_step(c, after) for c in changed if c not in of_model and c not in hanging]
    if of_model:
        every.append(Step("the model", "model", (*of_model, *hanging)))
    runs = [name for name, _ in between]
    known = [replace(step, entered=_entered(step, after, between)) for step in every]
    used = [step for step in known if _is_used(step, known, before, after)]
    order = {name: k for k, name in enumerate(_order(before, after))}
    turn = {name: k for k, name in enumerate((*runs, ""))}
    used.sort(key=lambda s: (turn[s.entered], s.place != "model", s.date, order.get(s.name, -1)))
    whole = {key for step in used for key in step.keys}
    unused = tuple(c for step in known if step not in used for c in step.changes)
    if not _alike(compose(before, after, whole), after):
        used.append(Step(REST, "dossier", unused or changed))
    return tuple(used), unused


def without_left_out(spec: Spec) -> Spec:
    """The same evidence in a Spec that lists nothing else that an alternative leaves out."""
    dossier, gone = spec.dossier, spec.dossier.left_out
    observations = tuple(o for o in dossier.observations if o.id not in gone)
    tables = tuple(replace(t, rows=tuple(o for o in t.rows if o.id not in gone)) for t in dossier.tables)
    return replace(spec, dossier=replace(dossier, observations=observations, tables=tables, left_out=frozenset()))


def compose(before: Spec, after: Spec, keys: Collection[Key]) -> Spec:
    """The first Spec with what ``keys`` name from the second; correlations of what does not count are left out."""
    observations = _taken(before.dossier.observations, after.dossier.observations, "observation", keys)
    tables = _taken(before.dossier.tables, after.dossier.tables, "table", keys)
    givens = {n: v for n, v in before.dossier.givens.items() if ("given", n) not in keys}
    givens |= {n: v for n, v in after.dossier.givens.items() if ("given", n) in keys}
    rest = {f.name: getattr(after.dossier, f.name) for f in fields(Dossier) if ("dossier", f.name) in keys}
    dossier = replace(before.dossier, observations=observations, tables=tables, givens=givens, **rest)
    return _with_counted_correlations(Spec(after.model if MODEL in keys else before.model, dossier))


def _with_counted_correlations(spec: Spec) -> Spec:
    counted = {o.id for o in spec.evidence}
    kept = tuple(c for c in spec.dossier.correlations if counted.issuperset(c.between))
    return replace(spec, dossier=replace(spec.dossier, correlations=kept))


def _taken(old: Iterable[Any], new: Iterable[Any], place: str, keys: Collection[Key]) -> tuple[Any, ...]:
    """Entries in the order of the first Spec, those of ``keys`` as the second has them, and its own at the end."""
    later = {entry.id: entry for entry in new}
    known: set[str] = set()
    found: list[Any] = []
    for entry in old:
        known.add(entry.id)
        if (place, entry.id) not in keys:
            found.append(entry)
        elif entry.id in later:
            found.append(later[entry.id])
    return (*found, *(e for e in later.values() if e.id not in known and (place, e.id) in keys))


def _key(change: Change) -> Key:
    is_model = change.place not in _OF_DOSSIER or (change.place, change.name) == ("dossier", "model")
    return MODEL if is_model else (change.place, change.name)


def _step(change: Change, after: Spec) -> Step:
    name = change.name if change.place == "observation" else f"{change.place} {change.name}"
    return Step(name, change.place, (change,), _known_since(change, after) if change.place == "observation" else "")


def _known_since(change: Change, after: Spec) -> str:
    """When it became known what became of an observation: nothing says when one was corrected or taken out."""
    o = next((o for o in after.dossier.observations if o.id == change.name), None)
    if o is not None and change.how == "withdrawn" and o.withdrawn is not None:
        return o.withdrawn.date
    return o.date if o is not None and change.how == "added" else ""


def _entered(step: Step, after: Spec, between: Sequence[tuple[str, Spec]]) -> str:
    """The name of the first run from which on all that a step changes is as in the second Spec; empty if of none."""
    since = ""
    for name, spec in reversed(between):
        if any(_entry(spec, key) != _entry(after, key) for key in step.keys):
            break
        since = name
    return since


def _entry(spec: Spec, key: Key) -> Any:
    """What a Spec has under a key of a step, wherever its files are; None where it has nothing."""
    place, name = key
    if key == MODEL:
        return replace(spec.model, file="")
    if place == "given":
        return spec.dossier.givens.get(name)
    if place == "dossier":
        return getattr(spec.dossier, name, None)
    entries = spec.dossier.observations if place == "observation" else spec.dossier.tables
    found = next((entry for entry in entries if entry.id == name), None)
    return replace(found, line=None) if isinstance(found, Observation) else found


def _order(before: Spec, after: Spec) -> Iterator[str]:
    """Names of steps as the files list them."""
    for spec in (after, before):
        yield from (f"given {name}" for name in spec.dossier.givens)
        yield from (o.id for o in spec.dossier.observations)
        yield from (f"table {t.id}" for t in spec.dossier.tables)


def _hangs_on_model(change: Change, before: Spec, after: Spec) -> bool:
    """Whether an entry can be read under its own model alone, so that it changes with the model."""
    if change.place == "given":
        own = [next((g for g in spec.model.givens if g.name == change.name), None) for spec in (before, after)]
        return own[0] != own[1]
    if change.place == "dossier":
        return before.model.groups != after.model.groups
    if change.place == "table":
        rows = [o for spec in (before, after) for t in spec.dossier.tables if t.id == change.name for o in t.rows]
        return any(_is_read_otherwise(o, before, after) for o in rows)
    listed = [o for spec in (before, after) for o in spec.dossier.observations if o.id == change.name]
    return any(_is_read_otherwise(o, before, after) for o in listed)


def _is_read_otherwise(o: Observation, before: Spec, after: Spec) -> bool:
    methods = [spec.model.method_by_name.get(o.method) for spec in (before, after)]
    grades = o.grade is not None and before.model.grades != after.model.grades
    return methods[0] != methods[1] or grades or bool(o.at and before.model.groups != after.model.groups)


def _is_used(step: Step, every: Iterable[Step], before: Spec, after: Spec) -> bool:
    """Whether an inference uses what a step changes, where it is made first or where it is made last."""
    others = {key for s in every if s is not step for key in s.keys}
    return not (
        _alike(before, compose(before, after, step.keys))
        and _alike(compose(before, after, others), compose(before, after, others | step.keys))
    )


def _alike(one: Spec, other: Spec) -> bool:
    """Whether two Specs are inferred alike, wherever they are and in whatever order they list their evidence."""
    return infers_alike(_ordered(one), _ordered(other))


def _ordered(spec: Spec) -> Spec:
    observations = tuple(sorted(spec.dossier.observations, key=lambda o: o.id))
    tables = tuple(sorted(spec.dossier.tables, key=lambda t: t.id))
    dossier = replace(spec.dossier, subject="", observations=observations, tables=tables)
    return _with_counted_correlations(replace(spec, dossier=dossier, model=replace(spec.model, file="")))


# --- refits -------------------------------------------------------------------------------------------------


class _Refits:
    """What is held with some of the steps made; each set of them is inferred once."""

    def __init__(
        self, before: Spec, after: Spec, found: tuple[Step, ...], seed: int, draws: int, tell: Progress
    ) -> None:
        self.before, self.after, self.steps = before, after, found
        self.seed, self.draws, self.tell = seed, draws, tell
        self.known: dict[frozenset[int], Standing] = {}
        self.last: Posterior | None = None

    def at(self, made: Iterable[int]) -> Standing:
        """What is held where the steps with these numbers are made."""
        numbers = frozenset(made)
        if numbers not in self.known:
            many = len(self.steps)
            most = 1 + many + (max(2 * many - 2, 0) if many <= MOST_RANGED else 0)
            self.tell(f"refitting, {len(self.known) + 1} of at most {most}", len(self.known) / most)
            self.last = self._infer(self._spec(numbers))
            self.known[numbers] = standing(self.last)
        return self.known[numbers]

    def _spec(self, numbers: frozenset[int]) -> Spec:
        if not numbers:
            return self.before
        if len(numbers) == len(self.steps):
            return self.after
        keys = {key for k in numbers for key in self.steps[k].keys}
        return compose(self.before, self.after, keys)

    def _infer(self, spec: Spec) -> Posterior:
        """From where the last refit ended, whose compiled density serves again where structures agree."""
        if self.last is None:
            return infer(spec, seed=self.seed, draws=self.draws)
        return reinfer(self.last, spec, draws=self.draws)


def _attributions(
    found: tuple[Step, ...], path: list[Standing], alone: list[Standing | None], others: list[Standing | None]
) -> Iterator[Attribution]:
    """Of every claim and hypothesis that both Specs have, and so every Spec between them."""
    named = {(c.kind, c.name) for c in path[0].chances}
    for chance in (c for c in path[-1].chances if (c.kind, c.name) in named):
        start, *_, end = way = [_held(chance, standing) for standing in path]
        shares = tuple(
            Share(
                step.name,
                shift(way[k], way[k + 1]),
                shift(start, _held(chance, one)) if (one := alone[k]) else None,
                shift(_held(chance, rest), end) if (rest := others[k]) else None,
            )
            for k, step in enumerate(found)
        )
        yield Attribution(chance.name, chance.says, chance.kind, start, end, shift(start, end), shares)


def _held(chance: Chance, standing: Standing) -> Probability:
    return next(c.probability for c in standing.chances if (c.kind, c.name) == (chance.kind, chance.name))


def shift(before: Probability, now: Probability) -> Shift:
    """How far a probability goes, with the errors of both ends."""
    error = math.hypot(error_of(before), error_of(now))
    return Shift(
        now.value - before.value,
        error,
        _log_odds(now.value) - _log_odds(before.value),
        math.hypot(_log_odds_error(before), _log_odds_error(now)),
    )


def _log_odds(p: float) -> float:
    return math.log(p / (1 - p)) if 0 < p < 1 else math.nan


def _log_odds_error(p: Probability) -> float:
    return p.mcse / (p.value * (1 - p.value)) if 0 < p.value < 1 else math.nan
