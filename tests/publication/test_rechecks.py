"""A run held against its repetition, as text and as a document."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from gaugeglass.publication.rechecks import DIGEST_NOTE, recheck_document, recheck_text
from gaugeglass.record.histories import Otherwise
from gaugeglass.record.rechecks import Number, Recheck
from printed import fits, joined
from publication.documented import keys_told

NUMBERS = (
    Number("claim", "tight", "1", 0.5, 0.51, 0.01, 1.0),
    Number("quantity", "water_held", "m**3", 80.4, 80.41, 0.02, 0.5),
    Number("hypothesis", "leaky", "1", 0.3, 0.3, 0.01, 0.0),
)
SAME = Recheck("a", "reports/tank/a", "d" * 64, 9, "to the last bit", "to the last bit", True, (), NUMBERS)
OTHER = replace(
    SAME, expected="within errors", outcome="within errors", same_draws=False, otherwise=(Otherwise("numpy", "1", "2"),)
)


def said(found: Recheck) -> str:
    return joined(recheck_text(found, 80))


def test_the_same_to_the_last_bit_needs_no_table() -> None:
    assert said(SAME) == (
        f"reports/tank/a: 9 files, all as they were written sha256:{'d' * 64} {DIGEST_NOTE} "
        "Same compiled program, versions and processor, so the same numbers to the last bit are expected. Inferred and judged again: every draw, verdict and "
        "quantity is the same to the last bit."
    )


def test_other_versions_are_named_and_the_numbers_furthest_apart_listed() -> None:
    text = said(OTHER)
    assert "Not computed as it was: numpy (1, now 2). So agreement within Monte Carlo errors is expected." in text
    assert "Everything agrees within Monte Carlo errors, 1.0 errors at most." in text
    assert "tight 50.00 % 51.00 % 1.0 water held 80.400 m³ 80.410 m³ 0.5 hypothesis leaky" in text


def test_what_ought_to_be_the_same_to_the_last_bit_and_is_not_is_said() -> None:
    assert "1.0 errors at most, though not to the last bit." in said(
        replace(SAME, outcome="within errors", same_draws=False)
    )
    assert "Every draw is the same to the last bit, and what is judged of them agrees" in said(
        replace(SAME, outcome="within errors")
    )


def test_what_is_not_reproduced_is_counted_and_marked() -> None:
    beyond = (*NUMBERS, Number("claim", "full", "1", 0.1, 0.9, 0.01, 80.0))
    text = said(replace(OTHER, outcome="beyond errors", numbers=beyond))
    assert "the run is not reproduced; 1 of 4 numbers are beyond Monte Carlo errors, 80.0 errors at most." in text
    assert "full 10.00 % 90.00 % 80.0 !" in text
    without_end = replace(OTHER, outcome="beyond errors", numbers=(replace(NUMBERS[0], errors=math.inf),))
    assert "without end at most" in said(without_end)


def test_what_guards_the_record_and_what_does_not_belong_to_the_run_is_said() -> None:
    assert f"sha256:{'d' * 64} That is the digest of run.json" in said(SAME)
    assert "guarded by nothing else: compare it with the one that was posted." in said(SAME)
    assert "Not of the run" not in said(SAME)
    assert "Not of the run, and so not checked: a.txt, b/c.png." in said(replace(SAME, unlisted=("a.txt", "b/c.png")))
    many = replace(SAME, unlisted=tuple(f"{k}.txt" for k in range(15)))
    assert "11.txt and 3 more." in said(many)


@pytest.mark.parametrize("width", [20, 40, 80, 120])
def test_nothing_is_wider_than_the_terminal(width: int) -> None:
    text = recheck_text(OTHER, width)
    assert fits(text, width)


def test_the_document_is_plain_and_every_key_of_it_is_documented() -> None:
    document = recheck_document(OTHER)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    keys = {key for kind in (document, document["otherwise"][0], document["numbers"][0]) for key in kind}
    assert keys - keys_told("prints one `gaugeglass.recheck/1`", before="\n\n## ") == {"format"}
