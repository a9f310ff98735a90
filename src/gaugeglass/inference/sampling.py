"""Draws from a density: fits with their diagnostics, remedies for what fails, and refusal of what stays bad."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaugeglass.errors import InferenceError
from gaugeglass.inference import convergence, nuts
from gaugeglass.inference.density import Density, Dials, Quantities
from gaugeglass.inference.metrics import Metric, metric

type Floats = NDArray[np.float64]

R_HAT = 1.01
ESS = 400.0
E_BFMI = 0.3
"""Limits of Vehtari et al. 2021 (doi 10.1214/20-BA1221) and Betancourt 2016 (arXiv:1604.00695)."""

REMEDIES: tuple[tuple[str, Mapping[str, float | bool]], ...] = (
    ("as set", {}),
    ("acceptance 0.95, tuning doubled", {"accept": 0.95, "lengthen": 2}),
    ("hierarchies not centred, acceptance 0.95, tuning doubled", {"accept": 0.95, "lengthen": 2, "untold": True}),
    ("acceptance 0.99, tuning doubled, draws fourfold", {"accept": 0.99, "lengthen": 2, "more": 4}),
    (
        "acceptance 0.99, a low-rank metric, tuning and draws fourfold",
        {"accept": 0.99, "lengthen": 4, "more": 4, "low_rank": True},
    ),
)
"""What is tried in turn where diagnostics fail, and how it is called in the record."""

NEARBY: tuple[tuple[str, Mapping[str, float]], ...] = (
    ("along the axes of a fit nearby", {"accept": 0.9, "lengthen": 0.5}),
    ("along the axes of a fit nearby, acceptance 0.95, draws doubled", {"accept": 0.95, "more": 2}),
)
"""What is tried before them where there is a fit nearby."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How a fit is drawn. ``cores`` [1] are threads; ``seed`` decides every draw."""

    seed: int
    draws: int = 1000
    tune: int = 1000
    chains: int = 4
    accept: float = 0.8
    cores: int = 2


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """The worst of each diagnostic over coordinates that matter, and what had to be done.

    ``r_hat``, ``ess_bulk``, ``ess_tail`` [1] of Vehtari et al. 2021; ``e_bfmi`` [1] of Betancourt 2016.
    """

    r_hat: float
    ess_bulk: float
    ess_tail: float
    e_bfmi: float
    divergences: int
    draws: int
    chains: int
    remedy: str

    @property
    def is_usable(self) -> bool:
        """Whether a refit, one of many, may be shown with its error: looser limits than for a fit of its own."""
        few = self.divergences <= 0.002 * self.draws * self.chains
        return self.r_hat < 1.03 and min(self.ess_bulk, self.ess_tail) >= 100 and few

    @property
    def faults(self) -> tuple[str, ...]:
        """What is out of limits, in words; NaN is out of limits."""
        return tuple(self._faults())

    def _faults(self) -> Iterator[str]:
        if not self.r_hat < R_HAT:
            yield f"R-hat {self.r_hat:.3f} (limit {R_HAT})"
        for name, ess in (("bulk", self.ess_bulk), ("tail", self.ess_tail)):
            if not ess >= ESS:
                yield f"{name} effective sample size {ess:.0f} (at least {ESS:.0f})"
        if not self.e_bfmi >= E_BFMI:
            yield f"E-BFMI {self.e_bfmi:.2f} (at least {E_BFMI})"
        if self.divergences:
            yield f"{self.divergences} divergences (none)"


@dataclass(frozen=True)
class Fit:
    """Draws under one hypothesis.

    ``x`` dims ("chain", "draw", "free"): standardised coordinates. ``quantities``: by name, each dims
    ("chain", "draw"), in its unit.
    """

    hypothesis: str
    dials: Dials
    x: Floats
    quantities: Quantities
    diagnostics: Diagnostics

    @property
    def centre(self) -> Floats:
        """Mean of the standardised coordinates, dims ("free",): a warm start for refits nearby."""
        return np.asarray(self.x.mean(axis=(0, 1)))


def draw_prior(density: Density, hypothesis: str, *, draws: int, chains: int, seed: int,
               stretch: Mapping[str, float] | None = None) -> Fit:  # fmt: skip
    """Independent draws from the prior under a hypothesis, exact and without a sampler."""
    dials = density.dials(hypothesis, power={o.id: 0.0 for o in density.spec.evidence}, stretch=stretch)
    rng = np.random.default_rng([seed, 0x5EED, *map(ord, hypothesis)])
    x = np.empty((chains, draws, len(density.free)))
    for v in density.in_order_of_descent(hypothesis):
        density.draw_form(v, x, dials, rng)
    first = density.layout.first_error
    x[..., first:] = rng.standard_normal((chains, draws, len(density.free) - first))
    size = float(draws * chains)
    diagnostics = Diagnostics(1.0, size, size, 1.0, 0, draws, chains, "independent draws")
    return Fit(hypothesis, dials, x, density.quantities(x, dials), diagnostics)


