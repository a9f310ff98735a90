"""Every picture of a report: each states its finding, and carries a text equivalent and its own numbers."""

from __future__ import annotations

from collections.abc import Iterator

from gaugeglass.judgement.results import Assessment
from gaugeglass.language.spec import Spec
from gaugeglass.publication.balances import chain, parts
from gaugeglass.publication.densities import prior_beside_posterior
from gaugeglass.publication.evidence import ledger
from gaugeglass.publication.sheet import Draws, Picture
from gaugeglass.publication.weights import hypotheses
from gaugeglass.publication.widths import width_curve

__all__ = [
    "Draws",
    "Picture",
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


def pictures(spec: Spec, assessment: Assessment, prior: Draws, posterior: Draws) -> tuple[Picture, ...]:
    """Every picture that a report shows, those without anything to show left out.

    Parameters
    ----------
    spec : Spec
        The model and the dossier.
    assessment : Assessment
        What judgement concluded.
    prior, posterior : mapping of str to array, dims ("draw",)
        Draws of every quantity from the mixture of hypotheses, in its unit; one index is one joint draw.
    """
    return tuple(_pictures(spec, assessment, prior, posterior))


def _pictures(spec: Spec, assessment: Assessment, prior: Draws, posterior: Draws) -> Iterator[Picture]:
    names = [n for n in leading(spec) if n in prior and n in posterior]
    if names:
        yield prior_beside_posterior(assessment, prior, posterior, names[:1], name="leading")
    if names[1:]:
        yield prior_beside_posterior(assessment, prior, posterior, names)
    if len(assessment.hypotheses) > 1:
        yield hypotheses(assessment)
    if assessment.verdicts and assessment.verdicts[0].curve is not None:
        yield width_curve(assessment)
    for index, described in enumerate(spec.model.pictures):
        draw = {"chain": chain, "parts": parts}[described.kind]
        yield draw(spec, posterior, described, name=f"{described.kind}-{index + 1}")
    if assessment.ledger:
        yield ledger(assessment)


def leading(spec: Spec) -> tuple[str, ...]:
    """The quantities to show first: those the model names, otherwise its first relations or latents."""
    named = (
        spec.model.leading or tuple(r.name for r in spec.model.relations) or tuple(q.name for q in spec.model.latents)
    )
    return named[:MOST_LEADING]
