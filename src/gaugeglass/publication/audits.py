"""An audit as text: what carries the leading claim, what would overturn it, and what else it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from gaugeglass.judgement.findings import (
    HIGHEST_ODDS,
    LOWEST_ODDS,
    Audit,
    ClaimInfluence,
    Contradiction,
    OddsCurve,
    Sensitivity,
    UnitFinding,
)
from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.carrying import (
    NAMED,
    by_influence,
    chance_text,
    common_shift,
    finding,
    is_open,
    leading_claim,
    moves,
    name_of,
    of_claim,
    reading_of,
    shift_of,
    shifted_to,
    shifts,
    value_text,
)
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.wording import DOUBTED, SURPRISING
from gaugeglass.record.documents import AUDIT, plain

SENSITIVE = 0.05
"""Rate of change from which a prior matters, as the audit has it [1]."""
MOST_ROWS = 30
"""How many of what was left out are listed at most."""
MOST_IN_BRIEF = 5
"""How many of what was left out are listed in short."""
_PLAIN = 1000  # odds from which digits are left out
_LITTLE = 0.2  # of the move of one bound, up to which the other is taken to stand still
_UNSURE = 0.7  # shape of the weights' tails above which a rate is said to be unsure
_UP, _DOWN = "\N{BLACK UP-POINTING TRIANGLE}", "\N{BLACK DOWN-POINTING TRIANGLE}"

UNITS_KEY = (
    ("surprise", "the chance, by all the rest, of a reading as far out or farther; ! below 5 %"),
    (
        "without it",
        "the claim's probability when that is left out, ± one Monte Carlo error; "
        f"{_UP} and {_DOWN} where it moves by more than three",
    ),
    (
        "turns at",
        "the nearest value, of several readings the nearest shift of all in their own standard uncertainties u, at "
        "which the claim crosses its threshold",
    ),
    ("chance", "of going at least so far, by all the rest; – where none was found as far as draws reach"),
)
"""What the columns of what was left out mean."""
OPEN_KEY = (
    "bounds",
    "the least and the greatest that the claim's probability may be, since it has no value in some draws; the arrow is "
    f"that of the bound that moves more, {_UP}{_DOWN} stands where they move apart or towards each other, and a claim "
    "turns where the least crosses its threshold",
)
"""What bounds in these columns mean, where draws without a value leave a claim open."""
WRONG_KEY = (
    "wrong",
    "the probability that a graded reading says nothing of what it is about; of several the expected share; ! above "
    "50 %",
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


def audit_brief(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """The same in short: the finding, what moves the leading claim most, and whether any two observations conflict."""
    opening = "\n".join(tables._wrapped(finding(found, spec), width, hanging=""))
    if found.claim is None or not found.units:
        return opening
    shown = [u for u in by_influence(found) if moves(of_claim(u))][:MOST_IN_BRIEF] or by_influence(found)[:1]
    rows = [unit_row(u, found, spec)[:5] for u in shown]
    whole = chance_text(of_claim(shown[0]).whole)
    what = "What carries it" if moves(of_claim(shown[0])) else "What moves it most"
    title = f"{what} (with everything: {whole})"
    headings = ("left out", "surprise", "without it", "turns at", "chance")
    table = tables.fitting(title, headings, rows, width, color=color)
    said = tables._wrapped(_contradicting(found), width, hanging="") if found.contradictions else []
    return "\n".join([opening, "", table, *said])


def _contradicting(found: Audit) -> str:
    """Which observations contradict each other, the worst first."""
    pairs = [f"{c.first} and {c.second}" for c in sorted(found.contradictions, key=lambda c: c.p_value)]
    more = f"; and {len(pairs) - NAMED} more" if len(pairs) > NAMED else ""
    return f"These contradict each other: {'; '.join(pairs[:NAMED])}{more}."


def audit_document(found: Audit, spec: Spec) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    head = {
        "format": AUDIT,
        "dossier": spec.dossier.name,
        "model": spec.model.name,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
        "sentence": finding(found, spec),
    }
    document: dict[str, Any] = {**head, **plain(replace(found, pool=None))}
    del document["pool"]
    for entry, unit in zip(document["units"], found.units, strict=True):
        own = reading_of(unit, spec)
        entry["reading_unit"] = None if own is None else spec.method(own).unit.text
    return document


# --- what was left out --------------------------------------------------------------------------------------


def units_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Every observation, origin and table: its surprise, what rests on it, and where it would turn the claim."""
    ordered = by_influence(found)
    if not ordered:
        return ""
    shown = ordered[:MOST_ROWS]
    graded = any(u.wrong is not None for u in shown)
    headings = ("left out", "surprise", "without it", "turns at", "chance", *(("wrong",) if graded else ()))
    rows = [unit_row(u, found, spec)[: len(headings)] for u in shown]
    title = "Left out one at a time"
    if found.claim is not None:
        title += f" (with everything: {chance_text(of_claim(shown[0]).whole)})"
    parts = [tables.fitting(title, headings, rows, width, color=color)]
    lines = [" ".join(f"{term}: {means}." for term, means in units_key(found, is_graded=graded))]
    if ordered[len(shown) :]:
        lines.insert(0, f"{len(ordered) - len(shown)} more that move it less are in the document of --json.")
    parts += [part for line in lines for part in tables._wrapped(line, width, hanging="")]
    parts += tables._bullets([*confirmations(found, spec), *without_search(found)], width)
    return "\n".join(parts)


