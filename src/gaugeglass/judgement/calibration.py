"""Simulation-based calibration: is the engine right nine times in ten when it says 90 %?

Truths are drawn, of the prior over the mixture of hypotheses [1]_ or of the posterior [2]_; the dossier's own evidence
is simulated from each and inferred again under every hypothesis. Over the mixture the rank of each truth among draws
must be uniform, and what was given a probability must come true as often. The joint log-likelihood is a test quantity
too, which catches what each quantity alone does not [3]_.

References
----------
.. [1] S. Talts et al., "Validating Bayesian inference algorithms with simulation-based calibration", 2018.
   https://arxiv.org/abs/1804.06788
.. [2] T. Säilynoja, M. Schmitt, P.-C. Bürkner and A. Vehtari, "Posterior SBC: simulation-based calibration checking
   conditional on data", 2025. https://arxiv.org/abs/2502.03279
.. [3] M. Modrák et al., "Simulation-based calibration checking for Bayesian computation: the choice of test quantities
   shapes sensitivity", Bayesian Analysis 20 (2025). https://doi.org/10.1214/23-BA1404
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib.metadata import version
from typing import Any, Literal

import numpy as np

from gaugeglass.errors import InferenceError
from gaugeglass.inference.density import Density, Dials, Floats, compile_density
from gaugeglass.inference.fanout import HERE, Kept, Place, fan_out
from gaugeglass.inference.posterior import Posterior, holds, infer
from gaugeglass.judgement import uniformity
from gaugeglass.judgement.results import INTERVAL_PROBABILITY
from gaugeglass.judgement.simulated import (
    AGAIN,
    Truth,
    coordinates,
    doubled,
    simulate_evidence,
    truth_beside,
    truth_of_prior,
)
from gaugeglass.judgement.sketches import Sketch, effective_draws, sketch
from gaugeglass.language.spec import Given, Spec

type Truths = Literal["prior", "posterior"]
type Shape = Literal["", "too narrow", "too wide", "too low", "too high", "off"]

JOINT = "log-likelihood"
"""The test quantity that is no quantity of the model."""
NO_VALUE, SETTLED = "no value", "settled"
"""Why a quantity has no rank: a draw or the truth has no value, or every draw is the truth."""
LEVELS = 100
"""Ranks that a truth may have among one draw fewer. [1]"""
MISTAKE = 0.01
"""Chance that anything of a right engine is called off, over all that is tested (Bonferroni). [1]"""
_CORES = 2
"""Threads in which the tests are made. [1]"""
FEWEST = 10
"""Simulations in which a quantity must move to be tested. [1]"""
_MATTERS = 0.01
"""Weight from which a hypothesis that is out of limits spoils a simulation. [1]"""
_LEANING = 0.05
"""How far from one half the mean rank of draws may be before the draws are called too low or too high. [1]"""


@dataclass(frozen=True, slots=True)
class RankFinding:
    """How a quantity's truths lie among its draws.

    ``ranks`` run from 0 to ``LEVELS - 1``; ``inside`` of them lie in the central 90 %. ``p_value`` tests all ranks,
    ``inside_p_value`` the count, each by itself. ``shape`` says how draws are wrong where either is below the limit.
    Of simulations without a rank there are ``no_value``, in which the truth or a draw has no value, and ``settled``, in
    which every draw is the truth.
    """

    quantity: str
    unit: str
    ranks: tuple[int, ...]
    inside: int
    p_value: float
    inside_p_value: float
    shape: Shape = ""
    no_value: int = 0
    settled: int = 0

    @property
    def share(self) -> float:
        """The share of truths inside. [1]"""
        return self.inside / len(self.ranks)


@dataclass(frozen=True, slots=True)
class ChanceFinding:
    """How a claim's or a hypothesis's probabilities were borne out.

    ``probabilities`` [1] and whether it ``came`` true, by simulation; how many times it did is ``seen``, how many were
    ``expected``. The Brier score is ``brier``, ``brier_expected`` what the probabilities expect of it, and ``z`` how
    many standard deviations it is off (Spiegelhalter 1986). ``p_value`` is of the count and of the score together.
    """

    kind: Literal["claim", "hypothesis"]
    name: str
    says: str
    probabilities: tuple[float, ...]
    came: tuple[bool, ...]
    seen: int
    expected: float
    brier: float
    brier_expected: float
    z: float
    p_value: float
    shape: Shape = ""


@dataclass(frozen=True)
class Calibration:
    """What was found, over ``simulations`` of which ``failures`` could not be inferred, each with its reason.

    ``drawn`` counts by which way hypotheses were drawn.
    """

    dossier: str
    model: str
    subject: str
    truths: Truths
    seed: int
    simulations: int
    failures: tuple[str, ...]
    quantities: tuple[RankFinding, ...]
    chances: tuple[ChanceFinding, ...]
    drawn: Mapping[str, int] = field(default_factory=dict)

    @property
    def used(self) -> int:
        """Simulations that count. [1]"""
        return self.simulations - len(self.failures)

    @property
    def tests(self) -> int:
        """How many tests share the chance of a mistake. [1]"""
        return _tests(len(self.quantities), len(self.chances))

    @property
    def limit(self) -> float:
        """The p-value below which a test says that something is off. [1]"""
        return MISTAKE / max(self.tests, 1)

    @cached_property
    def off(self) -> tuple[str, ...]:
        """Names of quantities, claims and hypotheses that are off."""
        ranked = [f.quantity for f in self.quantities if f.shape]
        return (*ranked, *(f.name for f in self.chances if f.shape))


def left_out(found: Calibration, spec: Spec) -> tuple[str, ...]:
    """The quantities that count in fewer than ``FEWEST`` simulations, and so are not tested."""
    tested = {f.quantity for f in found.quantities}
    return tuple(name for name in _asked(spec) if name not in tested)


def _tests(quantities: int, chances: int) -> int:
    return 2 * quantities + chances


def calibrate(
    found: Spec | Posterior, *, simulations: int = 200, truths: Truths = "prior", seed: int = 1, place: Place = HERE,
    kept: Kept | None = None, progress: Callable[[str, float], None] | None = None,
    refit: Callable[[Density], Density] | None = None,
) -> Calibration:  # fmt: skip
    """Calibrate the engine on a Spec's own evidence.

    Parameters
    ----------
    found
        What to calibrate on; with truths of the posterior, a Spec is inferred first.
    simulations
        Truths drawn. [1]
    truths
        Drawn of the prior: is the engine right over all that the model thinks possible? Or of the posterior, which is
        then inferred from the observed evidence and a simulated repetition of it together: is it right about here?
    place
        Where simulations are done; the numbers are the same.
    kept
        Where what is done survives an interruption.
    progress
        Called with what is being done and the share of it that is done. [1]
    refit
        Changes the density that is inferred again, and so lets a test break it on purpose.

    Raises
    ------
    InferenceError
        If a whole inference is refused, or a cluster does not answer.
    """
    tell = progress or (lambda what, share: None)
    spec = found.spec if isinstance(found, Posterior) else found
    jobs: list[tuple[Any, ...]] = [(k,) for k in range(simulations)]
    if truths == "posterior":
        whole = found if isinstance(found, Posterior) else infer(found, seed=seed, progress=progress)
        jobs = [(k, *_drawn_truth(whole, seed, k)) for k in range(simulations)]
    done = fan_out(
        Simulations(spec, seed, refit), jobs, place, kept=kept,
        advance=lambda count, of: tell(f"simulation {count} of {of}", count / max(of, 1)),
    )  # fmt: skip
    tell("testing", 1.0)
    return gather(spec, done, truths=truths, seed=seed)


def identity(found: Spec | Posterior, *, truths: Truths, seed: int) -> str:
    """A text that tells one calibration from another; simulations of equal ones may be put together."""
    spec = found.spec if isinstance(found, Posterior) else found
    of = f"{found.settings}" if isinstance(found, Posterior) else ""
    dossier = replace(spec.dossier, file="", left_out=frozenset())
    rest = (replace(spec.model, file=""), dossier, sorted(spec.dossier.left_out), spec.alternative)
    return repr((version("gaugeglass"), truths, seed, of, *rest))


def _drawn_truth(whole: Posterior, seed: int, k: int) -> tuple[str, bool, tuple[float, ...]]:
    """A draw of the posterior: its hypothesis, whether its hierarchies are not centred, its coordinates."""
    x = whole.mixture_x
    pick = int(np.random.default_rng([seed, k, 0x7A117]).integers(len(x)))
    name = list(whole.fits)[int(whole.mixture["hypothesis"][pick])]
    return name, whole.fits[name].dials.untold, tuple(map(float, x[pick]))


# --- one simulation -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Simulations:
    """One simulation after another, wherever it is done."""

    spec: Spec
    seed: int
    refit: Callable[[Density], Density] | None = None

    def prepare(self) -> dict[str, Density]:
        """The densities by what they are of, compiled when they are first needed."""
        return {"once": compile_density(self.spec)}

    def do(self, prepared: dict[str, Density], job: tuple[Any, ...]) -> dict[str, Any]:
        """One truth: where it lies among draws, what claims were given and whether they came true."""
        k, *of_posterior = job
        density = prepared["once"]
        rng = np.random.default_rng([self.seed, k, 0xCA11B])
        if of_posterior:
            if "twice" not in prepared:
                prepared["twice"] = doubled(density)
            name, untold, x = of_posterior
            truth = _truth_at(density, replace(density.dials(name), untold=untold), np.array(x))
            truth = truth_beside(density, prepared["twice"], truth, rng)
            density = prepared["twice"]
        else:
            truth = truth_of_prior(density, _chosen(self.spec, rng), int(rng.integers(2**31)))
        stays = frozenset(o.id for o in density.spec.evidence if of_posterior and not o.id.endswith(AGAIN))
        evidence = simulate_evidence(density, truth, rng, beside=stays)
        if not all(math.isfinite(o.value) for o in evidence):
            return {"failed": "a reading was simulated that is no number"}
        simulated = density.with_observations(evidence)
        at = coordinates(density, simulated, truth)
        held = simulated if self.refit is None else self.refit(simulated)
        try:
            made = sketch(held, seed=int(rng.integers(2**31)))
        except InferenceError as problem:
            return {"failed": str(problem)}
        if bad := _faults(made):
            return {"failed": bad}
        ranks, unranked = _ranks(simulated, held, made, truth, at, rng)
        return {
            "hypothesis": truth.hypothesis,
            "ranks": ranks,
            "unranked": unranked,
            "claims": _claims(held, made, truth),
            "weights": dict(zip(made.fits, map(float, made.weights), strict=True)),
            "drawn": made.remedies,
        }


def _chosen(spec: Spec, rng: np.random.Generator) -> str:
    weights = np.array([h.prior_weight for h in spec.hypotheses])
    return spec.hypotheses[int(rng.choice(len(weights), p=weights / weights.sum()))].name


def _truth_at(density: Density, dials: Dials, x: Floats) -> Truth:
    return Truth(dials.hypothesis, x, density.quantities(x, dials))


def _faults(made: Sketch) -> str:
    """What is out of limits of the hypotheses that matter."""
    heavy = dict(zip(made.fits, made.weights >= _MATTERS, strict=True))
    return replace(made, fits={name: f for name, f in made.fits.items() if heavy[name]}).faults


def _ranks(
    simulated: Density, held: Density, made: Sketch, truth: Truth, at: Floats, rng: np.random.Generator
) -> tuple[dict[str, int], dict[str, str]]:
    """The rank of each quantity's truth among draws of the mixture, ties broken at random; and why others have none."""
    counts = rng.multinomial(LEVELS - 1, made.weights / made.weights.sum())
    drawn: dict[str, list[Floats]] = {}
    for found, count in zip(made.fits.values(), counts, strict=True):
        flat = found.x.reshape(-1, found.x.shape[-1])
        picks = np.linspace(0, len(flat) - 1, count).round().astype(int)
        for name in _asked(held.spec):
            drawn.setdefault(name, []).append(found.quantities[name].ravel()[picks])
        drawn.setdefault(JOINT, []).append(_joint(held, found.dials, flat[picks]))
    true = {name: float(truth.quantities[name]) for name in _asked(held.spec)}
    true[JOINT] = float(_joint(simulated, simulated.dials(truth.hypothesis), at[None])[0])
    ranks, unranked = dict[str, int](), dict[str, str]()
    for name, parts in drawn.items():
        values = np.concatenate(parts)
        has_value = np.isfinite(true[name]) and np.all(np.isfinite(values))
        if not (has_value or name == JOINT):  # a wrong engine may call a truth impossible
            unranked[name] = NO_VALUE
        elif np.all(values == true[name]):
            unranked[name] = SETTLED
        else:
            ranks[name] = _rank(values, true[name], rng)
    return ranks, unranked


