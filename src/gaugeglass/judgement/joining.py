"""What is known as the evidence joins, one piece after the other, from the prior to the recorded verdict.

The first and the last step are what was recorded. Each step between is a refit of every hypothesis in which whatever
has not joined yet has power 0, from mode to mode where there may be several.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Density, Floats, compile_density
from gaugeglass.inference.modes import Crossing, refit_many
from gaugeglass.inference.posterior import Progress
from gaugeglass.inference.sampling import Settings
from gaugeglass.inference.smoothing import VAGUE
from gaugeglass.inference.weighing import Evidence, Weights, log_evidence, log_evidence_by_bridge, weigh
from gaugeglass.judgement.findings import Unit
from gaugeglass.judgement.leaving import Left, Without, units
from gaugeglass.judgement.results import Assessment, Probability, QuantitySummary, Spread, Verdict
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.judgement.verdicts import claim_targets, hypothesis_target
from gaugeglass.judgement.widths import Target
from gaugeglass.language.spec import Spec

_CHAINS, _DRAWS, _TUNE = 2, 800, 400
_EVEN = 4000
"""How many draws that count alike stand for a step. [1]"""

type Draws = Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True)
class Joined:
    """What is known once a piece of the evidence has joined; ``unit`` is None before any has.

    ``probability`` is that of the proposition asked about, ``spread`` and ``draws`` (dims ("draw",)) are of the
    quantity shown, in its unit; ``hypotheses`` holds the weight of each [1] and ``errors`` the Monte Carlo error of
    that [1]. ``usable`` says whether the draws are within the limits of a refit.
    """

    unit: Unit | None
    probability: Probability | None
    spread: Spread
    draws: Floats = field(repr=False)
    hypotheses: Mapping[str, float]
    errors: Mapping[str, float]
    usable: bool = True


@dataclass(frozen=True)
class Joining:
    """The steps from the prior to the recorded verdict: the first has no evidence, the last all of it.

    ``asked`` is the recorded verdict on the leading claim, without claims on the most probable hypothesis, None where
    there are no rivals either.
    """

    asked: Verdict | None
    quantity: QuantitySummary
    steps: tuple[Joined, ...]


def in_order(spec: Spec) -> tuple[Unit, ...]:
    """Observations that count and tables, by date and then as the file has them; what has no date goes last.

    A table joins whole, when the last of its rows that count was made.
    """
    pieces = [unit for unit in units(spec) if unit.kind != "origin"]
    return tuple(sorted(pieces, key=lambda unit: (not (date := date_of(spec, unit)), date)))


def date_of(spec: Spec, unit: Unit) -> str:
    """When an observation was made, or the last row of a table; empty where that is not said."""
    own = set(unit.ids)
    return max((o.date for o in spec.evidence if o.id in own), default="")


def ends(spec: Spec, assessment: Assessment, prior: Draws, posterior: Draws, *, quantity: str) -> Joining:
    """The first and the last step alone, as recorded; parameters are those of ``join``."""
    asked, pieces = _asked(spec, assessment), in_order(spec)
    summary = next(q for q in assessment.quantities if q.name == quantity)
    before = {h.name: h.prior for h in assessment.hypotheses}
    first = Joined(None, asked.prior if asked else None, summary.prior, np.asarray(prior[quantity]), before,
                   dict.fromkeys(before, 0.0))  # fmt: skip
    if not pieces:
        return Joining(asked, summary, (first,))
    weights, errors = ({h.name: getattr(h, key) for h in assessment.hypotheses} for key in ("posterior", "mcse"))
    after = asked.posterior if asked else None
    last = Joined(pieces[-1], after, summary.posterior, np.asarray(posterior[quantity]), weights, errors)
    return Joining(asked, summary, (first, last))


def join(
    spec: Spec,
    assessment: Assessment,
    prior: Draws,
    posterior: Draws,
    *,
    quantity: str,
    seed: int,
    cores: int = 2,
    progress: Progress | None = None,
) -> Joining:
    """What is known of the leading claim and of a quantity as one piece of evidence joins after the other.

    Parameters
    ----------
    assessment
        What judgement concluded from the whole evidence.
    prior, posterior : mapping of str to array, dims ("draw",)
        Recorded draws of every quantity over the hypotheses, in its unit.
    quantity
        The quantity to follow; a member by its own name (``capacity[V1]``).
    seed
        Decides every draw of the refits.
    progress
        Called with what is being done and the share of it that is done. [1]
    """
    tell = progress or (lambda what, share: None)
    known, pieces = ends(spec, assessment, prior, posterior, quantity=quantity), in_order(spec)
    if len(pieces) < 2:
        return known
    tell("joining the evidence", 0.0)
    settings = Settings(seed=seed, draws=_DRAWS, tune=_TUNE, chains=_CHAINS, cores=cores)
    between = _without(spec, pieces, settings, lambda share: tell("joining the evidence", share))
    steps = (_step(spec, unit, left, known.asked, quantity) for unit, left in zip(pieces, between, strict=False))
    first, last = known.steps
    return replace(known, steps=(first, *steps, last))


def _asked(spec: Spec, assessment: Assessment) -> Verdict | None:
    if spec.model.claims:
        return assessment.verdicts[0]
    rivals = [v for v in assessment.verdicts if v.kind == "hypothesis"]
    return max(rivals, key=lambda v: v.posterior.value, default=None)


def _without(spec: Spec, pieces: Sequence[Unit], settings: Settings, advance: Callable[[float], None]) -> list[Left]:
    """What is known without what has not joined yet, after each piece but the last, of which the record speaks."""
    density, names = compile_density(spec), [h.name for h in spec.hypotheses]
    waiting = [Unit("table", "what has not joined", tuple(i for unit in pieces[k:] for i in unit.ids))
               for k in range(1, len(pieces))]  # fmt: skip
    powers = [dict.fromkeys(unit.ids, 0.0) for unit in waiting]
    jobs = [(density.dials(name, power=power), settings.seed, None) for name in names for power in powers]
    done = iter(range(1, len(jobs) + 1))
    fits = refit_many(density, jobs, settings, advance=lambda: advance(next(done) / len(jobs)))
    with ThreadPoolExecutor(settings.cores) as pool:
        each = list(pool.map(lambda found: _weighed(density, found, settings), fits))
    parts = [each[k : k + len(powers)] for k in range(0, len(each), len(powers))]
    shares, found = [h.prior_weight for h in spec.hypotheses], []
    for unit, row in zip(waiting, zip(*parts, strict=True), strict=True):
        weights = weigh(names, shares, [part.evidence for part in row], seed=settings.seed)
        found.append(Left(unit, dict(zip(names, row, strict=True)), weights))
    return found


def _weighed(density: Density, found: Crossing, settings: Settings) -> Without:
    fit = found.fit
    shape = fit.x.shape[:2]
    size = fit.diagnostics.ess_bulk if density.active(fit.hypothesis) else float(np.prod(shape))
    shares = np.full(shape, 1 / np.prod(shape))
    return Without(fit, shares, np.zeros(shape), _evidence(density, found, settings), "refit", size)


def _evidence(density: Density, crossed: Crossing, settings: Settings) -> Evidence:
    """How well a hypothesis foretells what has joined; along a path where one bridge leaves that vague."""
    if not density.spec.has_rivals:
        return Evidence(0.0, 0.0, "no rivals")
    found = crossed.evidence or log_evidence_by_bridge(density, crossed.fit)
    return found if found.mcse <= VAGUE else log_evidence(density, crossed.fit, settings)


def _step(spec: Spec, unit: Unit, left: Left, asked: Verdict | None, quantity: str) -> Joined:
    targets = _targets(spec, asked) if asked else None
    draws = _even(*left.draws(quantity))
    return Joined(
        unit,
        _chance(left, targets) if targets else None,
        spread_of(draws),
        draws,
        _by_name(left.weights, left.weights.posterior),
        _by_name(left.weights, left.weights.mcse),
        usable=all(part.usable for part in left.parts.values()),
    )


def _chance(left: Left, targets: tuple[Target, Target]) -> Probability:
    surely, maybe = (
        left.probability(lambda name, fit, target=target: target(name, fit.quantities))  # type: ignore[misc]
        for target in targets
    )
    return Probability.between(surely, maybe)


def _even(values: Floats, shares: Floats) -> Floats:
    """Draws that count alike, from draws and their shares: as many of each as its share has of the whole."""
    order = np.argsort(values, kind="stable")
    until = np.cumsum(shares[order])
    return np.asarray(values[order][np.searchsorted(until / until[-1], (np.arange(_EVEN) + 0.5) / _EVEN)])


def _by_name(weights: Weights, values: Floats) -> dict[str, float]:
    return {name: float(value) for name, value in zip(weights.names, values, strict=True)}


def _targets(spec: Spec, asked: Verdict) -> tuple[Target, Target]:
    """Where the proposition asked about surely holds in each draw, and where it may."""
    if asked.kind == "claim":
        return claim_targets(next(c for c in spec.model.claims if c.name == asked.claim))
    named = hypothesis_target(asked.claim.removeprefix("hypothesis "))
    return named, named
