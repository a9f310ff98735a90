"""Verdicts: how probable each claim is, what that rests on, and how it is said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior, Progress, holds
from gaugeglass.inference.sampling import Fit, effective_size
from gaugeglass.judgement.predictions import ledger, misfit
from gaugeglass.judgement.quantities import summarise
from gaugeglass.judgement.results import (
    DOUBT,
    Assessment,
    Conditional,
    HypothesisSummary,
    Probability,
    Verdict,
    WidthCurve,
    Words,
)
from gaugeglass.judgement.undefined import may_hold, refuse_without_any
from gaugeglass.judgement.widths import Refit, Target, bayes_factor, chance, curves, is_told_from_sure, prior_chance
from gaugeglass.language.spec import Claim

WORDS = (
    Words("almost no chance", 0.01, 0.05),
    Words("very unlikely", 0.05, 0.20),
    Words("unlikely", 0.20, 0.45),
    Words("roughly even chance", 0.45, 0.55),
    Words("likely", 0.55, 0.80),
    Words("very likely", 0.80, 0.95),
    Words("almost certain", 0.95, 0.99),
)
"""Intelligence Community Directive 203, "Analytic Standards", 2015, D.6.e(2)(a)."""

MISFIT = 0.01
"""Predictive probability below which an explanation does not fit: our convention. [1]"""
_EVEN = 0.5
_LEAST = 0.001  # smaller chances are said to be below it


def words_for(probability: Probability) -> Words | None:
    """The published phrase for a probability; none outside 1 to 99 %, where the number stands alone."""
    if not probability.is_between:
        return _words_at(probability.value)
    low, high = map(_words_at, probability.ends)
    if low == high and (low is not None or max(probability.ends) - min(probability.ends) < _EVEN):
        return low
    if low is not None and high is not None:
        return Words(f"{low.phrase} to {high.phrase}", low.lower, high.upper)
    if low is not None:
        return Words(f"at least {low.phrase}", low.lower, 1.0)
    return Words("open", 0.0, 1.0) if high is None else Words(f"at most {high.phrase}", 0.0, high.upper)


def _words_at(probability: float) -> Words | None:
    for words in WORDS:
        if words.lower <= probability < words.upper or (words is WORDS[-1] and probability == words.upper):
            return words
    return None


@dataclass(frozen=True, slots=True)
class _Proposition:
    """Something that holds or not: a claim of the model, or that a hypothesis is the true one.

    ``target`` says where it surely holds, ``possible`` where it may hold.
    """

    name: str
    says: str
    kind: Literal["claim", "hypothesis"]
    threshold: float
    target: Target
    possible: Target
    settled: bool
    claim: Claim | None = None


@np.errstate(all="ignore")  # what is too large to compute has no value, and that is said
def judge(posterior: Posterior, *, progress: Progress | None = None) -> Assessment:
    """Everything that the posterior lets one say of the subject: verdicts, quantities, hypotheses, the ledger.

    Raises
    ------
    InferenceError
        If a quantity has no value in any draw.
    """
    refuse_without_any(posterior)
    tell = progress or (lambda what, share: None)
    propositions = _propositions(posterior)
    curve: Mapping[str, WidthCurve] = {}
    if posterior.spec.evidence:
        tell("varying prior widths", 0.0)
        unsettled = [p for p in propositions if not p.settled]
        curve = curves(
            posterior,
            {p.name: (p.target, p.threshold) for p in unsettled},
            lambda share: tell("varying prior widths", share),
            possible={p.name: p.possible for p in unsettled if p.claim},
        )
    verdicts = tuple(_verdict(posterior, p, curve.get(p.name)) for p in propositions)
    hypotheses = _hypotheses(posterior)
    quantities = summarise(posterior)
    badly = bool(posterior.spec.evidence) and max(hypotheses, key=lambda h: h.posterior).misfit < MISFIT
    asked = bool(posterior.spec.evidence)  # without evidence there is nothing that could identify anything
    unseen = tuple(q.name for q in quantities if asked and q.identified == "not identified")
    subject = posterior.spec.dossier.subject
    sentence = _sentence(subject, verdicts[0] if posterior.spec.model.claims else None, badly)
    return Assessment(subject, sentence, badly, verdicts, hypotheses, quantities, ledger(posterior), unseen)


def _propositions(posterior: Posterior) -> tuple[_Proposition, ...]:
    """Claims in the model's order, then hypotheses."""
    spec = posterior.spec
    claims = (
        _Proposition(c.name, c.says, "claim", c.threshold, *claim_targets(c), _settled_everywhere(posterior, c), c)
        for c in spec.model.claims
    )
    rivals = spec.hypotheses if spec.has_rivals else ()
    names = {c.name for c in spec.model.claims}
    hypotheses = (
        _Proposition(
            f"hypothesis {h.name}" if h.name in names else h.name,
            h.says,
            "hypothesis",
            0.5,
            hypothesis_target(h.name),
            hypothesis_target(h.name),
            settled=False,
        )
        for h in rivals
    )
    return (*claims, *hypotheses)


