"""Tables in plain text for the terminal, at whatever width it has, and as HTML for a notebook."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable, Sequence
from html import escape
from typing import Literal

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaugeglass.inference.posterior import Posterior
from gaugeglass.judgement.identification import SHARPER
from gaugeglass.judgement.quantities import NARROWED, RIDGE
from gaugeglass.judgement.results import Assessment, Conditional, HypothesisSummary, LedgerRow, QuantitySummary, Verdict
from gaugeglass.publication import members, numbers, wording
from gaugeglass.publication.members import Members, by_member
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.widths import bayes_range, stands_over
from gaugeglass.publication.wording import name_of, open_questions, predicted_text, reading_text, tail_text

UNBROKEN = 18
"""Cells of a column that are no longer than this stay on one line [letters]."""
NARROW = 64
"""Below this width [letters] a table becomes a list of records."""
FOLDED = 12
"""What a column of longer cells needs at least. [letters]"""
GAP = 3
"""Between two columns of a table. [letters]"""
_KEPT = "\x1f"
"""What stands for a space at which no line ends: a control character, which no file may have."""
_LEAST = 14
"""What a first column of longer cells is cut down to before a table becomes a list of records. [letters]"""

MISFIT_NOTE = (
    "misfit: the probability, were the hypothesis true, that readings scatter at least as far; a small one is no fit. "
    "± is one Monte Carlo error."
)
TAIL_NOTE = (
    "predicted: mean ± one standard deviation of the reading itself. tail: the probability of a reading as far out or "
    "farther; ! below 5 %."
)
TABLE_NOTE = (
    "of a table: the share of its readings outside of their 90 % predictions, 10 % of which were expected there."
)
WRONG_NOTE = "wrong: the probability that a graded reading says nothing of what it is about; ! above 50 %."
RATIO_NOTE = (
    f"sd ratio: standard deviation after over before. Identified (no word): it is below {NARROWED:g}, and would be at "
    f"most {RIDGE:g} were every reading {SHARPER:.0f} times sharper; partly: one of these; not identified: neither."
)
MEMBERS_NOTE = "of many members: the range of their medians, and in brackets the widest interval of any."

QUANTITIES = ("quantity", "before (90 %)", "after (90 % credible)", "sd ratio")

type Row = tuple[str, ...]


def assessment_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """Everything that an assessment says: the sentence first, then every table."""
    sections = (verdicts_text, hypotheses_text, quantities_text, ledger_text, not_identified_text)
    return "\n\n".join(text for section in sections if (text := section(assessment, width, color=color)))


def verdicts_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """The quotable sentence, and beneath it every verdict with what it rests on."""
    opening = "\n".join(_wrapped(assessment.sentence, width, hanging=""))
    headings = ("claim", "before", "after", "in words")
    rows = [_verdict(v) for v in assessment.verdicts]
    details = [line for v in assessment.verdicts for line in _details(v, width)]
    return "\n".join([opening, "", _table("Verdicts", headings, rows, width, color=color), *details])


def hypotheses_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """Weights of the rival explanations before and after the evidence; empty where there is only one."""
    if len(assessment.hypotheses) < 2:
        return ""
    headings = ("hypothesis", "before", "after", "misfit")
    table = _table("Hypotheses", headings, [_hypothesis(h) for h in assessment.hypotheses], width, color=color)
    return "\n".join([table, *_wrapped(MISFIT_NOTE, width, hanging="")])


def quantities_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """Every quantity before and after the evidence, those of many members in one line."""
    entries = by_member(assessment.quantities)
    table = _table("Quantities", QUANTITIES, [_quantity(q) for q in entries], width, color=color)
    together = any(isinstance(q, Members) for q in entries)
    notes = [RATIO_NOTE, *([MEMBERS_NOTE] if together else []), wording.valueless_text(assessment.quantities)]
    return "\n".join([table, *(line for note in notes for line in _wrapped(note, width, hanging=""))])


def ledger_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """Every observation against its posterior prediction, what is graded or open, and what is set aside and why."""
    counted = wording.counted(assessment.ledger)
    headings = ("observation", "reading", "predicted", "tail")
    parts = [_table("Ledger", headings, [_observation(r) for r in counted], width, color=color)]
    notes = [TAIL_NOTE] if any(r.rows is None for r in counted) else []
    notes += [TABLE_NOTE] if any(r.rows is not None for r in counted) else []
    parts += [line for note in notes for line in _wrapped(note, width, hanging="")]
    graded = [_graded(r) for r in counted if r.grade is not None]
    if graded:
        table = _table("Graded", ("observation", "grade", "wrong"), graded, width, color=color)
        parts += ["", table, *_wrapped(WRONG_NOTE, width, hanging="")]
    for title, lines in (
        ("What values refer to", [f"{name_of(r)}: {wording.bases_text(r)}" for r in counted if r.bases]),
        ("Set aside", [_aside(r) for r in wording.set_aside(assessment.ledger)]),
        ("Withdrawn", [f"{name_of(r)}, {r.stated}: {r.withdrawn}" for r in wording.withdrawn(assessment.ledger)]),
    ):
        parts += ["", _styled(title, width, color=color), *_bullets(lines, width)] if lines else []
    return "\n".join(parts)


def not_identified_text(assessment: Assessment, width: int = 80, *, color: bool = False) -> str:
    """What no evidence of this kind could settle; empty where there is nothing."""
    if not assessment.not_identified:
        return ""
    heading = _styled("Not identified by these methods", width, color=color)
    return "\n".join([heading, *_bullets(open_questions(assessment), width)])


def assessment_html(assessment: Assessment) -> str:
    """An assessment as a notebook shows it: the sentence and the verdicts, hypotheses and quantities."""
    headings = ("claim", "before", "after", "in words")
    tables = [_html("Verdicts", headings, [_verdict(v) for v in assessment.verdicts])]
    if len(assessment.hypotheses) > 1:
        rows = [_hypothesis(h) for h in assessment.hypotheses]
        tables.append(_html("Hypotheses", ("hypothesis", "before", "after", "misfit"), rows))
    rows = [_quantity(q) for q in by_member(assessment.quantities)]
    tables.append(_html("Quantities", QUANTITIES, rows))
    open_ends = "".join(f"<li>{escape(line)}</li>" for line in open_questions(assessment))
    ending = f"<p>Not identified by these methods:</p><ul>{open_ends}</ul>" if open_ends else ""
    return f"<div><p><strong>{escape(assessment.sentence)}</strong></p>{''.join(tables)}{ending}</div>"


def posterior_html(posterior: Posterior) -> str:
    """A posterior as a notebook shows it: the subject, and the hypotheses before and after the evidence."""
    weights = posterior.weights
    rows = [
        (n, numbers.percent(p), numbers.percent_with_error(float(q), float(e)))
        for n, p, q, e in zip(weights.names, weights.prior, weights.posterior, weights.mcse, strict=True)
    ]
    return _html(posterior.spec.dossier.subject, ("hypothesis", "before", "after"), rows)


# --- rows ---------------------------------------------------------------------------------------------------


def _verdict(v: Verdict) -> Row:
    phrase = v.words.phrase if v.words else numbers.ABSENT
    return _capital(v.says), numbers.probability(v.prior), numbers.probability(v.posterior), phrase


def _details(v: Verdict, width: int) -> list[str]:
    """What a verdict rests on, one clause a line."""
    clauses = [f"in words: {numbers.words(v.words, v.posterior.value)}"]
    clauses += [undecided] if (undecided := wording.undecided_text(v)) else []
    clauses += [f"if {spoken(name)}: {_conditional(c)}" for name, c in v.by_hypothesis.items()]
    if v.curve is not None:
        if v.bayes_factor is not None and not v.settled:
            clauses.append(
                f"Bayes factor {numbers.bayes_factor(v.bayes_factor)}, {bayes_range(v.curve)} over the widths tried"
            )
        clauses.append(f"stands over widths {stands_over(v.curve)} of the prior of {spoken(v.curve.latent)}, "
                       f"{numbers.chances(v.lowest, v.highest)}")  # fmt: skip
    return ["", *_wrapped(f"{_capital(v.says)}:", width, hanging=""), *_bullets(clauses, width)]


def _conditional(c: Conditional) -> str:
    if not c.settled:
        return numbers.probability(c.probability)
    return f"{'true' if c.probability.value > 0.5 else 'false'}, settled by definition"


def _hypothesis(h: HypothesisSummary) -> Row:
    after = numbers.percent_with_error(h.posterior, h.mcse)
    return f"{spoken(h.name)}: {h.says}", numbers.percent(h.prior), after, numbers.chance(h.misfit)


def _quantity(q: QuantitySummary | Members) -> Row:
    if isinstance(q, Members):
        ratio = f"{members.ratios_text(q)}, {members.identified_text(q)}"
        return f"{spoken(q.name)} ({q.count} members)", members.before_text(q), members.after_text(q), ratio
    if not q.posterior.upper > q.posterior.lower:
        return spoken(q.name), "", numbers.exact(q.posterior.median, q.unit), q.identified
    ratio = numbers.plain(q.ratio, 2)
    if q.identified != "identified":
        ratio = f"{ratio}, {q.identified}"
    return spoken(q.name), numbers.bounds(q.prior, q.unit), numbers.middle(q.posterior, q.unit), ratio


def _observation(r: LedgerRow) -> Row:
    mark = " !" if wording.is_surprising(r) else ""
    return name_of(r), reading_text(r), predicted_text(r), tail_text(r.tail) + mark


def _graded(r: LedgerRow) -> Row:
    return name_of(r), r.grade or "", wording.wrong_text(r) + (" !" if wording.is_doubted(r) else "")


def _aside(r: LedgerRow) -> str:
    return f"{name_of(r)}, {r.stated}: {wording.aside_text(r)}"


# --- how they are set ---------------------------------------------------------------------------------------


def _table(title: str, headings: Row, rows: Sequence[Row], width: int, *, color: bool) -> str:
    heading = _styled(title, width, color=color)
    first = max(len(cell) for cell in (headings[0], *(row[0] for row in rows)))
    left = width - _beside(headings, rows)
    if width < NARROW or left < min(first, _LEAST):
        return "\n".join([heading, *(line for row in rows for line in _record(headings, row, width))])
    table = Table(
        box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, width=width, header_style="bold" if color else ""
    )
    for i, name in enumerate(headings):
        whole = i > 0 and max((len(row[i]) for row in rows), default=0) <= UNBROKEN
        table.add_column(name, overflow="fold", no_wrap=whole, width=None if i else min(first, width // 3, left))
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return "\n".join([heading, _render(table, width, color=color)])


def fitting(title: str, headings: Row, rows: Sequence[Row], width: int, *, color: bool) -> str:
    """A table; a list of records where its unbroken columns would be cut at that width."""
    first = max(len(cell) for cell in (headings[0], *(row[0] for row in rows)))
    needed = min(first, 3 * width // 10) + _beside(headings, rows)
    return _table(title, headings, rows, width if needed <= width else min(width, NARROW - 1), color=color)


def _beside(headings: Row, rows: Sequence[Row]) -> int:
    """What the columns beside the first need at least, with the gaps before them. [letters]"""
    needed = 0
    for column in list(zip(headings, *rows, strict=True))[1:]:
        widest = max(map(len, column[1:]), default=0)
        needed += GAP + (max(widest, len(column[0])) if widest <= UNBROKEN else FOLDED)
    return needed


def _record(headings: Row, row: Row, width: int) -> list[str]:
    """One row as lines of its own, for a narrow terminal."""
    lines = _wrapped(row[0], width)
    for name, cell in zip(headings[1:], row[1:], strict=True):
        if cell:
            lines += _wrapped(f"{name}: {cell}", width, indent="  ")
    return lines


def _bullets(lines: Iterable[str], width: int) -> list[str]:
    return [part for line in lines for part in _wrapped(f"- {line}", width, hanging="  ")]


def _wrapped(text: str, width: int, *, indent: str = "", hanging: str = "    ") -> list[str]:
    """A text in lines that part no number from its unit; where they might have been the spaces are as they were."""
    lines = textwrap.wrap(
        numbers.kept(text, _KEPT), width, initial_indent=indent, subsequent_indent=hanging, break_on_hyphens=False
    )
    return [line.replace(_KEPT, " ") for line in lines]


def _styled(title: str, width: int, *, color: bool) -> str:
    return _render(Text(title, style="bold" if color else ""), width, color=color)


def _render(what: Table | Text, width: int, *, color: bool) -> str:
    out = io.StringIO()
    system: Literal["standard"] | None = "standard" if color else None
    console = Console(file=out, width=width, force_terminal=color, no_color=not color, color_system=system,
                      highlight=False, markup=False, emoji=False)  # fmt: skip
    console.print(what)
    return "\n".join(line.rstrip() for line in out.getvalue().rstrip("\n").split("\n"))


def _html(caption: str, headings: Row, rows: Sequence[Row]) -> str:
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in headings)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
