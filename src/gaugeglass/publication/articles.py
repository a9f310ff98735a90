"""A run as an article in Markdown: what can be pasted elsewhere, with every text of a user made harmless."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from urllib.parse import quote

from gaugeglass.judgement.results import (
    INTERVAL_PROBABILITY,
    Assessment,
    Conditional,
    HypothesisSummary,
    LedgerRow,
    Verdict,
)
from gaugeglass.language.alternatives import stated_before
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, wording
from gaugeglass.publication.alternatives import to_what, what_if
from gaugeglass.publication.frames import Frame
from gaugeglass.publication.page import FIXED_CAUTION, PRIVATE, command, is_link
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.tables import MISFIT_NOTE, TAIL_NOTE

FILE, PICTURE = "article.md", "verdict.png"
"""The names of the article and of its picture, which stands beside it."""
_SIGNS = re.compile(r"([\\`*_\[\]<>|~&$])")
_STARTS = re.compile(r"^(?=[#+\-=>])|^(\d+)(?=[.)](?:\s|$))")
_SAFE = ":/?#[]@!$&'()*+,;=%~"


def reproduction(
    spec: Spec, about_run: Mapping[str, Any], run: str, digest: str, of: Mapping[str, str] | None
) -> dict[str, Any]:
    """What it takes to get the same number, and in ``line`` the whole of it in one line.

    Parameters
    ----------
    about_run
        What is said of the run, as on its page.
    run, digest
        The recorded run and its digest.
    of
        The run that an alternative is one to.
    """
    versions = dict(about_run["versions"])
    known = {"command": command(spec, about_run), "seed": about_run["seed"], "versions": versions, "run": run,
             "digest": f"sha256:{digest}", "alternative_to": dict(of) if of else None}  # fmt: skip
    made_by = ", ".join(f"{name} {version}" for name, version in versions.items())
    return {**known, "line": f"{known['command']} (seed {known['seed']}; {made_by}; run {run}, {known['digest']})"}


def article(spec: Spec, assessment: Assessment, figure: Frame, reproduced: Mapping[str, Any]) -> str:
    """The article; its picture, which ``figure`` is, has to stand beside it."""
    return "\n".join(_lines(spec, assessment, figure, reproduced))


def _lines(spec: Spec, assessment: Assessment, figure: Frame, reproduced: Mapping[str, Any]) -> Iterator[str]:
    yield from (f"# {escaped(assessment.subject)}", "", f"> {escaped(numbers.kept(assessment.sentence))}", "")
    if spec.alternative is not None:
        otherwise = what_if(spec.alternative, stated_before(spec))
        yield from (escaped(f"{otherwise}. {to_what(reproduced['alternative_to'])}"), "")
    yield from (f"*{escaped(FIXED_CAUTION)}*", "")
    yield from (f"![{escaped(figure.alt)}]({PICTURE})", "", f"*{escaped(figure.title)}. {_key(assessment)}*", "")
    yield from _verdicts(assessment.verdicts)
    if len(assessment.hypotheses) > 1:
        yield from _hypotheses(assessment.hypotheses)
    yield from _ledger(assessment.ledger)
    if open_ends := wording.open_questions(assessment):
        yield from ("## What no evidence of this kind identifies", "", *(f"- {escaped(t)}" for t in open_ends), "")
    if cautions := [c for c in spec.model.cautions if c.strip() != FIXED_CAUTION]:
        yield from ("## Cautions", "", *(f"- {escaped(c)}" for c in cautions), "")
    yield from _reproduced(reproduced)


def _key(assessment: Assessment) -> str:
    before = " Dashed: before the evidence." if wording.counted(assessment.ledger) else ""
    gauge = " The gauge's level is the probability, the line across it the threshold." if assessment.verdicts else ""
    if assessment.verdicts and assessment.verdicts[0].posterior.is_between:
        gauge += " What is pale above the level is left open."
    interval = f"{numbers.percent(INTERVAL_PROBABILITY, 0)} credible interval"
    return f"The curve shows what is known of the leading quantity, the bar its {interval}.{gauge}{before}"


def _verdicts(verdicts: Sequence[Verdict]) -> Iterator[str]:
    if not verdicts:
        return
    rows = [(_capital(v.says), numbers.probability(v.prior), numbers.probability(v.posterior),
             numbers.words(v.words, v.posterior.value)) for v in verdicts]  # fmt: skip
    yield from ("## Verdicts", "", *_table(("claim", "before", "after", "in words"), rows), "")
    yield from ("± is one Monte Carlo error.", "")
    for v in verdicts:
        if told := wording.undecided_text(v):
            yield from (f"- {escaped(_capital(v.says).rstrip('.'))}: {escaped(told)}", "")
    leading = verdicts[0]
    if leading.by_hypothesis:
        yield from (f"{escaped(_capital(leading.says).rstrip('.'))}, under each explanation:", "")
        yield from (f"- {escaped(spoken(name))}: {escaped(_under(c))}" for name, c in leading.by_hypothesis.items())
        yield ""


def _under(c: Conditional) -> str:
    if c.settled:
        return f"{'true' if c.probability.value > 0.5 else 'false'}, settled by definition"
    return numbers.probability(c.probability)


def _hypotheses(hypotheses: Sequence[HypothesisSummary]) -> Iterator[str]:
    rows = [
        (f"{spoken(h.name)}: {h.says}", numbers.percent(h.prior), numbers.percent_with_error(h.posterior, h.mcse),
         numbers.chance(h.misfit))
        for h in hypotheses
    ]  # fmt: skip
    yield from ("## Rival explanations", "", *_table(("explanation", "before", "after", "misfit"), rows), "")
    yield from (escaped(MISFIT_NOTE), "")


def _ledger(rows: Sequence[LedgerRow]) -> Iterator[str]:
    counted = wording.counted(rows)
    headings = ("observation", "reading", "predicted", "tail", "source")
    yield from ("## The evidence", "")
    if counted:
        cells = [(wording.name_of(r), wording.reading_text(r), wording.predicted_text(r), _tail(r))
                 for r in counted]  # fmt: skip
        links = [_source(r) for r in counted]
        yield from (*_table(headings, cells, links), "", escaped(_capital(TAIL_NOTE)), "")
    else:
        yield from ("Nothing has been observed yet.", "")
    gone = [r for r in rows if r.aside is not None]
    if gone:
        yield from ("Not counted:", "")
        yield from (f"- {escaped(f'{wording.name_of(r)}, {r.stated}: {wording.aside_text(r)}')}" for r in gone)
        yield ""


def _tail(row: LedgerRow) -> str:
    return wording.tail_text(row.tail) + (" !" if wording.is_surprising(row) else "")


def _source(row: LedgerRow) -> str:
    """Where an observation can be looked up, as a link where it has an address that may be one."""
    title = escaped(row.source or (PRIVATE if row.private else "no source stated"))
    shown = f"[{title}](<{quote(row.url.strip(), safe=_SAFE)}>)" if is_link(row.url) else title
    return f"{shown}, {escaped(row.date)}" if row.date else shown


def _reproduced(reproduced: Mapping[str, Any]) -> Iterator[str]:
    text = " ".join(str(reproduced["command"]).split())
    fence = "`" * max(3, *(len(run) + 1 for run in re.findall("`+", text)), 3)
    versions = ", ".join(f"{name} {version}" for name, version in reproduced["versions"].items())
    yield from ("## How to reproduce the number", "", f"{fence}sh", text, fence, "")
    yield from (f"- seed {reproduced['seed']}", f"- {escaped(versions)}")
    yield from (f"- run {escaped(str(reproduced['run']))}, {escaped(str(reproduced['digest']))}", "")
    yield "The same versions and processor give the same number, others one within the Monte Carlo errors."
    yield ""


def _table(headings: Sequence[str], rows: Sequence[Sequence[str]], last: Sequence[str] | None = None) -> Iterator[str]:
    """Rows of a table; ``last`` is a last column that is written in Markdown already."""
    ends = [""] * len(rows) if last is None else [f" {cell} |" for cell in last]
    yield f"| {' | '.join(headings)} |"
    yield f"|{' --- |' * len(headings)}"
    for row, end in zip(rows, ends, strict=True):
        yield f"| {' | '.join(escaped(cell) for cell in row)} |{end}"


def escaped(text: str) -> str:
    """A text that Markdown shows as it is, in one line: nothing in it is a mark, an entity or a tag."""
    plain = _SIGNS.sub(r"\\\1", " ".join(re.split(r"\s*[\r\n\t\v\f\x1c-\x1e\x85\u2028\u2029]\s*", text)).strip())
    return _STARTS.sub(lambda found: f"{found[1]}\\" if found[1] else "\\", plain)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
