"""The order in which names follow what they use, and the circles in which they cannot."""

from __future__ import annotations

from collections.abc import Collection, Mapping


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