def _asked(spec: Spec) -> list[str]:
    return [name for name, q in spec.quantities.items() if not isinstance(q, Given)]


def _rank(draws: Floats, truth: float, rng: np.random.Generator) -> int:
    below, equal = int(np.sum(draws < truth)), int(np.sum(draws == truth))
    return below + int(rng.integers(0, equal + 1))


def _joint(density: Density, dials: Dials, x: Floats) -> Floats:
    """Log-likelihood of all readings at coordinates, dims ("draw", "free"): what is gained if all count twice."""
    twice = replace(dials, power={o.id: 2.0 for o in density.spec.evidence})
    return density.log_densities(x, density.pack(twice)) - density.log_densities(x, density.pack(dials))


def _claims(held: Density, made: Sketch, truth: Truth) -> dict[str, tuple[float, bool]]:
    """Each claim's probability, and whether it came true."""
    found = {}
    for claim in held.spec.model.claims:
        shares = [_share(holds(claim, f.quantities), effective_draws(f)) for f in made.fits.values()]
        came = bool(float(holds(claim, truth.quantities.each(np.atleast_1d))[0]))
        found[claim.name] = (float(made.weights @ np.array(shares)), came)
    return found


def _share(values: Floats, size: float) -> float:
    """A share of draws, kept off 0 and 1 by half a draw, for so many cannot tell it from them."""
    return (float(values.mean()) * size + 0.5) / (size + 1)


