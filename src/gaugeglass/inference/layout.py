"""Where everything stands that a compiled density reads: its coordinates ``x`` and its dials ``d``.

Coordinates are, in this order: one for each latent (under the priors that share a family), one for each member where a
latent has one value a member, and one for each error that readings have in common or that an input has. Dials are
scalars at fixed places, then a table of members, then for each kind of readings its segments and its rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

from gaugeglass.inference.likelihoods import SCALED, Inexactness, Kind, condensable
from gaugeglass.inference.loads import Load, loads_of
from gaugeglass.language.expressions import Node, Ref
from gaugeglass.language.families import FAMILIES, Prior
from gaugeglass.language.spec import Latent, Method, Observation, Spec

ERROR = Prior("normal", (("mean", 0.0), ("sd", 1.0)))
"""The prior of every error that readings share or that an input has, in its own standard uncertainties."""

CONDENSED = ("condensed.at", "condensed.nodes", "condensed.lower", "condensed.step")
"""What the dials hold of a segment's curve: where its nodes begin, how many steps they are, where and how wide."""

MEMBER_DIALS = ("told", "precision")
"""What the dials hold of each value in a hierarchy: what its readings alone tell of it, and how precisely."""


@dataclass(frozen=True, slots=True)
class FreeVariable:
    """One coordinate of the density: a latent, or a member's value of it, under the priors that share a form.

    ``variety`` names the form, ``trees`` are its parameters that are quantities. An error has no latent.
    """

    name: str
    latent: str
    variety: str
    family: str
    member: int | None = None
    trees: tuple[tuple[str, Node], ...] = ()

    def has_form(self, prior: Prior) -> bool:
        """Whether a prior is of this form."""
        return (self.family, self.trees) == (prior.family, prior.trees)


@dataclass(frozen=True, slots=True)
class Variety:
    """The priors of one latent that share a form, and where its coordinates begin."""

    name: str
    latent: str
    prior: Prior
    group: str | None
    first: int
    size: int


@dataclass(frozen=True, slots=True)
class Block:
    """The readings of one kind: segments, in which what is measured is the same, of rows with named columns.

    ``condensed`` is the one number that they all depend on and the tree of a reading over it, if there is just one.
    """

    kind: Kind
    header: tuple[str, ...]
    columns: tuple[str, ...]
    condensed: tuple[Node, Node] | None = None


