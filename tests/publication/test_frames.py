"""Frames for a screen: their size and order, what they say, and that all of it can be read on a telephone."""

from __future__ import annotations

import io
import itertools
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from matplotlib.image import imread
from matplotlib.text import Text

from gaugeglass.judgement.findings import Unit
from gaugeglass.judgement.joining import Joined, Joining
from gaugeglass.judgement.results import Assessment, Probability, QuantitySummary, Spread
from gaugeglass.publication import frames
from gaugeglass.publication.frames import SCREENS, Frame
from gaugeglass.publication.sheet import Sheet
from printed import plain
from publication import water_tank

SIZES = {"wide": (1080, 1920), "square": (1080, 1080)}
REPRODUCTION = {"command": "gaugeglass assess observations/tank-7.yaml --seed 1 --draws 1000", "line": "all of it"}
NAMES = ["01-prior", "02-meter-1", "03-meter-2", "04-float-1", "05-bound-1", "06-private-1", "07-scale-1", "08-verdict"]


def assessment() -> Assessment:
    found = water_tank.assessment()
    return replace(found, ledger=tuple(replace(r, id=r.id or "private-1") for r in found.ledger))


def joining(quantity: str = "kept", *, asked: bool = True) -> Joining:
    """Invented steps from the invented prior to the invented verdict."""
    before, after = water_tank.draws()
    found, rows = assessment(), [r for r in assessment().ledger if r.aside is None]
    verdict = found.verdicts[0]
    shares = np.linspace(verdict.prior.value, verdict.posterior.value, len(rows) + 1)
    steps = []
    for k, share in enumerate(shares):
        draws = np.where(
            np.arange(water_tank.DRAWS) < water_tank.DRAWS * k / len(rows), after[quantity], before[quantity]
        )
        unit = Unit("observation", rows[k - 1].id, (rows[k - 1].id,)) if k else None
        p = Probability(float(share), 0.006) if asked else None
        weights = {h.name: h.posterior for h in found.hypotheses}
        steps.append(Joined(unit, p, spread(draws), draws, weights, dict.fromkeys(weights, 0.01)))
    summary = next(q for q in found.quantities if q.name == quantity)
    return Joining(verdict if asked else None, summary, tuple(steps))


def spread(draws: Any) -> Spread:
    low, middle, high = np.quantile(draws, (0.05, 0.5, 0.95))
    return Spread(float(draws.mean()), float(draws.std()), float(middle), float(low), float(high))


@pytest.fixture(scope="module")
def drawn() -> tuple[Frame, ...]:
    return frames.frames(water_tank.spec(), assessment(), joining())


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch) -> list[Sheet]:
    """Every sheet that is drawn, instead of its pixels."""
    found: list[Sheet] = []
    monkeypatch.setattr(frames, "png_of", lambda sheet, dpi: found.append(sheet) or b"")
    return found


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(imread(io.BytesIO(png)))


def test_every_frame_has_both_formats_in_their_exact_size(drawn: tuple[Frame, ...]) -> None:
    for frame in (*drawn, *frames.figures(water_tank.spec(), assessment(), joining())):
        assert {screen: pixels(png).shape[:2] for screen, png in frame.png.items()} == SIZES


def test_frames_are_numbered_from_the_prior_to_the_verdict_and_sort(drawn: tuple[Frame, ...]) -> None:
    names = [frame.name for frame in drawn]
    assert names == NAMES
    assert sorted(names) == names


def test_the_numbers_of_many_frames_sort_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frames, "_drawn", lambda draw: {})
    few = joining()
    steps = (few.steps[0], *itertools.islice(itertools.cycle(few.steps[1:]), 120))
    names = [f.name for f in frames.frames(water_tank.spec(), assessment(), replace(few, steps=steps))]
    assert names[0] == "001-prior"
    assert names[-1] == "122-verdict"
    assert sorted(names) == names


def test_axes_stay_where_they_are_over_all_frames(sheets: list[Sheet]) -> None:
    frames.frames(water_tank.spec(), assessment(), joining())
    for screen in (0, 1):
        own = [sheet.figure.axes for sheet in sheets[screen::2]]
        places = {tuple(tuple(np.round(a.get_position().bounds, 9)) for a in axes) for axes in own}
        limits = {tuple((a.get_xlim(), a.get_ylim()) for a in axes) for axes in own}
        assert len(own) == len(NAMES)
        assert len(places) == len(limits) == 1


