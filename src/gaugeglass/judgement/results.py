"""What judgement says, as frozen types: every number that a report prints stands in one of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

DOUBT = 0.05
"""Unanimous draws bound a probability at this level: ``1 - doubt ** (1 / effective draws)``. [1]"""
INTERVAL_PROBABILITY = 0.9
"""The probability of every credible interval that is printed; the kind is equal-tailed."""

WHERE_OPEN = {"where_open": True}
"""Of a field that documents leave out where it is None: what there is just of claims without a value in some draws."""

type Identified = Literal["identified", "partly", "not identified", "given"]


@dataclass(frozen=True, slots=True)
class Spread:
    """A distribution in five numbers [unit]: mean, sd, median and an equal-tailed 90 % credible interval.

    ``no_value`` [1] is the share of draws that have no value, which all five leave out.
    """

    mean: float
    sd: float
    median: float
    lower: float
    upper: float
    no_value: float = 0.0


@dataclass(frozen=True, slots=True)
class QuantitySummary:
    """One quantity before and after the evidence, in its unit.

    ``mcse`` [unit] is the Monte Carlo standard error of the posterior mean. ``ratio`` [1] is posterior over prior
    sd; ``sharp_ratio`` [1] is the same were every reading a hundred times sharper: what then stays wide is not
    identified by these methods. Both are NaN where the prior has no spread.
    """

    name: str
    about: str
    unit: str
    kind: Literal["given", "latent", "relation"]
    prior: Spread
    posterior: Spread
    mcse: float
    ratio: float
    sharp_ratio: float
    identified: Identified
    by_hypothesis: Mapping[str, Spread] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class HypothesisSummary:
    """One rival explanation before and after the evidence.

    ``log_evidence`` [nat] is the log marginal likelihood of all readings under it and ``log_evidence_mcse`` its
    Monte Carlo error; ``misfit`` [1] the probability that readings simulated under it scatter at least as far from
    their predictions as the observed ones do.
    """

    name: str
    says: str
    prior: float
    posterior: float
    mcse: float
    log_evidence: float
    log_evidence_mcse: float
    misfit: float


@dataclass(frozen=True, slots=True)
class Probability:
    """A probability with its Monte Carlo error [1].

    ``at_least`` and ``at_most`` bound it where every draw agrees (else None): 0 and 1 are never printed. ``no_value``
    [1] is the share of draws in which what is asked is neither true nor false, since something that it rests on has no
    value there; ``value`` counts those as false. Where they are more than Monte Carlo error they bound it too.
    """

    value: float
    mcse: float
    at_least: float | None = None
    at_most: float | None = None
    no_value: float = 0.0

    @staticmethod
    def between(low: Probability, high: Probability) -> Probability:
        """Of what surely holds with low and may hold with high; bounds where that is more than Monte Carlo error."""
        no_value = max(high.value - low.value, 0.0)
        known = [p.mcse for p in (low, high) if math.isfinite(p.mcse)]
        if low.ends == (low.value, low.value) and no_value <= max(known, default=0.0):
            return replace(low, no_value=no_value)
        least, most = min(*low.ends, *high.ends), max(*low.ends, *high.ends)
        is_open = (least, most) == (0.0, 1.0)
        at_least, at_most = (least if least > 0 or is_open else None), (most if most < 1 or is_open else None)
        return Probability(low.value, max(known, default=math.nan), at_least, at_most, no_value)

    @property
    def is_between(self) -> bool:
        """Whether draws without a value leave more of it open than Monte Carlo error does."""
        return self.no_value > 0 and (self.at_least, self.at_most) != (None, None)

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the greatest that it may be, but for Monte Carlo error: the value, where nothing bounds it."""
        if self.at_least is None and self.at_most is None:
            return self.value, self.value
        return self.at_least or 0.0, 1.0 if self.at_most is None else self.at_most

    @property
    def span(self) -> tuple[float, float]:
        """The least and the greatest that draws without a value leave open; the value, twice, where they leave none."""
        return self.ends if self.is_between else (self.value, self.value)


