"""The frozen types: what a model file believes, what a dossier has observed, and the two together.

Every number here is in the unit of its quantity or method; every expression is a tree in which units are settled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

from gaugeglass.language.expressions import Node, names
from gaugeglass.language.families import Prior
from gaugeglass.language.units import Unit

type LikelihoodFamily = Literal["normal", "student_t", "lognormal"]

LIKELIHOODS: tuple[LikelihoodFamily, ...] = ("lognormal", "normal", "student_t")
AS_STATED = "as_stated"
"""The name of the one hypothesis of a model that lists none."""


@dataclass(frozen=True, slots=True)
class Given:
    """A number that the dossier states exactly; ``value`` [unit] is the model's default, if it has one."""

    name: str
    about: str
    unit: Unit
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Latent:
    """A quantity nobody observed directly."""

    name: str
    about: str
    unit: Unit
    prior: Prior
    because: str = ""
    per: str | None = None


@dataclass(frozen=True, slots=True)
class Relation:
    """An equation that defines a derived quantity; ``equals`` is in its unit, ``text`` as it was written."""

    name: str
    about: str
    unit: Unit
    equals: Node
    text: str
    source: str = ""
    per: str | None = None


@dataclass(frozen=True, slots=True)
class Input:
    """A known number that comes with an observation; with ``u`` or ``rounded`` [unit] it is known inexactly."""

    name: str
    about: str
    unit: Unit
    u: float | None = None
    rounded: float | None = None

    @property
    def is_exact(self) -> bool:
        """Whether readings of it are taken as exact."""
        return self.u is None and self.rounded is None


@dataclass(frozen=True, slots=True)
class Likelihood:
    """How readings scatter about the prediction.

    ``u`` is a tree in the unit of the method (relative for ``lognormal``) over quantities, inputs and ``u``, the
    uncertainty that an observation states; None means just that. ``nu`` [1] belongs to ``student_t``.
    """

    family: LikelihoodFamily
    nu: float | None = None
    u: Node | None = None
    u_text: str = ""

    @property
    def takes_stated_u(self) -> bool:
        """Whether an observation has to state its own u."""
        return self.u is None or "u" in names(self.u)