# --- all of them --------------------------------------------------------------------------------------------


def gather(spec: Spec, done: Sequence[Mapping[str, Any]], *, truths: Truths, seed: int) -> Calibration:
    """What simulations say together."""
    good = [d for d in done if "failed" not in d]
    ranks = {name: [d["ranks"][name] for d in good if name in d["ranks"]] for name in (*_asked(spec), JOINT)}
    ranks = {name: own for name, own in ranks.items() if len(own) >= FEWEST}
    unranked = {name: [d.get("unranked", {}).get(name) for d in good] for name in ranks}
    chances = list(_chances(spec, good)) if len(good) >= FEWEST else []
    limit = MISTAKE / max(_tests(len(ranks), len(chances)), 1)
    drawn: dict[str, int] = {}
    for d in good:
        for remedy, count in d["drawn"].items():
            drawn[remedy] = drawn.get(remedy, 0) + count
    with ThreadPoolExecutor(_CORES) as pool:
        ranked = pool.map(lambda name: _ranked(spec, name, ranks[name], unranked[name], limit), ranks)
        borne_out = pool.map(lambda asked: _borne_out(*asked, limit=limit, seed=seed), chances)
    return Calibration(
        dossier=spec.dossier.name,
        model=spec.model.name,
        subject=spec.dossier.subject,
        truths=truths,
        seed=seed,
        simulations=len(done),
        failures=tuple(d["failed"] for d in done if "failed" in d),
        quantities=tuple(ranked),
        chances=tuple(borne_out),
        drawn=drawn,
    )


