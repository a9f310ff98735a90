"""What the page says of an audit and of candidates: headings that state the finding, and the tables beneath them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gaugeglass.judgement.findings import HIGHEST_ODDS, LOWEST_ODDS, Audit, OddsCurve, UnitFinding
from gaugeglass.judgement.rankings import Ranking, Worth
from gaugeglass.language.spec import Spec
from gaugeglass.publication import audits, carrying, numbers, prospects
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.wording import SURPRISING

MOST_TELLING = 12
"""How many of what was left out stand on the page at once, of those that tell something; the others open below them."""

EXPLAINED = {
    "left_out": "Each observation, origin and table was left out in turn, and everything was inferred again from the "
    "rest. What moves the verdict most stands first.",
    "shifted": "Each reading was also shifted, in steps of its own standard uncertainty u, until the verdict turned; "
    "readings of an origin or a table were shifted together.",
    "priors_varied": "Each prior was made stronger and weaker, to see which results follow it, not the evidence.",
    "odds_varied": "How probable each explanation is before the evidence is a choice; here it is varied, for one "
    "explanation at a time.",
}
"""What was done, for whoever has not read the manual."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: headings, rows of as many texts, and the indices of rows to be marked.

    ``numeric`` are the indices of columns of numbers; ``small`` has a second line for the first cell of each row, empty
    where there is none.
    """

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    small: tuple[str, ...] = ()
    marked: frozenset[int] = frozenset()
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class AuditSection:
    """What the page says of an audit, in the order it is read; what is empty is left out."""

    heading: str
    sentence: str
    units: Grid | None
    more_units: Grid | None
    key: tuple[tuple[str, str], ...]
    tipping_heading: str
    tipping: str
    is_searched: bool
    confirmations: tuple[str, ...]
    pairs_heading: str
    pairs: tuple[str, ...]
    pairs_note: str
    priors_heading: str
    priors: Grid | None
    priors_said: tuple[str, ...]
    odds_heading: str
    odds: Grid | None
    routes: tuple[str, ...]


def audit_section(found: Audit, spec: Spec) -> AuditSection:
    """What the page says of an audit."""
    claim = carrying.leading_claim(found, spec)
    ordered = carrying.by_influence(found)
    telling = [u for u in ordered if claim is None or _tells(u)][:MOST_TELLING] or ordered[:1]
    rest = [u for u in ordered if u not in telling]
    is_graded = any(u.wrong is not None for u in found.units)
    is_searched = any(not u.untipped for u in found.units)
    curves = audits.leading_curves(found)
    return AuditSection(
        heading=_heading(found, spec),
        sentence=carrying.carrying(found, spec),
        units=_units(telling, found, spec) if telling else None,
        more_units=_units(rest, found, spec) if rest else None,
        key=audits.units_key(found, is_graded=is_graded),
        tipping_heading=_tipping_heading(found, spec) if claim and found.units else "",
        tipping=_tipping(found, spec) if claim and found.units else "",
        is_searched=is_searched,
        confirmations=(*audits.confirmations(found, spec), *(audits.without_search(found) if is_searched else ())),
        pairs_heading=_pairs_heading(found),
        pairs=tuple(audits.pair_text(c) for c in found.contradictions),
        pairs_note=audits.pairs_note(found) if found.contradictions else "",
        priors_heading=_priors_heading(found),
        priors=_priors(found),
        priors_said=tuple(audits.priors_said(found)),
        odds_heading=_odds_heading(curves),
        odds=_odds(curves) if curves else None,
        routes=tuple(audits.routes(found)),
    )


def _heading(found: Audit, spec: Spec) -> str:
    claim = carrying.leading_claim(found, spec)
    if claim is None:
        return "What the results rest on"
    if not found.units:
        return "No observation counts"
    moving = [u for u in carrying.by_influence(found) if carrying.moves(carrying.of_claim(u))]
    turning = [carrying.name_of(u) for u in moving if carrying.turns(carrying.of_claim(u), claim.threshold)]
    if turning:
        return f"Without {turning[0] if len(turning) == 1 else f'any of {carrying.listed(turning)}'} the verdict turns"
    if not moving:
        return "Nothing alone carries the verdict"
    return f"What carries the verdict most is {carrying.name_of(moving[0])}"


def _tells(u: UnitFinding) -> bool:
    """Whether leaving it out moves the claim, or it is a surprise, or the claim turns where it is shifted."""
    return carrying.moves(carrying.of_claim(u)) or u.surprise.probability.value < SURPRISING or bool(u.tipping)


def _units(ordered: Sequence[UnitFinding], found: Audit, spec: Spec) -> Grid:
    is_graded = any(u.wrong is not None for u in found.units)
    headings = ("left out", "surprise", "without it", "turns at", "chance", "wrong")
    kept = [0, 1, *([2, 3, 4] if found.claim is not None else []), *([5] if is_graded else [])]
    rows = [tuple(row[i] for i in kept) for row in (audits.unit_row(u, found, spec) for u in ordered)]
    caption = "Left out one at a time"
    if found.claim is not None:
        whole = carrying.chance_text(carrying.of_claim(ordered[0]).whole)
        caption += f": with everything, “{spoken(found.claim)}” has {whole}"
    marked = frozenset(i for i, u in enumerate(ordered) if u.surprise.probability.value < SURPRISING)
    return Grid(
        caption, tuple(headings[i] for i in kept), tuple(rows),
        tuple(_held(u) for u in ordered), marked, frozenset(range(1, len(kept))),
    )  # fmt: skip


def _held(u: UnitFinding) -> str:
    """How many readings an origin or a table has."""
    if u.unit.kind == "observation":
        return ""
    count = len(u.unit.ids)
    return f"{numbers.fixed(count, 0)} {'reading' if count == 1 else 'readings'}"


def _tipping(found: Audit, spec: Spec) -> str:
    return " ".join([carrying.overturning(found, spec), *carrying.undecided(found)])


def _tipping_heading(found: Audit, spec: Spec) -> str:
    most = carrying.most_probable_tipping(found.units)
    if most is not None:
        t, unit = most
        name = carrying.name_of(unit)
        if value := carrying.value_text(t, unit, spec, bare=True):
            beyond = "less" if t.side == "below" else "more"
            return f"What would overturn it: {name} at {value} or {beyond}"
        side = "lower" if t.side == "below" else "higher"
        return f"What would overturn it: {name}, {carrying.shift_text(t)} u {side} or more"
    if all(u.untipped for u in found.units):
        return "What would overturn it was not searched for"
    return "No reading was found that would overturn it"


def _pairs_heading(found: Audit) -> str:
    if not found.pairs:
        return ""
    if not found.contradictions:
        return "No two observations contradict each other"
    count = len(found.contradictions)
    first = min(found.contradictions, key=lambda c: c.p_value)
    if count == 1:
        return f"Two readings contradict each other: {first.first} and {first.second}"
    return f"{count} pairs contradict each other, most of all {first.first} and {first.second}"


def _priors_heading(found: Audit) -> str:
    largest = audits.largest_sensitivities(found)
    if not largest:
        return "No prior decides the results by itself"
    conflict = ", and may conflict with the evidence" if largest[0].latent in found.priors.conflicts else ""
    return f"The prior of {spoken(largest[0].latent)} matters most{conflict}"


def _priors(found: Audit) -> Grid | None:
    largest = audits.largest_sensitivities(found)
    if not largest:
        return None
    headings = ("Prior of", "Moves", "By the prior", "By the evidence", "Which means")
    rows = tuple(audits.prior_row(s, found) for s in largest)
    return Grid(audits.PRIORS_NOTE, headings, rows, numeric=frozenset({2, 3}))


def _odds_heading(curves: Sequence[OddsCurve]) -> str:
    if not curves:
        return ""
    if audits.nearest_crossing(curves) is None:
        return f"No prior odds from {audits.odds(LOWEST_ODDS)} to {audits.odds(HIGHEST_ODDS)} turn the verdict"
    return "Other prior odds can turn it"


def _odds(curves: Sequence[OddsCurve]) -> Grid:
    headings = ("Explanation", "Odds stated", "Claim if it holds", "If not", "Verdict turns")
    rows = tuple(audits.odds_row(c) for c in curves)
    last = 4 if any(c.at_most for c in curves) else 5  # two crossings are words, which may be broken over lines
    return Grid("Prior odds of each explanation against the others", headings, rows, numeric=frozenset(range(1, last)))


# --- candidates ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NextSection:
    """What the page says of candidates."""

    heading: str
    sentence: str
    worths: Grid | None
    key: tuple[tuple[str, str], ...]
    useless: tuple[str, ...]
    repeats: Grid | None
    repeats_note: str
    best_set: Grid | None
    set_said: str


def next_section(found: Ranking) -> NextSection:
    """What the page says of candidates."""
    best = prospects.best_of(found)
    is_claim = found.claim is not None
    helping = [w for w in found.worths if w.helps_claim or w.helps_quantity]
    return NextSection(
        heading=f"What to observe next: {spoken(best.name)}" if best else "No candidate is seen to help",
        sentence=prospects.best_sentence(found),
        worths=_worths(helping, found) if helping else None,
        key=(*(prospects.BITS_KEY if is_claim else ()), *prospects.NATS_KEY) if helping else (),
        useless=tuple(prospects.useless(found)),
        repeats=_repeats(found),
        repeats_note=prospects.REPEATS_NOTE,
        best_set=_set(found),
        set_said=prospects.set_said(found),
    )


def _worths(helping: Sequence[Worth], found: Ranking) -> Grid:
    scale = prospects.cost_scale(found)
    is_claim = found.claim is not None
    unit = prospects.unit_of(found)
    about = f"about {spoken(found.quantity)} [nat]"
    headings = (
        "candidate", *(("about the claim [bit]", "crosses") if is_claim else ()), about, "sd left",
        *(("cost", f"{unit} per {prospects.money(scale)}") if scale else ()),
    )  # fmt: skip
    rows = tuple(_worth(w, found, scale) for w in helping)
    caption = "What each candidate is expected to tell, before it is known what would be read"
    small = tuple(w.about for w in helping)
    return Grid(caption, headings, rows, small, numeric=frozenset(range(1, len(headings))))


def _worth(w: Worth, found: Ranking, scale: float) -> tuple[str, ...]:
    cells = [spoken(w.name)]
    if found.claim is not None:
        crossing = math.nan if w.crossing is None else w.crossing.value
        cells += [prospects.expected(w.claim_bits) if w.claim_bits else numbers.ABSENT, numbers.chance(crossing)]
    cells += [prospects.expected(w.quantity_nats), prospects.share_left(w)]
    if scale:
        helps = w.helps_claim if prospects.asks_claim(found) else w.helps_quantity
        told = prospects.per_cost(w, prospects.worth_of(w, found), scale, helps=helps) or numbers.ABSENT
        cells += [numbers.ABSENT if w.cost is None else prospects.money(w.cost), told]
    return tuple(cells)


def _repeats(found: Ranking) -> Grid | None:
    headings, rows = prospects.repeat_rows(found)
    if not rows:
        return None
    unit = prospects.unit_of(found)
    return Grid(f"Were it repeated [{unit}]", headings, tuple(rows), numeric=frozenset(range(1, len(headings))))


def _set(found: Ranking) -> Grid | None:
    if found.best is None or not found.best.steps:
        return None
    caption = f"The best set for a budget of {prospects.money(found.best.budget)}"
    headings, rows = prospects.set_rows(found.best)
    return Grid(caption, headings, tuple(rows), numeric=frozenset(range(1, len(headings))))
