"""What lets a reader question the page: the pool of draws that it carries, the words around it, and its script."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from gaugeglass.judgement.pools import Pool, PooledClaim, PooledHypothesis, PooledQuantity, PooledReading, PooledUnit
from gaugeglass.judgement.results import Assessment, LedgerRow, QuantitySummary, Verdict
from gaugeglass.judgement.scalings import FACTORS
from gaugeglass.judgement.verdicts import WORDS
from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, scripts, wording
from gaugeglass.publication.densities import _window, bounds, range_of
from gaugeglass.publication.figures import leading
from gaugeglass.publication.sheet import spoken
from gaugeglass.publication.wording import is_surprising, reading_text, tail_text

_ECHO, _HALF = "repeats ", 0.5
_THAN = {">": "more than", ">=": "at least", "<": "less than", "<=": "at most"}
_MOST_MEMBERS = 8
_APART = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
"""What must not stand in a script element as it is."""


@dataclass(frozen=True, slots=True)
class Question:
    """What the template prints of a pool, and what the script is handed.

    ``claims``, ``hypotheses``, ``quantities`` and ``readings`` are in the pool's order, and after the quantities stands
    what only claims compare; ``leading`` is the first claim, None without one. ``shown`` is the quantity that is drawn
    first; ``factors`` are those of u, each as a value and as text. ``policy`` is the source of scripts that the page
    allows. ``is_at_least`` says whether answers are the least that a claim's probability may be, since the pool does
    not know of the greatest.
    """

    draws: str
    leading: Mapping[str, Any] | None
    claims: tuple[Mapping[str, Any], ...]
    hypotheses: tuple[Mapping[str, Any], ...]
    quantities: tuple[Mapping[str, Any], ...]
    shown: int
    factors: tuple[tuple[str, str], ...]
    readings: tuple[Mapping[str, Any], ...]
    wholes: tuple[Mapping[str, Any], ...]
    pool: Markup
    words: Markup
    script: Markup
    style: Markup
    policy: str
    is_at_least: bool


def question(spec: Spec, assessment: Assessment, pool: Pool, *, command: str) -> Question:
    """What the page needs so that it can be questioned.

    Parameters
    ----------
    spec : Spec
        The model and the dossier.
    assessment : Assessment
        What was concluded: everything published is printed from it.
    pool : Pool
        The draws that answer.
    command : str
        What infers the dossier anew; options are added to it.
    """
    texts = {c.name: c.text for c in spec.model.claims}
    claims = tuple(_claim(c, _verdict(assessment, c.name), texts.get(c.name, "")) for c in pool.claims)
    hypotheses = tuple(_hypothesis(h, assessment) for h in pool.hypotheses)
    quantities = (*_quantities(spec, pool, assessment), *_of_claims(pool))
    readings = tuple(_readings(pool, assessment))
    words = {
        "command": command,
        "words": [[w.phrase, w.lower, w.upper] for w in WORDS],
        "claims": [{k: c[k] for k in ("published", "value", "worded", "says", "unit", "factor") if k in c}
                   for c in claims],
        "hypotheses": [{k: h[k] for k in ("published", "card")} for h in hypotheses],
        "quantities": quantities,
        "readings": [{k: r[k] for k in ("predicted", "tail", "unit_text", "surprising", "replacements")}
                     for r in readings],
    }  # fmt: skip
    script = scripts.script()
    return Question(
        draws=numbers.fixed(pool.draws, 0),
        leading=claims[0] if claims else None,
        claims=claims, hypotheses=hypotheses, quantities=quantities,
        shown=_first_shown(spec, pool),
        factors=tuple((f"{f:g}", f"× {'½' if f == _HALF else format(f, 'g')}") for f in sorted((1.0, *FACTORS))),
        readings=readings, wholes=tuple(_wholes(pool)),
        pool=as_data(pool.document()), words=as_data(words),
        script=Markup(script), style=Markup(scripts.own("question.css")),  # noqa: S704 - our own files
        policy=f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode('ascii')}'",
        is_at_least=any(c.most is None and v.posterior.is_between for c in pool.claims
                        if (v := _verdict(assessment, c.name))),
    )  # fmt: skip


def _first_shown(spec: Spec, pool: Pool) -> int:
    """The quantity to show first: the leading one, as elsewhere on the page."""
    names = [q.name for q in pool.quantities]
    return next((names.index(name) for name in leading(spec) if name in names), 0)


def as_data(document: Any) -> Markup:
    """A JSON text that nothing in a script element takes for markup.

    Raises
    ------
    ValueError
        If a number in it is not finite.
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.translate(_APART))  # noqa: S704 - just escaped


def _verdict(assessment: Assessment, name: str) -> Verdict | None:
    return next((v for v in assessment.verdicts if v.kind == "claim" and v.claim == name), None)


def _claim(claim: PooledClaim, verdict: Verdict | None, text: str) -> dict[str, Any]:
    """A claim; a share that its text states in percent is moved in percent, so ``factor`` times as large.

    ``compared`` is what is held against the number, where the text does not show that.
    """
    compared = claim.compare
    in_percent = compared is not None and compared.unit == "1" and "%" in text
    factor, unit = (100.0, "%") if in_percent else (1.0, compared.unit if compared else "1")
    return {
        "says": claim.says,
        "published": numbers.probability(verdict.posterior) if verdict else numbers.ABSENT,
        "value": verdict.posterior.value if verdict else None,
        **({"worded": verdict.words.phrase} if verdict and verdict.words and verdict.posterior.is_between else {}),
        "compare": compared
        and {
            "stated": numbers.exact(factor * compared.at, unit),
            "unit": numbers.unit_text(unit),
            "than": _THAN[compared.sign],
        },
        "compared": compared.of if compared and compared.of not in text else "",
        "text": text,
        "unit": numbers.unit_text(unit),
        "factor": factor,
    }


