"""A calibration in words: what was inside of what the engine said, what came true, and what is off."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from gaugeglass.judgement.calibration import (
    FEWEST,
    JOINT,
    LEVELS,
    MISTAKE,
    Calibration,
    ChanceFinding,
    RankFinding,
    Truths,
    left_out,
)
from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.judgement.uniformity import binomial_band
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.examined import Grid
from gaugeglass.publication.figures import leading
from gaugeglass.publication.histories import when
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.calibrations import Beside, Recorded, entry
from gaugeglass.record.documents import CALIBRATION, plain
from gaugeglass.record.leaks import WITHHELD

MANY_FAILED = 0.05
"""Share of simulations from which those that could not be inferred may hide something: our convention. [1]"""
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
"""Between which probabilities what came true is counted together. [1]"""
_MOST_ROWS = 16

WHAT_WAS_DONE = {
    "prior": (
        "Truths were drawn from the prior, over the mixture of hypotheses. From each the dossier's own evidence was "
        "simulated and inferred again under every hypothesis. So this says whether the inference is right over all "
        "that the model thinks possible; whether the model is true of the world it cannot say."
    ),
    "posterior": (
        "Truths were drawn from the posterior. From each the evidence was simulated once more, as by other sources, "
        "and inferred again from the observed and the simulated together; if the inference is right, such a truth is "
        "one more draw of what that gives. So this says whether the inference is right about where the observed "
        "evidence leads; whether the model is true of the world it cannot say."
    ),
}
"""What uniform ranks mean, by where truths are drawn from."""
WHERE = {"posterior": "Where the evidence leads", "prior": "Over all that the model thinks possible"}
"""What a calibration is about, by where truths are drawn from, in the order to be read."""
_DRAWS_ARE = {
    "too narrow": "its intervals are too narrow",
    "too wide": "its intervals are too wide",
    "too low": "its draws are too low",
    "too high": "its draws are too high",
    "off": "its ranks are not uniform",
}
_CHANCES_ARE = {
    "too low": "its probabilities are too low",
    "too high": "its probabilities are too high",
    "too narrow": "its probabilities are too near to 0 and 100 %",
    "too wide": "its probabilities are too near to 50 %",
}
KEY = (
    ("inside", "how often the truth was in the middle 90 % of the draws"),
    ("p inside", "the chance that a right engine misses 90 % by as much, by itself"),
    ("p ranks", "the chance that its ranks are as uneven anywhere, by itself"),
)
CHANCES_KEY = (
    ("came true", "in how many simulations, and in how many the probabilities expected it"),
    ("z", "by how many standard deviations the Brier score is off; above 0 where probabilities are too sure"),
    ("p", "the chance that a right engine is off as far in either, by itself"),
)
"""What the columns mean."""


def calibration_text(found: Calibration, spec: Spec, width: int = 80, *, color: bool = False) -> str:
    """Everything that is said of a calibration: the verdict first, then the tables."""
    opening = [line for text in said(found, spec) for line in tables._wrapped(text, width, hanging="")]
    sections = (_quantities_text, _chances_text, _drawn_text)
    return "\n\n".join(["\n".join(opening), *(t for s in sections if (t := s(found, spec, width, color=color)))])


def calibration_document(found: Calibration, spec: Spec) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    head = {
        "format": CALIBRATION,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
        "sentence": sentence(found, spec),
        "levels": LEVELS,
        "mistake": MISTAKE,
        "tests": found.tests,
        "limit": found.limit,
        "off": list(found.off),
    }
    return {**head, **plain(found)}


def calibration_entry(made: Recorded, spec: Spec) -> dict[str, Any]:
    """The same as a run holds it, with when it was made and by which versions."""
    return entry(made, calibration_document(made.found, spec))


# --- in words -----------------------------------------------------------------------------------------------


def said(found: Calibration, spec: Spec) -> Iterator[str]:
    """The verdict, what it cannot see, and what was done, a paragraph each."""
    yield sentence(found, spec)
    if failed := failed_text(found):
        yield failed
    if found.quantities:
        yield sight(found)
    yield WHAT_WAS_DONE[found.truths]


def sentence(found: Calibration, spec: Spec) -> str:
    """The verdict: how often the truth was inside, and whether anything is off."""
    if not found.quantities:
        return f"There is nothing to say after {found.used} simulations: ten are the least that anything is tested by."
    return " ".join([_inside(found, spec), verdict(found)])


def _inside(found: Calibration, spec: Spec) -> str:
    """How often the leading quantity's truth was inside, and over how wide a range the others'."""
    own = [f for f in found.quantities if f.quantity != JOINT]
    lead = next((f for name in leading(spec) for f in own if f.quantity == name), (own or found.quantities)[0])
    told = (
        f"When this engine says {numbers.percent(INTERVAL_PROBABILITY, 0)}, the truth was inside "
        f"{numbers.percent(lead.share, 0)} of the time ({lead.inside} of {len(lead.ranks)}, for {spoken(lead.quantity)}"
    )
    if len(own) < 2:
        return f"{told})."
    low, high = (numbers.percent(end(f.share for f in own), 0) for end in (min, max))
    spread = low if low == high else f"from {low} to {high}"
    return f"{told}; {spread} over all {len(own)} quantities)."


def verdict(found: Calibration) -> str:
    """Whether anything is off, against what a right engine would show."""
    kinds = "ranks, intervals and probabilities" if found.chances else "ranks and intervals"
    null = f"a right engine fails any of them in one calibration of {numbers.fixed(1 / MISTAKE, 0)}"
    if not found.off:
        return f"Nothing is off: {kinds} pass all {found.tests} tests, and {null}."
    parts = list(off_parts(found))
    more = f"; and {len(parts) - 6} more" if len(parts) > 6 else ""
    return f"Something is off: {'; '.join(parts[:6])}{more}. {null[:1].upper()}{null[1:]} ({found.tests} tests)."


def off_parts(found: Calibration) -> Iterator[str]:
    """What is off, each with how, the surest first."""
    ranked = sorted((f for f in found.quantities if f.shape), key=lambda f: min(f.p_value, f.inside_p_value))
    for f in ranked:
        yield f"of {name_of(f)} {_DRAWS_ARE[f.shape]} (inside {f.inside} of {len(f.ranks)})"
    for c in sorted((c for c in found.chances if c.shape), key=lambda c: c.p_value):
        count = f"came true {c.seen} times where {numbers.fixed(c.expected, 0)} were expected"
        yield f"of “{spoken(c.name)}” {_CHANCES_ARE[c.shape]} ({count})"


def failed_text(found: Calibration) -> str:
    """How many simulations could not be inferred; empty where all could."""
    count = len(found.failures)
    if not count:
        return ""
    told = f"{count} of {found.simulations} simulations could not be inferred within limits and do not count"
    many = count > MANY_FAILED * found.simulations
    first = "" if found.failures[0] == WITHHELD else f" The first: {found.failures[0]}."
    return f"{told}{', which may hide what is hard to infer' if many else ''}.{first}"


def sight(found: Calibration) -> str:
    """How far off an interval must be to be found by so many simulations."""
    size = max(len(f.ranks) for f in found.quantities)
    low, high = binomial_band(size, INTERVAL_PROBABILITY, found.limit)
    above = f", or {numbers.percent((high + 1) / size, 0)} or more," if high < size else ""
    least = numbers.percent((low - 1) / size, 0)
    return (
        f"{size} simulations see only so much: an interval that holds {least} of the truths or less{above} is found "
        f"more often than not; what is nearer to {numbers.percent(INTERVAL_PROBABILITY, 0)} takes more of them."
    )


def name_of(f: RankFinding) -> str:
    """A quantity as it is printed; the test quantity says what it is."""
    return "the joint log-likelihood" if f.quantity == JOINT else spoken(f.quantity)


# --- of what stands beside a run ----------------------------------------------------------------------------


def damage_texts(found: Beside, file: str) -> Iterator[str]:
    """Of each calibration that cannot be shown: what is wrong with it, what is shown instead, and what to do.

    Parameters
    ----------
    file
        The dossier, as it is typed.
    """
    for damage in found.damages:
        instead = next((made for made in found.shown if made.found.truths == damage.truths), None)
        older = f"; that of {when(instead.created)} is shown instead" if instead else ""
        yield (
            f"the calibration {damage.folder} cannot be shown: {damage.why}{older}; move that folder away, and "
            f"calibrate again: {_calibrating(damage.truths, file, damage.simulations, damage.seed)}"
        )


def elsewhere_text(found: Beside, file: str) -> str:
    """That there is a calibration on other files, and how to make one on these; empty where that need not be said."""
    if not found.elsewhere:
        return ""
    return f"calibrated {when(found.elsewhere)} on other files; on these: {_calibrating('prior', file)}"


def _calibrating(truths: Truths, file: str, simulations: int | None = None, seed: int | None = None) -> str:
    stated = {"simulations": simulations, "truths": None if truths == "prior" else truths, "seed": seed}
    options = (f" --{name} {value}" for name, value in stated.items() if value is not None)
    return f"gaugeglass calibrate {shlex.quote(file)}{''.join(options)}"


# --- tables -------------------------------------------------------------------------------------------------


def shown(found: Calibration, spec: Spec) -> list[RankFinding]:
    """The quantities of a table: what is off, then what leads, then the rest by how near to the limit it is."""
    first = leading(spec)

    def order(f: RankFinding) -> tuple[bool, float, float]:
        place = first.index(f.quantity) if f.quantity in first else len(first) + (f.quantity != JOINT)
        return not f.shape, place, min(f.p_value, f.inside_p_value)

    return sorted(found.quantities, key=order)


def _quantity_row(f: RankFinding) -> tables.Row:
    inside = f"{numbers.percent(f.share, 1)} ({f.inside} of {len(f.ranks)})"
    return name_of(f), inside, p_text(f.inside_p_value), p_text(f.p_value), f.shape or numbers.ABSENT


def uncounted(f: RankFinding) -> str:
    """Why not every simulation counts for a quantity; empty where every one does."""
    reasons = (
        (f.no_value, "the truth or a draw had no value"),
        (f.settled, "every draw was the truth, so that there is no rank"),
    )
    return "; ".join(f"in {count} more simulations {why}" for count, why in reasons if count)


def left_out_text(found: Calibration, spec: Spec) -> str:
    """Which quantities the table leaves out, those that lead first, and why; empty where it has them all."""
    missing, first = left_out(found, spec), leading(spec)
    names = [*(name for name in first if name in missing), *(name for name in missing if name not in first)]
    if not (names and found.quantities):
        return ""
    more = f", and {len(names) - _MOST_ROWS} more" if len(names) > _MOST_ROWS else ""
    return (
        f"Left out: {', '.join(map(spoken, names[:_MOST_ROWS]))}{more}. Fewer than {FEWEST} simulations count there: "
        "in the others the truth or a draw had no value, or every draw was the truth, so that there is no rank."
    )


def _chance_row(c: ChanceFinding) -> tables.Row:
    score = f"{numbers.fixed(c.brier, 3)} ({numbers.fixed(c.brier_expected, 3)})"
    count = f"{c.seen} ({numbers.fixed(c.expected, 1)})"
    return spoken(c.name), count, score, numbers.fixed(c.z, 1), p_text(c.p_value), c.shape or numbers.ABSENT


def p_text(p: float) -> str:
    """A p-value to two significant digits, never 0."""
    return "below 0.0001" if p < 1e-4 else numbers.plain(p, 2)


_QUANTITIES = ("quantity", "inside 90 %", "p inside", "p ranks", "off")
_CHANCES = ("probability of", "came true", "Brier", "z", "p", "off")


def _quantities_text(found: Calibration, spec: Spec, width: int, *, color: bool) -> str:
    if not found.quantities:
        return ""
    every = shown(found, spec)
    rows = [_quantity_row(f) for f in every[:_MOST_ROWS]]
    table = tables.fitting("Where truths lay among draws", _QUANTITIES, rows, width, color=color)
    notes = [_key_text(KEY), *([why] if (why := left_out_text(found, spec)) else [])]
    lines = [f"{name_of(f)}: {why}" for f in every[: len(rows)] if (why := uncounted(f))]
    if len(every) > len(rows):
        notes.insert(0, f"{len(every) - len(rows)} more, none of them off, are in the document of --json.")
    said = [line for note in notes for line in tables._wrapped(note, width, hanging="")]
    return "\n".join([table, *said, *tables._bullets(lines, width)])


def _chances_text(found: Calibration, spec: Spec, width: int, *, color: bool) -> str:
    if not found.chances:
        return ""
    rows = [_chance_row(c) for c in found.chances]
    table = tables.fitting("What came true (expected)", _CHANCES, rows, width, color=color)
    binned = tables.fitting("All claims and hypotheses by the probability they were given", _BINNED,
                            list(_bin_rows(found)), width, color=color)  # fmt: skip
    return "\n".join([table, *tables._wrapped(_key_text(CHANCES_KEY), width, hanging=""), "", binned])


def _key_text(key: Sequence[tuple[str, str]]) -> str:
    return " ".join(f"{term}: {means}." for term, means in key)


_BINNED = ("given", "mean", "came true", "of")


def _bin_rows(found: Calibration) -> Iterator[tables.Row]:
    for b in binned(found.chances):
        given = f"{numbers.percent(b.lower, 0)} to {numbers.percent(b.upper, 0)}"
        yield given, numbers.percent(b.mean), numbers.percent(b.seen / b.size), numbers.fixed(b.size, 0)


def _drawn_text(found: Calibration, spec: Spec, width: int, *, color: bool) -> str:
    if not found.drawn:
        return ""
    heading = tables._styled("How hypotheses were drawn", width, color=color)
    return "\n".join([heading, *tables._bullets(drawn_lines(found), width)])


def drawn_lines(found: Calibration) -> list[str]:
    """How often each way of drawing was taken."""
    ordered = sorted(found.drawn.items(), key=lambda entry: -entry[1])
    return [f"{remedy}: {numbers.fixed(count, 0)}" for remedy, count in ordered]


@dataclass(frozen=True, slots=True)
class Bin:
    """What was given a probability from ``lower`` to ``upper`` [1]: how often, their mean, and how many came true."""

    lower: float
    upper: float
    size: int
    mean: float
    seen: int


def binned(chances: Sequence[ChanceFinding]) -> list[Bin]:
    """What came true by the probability that it was given, empty bins left out."""
    pairs = [pair for c in chances for pair in zip(c.probabilities, c.came, strict=True)]
    found = []
    for lower, upper in pairwise(BINS):
        own = [(p, came) for p, came in pairs if lower <= p < upper or p == upper == BINS[-1]]
        if own:
            mean = sum(p for p, _ in own) / len(own)
            found.append(Bin(lower, upper, len(own), mean, sum(came for _, came in own)))
    return found


# --- on the page --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CalibrationSection:
    """What a page says of a calibration, in the order it is read; what is empty is left out."""

    truths: str
    about: str
    heading: str
    is_off: bool
    sentence: str
    done: str
    failed: str
    sight: str
    quantities: Grid | None
    left_out: str
    key: tuple[tuple[str, str], ...]
    chances: Grid | None
    chances_key: tuple[tuple[str, str], ...]
    drawn: tuple[str, ...]
    made: str
    engine: str


def calibration_section(made: Recorded, spec: Spec, *, engine: str = "") -> CalibrationSection:
    """What a page says of a calibration.

    Parameters
    ----------
    engine
        The version of gaugeglass that made the run on whose page it stands; empty where it stands by itself.
    """
    found = made.found
    every = shown(found, spec)
    quantities = Grid(
        "Where truths lay among draws", _QUANTITIES, tuple(_quantity_row(f) for f in every),
        small=tuple(uncounted(f) for f in every),
        marked=frozenset(k for k, f in enumerate(every) if f.shape), numeric=frozenset({1, 2, 3}),
    )  # fmt: skip
    chances = Grid(
        "What came true (expected)", _CHANCES, tuple(_chance_row(c) for c in found.chances),
        small=tuple(c.says for c in found.chances),
        marked=frozenset(k for k, c in enumerate(found.chances) if c.shape), numeric=frozenset({1, 2, 3, 4}),
    )  # fmt: skip
    return CalibrationSection(
        truths=found.truths,
        about=WHERE[found.truths],
        heading=heading(found),
        is_off=bool(found.off),
        sentence=sentence(found, spec),
        done=WHAT_WAS_DONE[found.truths],
        failed=failed_text(found),
        sight=sight(found) if found.quantities else "",
        quantities=quantities if found.quantities else None,
        left_out=left_out_text(found, spec),
        key=KEY,
        chances=chances if found.chances else None,
        chances_key=CHANCES_KEY,
        drawn=tuple(drawn_lines(found)),
        made=made.created,
        engine=_other_engine(made, engine),
    )


def heading(found: Calibration) -> str:
    """The verdict in few words, with how many simulations it rests on."""
    if not found.quantities:
        return "Too few simulations to say whether the engine is right as often as it says"
    many = f"In {numbers.fixed(found.used, 0)} simulations"
    if found.off:
        return f"{many} something in this engine was off"
    return f"{many} the engine was right as often as it said"


def headings(sections: Sequence[CalibrationSection]) -> str:
    """The heading of several calibrations together: the one that finds something off, else the first."""
    return next((s.heading for s in sections if s.is_off), sections[0].heading)


def _other_engine(made: Recorded, engine: str) -> str:
    """That another version was calibrated than made the run; empty where it is the same."""
    own = made.versions.get("gaugeglass", "")
    if not engine or engine == own:
        return ""
    return f"This was version {own} of gaugeglass; the run was made by version {engine}, of which this says nothing."
