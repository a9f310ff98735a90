"""Compact SVG is the same drawing: every place stays to a hundredth of a point, every reference leads somewhere."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest

from gaugeglass.publication import sheet
from gaugeglass.publication.vectors import TOLERANCE, compact, path_of, path_text, thinned

SVG = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"
_ARGUMENTS = {"m": 2, "l": 2, "h": 1, "v": 1, "q": 4, "c": 6, "z": 0}


def drawing() -> bytes:
    """A curve of many points, a filled band, markers, a clip and letters, as the library writes them."""
    with mpl.rc_context(sheet.SETTINGS):
        page = sheet.blank("A title of some length that needs two lines of it", 3.0)
        axes = page.axes(0.4, 0.2, 4.0, 2.0)
        x = np.linspace(0, 6, 400)
        axes.plot(x, np.sin(x), color=sheet.TEAL)
        axes.fill_between(x, np.cos(x), color=sheet.MIST, alpha=0.5)
        axes.plot([1, 2, 3], [0.5, 0.2, 0.7], "D", color=sheet.PLUM)
        axes.set_xlabel("shift & “more” [1]")
        out = io.BytesIO()
        page.figure.savefig(out, format="svg", metadata={"Date": None})
        return out.getvalue()


@pytest.fixture(scope="module")
def raw() -> bytes:
    return drawing()


@pytest.fixture(scope="module")
def small(raw: bytes) -> bytes:
    return compact(raw, "Bread < butter & “jam”")


def places(text: str) -> np.ndarray:
    """Every end of a step of a path in relative commands, in absolute places, dims ("step", "axis")."""
    at = start = np.zeros(2)
    found = []
    for command, written in re.findall(r"([a-z])([^a-z]*)", text):
        values = [float(v) for v in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", written)]
        count = _ARGUMENTS[command]
        if command == "z":
            at = start
            continue
        assert values
        assert len(values) % count == 0
        for first in range(0, len(values), count):
            own = values[first : first + count]
            step = {"h": (own[0], 0.0), "v": (0.0, own[0])}.get(command, tuple(own[-2:]))
            at = at + np.array(step)
            start = at if command == "m" and not first else start
            found.append(at)
    return np.array(found)


def far(points: np.ndarray, line: np.ndarray) -> float:
    """How far the farthest of points lies from a line of lines."""
    starts, ways = line[:-1], np.diff(line, axis=0)
    lengths = np.maximum((ways**2).sum(axis=1), 1e-12)
    along = np.clip(((points[:, None] - starts) * ways).sum(axis=2) / lengths, 0, 1)
    return float(np.hypot(*(points[:, None] - starts - along[..., None] * ways).transpose(2, 0, 1)).min(axis=1).max())


def paths(svg: bytes) -> list[tuple[str, float]]:
    """Every path, and how many of its units make one point of the page or of a letter's grid."""
    found = ET.fromstring(svg).iter(f"{SVG}path")  # noqa: S314 - our own bytes
    return [(e.get("d") or "", 1.0 if "scale" in (e.get("transform") or "") else 0.01) for e in found]


def test_no_line_leaves_its_place(raw: bytes, small: bytes) -> None:
    before, after = paths(raw), paths(small)
    assert len(before) == len(after) > 20
    for (long, grid), (short, _) in zip(before, after, strict=True):
        if not long.strip():  # a blank among letters
            assert not short
            continue
        drawn = np.concatenate([points[-1:] for kind, points in path_of(long) if kind in "MQC"] + [
            points for kind, points in path_of(long) if kind == "L"])  # fmt: skip
        kept = places(short)
        assert far(drawn, kept if len(kept) > 1 else np.repeat(kept, 2, axis=0)) <= TOLERANCE + grid


def test_it_is_less_than_half_as_large(raw: bytes, small: bytes) -> None:
    assert len(small) < 0.5 * len(raw)


def test_every_reference_leads_somewhere_and_nothing_else_has_a_name(small: bytes) -> None:
    elements = list(ET.fromstring(small).iter())  # noqa: S314 - our own bytes
    names = [e.get("id") for e in elements if e.get("id")]
    links = {(e.get(LINK) or "").removeprefix("#") for e in elements if e.tag == f"{SVG}use"}
    clips = {(e.get("clip-path") or "")[5:-1] for e in elements if e.get("clip-path")}
    assert len(names) == len(set(names))
    assert links | clips == set(names)


def test_it_is_named_by_its_title_and_keeps_its_size(raw: bytes, small: bytes) -> None:
    before, after = ET.fromstring(raw), ET.fromstring(small)  # noqa: S314 - our own bytes
    assert [after.get(key) for key in ("width", "height", "viewBox")] == [
        before.get(key) for key in ("width", "height", "viewBox")
    ]
    assert after[0].tag == f"{SVG}title"
    assert after[0].text == "Bread < butter & “jam”"


def test_styles_are_kept(raw: bytes, small: bytes) -> None:
    def styles(svg: bytes) -> list[str]:
        found = [(e.get("style") or "").replace(" ", "") for e in ET.fromstring(svg).iter()]  # noqa: S314 - our own bytes
        return [style.strip(";") for style in found if style]

    assert styles(small) == styles(raw)


def test_letters_stay_where_they_are_along_a_line(raw: bytes, small: bytes) -> None:
    before = [float(x) for x in re.findall(rb'transform="translate\(([\d.]+) 0\)"', raw)]
    after = [float(x) for x in re.findall(rb'<use [^>]*?x="([\d.]+)"(?![^>]* y=)', small)]
    assert len(before) > 30
    assert after == pytest.approx(before, abs=0.051)


def test_rounding_does_not_add_up() -> None:
    points = [f"L {0.004 * k} {(-1) ** k}" for k in range(1, 2001)]
    end = places(path_text(path_of("M 0 0 " + " ".join(points)), 2))[-1]
    assert end == pytest.approx([8.0, 1.0], abs=1e-9)


def test_points_on_a_straight_line_go_and_corners_stay() -> None:
    up, down = (
        " ".join(f"L {x(k)} {y(k)}" for k in range(1, 100))
        for x, y in ((int, int), (lambda k: 99 - k, lambda k: 99 + k))
    )
    straight = f"M 0 0 {up} {down}"
    assert places(path_text(thinned(path_of(straight)), 2)).tolist() == [[0, 0], [99, 99], [0, 198]]


def test_a_closed_outline_keeps_its_corners() -> None:
    side = np.linspace(0, 10, 20)
    around = [
        *((x, 0) for x in side),
        *((10, y) for y in side),
        *((10 - x, 10) for x in side),
        *((0, 10 - y) for y in side),
    ]
    text = "M 0 0 " + " ".join(f"L {x} {y}" for x, y in around) + " z"
    found = {tuple(p) for p in places(path_text(thinned(path_of(text)), 2)).tolist()}
    assert found == {(0, 0), (10, 0), (10, 10), (0, 10)}


def test_a_step_after_a_closed_part_starts_where_that_began() -> None:
    text = path_text(path_of("M 1 1 L 3 1 L 3 4 z M 5 5 L 6 7"), 2)
    assert places(text).tolist() == [[1, 1], [3, 1], [3, 4], [5, 5], [6, 7]]


def test_a_path_of_another_form_is_refused() -> None:
    with pytest.raises(ValueError, match="a path has 3 numbers after L"):
        path_of("M 0 0 L 1 2 3")
