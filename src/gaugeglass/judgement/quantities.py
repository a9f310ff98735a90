"""Quantities before and after the evidence, and which of them the evidence can tell at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import effective_size
from gaugeglass.judgement.identification import sharp_ratios
from gaugeglass.judgement.results import Identified, QuantitySummary, Spread
from gaugeglass.judgement.spreads import spread_of
from gaugeglass.language.spec import Given, Latent

RIDGE = 0.5
"""Posterior over prior sd with ever sharper readings above which a quantity is not identified: our convention. [1]"""
NARROWED = 0.5
"""Posterior over prior sd below which a quantity is called identified: our convention. [1]"""


def summarise(posterior: Posterior) -> tuple[QuantitySummary, ...]:
    """Every quantity of the model, in its order, each member by itself, over the mixture of hypotheses."""
    sharp = sharp_ratios(posterior)
    return tuple(_summary(posterior, name, sharp) for name in posterior.spec.quantities)


def _summary(posterior: Posterior, name: str, sharp: Mapping[str, float]) -> QuantitySummary:
    quantity = posterior.spec.quantities[name]
    before, after = (
        replace(spread_of(draws[name]), no_value=share)
        for draws, share in zip(
            (posterior.prior_mixture, posterior.mixture), posterior.without_value(name), strict=True
        )
    )
    ratio = after.sd / before.sd if before.sd > 0 else float("nan")
    kind = "given" if isinstance(quantity, Given) else "latent" if isinstance(quantity, Latent) else "relation"
    return QuantitySummary(
        name=name,
        about=quantity.about,
        unit=quantity.unit.text,
        kind=kind,  # type: ignore[arg-type]
        prior=before,
        posterior=after,
        mcse=_mcse(posterior, name),
        ratio=ratio,
        sharp_ratio=sharp[name],
        identified=_identified(ratio, sharp[name]),
        by_hypothesis=_by_hypothesis(posterior, name),
    )


def _identified(ratio: float, sharp: float) -> Identified:
    if np.isnan(ratio):
        return "given"
    if np.isnan(sharp):  # a share of members or another step has no slope that would tell
        return "identified" if ratio < NARROWED else "partly"
    if ratio < NARROWED:
        return "identified" if sharp <= RIDGE else "partly"
    return "not identified" if sharp > RIDGE else "partly"


def _by_hypothesis(posterior: Posterior, name: str) -> dict[str, Spread]:
    if not posterior.spec.has_rivals:
        return {}
    return {h: spread_of(f.quantities[name]) for h, f in posterior.fits.items()}


def _mcse(posterior: Posterior, name: str) -> float:
    """Error of the mixture's mean: of each hypothesis's mean, and of the weights."""
    weights = posterior.weights
    means = np.array([f.quantities[name].mean() for f in posterior.fits.values()])
    errors = np.array([_mean_error(f.quantities[name]) for f in posterior.fits.values()])
    drawn = float(np.sum((weights.posterior * errors) ** 2))
    return float(np.sqrt(drawn + np.var(weights.replicates @ means)))


def _mean_error(values: Floats) -> float:
    return float(values.std() / np.sqrt(effective_size(values)))
