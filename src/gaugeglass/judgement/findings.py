"""What an audit finds, as frozen types: every number that is told of it stands in one of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from gaugeglass.judgement.pools import Pool
from gaugeglass.judgement.results import WHERE_OPEN, Probability, Spread

type Diagnosis = Literal["insensitive", "prior and evidence may conflict", "the prior decides"]
type Route = Literal["refit", "importance weights", "no evidence left"]

LOWEST_ODDS, HIGHEST_ODDS, ODDS_POINTS = 0.01, 100.0, 41


# --- what is left out ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Unit:
    """What is left out together: an observation, all that one origin says, or a table.

    ``ids`` are the readings of it that count; echoes of them never do.
    """

    kind: Literal["observation", "origin", "table"]
    name: str
    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WithoutHypothesis:
    """One hypothesis without a unit, and how that was found.

    ``posterior`` and ``mcse`` [1] are its probability; ``log_evidence`` and ``log_evidence_mcse`` [nat] its log
    marginal likelihood of the readings that are left, by ``evidence_route``. Where importance weights replace a refit,
    ``pareto_k`` [1] is the shape of their tail (None for a refit). ``draws`` [1] is the effective number of them;
    ``usable`` says whether a refit is within its limits.
    """

    name: str
    posterior: float
    mcse: float
    log_evidence: float
    log_evidence_mcse: float
    route: Route
    evidence_route: str
    pareto_k: float | None
    draws: float
    usable: bool


@dataclass(frozen=True, slots=True)
class Surprise:
    """How far what was left out lies from what the rest foretells.

    Of one reading, the two-sided predictive tail of it; of several, the probability that readings simulated in their
    places lie at least as far from what the rest foretells of them, by its scatter and correlations. Both are of
    readings that are right, where they may be simply wrong.
    """

    kind: Literal["tail", "misfit"]
    probability: Probability


@dataclass(frozen=True, slots=True)
class ClaimInfluence:
    """A claim's probability from the whole evidence, and without the unit."""

    claim: str
    whole: Probability
    without: Probability


@dataclass(frozen=True, slots=True)
class QuantityInfluence:
    """A leading quantity [unit] from the whole evidence, and without the unit.

    ``shift`` [1] is how far the mean moves when the unit is left out, in posterior sd of the whole; NaN where that is
    0. ``shift_mcse`` [1] is its Monte Carlo error.
    """

    quantity: str
    unit: str
    whole: Spread
    without: Spread
    shift: float
    shift_mcse: float


@dataclass(frozen=True, slots=True)
class Tipping:
    """Where the leading claim crosses its threshold as readings of a unit are shifted, nearest on one side.

    ``shift`` is in each reading's own u [1], which is held; ``value`` [unit of the method] is where one reading would
    be then (the middle of an interval or the edge of a bound), None for several. ``shift_mcse`` [1] is its Monte Carlo
    error, ``draws`` [1] the effective number of draws that stand there. ``chance`` is the predictive probability, by
    all else, of going at least so far. ``confirmed`` is the claim's probability by a refit there, where one was made.
    """

    side: Literal["below", "above"]
    shift: float
    shift_mcse: float
    value: float | None
    draws: float
    chance: Probability
    confirmed: Probability | None = None


@dataclass(frozen=True, slots=True)
class UnitFinding:
    """All that is found by leaving one unit out.

    ``wrong`` [1] is the probability that a graded reading is simply wrong, of several the expected share; None where
    none is graded. ``tipping`` has at most one value on either side; ``sought`` [own u] is the range of shifts
    searched, None where there was nothing to search, of which ``untipped`` says why.
    """

    unit: Unit
    surprise: Surprise
    claims: tuple[ClaimInfluence, ...]
    quantities: tuple[QuantityInfluence, ...]
    wrong: float | None
    tipping: tuple[Tipping, ...]
    sought: tuple[float, ...] | None
    untipped: str
    hypotheses: tuple[WithoutHypothesis, ...]