@dataclass(frozen=True, slots=True)
class Words:
    """The published phrase for a probability and the band it stands for (ICD 203); none outside 1 to 99 %.

    Where draws without a value leave the probability open, from the phrase of its least to that of its greatest.
    """

    phrase: str
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class WidthPoint:
    """The verdict with one prior narrowed or widened by ``factor`` on its unconstrained scale, median kept.

    ``weighted`` lists the hypotheses of which importance weights of the draws at hand replaced a refit, each with the
    Pareto k of their tail [1]; where the factor is 1, nothing had to be replaced. Where draws without a value leave
    more of the probability open than Monte Carlo error does, it is at least ``probability`` and ``at_most`` that.
    """

    factor: float
    probability: float
    mcse: float
    bayes_factor: float
    weighted: Mapping[str, float] = field(default_factory=dict)
    at_most: float | None = field(default=None, metadata=WHERE_OPEN)

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the greatest that the probability may be, but for Monte Carlo error."""
        return self.probability, self.probability if self.at_most is None else self.at_most


@dataclass(frozen=True, slots=True)
class WidthCurve:
    """A verdict over the width of the prior that it hinges on most.

    ``stands_from`` and ``stands_to`` are the least and greatest factor computed, around 1, over which the
    probability is not seen elsewhere than where the factor is 1, by two Monte Carlo errors: on the other side of the
    claim's threshold or, as far as draws without a value leave it open, on both.
    """

    latent: str
    points: tuple[WidthPoint, ...]
    stands_from: float
    stands_to: float

    @property
    def is_open(self) -> bool:
        """Whether draws without a value leave the probability open at any width."""
        return any(p.at_most is not None for p in self.points)


@dataclass(frozen=True, slots=True)
class Conditional:
    """A claim under one hypothesis; ``settled`` where the hypothesis decides it by definition."""

    probability: Probability
    settled: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """How probable a claim is and what that rests on.

    ``bayes_factor`` [1] is posterior odds over prior odds; None where it is settled by definition, where every
    draw agrees, where draws without a value leave either open, or where there is no curve to print beside it.
    ``lowest`` and ``highest`` [1] are the range of the probability over the widths tried, of all that is left open.
    """

    claim: str
    says: str
    kind: Literal["claim", "hypothesis"]
    threshold: float
    prior: Probability
    posterior: Probability
    words: Words | None
    by_hypothesis: Mapping[str, Conditional]
    settled: bool
    bayes_factor: float | None
    curve: WidthCurve | None
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One observation against its posterior prediction, in the unit of its method.

    ``lower`` and ``upper`` bound the reading (equal for a point, None where open);
    ``u`` is what it states; ``predicted`` is the distribution
    of the reading itself, scatter included; ``tail`` [1] the two-sided posterior predictive probability of a reading
    at least as far out. What is set aside has neither, and ``aside`` says why. ``wrong`` [1] is the probability that a
    graded reading is simply wrong, ``bases`` [1] that of each basis where it is open. A table is one row: ``rows`` of
    it count, ``outside`` [1] is the share of them with a tail below 10 %.
    """

    id: str
    method: str
    about: str
    unit: str
    stated: str
    value: float
    lower: float | None
    upper: float | None
    u: float | None
    origin: str | None
    date: str
    source: str
    url: str
    note: str
    private: bool
    withdrawn: str | None
    predicted: Spread | None
    tail: float | None
    aside: str | None = None
    grade: str | None = None
    wrong: float | None = None
    bases: Mapping[str, float] = field(default_factory=dict)
    rows: int | None = None
    outside: float | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that a run concluded about one subject.

    ``sentence`` is the verdict on the leading claim in one quotable sentence. ``fits_badly`` says that even the best
    explanation fails its predictive check, which opens the sentence.
    """

    subject: str
    sentence: str
    fits_badly: bool
    verdicts: tuple[Verdict, ...]
    hypotheses: tuple[HypothesisSummary, ...]
    quantities: tuple[QuantitySummary, ...]
    ledger: tuple[LedgerRow, ...]
    not_identified: tuple[str, ...]
