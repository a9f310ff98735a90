"""What no evidence of this kind can tell: the ridges of the likelihood.

Were every reading a hundred times sharper, what would stay wide? The answer is taken locally: at the posterior mean,
predictions are linear in the standardised coordinates ``x`` (whose prior is near a standard normal), so with the
Jacobian ``J`` and uncertainties ``u`` the covariance is ``(1 + J' J / u**2)**-1``; a scatter that is itself unknown
adds the information of a normal reading on the log of its scale, which is 2. A refit would be exact and is
what a sampler does worst: it has to walk a ridge a hundred times longer than it is wide.
"""

from __future__ import annotations

import numpy as np

from gaugeglass.inference.density import Floats
from gaugeglass.inference.likelihoods import SCALED
from gaugeglass.inference.posterior import Posterior
from gaugeglass.inference.sampling import Fit
from gaugeglass.judgement.predictions import moments, predict

SHARPER = 100.0
_STEP = 1e-4


def sharp_ratios(posterior: Posterior) -> dict[str, float]:
    """Posterior over prior sd of each quantity were every reading a hundred times sharper [1].

    Each under the hypothesis that leaves most free among those where it moves (of several the most probable); NaN
    for what moves nowhere.
    """
    weights = dict(zip(posterior.weights.names, posterior.weights.posterior, strict=True))
    freedom = {h: len(posterior.density.active(h)) for h in posterior.fits}
    found: dict[str, float] = {}
    for name in sorted(posterior.fits, key=lambda h: (-freedom[h], -weights[h])):
        for quantity, ratio in _under(posterior, posterior.fits[name]).items():
            if np.isnan(found.get(quantity, np.nan)):
                found[quantity] = ratio
    return found


def _under(posterior: Posterior, fit: Fit) -> dict[str, float]:
    density = posterior.density
    active = density.active(fit.hypothesis)
    if not active:
        return dict.fromkeys(fit.quantities, float("nan"))
    sides = fit.centre + np.concatenate(
        [_STEP * np.eye(len(fit.centre))[active], -_STEP * np.eye(len(fit.centre))[active]]
    )
    moved = density.quantities(sides, fit.dials)
    information = np.eye(len(active))
    for o in posterior.spec.evidence:
        middle, sd = moments(density, o, *predict(density, o, moved, sides))
        pull = slope(middle)
        sharp = (float(np.mean(sd)) / SHARPER) ** 2
        information += np.outer(pull, pull) / (sharp + (o.upper - o.lower) ** 2 / 12)
        if o.is_point and posterior.spec.method(o).likelihood.family in SCALED:
            information += 2 * np.outer(slope(np.log(sd)), slope(np.log(sd)))
    covariance = np.linalg.inv(information)
    return {name: _ratio(slope(values), covariance) for name, values in moved.items()}


def slope(values: Floats, step: float = _STEP) -> Floats:
    """Slopes from values a step ahead in each coordinate, then a step back. dims ("side",) to ("free",)"""
    up, down = np.split(np.asarray(values, dtype=np.float64), 2)
    return np.asarray((up - down) / (2 * step))


def _ratio(pull: Floats, covariance: Floats) -> float:
    before = float(pull @ pull)
    return float(np.sqrt(pull @ covariance @ pull / before)) if before > 0 else float("nan")
