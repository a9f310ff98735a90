"""Alternatives: what if a reading, a prior, a weight or a given were another, or something were left out?

The trees of the files are changed and read again by the same readers, so that what is asked for is checked like a file.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from dataclasses import replace as replaced
from typing import Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.files import Checked, parse, read_again, trees_of
from gaugeglass.language.located import Located, TreeError, locate, show
from gaugeglass.language.reading import Notes, Section, keys, listing, nearest, unwritten_unit
from gaugeglass.language.spec import Alternative, Given, Latent, Observation, Relation, Spec
from gaugeglass.language.units import Unit, convert_difference, reciprocal
from gaugeglass.language.values import Value, ValueFault, parse_value
from gaugeglass.language.writing import flow

OPTIONS = {
    "replace": "--replace",
    "without": "--without",
    "prior_weights": "--prior-weight",
    "priors": "--prior",
    "givens": "--given",
}
"""How the command line calls what Python calls so."""
READING = ("value", "u", "k", "tolerance", "rounded")
"""The keys of an observation that together are its reading."""
_WIDTHS = ("u", "k", "tolerance")
_READING = keys("", " ".join(READING))
_MOST = 30
"""How many names a message lists; the rest are counted."""


def alter(
    spec: Spec,
    *,
    replace: Mapping[str, Any] | None = None,
    without: Iterable[str] = (),
    prior_weights: Mapping[str, Any] | None = None,
    priors: Mapping[str, Any] | None = None,
    givens: Mapping[str, Any] | None = None,
) -> Spec:
    """The same dossier and model with something otherwise, for ``infer``; the files stay as they are.

    Parameters
    ----------
    spec
        What ``load`` or ``specify`` gave, or an alternative, whose changes are kept.
    replace : mapping of str to str, number or mapping
        New values of observations, by their ids. A value with ± takes the place of the u, k and tolerance that were
        stated; without ± they stay, a share being one of the new value. A mapping states any of ``value``, ``u``,
        ``k``, ``tolerance`` and ``rounded`` anew. Inputs, ``rounded`` and everything else stay.
    without : iterable of str
        What is left out: ids of observations, of rows (``log:17``) and of tables, or names of origins. Echoes of what
        is left out do not count either.
    prior_weights : mapping of str to number or str
        New prior weights of hypotheses.
    priors : mapping of str to mapping or str
        New priors of latents, with the keys of the files or as their text. Hypotheses that state a prior of their own
        keep it.
    givens : mapping of str to number or str
        New values of givens.

    Raises
    ------
    SpecError
        If something is not there or does not count anyway, or if the files would be at fault with it.
    """
    names = (without,) if isinstance(without, str) else tuple(map(str, without))
    asked = Alternative(_named(replace), names, _named(prior_weights), _named(priors), _named(givens))
    checked = check_alternative(spec, asked)
    if checked.spec is None:
        raise SpecError(checked.faults)
    return checked.spec


def _named(stated: Mapping[str, Any] | None) -> dict[str, Any]:
    """What is stated by names, numbers among them as text."""
    return {str(name): value for name, value in (stated or {}).items()}


def check_alternative(spec: Spec, asked: Alternative, *, as_options: bool = False) -> Checked:
    """What is wrong or odd with an alternative to a Spec, whose own oddities are not told again.

    ``as_options`` has faults name what is asked for as the command line does.
    """
    whole = _joined(spec.alternative or Alternative(), asked)
    if whole.is_none:
        return Checked(spec, spec.model, (), ())
    draft = _Draft(_unaltered(spec), whole, as_options)
    dossier, model = draft.trees()
    left_out = draft.left_out()
    found = read_again(draft.spec, dossier, model, left_out)
    faults = SpecError([*draft.notes.faults, *map(draft.at_home, found.faults)]).faults
    warnings = tuple(warning for odd in found.warnings if (warning := draft.at_home(odd)) is not odd)
    if faults or found.spec is None:
        return Checked(None, None, faults, warnings)
    return Checked(replaced(found.spec, alternative=draft.plain()), found.model, (), warnings)


def stated_before(spec: Spec) -> Alternative:
    """What the files say of everything that is otherwise in an alternative, as far as they say it.

    Nothing where there is neither text nor tree to look it up in, as in the public form of what was made in Python.
    """
    asked = spec.alternative
    if asked is None or not (spec.trees or spec.texts):
        return Alternative()
    dossier, model = trees_of(spec)
    entries = dossier.find("observations")
    by_id = {item.entries["id"].text.strip(): item.entries for item in (entries.items if entries else ())}
    readings = {name: {key: by_id[name][key].text for key in READING if key in by_id[name]} for name in asked.replace}
    weights = {name: model.find("hypotheses", name, "prior_weight") for name in asked.prior_weights}
    givens = {name: dossier.find("givens", name) or model.find("givens", name, "default") for name in asked.givens}
    priors = {name: node.plain() for name in asked.priors if (node := model.find("latents", name, "prior"))}
    return Alternative(
        replace=readings,
        prior_weights={name: node.text if node else "1" for name, node in weights.items()},
        priors=priors,
        givens={name: node.text for name, node in givens.items() if node},
    )


def options(alternative: Alternative) -> str:
    """An alternative as the options of ``infer``, quoted for a shell."""
    found = []
    for key, option in OPTIONS.items():
        stated = getattr(alternative, key)
        for name in stated:
            value = f"={shlex.quote(written(stated[name]))}" if isinstance(stated, Mapping) else ""
            found.append(f"{option} {shlex.quote(name)}{value}")
    return " ".join(found)


def written(value: Any) -> str:
    """A change as it is written behind its name: a text or a number, or a mapping in braces."""
    return flow(locate(value)) if isinstance(value, Mapping) else str(value)


def _unaltered(spec: Spec) -> Spec:
    """The Spec before anything was left out of it; of its values only the files' trees are looked at."""
    return replaced(spec, dossier=replaced(spec.dossier, left_out=frozenset()), alternative=None)


