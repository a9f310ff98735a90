"""The whole inference of a Spec: a fit for each hypothesis, their weights, and the mixture."""

from __future__ import annotations

import math
import platform
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gaugeglass.inference.density import Density, Floats, Quantities, compile_density
from gaugeglass.inference.modes import Crossing, cross
from gaugeglass.inference.nuts import SAMPLER
from gaugeglass.inference.sampling import Fit, Settings, draw_prior, effective_size, fit
from gaugeglass.inference.weighing import Evidence, Weights, log_evidence, log_evidence_by_bridge, weigh
from gaugeglass.language.expressions import certainty
from gaugeglass.language.spec import Claim, Given, Spec

if TYPE_CHECKING:
    import xarray as xr

MCSE_AIM = 0.01
"""Monte Carlo error that every claim's probability is to reach. [1]"""
_MOST_TIMES = 8
"""How many times the draws asked for are taken at most to reach it. [1]"""
_TUNE_NEARBY = 400
"""Draws a chain that are thrown away where chains start near their goal. [1]"""
_VAGUE = 0.2
"""Error of a log marginal likelihood above which a bridge from few draws is not taken. [nat]"""
_SPARE = 1.2
"""Since the errors that it is reckoned from are estimates themselves. [1]"""
_MOST_NAMED = 3
"""Quantities without a value that a note names; the rest are counted. [1]"""
_DIGITS = 16  # of a digest, which are enough to tell programs apart
_VERSIONED = ("gaugeglass", "pymc", "nutpie", "llvmlite", "numpy", "scipy")

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
    def mixture(self) -> Quantities:
        """Draws of every quantity over the hypotheses by posterior weight, and ``hypothesis`` as an index."""
        return _mix(self.fits, self.weights.posterior)

    @cached_property
    def mixture_x(self) -> Floats:
        """The coordinates of the same draws, dims ("draw", "free"), each as its hypothesis has them."""
        picks = _picks(self.fits, self.weights.posterior)
        return np.concatenate([f.x.reshape(-1, f.x.shape[-1])[picks[n]] for n, f in self.fits.items()])

    @cached_property
    def prior_mixture(self) -> Quantities:
        """Draws of every quantity over the hypotheses by prior weight, and ``hypothesis`` as an index."""
        return _mix(self.priors, self.weights.prior)

    def without_value(self, name: str) -> tuple[float, float]:
        """In which share of the draws a quantity has no value, before the evidence and after it. [1]"""

        def share(fits: Mapping[str, Fit], weights: Floats) -> float:
            return float(weights @ [np.mean(~np.isfinite(f.quantities[name])) for f in fits.values()])

        return share(self.priors, self.weights.prior), share(self.fits, self.weights.posterior)

    @cached_property
    def versions(self) -> dict[str, str]:
        """What computed it; with the same ``program`` and libraries, the same seed gives the same draws."""
        machine = self.density.machine
        return {name: version(name) for name in _VERSIONED} | {
            "python": platform.python_version(),
            "sampler": SAMPLER,
            "program": machine.digest[:_DIGITS],
            "processor": f"{platform.machine()} {machine.processor}",
            "system": platform.platform(terse=True),
        }

    @cached_property
    def tree(self) -> xr.DataTree:
        """What was drawn, as ArviZ has it: every quantity of the mixture, and each hypothesis's own latents."""
        import xarray as xr

        every = [*self.spec.model.quantities, "hypothesis"]
        groups: dict[str, xr.Dataset] = {"posterior": self._dataset(self.mixture.each(lambda v: v[None]), every)}
        groups["prior"] = self._dataset(self.prior_mixture.each(lambda v: v[None]), every)
        latents = [q.name for q in self.spec.model.latents]
        for name, found in self.fits.items():
            groups[f"hypotheses/{name}/posterior"] = self._dataset(found.quantities, latents)
        return xr.DataTree.from_dict(groups)

    def _dataset(self, values: Quantities, names: Sequence[str]) -> xr.Dataset:
        import xarray as xr

        quantities, arrays = self.spec.model.quantities, {}
        for name in names:
            group = getattr(quantities.get(name), "per", None)
            dims = (group, "chain", "draw") if group else ("chain", "draw")
            units = {"units": quantities[name].unit.text} if name in quantities else {}
            arrays[name] = (dims, np.asarray(values[name]), units)
        used = {q.per for q in quantities.values() if not isinstance(q, Given) and q.per}
        return xr.Dataset(arrays, {group: list(self.spec.members[group]) for group in used})


