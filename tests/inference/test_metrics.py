"""The axes along which refits are drawn: where the posterior is normal, they are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from closed_form.test_audit import Exact, X, line, posterior
from gaugeglass.inference import density
from gaugeglass.inference.density import Dials
from gaugeglass.inference.metrics import metric
from gaugeglass.inference.sampling import NEARBY, Settings, fit

WHOLE = list(range(len(X)))


def without(*gone: int) -> Dials:
    return posterior().density.dials("sloped", power={f"r{k}": 0.0 for k in gone})


def spread(density_covariance: np.ndarray) -> np.ndarray:
    """A covariance in the unit of the model in standardised coordinates, in which priors have sd 1."""
    return density_covariance / np.outer([2.0, 1.0], [2.0, 1.0])


@pytest.mark.parametrize("gone", [(), (4,), (2, 3), (0,)])
def test_axes_are_those_of_the_posterior_without_what_was_left_out(gone: tuple[int, ...]) -> None:
    whole = posterior().fits["sloped"]
    axes = metric(posterior().density, without(*gone), near=whole.dials, draws=whole.x)
    assert axes is not None
    exact = spread(Exact([k for k in WHOLE if k not in gone]).covariance["sloped"])
    found = axes.root @ axes.root.T
    # the covariance of the whole has the error of its 16,000 draws, some 2 %, which the difference of precisions enlarges
    assert np.allclose(found, exact, atol=0.08 * np.sqrt(np.outer(np.diag(exact), np.diag(exact))))


def test_the_preconditioned_entry_is_the_density_along_its_axes() -> None:
    held, whole = posterior().density, posterior().fits["sloped"]
    dials = without(1)
    axes = metric(held, dials, near=whole.dials, draws=whole.x)
    assert axes is not None
    import ctypes

    entry = held.machine.function("preconditioned", [ctypes.c_int64] + [ctypes.c_void_p] * 4, ctypes.c_int64)
    packed, rng = axes.packed_with(held.pack(dials)), np.random.default_rng(1)
    for z in rng.normal(size=(20, len(held.free))):
        slope, value = np.empty(len(z)), np.empty(1)
        assert entry(len(z), *(a.ctypes.data for a in (z, slope, value, packed))) == 0
        there, gradient = held.log_density(axes.coordinates(z), held.pack(dials))
        assert value[0] == pytest.approx(there, rel=1e-12)
        assert slope == pytest.approx(axes.root.T @ gradient, rel=1e-9, abs=1e-9)


def test_a_refit_along_the_axes_has_the_exact_mean_and_spread() -> None:
    whole = posterior().fits["sloped"]
    settings = Settings(seed=5, chains=4, draws=4000, tune=400)
    found = fit(posterior().density, without(0, 4), settings, near=whole)
    assert found.diagnostics.remedy == NEARBY[0][0]
    exact = Exact([1, 2, 3])
    level = found.quantities["level"]
    error = np.sqrt(exact.covariance["sloped"][0, 0] / found.diagnostics.ess_bulk)
    assert abs(level.mean() - exact.mean["sloped"][0]) < 4 * error
    assert level.std() == pytest.approx(np.sqrt(exact.covariance["sloped"][0, 0]), rel=4 / np.sqrt(2 * 4000))


def test_where_coordinates_are_many_or_draws_few_there_are_no_axes(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = posterior().fits["sloped"]
    assert metric(posterior().density, whole.dials, near=whole.dials, draws=whole.x[:, :4]) is None
    monkeypatch.setattr(density, "MOST_AXES", len(posterior().density.free) - 1)
    assert metric(density.compile_density(line()), whole.dials, near=whole.dials, draws=whole.x) is None


def test_a_refit_without_axes_starts_where_the_one_nearby_lies(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(density, "MOST_AXES", 1)
    whole = posterior().fits["sloped"]
    found = fit(density.compile_density(line()), without(1), Settings(seed=5), near=whole)
    assert found.diagnostics.remedy == "as set"
