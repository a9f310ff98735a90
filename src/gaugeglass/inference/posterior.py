"""The whole inference of a Spec: a fit for each hypothesis, their weights, and the mixture."""

from __future__ import annotations

import math
import platform
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from gaugeglass.inference.density import Density, Floats, compile_density
from gaugeglass.inference.nuts import SAMPLER
from gaugeglass.inference.sampling import Fit, Settings, draw_prior, effective_size, fit
from gaugeglass.inference.weighing import Weights, log_evidence, weigh
from gaugeglass.language.expressions import evaluate
from gaugeglass.language.spec import Claim, Spec

if TYPE_CHECKING:
    import xarray as xr

MCSE_AIM = 0.01
"""Monte Carlo error that every claim's probability is to reach. [1]"""
_MOST_TIMES = 8
"""How many times the draws asked for are taken at most to reach it. [1]"""
_VERSIONED = ("gaugeglass", "pymc", "nutpie", "numba", "numpy", "scipy", "arviz-stats")

type Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Posterior:
    """What is known after the evidence.

    ``fits`` and ``priors`` hold the draws by hypothesis; ``mixture`` and ``prior_mixture`` hold those of every
    quantity over all hypotheses by their weights, dims ("draw",). ``seconds`` says where the time went, and
    ``note`` what was not reached.
    """

    spec: Spec
    density: Density = field(repr=False)
    fits: Mapping[str, Fit] = field(repr=False)
    priors: Mapping[str, Fit] = field(repr=False)
    weights: Weights
    settings: Settings
    seconds: Mapping[str, float]
    note: str = ""

    @property
    def seed(self) -> int:
        """The seed that decides every draw."""
        return self.settings.seed

    @cached_property
    def mixture(self) -> dict[str, Floats]:
        """Draws of every quantity over the hypotheses by posterior weight, and ``hypothesis`` as an index."""
        return _mix(self.fits, self.weights.posterior)

    @cached_property
    def prior_mixture(self) -> dict[str, Floats]:
        """Draws of every quantity over the hypotheses by prior weight, and ``hypothesis`` as an index."""
        return _mix(self.priors, self.weights.prior)

    @cached_property
    def versions(self) -> dict[str, str]:
        """What computed it."""
        return {name: version(name) for name in _VERSIONED} | {
            "python": platform.python_version(),
            "sampler": SAMPLER,
            "processor": platform.processor() or platform.machine(),
            "system": platform.platform(terse=True),
        }

    @cached_property
    def tree(self) -> xr.DataTree:
        """What was drawn, as ArviZ has it: every quantity of the mixture, and each hypothesis's own latents."""
        import xarray as xr

        groups: dict[str, xr.Dataset] = {"posterior": self._dataset({k: v[None] for k, v in self.mixture.items()})}
        groups["prior"] = self._dataset({k: v[None] for k, v in self.prior_mixture.items()})
        for name, found in self.fits.items():
            latents = {q.name: found.quantities[q.name] for q in self.spec.model.latents}
            groups[f"hypotheses/{name}/posterior"] = self._dataset(latents)
        return xr.DataTree.from_dict(groups)

    def _dataset(self, values: Mapping[str, Floats]) -> xr.Dataset:
        import xarray as xr

        units = {name: q.unit.text for name, q in self.spec.model.quantities.items()}
        arrays = {
            name: (("chain", "draw"), np.asarray(v), {"units": units[name]} if name in units else {})
            for name, v in values.items()
        }
        return xr.Dataset(arrays)


def holds(claim: Claim, quantities: Mapping[str, Floats]) -> Floats:
    """Whether a claim holds in each draw, as 0 and 1; dims as the quantities have them."""
    shape = np.shape(next(iter(quantities.values())))
    with np.errstate(all="ignore"):
        return np.broadcast_to(np.asarray(evaluate(claim.holds, quantities), dtype=np.float64), shape)


