"""Independent draws that cover several posteriors of one hypothesis at once, so that no mode of any is missed.

Chains may stay in one mode of two, and nothing in them tells. Normal densities about the fits of all posteriors, with
the prior, make a mixture whose density is known; each posterior is weights over draws from it (the balance heuristic
of E. Veach and L. J. Guibas, "Optimally combining sampling techniques for Monte Carlo rendering", SIGGRAPH 1995), and
the mean weight is its marginal likelihood. Where coordinates are many, too few of the draws count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from gaugeglass.inference.density import Density, Floats
from gaugeglass.inference.sampling import Fit, draw_prior
from gaugeglass.inference.smoothing import VAGUE, effective
from gaugeglass.inference.weighing import Evidence, _log_densities
from gaugeglass.judgement.leaving import Without

_DRAWS = 24_000
_FEWEST = 1000.0
"""Effective draws from which they are taken rather than those of a fit, which are about as many. [1]"""
_RIDGE = 1e-9


@dataclass(frozen=True)
class Cover:
    """Draws from the mixture, dims ("draw", "free"), and its log density over the active coordinates [nat]."""

    density: Density
    active: list[int]
    x: Floats
    logs: Floats

    def weighed(self, fit: Fit) -> Without | None:
        """A fit's posterior as weights over these draws; None where too few of them count for it.

        No weight can be large beyond measure, since the prior has its share in the mixture.
        """
        told = _log_densities(self.density, fit.dials, self.x[:, self.active], self.active) - self.logs
        told = np.where(np.isfinite(told), told, -np.inf)
        top = float(np.max(told))
        if not math.isfinite(top):
            return None
        ratios = np.exp(told - top)[None]
        size, error = effective(ratios), float(ratios.std() / ratios.mean()) / math.sqrt(told.size)
        if size < _FEWEST or error > VAGUE:
            return None
        evidence = Evidence(math.log(float(ratios.mean())) + top, error, "importance weights")
        found = replace(fit, x=self.x[None], quantities=self.density.quantities(self.x[None], fit.dials))
        return Without(found, ratios / ratios.sum(), told[None], evidence, "importance weights", size)


def cover(density: Density, fits: Sequence[Fit], *, seed: int) -> Cover | None:
    """Draws that cover the posteriors that fits of one hypothesis are of, by various dials.

    None where coordinates have not one meaning in all of them: above a floor that readings set, or in hierarchies.
    """
    hypothesis = fits[0].hypothesis
    active = density.active(hypothesis)
    if not active or density.layout.floored or any(v.prior.trees for v in density.layout.varieties):
        return None
    each = _DRAWS // (len(fits) + 1)
    rng = np.random.default_rng([seed, 0xC0BE])
    normals = [_normal(fit.x[..., active].reshape(-1, len(active))) for fit in fits]
    prior = draw_prior(density, hypothesis, draws=each, chains=1, seed=seed)
    drawn = [mean + rng.standard_normal((each, len(active))) @ root.T for mean, root in normals]
    x = rng.permutation(np.concatenate([prior.x[0][:, active], *drawn]))  # neighbours are no more alike than others
    parts = [_log_densities(density, prior.dials, x, active), *(_log_normal(x, *normal) for normal in normals)]
    whole = np.zeros((len(x), len(density.free)))
    whole[:, active] = x
    return Cover(density, active, whole, np.asarray(special.logsumexp(parts, axis=0) - math.log(len(parts))))


def _normal(x: Floats) -> tuple[Floats, Floats]:
    """Mean of draws, dims ("draw", "coordinate"), and a root of their covariance."""
    covariance = np.atleast_2d(np.cov(x.T))
    return x.mean(axis=0), np.linalg.cholesky(covariance + _RIDGE * np.eye(len(covariance)))


def _log_normal(x: Floats, mean: Floats, root: Floats) -> Floats:
    z = np.linalg.solve(root, (x - mean).T)
    constant = -0.5 * len(mean) * math.log(2 * math.pi) - float(np.log(np.diag(root)).sum())
    return np.asarray(constant - 0.5 * np.sum(z * z, axis=0))
