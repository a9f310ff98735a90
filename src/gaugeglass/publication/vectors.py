"""Pictures as small SVG: the same drawing to a hundredth of a point, without what only a drawing program would need."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import groupby
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

SVG, XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
DECIMALS = 2
"""Decimals of a coordinate that stay [pt]: a reader sees about 0.3 pt."""
TOLERANCE = 0.03
"""How far a thinned curve may run from the drawn one [pt]."""
_FEW = 12  # points up to which a line is left as it is
_ARGUMENTS = {"M": 2, "L": 2, "Q": 4, "C": 6, "Z": 0}
_DROPPED = {"metadata"}
_LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"

type Points = NDArray[np.float64]
type Segment = tuple[str, Points]
"""A command of a path, M, L, Q, C or Z, and its points, dims ("point", "axis")."""


def compact(svg: bytes, title: str) -> bytes:
    """The same drawing in fewer bytes, named by its title.

    Coordinates are relative and rounded, curves of many points lose those that lie on a line between others, and names
    that nothing refers to go, as do groups without a purpose. Outlines of letters stay: a picture looks the same with
    whatever fonts its reader has.
    """
    root = ET.fromstring(svg)  # noqa: S314 - our own bytes
    names = _names(root)
    found = _element(root, names, inherited=DECIMALS)
    found.attrib = {"xmlns": SVG, "xmlns:xlink": XLINK, "role": "img", **found.attrib}
    label = ET.Element("title")
    label.text = title
    found.insert(0, label)
    return bytes(ET.tostring(found, encoding="utf-8")).replace(b" />", b"/>")


def _names(root: ET.Element) -> dict[str, str]:
    """A short name for whatever is referred to."""
    values = [value for element in root.iter() for value in element.attrib.values()]
    found = (re.fullmatch(r"#(.+)|url\(#(.+)\)", value) for value in values)
    used = dict.fromkeys(match[1] or match[2] for match in found if match)
    return {name: _short_name(i) for i, name in enumerate(used)}


def _short_name(index: int) -> str:
    rest, last = divmod(index, len(_LETTERS))
    return (_short_name(rest - 1) if rest else "") + _LETTERS[last]


def _element(element: ET.Element, names: dict[str, str], *, inherited: int) -> ET.Element:
    """An element with everything in it, in its compact form."""
    tag = element.tag.rpartition("}")[2]
    is_letter = tag == "path" and "scale" in element.get("transform", "")
    found = ET.Element(tag, dict(_attributes(element, names, decimals=0 if is_letter else inherited)))
    found.text = (element.text or "").strip() or None
    for child in element:
        if child.tag.rpartition("}")[2] in _DROPPED:
            continue
        inner = _element(child, names, inherited=inherited)
        if inner.tag == "g" and not inner.attrib:
            found.extend(inner)
        elif inner.tag not in ("g", "defs") or len(inner):
            found.append(inner)
    return found


def _attributes(element: ET.Element, names: dict[str, str], *, decimals: int) -> Iterator[tuple[str, str]]:
    for name, value in element.attrib.items():
        match name.rpartition("}")[2]:
            case "id":
                if value in names:
                    yield "id", names[value]
            case "href":
                yield "xlink:href", f"#{names[value[1:]]}"
            case "clip-path":
                yield "clip-path", f"url(#{names[value[5:-1]]})"
            case "style":
                yield "style", re.sub(r"\s*([:;,])\s*", r"\1", value).strip(";")
            case "d":
                yield "d", path_text(thinned(path_of(value)), decimals)
            case "transform":
                yield from _moved(value, is_use=element.tag.endswith("}use"))
            case "x" | "y" | "width" | "height" if not value.endswith("pt"):
                yield name, _number(round(float(value), DECIMALS))
            case "type" | "version":
                pass
            case _:
                yield name, value


def _moved(transform: str, *, is_use: bool) -> Iterator[tuple[str, str]]:
    """A transform; where a letter is merely moved along its line, its place."""
    along = re.fullmatch(r"translate\((\S+) 0\)", transform)
    if is_use and along:
        yield "x", _number(round(float(along[1]), 1))
    else:
        yield "transform", re.sub(r"-?\d+\.\d+", lambda m: _number(float(f"{float(m[0]):.6g}")), transform)


# --- paths --------------------------------------------------------------------------------------------------


def path_of(text: str) -> list[Segment]:
    """The segments of a path that is written in absolute commands, runs of lines together."""
    singles: list[Segment] = []
    for command, numbers in re.findall(r"([MLQCZz])([^MLQCZz]*)", text):
        values = np.array(numbers.split(), dtype=float)
        kind = command.upper()
        if values.size != _ARGUMENTS[kind]:
            raise ValueError(f"a path has {values.size} numbers after {command}")
        singles.append((kind, values.reshape(-1, 2)))
    found: list[Segment] = []
    for kind, run in groupby(singles, key=lambda segment: segment[0]):
        pieces = [points for _, points in run]
        found += [(kind, np.concatenate(pieces))] if kind == "L" else [(kind, points) for points in pieces]
    return found


def thinned(path: Sequence[Segment]) -> list[Segment]:
    """A path without those points of long lines that lie within the tolerance of a line between others.

    References
    ----------
    D. H. Douglas, T. K. Peucker, Cartographica 10 (1973) 112 (from memory).
    """
    found: list[Segment] = []
    at = np.zeros((1, 2))
    for kind, points in path:
        kept = points
        if kind == "L" and len(points) > _FEW:
            line = np.concatenate([at, points])
            kept = line[_needed(line)][1:]
        found.append((kind, kept))
        at = points[-1:] if len(points) else at
    return found


def _needed(line: Points) -> NDArray[np.bool_]:
    """Which points of a line of lines are needed, dims ("point",)."""
    needed = np.zeros(len(line), dtype=bool)
    needed[[0, -1]] = True
    spans = [(0, len(line) - 1)]
    while spans:
        first, last = spans.pop()
        if last - first < 2:
            continue
        away = _distances(line[first + 1 : last], line[first], line[last])
        farthest = int(away.argmax())
        if away[farthest] > TOLERANCE:
            middle = first + 1 + farthest
            needed[middle] = True
            spans += [(first, middle), (middle, last)]
    return needed


def _distances(points: Points, start: Points, end: Points) -> Points:
    """Of points from the stretch between two others."""
    way, offsets = end - start, points - start
    length = float(way @ way)
    along = np.clip(offsets @ way / length, 0, 1) if length else np.zeros(len(points))
    return np.asarray(np.hypot(*(offsets - along[:, None] * way).T))


def path_text(path: Sequence[Segment], decimals: int) -> str:
    """A path in relative commands, rounded without a drift: each step leads from a rounded place to the next."""
    parts: list[str] = []
    grid = 10**decimals
    at = start = np.zeros(2, dtype=np.int64)
    last = ""
    for kind, points in path:
        if kind == "Z":
            parts, last, at = [*parts, "z"], "z", start
            continue
        places = np.rint(points * grid).astype(np.int64)
        steps = 1 if kind in "ML" else len(places)
        for first in range(0, len(places), steps):
            command, values = _step(kind, places[first : first + steps] - at)
            at = places[first + steps - 1]
            start = at if kind == "M" else start
            parts.append(_said(command, [v / grid for v in values], is_same=command == last))
            last = "l" if command == "m" else command
    return "".join(parts)


def _step(kind: str, moves: NDArray[np.int64]) -> tuple[str, list[int]]:
    """The shortest command for one step, and its numbers."""
    values = [int(v) for v in moves.ravel()]
    if kind == "L" and values[1] == 0:
        return "h", values[:1]
    if kind == "L" and values[0] == 0:
        return "v", values[1:]
    return kind.lower(), values


def _said(command: str, values: Sequence[float], *, is_same: bool) -> str:
    texts = [_number(v) for v in values]
    joined = "".join(text if text.startswith("-") or i == 0 else f" {text}" for i, text in enumerate(texts))
    if not is_same:
        return command + joined
    return joined if joined.startswith("-") else f" {joined}"


def _number(value: float) -> str:
    """A number without zeros that say nothing."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return re.sub(r"^(-?)0\.", r"\1.", text) if text not in ("-0", "") else "0"
