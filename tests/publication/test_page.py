"""The page needs no network, runs nothing, and keeps hostile text as text."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from gaugeglass.publication import figures, page
from publication import water_tank

RUN = {"seed": 7, "versions": {"gaugeglass": "0.1.0", "numpy": "2.1"}, "digest": "sha256:abc"}
_VOID = {"meta", "img", "link", "br", "hr", "input"}


class _Reader(HTMLParser):
    """Elements with their attributes, and whether every one of them is closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)


@pytest.fixture(scope="module")
def html() -> str:
    return _rendered()


def _rendered(*, fits_badly: bool = False) -> str:
    spec, assessment = water_tank.spec(), water_tank.assessment(fits_badly=fits_badly)
    return page.page(spec, assessment, figures.pictures(spec, assessment, *water_tank.draws()), RUN)


def _read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader


def test_the_page_is_whole(html: str) -> None:
    reader = _read(html)
    assert not reader.faults
    assert not reader.open
    assert [a.get("id") for t, a in reader.elements if t == "section" and "hidden" in a] == ["question"]


def test_nothing_is_fetched_and_nothing_runs(html: str) -> None:
    reader = _read(html)
    tags = {tag for tag, _ in reader.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "form", "base"}
    assert all((a["src"] or "").startswith("data:image/svg+xml;base64,") for t, a in reader.elements if t == "img")
    assert not re.search(r"url\(|@import", html)
    assert not [a for _, attributes in reader.elements for a in attributes if a.startswith("on")]
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'" in html


def test_hostile_text_stays_text(html: str) -> None:
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "&lt;script&gt;alert(2)&lt;/script&gt;" in html
    assert "javascript:" not in html
    assert "&lt;b&gt;one&lt;/b&gt;" in html


def test_only_web_addresses_become_links(html: str) -> None:
    links = [a for t, a in _read(html).elements if t == "a" and not (a["href"] or "").startswith("#")]
    assert {a["href"] for a in links} == {"https://example.org/report?a=1&b=2"}
    assert {a["rel"] for a in links} == {"noopener noreferrer"}


@pytest.mark.parametrize(
    "url",
    ["javascript:alert(1)", "data:text/html,x", "//host/x", "ftp://host/x", "https:", "", "http://[", "file:///x"],
)
def test_other_addresses_are_not_links(url: str) -> None:
    assert not page.is_link(url)


def test_every_picture_has_a_text_and_its_numbers(html: str) -> None:
    images = [a for t, a in _read(html).elements if t == "img"]
    assert len(images) == 7
    assert all(a["alt"] for a in images)
    assert html.count("Numbers behind this picture") == len(images)


def test_the_sentence_and_the_cautions_come_first(html: str) -> None:
    order = ["<blockquote>", "not proof of anyone&#39;s intent", "stand clear of its feet", "The leading quantity",
             "Prior beside posterior", "Rival explanations", "What is not identified", "How far the prior decides",
             "The ledger of evidence", "Corrections", "All quantities", "Under which assumptions",
             "How to reproduce this"]  # fmt: skip
    places = [html.index(text) for text in order]
    assert places == sorted(places)


def test_a_bad_fit_is_said_before_anything_else(html: str) -> None:
    bad = _rendered(fits_badly=True)
    assert bad.index("No explanation here fits") < bad.index("<blockquote>")
    assert "No explanation here fits" not in html


def test_a_private_observation_shows_no_source(html: str) -> None:
    assert "private source" in html


def test_a_bayes_factor_stands_beside_its_range(html: str) -> None:
    assert html.count("<dt>Bayes factor</dt><dd>7.1; over the prior widths tried 0.65 to 9.0</dd>") == 1
    assert "settled by definition" in html


def test_the_run_can_be_repeated(html: str) -> None:
    assert "gaugeglass infer observations/tank-7.yaml --seed 7" in html
    assert "gaugeglass 0.1.0, numpy 2.1" in html
    assert "2 waiting in the inbox" in html


def test_the_page_is_the_same_each_time(html: str) -> None:
    assert _rendered() == html


def test_no_bayes_factor_without_its_curve(html: str) -> None:
    """Each card that prints a Bayes factor carries the whole curve over the width of the prior that it hinges on."""
    cards = re.findall(r'<article class="card">.*?</article>', html, re.DOTALL)
    told = [card for card in cards if "over the prior widths tried" in card]
    assert told
    for card in told:
        curve = card.partition("Curve over the width of the prior of")[2]
        assert "<td>×1</td>" in curve
        assert "<td>×1/4</td>" in curve
