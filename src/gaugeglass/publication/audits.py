"""An audit as text: what carries the leading claim, what would overturn it, and what else it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from gaugeglass.judgement.findings import (
    Audit,
    ClaimInfluence,
    Contradiction,
    OddsCurve,
    Sensitivity,
    Tipping,
    UnitFinding,
)
from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Probability
from gaugeglass.language.spec import Claim, Observation, Spec
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.wording import DOUBTED, SURPRISING
from gaugeglass.record.documents import plain

FORMAT = "gaugeglass.audit/1"
SENSITIVE = 0.05
"""Rate of change from which a prior matters, as the audit has it [1]."""
MOST_ROWS = 30
"""How many of what was left out are listed at most."""
_ERRORS = 3.0  # Monte Carlo errors of the difference from which a probability is said to have moved
_NAMED = 3  # how many that move a claim no less are named
_LEAST = 1e-9  # how near to certainty a probability may be
_PLAIN = 1000  # odds from which digits are left out
_UNSURE = 0.7  # shape of the weights' tails above which a rate is said to be unsure
_UP, _DOWN = "\N{BLACK UP-POINTING TRIANGLE}", "\N{BLACK DOWN-POINTING TRIANGLE}"

UNITS_NOTE = (
    "surprise: the chance, by all the rest, of a reading as far out or farther; ! below 5 %. without it: the claim's "
    f"probability when that is left out, ± one Monte Carlo error; {_UP} and {_DOWN} where it moves by more than three. "
    "turns at: the nearest value, of several readings the nearest shift of all in their own standard uncertainties u, "
    "at which the claim crosses its threshold; chance: of going at least so far, by all the rest; – where none was "
    "found as far as draws reach."
)
WRONG_NOTE = (
    "wrong: the probability that a graded reading says nothing of what it is about; of several the expected share; ! "
    "above 50 %."
)
PAIRS_NOTE = (
    "An sd is that of the prediction. A chance below 5 % is named, so that of {pairs} pairs compared up to {by_chance} "
    "may be named by chance alone."
)
PRIORS_NOTE = (
    "How fast the result that moves most moves as the prior, or the evidence, is raised to a power (Jensen-Shannon "
    "distance per doubling); named from 0.05 on."
)


def audit_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Everything that an audit says: the finding in a sentence first, then every table."""
    opening = "\n".join(tables._wrapped(finding(found, spec), width, hanging=""))
    sections = (units_text, pairs_text, priors_text, odds_text, routes_text)
    rest = [text for section in sections if (text := section(found, spec, width, color=color))]
    return "\n\n".join([opening, *rest])


def audit_document(found: Audit, spec: Spec) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    head = {
        "format": FORMAT,
        "dossier": spec.dossier.name,
        "model": spec.model.name,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
        "sentence": finding(found, spec),
    }
    document: dict[str, Any] = {**head, **plain(found)}
    for entry, unit in zip(document["units"], found.units, strict=True):
        own = _reading(unit, spec)
        entry["reading_unit"] = None if own is None else spec.method(own).unit.text
    return document


# --- the finding --------------------------------------------------------------------------------------------


def finding(found: Audit, spec: Spec) -> str:
    """What carries the leading claim and what would overturn it, in two sentences."""
    claim = leading_claim(found, spec)
    if claim is None:
        return "The model states no claim, so that nothing is sought that would overturn one."
    if not found.units:
        return f"No observation counts, so that nothing carries “{claim.says}”."
    return f"{_carries(found, claim)} {_overturns(found, spec)}"


def leading_claim(found: Audit, spec: Spec) -> Claim | None:
    """The claim that was asked about; None where the model has none."""
    return next((c for c in spec.model.claims if c.name == found.claim), None)


def by_influence(found: Audit) -> list[UnitFinding]:
    """What was left out, what moves the leading claim most first; in the order of the dossier without a claim."""
    if found.claim is None:
        return list(found.units)
    return sorted(found.units, key=lambda u: -abs(shift_of(of_claim(u))))


def of_claim(unit: UnitFinding) -> ClaimInfluence:
    """What leaving it out does to the leading claim, which is the first."""
    return unit.claims[0]


def shift_of(c: ClaimInfluence) -> float:
    """By how much a claim's probability rises when something is left out [1]."""
    return c.without.value - c.whole.value


def moves(c: ClaimInfluence) -> bool:
    """Whether it moves by more than three Monte Carlo errors of the difference."""
    return abs(shift_of(c)) > _ERRORS * math.hypot(_error(c.whole), _error(c.without))