def units_key(found: Audit, *, is_graded: bool) -> tuple[tuple[str, str], ...]:
    """What the columns mean that there are."""
    if found.claim is None:
        return (*UNITS_KEY[:1], *([WRONG_KEY] if is_graded else []))
    is_bounded = any(p.is_between for u in found.units for p in (of_claim(u).whole, of_claim(u).without))
    return (*UNITS_KEY, *([OPEN_KEY] if is_bounded else []), *([WRONG_KEY] if is_graded else []))


def unit_row(u: UnitFinding, found: Audit, spec: Spec) -> tables.Row:
    """What was left out: its surprise, the claim without it, where it turns, the chance of that, if it is wrong."""
    p = u.surprise.probability.value
    surprise = numbers.chance(p) + (" !" if p < SURPRISING else "")
    without = _marked(of_claim(u)) if found.claim is not None else ""
    t = max(u.tipping, key=lambda tipping: tipping.chance.value, default=None)
    at = chance = numbers.ABSENT
    if t is not None:
        at = value_text(t, u, spec, bare=True) or common_shift(t)
        chance = numbers.chance(t.chance.value)
    wrong = "" if u.wrong is None else numbers.chance(u.wrong) + (" !" if u.wrong > DOUBTED else "")
    return name_of(u), surprise, without, at, chance, wrong


def _marked(c: ClaimInfluence) -> str:
    return chance_text(c.without) + (f" {_arrow(c)}" if moves(c) else "")


def _arrow(c: ClaimInfluence) -> str:
    """Where the claim's probability moves; both where bounds of it move apart or towards each other."""
    least, most = shifts(c)
    if least * most < 0 and min(abs(least), abs(most)) > _LITTLE * max(abs(least), abs(most)):
        return _UP + _DOWN
    return _UP if shift_of(c) > 0 else _DOWN


def confirmations(found: Audit, spec: Spec) -> Iterator[str]:
    """What refits say where the claim was foretold to turn."""
    claim = leading_claim(found, spec)
    for u in found.units:
        for t in u.tipping:
            if t.confirmed is not None and claim is not None:
                at, has = shifted_to(t, u, spec), "has at least" if is_open(found) else "is at"
                yield (f"{name_of(u)} at {at}: drawn again there, the claim {has} {chance_text(t.confirmed)}, "
                       f"where its threshold is {numbers.percent(claim.threshold, 0)}")  # fmt: skip


def without_search(found: Audit) -> Iterator[str]:
    """What was not shifted, and why."""
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
    lines = tables._bullets([pair_text(c) for c in found.contradictions], width)
    return "\n".join([heading, *lines, *tables._wrapped(pairs_note(found), width, hanging="")])


def pairs_note(found: Audit) -> str:
    """How many pairs may be named by chance alone."""
    return PAIRS_NOTE.format(pairs=found.pairs, by_chance=math.ceil(SURPRISING * found.pairs))


def pair_text(c: Contradiction) -> str:
    """How two observations contradict each other."""
    first, second = (
        f"{numbers.fixed(abs(d), 1)} sd {'above' if d > 0 else 'below'}" for d in (c.distance_first, c.distance_second)
    )
    how = "together" if c.correlation > 0 else "opposite ways"
    foretold = f"{first} and {second} what the rest foretells"
    err = f"where they should err {how} (r = {numbers.fixed(c.correlation, 2)})"
    return f"{c.first} and {c.second}: {foretold}, {err}; the chance of so poor a match is {numbers.chance(c.p_value)}"


