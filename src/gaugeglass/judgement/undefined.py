"""Draws in which something has no value: the root or logarithm of a negative number, 0/0, what is too large to compute.

A claim that rests on it is then neither true nor false there. Its probability lies between the share of draws in which
it surely holds and the share in which it may hold.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from gaugeglass.errors import InferenceError
from gaugeglass.inference.density import Floats
from gaugeglass.inference.posterior import Posterior
from gaugeglass.language.expressions import certainty
from gaugeglass.language.spec import Claim


def may_hold(claim: Claim, quantities: Mapping[str, Floats]) -> Floats:
    """Whether a claim may hold in each draw, as 0 and 1; 1 where it has no value. Dims as the quantities have them.

    ``inference.posterior.holds`` says where it surely holds.
    """
    shape = np.shape(next(iter(quantities.values())))
    with np.errstate(all="ignore"):
        return np.broadcast_to(np.asarray(certainty(claim.holds, quantities)[1], dtype=np.float64), shape)


def share_without_value(values: Floats) -> float:
    """The share of draws in which a quantity has no value. [1]"""
    return float(np.mean(~np.isfinite(values)))


def refuse_without_any(posterior: Posterior) -> None:
    """Refuse a posterior in which some quantity has no value at all, of which nothing could be said.

    Raises
    ------
    InferenceError
        If a quantity has no value in any draw of a hypothesis, before or after the evidence.
    """
    for when, fits in (("before", posterior.priors), ("after", posterior.fits)):
        for hypothesis, fit in fits.items():
            found = [name for name in posterior.spec.quantities if share_without_value(fit.quantities[name]) == 1]
            under = f" of hypothesis '{hypothesis}'" if posterior.spec.has_rivals else ""
            if found:
                raise InferenceError(_refusal(found, f"{under} {when} the evidence"))


def _refusal(found: list[str], where: str) -> str:
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return (
        f"{found[0]}{more} has no value in any draw{where}\n"
        "  what causes it: the root or logarithm of a negative number, a division by 0, a number too large to compute\n"
        "  what helps: another equation, or where(condition, yes, no) that says what holds instead"
    )
