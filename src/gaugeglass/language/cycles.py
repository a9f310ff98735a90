"""The order in which entries follow what they use, and the circles in which they cannot."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from gaugeglass.language.expressions import names
from gaugeglass.language.reading import Section
from gaugeglass.language.spec import Hypothesis, Relation


def order_relations(
    relations: Sequence[Relation], hypotheses: Sequence[Hypothesis], top: Section
) -> tuple[Relation, ...]:
    """Relations so that each follows all it uses, as stated or under any hypothesis; a circle is noted."""
    used = {r.name: list(names(r.equals)) for r in relations}
    if _is_circular(used, top):
        return tuple(relations)
    for hypothesis in hypotheses:
        for name, tree in hypothesis.relations.items():
            used[name] += names(tree)
    if _is_circular(used, top, hypotheses):
        return tuple(relations)
    by_name = {r.name: r for r in relations}
    return tuple(by_name[name] for name in follow(used)[0])


def _is_circular(used: Mapping[str, Collection[str]], top: Section, hypotheses: Sequence[Hypothesis] = ()) -> bool:
    circle = follow(used)[1]
    if circle is None:
        return False
    first = min(circle, key=list(used).index)
    replacing = sorted({h.name for h in hypotheses if not set(circle).isdisjoint(h.relations)})
    by = f", where hypothesis {', '.join(replacing)} replaces a relation" if replacing else ""
    node = top.at("relations").entries[first].entries["equals"]
    top.notes.fault(node, show_circle(circle, first) + by, "relations that do not lead back to themselves")
    return True


def show_circle(circle: tuple[str, ...], first: str) -> str:
    """A circle as a row of names, turned so that it begins with one of them."""
    at = circle.index(first)
    return " -> ".join((*circle[at:-1], *circle[:at], first))


def follow(used: Mapping[str, Collection[str]]) -> tuple[tuple[str, ...], tuple[str, ...] | None]:
    """Names so that each follows what it uses, and the first circle, which begins and ends with the same name."""
    done: dict[str, None] = {}
    for start in used:
        if start in done:
            continue
        row, rest = [start], [list(used[start])]
        while row:
            if not rest[-1]:
                done[row.pop()] = None
                rest.pop()
            elif (name := rest[-1].pop(0)) in row:
                return tuple(done), (*row[row.index(name) :], name)
            elif name in used and name not in done:
                row.append(name)
                rest.append(list(used[name]))
    return tuple(done), None