def _ranked(spec: Spec, name: str, ranks: Sequence[int], unranked: Sequence[str | None], limit: float) -> RankFinding:
    own = np.array(ranks)
    edge = round((1 - INTERVAL_PROBABILITY) / 2 * LEVELS)
    inside = int(np.sum((own >= edge) & (own < LEVELS - edge)))
    p_value = uniformity.p_value(own, LEVELS)
    inside_p_value = uniformity.binomial_p_value(inside, len(own), INTERVAL_PROBABILITY)
    unit = "nat" if name == JOINT else spec.unit(name).text
    is_off = min(p_value, inside_p_value) < limit
    shape: Shape = _shape_of(own) if is_off else ""
    why = (unranked.count(NO_VALUE), unranked.count(SETTLED))
    return RankFinding(name, unit, tuple(ranks), inside, p_value, inside_p_value, shape, *why)


def _shape_of(ranks: np.ndarray[Any, Any]) -> Shape:
    """How draws must be wrong for ranks to lie so: the greater of what moves them and of what spreads them."""
    share = (ranks + 0.5) / LEVELS
    moved = (share.mean() - 0.5) * np.sqrt(12 * len(ranks))
    spread = (np.mean((share - 0.5) ** 2) * 12 - 1) * np.sqrt(len(ranks) / 0.8)  # 0.8: of the variance of 12 (r - 1/2)²
    if abs(moved) > abs(spread):
        return "too low" if moved > 0 else "too high"
    return "too narrow" if spread > 0 else "too wide"


type _Asked = tuple[Literal["claim", "hypothesis"], str, str, list[float], list[bool]]


def _chances(spec: Spec, good: Sequence[Mapping[str, Any]]) -> list[_Asked]:
    """What had a probability, and whether it came true, by simulation; what never was open is left out."""
    asked: list[_Asked] = [
        ("claim", c.name, c.says, [d["claims"][c.name][0] for d in good], [d["claims"][c.name][1] for d in good])
        for c in spec.model.claims
    ]
    if spec.has_rivals:
        asked += [
            (
                "hypothesis",
                h.name,
                h.says,
                [d["weights"][h.name] for d in good],
                [d["hypothesis"] == h.name for d in good],
            )
            for h in spec.hypotheses
        ]
    return asked


def _borne_out(
    kind: Literal["claim", "hypothesis"], name: str, says: str, probabilities: list[float], came: list[bool], *,
    limit: float, seed: int,
) -> ChanceFinding:  # fmt: skip
    p, true = np.array(probabilities), np.array(came)
    z = uniformity.spiegelhalter_z(p, true)
    counted, scored = uniformity.came_true_p_value(p, true), uniformity.score_p_value(p, true, seed=seed)
    p_value = min(1.0, 2 * min(counted, scored))
    shape: Shape = ""
    if p_value < limit and counted < scored:
        shape = "too low" if true.sum() > p.sum() else "too high"
    elif p_value < limit:
        shape = "too narrow" if z > 0 else "too wide"
    return ChanceFinding(
        kind, name, says, tuple(probabilities), tuple(came), int(true.sum()), float(p.sum()),
        float(np.mean((p - true) ** 2)), float(np.mean(p * (1 - p))), z, p_value, shape,
    )  # fmt: skip
