"""Every picture of a report: each states its finding, and carries a text equivalent and its own numbers."""

from __future__ import annotations

from collections.abc import Iterator

from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.spec import Balance, Given, Spec
from gaugeglass.publication.balances import chain, parts
from gaugeglass.publication.caterpillars import caterpillar
from gaugeglass.publication.densities import bounds, prior_beside_posterior
from gaugeglass.publication.evidence import ledger
from gaugeglass.publication.influences import audit_pictures
from gaugeglass.publication.members import Members, by_member
from gaugeglass.publication.sheet import Draws, Picture
from gaugeglass.publication.weights import hypotheses
from gaugeglass.publication.widths import width_curve
from gaugeglass.publication.worths import worth_and_cost

__all__ = [
    "Draws",
    "Picture",
    "caterpillar",
    "chain",
    "hypotheses",
    "leading",
    "ledger",
    "parts",
    "pictures",
    "prior_beside_posterior",
    "width_curve",
]

MOST_LEADING = 8
"""How many quantities are drawn beside their priors at most."""
MOST_CATERPILLARS = 4
"""How many quantities with one value a member are drawn at most."""


def pictures(
    spec: Spec, assessment: Assessment, prior: Draws, posterior: Draws, *, audit: Audit | None = None,
    ranking: Ranking | None = None,
) -> tuple[Picture, ...]:  # fmt: skip
    """Every picture that a report shows, those without anything to show left out.

    Parameters
    ----------
    spec : Spec
        The model and the dossier.
    assessment : Assessment
        What judgement concluded.
    prior, posterior : mapping of str to array, dims ("draw",)
        Draws of every quantity from the mixture of hypotheses, in its unit; one index is one joint draw.
    audit, ranking : Audit, Ranking, optional
        What the results rest on, and which observation to make next.
    """
    examined = audit_pictures(audit, spec) if audit else ()
    prospects = worth_and_cost(ranking) if ranking else ()
    return (*_pictures(spec, assessment, prior, posterior), *examined, *prospects)


def _pictures(spec: Spec, assessment: Assessment, prior: Draws, posterior: Draws) -> Iterator[Picture]:
    names = [n for n in leading(spec) if n in prior and n in posterior]
    within = bounds(spec)
    if names:
        yield prior_beside_posterior(assessment, prior, posterior, names[:1], name="leading", within=within)
    if names[1:]:
        yield prior_beside_posterior(assessment, prior, posterior, names, within=within)
    for group in _of_members(spec, assessment):
        yield caterpillar(group, per=_per(spec, group.name))
    if len(assessment.hypotheses) > 1:
        yield hypotheses(assessment)
    if assessment.verdicts and assessment.verdicts[0].curve is not None:
        yield width_curve(assessment)
    for index, described in enumerate(spec.model.pictures):
        draw = {"chain": chain, "parts": parts}[described.kind]
        if _is_scalar(spec, described):
            yield draw(spec, posterior, described, name=f"{described.kind}-{index + 1}")
    if assessment.ledger:
        yield ledger(assessment)


def leading(spec: Spec) -> tuple[str, ...]:
    """The quantities to show first: those the model names, otherwise its first relations or latents of one value."""
    relations = tuple(r.name for r in spec.model.relations if r.per is None)
    named = spec.model.leading or relations or tuple(q.name for q in spec.model.latents if q.per is None)
    return named[:MOST_LEADING]


def _of_members(spec: Spec, assessment: Assessment) -> list[Members]:
    """Quantities with one value a member, relations before latents as elsewhere."""
    found = {g.name: g for g in by_member(assessment.quantities, most_single=1) if isinstance(g, Members)}
    names = [*(r.name for r in spec.model.relations), *(latent.name for latent in spec.model.latents)]
    return [found[name] for name in names if name in found][:MOST_CATERPILLARS]


def _per(spec: Spec, name: str) -> str:
    quantity = spec.model.quantities[name]
    return "" if isinstance(quantity, Given) else quantity.per or ""


def _is_scalar(spec: Spec, described: Balance) -> bool:
    """Whether a balance names nothing but quantities of one value, which is all that it can show."""
    names = (*described.quantities, *([described.total] if described.total else []))
    return not any(_per(spec, name) for name in names)