def _joined(before: Alternative, after: Alternative) -> Alternative:
    """Both, of which the second has the last word."""
    both = {f.name: (getattr(before, f.name), getattr(after, f.name)) for f in fields(Alternative)}
    without = tuple(dict.fromkeys((*before.without, *after.without)))
    return Alternative(without=without, **{k: {**old, **new} for k, (old, new) in both.items() if k != "without"})


# --- what is changed in the trees ---------------------------------------------------------------------------


@dataclass(slots=True)
class _Draft:
    """An alternative on its way: what is asked for, where each change stands, and what is wrong with it."""

    spec: Spec
    asked: Alternative
    as_options: bool
    notes: Notes = field(init=False)
    places: list[str] = field(default_factory=list)
    stated: dict[str, dict[str, Located]] = field(init=False)

    def __post_init__(self) -> None:
        self.notes = Notes("the command line" if self.as_options else "alter")
        self.stated = {key: dict(self._nodes(key)) for key in OPTIONS if key != "without"}

    def trees(self) -> tuple[Located, Located]:
        """The trees of the dossier and the model with everything changed that is not merely left out."""
        dossier, model = trees_of(self.spec)
        for name, node in self.stated["replace"].items():
            dossier = self._replaced(dossier, name, node)
        for name, node in self.stated["givens"].items():
            dossier = with_entry(dossier, ("givens", name), node)
        for name, node in self.stated["prior_weights"].items():
            rivals = [h.name for h in self.spec.model.hypotheses]
            if self._is_known(name, node, rivals, "hypothesis"):
                model = with_entry(model, ("hypotheses", name, "prior_weight"), node)
        for name, node in self.stated["priors"].items():
            if self._may_have_prior(name, node):
                because = f"Asked for in an alternative, in place of {_prior_text(self.spec, name)}"
                model = with_entry(model, ("latents", name, "prior"), node)
                model = with_entry(model, ("latents", name, "because"), Located(because, node.path, text=because))
        return dossier, model

    def at_home(self, fault: Fault) -> Fault:
        """A fault under the name of the change that it is of; any other as it is."""
        of_change = any(fault.field == p or fault.field.startswith((f"{p}.", f"{p}[")) for p in self.places)
        return replaced(fault, file=self.notes.file, line=None) if of_change else fault

    def plain(self) -> Alternative:
        """What is asked for, of mappings and scalars alone."""
        found = {key: {name: node.plain() for name, node in nodes.items()} for key, nodes in self.stated.items()}
        return Alternative(without=self.asked.without, **found)

    def _place(self, key: str, name: str) -> Located:
        place = f"{OPTIONS[key]} {name}" if self.as_options else f"{key}.{name}"
        self.places.append(place)
        return Located(None, place)

    def _nodes(self, key: str) -> Iterator[tuple[str, Located]]:
        """What is stated under a key, each by its name; mappings may be written as text."""
        for name, value in getattr(self.asked, key).items():
            at = self._place(key, name)
            try:
                node = locate(value, at.path)
            except TreeError as problem:
                self.notes.fault(Located(None, problem.path), problem.found, problem.allowed)
                continue
            if key in ("replace", "priors") and node.text.lstrip().startswith("{"):
                found = mapping_in(node, self.notes)
                if found is None:
                    continue
                node = found
            yield name, node

    def _is_known(self, name: str, at: Located, known: Sequence[str], what: str) -> bool:
        if name in known:
            return True
        self.notes.fault(at, f"unknown {what} {show(name)}", f"a {what}: {listing(known)}", nearest(name, known))
        return False

    # --- observations ---

    def _replaced(self, dossier: Located, name: str, node: Located) -> Located:
        """The tree in which an observation that counts has another reading."""
        if not self._counts(name, node):
            return dossier
        listed = dossier.entries["observations"]
        index = [o.id for o in self.spec.dossier.observations].index(name)
        entry = self._read_otherwise(listed.items[index], node)
        items = (*listed.items[:index], entry, *listed.items[index + 1 :])
        return with_entry(dossier, ("observations",), replaced(listed, content=items))

    def _counts(self, name: str, at: Located) -> bool:
        counted = {o.id: o for o in self.spec.dossier.observations if o.id not in self.spec.set_aside}
        if name in counted and name in self.asked.without:
            self.notes.fault(at, f"{show(name)}, which is also left out", "an observation that stays")
            return False
        if name not in counted:
            tables = {t.id: "a table" for t in self.spec.dossier.tables}
            kind = (tables | {o.id: "a row of a table" for o in self.spec.observations if o.table}).get(name)
            self.notes.fault(
                at, f"{show(name)}, {_why_not(self.spec, name, kind)}", f"an observation that counts: {_some(counted)}",
                None if kind or name in self.spec.set_aside else nearest(name, counted),
            )  # fmt: skip
            return False
        return True

    def _read_otherwise(self, entry: Located, asked: Located) -> Located:
        """An observation with its reading stated anew, all of which stands where that is asked for."""
        place = asked.path
        stated: Mapping[str, Located] = {"value": asked}
        if asked.entries:
            known = Section(asked, _READING, self.notes).entries
            stated = {key: known[key] for key in READING if key in known}
        old = {key: moved(entry.entries[key], f"{place}.{key}") for key in READING if key in entry.entries}
        now = {**old, **stated}
        unit = self.spec.model.method_by_name[entry.entries["method"].text.strip()].unit
        if _states_width(stated):
            now = {key: child for key, child in now.items() if key in stated or key not in _WIDTHS}
            if "value" not in stated:
                now["value"] = _bare(old["value"], unit)
        elif (width := _width_of(old["value"])) is not None and "value" in stated:
            now["value"] = self._with_width(stated["value"], old["value"], width, unit) or stated["value"]
        rest = {key: child for key, child in entry.entries.items() if key not in READING}
        return Located({**rest, **now}, place, entry.line)

    def _with_width(self, node: Located, old: Located, before: Value, unit: Unit) -> Located | None:
        """A value with the ± that the one before had; the old one once it is noted that it cannot have that.

        None where it is no value, or in no unit that could be meant of a method's, which is for its readers to note.
        """
        try:
            value = parse_value(node.text)
        except ValueFault:
            return None
        if value.unit.dimension != before.unit.dimension and not reciprocal(value.unit, before.unit):
            return None
        if value.is_point and unwritten_unit(node, value.lower, value.unit, unit):
            return None
        if not value.is_point or value.unit.dimension != before.unit.dimension:
            found = f"{show(node.text)} without a u, in place of {show(old.text)}, whose ± it cannot have"
            self.notes.fault(node, found, "a value with its u, such as {value: 96 .. 99 Wh, u: 2 Wh}")
            return old
        u = convert_difference(before.u or math.nan, before.unit, value.unit)
        return _scalar(_measured(f"{value.lower:.12g} ± {u:.12g}", value, unit), node)

    # --- what is left out ---

    def left_out(self) -> frozenset[str]:
        """The ids of everything that is to be left out; a name that means nothing, or two things, is noted."""
        meanings = _meanings(self.spec)
        found: set[str] = set()
        for name in self.asked.without:
            at = self._place("without", name)
            meant = {kind: ids for kind, ids in meanings.get(name, {}).items() if ids}
            if len({frozenset(ids) for ids in meant.values()}) > 1:
                what = f"{show(name)}, which is {' and '.join(meant)}"
                one_by_one = ", ".join(sorted({n for ids in meant.values() for n in ids})[:_MOST])
                self.notes.fault(at, what, "a name of one thing", f"name the observations one by one: {one_by_one}")
            elif not meant:
                self._note_uncounted(name, at, meanings)
            found.update(*meant.values())
        return frozenset(found)

    def _note_uncounted(self, name: str, at: Located, meanings: Mapping[str, Mapping[str, Sequence[str]]]) -> None:
        counting = [n for n, kinds in meanings.items() if any(kinds.values()) and "a row" not in kinds]
        kind = next(iter(meanings.get(name, ())), None)
        found = f"{show(name)}, {_why_not(self.spec, name, None if kind == 'an observation' else kind)}"
        if kind in ("a table", "an origin"):
            found = f"{show(name)}, {kind} of which nothing counts"
        allowed = f"an observation, a table or an origin that counts: {_some(counting)}"
        self.notes.fault(at, found, allowed, None if kind else _rows_of(self.spec, name) or nearest(name, counting))

    # --- priors ---

    def _may_have_prior(self, name: str, at: Located) -> bool:
        """Whether a name is that of a latent whose prior, as stated, some hypothesis uses; if not, that is noted."""
        latents = [q.name for q in self.spec.model.latents]
        kind = self.spec.model.quantities.get(name)
        if isinstance(kind, Given | Relation):
            given = OPTIONS["givens"] if self.as_options else "givens"
            what = f"a given, which {given} states" if isinstance(kind, Given) else "a relation, which has no prior"
            self.notes.fault(at, f"{show(name)}, {what}", f"a latent: {listing(latents)}")
            return False
        if not self._is_known(name, at, latents, "latent"):
            return False
        own = {h.name: "fixes" if name in h.fix else "gives" for h in self.spec.hypotheses if _is_own(h, name)}
        if len(own) < len(self.spec.hypotheses):
            return True
        used = [q for q in latents if not all(_is_own(h, q) for h in self.spec.hypotheses)]
        found = f"{show(name)}, which every hypothesis fixes or gives a prior of its own: {', '.join(own)}"
        self.notes.fault(at, found, f"a latent whose prior, as stated, a hypothesis uses: {listing(used)}")
        return False


