"""What was claimed against what came out, in plain text and as a document."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from typing import Any

from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.judgement.scores import BINS, Bin, Decomposition, brier, brier_of_many, log_score
from gaugeglass.publication import numbers, tables
from gaugeglass.publication.histories import when
from gaugeglass.publication.sheet import spoken
from gaugeglass.record.documents import plain
from gaugeglass.record.outcomes import FEW_CLAIMS, ClaimOutcome, DossierOutcome, Mean, Outcomes, QuantityOutcome

FORMAT = "gaugeglass.score/1"
CLASSES_NOTE = (
    "A class holds the claims of which much the same was said, as below. Reliability: how far that is from what came "
    "true of them; resolution: how far what came true differs from class to class; uncertainty: what the share of all "
    "that came true would score."
)
BOUND_NOTE = "≥ and ≤: every draw agreed, so that the bound is scored."
OPEN_NOTE = "≥ and ≤ of what has no value in some draws: the least, or greatest, that its probability may be is scored."
FOLLOWS_NOTE = "*: follows from the numbers that the truth states."
CRPS_NOTE = (
    "CRPS: the continuous ranked probability score of the draws in the unit of the quantity, which for a single number "
    "would be how far off it is. Rank: the share of draws below the truth."
)
_HALF = 0.5


def outcomes_text(found: Outcomes, width: int = 80, *, color: bool = False) -> str:
    """Everything that was scored: how many, the scores, then each claim and each quantity."""
    parts = tables._wrapped(f"Scored: {count_text(found)}.", width, hanging="")
    if found.is_few and _counts(found):
        parts += tables._wrapped(few_text(found), width, hanging="")
    parts += tables._bullets([f"{d.dossier}: {_which(d)}" for d in found.dossiers], width)
    parts += tables._bullets([f"{name} is not scored: it {why}" for name, why in found.unscored], width)
    left = [f"{spoken(name)} of {d.dossier} is left out: {why}" for d in found.dossiers for name, why in d.left]
    parts += tables._bullets(left, width)
    for section in (_scores, _claims, _reliability, _quantities):
        if text := "\n".join(section(found, width, color=color)):
            parts += ["", text]
    return "\n".join(parts)


def outcomes_document(found: Outcomes) -> dict[str, Any]:
    """The same as a document of plain types, of which DEVELOPERS says the shape."""
    document: dict[str, Any] = plain(found)
    document["unscored"] = [{"dossier": name, "why": why} for name, why in found.unscored]
    for entry, own in zip(document["dossiers"], found.dossiers, strict=True):
        entry["left"] = [{"name": name, "why": why} for name, why in own.left]
    claims = {"brier": found.brier, "log_score": found.log_score, "parts": found.parts, "bins": found.bins}
    rivals = {"brier": found.brier_of_hypotheses, "log_score": found.log_score_of_hypotheses}
    quantities = {"count": len(found.quantities), "covered": found.covered, "crps_ratio": found.crps_ratio}
    return {
        "format": FORMAT,
        "interval": {"probability": INTERVAL_PROBABILITY, "kind": "equal-tailed"},
        "counts": {"dossiers": len(found.dossiers), "claims": len(found.claims), "hypotheses": len(found.hypotheses)},
        "few": found.is_few,
        "claims": {"count": len(found.claims), **plain(claims)},
        "hypotheses": {"count": len(found.hypotheses), **plain(rivals)},
        "quantities": plain(quantities),
        **document,
    }


def count_text(found: Outcomes) -> str:
    """How much was scored, in words."""
    return f"{', '.join(_counts(found)) or 'nothing'} of {_count(len(found.dossiers), 'dossier')}"


def _counts(found: Outcomes) -> list[str]:
    """How many of each kind were scored, of what was."""
    kinds = ((found.claims, "claim", "claims"), (found.quantities, "quantity", "quantities"),
             (found.hypotheses, "true hypothesis", "true hypotheses"))  # fmt: skip
    return [_count(len(scored), one, many) for scored, one, many in kinds if scored]


def few_text(found: Outcomes) -> str:
    """Why so few claims say little, or so few of whatever else was scored where no claim was."""
    many = _counts(found)[0]
    together = "Claims of one dossier rest on the same evidence, and so are right or wrong together."
    return (
        f"That is few: with {many} of {_count(len(found.dossiers), 'dossier')} these scores tell how these came out, "
        f"and hardly how good the next verdict will be.{' ' + together if found.claims else ''}"
    )


def _count(n: int, one: str, many: str = "") -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


def _which(d: DossierOutcome) -> str:
    known = f"the latest before {d.known}, when the truth was known" if d.known else "the latest; the truth has no date"
    source = f" ({d.source})" if d.source else ""
    return f"run {d.run}, made {when(d.created)}, {known}{source}"


# --- tables -------------------------------------------------------------------------------------------------


def _scores(found: Outcomes, width: int, *, color: bool) -> Iterator[str]:
    rows = [
        *_mean("claims, Brier", found.brier, ""),
        *_mean("claims, log score", found.log_score, "nat"),
        *_mean("hypotheses, Brier", found.brier_of_hypotheses, ""),
        *_mean("hypotheses, log score", found.log_score_of_hypotheses, "nat"),
    ]
    if not rows:
        return
    yield tables._table("Scores", ("of", "count", "score", "before"), rows, width, color=color)
    if found.claims:
        yield from tables._wrapped(_parts_text(found.parts), width, hanging="")
    yield from tables._wrapped(score_note(found), width, hanging="")


def score_note(found: Outcomes) -> str:
    """What the scores are, and what they are for one who knows nothing of what was scored."""
    summed = ", of hypotheses summed over all of them" if found.hypotheses else ""
    parts = [
        f"Scores are better the lower. Brier: the squared distance from what came out{summed}. Log score: minus the "
        "log of the probability of what came out."
    ]
    if found.claims:
        even = _ignorant([brier(_HALF, True)], [log_score(_HALF, True)])
        parts.append(f"One who says 50 % of every claim scores {even}.")
    if found.hypotheses:
        counts = [h.count for h in found.hypotheses]
        which, mean = "all hypotheses of a dossier", " on average"
        if len(set(counts)) == 1:
            which, mean = f"all {counts[0]} hypotheses", ""
        alike = _ignorant([brier_of_many([1 / n] * n, 0) for n in counts], [log_score(1 / n, True) for n in counts])
        parts.append(f"One who gives {which} the same probability scores {alike}{mean}.")
    return " ".join([*parts, "Before: what the priors alone score."])


def _ignorant(briers: Sequence[float], log_scores: Sequence[float]) -> str:
    """The mean scores of one who knows nothing."""
    of_brier, of_log = (numbers.fixed(sum(own) / len(own), 2) for own in (briers, log_scores))
    return f"{of_brier} and {numbers.with_unit(of_log, 'nat')}"


def _parts_text(parts: Decomposition | None) -> str:
    """The parts of the claims' Brier score and what each is, or why it is not taken apart."""
    if parts is None:
        return (
            f"Of fewer than {FEW_CLAIMS} claims the Brier score is not taken apart: its parts would be mostly chance."
        )
    reliability, resolution, uncertainty, within = (_fixed(getattr(parts, f.name)) for f in fields(parts))
    return (
        f"The claims' Brier score is reliability {reliability} {numbers.MINUS} resolution {resolution} + uncertainty "
        f"{uncertainty} + {within} within classes. {CLASSES_NOTE}"
    )


