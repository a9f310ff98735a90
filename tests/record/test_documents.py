from __future__ import annotations

import json
import math

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
    assert document["format"] == RESULT == "gaugeglass.result/1"
    assert document["interval"] == {"probability": 0.9, "kind": "equal-tailed"}
    assert document["quantities"][0]["unit"] == "L"


def test_a_newer_version_is_refused_as_such() -> None:
    with pytest.raises(StoreError, match=r"'gaugeglass.result/2'.*a newer gaugeglass wrote it"):
        assessment_of({"format": "gaugeglass.result/2"})


def test_a_damaged_result_is_refused(assessment: Assessment) -> None:
    document = json.loads(dump(result_document(assessment, dossier="tank", model="tank")))
    del document["ledger"][0]["id"]
    with pytest.raises(StoreError, match="damaged"):
        assessment_of(document)
