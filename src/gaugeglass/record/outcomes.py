"""What was claimed against what came out: the run that was the latest before a truth was known, scored."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from gaugeglass.errors import StoreError
from gaugeglass.judgement import scores
from gaugeglass.judgement.results import Probability, Verdict
from gaugeglass.judgement.scores import Bin, Decomposition
from gaugeglass.language.spec import Spec, Truth
from gaugeglass.language.truths import follows
from gaugeglass.record import runs
from gaugeglass.record.histories import spec_of, told_by
from gaugeglass.record.runs import Run

FEW_CLAIMS, FEW_DOSSIERS = 30, 10
"""Counts below which scores say little of how well anyone is calibrated: our convention. [1]"""

type Known = Literal["stated", "follows"]


@dataclass(frozen=True, slots=True)
class ClaimOutcome:
    """A claim and what came of it.

    ``scored`` [1] is the probability that is scored: that of ``held``, or the bound where every draw agrees. ``known``
    says whether the dossier states what came of it, or whether that follows from the numbers it states. ``brier`` [1]
    and ``log_score`` [nat] are better the lower; ``prior_brier`` and ``prior_log_score`` are those of what was held
    before the evidence.
    """

    dossier: str
    claim: str
    says: str
    held: Probability
    scored: float
    is_bound: bool
    came_true: bool
    known: Known
    brier: float
    log_score: float
    prior: float
    prior_brier: float
    prior_log_score: float


@dataclass(frozen=True, slots=True)
class HypothesisOutcome:
    """The hypotheses of a dossier, of which one was true; ``brier`` [1] counts them all, and goes from 0 to 2."""

    dossier: str
    true: str
    count: int
    scored: float
    prior: float
    brier: float
    log_score: float
    prior_brier: float
    prior_log_score: float


@dataclass(frozen=True, slots=True)
class QuantityOutcome:
    """A quantity and its true value, in its unit.

    ``lower`` and ``upper`` are the interval that was printed, and ``covered`` whether the truth is within. ``crps`` and
    ``prior_crps`` [unit] are scores of the draws, ``rank`` [1] the share of draws below the truth.
    """

    dossier: str
    quantity: str
    unit: str
    truth: float
    median: float
    lower: float
    upper: float
    covered: bool
    crps: float
    prior_crps: float
    rank: float


@dataclass(frozen=True)
class DossierOutcome:
    """One dossier whose truth is known: the run that is scored, which runs that is the latest of, and what is left out.

    ``left`` says of a name why it was not scored.
    """

    dossier: str
    subject: str
    run: str
    digest: str
    created: str
    known: str
    source: str
    claims: tuple[ClaimOutcome, ...]
    hypotheses: HypothesisOutcome | None
    quantities: tuple[QuantityOutcome, ...]
    left: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean score of so many, beside that of what was held before the evidence."""

    count: int
    score: float
    prior: float


