"""Candidates that are stated beside the files, and read by the same readers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.alternatives import mapping_in, with_entry
from gaugeglass.language.files import read_again, trees_of
from gaugeglass.language.located import Located, TreeError, locate
from gaugeglass.language.reading import Notes
from gaugeglass.language.spec import Candidate, Spec

_LISTED = "candidates"


def propose(
    spec: Spec, stated: Mapping[str, Any], *, file: str = "propose", place: str = f"{_LISTED}."
) -> tuple[Candidate, ...]:
    """Candidates for a dossier, as if it listed them itself.

    Parameters
    ----------
    stated : mapping of str to mapping or str
        Each by a name of its own: the keys of the files, or their text in braces.
    file, place
        How faults call where they are stated: the file, and what stands before a name.

    Raises
    ------
    SpecError
        If anything in one of them is at fault.
    """
    notes = Notes(file)
    nodes = {name: node for name, value in stated.items() if (node := _node(value, f"{place}{name}", notes))}
    dossier, model = trees_of(spec)
    for name, node in nodes.items():
        dossier = with_entry(dossier, (_LISTED, name), node)
    taken = {c.name for c in spec.dossier.candidates}
    for name in taken & nodes.keys():
        notes.fault(nodes[name], f"a candidate named like one of the dossier, '{name}'", "a name of its own")
    found = read_again(replace(spec, alternative=None), dossier, model, spec.dossier.left_out)
    faults = [*notes.faults, *(_at_home(fault, nodes, notes) for fault in found.faults)]
    if faults or found.spec is None:
        raise SpecError(faults)
    return tuple(c for c in found.spec.dossier.candidates if c.name in nodes)


def _node(value: Any, path: str, notes: Notes) -> Located | None:
    try:
        node = locate(value, path)
    except TreeError as problem:
        notes.fault(Located(None, problem.path), problem.found, problem.allowed)
        return None
    return mapping_in(node, notes) if node.text.lstrip().startswith("{") else node


def _at_home(fault: Fault, nodes: Mapping[str, Located], notes: Notes) -> Fault:
    """A fault of a candidate under its own place; any other as it is."""
    of_candidate = any(fault.field == n.path or fault.field.startswith(f"{n.path}.") for n in nodes.values())
    return replace(fault, file=notes.file, line=None) if of_candidate else fault