def holds(claim: Claim, quantities: Mapping[str, Floats]) -> Floats:
    """Whether a claim surely holds in each draw, as 0 and 1; dims as the quantities have them."""
    shape = np.shape(next(iter(quantities.values())))
    with np.errstate(all="ignore"):
        return np.broadcast_to(np.asarray(certainty(claim.holds, quantities)[0], dtype=np.float64), shape)


def infer(spec: Spec, *, seed: int = 1, draws: int = 1000, progress: Progress | None = None) -> Posterior:
    """Infer everything a Spec speaks of.

    Where a claim's probability has a Monte Carlo error above 0.01, the hypotheses that it comes from are drawn again at
    such length as should bring it there, eight times as long at most.

    Parameters
    ----------
    draws
        Draws a chain, of four chains, to begin with. [1]
    progress
        Called with what is being done and the share of it that is done. [1]

    Raises
    ------
    InferenceError
        If diagnostics stay out of limits.
    """
    tell = progress or (lambda what, share: None)
    seconds: dict[str, float] = {}
    tell("compiling", 0.0)
    density = _timed(seconds, "compiling", lambda: compile_density(spec))
    settings = Settings(seed=seed, draws=draws)
    names = [h.name for h in spec.hypotheses]
    studied = _study(density, dict.fromkeys(names, settings), seconds, tell)
    posterior = _gather(density, studied, settings, seconds)
    times = _more_draws(posterior) if spec.evidence else {}
    if times:
        longer = {name: replace(settings, draws=draws * factor) for name, factor in times.items()}
        posterior = _gather(density, studied | _study(density, longer, seconds, tell), settings, seconds)
    worst = max((_errors(posterior, claim)[0] for claim in spec.model.claims), default=0.0)
    left = [f"a Monte Carlo error of {worst:.3f} is left at the limit of draws"] if worst > MCSE_AIM else []
    return replace(posterior, note="; ".join([*left, *_without_value(posterior)]))


def _without_value(posterior: Posterior) -> list[str]:
    """Which quantities are no number in some of the draws, in words."""
    names = [name for name in posterior.mixture if name != "hypothesis"]
    shares = {name: [100 * share for share in posterior.without_value(name)] for name in names}
    found = [
        f"{name} has no value in {before:.1f} % of the draws before the evidence and in {after:.1f} % after it"
        for name, (before, after) in shares.items()
        if before or after
    ]
    more = [f"so have {len(found) - _MOST_NAMED} more"] if len(found) > _MOST_NAMED else []
    told = "; ".join([*found[:_MOST_NAMED], *more])
    return [f"{told}: verdicts say what that leaves open, and intervals leave them out"] if found else []


def reinfer(posterior: Posterior, spec: Spec, *, draws: int = 500, progress: Progress | None = None) -> Posterior:
    """Infer a Spec that differs little from one inferred before, at once rather than as well as can be.

    Chains start where those before ended and are short, so that errors are larger than ``infer`` leaves; they are
    reckoned as always. What short chains do not settle is inferred as ``infer`` does it. ``seconds`` counts weighing
    as sampling.

    Parameters
    ----------
    draws
        Draws a chain, of four chains. [1]
    progress
        Called with what is being done and the share of it that is done. [1]

    Raises
    ------
    InferenceError
        If diagnostics stay out of limits.
    """
    seconds: dict[str, float] = {}
    tell = progress or (lambda what, share: None)
    tell("compiling", 0.0)
    density = _timed(seconds, "compiling", lambda: compile_density(spec))
    settings = replace(posterior.settings, draws=draws, tune=_TUNE_NEARBY)
    studied: _Studied = {}
    if spec.evidence:
        tell("sampling", 0.0)
        studied = _timed(seconds, "sampling", lambda: _study_nearby(posterior, density, settings))
    if not studied or not all(fit.diagnostics.is_usable and e.mcse <= _VAGUE for fit, e in studied.values()):
        whole = infer(spec, seed=posterior.seed, progress=progress)
        spent = {step: seconds.get(step, 0.0) + whole.seconds.get(step, 0.0) for step in {**seconds, **whole.seconds}}
        return replace(whole, seconds=spent)
    return _gather(density, studied, settings, seconds)


