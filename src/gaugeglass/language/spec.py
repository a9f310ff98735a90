"""The frozen types: what a model file believes, what a dossier has observed, and the two together.

Every number here is in the unit of its quantity or method; every expression is a tree in which units are settled.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

from gaugeglass.language.cycles import follow
from gaugeglass.language.expressions import Node, names, unsummed
from gaugeglass.language.families import Prior
from gaugeglass.language.located import Located
from gaugeglass.language.units import Unit

type LikelihoodFamily = Literal["normal", "student_t", "lognormal", "poisson", "binomial", "beta", "serial"]

LIKELIHOODS: tuple[LikelihoodFamily, ...] = (
    "beta", "binomial", "lognormal", "normal", "poisson", "serial", "student_t",
)  # fmt: skip
COUNTS: tuple[LikelihoodFamily, ...] = ("binomial", "poisson", "serial")
"""Families whose readings are whole numbers without any uncertainty of their own."""
PURE: tuple[LikelihoodFamily, ...] = ("beta", *COUNTS)
"""Families whose methods predict and read pure numbers, so that the unit of the method is 1."""
AS_STATED = "as_stated"
"""The name of the one hypothesis of a model that lists none."""
LEFT_OUT = "left out in this alternative"
"""Why an observation does not count that an alternative leaves out."""


@dataclass(frozen=True, slots=True)
class Given:
    """A number that the dossier states exactly; ``value`` [unit] is the model's default, if it has one.

    ``whole`` says that it counts something, so that nothing but a whole number can be meant.
    """

    name: str
    about: str
    unit: Unit
    value: float | None = None
    whole: bool = False


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
    uncertainty that an observation states; None means just that, or, for counts, that there is none. ``nu`` [1] belongs
    to ``student_t``, ``trials`` [1], a tree over inputs and givens, to ``binomial``.
    """

    family: LikelihoodFamily
    nu: float | None = None
    u: Node | None = None
    u_text: str = ""
    trials: Node | None = None

    @property
    def takes_stated_u(self) -> bool:
        """Whether an observation has to state its own u."""
        return not self.is_count and (self.u is None or "u" in names(self.u))

    @property
    def is_count(self) -> bool:
        """Whether readings are whole numbers without any uncertainty: neither u, k, tolerance, rounded nor bounds."""
        return self.family in COUNTS


@dataclass(frozen=True, slots=True)
class Shared:
    """An error that readings have in common.

    All readings whose ``by`` (``"origin"``, or a group) agrees share one standard normal error, over all methods whose
    ``name`` agrees; it moves a prediction by ``u`` [unit of the method], or by that share of it [1] if ``relative``.
    A reading without an origin is an origin of its own.
    """

    by: str
    u: float
    relative: bool
    name: str


@dataclass(frozen=True, slots=True)
class Basis:
    """What a stated value may refer to: ``factor`` [1], a tree, times the prediction. ``weight`` is in any scale."""

    name: str
    factor: Node
    text: str = "1"
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Inexact:
    """How far an input may be from what is stated: ``u`` [its unit], or anywhere within ``half`` [its unit]."""

    u: float | None = None
    half: float | None = None

    @property
    def standard(self) -> float:
        """Standard uncertainty [its unit]."""
        return self.u if self.u is not None else (self.half or 0.0) / 3**0.5


@dataclass(frozen=True, slots=True)
class Method:
    """A way of observing.

    ``wrong`` is the density of a reading [unit of the method] that is simply wrong; ``basis`` lists what a stated value
    may refer to, where that is open.
    """

    name: str
    about: str
    unit: Unit
    measures: Node
    text: str
    likelihood: Likelihood
    inputs: tuple[Input, ...] = ()
    shared: Shared | None = None
    wrong: Prior | None = None
    basis: tuple[Basis, ...] = ()
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


