"""Articles in Markdown: what they say, and that no text of a user becomes a mark, a tag or a link of its own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from gaugeglass.judgement.results import Assessment
from gaugeglass.publication import articles
from gaugeglass.publication.articles import article, escaped, reproduction
from gaugeglass.publication.frames import Frame
from gaugeglass.record.leaks import WITHHELD
from publication import water_tank

PARSER = MarkdownIt("commonmark", {"html": True}).enable("table")
HOSTILE = (
    "<script>alert(1)</script>", "[click](javascript:alert(1))", "![x](http://tracker.example/x.png)", "| a | b |",
    "<img src=x onerror=alert(1)>", "**bold** _it_ `code` ~~gone~~", "&lt;b&gt;", "<http://example.org>", "# heading",
    "- list", "1. first", "> quote", "```\ncode\n```", "line\n\n<div>\nblock", "a\\", "---", "===", "<!-- hidden", "$x$",
)  # fmt: skip
ABOUT: dict[str, Any] = {"command": "gaugeglass assess observations/tank-7.yaml --seed 7 --draws 1000", "seed": 7,
                         "versions": {"gaugeglass": "0.1.0", "numpy": "2.5"}}  # fmt: skip
FIGURE = Frame("verdict", "Verdict: very likely", "caption", "A tank | and <its> gauge", {})
REPRODUCED = reproduction(water_tank.spec(), ABOUT, "20260101T000000Z-abcdef01", "0" * 64, None)


def tokens(text: str) -> list[Token]:
    return [token for block in PARSER.parse(text) for token in (block, *(block.children or ()))]


def shown(text: str) -> str:
    """The words that a reader sees, block after block."""
    inline = [token for token in PARSER.parse(text) if token.type == "inline"]
    return "\n".join(
        "".join(c.content for c in token.children or () if c.type in ("text", "code_inline", "text_special"))
        for token in inline
    )


def made(assessment: Assessment | None = None) -> str:
    return article(water_tank.spec(), assessment or water_tank.assessment(), FIGURE, REPRODUCED)


def hostile() -> Assessment:
    found = water_tank.assessment()
    text = " ".join(HOSTILE)
    rows = tuple(
        replace(row, id=row.id and word, source=word, stated=word, note=word, url=f"javascript:{word}")
        for row, word in zip(found.ledger, HOSTILE, strict=False)
    )
    rows = (replace(rows[0], url='https://example.org/a>b "c) <script>'), *rows[1:])
    verdicts = tuple(replace(v, says=word) for v, word in zip(found.verdicts, HOSTILE, strict=False))
    hypotheses = tuple(replace(h, says=word) for h, word in zip(found.hypotheses, HOSTILE, strict=False))
    return replace(found, subject=text, sentence=HOSTILE[0] + text, ledger=rows, verdicts=verdicts,
                   hypotheses=hypotheses, not_identified=HOSTILE)  # fmt: skip


def test_an_article_has_every_part_in_order() -> None:
    text = made()
    parts = ["# An invented water tank", "> it is very likely", "A verdict is a probability under", f"]({articles.PICTURE})",
             "## Verdicts", "## Rival explanations", "## The evidence", "Not counted:", "## What no evidence",
             "## Cautions", "## How to reproduce the number"]  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "meter-0, 1020 ± 10 L: withdrawn 2026-03-01: the meter had run backwards" in shown(text)


def test_the_sentence_parts_no_number_from_its_unit() -> None:
    assert "83.1\u202f%\u202f±\u202f0.6\u202f%, from 41.0\u202f% before" in made()


def test_every_table_has_a_cell_under_each_heading() -> None:
    for text in (made(), made(hostile())):
        rows, cells = [], 0
        for token in PARSER.parse(text):
            cells = 0 if token.type == "tr_open" else cells + (token.type in ("th_open", "td_open"))
            rows += [cells] if token.type == "tr_close" else []
        assert rows == [4] * 4 + [4] * 4 + [5] * 7


def test_the_number_can_be_reproduced_from_what_is_said() -> None:
    text = made()
    (fence,) = [token for token in PARSER.parse(text) if token.type == "fence"]
    assert fence.content.strip() == ABOUT["command"]
    for part in ("seed 7", "gaugeglass 0.1.0, numpy 2.5", "20260101T000000Z-abcdef01", "sha256:" + "0" * 64):
        assert part in shown(text)
        assert part in REPRODUCED["line"]


def test_a_hostile_dossier_makes_no_tag_no_picture_and_no_link_of_its_own() -> None:
    found = tokens(made(hostile()))
    assert [token for token in found if token.type.startswith("html")] == []
    assert [token.attrs["src"] for token in found if token.type == "image"] == [articles.PICTURE]
    links = [str(token.attrs["href"]) for token in found if token.type == "link_open"]
    assert links == ["https://example.org/a%3Eb%20%22c)%20%3Cscript%3E"]
    assert [token.tag for token in found if token.type == "heading_open"] == ["h1"] + ["h2"] * 6
    assert "onerror" not in "".join(token.tag for token in found)


def test_what_is_hostile_can_still_be_read() -> None:
    text = shown(made(hostile()))
    for word in HOSTILE[:7]:
        assert " ".join(word.split()) in text


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("before", ["", "> ", "- ", "# ", "*"])
def test_an_escaped_text_is_shown_as_it_is(text: str, before: str) -> None:
    after = "*" if before == "*" else ""
    found = [token for token in tokens(f"{before}{escaped(text)}{after}\n") if token.type in ("text", "text_special")]
    assert "".join(token.content for token in found) == " ".join(text.split())


@given(st.text(st.characters(codec="ascii", exclude_categories=("Cc",)), min_size=1))
def test_any_text_is_shown_as_it_is(text: str) -> None:
    plain = text.strip(" ")
    if plain:
        found = PARSER.parse(f"> {escaped(text)}\n")
        assert [t.type for t in found] == [
            "blockquote_open",
            "paragraph_open",
            "inline",
            "paragraph_close",
            "blockquote_close",
        ]
        assert "".join(c.content for c in found[2].children or ()) == plain


def test_an_address_becomes_a_link_only_if_it_is_one() -> None:
    links = {str(t.attrs["href"]) for t in tokens(made()) if t.type == "link_open"}
    assert links == {"https://example.org/report?a=1&b=2"}


def test_without_observations_and_claims_there_is_still_an_article() -> None:
    found = replace(water_tank.assessment(), ledger=(), verdicts=(), not_identified=())
    text = made(found)
    assert "Nothing has been observed yet." in text
    assert "## Verdicts" not in text


def test_a_reason_that_is_withheld_is_said_in_a_clause() -> None:
    found = water_tank.assessment()
    rows = tuple(replace(r, withdrawn=WITHHELD) if r.withdrawn else r for r in found.ledger)
    assert "meter-0, 1020 ± 10 L: withdrawn, for a reason that is withheld" in shown(made(replace(found, ledger=rows)))