# --- pairs --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two observations that do not go together, in view of the rest.

    ``distance_first`` and ``distance_second`` [1] are how far each is from what the rest foretells, in predictive sd;
    ``correlation`` [1] is how these two distances should go together; ``log_ratio`` [nat] the log density of both less
    those of each alone; ``p_value`` [1] the chance of one at least as low.
    """

    first: str
    second: str
    distance_first: float
    distance_second: float
    correlation: float
    log_ratio: float
    p_value: float


# --- priors -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How fast a posterior moves as priors or the likelihood are raised to powers about 1.

    ``target`` is the leading claim or a leading quantity; ``to_prior`` and ``to_likelihood`` [1] are cumulative
    Jensen-Shannon distances per doubling of the power; a side is sensitive from 0.05 on. ``pareto_k`` [1] is the worse
    shape of the tails of the weights of the prior's powers.
    """

    latent: str
    target: str
    to_prior: float
    to_likelihood: float
    pareto_k: float
    diagnosis: Diagnosis


@dataclass(frozen=True, slots=True)
class PriorFindings:
    """What the priors do.

    ``conflicts`` are latents whose prior the evidence may dispute: both move a target; ``returned`` are quantities of
    which the posterior merely is the prior; ``not_identified`` those that no evidence of these kinds could tell;
    ``left`` are latents whose priors rest on quantities, which are not scaled. ``likelihood_pareto_k`` [1] is that of
    the likelihood's powers.
    """

    sensitivities: tuple[Sensitivity, ...]
    conflicts: tuple[str, ...]
    returned: tuple[str, ...]
    not_identified: tuple[str, ...]
    left: tuple[str, ...]
    likelihood_pareto_k: float


# --- hypotheses ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OddsPoint:
    """A claim's probability [1] at prior odds [1] of a hypothesis against the rest.

    Where draws without a value leave it open it is at least ``probability`` and ``at_most`` that.
    """

    odds: float
    probability: float
    at_most: float | None = field(default=None, metadata=WHERE_OPEN)

    @property
    def most(self) -> float:
        """The greatest that the probability may be."""
        return self.probability if self.at_most is None else self.at_most


@dataclass(frozen=True, slots=True)
class OddsAtMost:
    """Of the greatest that a claim's probability may be what ``OddsCurve`` has of the least."""

    under: float
    otherwise: float
    crossing: float | None


@dataclass(frozen=True, slots=True)
class OddsCurve:
    """A claim's probability over the prior odds of one hypothesis against the others, whose shares among them stay.

    ``claim`` is None where it is the hypothesis's own probability. ``under`` and ``otherwise`` [1] are the claim's
    probabilities after the evidence where the hypothesis holds and where it does not; ``log_bayes_factor`` [nat] is the
    hypothesis's against the rest, with its Monte Carlo error; ``stated`` [1] are the prior odds of the model.
    ``crossing`` [1] are those at which the claim's probability is at its ``threshold``; None where no odds bring it
    there. Where draws without a value leave the claim open, all these are of the least that its probability may be, and
    ``at_most`` has the same of the greatest.
    """

    claim: str | None
    hypothesis: str
    threshold: float
    stated: float
    under: float
    otherwise: float
    log_bayes_factor: float
    log_bayes_factor_mcse: float
    crossing: float | None
    points: tuple[OddsPoint, ...]
    at_most: OddsAtMost | None = field(default=None, metadata=WHERE_OPEN)


# --- all of it ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Audit:
    """How far each verdict rests on each thing it rests on.

    ``claim`` is the leading claim, None where the model has none. ``pairs`` is how many pairs of observations were
    compared for ``contradictions``. ``notes`` say what could not be found, and why. ``pool`` answers what-ifs, and is
    None where it was not kept. ``undecided`` [1] is the share of draws in which a claim is neither true nor false, by
    the names of claims of which there are any, None where there are none: what moves such a claim is told of the
    least and the greatest that its probability may be, but where readings tip it, and how fast it follows powers, just
    of the least.
    """

    subject: str
    claim: str | None
    seed: int
    units: tuple[UnitFinding, ...]
    contradictions: tuple[Contradiction, ...]
    pairs: int
    priors: PriorFindings
    odds: tuple[OddsCurve, ...]
    notes: tuple[str, ...] = ()
    pool: Pool | None = field(default=None, repr=False, compare=False)
    undecided: Mapping[str, float] | None = field(default=None, metadata=WHERE_OPEN)
