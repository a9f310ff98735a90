"""What carries the leading claim and what would overturn it, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from gaugeglass.judgement.findings import Audit, ClaimInfluence, Tipping, UnitFinding
from gaugeglass.judgement.results import Probability
from gaugeglass.language.spec import Claim, Observation, Spec
from gaugeglass.publication import numbers

NAMED = 3
"""How many of several are named; the rest are counted."""
_ERRORS = 3.0  # Monte Carlo errors of the difference from which a probability is said to have moved
_LEAST = 1e-9  # how near to certainty a probability may be


def finding(found: Audit, spec: Spec) -> str:
    """What carries the leading claim and what would overturn it, in two sentences."""
    claim = leading_claim(found, spec)
    if claim is None or not found.units:
        return carrying(found, spec)
    return " ".join([carrying(found, spec), overturning(found, spec), *undecided(found)])


def undecided(found: Audit) -> Iterator[str]:
    """That the leading claim is neither true nor false in some draws, and what is told of it then; nothing else."""
    if is_open(found):
        share = numbers.percent((found.undecided or {})[found.claim or ""])
        yield (
            f"In {share} of the draws the claim is neither true nor false, since something has no value there: what "
            "would overturn it does so to the least that its probability may be."
        )


def is_open(found: Audit) -> bool:
    """Whether the leading claim is neither true nor false in some draws."""
    return found.claim in (found.undecided or {})


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
    """By how much a claim's probability rises when something is left out [1]; of two bounds the one that moves most."""
    return max(shifts(c), key=abs)


def shifts(c: ClaimInfluence) -> tuple[float, float]:
    """By how much the least and the greatest that it may be rise [1]; where it is not left open these are one."""
    (least, most), (other_least, other_most) = (c.whole.span, c.without.span)
    return other_least - least, other_most - most


def moves(c: ClaimInfluence) -> bool:
    """Whether it moves by more than three Monte Carlo errors of the difference."""
    return abs(shift_of(c)) > _ERRORS * math.hypot(_error(c.whole), _error(c.without))


def _error(p: Probability) -> float:
    """The Monte Carlo error, or how far a bound lies from certainty where draws agree."""
    if p.is_between:
        return p.mcse if math.isfinite(p.mcse) else 0.0
    bounds = (1 - p.at_least if p.at_least is not None else 0.0, p.at_most or 0.0)
    return max(*bounds, p.mcse if math.isfinite(p.mcse) else 0.0)


def chance_text(p: Probability) -> str:
    """A probability with its Monte Carlo error, or its bounds; never 0 or 1."""
    return numbers.probability(_unsure(p))


def chance_said(p: Probability) -> str:
    """The same in a sentence."""
    return numbers.in_a_sentence(_unsure(p))


def _unsure(p: Probability) -> Probability:
    return replace(p, value=min(max(p.value, _LEAST), 1 - _LEAST))


def name_of(unit: UnitFinding) -> str:
    """What was left out, as it is printed."""
    return unit.unit.name if unit.unit.kind == "observation" else f"{unit.unit.kind} {unit.unit.name}"


def turns(c: ClaimInfluence, threshold: float) -> bool:
    """Whether the claim is on the other side of its threshold without it, whatever is left open of either."""
    sides = {_side(c.whole, threshold), _side(c.without, threshold)}
    return len(sides) == 2 and None not in sides


def _side(p: Probability, threshold: float) -> bool | None:
    """Whether a probability is at its threshold or above; None where it may be on either side."""
    least, most = p.span
    return None if least < threshold <= most else least >= threshold


def _turning(c: ClaimInfluence, threshold: float) -> str:
    """What leaving it out does to the verdict, as a clause; empty where that stays as it is."""
    whole, without = (_side(p, threshold) for p in (c.whole, c.without))
    if whole == without:
        return ""
    if without is None:
        return ", which leaves the verdict open"
    return ", which settles the verdict" if whole is None else ", which turns the verdict"


def carrying(found: Audit, spec: Spec) -> str:
    """What carries the leading claim, in a sentence."""
    claim = leading_claim(found, spec)
    if claim is None:
        return "The model states no claim, so that nothing is sought that would overturn one."
    if not found.units:
        return f"No observation counts, so that nothing carries “{claim.says}”."
    top = by_influence(found)[0]
    c = of_claim(top)
    whole, without = chance_said(c.whole), chance_said(c.without)
    if not moves(c):
        return (f"Nothing alone carries “{claim.says}” ({whole}): whatever single observation, origin or table is left "
                "out moves it by less than three Monte Carlo errors.")  # fmt: skip
    close = [name_of(u) for u in by_influence(found)[1:] if _rivals(of_claim(u), c)]
    more = f", hardly less {listed(close)}" if close else " more than anything else"
    gone = f"without {name_of(top)} that goes from {whole} to {without}"
    return f"What carries “{claim.says}” is {name_of(top)}{more}: {gone}{_turning(c, claim.threshold)}."