@dataclass(frozen=True)
class Layout:
    """Where each coordinate and each dial of a Spec stands.

    ``known`` holds what the model alone decides; layouts of the same model for other readings share it.
    """

    spec: Spec = field(repr=False)
    known: dict[tuple[object, ...], Any] = field(default_factory=dict, repr=False, compare=False)

    def for_readings(self, spec: Spec) -> Layout:
        """The layout of the same model for the readings of another Spec."""
        return Layout(spec, self.known)

    def once[T](self, key: tuple[object, ...], make: Callable[[], T]) -> T:
        """What the model alone decides, found when it is first asked for."""
        if key not in self.known:
            self.known[key] = make()
        found: T = self.known[key]
        return found

    # --- coordinates --------------------------------------------------------------------------------------

    @cached_property
    def varieties(self) -> tuple[Variety, ...]:
        """Latents in the model's order, those with one value a member last; forms in order of the hypotheses."""
        found: list[Variety] = []
        latents = self.spec.model.latents
        for latent in (*(q for q in latents if q.per is None), *(q for q in latents if q.per is not None)):
            priors = {(p.family, p.trees): p for h in reversed(self.spec.hypotheses) if (p := h.prior(latent))}
            priors = dict(reversed(priors.items()))
            for k, prior in enumerate(priors.values()):
                alike = [p.family for p in priors.values()].count(prior.family) > 1
                suffix = f"_{prior.family}{k if alike else ''}" if len(priors) > 1 else ""
                first = found[-1].first + found[-1].size if found else 0
                size = 1 if latent.per is None else len(self.spec.members[latent.per])
                found.append(Variety(f"{latent.name}{suffix}", latent.name, prior, latent.per, first, size))
        return tuple(found)

    @cached_property
    def first_error(self) -> int:
        """Where the coordinates of errors begin."""
        return self.varieties[-1].first + self.varieties[-1].size if self.varieties else 0

    @cached_property
    def errors(self) -> dict[tuple[str, ...], int]:
        """Errors that are drawn, by what they belong to, and the place of each after ``first_error``."""
        keys = dict.fromkeys(key for o in self.spec.evidence for key in self._errors_of(o))
        return {key: place for place, key in enumerate(keys)}

    def _errors_of(self, o: Observation) -> Iterator[tuple[str, ...]]:
        if (key := self.shared_error(o)) is not None:
            yield key
        if self.kind_of(o).inexact == "drawn":
            yield from (("input", o.id, name) for name in o.inexact)
        yield from (("correlated", first) for first, _ in self.loads.get(o.id, ()))

    def shared_error(self, o: Observation) -> tuple[str, ...] | None:
        """The key of the error that an observation shares with others, if its method has any."""
        shared = self.spec.method(o).shared
        if shared is None:
            return None
        by = (o.origin or f"{o.table or o.id} alone") if shared.by == "origin" else o.at[shared.by]
        return ("shared", shared.name, by)

    @cached_property
    def loads(self) -> dict[str, tuple[Load, ...]]:
        """For each correlated observation the errors that it has in common with others, and how much of each."""
        return loads_of(self.spec.dossier.correlations, [o.id for o in self.spec.evidence])

    @cached_property
    def free(self) -> tuple[FreeVariable, ...]:
        """The coordinates, in order."""
        rows = []
        for v in self.varieties:
            names = [v.name] if v.group is None else [f"{v.name}[{m}]" for m in self.spec.members[v.group]]
            for k, name in enumerate(names):
                member = None if v.group is None else k
                rows.append(FreeVariable(name, v.latent, v.name, v.prior.family, member, v.prior.trees))
        rows += [FreeVariable(" ".join(key), "", "", ERROR.family) for key in self.errors]
        return tuple(rows)

    @cached_property
    def floored(self) -> dict[str, tuple[str, ...]]:
        """Latents that cannot be below a reading (a total of serial numbers), and the methods that say so."""
        found: dict[str, tuple[str, ...]] = {}
        for m in self.spec.model.methods:
            if m.likelihood.family == "serial" and isinstance(m.measures, Ref):
                found[m.measures.name] = (*found.get(m.measures.name, ()), m.name)
        return found

    # --- readings -----------------------------------------------------------------------------------------

    def kind_of(self, o: Observation) -> Kind:
        """What an observation must share with others to be looped over with them."""
        method = self.spec.method(o)
        is_scaled = method.likelihood.family in SCALED
        inexact: Inexactness = "" if not o.inexact else "linear" if o.table and is_scaled else "drawn"
        is_mixed = o.grade is not None or bool(method.basis)
        loads = len(self.loads.get(o.id, ()))
        joint = 1 << (loads - 1).bit_length() if loads else 0  # few sizes, so that few kinds are compiled
        return Kind(o.method, o.is_point, inexact, joint, is_mixed)

    @cached_property
    def blocks(self) -> tuple[Block, ...]:
        """One for each kind of readings that the evidence has."""
        kinds = sorted({self.kind_of(o) for o in self.spec.evidence})
        return tuple(self.once(("block", kind), partial(self._block, kind)) for kind in kinds)

    def _block(self, kind: Kind) -> Block:
        method = self.spec.model.method_by_name[kind.method]
        header = (
            "first",
            "rows",
            *(["shared.error"] if method.shared else []),
            *sorted(self.spec.model.groups_of(method)),
        )
        own = ("reading.y", "u", "reading.power", "reading.norm")
        columns = [*(own if kind.is_points else ("reading.lower", "reading.upper", "u", "reading.power"))]
        columns += [i.name for i in method.inputs]
        inexact = [i.name for i in method.inputs] if kind.inexact else []
        columns += [
            f"{name}.{what}"
            for name in inexact
            for what in (("error", "u", "half") if kind.inexact == "drawn" else ("u",))
        ]
        if kind.joint:
            columns += ["reading.own", *(f"joint.{k}.{what}" for k in range(kind.joint) for what in ("error", "load"))]
        if method.likelihood.family == "binomial":
            columns.append("reading.trials")
        if method.likelihood.family == "serial":
            columns.append("reading.before")
        if kind.is_mixed:
            header = (*header, "mixed.cluster", "mixed.judged")
            columns += ["reading.right", "reading.astray", "reading.wrong"]
        condensed = condensable(kind, method, columns)
        return Block(kind, (*header, *(CONDENSED if condensed else ())), tuple(columns), condensed)

    @cached_property
    def alternatives(self) -> int:
        """How many bases the method that has most leaves open; at least one."""
        mixed = {b.kind.method for b in self.blocks if b.kind.is_mixed}
        return max((len(m.basis) for m in self.spec.model.methods if m.name in mixed), default=0) or 1

    @cached_property
    def clustered(self) -> dict[tuple[str, str, str], tuple[Observation, ...]]:
        """Readings that share one basis, by method, origin and the basis stated."""
        found: dict[tuple[str, str, str], list[Observation]] = {}
        for o in self.spec.evidence:
            if self.kind_of(o).is_mixed:
                found.setdefault(self.cluster_of(o), []).append(o)
        return {key: tuple(readings) for key, readings in found.items()}

    @cached_property
    def clusters(self) -> dict[tuple[str, str, str], int]:
        """The same, numbered."""
        return {key: place for place, key in enumerate(self.clustered)}

    def cluster_of(self, o: Observation) -> tuple[str, str, str]:
        """What an observation shares its basis with."""
        return (o.method, self.judged_of(o), o.basis or "")

    @cached_property
    def judged(self) -> dict[str, int]:
        """Origins whose readings may all be wrong together, numbered; one without a grade never is."""
        keys = dict.fromkeys(judged for _, judged, _ in self.clustered)
        return {key: place for place, key in enumerate(keys)}

    @staticmethod
    def judged_of(o: Observation) -> str:
        """What an observation is reliable together with: its origin at its reliability."""
        reliability = o.grade[0] if o.grade else ""
        return f"{o.origin or (o.table or o.id) + ' alone'} {reliability}"

    @property
    def structure(self) -> tuple[object, ...]:
        """What of the evidence decides the text that is emitted for a model."""
        members = tuple((group, len(names)) for group, names in self.spec.members.items())
        return (self.blocks, members, len(self.errors), len(self.clusters), len(self.judged))

    # --- dials --------------------------------------------------------------------------------------------

    @cached_property
    def slots(self) -> dict[str, int]:
        """The place of each scalar dial by its name."""
        return {name: i for i, name in enumerate(self._names())}

    def _names(self) -> Iterator[str]:
        spec = self.spec
        for v in self.varieties:
            yield from (f"{v.name}.{dial}" for dial in self.dials_of(v))
        yield from (f"{q.name}.select" for q in spec.model.latents)
        yield from (f"{q.name}.fixed" for q in spec.model.latents)
        yield from (f"{r.name}.select" for r in spec.model.relations)
        yield from (f"given.{g.name}" for g in spec.model.givens)
        yield from (f"{m.name}.shared" for m in spec.model.methods if m.shared)
        yield from (f"{b.kind.name}.{end}" for b in self.blocks for end in ("start", "segments"))
        for v in self.varieties:
            if v.prior.trees:
                yield from (f"{v.name}.{k}.{dial}" for k in range(v.size) for dial in MEMBER_DIALS)
        for k in range(len(self.clusters)):
            yield f"cluster.{k}.judged"
            yield from (f"cluster.{k}.weight.{b}" for b in range(self.alternatives))
        yield from (f"judged.{k}.{what}" for k in range(len(self.judged)) for what in ("reliable", "unreliable"))

    def dials_of(self, v: Variety) -> tuple[str, ...]:
        """The scalar dials of a form: how it is standardised, its bounds, its parameters, its normaliser."""
        own = tuple(p for p in FAMILIES[v.prior.family].parameters if p not in ("lower", "upper"))
        numbers = tuple(p for p in own if p not in dict(v.prior.trees))
        floor = ("floor",) if v.latent in self.floored else ()
        return ("centre", "spread", "stretch", "norm", "lower", "upper", *floor, *numbers)

    @cached_property
    def variants(self) -> dict[str, tuple[Node, ...]]:
        """For each relation, the different equations that hypotheses give it, in their order."""
        return {
            r.name: tuple(dict.fromkeys(h.equals(r) for h in self.spec.hypotheses)) for r in self.spec.model.relations
        }

    @cached_property
    def fixable(self) -> frozenset[str]:
        """Latents that some hypothesis fixes."""
        return frozenset(name for h in self.spec.hypotheses for name in h.fix)

    def latent(self, name: str) -> Latent:
        """A latent by its name."""
        return next(q for q in self.spec.model.latents if q.name == name)

    def method(self, kind: Kind) -> Method:
        """The method of a kind of readings."""
        return self.spec.model.method_by_name[kind.method]