def _study_nearby(posterior: Posterior, density: Density, settings: Settings) -> _Studied:
    """A short fit of each hypothesis, each on one core and weighed as soon as it is drawn."""
    own = replace(settings, cores=1)

    def one(name: str) -> tuple[Fit, Evidence]:
        found = cross(density, density.dials(name), own)
        if found is None:
            start = _start(posterior, density, name)
            found = Crossing(fit(density, density.dials(name), own, start=start, strict=False))
        return found.fit, found.evidence or log_evidence_by_bridge(density, found.fit)

    names = [h.name for h in density.spec.hypotheses]
    with ThreadPoolExecutor(settings.cores) as pool:
        return dict(zip(names, pool.map(one, names), strict=True))


def _start(posterior: Posterior, density: Density, hypothesis: str) -> Floats:
    """Where a hypothesis's draws were before, coordinate by coordinate; the prior's median for what is new."""
    found = posterior.fits.get(hypothesis)
    before = dict(zip((f.name for f in posterior.density.free), found.centre, strict=True)) if found else {}
    return np.array([before.get(free.name, 0.0) for free in density.free])


type _Studied = dict[str, tuple[Fit, Evidence]]


def _study(density: Density, settings: Mapping[str, Settings], seconds: dict[str, float], tell: Progress) -> _Studied:
    """A fit of each hypothesis named, and how well it foretells the evidence."""
    found = {}
    for k, (name, own) in enumerate(settings.items()):
        tell(f"sampling {name}", k / len(settings))
        found[name] = _timed(seconds, "sampling", lambda name=name, own=own: _fit(density, name, own))  # type: ignore[misc]
    tell("weighing hypotheses", 1.0)
    with ThreadPoolExecutor(next(iter(settings.values())).cores) as pool:
        evidences = _timed(
            seconds,
            "weighing",
            lambda: list(
                pool.map(lambda n: found[n].evidence or log_evidence(density, found[n].fit, settings[n]), found)
            ),
        )
    return {name: (done.fit, evidence) for (name, done), evidence in zip(found.items(), evidences, strict=True)}


def _gather(density: Density, studied: _Studied, settings: Settings, seconds: Mapping[str, float]) -> Posterior:
    spec = density.spec
    weights = weigh(
        list(studied), [h.prior_weight for h in spec.hypotheses], [e for _, e in studied.values()], seed=settings.seed
    )
    priors = {
        n: draw_prior(density, n, draws=settings.draws, chains=settings.chains, seed=settings.seed) for n in studied
    }
    fits = {name: fit for name, (fit, _) in studied.items()}
    return Posterior(spec, density, fits, priors, weights, settings, dict(seconds))


def _more_draws(posterior: Posterior) -> dict[str, int]:
    """How many times the draws of which hypotheses bring every claim to its aim for the fewest draws in all."""
    times = np.ones(len(posterior.fits))
    for claim in posterior.spec.model.claims:
        error, drawn, weighed = _errors(posterior, claim)
        if error <= MCSE_AIM:
            continue
        left = MCSE_AIM**2 - weighed**2
        if left < MCSE_AIM**2 / 2:  # what is amiss is how the hypotheses are weighed, which takes draws of all
            times = np.maximum(times, _SPARE * (error / MCSE_AIM) ** 2)
        else:  # draws in proportion to what each adds to the error
            times = np.maximum(times, _SPARE * drawn * drawn.sum() / left)
    wanted = np.minimum(np.ceil(times), _MOST_TIMES).astype(int)
    return {name: int(n) for name, n in zip(posterior.fits, wanted, strict=True) if n > 1}