def priors_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Priors that matter, and what the evidence says nothing of."""
    largest = largest_sensitivities(found)
    heading = "Priors that matter"
    if largest:
        headings = ("prior of", "moves", "prior", "evidence", "which means")
        parts = [tables.fitting(heading, headings, [prior_row(s, found) for s in largest], width, color=color)]
        parts += tables._wrapped(PRIORS_NOTE, width, hanging="")
    else:
        parts = [
            tables._styled(heading, width, color=color),
            *tables._bullets(["none, as far as powers of priors tell"], width),
        ]
    return "\n".join([*parts, *tables._bullets(list(priors_said(found)), width)])


def priors_said(found: Audit) -> Iterator[str]:
    """What the evidence says nothing of, and whose prior was not examined."""
    says = (
        ("the evidence says nothing of", found.priors.returned),
        ("no evidence of these kinds could identify", found.priors.not_identified),
        ("not examined, since they rest on other quantities, are the priors of", found.priors.left),
    )
    yield from (f"{what} {_names(names)}" for what, names in says if names)


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(spoken(name) for name in names[:MOST_ROWS])
    return shown if len(names) <= MOST_ROWS else f"{shown} and {len(names) - MOST_ROWS} more"


def largest_sensitivities(found: Audit) -> list[Sensitivity]:
    """Of each latent that matters, what it moves most."""
    most: dict[str, Sensitivity] = {}
    for s in found.priors.sensitivities:
        if s.to_prior >= SENSITIVE and (s.latent not in most or s.to_prior > most[s.latent].to_prior):
            most[s.latent] = s
    return sorted(most.values(), key=lambda s: -s.to_prior)


def prior_row(s: Sensitivity, found: Audit) -> tables.Row:
    """A prior that matters: what it moves, how fast it and the evidence do, and what that means."""
    others = sum(o.latent == s.latent and o.to_prior >= SENSITIVE for o in found.priors.sensitivities) - 1
    least = " (the least)" if s.target in (found.undecided or {}) else ""
    moved = spoken(s.target) + least + (f" and {others} more" if others else "")
    means = s.diagnosis + (" (unsure: few draws stand for it)" if s.pareto_k > _UNSURE else "")
    return spoken(s.latent), moved, numbers.fixed(s.to_prior, 2), numbers.fixed(s.to_likelihood, 2), means


def odds_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """The prior odds of each hypothesis at which the verdict turns; empty without rivals."""
    curves = leading_curves(found)
    if not curves:
        return ""
    rows = [odds_row(c) for c in curves]
    headings = ("hypothesis", "odds stated", "claim if it holds", "if not", "verdict turns")
    return tables.fitting("Prior odds of each hypothesis against the others", headings, rows, width, color=color)


def odds_row(c: OddsCurve) -> tables.Row:
    """A hypothesis: its odds as stated, the claim if it holds and if not, and the odds that turn the verdict."""
    under, otherwise = (numbers.between(*ends) for ends in chances_of(c))
    return spoken(c.hypothesis), odds(c.stated), under, otherwise, _turns(c)


def chances_of(c: OddsCurve) -> tuple[tuple[float, float], tuple[float, float]]:
    """The least and the greatest that a claim's probability may be if the hypothesis holds, then if not."""
    most = c.at_most
    return (c.under, most.under if most else c.under), (c.otherwise, most.otherwise if most else c.otherwise)


def nearest_crossing(curves: Sequence[OddsCurve]) -> tuple[OddsCurve, float] | None:
    """Of the crossings of curves within the odds that are drawn, the one nearest to what is stated, and its curve."""
    found = [(c, at) for c in curves for at in crossings(c)]
    return min(found, key=lambda entry: abs(math.log(entry[1] / entry[0].stated)), default=None)


def crossings(c: OddsCurve) -> list[float]:
    """The odds, of those that are drawn, at which a claim's probability, or a bound of it, is at its threshold."""
    found = (c.crossing, c.at_most.crossing if c.at_most else None)
    return [at for at in found if at is not None and LOWEST_ODDS <= at <= HIGHEST_ODDS]


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
    least = _beyond(c.crossing, c.stated)
    most = _beyond(c.at_most.crossing, c.stated) if c.at_most else least
    return least if most == least else f"the least {least}, the greatest {most}"


def _beyond(crossing: float | None, stated: float) -> str:
    return "at no odds" if crossing is None else f"{'above' if stated < crossing else 'below'} {odds(crossing)}"


# --- how it was found ---------------------------------------------------------------------------------------


def routes_text(found: Audit, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """What was drawn again, what importance weights replaced, and what is out of its limits."""
    lines = list(routes(found))
    if not lines:
        return ""
    heading = tables._styled("How it was found", width, color=color)
    return "\n".join([heading, *tables._bullets(lines, width)])


def routes(found: Audit) -> Iterator[str]:
    """How many fits there were, how they were made, and what could not be found; nothing where nothing was left out."""
    parts = [(u, h) for u in found.units for h in u.hypotheses]
    if not parts:
        return
    weighed = [(u, h) for u, h in parts if h.route == "importance weights"]
    again = sum(h.route == "refit" for _, h in parts)
    yield f"{len(parts):,} fits, one a hypothesis for each thing left out; {again:,} of them by drawing again"
    if weighed:
        worst = max(h.pareto_k or 0.0 for _, h in weighed)
        names = _names(list(dict.fromkeys(name_of(u) for u, _ in weighed)))
        yield f"importance weights replaced {len(weighed):,} (Pareto k at most {numbers.fixed(worst, 2)}), of {names}"
    yield from found.notes