def _error(p: Probability) -> float:
    """The Monte Carlo error, or how far a bound lies from certainty where draws agree."""
    bounds = (1 - p.at_least if p.at_least is not None else 0.0, p.at_most or 0.0)
    return max(*bounds, p.mcse if math.isfinite(p.mcse) else 0.0)


def chance_text(p: Probability) -> str:
    """A probability with its Monte Carlo error, or its bound; never 0 or 1."""
    return numbers.probability(replace(p, value=min(max(p.value, _LEAST), 1 - _LEAST)))


def name_of(unit: UnitFinding) -> str:
    """What was left out, as it is printed."""
    return unit.unit.name if unit.unit.kind == "observation" else f"{unit.unit.kind} {unit.unit.name}"


def turns(c: ClaimInfluence, threshold: float) -> bool:
    """Whether the claim is on the other side of its threshold without it."""
    return (c.whole.value >= threshold) != (c.without.value >= threshold)


def _carries(found: Audit, claim: Claim) -> str:
    top = by_influence(found)[0]
    c = of_claim(top)
    whole, without = chance_text(c.whole), chance_text(c.without)
    if not moves(c):
        return (f"Nothing alone carries “{claim.says}” ({whole}): whatever single observation, origin or table is left "
                "out moves it by less than three Monte Carlo errors.")  # fmt: skip
    verdict = ", which turns the verdict" if turns(c, claim.threshold) else ""
    close = [name_of(u) for u in by_influence(found)[1:] if _rivals(of_claim(u), c)]
    more = f", hardly less {_listed(close)}" if close else " more than anything else"
    gone = f"without {name_of(top)} that goes from {whole} to {without}"
    return f"What carries “{claim.says}” is {name_of(top)}{more}: {gone}{verdict}."


def _rivals(c: ClaimInfluence, top: ClaimInfluence) -> bool:
    """Whether it moves the claim no less than what moves it most, as far as Monte Carlo errors tell."""
    error = math.hypot(_error(c.without), _error(top.without))
    return moves(c) and abs(shift_of(top)) - abs(shift_of(c)) <= _ERRORS * error


def _listed(names: Sequence[str]) -> str:
    shown = list(names[:_NAMED])
    rest = [f"{len(names) - _NAMED} more"] if len(names) > _NAMED else []
    *first, last = [*shown, *rest]
    return f"{', '.join(first)} and {last}" if first else last


def _overturns(found: Audit, spec: Spec) -> str:
    tipping = [(t, u) for u in found.units for t in u.tipping]
    reasons = {u.untipped for u in found.units}
    if "" not in reasons:
        return f"Which reading would overturn it was not searched for: {'; '.join(sorted(reasons))}."
    if not tipping:
        return "No reading was found that would overturn it, as far as there were draws to search with."
    t, unit = max(tipping, key=lambda entry: entry[0].chance.value)
    chance = f"to which the rest gives a chance of {chance_text(t.chance)}"
    lower = "lower" if t.side == "below" else "higher"
    own = _reading(unit, spec)
    if own is None or t.value is None:
        far = f"all {_shift(t)} or more of their own standard uncertainties {lower}"
        what = f"the {len(unit.unit.ids)} readings of {name_of(unit)} {far}"
    else:
        at = f"{_kind(own)} {_value(t, unit, spec)} by {name_of(unit)} in place of {own.stated}"
        what = f"{at}, {_shift(t)} of its standard uncertainties {lower}, or one {lower} still"
    return f"What would overturn it: {what}, {chance}."


def _kind(o: Observation) -> str:
    """How a reading stands to the one number that is given for it: its value, its middle, or its edge."""
    if o.lower == o.upper:
        return "a reading of"
    return "an interval about" if math.isfinite(o.lower) and math.isfinite(o.upper) else "a bound at"


def _shift(t: Tipping) -> str:
    return numbers.rounded(abs(t.shift), t.shift_mcse) if t.shift_mcse > 0 else numbers.plain(abs(t.shift), 2)


def _value(t: Tipping, unit: UnitFinding, spec: Spec, *, bare: bool = False) -> str:
    """The value at which the claim turns, with its Monte Carlo error unless ``bare``."""
    own = _reading(unit, spec)
    if own is None or t.value is None:
        return ""
    scale, text = _as_stated(own, spec)
    x, error = scale * t.value, scale * t.shift_mcse * abs((t.value - own.value) / t.shift) if t.shift else math.nan
    if not error > 0:
        return numbers.with_unit(numbers.plain(x), text)
    return numbers.with_unit(numbers.rounded(x, error), text) if bare else numbers.value(x, error, text)