def _mean(name: str, mean: Mean | None, unit: str) -> Iterator[tuple[str, ...]]:
    if mean is not None:
        yield name, str(mean.count), score_text(mean.score, unit), score_text(mean.prior, unit)


def score_text(score: float, unit: str = "") -> str:
    """A score with three decimals; infinite where the impossible came out."""
    return numbers.with_unit(_fixed(score), unit or "1")


def _fixed(x: float) -> str:
    return numbers.fixed(x, 3)


def _claims(found: Outcomes, width: int, *, color: bool) -> Iterator[str]:
    if not found.claims:
        return
    many = len(found.dossiers) > 1
    rows = [
        (claim_name(c, many), said_text(c), came_text(c), _fixed(c.brier), _fixed(c.log_score)) for c in found.claims
    ]
    yield tables.fitting("Claims", ("claim", "said", "came", "Brier", "log score"), rows, width, color=color)
    notes = [BOUND_NOTE] if any(c.is_bound and not c.held.is_between for c in found.claims) else []
    notes += [OPEN_NOTE] if any(c.held.is_between for c in found.claims) else []
    notes += [FOLLOWS_NOTE] if any(c.known == "follows" for c in found.claims) else []
    yield from tables._wrapped(" ".join(notes), width, hanging="")


def claim_name(c: ClaimOutcome, with_dossier: bool) -> str:
    """A claim by its name, and its dossier where there are several."""
    return f"{spoken(c.claim)} ({c.dossier})" if with_dossier else spoken(c.claim)


