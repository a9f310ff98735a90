"""The page: one HTML file that needs no network and says what was concluded, from what, and how to check it."""

from __future__ import annotations

import base64
import functools
import re
import shlex
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import PurePath
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import jinja2
from markupsafe import Markup, escape

from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.pools import Pool
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.judgement.results import Assessment, HypothesisSummary, LedgerRow, QuantitySummary, WidthPoint
from gaugeglass.language.alternatives import stated_before
from gaugeglass.language.spec import Given, Hypothesis, Latent, Method, Relation, Spec
from gaugeglass.publication import members, numbers, wording
from gaugeglass.publication.alternatives import remarks, to_what, what_if
from gaugeglass.publication.examined import EXPLAINED, audit_section, next_section
from gaugeglass.publication.members import Members, by_member
from gaugeglass.publication.question import question
from gaugeglass.publication.sheet import Picture, spoken
from gaugeglass.publication.widths import bayes_range, stands_over
from gaugeglass.publication.wording import name_of, open_questions, predicted_text, reading_text, tail_text

if TYPE_CHECKING:
    from gaugeglass.record.calibrations import Recorded

FIXED_CAUTION = "A verdict is a probability under stated assumptions, not proof of anyone's intent."
PRIVATE = "private source"
_SHORT = 18
_LINKED = ("http", "https")


def page(
    spec: Spec,
    assessment: Assessment,
    pictures: Sequence[Picture],
    about_run: Mapping[str, Any],
    *,
    pool: Pool | None = None,
    audit: Audit | None = None,
    ranking: Ranking | None = None,
    calibrations: Sequence[Recorded] = (),
    elsewhere: str = "",
) -> str:
    """The whole report as one HTML text.

    Parameters
    ----------
    spec : Spec
        The model and the dossier, already in the form that may be seen.
    assessment : Assessment
        What judgement concluded.
    pictures : sequence of Picture
        As `gaugeglass.publication.figures.pictures` draws them.
    about_run : mapping
        What to say of the run. ``seed``, ``command`` and ``versions`` (a mapping) have a place of their own; every
        other entry is printed under its key.
    pool : Pool, optional
        The draws with which a reader can question the page; without them the page runs no script.
    audit, ranking : Audit, Ranking, optional
        What the results rest on, and which observation to make next; each has its section where it is given.
    calibrations : sequence of Recorded, optional
        Calibrations on the same files; without any, the page says how to make one.
    elsewhere : str, optional
        When the latest calibration on other files was made, which is said where none is on the same.
    """
    again = command(spec, about_run)
    return environment().get_template("page.html.j2").render(
        assessment=assessment, model=spec.model, style=style(), fixed_caution=FIXED_CAUTION, cautions=cautions(spec),
        counted=wording.counted(assessment.ledger), withdrawn=wording.withdrawn(assessment.ledger),
        aside=wording.set_aside(assessment.ledger), tally=_tally(assessment.ledger, len(spec.dossier.inbox)),
        methods=_methods(spec, assessment), correlated=_correlated(spec), grades=_grades(spec, assessment),
        quantities=by_member(assessment.quantities), unidentified=open_questions(assessment),
        command=again, run=_run(about_run),
        question=pool and question(spec, assessment, pool, command=_inferring(again)),
        audit=audit and audit_section(audit, spec), next=next_section(ranking) if ranking and ranking.worths else None,
        source=_source, differs=_differs, altered=_altered(spec, about_run),
        calibrating="" if calibrations else _calibrating(spec), elsewhere=elsewhere,
        **_calibrated(spec, pictures, calibrations, about_run), **EXPLAINED, **_arranged(pictures),
    )  # fmt: skip


def cautions(spec: Spec) -> list[str]:
    """What the model wants to be said beside every result."""
    return [c for c in spec.model.cautions if c.strip() != FIXED_CAUTION]


def _calibrated(
    spec: Spec, pictures: Sequence[Picture], calibrations: Sequence[Recorded], about_run: Mapping[str, Any]
) -> dict[str, Any]:
    """The calibrations, each with its pictures, and what they find together."""
    if not calibrations:
        return {"calibrations": ()}
    from gaugeglass.publication.calibrations import WHERE, calibration_section, headings

    engine = about_run.get("versions", {}).get("gaugeglass", "")
    ordered = sorted(calibrations, key=lambda made: list(WHERE).index(made.found.truths))
    sections = [calibration_section(made, spec, engine=engine) for made in ordered]
    drawn = [[p for p in pictures if p.name.startswith(f"calibration-{s.truths}-")] for s in sections]
    return {"calibrations": list(zip(sections, drawn, strict=True)), "calibrations_heading": headings(sections)}


def _calibrating(spec: Spec) -> str:
    """The command that calibrates on the same files; empty where there are none, and for an alternative."""
    if spec.alternative is not None or not spec.texts or not spec.evidence:
        return ""
    return f"gaugeglass calibrate {shlex.quote(f'observations/{PurePath(spec.dossier.file).name}')}"