def _rivals(c: ClaimInfluence, top: ClaimInfluence) -> bool:
    """Whether it moves the claim no less than what moves it most, as far as Monte Carlo errors tell."""
    error = math.hypot(_error(c.without), _error(top.without))
    return moves(c) and abs(shift_of(top)) - abs(shift_of(c)) <= _ERRORS * error


def listed(names: Sequence[str]) -> str:
    """Names in a row, some of them counted where they are many."""
    shown = list(names[:NAMED])
    rest = [f"{len(names) - NAMED} more"] if len(names) > NAMED else []
    *first, last = [*shown, *rest]
    return f"{', '.join(first)} and {last}" if first else last


def overturning(found: Audit, spec: Spec) -> str:
    """What would overturn the leading claim, in a sentence."""
    reasons = {u.untipped for u in found.units}
    if "" not in reasons:
        return f"Which reading would overturn it was not searched for: {'; '.join(sorted(reasons))}."
    most = most_probable_tipping(found.units)
    if most is None:
        return "No reading was found that would overturn it, as far as there were draws to search with."
    t, unit = most
    chance = f"to which the rest gives a chance of {chance_text(t.chance)}"
    lower = "lower" if t.side == "below" else "higher"
    own = reading_of(unit, spec)
    if own is None or t.value is None:
        far = f"all {shift_text(t)} or more of their own standard uncertainties {lower}"
        what = f"the {len(unit.unit.ids)} readings of {name_of(unit)} {far}"
    else:
        at = f"{_kind(own)} {value_text(t, unit, spec)} by {name_of(unit)} in place of {own.stated}"
        what = f"{at}, {shift_text(t)} of its standard uncertainties {lower}, or one {lower} still"
    return f"What would overturn it: {what}, {chance}."


def _kind(o: Observation) -> str:
    """How a reading stands to the one number that is given for it: its value, its middle, or its edge."""
    if o.lower == o.upper:
        return "a reading of"
    return "an interval about" if math.isfinite(o.lower) and math.isfinite(o.upper) else "a bound at"


def most_probable_tipping(units: Sequence[UnitFinding]) -> tuple[Tipping, UnitFinding] | None:
    """Of all places where the claim turns the one that is most probably reached, and what stands there."""
    found = [(t, u) for u in units for t in u.tipping]
    return max(found, key=lambda entry: entry[0].chance.value, default=None)


def shift_text(t: Tipping) -> str:
    """How far the claim's turn is away, in own standard uncertainties."""
    return numbers.rounded(abs(t.shift), t.shift_mcse) if t.shift_mcse > 0 else numbers.plain(abs(t.shift), 2)


def value_text(t: Tipping, unit: UnitFinding, spec: Spec, *, bare: bool = False) -> str:
    """The value at which the claim turns, with its Monte Carlo error unless ``bare``."""
    own = reading_of(unit, spec)
    if own is None or t.value is None:
        return ""
    scale, text = _as_stated(own, spec)
    x, error = scale * t.value, scale * t.shift_mcse * abs((t.value - own.value) / t.shift) if t.shift else math.nan
    if not error > 0:
        return numbers.with_unit(numbers.plain(x), text)
    return numbers.with_unit(numbers.rounded(x, error), text) if bare else numbers.value(x, error, text)


def shifted_to(t: Tipping, unit: UnitFinding, spec: Spec) -> str:
    """Where the claim turns, in brief: the value of one reading, the common shift of several."""
    return value_text(t, unit, spec, bare=True) or f"all {common_shift(t)}"


def common_shift(t: Tipping) -> str:
    """How far several readings are shifted together, in standard uncertainties of their own, up or down."""
    return f"{numbers.MINUS if t.shift < 0 else '+'}{shift_text(t)} u"


def _as_stated(o: Observation, spec: Spec) -> tuple[float, str]:
    """What a number in the unit of the method is to be multiplied by, and the unit: percent where it was stated so."""
    unit = spec.method(o).unit.text
    return (100.0, "%") if unit == "1" and "%" in o.stated else (1.0, unit)


def reading_of(unit: UnitFinding, spec: Spec) -> Observation | None:
    """The reading that was left out, where it is one."""
    ids = unit.unit.ids
    return next((o for o in spec.evidence if o.id == ids[0]), None) if len(ids) == 1 else None