def _hypothesis(hypothesis: PooledHypothesis, assessment: Assessment) -> dict[str, Any]:
    summary = next((h for h in assessment.hypotheses if h.name == hypothesis.name), None)
    names = (hypothesis.name, f"hypothesis {hypothesis.name}")
    cards = [v.claim for v in assessment.verdicts if v.kind == "hypothesis" and v.claim in names]
    return {
        "name": hypothesis.name,
        "says": hypothesis.says,
        "published": numbers.percent_with_error(summary.posterior, summary.mcse) if summary else numbers.ABSENT,
        "prior": numbers.percent(hypothesis.prior),
        "card": cards[0] if cards else "",
    }


def _quantities(spec: Spec, pool: Pool, assessment: Assessment) -> Iterator[dict[str, Any]]:
    summaries, known = {q.name: q for q in assessment.quantities}, bounds(spec)
    for own in pool.quantities:
        summary = summaries.get(own.name)
        within = [end if math.isfinite(end) else None for end in range_of(own.name, known)]
        yield {**_quantity(own, summary, _extent(pool, own)), "within": within, "column": own.column}


def _of_claims(pool: Pool) -> Iterator[dict[str, Any]]:
    """What is no quantity of the model and just a claim compares, once each; the page finds its own numbers for it."""
    for of, claim in {c.compare.of: c for c in reversed(pool.claims) if c.compare and c.compare.of}.items():
        unit = claim.compare.unit if claim.compare else ""
        yield {
            "name": of,
            "says": spoken(of),
            "about": f"{of}, in “{claim.says}”",
            "unit": numbers.unit_text(unit),
            "published": None,
            "before": None,
            "prior": None,
            "window": None,
            "within": [None, None],
            "column": claim.column,
        }


def _extent(pool: Pool, quantity: PooledQuantity) -> tuple[float, float]:
    values = pool.columns[quantity.column].values
    seen = values[np.isfinite(values)]
    return (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)


def _quantity(own: PooledQuantity, summary: QuantitySummary | None, extent: tuple[float, float]) -> dict[str, Any]:
    unit = numbers.unit_text(own.unit)
    named = {"name": own.name, "says": spoken(own.name), "about": own.about, "unit": unit}
    if summary is None or not all(map(math.isfinite, astuple(summary.prior))):
        return {**named, "published": numbers.ABSENT, "before": numbers.ABSENT, "prior": None, "window": list(extent)}
    prior = summary.prior
    return {
        **named,
        "published": numbers.middle(summary.posterior, own.unit),
        "before": numbers.bounds(prior, own.unit),
        "prior": {"lower": prior.lower, "median": prior.median, "upper": prior.upper},
        "window": list(_window(summary)),
    }


def _readings(pool: Pool, assessment: Assessment) -> Iterator[dict[str, Any]]:
    rows = {row.id: row for row in assessment.ledger if row.aside is None}
    echoes: dict[str, list[str]] = {}
    for aside in wording.set_aside(assessment.ledger):
        if (reason := aside.aside or "").startswith(_ECHO):
            echoes.setdefault(reason.removeprefix(_ECHO), []).append(aside.id)
    units = {u.name: i for i, u in enumerate(pool.units) if u.kind == "observation"}
    for reading in pool.readings:
        row = rows.get(reading.id)
        yield {
            "name": reading.id,
            "about": reading.about,
            "stated": reading_text(row) if row else reading.stated,
            "unit": units.get(reading.id),
            "unit_text": numbers.unit_text(reading.unit),
            "echoes": tuple(echoes.get(reading.id, ())),
            "scalable": reading.scaling is not None,
            "predicted": numbers.bounds(row.predicted, row.unit) if row and row.predicted else numbers.ABSENT,
            "tail": tail_text(row.tail if row else None),
            "surprising": row is not None and is_surprising(row),
            "replacements": _replacements(reading, row),
        }


def _replacements(reading: PooledReading, row: LedgerRow | None) -> dict[str, str]:
    """What the command line is told in place of a reading, by the factor of its u."""
    if row is None or row.u is None:
        return {}
    unit = "" if reading.unit == "1" else f" {reading.unit}"
    return {f"{factor:g}": f"{{u: {factor * row.u:.10g}{unit}}}" for factor in FACTORS}


def _wholes(pool: Pool) -> Iterator[dict[str, Any]]:
    """Origins and tables, each with what it has."""
    for index, unit in enumerate(pool.units):
        if unit.kind != "observation":
            yield {"index": index, "name": unit.name, "kind": unit.kind, "members": _members(pool, unit)}


def _members(pool: Pool, unit: PooledUnit) -> str:
    names = list(dict.fromkeys(pool.atoms[a].name for a in unit.atoms))
    more = len(names) - _MOST_MEMBERS
    return ", ".join(names[:_MOST_MEMBERS]) + (f" and {more} more" if more > 0 else "")