@dataclass(frozen=True)
class Outcomes:
    """Every dossier that was scored, and why others were not."""

    dossiers: tuple[DossierOutcome, ...]
    unscored: tuple[tuple[str, str], ...] = ()

    @property
    def claims(self) -> tuple[ClaimOutcome, ...]:
        """The claims of all dossiers."""
        return tuple(c for d in self.dossiers for c in d.claims)

    @property
    def hypotheses(self) -> tuple[HypothesisOutcome, ...]:
        """The hypotheses of all dossiers that say which was true."""
        return tuple(d.hypotheses for d in self.dossiers if d.hypotheses is not None)

    @property
    def quantities(self) -> tuple[QuantityOutcome, ...]:
        """The quantities of all dossiers."""
        return tuple(q for d in self.dossiers for q in d.quantities)

    @property
    def brier(self) -> Mean | None:
        """Mean Brier score of the claims; None where there are none. [1]"""
        return _mean([(c.brier, c.prior_brier) for c in self.claims])

    @property
    def log_score(self) -> Mean | None:
        """Mean log score of the claims; None where there are none. [nat]"""
        return _mean([(c.log_score, c.prior_log_score) for c in self.claims])

    @property
    def brier_of_hypotheses(self) -> Mean | None:
        """Mean Brier score of the hypotheses of a dossier; None where there are none. [1]"""
        return _mean([(h.brier, h.prior_brier) for h in self.hypotheses])

    @property
    def log_score_of_hypotheses(self) -> Mean | None:
        """Mean log score of the hypotheses of a dossier; None where there are none. [nat]"""
        return _mean([(h.log_score, h.prior_log_score) for h in self.hypotheses])

    @property
    def parts(self) -> Decomposition | None:
        """The parts of the claims' mean Brier score; None of so few claims that chance would be most of each."""
        return scores.decomposition(*self._said) if len(self.claims) >= FEW_CLAIMS else None

    @property
    def bins(self) -> tuple[Bin, ...]:
        """Of each class of probability, how many of its claims came true."""
        return scores.bins(*self._said) if self.claims else ()

    @property
    def crps_ratio(self) -> float:
        """Geometric mean of the quantities' scores over those of their priors; NaN where there are none. [1]"""
        ratios = [q.crps / q.prior_crps for q in self.quantities if q.crps > 0 and q.prior_crps > 0]
        return math.exp(sum(map(math.log, ratios)) / len(ratios)) if ratios else math.nan

    @property
    def covered(self) -> int:
        """How many quantities were within their printed intervals."""
        return sum(q.covered for q in self.quantities)

    @property
    def is_few(self) -> bool:
        """Whether there are so few claims or dossiers that the means say little."""
        return len(self.claims) < FEW_CLAIMS or len(self.dossiers) < FEW_DOSSIERS

    @property
    def _said(self) -> tuple[list[float], list[bool]]:
        return [c.scored for c in self.claims], [c.came_true for c in self.claims]


def _mean(pairs: Sequence[tuple[float, float]]) -> Mean | None:
    if not pairs:
        return None
    own, prior = (sum(column) / len(pairs) for column in zip(*pairs, strict=True))
    return Mean(len(pairs), own, prior)


# --- which run ----------------------------------------------------------------------------------------------


def begins(date: str) -> str:
    """The first day that a date, a month or a year may mean."""
    return date + "-01-01"[-(10 - len(date)) :] if len(date) < len("2026-01-01") else date


def today() -> str:
    """The date that it is here, as where dates of the files are held against it."""
    return datetime.date.today().isoformat()


def run_before(reports: Path, dossier: str, date: str) -> Path | None:
    """The folder of a dossier's latest run that was made before a date; of all where the date is empty.

    A run that was made on the day itself is not before it, nor is one within a month or a year that is all that is
    stated. Alternatives and public forms are never scored.
    """
    found = runs.listing(reports, dossier)
    if date:
        found = tuple(folder for folder in found if _created(folder) < begins(date))
    return found[-1] if found else None


def _created(folder: Path) -> str:
    """The day on which a run was made, as its record says, in universal time."""
    try:
        made = datetime.datetime.fromisoformat(str(told_by(folder).get("created")))
    except ValueError as problem:
        raise StoreError(f"{folder / 'run.json'} is damaged: {problem}") from problem
    return made.astimezone(datetime.UTC).date().isoformat()


# --- scoring ------------------------------------------------------------------------------------------------


def score(dossiers: Sequence[tuple[Spec, Path]]) -> Outcomes:
    """Score dossiers, each beside the folder of reports that holds its runs.

    Raises
    ------
    StoreError
        If a run that is to be scored is damaged.
    """
    found, unscored = [], []
    for spec, reports in dossiers:
        name, truth = spec.dossier.name, spec.dossier.truth
        if not truth:
            unscored.append((name, "states no truth"))
            continue
        if truth.date and begins(truth.date) > today():
            unscored.append((name, f"states a truth of {truth.date}, which is not known yet"))
            continue
        folder = run_before(reports, name, truth.date)
        if folder is None:
            before = f" made before {truth.date}, when the truth was known" if truth.date else ""
            unscored.append((name, f"has no run{before}"))
            continue
        found.append(outcome(runs.read(folder), spec))
    return Outcomes(tuple(found), tuple(unscored))


