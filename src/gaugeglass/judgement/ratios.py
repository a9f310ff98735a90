"""What changing one latent's prior does to draws: importance ratios instead of refits.

Stretched by ``s`` about its centre ``c`` on its unconstrained scale a prior ``p`` becomes ``p(c + (t - c) / s) / s``;
raised to a power ``a`` on the scale of the quantity itself, ``p**a`` over its integral. All coordinates of a latent go
together.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy import special

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.layout import Variety
from gaugeglass.inference.rows import log_density_of_values
from gaugeglass.inference.sampling import Fit
from gaugeglass.language.families import Prior
from gaugeglass.language.spec import Spec

_REACH, _POINTS = 7.5, 1501
"""Normal scores over which the integral of a prior's power is taken, and how many. [1]"""


def numeric_latents(spec: Spec) -> tuple[str, ...]:
    """Latents whose priors are numbers under every hypothesis, in the model's order."""
    return tuple(
        q.name for q in spec.model.latents if not any(h.prior(q).trees for h in spec.hypotheses if q.name not in h.fix)
    )


def log_stretched(density: Density, fit: Fit, latent: str, factor: float) -> Floats:
    """Log of a latent's stretched prior over that which a fit has, in each draw; 0 where a hypothesis fixes it."""
    total = np.zeros(fit.x.shape[:2])
    if latent in density.layout.floored:
        return total  # its coordinates count from the greatest number read, which no width moves
    own = fit.dials.stretch.get(latent, 1.0)
    for prior, t in _coordinates(density, fit, latent):
        near, before = (prior.centre + (t - prior.centre) / by for by in (factor, own))
        total += np.sum(prior.log_density(near) - prior.log_density(before) - math.log(factor / own), axis=0)
    return total


def log_powered(density: Density, fit: Fit, latent: str, power: float) -> Floats:
    """Log of a latent's prior at a power, normalised, over its own, in each draw; 0 where a hypothesis fixes it."""
    total = np.zeros(fit.x.shape[:2])
    for prior, t in _coordinates(density, fit, latent):
        each = (power - 1) * log_density_of_values(prior, prior.constrained(t)) - log_norm_of_power(prior, power)
        total += np.sum(each, axis=0)
    return total


def _coordinates(density: Density, fit: Fit, latent: str) -> Iterator[tuple[Prior, Floats]]:
    """The prior of the form in use and its unconstrained values, dims ("member", "chain", "draw")."""
    for v in density.layout.varieties:
        if density.is_active_form(v, latent, fit.hypothesis):
            prior = density.prior(density.free[v.first], fit.hypothesis)
            yield prior, _unconstrained(density, fit, v, prior)


def _unconstrained(density: Density, fit: Fit, v: Variety, prior: Prior) -> Floats:
    if v.latent in density.layout.floored:
        whole = fit.quantities[v.latent]
        return np.asarray(prior.unconstrained(whole if v.group else whole[None]))
    spread = prior.spread * fit.dials.stretch.get(v.latent, 1.0)
    return np.asarray(prior.centre + spread * np.moveaxis(fit.x[..., v.first : v.first + v.size], -1, 0))


def log_norm_of_power(prior: Prior, power: float) -> float:
    """Log of the integral of a prior's density to a power [unit ** (1 - power)], over normal scores."""
    z = np.linspace(-_REACH, _REACH, _POINTS)
    logs = log_density_of_values(prior, prior.ppf(special.ndtr(z)))
    kept = np.isfinite(logs)
    weights = -0.5 * z[kept] ** 2 - 0.5 * math.log(2 * math.pi) + math.log(z[1] - z[0])
    return float(special.logsumexp((power - 1) * logs[kept] + weights))
