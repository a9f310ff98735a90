"""How far readings would have to be from where they are for the leading claim to cross its threshold.

The readings of a unit are shifted together, each by the same number of its own u, which is held. Over draws without
them the probability of the claim is a ratio of means of ``exp(l)``, ``l`` being what the shifted readings tell; the
hypotheses weigh in by their marginal likelihoods without the unit. Where the readings tell so much that few of these
draws are near to them, draws with them are moved along with the shift, as far as the mean would move were all linear
(which is their covariance with the slope of ``l``), and weighed by the density where they come to. The probability need
not rise or fall steadily, so that the shift is scanned outward.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from gaugeglass.inference.density import Dials, Floats, Values
from gaugeglass.inference.modes import Crossing, may_be_several, refit_many
from gaugeglass.inference.posterior import Posterior, holds, probability
from gaugeglass.inference.sampling import Fit
from gaugeglass.inference.weighing import log_evidence_by_bridge, weigh
from gaugeglass.judgement.findings import Tipping
from gaugeglass.judgement.leaving import Left, Without, refit_settings, telling
from gaugeglass.judgement.predictions import moments, predict, simulate
from gaugeglass.judgement.results import Probability
from gaugeglass.judgement.surprises import from_on, likely_basis, readings_of, up_to
from gaugeglass.language.expressions import certainty
from gaugeglass.language.spec import Claim, Observation

REACH = 8.0
"""Predictive standard deviations that are searched to either side. [1]"""
_STEPS = tuple(float(k) for k in (0.05, 0.1, 0.25, *np.arange(0.5, REACH + 0.01, 0.5)))
_DRAWS = 1000
"""Draws of each hypothesis that are scanned. [1]"""
_ENOUGH = 200.0
"""Effective draws of a hypothesis that make others needless. [1]"""
FEWEST = 50.0
"""Effective draws below which a shift is beyond what they can tell. [1]"""
CONFIRMED = 3
"""The nearest tipping values that a refit confirms. [1]"""
_NEAR = 0.05  # own u
_SEED = 0x71B
_MOST_NUMBERS = 1_000_000


@dataclass(frozen=True)
class _Point:
    """The claim at one shift: probability, its error, and the effective number of draws."""

    probability: float
    mcse: float
    draws: float


@dataclass(frozen=True)
class Search:
    """What a search found; ``sd`` [own u] is the predictive standard deviation of the shift."""

    tipping: tuple[Tipping, ...]
    sought: tuple[float, float] | None
    sd: float
    untipped: str = ""


def search(posterior: Posterior, left: Left, claim: Claim) -> Search:
    """The nearest shift on either side at which a claim crosses its threshold."""
    spec = posterior.spec
    own = readings_of(spec, left.unit)
    if any(spec.method(o).likelihood.family == "serial" for o in own):
        return Search((), None, math.nan, "serial numbers are not shifted, since their total cannot be below them")
    thin = left.thinned(_DRAWS)
    scale = _scales(posterior, thin, own)
    if not all(math.isfinite(u) and u > 0 for u in scale.values()):
        return Search((), None, math.nan, "a reading has no u of its own")
    sd = _predictive_sd(posterior, thin, own, scale)
    at = _probability(posterior, thin, claim, own, scale)
    start = at(0.0)
    if start is None or start.draws < FEWEST:
        return Search((), None, sd, "too few draws are near to the readings as they are")
    found, ends = [], []
    for sign in (-1.0, 1.0):
        crossing, end = _outward(at, claim.threshold, start.probability >= claim.threshold, sign * sd)
        ends.append(end)
        if crossing is not None:
            found.append(_tipping(posterior, thin, claim, own, scale, at, crossing, sd))
    return Search(tuple(found), (float(ends[0]), float(ends[1])), sd)


def _scales(posterior: Posterior, left: Left, own: Sequence[Observation]) -> dict[str, float]:
    """One u of each reading [unit of the method]: what it states, else the mean scatter about its prediction."""
    spec, found = posterior.spec, {}
    for o in own:
        if o.u is not None:
            found[o.id] = o.u * abs(o.value) if spec.method(o).likelihood.family == "lognormal" else o.u
        else:
            found[o.id] = left.mean(lambda name, fit, o=o: _scatter(posterior, o, fit))[0]  # type: ignore[misc]
    return found


def _scatter(posterior: Posterior, o: Observation, fit: Fit) -> Floats:
    x, flat = fit.x.reshape(-1, fit.x.shape[-1]), fit.quantities.each(np.ravel)
    mu, u = predict(posterior.density, o, flat, x)
    sd = moments(posterior.density, o, mu, u)[1]
    sd = sd * mu if posterior.spec.method(o).likelihood.family == "lognormal" else sd
    return np.asarray(sd.reshape(fit.x.shape[:2]))


def _predictive_sd(posterior: Posterior, left: Left, own: Sequence[Observation], scale: Mapping[str, float]) -> float:
    shifts = _foretold(posterior, left, own, scale)
    mean, _ = left.mean(lambda name, fit: shifts[name])
    variance, _ = left.mean(lambda name, fit: (shifts[name] - mean) ** 2)
    return math.sqrt(variance)


def _foretold(
    posterior: Posterior, left: Left, own: Sequence[Observation], scale: Mapping[str, float]
) -> dict[str, Floats]:
    """Mean shift, in own u, that would bring the readings to where each draw foretells them, by hypothesis."""
    rng = np.random.default_rng([posterior.seed, _SEED])
    few = own[:: max(1, math.ceil(len(own) * _DRAWS * len(left.parts) / _MOST_NUMBERS))]
    found = {}
    for name, part in left.parts.items():
        x, flat = part.fit.x.reshape(-1, part.fit.x.shape[-1]), part.fit.quantities.each(np.ravel)
        total = np.zeros(len(x))
        for o in few:
            basis = likely_basis(posterior.density, o, part.fit)
            reading = simulate(posterior.density, o, *predict(posterior.density, o, flat, x, basis=basis), rng)
            total += np.clip((reading - o.value) / scale[o.id], -1e9, 1e9)
        found[name] = (total / len(few)).reshape(part.shares.shape)
    return found


type _At = Callable[[float], _Point | None]


def shifted(dials: Dials, own: Sequence[Observation], scale: Mapping[str, float], shift: float) -> Dials:
    """The dials with readings shifted by so many of their own u."""
    return replace(dials, shift={o.id: shift * scale[o.id] for o in own})


def _probability(
    posterior: Posterior, left: Left, claim: Claim, own: Sequence[Observation], scale: Mapping[str, float]
) -> _At:
    known = dict[float, _Point | None]()
    sources = [
        _Source(posterior, left.parts[name].thinned(_DRAWS), claim, own, scale, w)
        for name, w in zip(left.weights.names, left.weights.posterior, strict=True)
        if w > 0
    ]

    def at(shift: float) -> _Point | None:
        if shift not in known:
            known[shift] = _point([source.at(shift) for source in sources])
        return known[shift]

    return at


@dataclass(frozen=True)
class _Weighed:
    """Draws of one hypothesis for one shift: logs of their weights, the claim in each, how many draws one is."""

    logs: Floats
    true: Floats
    stick: float

    @property
    def draws(self) -> float:
        top = float(np.max(self.logs))
        if not math.isfinite(top):
            return 0.0
        weights = np.exp(self.logs - top)
        return float(weights.sum() ** 2 / np.sum(weights**2)) / self.stick


class _Source:
    """Draws of one hypothesis to weigh for a shift: those without the unit, or those with it moved along.

    Where there may be several modes it is both, by the balance heuristic (E. Veach and L. J. Guibas, "Optimally
    combining sampling techniques for Monte Carlo rendering", SIGGRAPH 1995): a shift may lead to a mode that no draw
    with the unit is in.
    """

    def __init__(
        self, posterior: Posterior, part: Without, claim: Claim, own: Sequence[Observation], scale: Mapping[str, float],
        weight: float,
    ) -> None:  # fmt: skip
        self.density, self.claim, self.own, self.scale = posterior.density, claim, own, scale
        self.name = part.fit.hypothesis
        whole = posterior.fits[self.name]
        self.left = part.fit.x.reshape(-1, whole.x.shape[-1])
        self.left_true = holds(claim, part.fit.quantities).ravel()
        with np.errstate(divide="ignore"):
            shares = np.log(part.shares.ravel())
        self.part, self.whole, self.log_weight = part, whole, math.log(weight)
        self.log_z = posterior.weights.evidences[posterior.weights.names.index(self.name)].log
        self.ids = [o.id for o in own]
        self.left_logs = self.log_weight + shares - self._log(self.left, self._telling(part.fit.dials, 0.0))
        self.left_stick = max(1.0, 1 / (part.size * float(np.sum(part.shares**2))))
        kept = np.linspace(0, whole.x.shape[0] * whole.x.shape[1] - 1, _DRAWS).round().astype(int)
        self.with_it = whole.x.reshape(-1, whole.x.shape[-1])[kept]
        rise = self.log_weight + self.log_z - part.evidence.log
        self.whole_logs = rise - math.log(_DRAWS) - self._log(self.with_it, whole.dials)
        self.whole_stick = max(1.0, _DRAWS / max(whole.diagnostics.ess_bulk, 1.0))
        self.pull = self._pull(whole.dials)
        alike = part.fit.dials.untold == whole.dials.untold and part.route != "importance weights"
        self.is_balanced = alike and may_be_several(self.density)

    def _log(self, x: Floats, dials: Dials) -> Floats:
        return self.density.log_densities(x, self.density.pack(dials))

    def _telling(self, dials: Dials, power: float) -> Dials:
        return telling(self.density, dials, self.ids, power)

    def _shifted(self, shift: float, like: Dials) -> Dials:
        """The dials of a shift for draws in the coordinates of others."""
        own = replace(self.density.dials(self.name), untold=like.untold)
        return shifted(own, self.own, self.scale, shift)

    def _pull(self, dials: Dials) -> Floats:
        """How far the mean of the coordinates moves for a shift of one u: their covariance with its log's slope."""
        above, below = (self._log(self.with_it, self._shifted(s, dials)) for s in (_NEAR, -_NEAR))
        slope = (above - below) / (2 * _NEAR)
        kept = np.isfinite(slope)
        if not np.any(kept):
            return np.zeros(self.with_it.shape[1])
        x = self.with_it[kept]
        pull = (x - x.mean(axis=0)).T @ (slope[kept] - slope[kept].mean()) / kept.sum()
        pull[~np.isin(np.arange(len(pull)), self.density.active(self.name))] = 0.0
        return np.asarray(pull)

    def at(self, shift: float) -> _Weighed:
        """Draws that were moved along, or where these stand for it poorly whichever stand for it by more."""
        dials = self._shifted(shift, self.whole.dials)
        moved = self.with_it + shift * self.pull
        if self.is_balanced:
            return self._balanced(shift, moved, dials)
        own = _Weighed(_finite(self.whole_logs + self._log(moved, dials)), np.empty(0), self.whole_stick)
        if own.draws < _ENOUGH:
            told = self._log(self.left, self._telling(self._shifted(shift, self.part.fit.dials), 1.0))
            left = _Weighed(_finite(self.left_logs + told), self.left_true, self.left_stick)
            if left.draws >= own.draws:
                return left
        return replace(own, true=self._true(moved, dials))

    def _balanced(self, shift: float, moved: Floats, dials: Dials) -> _Weighed:
        """Draws without the unit and with it, half of these moved along, each with its weight in their mixture."""
        x, log_left = np.concatenate([self.left, self.with_it[::2], moved[1::2]]), self.part.evidence.log
        half = math.log(len(moved) / 2) - self.log_z
        parts = [
            math.log(len(self.left)) - log_left + self._log(x, self.part.fit.dials),
            half + self._log(x, self.whole.dials),
            half + self._log(x - shift * self.pull, self.whole.dials),
        ]
        with np.errstate(invalid="ignore"):
            logs = self.log_weight - log_left + self._log(x, dials) - special.logsumexp(parts, axis=0)
        true = np.concatenate([self.left_true, self._true(x[len(self.left) :], dials)])
        return _Weighed(_finite(logs), true, max(self.left_stick, self.whole_stick))

    def _true(self, x: Floats, dials: Dials) -> Floats:
        with np.errstate(all="ignore"):
            found = np.asarray(certainty(self.claim.holds, Values(self.density, x, dials))[0], dtype=np.float64)
        return np.broadcast_to(found, len(x))


def _finite(logs: Floats) -> Floats:
    return np.where(np.isfinite(logs), logs, -np.inf)


def _point(sources: Sequence[_Weighed]) -> _Point | None:
    """The claim over all hypotheses at one shift."""
    top = max(float(np.max(s.logs)) for s in sources)
    if not math.isfinite(top):
        return None
    weights = [np.exp(s.logs - top) for s in sources]
    total = float(sum(w.sum() for w in weights))
    p = float(sum(w @ s.true for w, s in zip(weights, sources, strict=True))) / total
    variance = inverse = 0.0
    for w, s in zip(weights, sources, strict=True):
        variance += s.stick * float(np.sum((w * (s.true - p)) ** 2)) / total**2
        inverse += s.stick * float(np.sum(w**2)) / total**2
    return _Point(p, math.sqrt(variance), 1 / inverse)


def _outward(at: _At, threshold: float, above: bool, step: float) -> tuple[float | None, float]:
    """The first crossing outward, and how far was searched."""
    last = 0.0
    for k in _STEPS:
        point = at(k * step)
        if point is None or point.draws < FEWEST:
            return None, last
        if (point.probability >= threshold) != above:
            return _refined(at, threshold, last, k * step), k * step
        last = k * step
    return None, last


def _refined(at: _At, threshold: float, near: float, far: float) -> float:
    def over(shift: float) -> float:
        point = at(shift)
        return math.nan if point is None else point.probability - threshold

    if over(near) == 0:
        return near
    return float(optimize.brentq(over, near, far, xtol=1e-3 * abs(far - near)))


def _tipping(
    posterior: Posterior,
    left: Left,
    claim: Claim,
    own: Sequence[Observation],
    scale: Mapping[str, float],
    at: _At,
    shift: float,
    sd: float,
) -> Tipping:
    point, nearby = at(shift), at(shift + 0.05 * sd)
    behind = at(shift - 0.05 * sd)
    assert point is not None  # noqa: S101 - it was found there
    rise = abs(nearby.probability - behind.probability) / (0.1 * sd) if nearby and behind else 0.0
    value = own[0].value + shift * scale[own[0].id] if len(own) == 1 else None
    return Tipping(
        side="below" if shift < 0 else "above",
        shift=shift,
        shift_mcse=point.mcse / rise if rise > 0 else math.nan,
        value=value,
        draws=point.draws,
        chance=_chance(posterior, left, own, scale, shift),
    )


def _chance(
    posterior: Posterior, left: Left, own: Sequence[Observation], scale: Mapping[str, float], shift: float
) -> Probability:
    """The predictive chance of readings at least as far out on that side."""
    density = posterior.density
    if len(own) > 1:
        foretold = _foretold(posterior, left, own, scale)
        sign = math.copysign(1.0, shift)
        return left.probability(lambda name, fit: (sign * foretold[name] >= abs(shift)).astype(np.float64))
    (o,) = own
    y = o.value + shift * scale[o.id]

    def beyond(name: str, fit: Fit) -> Floats:
        x, flat = fit.x.reshape(-1, fit.x.shape[-1]), fit.quantities.each(np.ravel)
        mu, u = predict(density, o, flat, x, basis=likely_basis(density, o, fit))
        side = up_to(density, o, mu, u, y) if shift < 0 else from_on(density, o, mu, u, y)
        return side.reshape(fit.x.shape[:2])

    return Probability(*left.mean(beyond))


# --- confirmation -------------------------------------------------------------------------------------------


def confirmed(
    posterior: Posterior, claim: Claim, places: Sequence[tuple[Left, Tipping]], advance: Callable[[float], None]
) -> list[Probability | None]:
    """The claim's probability by a refit of every hypothesis at each place; None where one is out of its limits."""
    density, names = posterior.density, list(posterior.fits)
    jobs = []
    for left, tipping in places:
        own = readings_of(posterior.spec, left.unit)
        scale = _scales(posterior, left.thinned(_DRAWS), own)
        jobs += [
            (shifted(density.dials(n), own, scale, tipping.shift), posterior.seed, posterior.fits[n]) for n in names
        ]
    done = iter(range(1, len(jobs) + 1))
    found = refit_many(density, jobs, refit_settings(posterior), advance=lambda: advance(next(done) / len(jobs)))
    groups: Iterator[list[Crossing]] = (found[k : k + len(names)] for k in range(0, len(found), len(names)))
    return [_by_refit(posterior, claim, group) for group in groups]


def _by_refit(posterior: Posterior, claim: Claim, found: Sequence[Crossing]) -> Probability | None:
    fits = [done.fit for done in found]
    if not all(fit.diagnostics.is_usable for fit in fits):
        return None
    names = [fit.hypothesis for fit in fits]
    evidences = [done.evidence or log_evidence_by_bridge(posterior.density, done.fit) for done in found]
    weights = weigh(names, list(posterior.weights.prior), evidences, seed=posterior.seed)
    values = {fit.hypothesis: holds(claim, fit.quantities) for fit in fits}
    return Probability(*probability(values, weights.posterior, weights.replicates))