def uses(relations: Iterable[Relation], latents: Iterable[Latent],
         hypotheses: Iterable[Hypothesis] = ()) -> dict[str, list[str]]:  # fmt: skip
    """What relations and the priors of latents name, as stated or under any of the hypotheses."""
    used = {r.name: list(names(r.equals)) for r in relations}
    used |= {q.name: [name for _, tree in q.prior.trees for name in names(tree)] for q in latents}
    for hypothesis in hypotheses:
        for name, tree in hypothesis.relations.items():
            used[name] += names(tree)
        for name, prior in hypothesis.priors.items():
            used[name] += [named for _, tree in (prior.trees if prior else ()) for named in names(tree)]
    return used


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
    """An observation not yet made; ``u`` [unit of the method] expected, ``cost`` in any one currency.

    ``at`` is complete in a dossier; one of the model may leave open which member of a group it would be made on.
    """

    name: str
    about: str
    method: str
    u: float | None = None
    cost: float | None = None
    origin: str | None = None
    grade: str | None = None
    inputs: Mapping[str, float] = field(default_factory=dict)
    count: int = 1
    inexact: Mapping[str, Inexact] = field(default_factory=dict)
    at: Mapping[str, str] = field(default_factory=dict)


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

    @cached_property
    def quantities(self) -> dict[str, Given | Latent | Relation]:
        """Givens, latents and relations by name, in that order."""
        found: tuple[Given | Latent | Relation, ...] = self.givens + self.latents + self.relations
        return {q.name: q for q in found}

    @cached_property
    def method_by_name(self) -> dict[str, Method]:
        """Methods by name."""
        return {m.name: m for m in self.methods}

    @cached_property
    def order(self) -> tuple[str, ...]:
        """Latents and relations, each after all that its prior or its equation rests on under any hypothesis."""
        return follow(uses(self.relations, self.latents, self.hypotheses))[0]

    def groups_of(self, method: Method) -> frozenset[str]:
        """The groups in which an observation by a method has to be placed, under any hypothesis.

        A quantity that rests on one with a value for each member, other than by ``sum`` or ``mean``, has one itself, so
        that it is enough to look at what the method names.
        """
        trees = (method.measures, method.likelihood.u, method.likelihood.trials, *(b.factor for b in method.basis))
        named = {name for tree in trees if tree is not None for name in unsummed(tree)}
        groups = {q.per for name, q in self.quantities.items() if name in named and not isinstance(q, Given)}
        by = {method.shared.by} - {"origin"} if method.shared else set()
        return frozenset({group for group in groups if group} | by)


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
    ``stated`` is the value as it was written. ``inexact`` says of inputs that are not known exactly by how much.
    A row of a table has the table's id in ``table`` and its line of the file in ``line``.
    """

    id: str
    method: str
    stated: str
    value: float
    lower: float
    upper: float
    u: float | None
    inputs: Mapping[str, float] = field(default_factory=dict)
    inexact: Mapping[str, Inexact] = field(default_factory=dict)
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
    table: str | None = None

    @property
    def is_point(self) -> bool:
        """Whether the reading is one number rather than an interval or a bound."""
        return self.lower == self.upper


@dataclass(frozen=True, slots=True)
class Table:
    """Observations in a CSV file beside the dossier: how it is described, and its rows."""

    id: str
    file: str
    method: str
    description: Mapping[str, Any]
    rows: tuple[Observation, ...] = ()


@dataclass(frozen=True, slots=True)
class Correlation:
    """That the errors of two observations, by their ids, are correlated, as published. ``r`` [1]"""

    between: tuple[str, str]
    r: float


@dataclass(frozen=True, slots=True)
class Truth:
    """What came out in the end, against which runs are scored.

    ``quantities`` are numbers in the unit of each, members by themselves; ``claims`` were true or false; ``hypothesis``
    is the name of the one that was true. ``date`` is when it became known, and ``source`` where to look it up.
    """

    quantities: Mapping[str, float] = field(default_factory=dict)
    claims: Mapping[str, bool] = field(default_factory=dict)
    hypothesis: str | None = None
    date: str = ""
    source: Source = Source()

    def __bool__(self) -> bool:
        return bool(self.quantities or self.claims or self.hypothesis)


@dataclass(frozen=True, slots=True)
class Alternative:
    """What is otherwise than the files say, by the names that it is stated for.

    ``replace`` holds values of observations, each as text or as the keys of its reading; ``without`` names
    observations, tables and origins; ``priors`` are of latents, ``prior_weights`` of hypotheses.
    """

    replace: Mapping[str, Any] = field(default_factory=dict)
    without: tuple[str, ...] = ()
    prior_weights: Mapping[str, Any] = field(default_factory=dict)
    priors: Mapping[str, Any] = field(default_factory=dict)
    givens: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_none(self) -> bool:
        """Whether nothing is otherwise."""
        return not (self.replace or self.without or self.prior_weights or self.priors or self.givens)


@dataclass(frozen=True)
class Dossier:
    """What has been observed of one subject; ``left_out`` holds the ids of what an alternative does not count."""

    name: str
    file: str
    subject: str
    about: str = ""
    applies: Mapping[str, str] = field(default_factory=dict)
    givens: Mapping[str, float] = field(default_factory=dict)
    observations: tuple[Observation, ...] = ()
    tables: tuple[Table, ...] = ()
    members: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    correlations: tuple[Correlation, ...] = ()
    inbox: tuple[str, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    truth: Truth = Truth()
    left_out: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Spec:
    """A model and a dossier that fit each other: all that an inference needs.

    ``texts`` keeps the input files as they were read, by the path as the user typed it; ``trees`` the trees of dossier
    and model where these were made in Python. ``alternative`` says what is otherwise than either has it.
    """

    model: Model
    dossier: Dossier
    texts: Mapping[str, str] = field(default_factory=dict, repr=False)
    alternative: Alternative | None = None
    trees: tuple[Located, Located] | None = field(default=None, repr=False, compare=False)

    @cached_property
    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """The rival explanations; one that changes nothing where the model lists none."""
        return self.model.hypotheses or (Hypothesis(AS_STATED, "The model as stated"),)

    @property
    def has_rivals(self) -> bool:
        """Whether the model lists hypotheses to be weighed."""
        return bool(self.model.hypotheses)

    @cached_property
    def observations(self) -> tuple[Observation, ...]:
        """Every observation, the rows of tables after those listed."""
        return self.dossier.observations + tuple(row for table in self.dossier.tables for row in table.rows)

    @cached_property
    def set_aside(self) -> dict[str, str]:
        """Why an observation does not count, by its id: withdrawn, an echo, of something else, or left out."""
        found: dict[str, str] = {}
        for o in self.observations:
            if o.withdrawn is not None:
                found[o.id] = f"withdrawn: {o.withdrawn.because}"
            elif o.repeats:
                found[o.id] = f"repeats {o.repeats}"
            elif other := [
                f"{key} {value}" for key, value in o.applies.items() if self.dossier.applies.get(key, value) != value
            ]:
                found[o.id] = f"of another {', '.join(other)}"
            elif o.id in self.dossier.left_out:
                found[o.id] = LEFT_OUT
        return found

    @cached_property
    def evidence(self) -> tuple[Observation, ...]:
        """The observations that count, in the dossier's order."""
        return tuple(o for o in self.observations if o.id not in self.set_aside)

    @cached_property
    def members(self) -> dict[str, tuple[str, ...]]:
        """The members of each group: those that the model lists, the dossier's, then those that the evidence names."""
        listed = self.dossier.members
        named = {
            group: [*entry["members"], *listed.get(group, ()), *(o.at[group] for o in self.evidence if group in o.at)]
            for group, entry in self.model.groups.items()
        }
        return {group: tuple(dict.fromkeys(members)) for group, members in named.items()}

    @cached_property
    def givens(self) -> dict[str, float]:
        """Every given's value [its unit], the dossier's before the model's default."""
        defaults = {g.name: g.value for g in self.model.givens if g.value is not None}
        return defaults | dict(self.dossier.givens)

    @cached_property
    def quantities(self) -> dict[str, Given | Latent | Relation]:
        """Every quantity, each member by itself (``capacity[V1]``) of those that have one value a member."""
        found: dict[str, Given | Latent | Relation] = {}
        for name, q in self.model.quantities.items():
            members = self.members[q.per] if not isinstance(q, Given) and q.per else None
            found |= {name: q} if members is None else {f"{name}[{member}]": q for member in members}
        return found

    def unit(self, quantity: str) -> Unit:
        """The unit of a quantity."""
        return self.quantities[quantity].unit

    def method(self, observation: Observation) -> Method:
        """The method that an observation was made by."""
        return self.model.method_by_name[observation.method]

    def ancestors(self, node: Node, hypothesis: Hypothesis) -> frozenset[str]:
        """Every latent and given that a tree rests on under a hypothesis, those of its latents' priors too."""
        relations = {r.name: r for r in self.model.relations}
        latents = {q.name: q for q in self.model.latents}
        found: set[str] = set()
        waiting = list(names(node))
        while waiting:
            name = waiting.pop()
            if name in found:
                continue
            found.add(name)
            if name in relations:
                waiting += names(hypothesis.equals(relations[name]))
            elif name in latents and name not in hypothesis.fix:
                waiting += (n for _, tree in hypothesis.prior(latents[name]).trees for n in names(tree))
        return frozenset(found - set(relations))