def claim_targets(claim: Claim) -> tuple[Target, Target]:
    """Where a claim surely holds in each draw, and where it may hold."""
    return lambda _, quantities: holds(claim, quantities), lambda _, quantities: may_hold(claim, quantities)


def hypothesis_target(name: str) -> Target:
    """Whether a hypothesis is the one of each draw."""

    def target(hypothesis: str, quantities: Mapping[str, Floats]) -> Floats:
        return np.full(np.shape(next(iter(quantities.values()))), float(hypothesis == name))

    return target


def _is_settled(posterior: Posterior, claim: Claim, hypothesis: str) -> bool:
    """Whether a hypothesis decides a claim by definition: nothing the claim rests on is free under it."""
    spec = posterior.spec
    held = posterior.density.hypothesis(hypothesis)
    if not all(name in held.fix or name in spec.givens for name in spec.ancestors(claim.holds, held)):
        return False
    surely, possible = (t(hypothesis, posterior.fits[hypothesis].quantities) for t in claim_targets(claim))
    return bool(np.all(surely == possible))


def _settled_everywhere(posterior: Posterior, claim: Claim) -> bool:
    return all(_is_settled(posterior, claim, h.name) for h in posterior.spec.hypotheses)


def _verdict(posterior: Posterior, proposition: _Proposition, curve: WidthCurve | None) -> Verdict:
    base = Refit(posterior.fits, posterior.priors, posterior.weights)
    weights = posterior.weights
    before, after = (
        Probability.between(
            *(_bounded(of(t, base), t, fits, shares) for t in (proposition.target, proposition.possible))
        )
        for of, fits, shares in ((prior_chance, base.priors, weights.prior), (chance, base.fits, weights.posterior))
    )
    is_open = before.is_between or after.is_between
    if is_open and curve:
        curve = replace(curve, points=tuple(replace(p, bayes_factor=float("nan")) for p in curve.points))
    own = after.ends if after.is_between else (after.value,)
    range_of = [end for p in curve.points for end in p.ends] if curve else own
    is_told = is_told_from_sure(after.value, after.mcse)
    factor = bayes_factor(before.value, after.value) if is_told else float("nan")
    is_printed = curve is not None and not is_open and not proposition.settled
    return Verdict(
        claim=proposition.name,
        says=proposition.says,
        kind=proposition.kind,
        threshold=proposition.threshold,
        prior=before,
        posterior=after,
        words=words_for(after),
        by_hypothesis=_conditionals(posterior, proposition.claim) if proposition.claim else {},
        settled=proposition.settled,
        bayes_factor=factor if is_printed and np.isfinite(factor) else None,
        curve=curve,
        lowest=min(range_of),
        highest=max(range_of),
    )


def _conditionals(posterior: Posterior, claim: Claim) -> dict[str, Conditional]:
    """The probability of a claim under each rival hypothesis."""
    if not posterior.spec.has_rivals:
        return {}
    found = {}
    for h, fit in posterior.fits.items():
        settled = _is_settled(posterior, claim, h)
        low, high = (_under(target, h, fit) for target in claim_targets(claim))
        found[h] = Conditional(Probability(low.value, 0.0) if settled else Probability.between(low, high), settled)
    return found


