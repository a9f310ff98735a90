"""Rows of the ledger in words: readings, tables, grades, bases, and what is set aside."""

from __future__ import annotations

from collections.abc import Sequence

from gaugeglass.judgement.results import INTERVAL_PROBABILITY, Assessment, LedgerRow, QuantitySummary, Verdict
from gaugeglass.publication import numbers
from gaugeglass.publication.members import Members, by_member
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.leaks import WITHHELD

SURPRISING = 0.05
"""Tail probability below which a reading is marked [1]."""
DOUBTED = 0.5
"""Probability of being simply wrong above which a graded reading is marked [1]."""
EXPECTED_OUTSIDE = 1 - INTERVAL_PROBABILITY
"""Share of a table's readings that should lie outside of their predictions [1]."""
WITHHELD_WHY = "for a reason that is withheld"
_ECHO = "repeats "


def counted(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """The rows that count as evidence, tables included."""
    return [r for r in rows if r.aside is None]


def withdrawn(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """The rows that were taken back."""
    return [r for r in rows if r.aside is not None and r.withdrawn is not None]


def set_aside(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """The rows that do not count for another reason than having been taken back."""
    return [r for r in rows if r.aside is not None and r.withdrawn is None]


def is_surprising(row: LedgerRow) -> bool:
    """Whether a reading lies where few were expected."""
    return row.tail is not None and row.tail < SURPRISING


def is_doubted(row: LedgerRow) -> bool:
    """Whether a graded reading is more probably wrong than right."""
    return row.wrong is not None and row.wrong > DOUBTED


def name_of(row: LedgerRow) -> str:
    """What an observation is called in public."""
    return row.id or "private source"


def reading_text(row: LedgerRow) -> str:
    """A reading as it was stated, and in the unit of its method where that is another; a table's readings in brief."""
    if row.rows is not None:
        return f"{rows_text(row)}, median {_in_unit(row.value, row)}, {_range(row)}"
    converted = row.unit != "1" and row.unit not in row.stated
    parts = [row.stated]
    if converted:
        parts.append(f" = {_in_unit(row.value, row)}")
    if row.u is not None and not any(sign in row.stated for sign in "±("):
        parts.append(f", u {numbers.with_unit(numbers.plain(row.u, 2), row.unit)}")
    return "".join(parts)


def rows_text(row: LedgerRow) -> str:
    """How many readings of a table count."""
    all_of_it = row.stated.partition(" ")[0] == str(row.rows)
    count = numbers.fixed(row.rows or 0, 0)
    return f"{count} {'reading' if row.rows == 1 else 'readings'}" if all_of_it else f"{count} of {row.stated}"


def predicted_text(row: LedgerRow) -> str:
    """The posterior prediction of a reading, how a table keeps to its predictions, or that it does not count."""
    if row.outside is not None:
        return outside_text(row.outside)
    if row.predicted is None:
        return "not counted"
    return numbers.spread_value(row.predicted, row.unit)


def outside_text(share: float) -> str:
    """The share of a table's readings outside of their 90 % predictions, beside the share expected there."""
    return f"{share_text(share)} outside ({numbers.percent(EXPECTED_OUTSIDE, 0)} expected)"


def share_text(share: float) -> str:
    """A share of readings that were counted, which may well be none or all of them."""
    return numbers.percent(share, 0 if share in (0.0, 1.0) else 1)


def tail_text(tail: float | None) -> str:
    """A tail probability, with a decimal where it is small; draws that all agree do not make it 0."""
    if tail is None:
        return numbers.ABSENT
    return numbers.chance(tail) if tail < 0.1 else numbers.percent(tail, 0)


def aside_text(row: LedgerRow) -> str:
    """Why a row does not count; empty where it does."""
    if row.aside is None:
        return ""
    if row.withdrawn is not None:
        return f"withdrawn, {WITHHELD_WHY}" if row.withdrawn == WITHHELD else f"withdrawn {row.withdrawn}"
    return f"an echo of {row.aside.removeprefix(_ECHO)}" if row.aside.startswith(_ECHO) else row.aside


def wrong_text(row: LedgerRow) -> str:
    """The probability that a graded reading is simply wrong."""
    return numbers.ABSENT if row.wrong is None else numbers.chance(row.wrong)


def grade_text(row: LedgerRow) -> str:
    """The grade of a reading and how probably it is simply wrong; empty where it has none."""
    if row.grade is None:
        return ""
    return f"graded {row.grade}" if row.wrong is None else f"graded {row.grade}, {wrong_text(row)} simply wrong"


def bases_text(row: LedgerRow) -> str:
    """What a value may refer to, the most probable first; empty where that is not open."""
    ordered = sorted(row.bases.items(), key=lambda entry: -entry[1])
    return ", ".join(f"{spoken(name)} {numbers.chance(p)}" for name, p in ordered)


def undecided_text(verdict: Verdict) -> str:
    """In how many draws a claim is neither true nor false, since something has no value there; empty where in none."""
    before, after = verdict.prior.no_value, verdict.posterior.no_value
    if not (before or after):
        return ""
    where = f"{share_text(before)} of the draws before the evidence and in {share_text(after)} after it"
    return f"neither true nor false in {where}, since something has no value there"


def valueless_text(quantities: Sequence[QuantitySummary]) -> str:
    """Which quantities have no value in how many draws, which their intervals leave out; empty where none."""
    shares = [(q.name, q.prior.no_value, q.posterior.no_value) for q in quantities]
    told = [f"{spoken(name)} {share_text(before)} before, {share_text(after)} after"
            for name, before, after in shares if before or after]  # fmt: skip
    return f"without a value, and left out: of the draws of {'; '.join(told)}." if told else ""


def open_questions(assessment: Assessment) -> tuple[str, ...]:
    """What is not identified, each quantity with what it is about, and those of members together."""
    summaries = {q.name: q for q in assessment.quantities}
    asked = by_member([summaries[n] for n in assessment.not_identified if n in summaries], most_single=1)
    known = {m.name: m for m in by_member(assessment.quantities, most_single=0) if isinstance(m, Members)}
    lines = []
    for entry in asked:
        name = spoken(entry.name)
        if isinstance(entry, Members):
            name += f" [{entry.count} of {known[entry.name].count} members]"
        lines.append(f"{name}: {entry.about}" if entry.about else name)
    return (*lines, *(spoken(n) for n in assessment.not_identified if n not in summaries))


def _in_unit(value: float | None, row: LedgerRow) -> str:
    return numbers.with_unit(numbers.plain(value or 0.0), row.unit)


def _range(row: LedgerRow) -> str:
    return f"{numbers.plain(row.lower or 0.0)} to {_in_unit(row.upper, row)}"
