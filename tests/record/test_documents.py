from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.results import Assessment
from gaugeglass.record.documents import RESULT, assessment_of, dump, result_document


def test_an_assessment_comes_back_as_it_was(assessment: Assessment) -> None:
    found = assessment_of(json.loads(dump(result_document(assessment, dossier="tank", model="tank"))))
    assert repr(found) == repr(assessment)


def test_what_is_not_a_number_is_null_and_comes_back_as_nan(assessment: Assessment) -> None:
    document = json.loads(dump(result_document(assessment, dossier="tank", model="tank")))
    assert document["quantities"][0]["ratio"] is None
    assert math.isnan(assessment_of(document).quantities[0].ratio)


def test_the_document_names_its_shape_and_its_intervals(assessment: Assessment) -> None:
    document = result_document(assessment, dossier="tank", model="tank")
    assert document["format"] == RESULT == "gaugeglass.result/2"
    assert document["interval"] == {"probability": 0.9, "kind": "equal-tailed"}
    assert document["quantities"][0]["unit"] == "L"


def test_a_newer_version_is_refused_as_such() -> None:
    with pytest.raises(StoreError, match=r"'gaugeglass.result/3'.*a newer gaugeglass wrote it"):
        assessment_of({"format": "gaugeglass.result/3"})


def test_a_damaged_result_is_refused(assessment: Assessment) -> None:
    document = json.loads(dump(result_document(assessment, dossier="tank", model="tank")))
    del document["ledger"][0]["id"]
    with pytest.raises(StoreError, match="damaged"):
        assessment_of(document)


def test_a_result_of_the_first_shape_is_still_read(assessment: Assessment) -> None:
    """It had no reason but a withdrawal for what does not count."""
    rows = (replace(assessment.ledger[0], withdrawn="2026-03-01: it leaked: badly"), *assessment.ledger[1:])
    document = json.loads(dump(result_document(replace(assessment, ledger=rows), dossier="tank", model="tank")))
    document["format"] = "gaugeglass.result/1"
    for row in document["ledger"]:
        for key in ("aside", "grade", "wrong", "bases", "rows", "outside"):
            del row[key]
    found = assessment_of(document).ledger
    assert [row.aside for row in found] == ["withdrawn: it leaked: badly", None]
    assert found[1] == assessment.ledger[1]


def test_a_damaged_result_of_the_first_shape_is_refused() -> None:
    with pytest.raises(StoreError, match="damaged"):
        assessment_of({"format": "gaugeglass.result/1"})


def test_what_a_ledger_row_has_of_graded_and_tabled_evidence_comes_back(assessment: Assessment) -> None:
    row = replace(assessment.ledger[0], grade="B2", wrong=0.07, bases={"gross": 0.6}, rows=12, outside=0.25, aside=None)
    document = json.loads(dump(result_document(replace(assessment, ledger=(row,)), dossier="tank", model="tank")))
    assert assessment_of(document).ledger == (row,)
