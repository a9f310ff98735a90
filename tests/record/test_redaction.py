from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from gaugeglass.errors import SpecError
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.files import load
from gaugeglass.language.spec import Candidate
from gaugeglass.record.leaks import leaks
from gaugeglass.record.redaction import public_assessment, public_audit, public_form, public_ranking
from record import examined


def test_nothing_private_is_left_in_the_texts(secrets: Any, posterior: SimpleNamespace) -> None:
    public = public_form(posterior.spec)
    whole = "\n".join(public.texts.values()) + repr(public.dossier)
    assert [secret for secret in secrets if secret in whole] == []


def test_the_public_text_reads_as_the_public_spec(posterior: SimpleNamespace, tmp_path: Path) -> None:
    public = public_form(posterior.spec)
    for kind, text in zip(("observations", "models"), public.texts.values(), strict=True):
        (tmp_path / "again" / kind).mkdir(parents=True)
        (tmp_path / "again" / kind / "tank.yaml").write_text(text)
    found = load(tmp_path / "again" / "observations" / "tank.yaml")
    bare = [replace(o, line=None) for o in found.dossier.observations]
    assert bare == [replace(o, line=None) for o in public.dossier.observations]


def test_what_inference_needs_stays(posterior: SimpleNamespace) -> None:
    before, after = posterior.spec.dossier.observations[1], public_form(posterior.spec).dossier.observations[1]
    assert (after.id, after.method, after.value, after.u) == ("private-1", before.method, before.value, before.u)


def test_an_echo_of_a_private_observation_follows_its_new_id(posterior: SimpleNamespace) -> None:
    assert public_form(posterior.spec).dossier.observations[2].repeats == "private-1"


def test_a_dossier_without_anything_private_stays_as_it_is(posterior: SimpleNamespace) -> None:
    public = public_form(posterior.spec)
    open_ones = tuple(replace(o, private=False) for o in public.dossier.observations)
    spec = replace(public, dossier=replace(public.dossier, observations=open_ones))
    assert public_form(spec) is spec


def test_the_alias_avoids_the_id_of_a_public_observation(posterior: SimpleNamespace) -> None:
    first = replace(posterior.spec.dossier.observations[0], id="private-1")
    dossier = replace(posterior.spec.dossier, observations=(first, *posterior.spec.dossier.observations[1:]))
    public = public_form(replace(posterior.spec, dossier=dossier, texts={}))
    assert [o.id for o in public.dossier.observations[:2]] == ["private-1", "private-2"]


def test_a_private_text_in_a_public_part_is_refused(workspace: Path) -> None:
    file = workspace / "observations" / "tank.yaml"
    file.write_text(file.read_text().replace("An invented tank", "The tank of Quillfeather's  cousin"))
    with pytest.raises(SpecError, match="Quillfeather's cousin"):
        public_form(load(file))


def test_the_ledger_is_redacted_and_keeps_its_numbers(
    secrets: Any, assessment: Assessment, posterior: SimpleNamespace
) -> None:
    found = public_assessment(assessment, posterior.spec)
    assert [secret for secret in secrets if secret in repr(found)] == []
    assert found.ledger[1].predicted == assessment.ledger[1].predicted


def test_leaks_ignore_what_a_public_observation_says_too(posterior: SimpleNamespace) -> None:
    private = replace(posterior.spec.dossier.observations[1], origin="a bucket")
    dossier = replace(posterior.spec.dossier, observations=(posterior.spec.dossier.observations[0], private))
    found = leaks(replace(posterior.spec, dossier=dossier), {"page": "It came from a bucket, said whisper-7."})
    assert list(found) == [("page", "whisper-7")]


def test_leaks_are_seen_in_capitals_too(posterior: SimpleNamespace) -> None:
    (private,) = (o for o in posterior.spec.dossier.observations if o.private)
    found = list(leaks(posterior.spec, {"page": f"as {private.id.upper()} said"}))
    assert found == [("page", private.id)]


