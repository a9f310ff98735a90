from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.findings import Audit
from gaugeglass.judgement.results import Assessment, Probability, WidthCurve, WidthPoint
from gaugeglass.publication.audits import audit_document
from gaugeglass.publication.prospects import ranking_document
from gaugeglass.record.documents import RESULT, assessment_of, audit_of, dump, ranking_of, result_document
from publication import findings


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


def test_a_key_that_a_document_is_too_old_to_have_has_its_default(assessment: Assessment) -> None:
    curve = WidthCurve("level", (WidthPoint(1.0, 0.9, 0.01, 3.0),), 1.0, 1.0)
    assessment = replace(assessment, verdicts=(replace(assessment.verdicts[0], curve=curve), *assessment.verdicts[1:]))
    document = json.loads(dump(result_document(assessment, dossier="tank", model="tank")))
    points = [p for v in document["verdicts"] if v["curve"] for p in v["curve"]["points"]]
    assert points
    for point in points:
        del point["weighted"]
    assert repr(assessment_of(document)) == repr(assessment)
    del points[0]["factor"]
    with pytest.raises(StoreError, match="factor"):
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


# --- audits and rankings ------------------------------------------------------------------------------------


def examined(assessment: Assessment, audit: Audit) -> dict[str, Any]:
    spec = findings.spec()
    assessment = replace(assessment, subject=spec.dossier.subject)
    audited, ranked = audit_document(audit, spec), ranking_document(findings.ranking(), spec)
    document = result_document(assessment, dossier="heron-35", model="traction-pack", audit=audited, ranking=ranked)
    return json.loads(dump(document))  # type: ignore[no-any-return]


def test_an_audit_and_a_ranking_come_back_as_they_were(assessment: Assessment) -> None:
    found = examined(assessment, findings.audit())
    assert audit_of(found) == replace(findings.audit(), subject="An invented electric parcel van")
    assert ranking_of(found) == findings.ranking()
    assert assessment_of(found).subject == "An invented electric parcel van"


def test_the_subject_of_an_audit_is_that_of_the_result(assessment: Assessment) -> None:
    found = audit_of({**examined(assessment, findings.audit()), "subject": "Another van"})
    assert found is not None
    assert found.subject == "Another van"


def test_what_the_head_says_is_not_said_again(assessment: Assessment) -> None:
    found = examined(assessment, findings.audit())
    assert {"dossier", "model", "interval", "subject"} & ({*found["audit"]} | {*found["next"]}) == set()
    assert (found["audit"]["format"], found["next"]["format"]) == ("gaugeglass.audit/1", "gaugeglass.next/1")
    assert found["audit"]["sentence"].startswith("What carries")


def test_bounds_and_numbers_that_are_none_come_back(assessment: Assessment) -> None:
    unit = findings.audit().units[0]
    unit = replace(unit, claims=(replace(unit.claims[0], without=Probability(1.0, math.nan, at_least=0.99)),))
    curve = replace(findings.audit().odds[0], crossing=None)
    found = audit_of(examined(assessment, replace(findings.audit(), units=(unit,), odds=(curve,))))
    assert found is not None
    assert found.units[0].claims[0].without.at_least == 0.99
    assert math.isnan(found.units[0].claims[0].without.mcse)
    assert found.odds[0].crossing is None


def test_where_none_was_made_there_is_none(assessment: Assessment) -> None:
    document = json.loads(dump(result_document(assessment, dossier="tank", model="tank")))
    assert (document["audit"], document["next"]) == (None, None)
    assert (audit_of(document), ranking_of(document)) == (None, None)
    del document["audit"], document["next"]  # as they were before audits were recorded
    assert (audit_of(document), ranking_of(document)) == (None, None)


def test_an_audit_of_a_newer_version_or_damaged_is_refused(assessment: Assessment) -> None:
    found = examined(assessment, findings.audit())
    with pytest.raises(StoreError, match=r"gaugeglass\.audit/2.*a newer gaugeglass wrote it"):
        audit_of({**found, "audit": {**found["audit"], "format": "gaugeglass.audit/2"}})
    del found["audit"]["units"][0]["surprise"]
    with pytest.raises(StoreError, match="damaged"):
        audit_of(found)
