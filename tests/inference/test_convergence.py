"""Diagnostics of draws against the library that the field uses."""

from __future__ import annotations

import numpy as np
import pytest
from arviz_stats.base import array_stats

from gaugeglass.inference import convergence

AXES = {"chain_axis": 0, "draw_axis": 1}


def series(kind: str) -> np.ndarray:
    """Draws of several coordinates, dims ("chain", "draw", "free")."""
    rng = np.random.default_rng(3)
    x = rng.normal(size=(4, 501, 6))
    if kind == "slow":
        for t in range(1, x.shape[1]):
            x[:, t] += 0.97 * x[:, t - 1]
    if kind == "alternating":
        for t in range(1, x.shape[1]):
            x[:, t] -= 0.7 * x[:, t - 1]
    if kind == "apart":
        x[2] += 3
    if kind == "ties":
        x = np.round(2 * x)
    if kind == "heavy":
        x = rng.standard_cauchy(size=x.shape)
    if kind == "short":
        x = x[:, :9]
    return x


@pytest.mark.parametrize("kind", ["independent", "slow", "alternating", "apart", "ties", "heavy", "short"])
def test_diagnostics_agree_with_arviz(kind: str) -> None:
    """Rounding apart, since the definitions are the same."""
    x = series(kind)
    near = {"rtol": 1e-9, "atol": 1e-9}
    r_hat, ess_bulk = convergence.mixing(x)
    np.testing.assert_allclose(r_hat, array_stats.rhat(x, method="rank", **AXES), **near)
    np.testing.assert_allclose(ess_bulk, array_stats.ess(x, method="bulk", **AXES), **near)
    np.testing.assert_allclose(
        convergence.ess_tail(x), array_stats.ess(x, method="tail", prob=(0.05, 0.95), **AXES), **near
    )
    np.testing.assert_allclose(convergence.ess_mean(x), array_stats.ess(x, method="mean", **AXES), **near)
    np.testing.assert_allclose(convergence.e_bfmi(x[..., 0]), array_stats.bfmi(x[..., 0], **AXES), **near)


def test_chains_that_do_not_move_are_not_trusted() -> None:
    x = np.zeros((4, 100, 1))
    assert np.isnan(convergence.mixing(x)[0]).all()
    assert np.isnan(convergence.mixing(series("independent")[:1])[0]).all()