def command(spec: Spec, about_run: Mapping[str, Any]) -> str:
    """The command that computes the same numbers again."""
    if about_run.get("command"):
        return str(about_run["command"])
    seed = f" --seed {about_run['seed']}" if "seed" in about_run else ""
    return f"gaugeglass infer {shlex.quote(f'observations/{spec.dossier.name}.yaml')}{seed}"


def _altered(spec: Spec, about_run: Mapping[str, Any]) -> tuple[str, str] | None:
    """What is otherwise in an alternative, and to what that is one; None where nothing is."""
    if spec.alternative is None:
        return None
    told = " ".join([to_what(about_run.get("alternative to")), *remarks(spec)])
    return what_if(spec.alternative, stated_before(spec)), told


def _inferring(again: str) -> str:
    """The command that infers what a command assesses: it takes the options that ask what if."""
    return again.replace("gaugeglass assess ", "gaugeglass infer ", 1)


def is_link(url: str) -> bool:
    """Whether an address may become a link: HTTP and HTTPS with a host, nothing else."""
    try:
        parts = urlsplit(url.strip())
    except ValueError:
        return False
    return parts.scheme.lower() in _LINKED and bool(parts.netloc)


def _arranged(pictures: Sequence[Picture]) -> dict[str, list[Picture]]:
    """The pictures by the section they stand in."""
    sections = {"lead": "leading", "densities": "prior-posterior", "weights": "hypotheses", "widths": "width-curve",
                "ledgers": "ledger", "caterpillars": "members-", "influences": "influence", "tippings": "tipping",
                "odds_pictures": "prior-odds", "candidates": "candidates"}  # fmt: skip
    placed = {section: [p for p in pictures if p.name.startswith(prefix)] for section, prefix in sections.items()}
    elsewhere = (*sections.values(), "calibration-")
    return {**placed, "described": [p for p in pictures if not p.name.startswith(elsewhere)]}


def _methods(spec: Spec, assessment: Assessment) -> list[Method]:
    used = {row.method for row in assessment.ledger}
    return [m for m in spec.model.methods if m.name in used]


def _tally(rows: Sequence[LedgerRow], inbox: int) -> str:
    """How many observations count and how many do not, in one line."""
    counted = wording.counted(rows)
    tables = [r for r in counted if r.rows is not None]
    parts = [f"{len(counted) - len(tables)} observations counted"]
    if tables:
        readings = numbers.fixed(sum(r.rows or 0 for r in tables), 0)
        parts[0] += f" and {readings} readings in {len(tables)} {'table' if len(tables) == 1 else 'tables'}"
    aside = len(wording.set_aside(rows))
    parts += [f"{len(wording.withdrawn(rows))} withdrawn", *([f"{aside} otherwise set aside"] if aside else [])]
    return f"{', '.join(parts)}; {inbox} waiting in the inbox, not placed yet"


def _correlated(spec: Spec) -> list[str]:
    """What the dossier says of errors that observations have in common."""
    return [f"{first} and {second}: r = {numbers.exact(c.r)}" for c in spec.dossier.correlations
            for first, second in [c.between]]  # fmt: skip


def _grades(spec: Spec, assessment: Assessment) -> list[tuple[str, str]]:
    """What the letters and digits of grades are taken to mean, where any observation has one."""
    if not any(row.grade for row in assessment.ledger):
        return []
    return [
        (spoken(kind), ", ".join(f"{mark} {numbers.percent(float(chance), 0)}" for mark, chance in chances.items()))
        for kind, chances in spec.model.grades.items()
    ]


def _run(about_run: Mapping[str, Any]) -> list[tuple[str, str]]:
    entries = {key: value for key, value in about_run.items() if key != "command" and value != {}}
    return [(spoken(str(key)).capitalize(), _told(value)) for key, value in entries.items()]


def _told(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_told(inner)}" for key, inner in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_told(inner) for inner in value)
    return numbers.plain(value) if isinstance(value, float) else str(value)


def _source(row: LedgerRow) -> Markup:
    """Where an observation can be looked up, as far as that may be said."""
    title = row.source or (PRIVATE if row.private else "no source stated")
    linked = Markup('<a href="{}" rel="noopener noreferrer">{}</a>').format(row.url, title)
    shown = linked if is_link(row.url) else escape(title)
    details = [text for text in (f"origin: {row.origin}" if row.origin else "", row.date, row.note) if text]
    extra = Markup(" <small>{}</small>").format("; ".join(details)) if details else Markup()
    private = Markup(' <span class="tag">private</span>') if row.private and row.source else Markup()
    return Markup("{}{}{}").format(shown, extra, private)