def _is_own(hypothesis: Any, latent: str) -> bool:
    """Whether a hypothesis fixes a latent, or states a prior of its own for it."""
    return latent in hypothesis.fix or hypothesis.priors.get(latent) is not None


def _prior_text(spec: Spec, name: str) -> str:
    latent = spec.model.quantities[name]
    return latent.prior.stated if isinstance(latent, Latent) else ""


def own_priors(spec: Spec, latent: str) -> tuple[str, ...]:
    """The hypotheses that a new prior of a latent says nothing to, since they fix it or state a prior of their own."""
    return tuple(h.name for h in spec.hypotheses if _is_own(h, latent))


# --- names --------------------------------------------------------------------------------------------------


def _meanings(spec: Spec) -> dict[str, dict[str, list[str]]]:
    """What each name can mean, and the ids of what counts of that."""
    found: dict[str, dict[str, list[str]]] = {}

    def add(name: str | None, kind: str, o: Observation) -> None:
        if name:
            ids = found.setdefault(name, {}).setdefault(kind, [])
            ids += [o.id] if o.id not in spec.set_aside else []

    for o in spec.observations:
        add(o.id, "a row" if o.table else "an observation", o)
        add(o.table, "a table", o)
        add(o.origin, "an origin", o)
    for table in spec.dossier.tables:
        found.setdefault(table.id, {}).setdefault("a table", [])
    return found


