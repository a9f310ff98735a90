"""Candidates as text: which observation to make next, what each is expected to tell, and the best set for a budget."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from gaugeglass.judgement.rankings import BestSet, Expected, Ranking, Worth
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.documents import NEXT, plain

MOST_IN_BRIEF = 4
"""How many candidates are listed in short."""
_SHOWN_REPEATS = 5  # candidates of which repeats are listed

BITS_KEY = (
    (
        "bit",
        "expected information about the claim, ± one Monte Carlo error; 1 bit is what the answer to an even yes-or-no "
        "question tells",
    ),
    ("crosses", "the chance that the claim ends on the other side of its threshold"),
)
NATS_KEY = (
    ("nat", "expected information, ± one Monte Carlo error"),
    ("sd left", "what the standard deviation is expected to shrink to"),
)
"""What the columns of candidates mean."""
SHRINKING = "Added is the expected fall of the logarithm of the standard deviation."
REPEATS_NOTE = (
    "Each time by one origin; where readings of a method share an error, that repeats too. Where the numbers "
    "hardly grow, another reading of the same kind is hardly worth its cost."
)


def ranking_text(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """Everything that is said of candidates: the best in a sentence first, then every table."""
    opening = "\n".join(tables._wrapped(best_sentence(found), width, hanging=""))
    sections = (worths_text, useless_text, repeats_text, set_text)
    return "\n\n".join([opening, *(text for section in sections if (text := section(found, width, color=color)))])


def ranking_brief(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """The same in short: the best candidate in a sentence, and those that are seen to help with what they cost."""
    opening = "\n".join(tables._wrapped(best_sentence(found), width, hanging=""))
    helping = [w for w in found.worths if (w.helps_claim if asks_claim(found) else w.helps_quantity)]
    shown = sorted(helping, key=lambda w: -worth_of(w, found).value)[:MOST_IN_BRIEF]
    if not shown:
        return opening
    scale = cost_scale(found)
    about = f"the claim: {spoken(found.claim or '')}" if asks_claim(found) else spoken(found.quantity)
    told = [(w, worth_of(w, found)) for w in shown]
    rows = [(spoken(w.name), expected(e), _cost(w), per_cost(w, e, scale, helps=True)) for w, e in told]
    table = _priced(f"What tells most about {about}", ("candidate", unit_of(found)), rows, scale, width, color=color)
    return "\n".join([opening, "", table])


def ranking_document(found: Ranking, spec: Spec) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    head = {"format": NEXT, "dossier": spec.dossier.name, "model": spec.model.name, "sentence": best_sentence(found)}
    document: dict[str, Any] = {**head, **plain(found)}
    for entry, w in zip(document["worths"], found.worths, strict=True):
        entry["claim_bits_per_cost"], entry["quantity_nats_per_cost"] = plain(
            (w.claim_bits_per_cost, w.quantity_nats_per_cost)
        )
        entry["verdict"] = w.verdict
    return document


# --- the best -----------------------------------------------------------------------------------------------


def asks_claim(found: Ranking) -> bool:
    """Whether any candidate is seen to help with the claim, so that candidates are told apart by it."""
    return any(w.helps_claim for w in found.worths)


def best_of(found: Ranking) -> Worth | None:
    """What is expected to tell most of the claim, or of the quantity where nothing helps with the claim."""
    if asks_claim(found):
        return max((w for w in found.worths if w.helps_claim), key=lambda w: worth_of(w, found).value)
    return max((w for w in found.worths if w.helps_quantity), key=lambda w: w.quantity_nats.value, default=None)


def worth_of(w: Worth, found: Ranking) -> Expected:
    """What a candidate is expected to tell: bits about the claim, or nats about the quantity."""
    return w.claim_bits if asks_claim(found) and w.claim_bits is not None else w.quantity_nats


def unit_of(found: Ranking) -> str:
    """Of what ``worth_of`` gives."""
    return "bit" if asks_claim(found) else "nat"


def best_sentence(found: Ranking) -> str:
    """The best candidate, and the best for its cost if that is another."""
    about = f"“{found.says}”" if found.claim is not None else spoken(found.quantity)
    if not found.worths:
        return "There is no candidate to weigh."
    best = best_of(found)
    if best is None:
        both = f"{about} or {spoken(found.quantity)}" if found.claim is not None else about
        if len(found.worths) == 1:
            return f"The one candidate is not seen to help with {both}."
        return f"None of the {len(found.worths)} candidates is seen to help with {both}."
    told = f"{spoken(best.name)}{f' ({best.about})' if best.about else ''}"
    cost = "" if best.cost is None else f" It costs {money(best.cost)}."
    head = "Best next"
    if found.best is not None and best.cost is not None and best.cost > found.best.budget:
        head += f", but beyond the budget of {money(found.best.budget)}"
    if asks_claim(found) and found.probability is not None and found.threshold is not None:
        crosses = "" if best.crossing is None else (
            f"; the chance that this crosses {numbers.percent(found.threshold, 0)} is "
            f"{numbers.percent_with_error(best.crossing.value, best.crossing.mcse)}")  # fmt: skip
        first = (f"{head}: {told}. It is expected to tell {expected(worth_of(best, found))} of the "
                 f"{numbers.plain(open_bits(found.probability), 2)} bit that are open about {about} (now "
                 f"{numbers.chance(found.probability)}){crosses}.")  # fmt: skip
    else:
        vain = f"No candidate is seen to help with {about}. " if found.claim is not None else ""
        first = (f"{vain}{head}: {told}. It is expected to tell {expected(best.quantity_nats)} nat about "
                 f"{spoken(found.quantity)}, which leaves {share_left(best)} of its standard deviation.")  # fmt: skip
    return first + cost + _thrifty(found, best)


def _thrifty(found: Ranking, best: Worth) -> str:
    paid = [w for w in found.worths if w.cost and (w.helps_claim if asks_claim(found) else w.helps_quantity)]
    if len(paid) < 2:
        return ""
    first = max(paid, key=lambda w: worth_of(w, found).value / (w.cost or 1))
    return " For its cost, too, it tells most." if first is best else f" For its cost, {spoken(first.name)} tells more."


def open_bits(p: float) -> float:
    """What is open about a claim of that probability [bit]."""
    return -sum(q * math.log2(q) for q in (p, 1 - p) if q > 0)


def expected(e: Expected) -> str:
    """A number expected, to the first digit of its Monte Carlo error."""
    if not (e.mcse > 0 and math.isfinite(e.mcse)):
        return numbers.plain(e.value, 2)
    decimals = min(max(numbers.decimals_of(e.mcse, 1), 0), 3)
    error = max(e.mcse, 10.0**-decimals)
    return f"{numbers.fixed(e.value, decimals)}{numbers.SPACE}±{numbers.SPACE}{numbers.fixed(error, decimals)}"


def money(x: float) -> str:
    """A cost or a budget, in full."""
    return numbers.fixed(x, 0 if x == round(x) else 2)


def share_left(w: Worth) -> str:
    """To what share of itself the quantity's sd is expected to shrink."""
    return numbers.percent(min(w.narrowing.value, 1.0), 0)