def _differs(hypothesis: Hypothesis) -> str:
    """What sets a hypothesis apart, in one clause each."""
    fixed = [f"{spoken(n)} fixed at {numbers.exact(v)}" for n, v in hypothesis.fix.items()]
    replaced = [f"{spoken(n)} {p.stated}" for n, p in hypothesis.priors.items() if p is not None]
    related = [f"{spoken(n)} = {text}" for n, text in hypothesis.relation_texts.items()]
    said = "; ".join([f"prior weight {numbers.exact(hypothesis.prior_weight)}", *fixed, *replaced, *related])
    return f" ({said})"


# --- how the template prints --------------------------------------------------------------------------------


@functools.cache
def environment() -> jinja2.Environment:
    """What the pages are made by: their templates, and how they print."""
    room = resources.files("gaugeglass.publication")
    loader = jinja2.FunctionLoader(lambda name: room.joinpath(name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    environment.filters.update(
        base64=lambda data: base64.b64encode(data).decode("ascii"), cell=cell, probability=numbers.probability,
        percent=numbers.percent, words=numbers.words, bayes_factor=numbers.bayes_factor, spoken=spoken,
        bayes_range=bayes_range, stands_over=stands_over, bounds=numbers.bounds, middle=numbers.middle,
        chance=numbers.chance, chances=numbers.chances, clause=_clause,
        ratios=_ratios, name_of=name_of, predicted=predicted_text, reading=reading_text, weight=_weight,
        evidence=_evidence, scatter=_scatter, sentence=_sentence, given=_given, tail=tail_text,
        wrong=wording.wrong_text, doubted=wording.is_doubted, surprising=wording.is_surprising,
        bases=wording.bases_text, undecided=wording.undecided_text,
        why=wording.aside_text, placed=_placed, is_group=lambda q: isinstance(q, Members),
        group_before=members.before_text, group_after=members.after_text, group_ratios=_group_ratios,
        group_identified=members.identified_text, unbroken=_unbroken, spaced=numbers.kept,
        factor=numbers.factor, point=_point, moment=_moment,
    )  # fmt: skip
    return environment


def style() -> Markup:
    """The style of every page."""
    return Markup(resources.files("gaugeglass.publication").joinpath("page.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file


def cell(value: str | float | None) -> str:
    """One entry of a table of numbers."""
    if value is None:
        return numbers.ABSENT
    if isinstance(value, str):
        return value
    return numbers.fixed(value, 0) if isinstance(value, int) else numbers.plain(float(value), 5)


def _point(point: WidthPoint) -> str:
    if point.at_most is not None:
        return numbers.between(*point.ends)
    return numbers.percent_with_error(point.probability, point.mcse)


def _moment(made: str) -> str:
    """A moment as it is read, to the minute."""
    return made[:16].replace("T", " ") + (" UTC" if made.endswith("+00:00") else "")


def _sentence(text: str) -> str:
    text = numbers.kept(text)
    return text[:1].upper() + text[1:]


def _ratios(q: QuantitySummary) -> str:
    return f"{numbers.plain(q.ratio, 2)} / {numbers.plain(q.sharp_ratio, 2)}"


def _weight(h: HypothesisSummary) -> str:
    return numbers.percent_with_error(h.posterior, h.mcse)


def _evidence(h: HypothesisSummary) -> str:
    return numbers.value(h.log_evidence, h.log_evidence_mcse)


def _unbroken(text: str) -> str:
    """A short reading kept on one line."""
    return text.replace(" ", numbers.SPACE) if len(text) <= _SHORT else text


def _clause(text: str) -> str:
    """The first clause of a text that says more."""
    return re.split(r"[.;] ", text, maxsplit=1)[0].rstrip(".")


def _given(g: Given) -> str:
    return "stated by the dossier" if g.value is None else numbers.exact(g.value, g.unit.text)


def _group_ratios(group: Members) -> str:
    return f"{members.ratios_text(group)} / {members.ratios_text(group, sharp=True)}"


def _placed(quantity: Latent | Relation) -> str:
    """That a quantity has one value for each member of a group."""
    return f"one value for each {spoken(quantity.per)}" if quantity.per else ""


def _scatter(method: Method) -> str:
    """How readings scatter, what they share, what a wrong one says and what a value may refer to."""
    likelihood = method.likelihood
    nu = "" if likelihood.nu is None else f", nu {numbers.exact(likelihood.nu)}"
    clauses = [spoken(likelihood.family) + nu]
    if not likelihood.is_count:
        clauses.append(f"u {likelihood.u_text or 'as stated by each observation'}")
    if shared := method.shared:
        u = numbers.exact(100 * shared.u, "%") if shared.relative else numbers.exact(shared.u, method.unit.text)
        clauses.append(f"readings of one {spoken(shared.by)} share an error of {u} (“{spoken(shared.name)}”)")
    if method.wrong is not None:
        clauses.append(f"a wrong reading: {method.wrong.stated}")
    if len(method.basis) > 1:
        bases = (f"{spoken(b.name)} (× {b.text}, weight {numbers.exact(b.weight)})" for b in method.basis)
        clauses.append(f"a value refers to {' or '.join(bases)}")
    return "; ".join(clauses)
