"""Readings that contradict each other and may be wrong, and what follows from them exactly.

Latents and errors are normal and readings linear, so that given which readings are right and which basis is meant, all is
in closed form; every way of that is enumerated.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import special, stats

from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec

type _Way = tuple[float, np.ndarray, np.ndarray, dict[int, float]]
"""Its log probability [nat], mean and covariance of the latents given it, and the factor of each reading."""
WRONG_SD = 20.0
"""A wrong reading says nothing of the latents: it is normal about 0 with this sd. [V]"""


@dataclass(frozen=True)
class Reading:
    """A reading of the latents times ``row`` and a factor of the ``bases``, each as probable.

    It is right with the chance ``right`` if its origin is reliable, and that is so with the chance ``reliable``, for all
    readings of an origin at once.
    """

    value: float
    u: float
    row: tuple[float, ...] = (1.0,)
    right: float = 1.0
    origin: str = ""
    reliable: float = 1.0
    bases: tuple[float, ...] = (1.0,)


@dataclass(frozen=True)
class Camps:
    """Readings of latents that are normal about 0; the claim is that the first latent lies above ``above``. [V]"""

    sd: tuple[float, ...]
    readings: tuple[Reading, ...]
    above: float = 0.0

    def spec(self) -> Spec:
        """The model and the dossier."""
        latents = {
            f"x{k}": {"about": "A level", "unit": "V", "because": "Invented",
                      "prior": {"family": "normal", "mean": "0 V", "sd": f"{sd} V"}}
            for k, sd in enumerate(self.sd)
        }  # fmt: skip
        letters = {r.reliable: letter for r, letter in zip(self._each("reliable"), "ABCDEF", strict=False)}
        digits = {r.right: digit for r, digit in zip(self._each("right"), "23456", strict=False)}
        model = {
            "title": "Camps",
            "latents": latents,
            "methods": {f"read_{len(r.bases)}": self._method(r) for r in self._each("bases")},
            "grades": {
                "reliability": {letter: p for p, letter in letters.items()},
                "credibility": {digit: p for p, digit in digits.items()},
            },
            "claims": {"high": {"says": "It is high", "holds": f"x0 > {self.above} [V]"}},
        }
        observations: list[dict[str, Any]] = [
            {"id": f"r{k}", "method": f"read_{len(r.bases)}", "value": f"{r.value} V", "u": f"{r.u} V"}
            | {"inputs": {f"a{j}": a for j, a in enumerate(r.row)}}
            | ({"grade": letters[r.reliable] + digits[r.right]} if r.right * r.reliable < 1 else {})
            | ({"origin": r.origin} if r.origin else {})
            for k, r in enumerate(self.readings)
        ]
        return specify(model, {"dossier": "camps", "subject": "Camps", "observations": observations})

    def _each(self, field: str) -> list[Reading]:
        return list({getattr(r, field): r for r in self.readings}.values())

    def _method(self, r: Reading) -> dict[str, Any]:
        bases = [{"name": f"b{j}", "factor": factor} for j, factor in enumerate(r.bases)]
        return {
            "about": "Read it",
            "measures": " + ".join(f"x{k} * a{k}" for k in range(len(self.sd))),
            "inputs": {f"a{k}": {"unit": "1"} for k in range(len(self.sd))},
            "likelihood": {"family": "normal"},
            "wrong": {"family": "normal", "mean": "0 V", "sd": f"{WRONG_SD} V"},
        } | ({"basis": bases} if len(bases) > 1 else {})


class Exact:
    """The posterior of the latents: a mixture of normal ones over every way of what is right and what is meant.

    ``without`` leaves readings out, ``stretch`` multiplies the sd of the first latent's prior, and ``shift`` moves
    readings by so many of their u.
    """

    def __init__(
        self,
        camps: Camps,
        *,
        without: tuple[int, ...] = (),
        stretch: float = 1.0,
        shift: Mapping[int, float] | None = None,
    ) -> None:
        self.camps, self.prior = (
            camps,
            np.diag(np.array(camps.sd) * np.array([stretch, *[1.0] * (len(camps.sd) - 1)])) ** 2,
        )
        self.kept = [k for k in range(len(camps.readings)) if k not in without]
        self.value = {k: r.value + (shift or {}).get(k, 0.0) * r.u for k, r in enumerate(camps.readings)}
        logs, centres, covariances, factors = zip(*self._ways(), strict=True)
        self.logs, self.centres, self.covariances = (np.array(found) for found in (logs, centres, covariances))
        self.factors: tuple[dict[int, float], ...] = factors
        self.means, self.sds = self.centres[:, 0], np.sqrt(self.covariances[:, 0, 0])

    @property
    def log_z(self) -> float:
        """The log marginal likelihood. [nat]"""
        return float(special.logsumexp(self.logs))

    @cached_property
    def shares(self) -> np.ndarray:
        """The probability of each way."""
        return np.asarray(special.softmax(self.logs))

    @property
    def claim(self) -> float:
        """The probability of the claim."""
        return float(self.shares @ stats.norm.sf(self.camps.above, self.means, self.sds))

    @property
    def mean(self) -> float:
        """The mean of the first latent. [V]"""
        return float(self.shares @ self.means)

    def foretold(self, k: int) -> list[tuple[float, float, float]]:
        """Shares, means and sds of the normal distributions of a reading that is not among those kept, were it right."""
        own, found = self.camps.readings[k], []
        for share, centre, covariance, factors in zip(
            self.shares, self.centres, self.covariances, self.factors, strict=True
        ):
            known = {factors[j] for j in self.kept if own.origin and self.camps.readings[j].origin == own.origin}
            open_to = tuple(known) or own.bases
            for factor in open_to:
                row = np.array(own.row) * factor
                sd = math.sqrt(row @ covariance @ row + own.u**2)
                found.append((share / len(open_to), float(row @ centre), sd))
        return found

    def tail(self, k: int) -> float:
        """The probability of a reading at least as far out on either side as one that is not among those kept."""
        own = self.camps.readings[k]
        sides = (
            sum(p * side(own.value, mean, sd) for p, mean, sd in self.foretold(k))
            for side in (stats.norm.cdf, stats.norm.sf)
        )
        return 2 * min(*sides, 0.5)

    def misfit(self, own: tuple[int, ...], rng: np.random.Generator, size: int = 400_000) -> float:
        """The probability of readings of one origin, none of them kept, at least as far from what is foretold, were they
        right: by their mean and covariance, over so many that are simulated.
        """
        readings = [self.camps.readings[k] for k in own]
        rows, u = np.array([r.row for r in readings]), np.array([r.u for r in readings])
        way = rng.choice(len(self.shares), size=size, p=self.shares)
        roots = np.array([np.linalg.cholesky(c + 1e-12 * np.eye(len(c))) for c in self.covariances])
        x = self.centres[way] + np.einsum("nij,nj->ni", roots[way], rng.standard_normal((size, len(self.prior))))
        factor = rng.choice(readings[0].bases, size=size)
        y = factor[:, None] * (x @ rows.T) + u * rng.standard_normal((size, len(own)))
        inverse = np.linalg.inv(np.cov(y.T))
        apart = np.concatenate([[[r.value for r in readings]], y]) - y.mean(axis=0)
        far = np.einsum("ni,ij,nj->n", apart, inverse, apart)
        return float(np.mean(far[1:] >= far[0]))

    def _ways(self) -> Iterator[_Way]:
        readings = self.camps.readings
        sources: dict[str, list[int]] = {}
        for k in self.kept:
            sources.setdefault(readings[k].origin or f"{k} alone", []).append(k)
        for rights in itertools.product((True, False), repeat=len(self.kept)):
            is_right = dict(zip(self.kept, rights, strict=True))
            chance = math.prod(self._chance(own, is_right) for own in sources.values())
            for factors in itertools.product(*(readings[own[0]].bases for own in sources.values())) if chance else ():
                factor = {k: f for own, f in zip(sources.values(), factors, strict=True) for k in own}
                open_ = math.prod(len(readings[own[0]].bases) for own in sources.values())
                yield self._way(math.log(chance / open_), [k for k in self.kept if is_right[k]], factor)

    def _chance(self, own: list[int], is_right: Mapping[int, bool]) -> float:
        """That just these readings of an origin are right."""
        readings, reliable = self.camps.readings, self.camps.readings[own[0]].reliable
        each = math.prod(readings[k].right if is_right[k] else 1 - readings[k].right for k in own)
        return reliable * each + (1 - reliable) * (not any(is_right[k] for k in own))

    def _way(self, log: float, right: list[int], factor: dict[int, float]) -> _Way:
        readings = self.camps.readings
        log += sum(float(stats.norm(0, WRONG_SD).logpdf(self.value[k])) for k in self.kept if k not in right)
        if not right:
            return log, np.zeros(len(self.prior)), self.prior, factor
        design = np.array([np.array(readings[k].row) * factor[k] for k in right])
        y, noise = np.array([self.value[k] for k in right]), np.diag([readings[k].u ** 2 for k in right])
        total = design @ self.prior @ design.T + noise
        gain = self.prior @ design.T @ np.linalg.inv(total)
        log += float(stats.multivariate_normal(np.zeros(len(y)), total).logpdf(y))
        return log, gain @ y, self.prior - gain @ design @ self.prior, factor
