"""Peaks and the proposal about them, where both are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from gaugeglass.inference.density import compile_density
from gaugeglass.inference.peaks import Proposal, peak, propose
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec


def tank(prior: dict[str, object], readings: list[dict[str, object]], **model: object) -> Spec:
    latents = {"level": {"about": "A level", "unit": "kWh", "because": "Invented", "prior": prior}}
    methods = {"read": {"about": "Read it", "measures": "level", "likelihood": {"family": "normal"},
                        "wrong": {"family": "normal", "mean": "50 kWh", "sd": "30 kWh"}}}  # fmt: skip
    numbered = [{"id": f"o{k}", "method": "read", **r} for k, r in enumerate(readings)]
    dossier = {"dossier": "tank", "subject": "A tank", "observations": numbered}
    return specify({"title": "A tank", "latents": latents, "methods": methods, **model}, dossier)


NORMAL = {"family": "normal", "mean": "50 kWh", "sd": "5 kWh"}


def test_of_a_normal_density_the_peak_and_its_width_are_exact() -> None:
    """Prior 50 ± 5, readings 54 ± 2 and 53 ± 1: precision 1/25 + 1/4 + 1, in coordinates of 5 kWh about 50 kWh."""
    density = compile_density(tank(NORMAL, [{"value": "54 ± 2 kWh"}, {"value": "53 ± 1 kWh"}]))
    found = peak(density, density.dials("as_stated"), np.zeros(1))
    assert found is not None
    precision = 1 / 25 + 1 / 4 + 1
    mean = (50 / 25 + 54 / 4 + 53) / precision
    assert found.axes.centre[0] == pytest.approx((mean - 50) / 5, abs=1e-4)
    assert found.axes.root[0, 0] == pytest.approx(precision**-0.5 / 5, rel=1e-4)
    assert [found.up[0], found.down[0]] == pytest.approx([1.0, 1.0], abs=0.01)
    log_evidence = stats.multivariate_normal([50, 50], np.diag([4, 1]) + 25).logpdf([54, 53])
    x = found.draw(20_000, np.random.default_rng(1))
    ratios = np.exp(density.log_densities(x, density.pack(density.dials("as_stated"))) - found.log_density(x))
    error = ratios.std() / np.sqrt(len(ratios))
    assert abs(ratios.mean() - np.exp(log_evidence)) <= 4 * error
    assert error < 0.01 * ratios.mean()


def test_a_proposal_is_a_density() -> None:
    """Its log density integrates to 1, where its two sides have widths of their own and where it has two peaks."""
    skewed = {"family": "beta", "mean": 0.05, "sd": 0.05}
    latents = {"share": {"about": "A share", "unit": "1", "because": "Invented", "prior": skewed}}
    methods = {"read": {"about": "Read", "measures": "share", "likelihood": {"family": "normal", "u": 0.1}}}
    spec = specify(
        {"title": "A share", "latents": latents, "methods": methods},
        {"dossier": "share", "subject": "A share", "observations": [{"id": "a", "method": "read", "value": 0.02}]},
    )
    density = compile_density(spec)
    found = peak(density, density.dials("as_stated"), np.zeros(1))
    assert found is not None
    assert abs(found.up[0] - found.down[0]) > 0.2
    both = Proposal((found, peak(density, density.dials("as_stated"), np.zeros(1)) or found), np.array([0.7, 0.3]))
    for log_density in (found.log_density, both.log_density):
        x = np.linspace(-80, 80, 400_001)
        whole = integrate.trapezoid(np.exp(log_density(x[:, None])), x)
        assert whole == pytest.approx(1.0, abs=1e-3)


def test_two_peaks_are_found_and_weighed() -> None:
    """Two readings that may each be wrong, 20 kWh apart: the mixture's marginal likelihood by quadrature."""
    prior = {"family": "normal", "mean": "50 kWh", "sd": "10 kWh"}
    grades = {"reliability": {"A": 0.5}, "credibility": {"2": 1}}
    readings: list[dict[str, object]] = [
        {"value": "40 ± 0.5 kWh", "grade": "A2", "origin": "a"}, {"value": "60 ± 0.5 kWh", "grade": "A2", "origin": "b"}
    ]  # fmt: skip
    density = compile_density(tank(prior, readings, grades=grades))
    dials = density.dials("as_stated")
    rng = np.random.default_rng(3)
    found = propose(density, dials, [np.array([-1.0]), np.array([0.2]), np.array([1.02])])
    assert found is not None
    centres = sorted(50 + 10 * float(p.axes.centre[0]) for p in found.peaks)
    assert any(abs(c - 40) < 0.2 for c in centres)
    assert any(abs(c - 60) < 0.2 for c in centres)

    def joint(level: float) -> float:
        each = [0.5 * stats.norm(level, 0.5).pdf(y) + 0.5 * stats.norm(50, 30).pdf(y) for y in (40, 60)]
        return float(stats.norm(50, 10).pdf(level) * each[0] * each[1])

    exact, _ = integrate.quad(joint, 0, 100, points=[40, 60], limit=400)
    x = found.draw(40_000, rng)
    ratios = np.exp(density.log_densities(x, density.pack(dials)) - found.log_density(x))
    assert abs(ratios.mean() - exact) <= 4 * ratios.std() / np.sqrt(len(ratios))


def test_no_peak_is_sought_among_too_many_coordinates() -> None:
    readings: list[dict[str, object]] = [{"value": "50 ± 1 kWh", "at": {"vehicle": f"V{k}"}} for k in range(60)]
    latents = {"level": {"about": "A level", "unit": "kWh", "because": "Invented", "per": "vehicle", "prior": NORMAL}}
    methods = {"read": {"about": "Read it", "measures": "level", "likelihood": {"family": "normal"}}}
    numbered = [{"id": f"o{k}", "method": "read", **r} for k, r in enumerate(readings)]
    model = {"title": "Tanks", "latents": latents, "methods": methods, "groups": {"vehicle": {"about": "A vehicle"}}}
    density = compile_density(specify(model, {"dossier": "d", "subject": "Tanks", "observations": numbered}))
    assert propose(density, density.dials("as_stated"), [np.zeros(60)]) is None