def _as_stated(o: Observation, spec: Spec) -> tuple[float, str]:
    """What a number in the unit of the method is to be multiplied by, and the unit: percent where it was stated so."""
    unit = spec.method(o).unit.text
    return (100.0, "%") if unit == "1" and "%" in o.stated else (1.0, unit)


def _reading(unit: UnitFinding, spec: Spec) -> Observation | None:
    """The reading that was left out, where it is one."""
    ids = unit.unit.ids
    return next((o for o in spec.evidence if o.id == ids[0]), None) if len(ids) == 1 else None


# --- what was left out --------------------------------------------------------------------------------------


def units_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Every observation, origin and table: its surprise, what rests on it, and where it would turn the claim."""
    ordered = by_influence(found)
    if not ordered:
        return ""
    shown = ordered[:MOST_ROWS]
    graded = any(u.wrong is not None for u in shown)
    headings = ("left out", "surprise", "without it", "turns at", "chance", *(("wrong",) if graded else ()))
    rows = [_row(u, found, spec)[: len(headings)] for u in shown]
    title = "Left out one at a time"
    if found.claim is not None:
        title += f" (with everything: {spoken(found.claim)} {chance_text(of_claim(shown[0]).whole)})"
    parts = [tables.fitting(title, headings, rows, width, color=color)]
    lines = [UNITS_NOTE, *([WRONG_NOTE] if graded else [])]
    if ordered[len(shown) :]:
        lines.insert(0, f"{len(ordered) - len(shown)} more that move it less are in the document of --json.")
    parts += [part for line in lines for part in tables._wrapped(line, width, hanging="")]
    parts += tables._bullets([*_confirmations(found, spec), *_without_search(found)], width)
    return "\n".join(parts)


def _row(u: UnitFinding, found: Audit, spec: Spec) -> tables.Row:
    p = u.surprise.probability.value
    surprise = numbers.chance(p) + (" !" if p < SURPRISING else "")
    without = _marked(of_claim(u)) if found.claim is not None else ""
    t = max(u.tipping, key=lambda tipping: tipping.chance.value, default=None)
    at = chance = numbers.ABSENT
    if t is not None:
        at = _value(t, u, spec, bare=True) or f"all {numbers.MINUS if t.shift < 0 else '+'}{_shift(t)} u"
        chance = numbers.chance(t.chance.value)
    wrong = "" if u.wrong is None else numbers.chance(u.wrong) + (" !" if u.wrong > DOUBTED else "")
    return name_of(u), surprise, without, at, chance, wrong


def _marked(c: ClaimInfluence) -> str:
    return chance_text(c.without) + (f" {_UP if shift_of(c) > 0 else _DOWN}" if moves(c) else "")


def _confirmations(found: Audit, spec: Spec) -> Iterator[str]:
    claim = leading_claim(found, spec)
    for u in found.units:
        for t in u.tipping:
            if t.confirmed is not None and claim is not None:
                at = _value(t, u, spec, bare=True) or f"{_shift(t)} u {t.side}"
                yield (f"{name_of(u)} at {at}: drawn again there, the claim is at {chance_text(t.confirmed)}, "
                       f"where its threshold is {numbers.percent(claim.threshold, 0)}")  # fmt: skip


def _without_search(found: Audit) -> Iterator[str]:
    if found.claim is None:
        return
    reasons: dict[str, list[str]] = {}
    for u in found.units:
        if u.untipped:
            reasons.setdefault(u.untipped, []).append(name_of(u))
    yield from (f"not searched for {', '.join(names)}: {reason}" for reason, names in reasons.items())


# --- pairs, priors, hypotheses ------------------------------------------------------------------------------


def pairs_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Observations that contradict each other; empty where none were compared."""
    if not found.pairs:
        return ""
    heading = tables._styled("Pairs that contradict each other", width, color=color)
    if not found.contradictions:
        return "\n".join([heading, *tables._bullets([f"none; pairs compared: {found.pairs:,}"], width)])
    note = PAIRS_NOTE.format(pairs=found.pairs, by_chance=math.ceil(SURPRISING * found.pairs))
    lines = tables._bullets([_pair(c) for c in found.contradictions], width)
    return "\n".join([heading, *lines, *tables._wrapped(note, width, hanging="")])


def _pair(c: Contradiction) -> str:
    first, second = (
        f"{numbers.fixed(abs(d), 1)} sd {'above' if d > 0 else 'below'}" for d in (c.distance_first, c.distance_second)
    )
    how = "together" if c.correlation > 0 else "opposite ways"
    foretold = f"{first} and {second} what the rest foretells"
    err = f"where they should err {how} (r = {numbers.fixed(c.correlation, 2)})"
    return f"{c.first} and {c.second}: {foretold}, {err}; the chance of so poor a match is {numbers.chance(c.p_value)}"