def infer(spec: Spec, *, seed: int = 1, draws: int = 1000, progress: Progress | None = None) -> Posterior:
    """Infer everything a Spec speaks of.

    Where a claim's probability has a Monte Carlo error above 0.01, as many more draws are taken as should bring it
    there, eight times as many at most.

    Parameters
    ----------
    draws
        Draws a chain, of four chains, to begin with. [1]
    progress
        Called with what is being done and the share of it that is done. [1]

    Raises
    ------
    InferenceError
        If the Spec asks for what is not inferred yet, or diagnostics stay out of limits.
    """
    tell = progress or (lambda what, share: None)
    seconds: dict[str, float] = {}
    tell("compiling", 0.0)
    density = _timed(seconds, "compiling", lambda: compile_density(spec))
    settings = Settings(seed=seed, draws=draws)
    posterior = _infer_once(density, settings, seconds, tell)
    worst = _worst_error(posterior)
    if worst > MCSE_AIM and spec.evidence:
        times = min(math.ceil(1.2 * (worst / MCSE_AIM) ** 2), _MOST_TIMES)
        posterior = _infer_once(density, replace(settings, draws=draws * times), seconds, tell)
        worst = _worst_error(posterior)
    if worst > MCSE_AIM:
        return replace(posterior, note=f"a Monte Carlo error of {worst:.3f} is left at the limit of draws")
    return posterior


def _infer_once(density: Density, settings: Settings, seconds: dict[str, float], tell: Progress) -> Posterior:
    spec = density.spec
    names = [h.name for h in spec.hypotheses]
    fits, evidences = {}, []
    for k, name in enumerate(names):
        tell(f"sampling {name}", k / len(names))
        fits[name] = _timed(seconds, "sampling", lambda name=name: _fit(density, name, settings))  # type: ignore[misc]
    for name in names:
        tell(f"weighing {name}", 1.0)
        evidences.append(_timed(seconds, "weighing", lambda name=name: log_evidence(density, fits[name], settings)))  # type: ignore[misc]
    weights = weigh(names, [h.prior_weight for h in spec.hypotheses], evidences, seed=settings.seed)
    priors = {
        n: draw_prior(density, n, draws=settings.draws, chains=settings.chains, seed=settings.seed) for n in names
    }
    return Posterior(spec, density, fits, priors, weights, settings, dict(seconds))


def _fit(density: Density, name: str, settings: Settings) -> Fit:
    if not density.spec.evidence:
        return draw_prior(density, name, draws=settings.draws * 25, chains=settings.chains, seed=settings.seed)
    return fit(density, density.dials(name), settings)


def _timed[T](seconds: dict[str, float], step: str, work: Callable[[], T]) -> T:
    began = time.perf_counter()
    result = work()
    seconds[step] = seconds.get(step, 0.0) + time.perf_counter() - began
    return result


def probability(values: Mapping[str, Floats], weights: Floats, replicates: Floats | None) -> tuple[float, float]:
    """A probability over hypotheses and its Monte Carlo error [1], the weights' errors included.

    ``values`` holds by hypothesis whether something holds in each draw, dims ("chain", "draw").
    """
    shares = np.array([v.mean() for v in values.values()])
    errors = np.array([np.sqrt(v.var() / effective_size(v)) for v in values.values()])
    drawn = float(np.sum((weights * errors) ** 2))
    weighed = float(np.var(replicates @ shares)) if replicates is not None else 0.0
    return min(float(weights @ shares), 1.0), float(np.sqrt(drawn + weighed))


def _worst_error(posterior: Posterior) -> float:
    return max((_mcse(posterior, claim) for claim in posterior.spec.model.claims), default=0.0)


def _mcse(posterior: Posterior, claim: Claim) -> float:
    values = {n: holds(claim, f.quantities) for n, f in posterior.fits.items()}
    return probability(values, posterior.weights.posterior, posterior.weights.replicates)[1]


def _mix(fits: Mapping[str, Fit], weights: Floats) -> dict[str, Floats]:
    """Draws of all hypotheses, each as many as its weight has of the whole, evenly spread over its chains."""
    size = max(next(iter(f.quantities.values())).size for f in fits.values())
    counts = _shares(weights, size)
    picks = {
        n: np.linspace(0, f.x.shape[0] * f.x.shape[1] - 1, c).round().astype(int)
        for (n, f), c in zip(fits.items(), counts, strict=True)
    }
    names = next(iter(fits.values())).quantities
    mixed = {q: np.concatenate([f.quantities[q].ravel()[picks[n]] for n, f in fits.items()]) for q in names}
    return mixed | {"hypothesis": np.repeat(np.arange(len(fits), dtype=np.float64), counts)}


def _shares(weights: Floats, size: int) -> list[int]:
    """Whole numbers nearest to ``weights * size`` that sum to ``size`` (largest remainders)."""
    exact = weights * size
    counts = np.floor(exact).astype(int)
    for k in np.argsort(counts - exact)[: size - int(counts.sum())]:
        counts[k] += 1
    return [int(c) for c in counts]