def fit(density: Density, dials: Dials, settings: Settings, *, start: Floats | None = None, near: Fit | None = None,
        strict: bool = True) -> Fit:  # fmt: skip
    """Draw under one setting of the dials; what fails is retried by ``REMEDIES``, then refused.

    Parameters
    ----------
    start : dims ("free",)
        About where chains start, in standardised coordinates; the prior's medians if None.
    near
        A fit of the same density by other dials that leave it about where it was: chains start there and, where there
        are not too many coordinates, go along its axes.
    strict
        Whether what stays out of limits after the last remedy is refused; if not, the looser limits of a refit will
        do, and what misses even those is returned with its diagnostics.

    Raises
    ------
    InferenceError
        If diagnostics stay out of limits and ``strict``.
    """
    if not density.active(dials.hypothesis):  # nothing that a reading could move
        prior = draw_prior(density, dials.hypothesis, draws=settings.draws, chains=settings.chains, seed=settings.seed)
        return replace(prior, dials=dials)
    for found in _nearby(density, dials, settings, near) if near is not None else ():
        if not found.diagnostics.faults or (not strict and found.diagnostics.is_usable):
            return found
    start = near.centre if start is None and near is not None else start
    is_hierarchy = any(v.prior.trees for v in density.layout.varieties)
    for remedy, changes in REMEDIES:
        if "untold" in changes and not is_hierarchy:
            continue
        taken = replace(dials, untold=True) if "untold" in changes else dials
        found = _once(density, taken, settings, None if "untold" in changes else start, remedy, changes)
        if not found.diagnostics.faults or (not strict and found.diagnostics.is_usable):
            return found
    if strict:
        raise InferenceError(_refusal(found, density))
    return found


def fit_along(density: Density, dials: Dials, settings: Settings, axes: Metric) -> Fit:
    """Draw along given axes, without remedies: look at the diagnostics."""
    return _once(density, dials, settings, None, "along given axes", {}, axes)


def _nearby(density: Density, dials: Dials, settings: Settings, near: Fit) -> Iterator[Fit]:
    """Fits along the axes of one nearby, one a remedy; none where there are no axes."""
    dials = replace(dials, untold=near.dials.untold)
    axes = metric(density, dials, near=near.dials, draws=near.x)
    for remedy, changes in NEARBY if axes is not None else ():
        yield _once(density, dials, settings, None, remedy, changes, axes)


def _once(density: Density, dials: Dials, settings: Settings, start: Floats | None, remedy: str,
          changes: Mapping[str, float | bool], axes: Metric | None = None) -> Fit:  # fmt: skip
    low_rank = bool(changes.get("low_rank", False))
    begin = np.zeros(len(density.free)) if start is None else start
    packed, entry = density.pack(dials), "sampled"
    if axes is not None:
        packed, entry = axes.packed_with(packed), "preconditioned"
    chains = nuts.draw(
        density.machine.addresses[entry], packed, begin, chains=settings.chains,
        draws=int(settings.draws * changes.get("more", 1)), tune=int(settings.tune * changes.get("lengthen", 1)),
        seed=settings.seed, accept=max(settings.accept, float(changes.get("accept", 0.0))), cores=settings.cores,
        low_rank=low_rank,
    )  # fmt: skip
    chains = chains if axes is None else replace(chains, x=axes.coordinates(chains.x))
    quantities = density.quantities(chains.x, dials)
    diagnostics = replace(diagnose(density, dials, chains), remedy=remedy)
    return Fit(dials.hypothesis, dials, chains.x, quantities, diagnostics)


def diagnose(density: Density, dials: Dials, chains: nuts.Chains) -> Diagnostics:
    """The worst of each diagnostic over the coordinates that a hypothesis moves; no remedy is named."""
    active = density.active(dials.hypothesis)
    x = chains.x[..., active]
    r_hat, ess_bulk = convergence.mixing(x)
    return Diagnostics(
        r_hat=float(np.max(r_hat)),
        ess_bulk=float(np.min(ess_bulk)),
        ess_tail=float(np.min(convergence.ess_tail(x))),
        e_bfmi=float(np.min(convergence.e_bfmi(chains.energy))),
        divergences=int(chains.diverging.sum()),
        draws=x.shape[1],
        chains=x.shape[0],
        remedy="",
    )


def effective_size(values: Floats) -> float:
    """Effective number of draws for the mean of ``values``, dims ("chain", "draw"); all of them where none differ."""
    if np.ptp(values) == 0 or not np.all(np.isfinite(values)):
        return float(values.size)
    found = float(convergence.ess_mean(values[..., None])[0])
    return min(found, float(values.size)) if math.isfinite(found) else 1.0


def _refusal(found: Fit, density: Density) -> str:
    rows = [f"the fit under hypothesis '{found.hypothesis}' was refused:"]
    rows += [f"  {fault}" for fault in found.diagnostics.faults]
    rows.append(f"  tried: {'; '.join(name for name, _ in REMEDIES)}")
    rows.append(
        "  what often helps: priors that rule out impossible values, a measured ratio instead of two free factors"
    )
    return "\n".join(rows)


def fit_many(density: Density, jobs: Sequence[tuple[Dials, int, Fit | None]], settings: Settings, *,
             advance: Callable[[], None] = lambda: None) -> list[Fit]:  # fmt: skip
    """Refits by dials, two at a time on one core each; lenient, so look at each fit's diagnostics.

    ``jobs`` lists the dials, the seed and a fit nearby of each, if there is one; ``advance`` is called as each is done.
    """

    def one(job: tuple[Dials, int, Fit | None]) -> Fit:
        dials, seed, near = job
        found = fit(density, dials, replace(settings, seed=seed, cores=1), near=near, strict=False)
        advance()
        return found

    with ThreadPoolExecutor(settings.cores) as pool:
        return list(pool.map(one, jobs))
