"""Which observation to make next: what each candidate is expected to tell, and the best set within a budget."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from gaugeglass.errors import InferenceError
from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior, holds, probability
from gaugeglass.judgement.expectations import Target, Telling, expect
from gaugeglass.judgement.outlooks import Draws, Outlook, gather, look
from gaugeglass.judgement.rankings import Expected, Ranking, Repeat, Worth
from gaugeglass.judgement.ranks import Ranks
from gaugeglass.judgement.selection import Option, choose
from gaugeglass.judgement.undefined import may_hold, refuse_without_any, share_without_value
from gaugeglass.language.expressions import names
from gaugeglass.language.proposals import propose
from gaugeglass.language.spec import Candidate, Given, Spec

_TIMES = (2, 4, 8)
"""How many times over a candidate is tried, to show what repeating it is worth."""
_DRAWS_OF_SETS = 8000
"""Draws that sets are judged by: few of them agree with all that several candidates would say. [1]"""

_UNREAD = 0.01
"""Share of draws without a value for what a candidate would read, above which it is not weighed. [1]"""
_SURE = 1e-6
"""Probability of a claim, or of its being false, below which nothing is left to ask about it. [1]"""


@np.errstate(all="ignore")  # what is too large to compute has no value, and is left out
def rank_candidates(
    posterior: Posterior,
    *,
    claim: str | None = None,
    quantity: str | None = None,
    candidates: Sequence[Candidate] | Mapping[str, Any] | None = None,
    budget: float | None = None,
) -> Ranking:
    """Rank candidates by what they are expected to tell.

    Parameters
    ----------
    claim
        A claim or a hypothesis by its name; the first claim, if there is one, if not said; none at all if it is empty.
    quantity
        A quantity by its name, of one member where it has one value a member; the first that leads if not said.
    candidates
        What to rank; the candidates of the dossier and of the model if not said. A mapping states them by their names,
        with the keys of the files. Where one leaves open on which member of a group it would be made, each member is
        tried.
    budget
        What a set of them may cost, in the currency of the candidates' costs; no set is sought if not said.

    Raises
    ------
    ValueError
        If a claim, a quantity, or a method or a member that a candidate names is not there, or the budget is below 0.
    SpecError
        If anything in a candidate that a mapping states is at fault.
    InferenceError
        If a quantity has no value in any draw, or a claim that is named has none in more draws than Monte Carlo error.
    """
    if budget is not None and not budget >= 0:
        raise ValueError(f"a budget of {budget:g}: it is a number from 0 on")
    refuse_without_any(posterior)
    spec = posterior.spec
    asked, name = _proposition(posterior, claim), _quantity(spec, quantity)
    untold = {} if asked is None else _untold(posterior, asked)
    if untold and asked is not None and claim is not None:
        raise InferenceError(_refusal(posterior, asked, *untold.values()))
    asked = None if untold else asked
    candidates = propose(spec, candidates) if isinstance(candidates, Mapping) else candidates
    placed, left_out = _placed(spec, spec_candidates(spec) if candidates is None else candidates)
    draws = gather(posterior, placed)
    unread = {c.name: why for c in placed if (why := _unread(look(draws, c)))}
    placed, left_out = [c for c in placed if c.name not in unread], left_out | untold | unread
    target = _target(draws, asked, name)
    worths = [_worth(draws, c, target) for c in placed]
    by_claim = min(target.probability, 1 - target.probability) > _SURE
    ranked = sorted(worths, key=lambda w: -_value(w, by_claim=by_claim))
    best = None
    if budget is not None:
        many = gather(posterior, placed, draws=_DRAWS_OF_SETS)
        options = [Option(c, look(many, c)) for c in placed if c.cost is not None]
        of_many = _target(many, asked, name)
        best = choose(many if by_claim else of_many.among, of_many, options, budget, by_claim=by_claim)
        left_out |= {w.name: "no cost is stated, so that no budget can be held against it" for w in worths
                     if w.cost is None}  # fmt: skip
    weights = target.among.weights
    sd = math.sqrt(float(weights @ (target.quantity - weights @ target.quantity) ** 2))
    return Ranking(
        claim=asked.name if asked else None,
        says=asked.says if asked else "",
        threshold=asked.threshold if asked else None,
        probability=target.probability if asked else None,
        quantity=name,
        unit=spec.unit(name).text,
        sd=sd,
        worths=tuple(ranked),
        best=best,
        draws=draws.size,
        left_out=left_out,
        no_value=posterior.without_value(name)[1],
    )


def spec_candidates(spec: Spec) -> tuple[Candidate, ...]:
    """The candidates of the dossier, then those of the model whose names it does not have itself."""
    own = {c.name for c in spec.dossier.candidates}
    return (*spec.dossier.candidates, *(c for c in spec.model.candidates if c.name not in own))


# --- what is asked ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Proposition:
    name: str
    says: str
    threshold: float
    probability: float
    by_hypothesis: dict[str, Floats]


def _proposition(posterior: Posterior, name: str | None) -> _Proposition | None:
    """The claim or hypothesis of a name, and whether it holds in each draw of each fit, dims ("chain", "draw")."""
    spec, fits = posterior.spec, posterior.fits
    claims = {c.name: c for c in spec.model.claims}
    if name == "" or (name is None and not claims):
        return None
    name = next(iter(claims)) if name is None else name
    if name in claims:
        found = claims[name]
        own = {h: holds(found, fit.quantities) for h, fit in fits.items()}
        return _Proposition(name, found.says, found.threshold, _now(posterior, own), own)
    rival = next((h for h in spec.hypotheses if spec.has_rivals and name in (h.name, f"hypothesis {h.name}")), None)
    if rival is None:
        known = [*claims, *(h.name for h in spec.hypotheses if spec.has_rivals)]
        raise ValueError(f"there is no claim or hypothesis '{name}'; there are: {', '.join(known) or 'none'}")
    each = {h: np.full(fit.x.shape[:2], float(h == rival.name)) for h, fit in fits.items()}
    return _Proposition(name, rival.says, 0.5, _now(posterior, each), each)


def _untold(posterior: Posterior, asked: _Proposition) -> dict[str, str]:
    """Why nothing is expected of a claim that has no value in more draws than Monte Carlo error; empty where it has."""
    claim = next((c for c in posterior.spec.model.claims if c.name == asked.name), None)
    if claim is None:
        return {}
    weights = posterior.weights
    possible = {h: may_hold(claim, fit.quantities) for h, fit in posterior.fits.items()}
    most, mcse = probability(possible, weights.posterior, weights.replicates)
    if most - asked.probability <= mcse:
        return {}
    share = f"{most - asked.probability:.0%}".replace("%", " %")
    why = f"in {share} of the draws it is neither true nor false, since something has no value there, so that nothing "
    return {f"the claim {claim.name}": why + "is expected of it"}


def _refusal(posterior: Posterior, asked: _Proposition, why: str) -> str:
    """Why a claim that is asked about by its name cannot be, and what to do about it."""
    spec = posterior.spec
    claim = next(c for c in spec.model.claims if c.name == asked.name)
    compared = [n for n in spec.quantities if n.partition("[")[0] in names(claim.holds)]
    shares = {n: share for n in compared if (share := posterior.without_value(n)[1])}
    told = ", ".join(f"{name} has no value in {100 * share:.0f} % of the draws" for name, share in shares.items())
    return (
        f"the claim {asked.name}: {why}\n"
        f"  what causes it: {f'{told}: ' if told else ''}the root or logarithm of a negative number, a division by 0, "
        "a number too large to compute\n"
        "  what helps: another equation, or where(condition, yes, no) that says what holds instead; 'and' or 'or' in "
        "the claim with what settles it there\n"
        "  what can be asked as it is: another claim, or a quantity, of which the draws without a value are left out"
    )


def _unread(outlook: Outlook) -> str:
    """Why nothing is expected of a candidate that would read what has no value in too many draws; empty if it has."""
    share = share_without_value(outlook.mu.sum(axis=0))
    return f"what it would read has no value in {share:.0%} of the draws".replace("%", " %") if share > _UNREAD else ""


def _now(posterior: Posterior, by_hypothesis: Mapping[str, Floats]) -> float:
    """The probability that the verdict states. [1]"""
    weights = posterior.weights
    return probability(by_hypothesis, weights.posterior, weights.replicates)[0]


def _quantity(spec: Spec, name: str | None) -> str:
    if name is None:
        free = [n for n, q in spec.quantities.items() if not isinstance(q, Given)]
        leading = [n for lead in spec.model.leading for n in spec.quantities if n.partition("[")[0] == lead]
        return (leading or free)[0]
    if name not in spec.quantities:
        raise ValueError(f"there is no quantity '{name}'; there are: {', '.join(spec.quantities)}")
    return name


def _target(draws: Draws, asked: _Proposition | None, quantity: str) -> Target:
    values = draws.values(quantity)
    finite = np.isfinite(values)
    values = np.where(finite, values, np.median(values[finite]) if finite.any() else 0.0)
    claim = None
    if asked is not None:
        claim = np.concatenate([asked.by_hypothesis[h].ravel()[draws.kept[h]] for h in draws.hypotheses])
    now, threshold = (asked.probability, asked.threshold) if asked else (math.nan, math.nan)
    among = draws.among(finite)
    return Target(claim, threshold, now, values, Ranks(values, among.weights), among)


# --- candidates ---------------------------------------------------------------------------------------------


def _placed(spec: Spec, candidates: Sequence[Candidate]) -> tuple[list[Candidate], dict[str, str]]:
    """Candidates with a member of every group that they need, and why some have none."""
    found: list[Candidate] = []
    left_out: dict[str, str] = {}
    for c in candidates:
        _check(spec, c)
        each = list(_on_each_member(spec, c))
        found += each
        if not each:
            left_out[c.name] = "it would be made on a member of a group that has none"
    twice = {c.name for c in found if [d.name for d in found].count(c.name) > 1}
    if twice:
        raise ValueError(f"candidates with one name: {', '.join(sorted(twice))}")
    return found, left_out


def _check(spec: Spec, c: Candidate) -> None:
    if c.method not in spec.model.method_by_name:
        raise ValueError(f"candidate '{c.name}': there is no method '{c.method}'")
    for group, member in c.at.items():
        if member not in spec.members.get(group, ()):
            raise ValueError(f"candidate '{c.name}': there is no member '{member}' of a group '{group}'")


def _on_each_member(spec: Spec, c: Candidate) -> Iterator[Candidate]:
    needed = sorted(spec.model.groups_of(spec.model.method_by_name[c.method]) - c.at.keys())
    known = {g: spec.dossier.applies[g] for g in needed if g in spec.dossier.applies}
    open_groups = [g for g in needed if g not in known]
    for members in itertools.product(*(spec.members[g] for g in open_groups)):
        at = {**c.at, **known, **dict(zip(open_groups, members, strict=True))}
        yield replace(c, name=f"{c.name}[{', '.join(members)}]" if members else c.name, at=at)


# --- what they are worth ------------------------------------------------------------------------------------


def _worth(draws: Draws, c: Candidate, target: Target) -> Worth:
    outlook = look(draws, c)
    one = expect(draws, outlook, target)
    method = draws.density.spec.model.method_by_name[c.method]
    repeats = []
    if look(draws, c, times=_TIMES[0]).is_whole:
        repeats = [_repeat(c.count, one)]
        repeats += [_repeat(c.count * n, expect(draws, look(draws, c, times=n), target)) for n in _TIMES]
    return Worth(
        name=c.name,
        about=c.about,
        method=c.method,
        count=c.count,
        u=c.u,
        unit="1" if method.likelihood.family == "lognormal" else method.unit.text,
        origin=c.origin,
        grade=c.grade,
        at=c.at,
        cost=c.cost,
        claim_bits=one.claim_bits,
        crossing=one.crossing,
        expected=one.expected,
        quantity_nats=one.quantity_nats,
        narrowing=one.narrowing,
        repeats=tuple(repeats),
    )


def _repeat(readings: int, told: Telling) -> Repeat:
    return Repeat(readings, told.claim_bits, told.quantity_nats)


def _value(w: Worth, *, by_claim: bool) -> float:
    found: Expected | None = w.claim_bits if by_claim else w.quantity_nats
    return found.value if found else 0.0