def _fit(density: Density, name: str, settings: Settings) -> Crossing:
    if not density.spec.evidence:
        draws = settings.draws * 25
        return Crossing(draw_prior(density, name, draws=draws, chains=settings.chains, seed=settings.seed))
    found = cross(density, density.dials(name), settings)
    if found is not None and not found.fit.diagnostics.faults:
        return found
    return Crossing(fit(density, density.dials(name), settings))


def _timed[T](seconds: dict[str, float], step: str, work: Callable[[], T]) -> T:
    began = time.perf_counter()
    result = work()
    seconds[step] = seconds.get(step, 0.0) + time.perf_counter() - began
    return result


def probability(values: Mapping[str, Floats], weights: Floats, replicates: Floats | None) -> tuple[float, float]:
    """A probability over hypotheses and its Monte Carlo error [1], the weights' errors included.

    ``values`` holds by hypothesis whether something holds in each draw, dims ("chain", "draw").
    """
    shares, drawn, weighed = _parts(values, weights, replicates)
    whole = float(weights @ np.ones_like(shares))  # divided by, a certain claim has probability 1 and not nearly
    return float(weights @ shares) / whole, math.hypot(*drawn, weighed)


def _parts(values: Mapping[str, Floats], weights: Floats, replicates: Floats | None) -> tuple[Floats, Floats, float]:
    """The probability under each hypothesis, what its draws add to the error of the whole, and what the weights add."""
    shares = np.array([v.mean() for v in values.values()])
    drawn = weights * [_share_error(v) for v in values.values()]
    return shares, drawn, float(np.std(replicates @ shares)) if replicates is not None else 0.0


def _share_error(values: Floats) -> float:
    """Monte Carlo error of a share of draws; where all agree, that of a share of which none of so many was seen."""
    size, variance = effective_size(values), float(values.var())
    return math.sqrt(variance / size) if variance > 0 else 1 / (size + 2)  # the sd of a beta(1, size + 1) value


def _errors(posterior: Posterior, claim: Claim) -> tuple[float, Floats, float]:
    """Monte Carlo error of a claim's probability, and its parts."""
    values = {n: holds(claim, f.quantities) for n, f in posterior.fits.items()}
    _, drawn, weighed = _parts(values, posterior.weights.posterior, posterior.weights.replicates)
    return math.hypot(*drawn, weighed), drawn, weighed


def _mix(fits: Mapping[str, Fit], weights: Floats) -> Quantities:
    """Draws of all hypotheses, each as many as its weight has of the whole."""
    picks = _picks(fits, weights)
    names = next(iter(fits.values())).quantities
    mixed = {q: np.concatenate([f.quantities[q].ravel()[picks[n]] for n, f in fits.items()]) for q in names}
    index = np.repeat(np.arange(len(fits), dtype=np.float64), [len(p) for p in picks.values()])
    return Quantities(mixed | {"hypothesis": index}, names.members)


def _picks(fits: Mapping[str, Fit], weights: Floats) -> dict[str, NDArray[np.int_]]:
    """Which draws of each hypothesis stand for it, evenly spread over its chains."""
    counts = _shares(weights, max(f.x.shape[0] * f.x.shape[1] for f in fits.values()))
    sizes = [f.x.shape[0] * f.x.shape[1] for f in fits.values()]
    return {n: np.linspace(0, size - 1, c).round().astype(int) for n, size, c in zip(fits, sizes, counts, strict=True)}


def _shares(weights: Floats, size: int) -> list[int]:
    """Whole numbers nearest to ``weights * size`` that sum to ``size`` (largest remainders)."""
    exact = weights * size
    counts = np.floor(exact).astype(int)
    for k in np.argsort(counts - exact)[: size - int(counts.sum())]:
        counts[k] += 1
    return [int(c) for c in counts]
