"""Where observations are placed: the members of groups, and what the dossier and each observation apply to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from gaugeglass.language.located import Located, show
from gaugeglass.language.methods import Methods
from gaugeglass.language.provenance import read_labels
from gaugeglass.language.reading import Notes, Section, items, listing, nearest, text
from gaugeglass.language.spec import Method, Model


@dataclass(frozen=True)
class Background:
    """What observations are read against: the model, and what the dossier says of all of them."""

    model: Model
    methods: Methods
    givens: Mapping[str, float] = field(default_factory=dict)
    members: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    applies: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_known(self) -> bool:
        """Whether the model could be read, so that something can be said of what it lacks."""
        return self.methods.declared is not None

    @cached_property
    def needed(self) -> dict[str, list[str]]:
        """The groups that each method needs a place in, sorted; one that the model does not list is noted there."""
        listed = self.model.groups.keys()
        return {method.name: sorted(listed & self.model.groups_of(method)) for method in self.model.methods}

    def listed(self, group: str) -> tuple[str, ...]:
        """The members of a group that the model and the dossier list; without any, each that is named is one."""
        return tuple(dict.fromkeys((*self.model.groups[group]["members"], *self.members.get(group, ()))))


def read_members(top: Section, model: Model, methods: Methods) -> dict[str, tuple[str, ...]]:
    """The members of groups that a dossier lists, beside those of the model."""
    found: dict[str, tuple[str, ...]] = {}
    for group, node in top.mapping("members").items():
        names = tuple(text(item, top.notes) for item in items(node, top.notes))
        if methods.declared is None or not is_group(group, node, model, top.notes):
            continue
        twice = {name for name in names if (*model.groups[group]["members"], *names).count(name) > 1}
        if twice:
            top.notes.fault(node, f"{listing(map(show, twice))} more than once, the model's included", "each once")
        found[group] = names
    return found


def read_places(
    section: Section, method: Method | None, background: Background
) -> tuple[dict[str, str], dict[str, str]]:
    """The member of each group that an observation is placed in, and what it applies to beside that.

    What applies to a member of a group is placed in it; where neither says, the dossier's own ``applies`` does.
    """
    at, applies = read_labels(section, "at"), read_labels(section, "applies")
    if not background.is_known:
        return at, applies
    groups = background.model.groups
    for group, member in at.items():
        node = section.at("at").entries[group]
        if is_group(group, node, background.model, section.notes):
            _note_stranger(member, group, node, background, section.notes)
            if applies.get(group, member) != member:
                found = f"{show(member)} here, and {show(applies[group])} in applies"
                section.notes.fault(node, found, "one member of a group")
    for group in [group for group in applies if group in groups]:
        if group not in at:
            _note_stranger(applies[group], group, section.at("applies").entries[group], background, section.notes)
        at.setdefault(group, applies.pop(group))
    if method is not None:
        _complete(at, section, method, background)
    return at, applies


def read_candidate_places(
    section: Section, method: Method | None, background: Background, *, may_be_open: bool
) -> dict[str, str]:
    """The member of each group that a candidate would be made on; a dossier's has to state one that there is.

    Candidates make nobody a member: a mean over members must not depend on what is not observed yet.
    """
    at = read_labels(section, "at")
    if not background.is_known:
        return at
    for group, member in at.items():
        node = section.at("at").entries[group]
        if member and is_group(group, node, background.model, section.notes):
            known = background.listed(group)
            if member not in known:
                allowed = f"a member: {listing(known)}" if known else f"a member of '{group}'; none is known here"
                hint = nearest(member, known) or f"a dossier lists more under members: {{{group}: [...]}}"
                section.notes.fault(node, show(member), allowed, hint)
    if method is not None and not may_be_open:
        _complete(at, section, method, background, "would be made")
    return at


def _complete(
    at: dict[str, str], section: Section, method: Method, background: Background, word: str = "was made"
) -> None:
    for group in [group for group in background.needed[method.name] if group not in at]:
        if group in background.applies:
            at[group] = background.applies[group]
            continue
        known = listing(background.listed(group)) if background.listed(group) else f"the name of a {group}"
        why = f"which {group} it {word} on, as method '{method.name}' needs: {known}"
        section.notes.missing(section.at("at"), group, why)


def _note_stranger(member: str, group: str, node: Located, background: Background, notes: Notes) -> None:
    listed = background.listed(group)
    if listed and member and member not in listed:
        notes.fault(node, show(member), f"a member: {listing(listed)}", nearest(member, listed))


def is_group(group: str, node: Located, model: Model, notes: Notes) -> bool:
    """Whether the model lists a group; if not, that is noted."""
    if group in model.groups:
        return True
    allowed = f"a group: {listing(model.groups)}" if model.groups else "no group: the model lists none"
    notes.fault(node, f"unknown group {show(group)}", allowed, nearest(group, model.groups))
    return False