def priors_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Priors that matter, and what the evidence says nothing of."""
    largest = _largest(found.priors.sensitivities)
    heading = "Priors that matter"
    if largest:
        headings = ("prior of", "moves", "prior", "evidence", "which means")
        parts = [tables.fitting(heading, headings, [_prior(s, found) for s in largest], width, color=color)]
        parts += tables._wrapped(PRIORS_NOTE, width, hanging="")
    else:
        parts = [
            tables._styled(heading, width, color=color),
            *tables._bullets(["none, as far as powers of priors tell"], width),
        ]
    says = (
        ("the evidence says nothing of", found.priors.returned),
        ("no evidence of these kinds could identify", found.priors.not_identified),
        ("not examined, since they rest on other quantities, are the priors of", found.priors.left),
    )
    return "\n".join([*parts, *tables._bullets([f"{what} {_names(names)}" for what, names in says if names], width)])


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(spoken(name) for name in names[:MOST_ROWS])
    return shown if len(names) <= MOST_ROWS else f"{shown} and {len(names) - MOST_ROWS} more"


def _largest(sensitivities: Sequence[Sensitivity]) -> list[Sensitivity]:
    """Of each latent that matters, what it moves most."""
    most: dict[str, Sensitivity] = {}
    for s in sensitivities:
        if s.to_prior >= SENSITIVE and (s.latent not in most or s.to_prior > most[s.latent].to_prior):
            most[s.latent] = s
    return sorted(most.values(), key=lambda s: -s.to_prior)


def _prior(s: Sensitivity, found: Audit) -> tables.Row:
    others = sum(o.latent == s.latent and o.to_prior >= SENSITIVE for o in found.priors.sensitivities) - 1
    moved = spoken(s.target) + (f" and {others} more" if others else "")
    means = s.diagnosis + (" (unsure: few draws stand for it)" if s.pareto_k > _UNSURE else "")
    return spoken(s.latent), moved, numbers.fixed(s.to_prior, 2), numbers.fixed(s.to_likelihood, 2), means


def odds_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """The prior odds of each hypothesis at which the verdict turns; empty without rivals."""
    curves = leading_curves(found)
    if not curves:
        return ""
    rows = [
        (spoken(c.hypothesis), odds(c.stated), numbers.chance(c.under), numbers.chance(c.otherwise), _turns(c))
        for c in curves
    ]
    headings = ("hypothesis", "odds stated", "claim if it holds", "if not", "verdict turns")
    return tables.fitting("Prior odds of each hypothesis against the others", headings, rows, width, color=color)


def leading_curves(found: Audit) -> list[OddsCurve]:
    """The curves of the leading claim; none where no claim leads."""
    return [c for c in found.odds if found.claim is not None and c.claim == found.claim]


def odds(x: float) -> str:
    """Odds as they are said: 1 : 4 or 4 : 1."""
    return f"{_side(x)} : 1" if x >= 1 else f"1 : {_side(1 / x)}"


def _side(x: float) -> str:
    if x < _PLAIN and math.isclose(x, round(x), rel_tol=1e-9):
        return numbers.fixed(x, 0)
    return numbers.plain(x, 2)


def _turns(c: OddsCurve) -> str:
    if c.crossing is None:
        return "at no odds"
    now = c.stated < c.crossing
    return f"{'above' if now else 'below'} {odds(c.crossing)}"


# --- how it was found ---------------------------------------------------------------------------------------


def routes_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """What was drawn again, what importance weights replaced, and what is out of its limits."""
    parts = [(u, h) for u in found.units for h in u.hypotheses]
    if not parts:
        return ""
    weighed = [(u, h) for u, h in parts if h.route == "importance weights"]
    again = sum(h.route == "refit" for _, h in parts)
    lines = [f"{len(parts):,} fits, one a hypothesis for each thing left out; {again:,} of them by drawing again"]
    if weighed:
        worst = max(h.pareto_k or 0.0 for _, h in weighed)
        names = _names(list(dict.fromkeys(name_of(u) for u, _ in weighed)))
        lines.append(
            f"importance weights replaced {len(weighed):,} (Pareto k at most {numbers.fixed(worst, 2)}), of {names}"
        )
    heading = tables._styled("How it was found", width, color=color)
    return "\n".join([heading, *tables._bullets([*lines, *found.notes], width)])