def outcome(run: Run, spec: Spec) -> DossierOutcome:
    """Score one run against the truth that a dossier states today."""
    truth, then = spec.dossier.truth, spec_of(run)
    left: list[tuple[str, str]] = []
    return DossierOutcome(
        dossier=spec.dossier.name,
        subject=run.assessment.subject,
        run=run.name,
        digest=run.digest,
        created=str(run.about["created"]),
        known=truth.date,
        source=truth.source.title,
        claims=tuple(_claims(run, then, spec, left)),
        hypotheses=_hypotheses(run, truth, spec.dossier.name, left),
        quantities=tuple(_quantities(run, truth, spec, left)),
        left=tuple(left),
    )


def _claims(run: Run, then: Spec | None, now: Spec, left: list[tuple[str, str]]) -> Iterator[ClaimOutcome]:
    """Every claim of the run of which it is known what came of it, where it still is the claim that it was."""
    truth, known = now.dossier.truth, {**now.givens, **now.dossier.truth.quantities}
    verdicts = {v.claim: v for v in run.assessment.verdicts if v.kind == "claim"}
    left += [(name, "it is not in the run that is scored") for name in truth.claims if name not in verdicts]
    today, defined = ({c.name: c for c in spec.model.claims} for spec in (now, then or now))
    for name, v in verdicts.items():
        claim = today.get(name)
        stated = truth.claims.get(name)
        came = stated if stated is not None or claim is None else follows(claim, known)
        if came is None:
            continue
        if claim is None or name not in defined or claim.holds != defined[name].holds:
            left.append((name, "it is defined otherwise than in the run that is scored"))
            continue
        yield _claim(now.dossier.name, v, came, "follows" if stated is None else "stated")


def _claim(dossier: str, v: Verdict, came: bool, known: Known) -> ClaimOutcome:
    p, prior = scores.scored(v.posterior), scores.scored(v.prior)
    is_bound = v.posterior.at_least is not None or v.posterior.at_most is not None
    own, before = ((scores.brier(q, came), scores.log_score(q, came)) for q in (p, prior))
    return ClaimOutcome(dossier, v.claim, v.says, v.posterior, p, is_bound, came, known, *own, prior, *before)


def _hypotheses(run: Run, truth: Truth, dossier: str, left: list[tuple[str, str]]) -> HypothesisOutcome | None:
    rivals, true = run.assessment.hypotheses, truth.hypothesis
    if true is None:
        return None
    place = next((k for k, h in enumerate(rivals) if h.name == true), None)
    if place is None or len(rivals) < 2:
        left.append((true, "it is no hypothesis of the run that is scored"))
        return None
    held, prior = [h.posterior for h in rivals], [h.prior for h in rivals]
    own, before = ((scores.brier_of_many(p, place), scores.log_score(p[place], came_true=True)) for p in (held, prior))
    return HypothesisOutcome(dossier, true, len(rivals), held[place], prior[place], *own, *before)


def _quantities(run: Run, truth: Truth, now: Spec, left: list[tuple[str, str]]) -> Iterator[QuantityOutcome]:
    summaries = {q.name: q for q in run.assessment.quantities}
    before, after = run.draws() if truth.quantities else ({}, {})
    for name, value in truth.quantities.items():
        q = summaries.get(name)
        if q is not None and "given" in (q.kind, q.identified):  # relations of givens alone too
            left.append((name, "it is stated, not predicted"))
        elif q is None or name not in after:
            left.append((name, "it is no quantity that was inferred in the run that is scored"))
        elif q.unit != now.unit(name).text:
            left.append((name, f"it has another unit than in the run that is scored, where it was {q.unit}"))
        else:
            spread = q.posterior
            is_in = spread.lower <= value <= spread.upper
            own, prior = (scores.crps(draws[name], value) for draws in (after, before))
            yield QuantityOutcome(
                now.dossier.name, name, q.unit, value, spread.median, spread.lower, spread.upper, is_in, own, prior,
                scores.rank(after[name], value),
            )  # fmt: skip