def said_text(c: ClaimOutcome) -> str:
    """The probability that is scored; a bound is marked as one."""
    sign = "" if not c.is_bound else "≥ " if c.held.at_least is not None else "≤ "
    return sign + numbers.chance(c.scored)


def came_text(c: ClaimOutcome) -> str:
    """What came of a claim."""
    return ("true" if c.came_true else "false") + (" *" if c.known == "follows" else "")


def _reliability(found: Outcomes, width: int, *, color: bool) -> Iterator[str]:
    if not found.bins:
        return
    rows = [(class_text(b), str(b.count), numbers.percent(b.mean), share_text(b)) for b in found.bins]
    headings = ("class", "claims", "said on average", "came true (90 % interval)")
    yield tables._table("Reliability: what came true, by what was said", headings, rows, width, color=color)


def class_text(b: Bin) -> str:
    """The class of probability that claims fall into."""
    k = max(k for k, edge in enumerate(BINS[:-1]) if edge <= b.mean)
    return f"{numbers.fixed(100 * BINS[k], 0)} to {numbers.percent(BINS[k + 1], 0)}"


def share_text(b: Bin) -> str:
    """How many of a class came true, and the share of all such claims that may."""
    ends = f"{numbers.fixed(100 * b.lower, 0)} to {numbers.percent(b.upper, 0)}"
    return f"{round(b.count * b.share)} of {b.count} ({ends})"


def _quantities(found: Outcomes, width: int, *, color: bool) -> Iterator[str]:
    if not found.quantities:
        return
    many = len(found.dossiers) > 1
    rows = [_quantity(q, many) for q in found.quantities]
    title = f"Quantities: {coverage_text(found)}"
    headings = ("quantity", "truth", "printed (90 %)", "within", "rank", "CRPS (before)")
    yield tables.fitting(title, headings, rows, width, color=color)
    ratio = numbers.plain(found.crps_ratio, 2)
    yield from tables._wrapped(f"{CRPS_NOTE} Over that of the prior: {ratio} (geometric mean).", width, hanging="")


def coverage_text(found: Outcomes) -> str:
    """How many of the printed intervals hold the truth, and how many should."""
    expected = numbers.fixed(INTERVAL_PROBABILITY * len(found.quantities), 1)
    share = numbers.percent(INTERVAL_PROBABILITY, 0)
    return f"{found.covered} of {len(found.quantities)} within their {share} intervals, {expected} expected"


def _quantity(q: QuantityOutcome, with_dossier: bool) -> tuple[str, ...]:
    name = f"{spoken(q.quantity)} ({q.dossier})" if with_dossier else spoken(q.quantity)
    sd = (q.upper - q.lower) / 3.29
    low, high = (numbers.rounded(end, sd) for end in (q.lower, q.upper))
    crps = f"{numbers.with_unit(numbers.plain(q.crps, 2), q.unit)} ({numbers.plain(q.prior_crps, 2)})"
    truth = numbers.exact(q.truth, q.unit)
    return name, truth, f"{low} to {high}", "yes" if q.covered else "no !", numbers.fixed(q.rank, 2), crps