def test_what_does_not_move_has_the_same_pixels_in_all_frames(drawn: tuple[Frame, ...]) -> None:
    ticks = [pixels(frame.png["wide"])[-190:-150, :1000] for frame in drawn]
    assert ticks[0].min() < 0.5 < ticks[0].max()
    assert all(np.array_equal(ticks[0], other) for other in ticks[1:])
    assert not np.array_equal(pixels(drawn[1].png["wide"]), pixels(drawn[2].png["wide"]))


def test_the_level_of_the_gauge_is_the_probability(sheets: list[Sheet]) -> None:
    found = joining()
    frames.frames(water_tank.spec(), assessment(), found)
    for sheet, step in zip(sheets[::2], found.steps, strict=False):
        levels = {patch.get_height() for patch in sheet.figure.axes[1].patches}
        assert step.probability is not None
        assert levels == {1, step.probability.value}


LONG = (
    "A claim of many words that goes on and on, about the share of a filling that the leak takes before it is full " * 3
)


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"subject": LONG},
        {"says": LONG},
        {"stated": "1.234567890123(45)e-11 m**3/(kg*s**2)", "source": LONG},
        {"quantity": "lid"},
        {"asked": False},
        {"id": "an-observation-with-a-name-of-very-many-letters-indeed"},
        {"unit": "m**3/(kg*s**2)", "scale": 1e-11},
    ],
    ids=lambda changed: ", ".join(changed) or "as it is",
)
def test_every_word_is_large_enough_inside_and_apart(sheets: list[Sheet], changed: dict[str, Any]) -> None:
    """At 360 pixels of width, which is 5 inch of 72 points, no letter is below 9 pixels."""
    found, spec = assessment(), water_tank.spec()
    way = joining(changed.get("quantity", "kept"), asked=changed.get("asked", True))
    if "says" in changed and way.asked:
        way = replace(way, asked=replace(way.asked, says=changed["says"]))
    rows = tuple(replace(r, **{k: v for k, v in changed.items() if k in ("stated", "source")}) for r in found.ledger)
    found = replace(found, subject=changed.get("subject", found.subject), ledger=rows)
    if "id" in changed:
        found = replace(found, ledger=(replace(found.ledger[0], id=changed["id"]), *found.ledger[1:]))
        unit = Unit("observation", changed["id"], ())
        way = replace(way, steps=(way.steps[0], replace(way.steps[1], unit=unit), *way.steps[2:]))
    if "scale" in changed:
        way = scaled(way, changed["scale"], changed["unit"])
    frames.frames(spec, found, way)
    frames.figures(spec, found, way)
    assert len(sheets) > 2 * len(NAMES)
    for sheet in sheets:
        check_words(sheet)


def scaled(way: Joining, by: float, unit: str) -> Joining:
    steps = tuple(replace(s, draws=s.draws * by, spread=spread(s.draws * by)) for s in way.steps)
    q = way.quantity
    summary = QuantitySummary(q.name, q.about, unit, q.kind, steps[0].spread, steps[-1].spread, q.mcse * by, q.ratio,
                              q.sharp_ratio, q.identified)  # fmt: skip
    return replace(way, quantity=summary, steps=steps)


def check_words(sheet: Sheet) -> None:
    figure, renderer = sheet.figure, sheet.figure.canvas.get_renderer()  # type: ignore[attr-defined]
    texts = [t for t in words(figure) if t.get_visible() and t.get_text().strip()]
    assert min(t.get_fontsize() for t in texts) >= 9
    boxes = [(t.get_text(), t.get_window_extent(renderer).padded(-1.0)) for t in texts]
    for text, box in boxes:
        inside = box.x0 >= 0 and box.x1 <= figure.bbox.x1 and box.y0 >= 0 and box.y1 <= figure.bbox.y1
        assert inside, f"{text!r} leaves the picture"
    for (one, first), (other, second) in itertools.combinations(boxes, 2):
        assert not first.overlaps(second), f"{one!r} and {other!r} overlap"


def words(figure: Any) -> Iterator[Text]:
    """Every text that is drawn; ticks beyond the ends of an axis are not."""
    yield from figure.texts
    for axes in figure.axes:
        yield from axes.texts
        for axis in (axes.xaxis, axes.yaxis):
            yield from (tick.label1 for tick in axis._update_ticks())
            axis._update_label_position(figure.canvas.get_renderer())
            yield axis.label


def test_the_last_frame_names_what_did_not_count(drawn: tuple[Frame, ...]) -> None:
    assert "Not counted: meter-0 (withdrawn)." in drawn[-1].caption
    assert drawn[-1].caption.startswith(assessment().sentence)
    assert not any("meter-0" in frame.caption for frame in drawn[:-1])