def _under(target: Target, hypothesis: str, fit: Fit) -> Probability:
    values = target(hypothesis, fit.quantities)
    error = float(np.sqrt(values.var() / effective_size(values)))
    return _bounded((float(values.mean()), error), target, {hypothesis: fit}, np.ones(1))


def _bounded(value: tuple[float, float], target: Target, fits: Mapping[str, Fit], weights: Floats) -> Probability:
    """The probability; where every draw agrees, with the bound that the effective number of draws allows."""
    p, mcse = value
    if 0 < p < 1:
        return Probability(p, mcse)
    doubt = sum(
        float(w) * (1 - DOUBT ** (1 / effective_size(target(h, f.quantities))))
        for w, (h, f) in zip(weights, fits.items(), strict=True)
    )
    return Probability(p, float("nan"), at_least=1 - doubt if p >= 1 else None, at_most=doubt if p <= 0 else None)


def _hypotheses(posterior: Posterior) -> tuple[HypothesisSummary, ...]:
    weights = posterior.weights
    return tuple(
        HypothesisSummary(
            name=h.name,
            says=h.says,
            prior=float(weights.prior[k]),
            posterior=float(weights.posterior[k]),
            mcse=float(weights.mcse[k]),
            log_evidence=weights.evidences[k].log,
            log_evidence_mcse=weights.evidences[k].mcse,
            misfit=misfit(posterior.density, posterior.fits[h.name], seed=posterior.seed),
        )
        for k, h in enumerate(posterior.spec.hypotheses)
    )


def _sentence(subject: str, leading: Verdict | None, badly: bool) -> str:
    """The leading verdict in one sentence that can be quoted with its assumptions."""
    opening = "No explanation here fits the evidence; with that said: " if badly else ""
    if leading is None:
        return f"{opening}{subject}: no claim was stated."
    statement = leading.says[:1].lower() + leading.says[1:].rstrip(".")
    if leading.settled:
        return f"{opening}{subject}: it is settled by definition whether {statement}."
    notes = []
    if leading.words:
        notes.append(
            f"{leading.words.phrase}: {leading.words.lower:.0%} to {leading.words.upper:.0%}".replace("%", " %")
        )
    if leading.posterior.is_between:
        notes.append(
            f"in {_percent(leading.posterior.no_value)} of the draws it is neither true nor false, since "
            "something has no value there"
        )
    if leading.curve:
        low, high = _percent(leading.lowest), _percent(leading.highest)
        over = f"{low} over all" if low == high else f"{low} to {high} over the"
        notes.append(f"{over} prior widths tried")
    said = f" ({'; '.join(notes)})" if notes else ""
    return (
        f"{opening}{subject}: the probability that {statement} is {_bounded_percent(leading.posterior)}{said}, "
        f"from {_bounded_percent(leading.prior)} before the evidence, under the assumptions stated here."
    )


def _bounded_percent(p: Probability) -> str:
    """A probability as a percentage, or its bounds: those of draws that agree are rounded so that they stay so."""
    if p.is_between:
        return _open_percent(p)
    if p.at_least is not None:
        return f"above {np.floor(1000 * p.at_least) / 10:.1f} %"
    if p.at_most is not None:
        return f"below {np.ceil(1000 * p.at_most) / 10:.1f} %"
    return _percent(p.value)


def _open_percent(p: Probability) -> str:
    """What draws without a value leave open of a probability, in percentages rounded as any other."""
    least, most = p.ends
    if least < _LEAST:
        return "between 0 % and 100 %" if most > 1 - _LEAST else _at("at most", most)
    return _at("at least", least) if most > 1 - _LEAST else f"between {_percent(least)} and {_percent(most)}"


def _at(which: str, p: float) -> str:
    return f"{which} {_percent(p)}" if _LEAST <= p <= 1 - _LEAST else _percent(p)


def _percent(p: float) -> str:
    """A percentage that never reads 0 or 100."""
    if p < _LEAST:
        return f"below {100 * _LEAST:.1f} %"
    if p > 1 - _LEAST:
        return f"above {100 * (1 - _LEAST):.1f} %"
    return f"{100 * p:.0f} %" if 0.05 <= p <= 0.95 else f"{100 * p:.1f} %"