def _rows_of(spec: Spec, name: str) -> str | None:
    """How the rows of the table are named of which a name means none; None where it speaks of no table."""
    rows = [o.id for o in spec.observations if o.table and o.table == name.rpartition(":")[0]]
    if not rows:
        return None
    return f"rows are named by their lines of the file: {rows[0]}{f' to {rows[-1]}' if len(rows) > 1 else ''}"


def _why_not(spec: Spec, name: str, kind: str | None) -> str:
    """Why a name is none of an observation that could be meant."""
    if name in spec.set_aside:
        return f"which does not count anyway: {spec.set_aside[name]}"
    return f"which is {kind or 'not there'}"


def _some(names: Iterable[str]) -> str:
    listed = sorted(names)
    more = f" and {len(listed) - _MOST} more" if len(listed) > _MOST else ""
    return (", ".join(listed[:_MOST]) or "none does") + more


# --- nodes --------------------------------------------------------------------------------------------------


def mapping_in(node: Located, notes: Notes) -> Located | None:
    """The mapping that a text in braces is; None once a fault is noted."""
    of_text = Notes(notes.file)
    root = parse(node.text, of_text)
    faults = [replaced(f, line=None, field=".".join(filter(None, (node.path, f.field)))) for f in of_text.faults]
    notes.faults += faults
    return None if root is None or faults else moved(root, node.path)