def test_each_caption_says_what_joined_and_what_that_did(drawn: tuple[Frame, ...]) -> None:
    caption = plain(drawn[1].caption)
    assert caption.startswith("meter-1 joins: 858 ± 6 L (An invented logbook, page 3")
    assert "the tank loses more than 5 % of a filling is 48.0 % ± 0.6 %" in caption
    assert "Before it: 41 %." in caption
    assert "private source" in drawn[5].caption


def test_a_step_out_of_its_limits_is_said_to_be_rough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frames, "_drawn", lambda draw: {})
    way = joining()
    steps = (*way.steps[:2], replace(way.steps[2], usable=False), *way.steps[3:])
    found = frames.frames(water_tank.spec(), assessment(), replace(way, steps=steps))
    assert [frame.caption.endswith(frames.ROUGH) for frame in found] == [k == 2 for k in range(len(found))]


def test_a_quantity_that_spans_decades_has_powers_of_ten() -> None:
    way = joining()
    factors = np.geomspace(1000, 1, len(way.steps))
    wide = replace(way, steps=tuple(
        replace(s, draws=np.abs(s.draws) * f, spread=spread(np.abs(s.draws) * f)) for s, f in zip(way.steps, factors, strict=True)
    ))  # fmt: skip
    stage, plain = frames._stage(wide), frames._stage(way)
    assert stage.is_log
    assert not plain.is_log
    low, high = stage.ends
    assert low < wide.steps[-1].spread.lower
    assert high > wide.steps[0].spread.median


def test_the_axis_shows_the_whole_last_interval_and_every_median() -> None:
    for quantity in ("kept", "leak", "lid", "full_mass"):
        way = joining(quantity)
        low, high = frames._stage(way).ends
        last = way.steps[-1].spread
        assert low <= last.lower < last.upper <= high
        assert all(low <= step.spread.median <= high for step in way.steps)
        assert (last.upper - last.lower) / (high - low) > 0.1


def test_the_document_says_what_every_picture_shows(drawn: tuple[Frame, ...], sheets: list[Sheet]) -> None:
    files = frames.files(water_tank.spec(), assessment(), joining(), REPRODUCTION)
    told = json.loads(files["frames.json"])
    named = [path for group in ("frames", "figures") for entry in told[group] for path in entry["files"].values()]
    assert sorted([*named, "frames.json"]) == sorted(files)
    assert told["format"] == "gaugeglass.frames/1"
    assert told["sentence"] == assessment().sentence
    assert told["reproduction"] == REPRODUCTION
    assert [entry["alt"] for entry in told["frames"]] == [frame.alt for frame in drawn]
    assert [entry["joined"] and entry["joined"]["id"] for entry in told["frames"]] == [
        None, "meter-1", "meter-2", "float-1", "bound-1", "private-1", "scale-1", None,
    ]  # fmt: skip
    assert told["frames"][-1]["probability"]["value"] == joining().steps[-1].probability.value  # type: ignore[union-attr]
    assert told["not_counted"] == [{"id": "meter-0", "why": "withdrawn 2026-03-01: the meter had run backwards"}]
    assert told["figures"][0]["name"] == "verdict"


def test_texts_are_cut_to_the_room_that_they_have() -> None:
    text = "Laboratory reports on the discharge of cells, volume four"
    for room in (0.3, 1.0, 2.0):
        cut = frames.fitted(text, room, 9)
        assert frames.width_of(cut, 9) <= room
        assert cut.endswith("…") or "…" in cut
        lines = frames.wrapped(text, room, 9, 2)
        assert len(lines) <= 2
        assert all(frames.width_of(line, 9) <= room for line in lines)
    assert frames.wrapped(text, 9.0, 9, 2) == [text]


def test_names_of_files_are_plain_letters() -> None:
    for name in ("../../x", "log:3", "a b/c", "ä" * 300, "-"):
        assert re.fullmatch(r"[A-Za-z0-9_-]{1,60}", frames._file_name(name))


def test_the_screens_have_the_sizes_that_are_promised() -> None:
    for screen in SCREENS:
        assert (round(screen.height * screen.dpi), round(frames.WIDTH * screen.dpi)) == SIZES[screen.name]


def test_the_verdict_alone_counts_every_piece_of_the_evidence(monkeypatch: pytest.MonkeyPatch) -> None:
    scenes: list[Any] = []
    monkeypatch.setattr(frames, "_frame", lambda *args: scenes.append(args[4]))
    found = joining()
    both = replace(found, steps=(found.steps[0], found.steps[-1]))
    for count, said in ((1, "What 1 piece of evidence says,"), (15, "What 15 pieces of evidence say,")):
        monkeypatch.setattr(frames, "in_order", lambda spec, count=count: [None] * count)
        frames.verdict_figure(water_tank.spec(), assessment(), both)
        assert said in str(scenes[-1])
