"""What is said of candidates, as frozen types: what each would be worth, and the best set within a budget."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

LEAST_BITS = 0.001
"""Expected information below which a candidate is said not to help: our convention. [bit]"""
LEAST_NATS = LEAST_BITS * math.log(2)
"""The same. [nat]"""
GREEDY = (
    "The set is chosen greedily, by what each next candidate adds for its cost, given those chosen. That is near the "
    "best only where returns diminish; candidates that tell little apart and much together may be missed."
)
"""Which returns of information need not do: G. L. Nemhauser et al., Mathematical Programming 14 (1978) 265 (memory)."""


@dataclass(frozen=True, slots=True)
class Expected:
    """A number expected before a reading is known, and its Monte Carlo error, in the unit said where it stands."""

    value: float
    mcse: float


@dataclass(frozen=True, slots=True)
class Repeat:
    """What a candidate is worth if it is repeated, all of it by one origin: ``readings`` in all.

    ``claim_bits`` [bit] and ``quantity_nats`` [nat] are as in ``Worth``.
    """

    readings: int
    claim_bits: Expected | None
    quantity_nats: Expected


@dataclass(frozen=True, slots=True)
class Worth:
    """What one candidate is expected to tell, before it is known what would be read.

    ``claim_bits`` [bit] is the expected information about the claim, ``crossing`` [1] the chance that its probability
    ends on the other side of its threshold, ``expected`` [1] its probability after the reading as expected before
    it, which is its present one but for Monte Carlo error; all None without a claim. ``quantity_nats`` [nat] is the
    expected information about the quantity, ``narrowing`` [1] its expected posterior sd over its sd now. Information
    is not negative: an estimate below 0 is given as 0. ``helps_claim`` and ``helps_quantity`` say whether it is seen
    at all: above its Monte Carlo error and 0.001 bit. ``at`` is the member of each group that it would be made on.
    """

    name: str
    about: str
    method: str
    count: int
    u: float | None
    unit: str
    origin: str | None
    grade: str | None
    at: Mapping[str, str]
    cost: float | None
    claim_bits: Expected | None
    crossing: Expected | None
    expected: Expected | None
    quantity_nats: Expected
    narrowing: Expected
    repeats: tuple[Repeat, ...] = ()

    @property
    def helps_claim(self) -> bool:
        """Whether it is seen to tell anything about the claim."""
        return self.claim_bits is not None and self.claim_bits.value > max(self.claim_bits.mcse, LEAST_BITS)

    @property
    def helps_quantity(self) -> bool:
        """Whether it is seen to tell anything about the quantity."""
        return self.quantity_nats.value > max(self.quantity_nats.mcse, LEAST_NATS)

    @property
    def verdict(self) -> str:
        """In words that it cannot help, and with what; empty where it helps with both."""
        missing = [
            *(["the claim"] if self.claim_bits is not None and not self.helps_claim else []),
            *(["the quantity"] if not self.helps_quantity else []),
        ]
        return f"cannot help with {' or '.join(missing)}" if missing else ""

    @property
    def claim_bits_per_cost(self) -> Expected | None:
        """Information about the claim for each unit of cost [bit]; None where there is no claim or it costs nothing."""
        return self._per_cost(self.claim_bits)

    @property
    def quantity_nats_per_cost(self) -> Expected | None:
        """Information about the quantity for each unit of cost [nat]; None where no cost is stated or it is 0."""
        return self._per_cost(self.quantity_nats)

    def _per_cost(self, of: Expected | None) -> Expected | None:
        return Expected(of.value / self.cost, of.mcse / self.cost) if of is not None and self.cost else None


@dataclass(frozen=True, slots=True)
class Step:
    """One candidate of a set: what it adds to those before it, and what all up to it tell and cost.

    ``gain`` and ``total`` are in bits about the claim, or in nats about the quantity, as the set has it. ``effective``
    [1] is the number of draws that are left to judge by once those before it are known, on average.
    """

    name: str
    gain: Expected
    total: Expected
    spent: float
    effective: float


@dataclass(frozen=True, slots=True)
class BestSet:
    """The best set within a budget, as found greedily. ``about`` is ``"claim"`` [bit] or ``"quantity"`` [nat].

    The gain about a quantity is the expected fall of the log of its sd, which is the information if all is normal.
    ``ended`` says why nothing more was added, and ``caution`` what the rule does not promise.
    """

    budget: float
    about: str
    steps: tuple[Step, ...]
    ended: str
    caution: str = GREEDY


@dataclass(frozen=True, slots=True)
class Ranking:
    """Candidates, the most telling first: about the claim, or about the quantity where no claim is open.

    ``probability`` [1] is the claim's now, as its verdict has it, ``sd`` [``unit``] the quantity's. ``no_value`` [1] is
    the share of draws in which the quantity has none, which all that is said of it leaves out. ``left_out`` says why
    something was not weighed. ``draws`` [1] is how many stand for the posterior.
    """

    claim: str | None
    says: str
    threshold: float | None
    probability: float | None
    quantity: str
    unit: str
    sd: float
    worths: tuple[Worth, ...]
    best: BestSet | None
    draws: int
    left_out: Mapping[str, str] = field(default_factory=dict)
    no_value: float = 0.0