def with_entry(node: Located, row: tuple[str, ...], child: Located) -> Located:
    """A tree with another node under a row of keys."""
    if not row:
        return child
    key, *rest = row
    inner = node.entries.get(key) or Located({}, key, node.line)
    return replaced(node, content={**node.entries, key: with_entry(inner, tuple(rest), child)})


def moved(node: Located, path: str) -> Located:
    """The same node under another path, in no line of a file."""
    content = node.content
    if isinstance(content, Mapping):
        content = {key: moved(child, f"{path}.{key}") for key, child in content.items()}
    elif isinstance(content, tuple):
        content = tuple(moved(item, f"{path}[{i}]") for i, item in enumerate(content))
    return replaced(node, content=content, path=path, line=None)


def _scalar(text: str, at: Located) -> Located:
    return Located(text, at.path, at.line, text)


def _states_width(stated: Mapping[str, Located]) -> bool:
    if "u" in stated or "tolerance" in stated:
        return True
    return "value" in stated and _width_of(stated["value"]) is not None


def _width_of(node: Located) -> Value | None:
    """A value that is written with its u; None for any other text."""
    try:
        value = parse_value(node.text)
    except ValueFault:
        return None
    return value if value.u is not None else None


def _bare(node: Located, unit: Unit) -> Located:
    """A value of a method's unit without its ±."""
    value = _width_of(node)
    return node if value is None else _scalar(_measured(f"{value.lower:.12g}", value, unit), node)


def _measured(numbers: str, value: Value, of: Unit) -> str:
    return numbers if value.unit.text == "1" and not of.is_never_bare else f"{numbers} {value.unit}"