# --- tables -------------------------------------------------------------------------------------------------


def worths_text(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """What each candidate is expected to tell of the claim and of the quantity, and what each is."""
    if not found.worths:
        return ""
    scale = cost_scale(found)
    parts = [] if found.claim is None else _about_claim(found, scale, width, color=color)
    parts += [*([""] if parts else []), *_about_quantity(found, scale, width, color=color)]
    about = tables._bullets([f"{spoken(w.name)}: {w.about}" for w in found.worths if w.about], width)
    return "\n".join([*parts, *(["", tables._styled("What they are", width, color=color), *about] if about else [])])


def _about_claim(found: Ranking, scale: float, width: int, *, color: bool) -> list[str]:
    rows = [
        (
            spoken(w.name),
            expected(w.claim_bits),
            numbers.chance(w.crossing.value),
            _cost(w),
            per_cost(w, w.claim_bits, scale, helps=w.helps_claim),
        )
        for w in found.worths
        if w.claim_bits is not None and w.crossing is not None
    ]
    title = f"What each is expected to tell about the claim: {spoken(found.claim or '')}"
    return [_priced(title, ("candidate", "bit", "crosses"), rows, scale, width, color=color),
            *tables._wrapped(_key(BITS_KEY), width, hanging="")]  # fmt: skip


def _about_quantity(found: Ranking, scale: float, width: int, *, color: bool) -> list[str]:
    ordered = sorted(found.worths, key=lambda w: -w.quantity_nats.value)
    rows = [
        (
            spoken(w.name),
            expected(w.quantity_nats),
            share_left(w),
            _cost(w),
            per_cost(w, w.quantity_nats, scale, helps=w.helps_quantity),
        )
        for w in ordered
    ]
    title = f"What each is expected to tell about {spoken(found.quantity)}"
    key = _key(NATS_KEY) + valueless(found)
    return [_priced(title, ("candidate", "nat", "sd left"), rows, scale, width, color=color),
            *tables._wrapped(key, width, hanging="")]  # fmt: skip


def valueless(found: Ranking) -> str:
    """In how many draws the quantity has no value, which all that is said of it leaves out; empty where in none."""
    if not found.no_value:
        return ""
    return (
        f" {spoken(found.quantity)} has no value in {numbers.percent(found.no_value)} of the draws, which are left out."
    )


def _key(entries: Sequence[tuple[str, str]]) -> str:
    return " ".join(f"{term}: {means}." for term, means in entries)


def _priced(
    title: str, headings: tables.Row, rows: Sequence[tables.Row], scale: float, width: int, *, color: bool
) -> str:
    """The table with what each costs, and what it tells for so much, where any cost is stated."""
    if not scale:
        rows = [row[: len(headings)] for row in rows]
    else:
        headings = (*headings, "cost", f"{headings[1]} per {money(scale)}")
    return tables.fitting(title, headings, rows, width, color=color)


def _cost(w: Worth) -> str:
    return "" if w.cost is None else money(w.cost)


def per_cost(w: Worth, e: Expected, scale: float, *, helps: bool) -> str:
    """What a candidate is expected to tell for so much of its cost; empty where it costs nothing or does not help."""
    return numbers.plain(scale * e.value / w.cost, 2) if w.cost and helps else ""


def cost_scale(found: Ranking) -> float:
    """The power of ten that costs are compared in: that of the greatest; 0 where none is stated."""
    costs = [w.cost for w in found.worths if w.cost]
    return 10.0 ** math.floor(math.log10(max(costs))) if costs else 0.0


def useless_text(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """What cannot help, and what was not weighed; empty where all helps."""
    lines = list(useless(found))
    if not lines:
        return ""
    return "\n".join([tables._styled("What does not help", width, color=color), *tables._bullets(lines, width)])


def useless(found: Ranking) -> Iterator[str]:
    """What cannot help and with what, and what was not weighed and why."""
    reasons: dict[str, list[str]] = {}
    for w in found.worths:
        if w.verdict:
            reasons.setdefault(w.verdict.replace("the quantity", spoken(found.quantity)), []).append(spoken(w.name))
    yield from (f"{', '.join(names)} {verdict}" for verdict, names in reasons.items())
    yield from (f"{spoken(name)}: {why}" for name, why in found.left_out.items())


def repeats_text(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """What repeating each candidate that helps is worth; empty where none can be repeated."""
    headings, rows = repeat_rows(found)
    if not rows:
        return ""
    table = tables.fitting(f"Were it repeated [{unit_of(found)}]", headings, rows, width, color=color)
    return "\n".join([table, *tables._wrapped(REPEATS_NOTE, width, hanging="")])


def repeat_rows(found: Ranking) -> tuple[tables.Row, list[tables.Row]]:
    """What repeating is worth: headings, and a row for each candidate that helps and can be repeated."""
    helping = [w for w in found.worths if w.repeats and (w.helps_claim if asks_claim(found) else w.helps_quantity)]
    shown = sorted(helping, key=lambda w: -worth_of(w, found).value)[:_SHOWN_REPEATS]
    most = max((len(w.repeats) for w in shown), default=0)
    times = [w.repeats[i].readings // w.repeats[0].readings for w in shown[:1] for i in range(most)]
    headings = ("candidate", *("once" if n == 1 else f"{n} times" for n in times))
    return headings, [(spoken(w.name), *_repeats(w, found, most)) for w in shown]


def _repeats(w: Worth, found: Ranking, most: int) -> list[str]:
    values = [r.claim_bits if asks_claim(found) and r.claim_bits is not None else r.quantity_nats for r in w.repeats]
    return [*map(expected, values), *[""] * (most - len(values))]


def set_text(found: Ranking, width: int = 80, *, color: bool = False) -> str:
    """The best set within the budget, and what its rule does not promise; empty without a budget."""
    best = found.best
    if best is None:
        return ""
    heading = f"The best set for a budget of {money(best.budget)}"
    if not best.steps:
        lines = tables._bullets([f"nothing: {best.ended}"], width)
        return "\n".join([tables._styled(heading, width, color=color), *lines])
    headings, rows = set_rows(best)
    table = tables.fitting(heading, headings, rows, width, color=color)
    return "\n".join([table, *tables._wrapped(set_said(found), width, hanging="")])


def set_rows(best: BestSet) -> tuple[tables.Row, list[tables.Row]]:
    """The best set: headings, and a row for each candidate of it in order."""
    unit = "bit" if best.about == "claim" else "nat"
    headings = ("candidate", f"adds [{unit}]", f"all so far [{unit}]", "spent so far")
    return headings, [(spoken(s.name), expected(s.gain), expected(s.total), money(s.spent)) for s in best.steps]


def set_said(found: Ranking) -> str:
    """Why the best set ends where it does, and what its rule does not promise; empty without a budget."""
    best = found.best
    if best is None:
        return ""
    if not best.steps:
        return f"Nothing is bought for a budget of {money(best.budget)}: {best.ended}."
    sense = "" if best.about == "claim" else f"{SHRINKING} "
    return f"{sense}It ends there since {best.ended}. {best.caution}"