@dataclass(frozen=True, slots=True)
class Method:
    """A way of observing. ``shared``, ``wrong`` and ``basis`` keep what the file says of them."""

    name: str
    about: str
    unit: Unit
    measures: Node
    text: str
    likelihood: Likelihood
    inputs: tuple[Input, ...] = ()
    shared: Mapping[str, Any] | None = None
    wrong: Mapping[str, Any] | None = None
    basis: tuple[Any, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A rival explanation: fixed latents [unit], replaced priors (None: as stated) and replaced relations."""

    name: str
    says: str
    prior_weight: float = 1.0
    fix: Mapping[str, float] = field(default_factory=dict)
    priors: Mapping[str, Prior | None] = field(default_factory=dict)
    relations: Mapping[str, Node] = field(default_factory=dict)
    relation_texts: Mapping[str, str] = field(default_factory=dict)

    def prior(self, latent: Latent) -> Prior:
        """The prior of a latent under this hypothesis (where it is fixed, the prior it would have)."""
        return self.priors.get(latent.name) or latent.prior

    def equals(self, relation: Relation) -> Node:
        """What a relation says under this hypothesis."""
        return self.relations.get(relation.name, relation.equals)


@dataclass(frozen=True, slots=True)
class Claim:
    """A proposition that is true or false in each draw; ``threshold`` [1] is the probability that would settle it."""

    name: str
    says: str
    holds: Node
    text: str
    threshold: float = 0.5


@dataclass(frozen=True, slots=True)
class Candidate:
    """An observation not yet made; ``u`` [unit of the method] expected, ``cost`` in any one currency."""

    name: str
    about: str
    method: str
    u: float | None = None
    cost: float | None = None
    origin: str | None = None
    grade: str | None = None
    inputs: Mapping[str, float] = field(default_factory=dict)
    count: int = 1


@dataclass(frozen=True, slots=True)
class Balance:
    """A picture that the model asks for: a ``chain`` of successive levels, or the ``parts`` of a ``total``."""

    kind: Literal["chain", "parts"]
    title: str
    quantities: tuple[str, ...]
    total: str | None = None


@dataclass(frozen=True)
class Model:
    """What is believed about a kind of thing; relations stand in an order in which each follows what it uses."""

    name: str
    file: str
    title: str
    about: str = ""
    cautions: tuple[str, ...] = ()
    givens: tuple[Given, ...] = ()
    latents: tuple[Latent, ...] = ()
    relations: tuple[Relation, ...] = ()
    methods: tuple[Method, ...] = ()
    hypotheses: tuple[Hypothesis, ...] = ()
    claims: tuple[Claim, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    leading: tuple[str, ...] = ()
    pictures: tuple[Balance, ...] = ()
    groups: Mapping[str, Any] = field(default_factory=dict)
    grades: Mapping[str, Any] = field(default_factory=dict)
    correlations: tuple[Any, ...] = ()

    @cached_property
    def quantities(self) -> dict[str, Given | Latent | Relation]:
        """Givens, latents and relations by name, in that order."""
        found: tuple[Given | Latent | Relation, ...] = self.givens + self.latents + self.relations
        return {q.name: q for q in found}

    @cached_property
    def method_by_name(self) -> dict[str, Method]:
        """Methods by name."""
        return {m.name: m for m in self.methods}


@dataclass(frozen=True, slots=True)
class Source:
    """Where an observation can be looked up."""

    title: str = ""
    kind: str = ""
    locator: str = ""
    url: str = ""
    retrieved: str = ""
    quote: str = ""


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """That an observation no longer counts, since when and why."""

    date: str
    because: str


@dataclass(frozen=True, slots=True)
class Observation:
    """One value by one method.

    ``lower`` and ``upper`` [unit of the method] bound the reading, rounding included; they agree for a point.
    ``u`` [unit of the method; relative for ``lognormal``] is its standard uncertainty, None where the method has it.
    ``value`` [unit of the method] is the number to show: the point, the middle of an interval, or the edge of a bound.
    ``stated`` is the value as it was written.
    """

    id: str
    method: str
    stated: str
    value: float
    lower: float
    upper: float
    u: float | None
    inputs: Mapping[str, float] = field(default_factory=dict)
    origin: str | None = None
    date: str = ""
    source: Source = Source()
    grade: str | None = None
    repeats: str | None = None
    basis: str | None = None
    at: Mapping[str, str] = field(default_factory=dict)
    applies: Mapping[str, str] = field(default_factory=dict)
    private: bool = False
    note: str = ""
    withdrawn: Withdrawal | None = None
    line: int | None = None

    @property
    def is_point(self) -> bool:
        """Whether the reading is one number rather than an interval or a bound."""
        return self.lower == self.upper


@dataclass(frozen=True, slots=True)
class Table:
    """Observations in a CSV file beside the dossier, described and not yet read."""

    id: str
    file: str
    method: str
    description: Mapping[str, Any]


@dataclass(frozen=True)
class Dossier:
    """What has been observed of one subject."""

    name: str
    file: str
    subject: str
    about: str = ""
    applies: Mapping[str, str] = field(default_factory=dict)
    givens: Mapping[str, float] = field(default_factory=dict)
    observations: tuple[Observation, ...] = ()
    tables: tuple[Table, ...] = ()
    inbox: tuple[str, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    truth: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Spec:
    """A model and a dossier that fit each other: all that an inference needs.

    ``texts`` keeps the input files as they were read, by the path as the user typed it.
    """

    model: Model
    dossier: Dossier
    texts: Mapping[str, str] = field(default_factory=dict, repr=False)

    @cached_property
    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """The rival explanations; one that changes nothing where the model lists none."""
        return self.model.hypotheses or (Hypothesis(AS_STATED, "The model as stated"),)

    @property
    def has_rivals(self) -> bool:
        """Whether the model lists hypotheses to be weighed."""
        return bool(self.model.hypotheses)

    @cached_property
    def evidence(self) -> tuple[Observation, ...]:
        """The observations that count: those not withdrawn, in the dossier's order."""
        return tuple(o for o in self.dossier.observations if o.withdrawn is None)

    @cached_property
    def givens(self) -> dict[str, float]:
        """Every given's value [its unit], the dossier's before the model's default."""
        defaults = {g.name: g.value for g in self.model.givens if g.value is not None}
        return defaults | dict(self.dossier.givens)

    def unit(self, quantity: str) -> Unit:
        """The unit of a quantity."""
        return self.model.quantities[quantity].unit

    def method(self, observation: Observation) -> Method:
        """The method that an observation was made by."""
        return self.model.method_by_name[observation.method]

    def ancestors(self, node: Node, hypothesis: Hypothesis) -> frozenset[str]:
        """Every latent and given that a tree rests on under a hypothesis."""
        relations = {r.name: r for r in self.model.relations}

        def walk(tree: Node) -> Iterator[str]:
            for name in dict.fromkeys(names(tree)):
                if name in relations:
                    yield from walk(hypothesis.equals(relations[name]))
                else:
                    yield name

        return frozenset(walk(node))

    @cached_property
    def beyond(self) -> tuple[str, ...]:
        """What this spec asks for that inference does not do yet, one plain sentence each."""
        return tuple(dict.fromkeys(_beyond(self)))


def _beyond(spec: Spec) -> Iterator[str]:
    used = {o.method for o in spec.evidence} | {t.method for t in spec.dossier.tables}
    for method in (m for m in spec.model.methods if m.name in used):
        if method.shared:
            yield f"method '{method.name}' has a shared error, which is not inferred yet"
        if method.basis:
            yield f"method '{method.name}' leaves its basis open, which is not inferred yet"
        for entry in method.inputs:
            if not entry.is_exact:
                yield f"input '{entry.name}' of method '{method.name}' is uncertain, which is not inferred yet"
    for quantity in spec.model.quantities.values():
        if not isinstance(quantity, Given) and quantity.per:
            yield f"'{quantity.name}' has one value a member of '{quantity.per}', which is not inferred yet"
    for table in spec.dossier.tables:
        yield f"table '{table.id}' would add observations, which is not inferred yet"
    if spec.model.correlations:
        yield "stated correlations between observations are not inferred yet"
    for o in spec.evidence:
        for what, present in (("is graded", o.grade), ("repeats another", o.repeats), ("states a basis", o.basis),
                              ("is placed in a group", o.at), ("applies to another variant", o.applies)):  # fmt: skip
            if present:
                yield f"observation '{o.id}' {what}, which is not inferred yet"