def test_an_origin_that_a_private_observation_shares_has_one_new_name(posterior: SimpleNamespace) -> None:
    first, private, echo = posterior.spec.dossier.observations
    shared = (replace(first, origin=private.origin), private, echo)
    candidate = Candidate("again", "Ask once more", "filling", origin=private.origin)
    dossier = replace(posterior.spec.dossier, observations=shared, candidates=(candidate,))
    public = public_form(replace(posterior.spec, dossier=dossier, texts={}))
    assert [o.origin for o in public.dossier.observations] == ["origin-1", "origin-1", None]
    assert public.dossier.candidates[0].origin == "origin-1"


def test_the_new_name_of_an_origin_avoids_those_of_others(posterior: SimpleNamespace) -> None:
    first, private, echo = posterior.spec.dossier.observations
    shared = (replace(first, origin="origin-1"), private, replace(echo, origin=private.origin))
    dossier = replace(posterior.spec.dossier, observations=shared)
    public = public_form(replace(posterior.spec, dossier=dossier, texts={}))
    assert [o.origin for o in public.dossier.observations] == ["origin-1", "origin-2", "origin-2"]


def test_an_origin_of_its_own_goes(posterior: SimpleNamespace) -> None:
    assert public_form(posterior.spec).dossier.observations[1].origin is None


def test_the_reason_of_a_private_withdrawal_is_withheld_in_the_ledger(
    assessment: Assessment, posterior: SimpleNamespace
) -> None:
    row = replace(
        assessment.ledger[1],
        withdrawn="2026-01-05: Quillfeather lied",
        aside="withdrawn: Quillfeather lied",
        predicted=None,
    )
    found = public_assessment(replace(assessment, ledger=(row,)), posterior.spec).ledger[0]
    assert (found.withdrawn, found.aside) == ("withheld", "withdrawn: withheld")


# --- audits and rankings ------------------------------------------------------------------------------------


def test_an_audit_is_redacted_and_keeps_its_numbers(secrets: Any, posterior: SimpleNamespace) -> None:
    spec = posterior.spec
    before = replace(examined.audit(spec), pool=examined.pool(spec))
    found = public_audit(before, spec)
    assert found.pool is None  # it has a redaction of its own
    assert "whisper-7" in repr(before)
    assert [secret for secret in secrets if secret in repr(found)] == []
    assert [u.unit.name for u in found.units] == ["public-1", "private-1"]
    assert [u.unit.ids for u in found.units] == [("public-1",), ("private-1",)]
    assert [(c.first, c.second) for c in found.contradictions] == [("public-1", "private-1")]
    assert found.notes[1] == "draws without private-1 under as_stated are out of their limits"
    assert [u.tipping for u in found.units] == [u.tipping for u in before.units]


def test_words_in_a_note_that_only_contain_a_private_name_stay(posterior: SimpleNamespace) -> None:
    noted = replace(examined.audit(posterior.spec), notes=("whisper-77, xwhisper-7 and whisper-7",))
    assert public_audit(noted, posterior.spec).notes == ("whisper-77, xwhisper-7 and private-1",)


def test_an_origin_that_a_private_observation_shares_is_renamed_in_both(
    secrets: Any, posterior: SimpleNamespace
) -> None:
    first, private, echo = posterior.spec.dossier.observations
    candidate = Candidate("again", "Ask once more", "filling", origin=private.origin)
    dossier = replace(
        posterior.spec.dossier,
        observations=(replace(first, origin=private.origin), private, echo),
        candidates=(candidate,),
    )
    spec = replace(posterior.spec, dossier=dossier, texts={})
    audited = public_audit(examined.audit(spec), spec)
    assert [(u.unit.kind, u.unit.name) for u in audited.units] == [
        ("observation", "public-1"), ("observation", "private-1"), ("origin", "origin-1"),
    ]  # fmt: skip
    ranked = public_ranking(examined.ranking(spec, origin=private.origin), spec)
    assert {w.origin for w in ranked.worths} == {"origin-1"}
    assert [secret for secret in secrets if secret in repr((audited, ranked))] == []


def test_an_audit_of_what_is_all_public_stays_as_it_is(posterior: SimpleNamespace) -> None:
    open_ones = tuple(replace(o, private=False) for o in posterior.spec.dossier.observations)
    spec = replace(posterior.spec, dossier=replace(posterior.spec.dossier, observations=open_ones))
    assert public_audit(examined.audit(spec), spec) == examined.audit(spec)
