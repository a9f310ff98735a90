"""Tables of observations in a recorded run, and in the public form of one: what is private stays out of both."""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from gaugeglass import make_public
from gaugeglass.errors import SpecError
from gaugeglass.judgement.results import Assessment, LedgerRow
from gaugeglass.language.files import load
from gaugeglass.language.spec import Observation, Spec
from gaugeglass.publication.audits import audit_document
from gaugeglass.publication.prospects import ranking_document
from gaugeglass.record import redaction, runs
from gaugeglass.record.leaks import leaks
from gaugeglass.record.pools import text_of
from record import examined

MODEL = """\
format: 1
title: Tanks
groups: {tank: {about: A tank}}
latents:
  volume:
    about: Volume of a tank
    unit: L
    per: tank
    prior: {family: lognormal, from: {file: volumes.csv, column: volume, unit: L}}
    because: Tanks of this kind
methods:
  filling:
    about: Fill it and count
    measures: volume
    likelihood: {family: normal}
    shared: {by: origin, u: 1 %}
claims:
  large: {says: The tanks hold more than 100 L, holds: mean(volume) > 100 L}
"""

VOLUMES = "volume\n90\n95\n100\n105\n110\n"

DOSSIER = """\
format: 1
dossier: tanks
model: tanks
subject: Invented tanks
members: {tank: [T1, T2]}
observations:
  - {id: mine-1, method: filling, value: 104 ± 2 L, at: {tank: T1}, origin: the keeper}
  - {id: mine-2, method: filling, value: 106 ± 2 L, at: {tank: T2}, origin: the keeper}
  - {id: whisper-7, method: filling, value: 98 ± 3 L, at: {tank: T1}, origin: Quillfeather, private: true}
  - {id: whisper-8, method: filling, value: 99 ± 3 L, at: {tank: T1}, origin: Smokethistle, private: true}
tables:
  - id: open-days
    file: days.csv.gz
    method: filling
    value: {column: litres, unit: L}
    u: 2 L
    at: {tank: {column: which}}
    origin: {column: by}
    where: {which: T1}
  - id: ledger-of-quillfeather
    file: books/quillfeather.csv
    method: filling
    value: {column: told by Quillfeather, unit: L}
    u: {column: spread}
    at: {tank: {column: which}}
    origin: {column: teller}
    note: {column: remark}
    where: {which: T1}
    source: {title: Bogbean's notebook}
    private: true
  - id: open-book
    file: books/quillfeather.csv
    method: filling
    value: {column: told by Quillfeather, unit: L}
    u: {column: spread}
    at: {tank: T2}
    origin: the keeper
    where: {which: T2}
correlations:
  - {between: [mine-1, whisper-7], r: 0.2}
"""

DAYS = "which,litres,by,idle\nT1,103,the keeper,x\nT2,99,the keeper,y\nT1,101,Quillfeather,z\n"
BOOK = (
    "which,told by Quillfeather,spread,teller,remark\n"
    "T1,97,3,Quillfeather,overheard\nT2,102,2,Mugwort,\nT1,96,3,Mugwort,\"after the \"\"fair\"\"\"\nT2,103,2,Mugwort,\n"
)  # fmt: skip
SECRETS = (
    "whisper", "uillfeather", "Smokethistle", "Mugwort", "Bogbean", "overheard", "fair", "remark", "teller", "ledger-of",
)  # fmt: skip


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    for kind in ("models", "observations/books"):
        (tmp_path / kind).mkdir(parents=True)
    (tmp_path / "models" / "tanks.yaml").write_text(MODEL)
    (tmp_path / "models" / "volumes.csv").write_text(VOLUMES)
    (tmp_path / "observations" / "tanks.yaml").write_text(DOSSIER)
    (tmp_path / "observations" / "days.csv.gz").write_bytes(gzip.compress(DAYS.encode()))
    (tmp_path / "observations" / "books" / "quillfeather.csv").write_text(BOOK)
    return load(tmp_path / "observations" / "tanks.yaml")


@pytest.fixture
def posterior(spec: Spec) -> SimpleNamespace:
    draws = np.random.default_rng(1).normal(100, 2, (2, 1, 100))
    group = xr.Dataset(
        {"volume": (("tank", "chain", "draw"), draws), "hypothesis": (("chain", "draw"), draws[0])},
        {"tank": ["T1", "T2"]},
    )
    return SimpleNamespace(
        spec=spec, seed=1, settings={"draws": 50, "chains": 4}, note="", versions={}, seconds={},
        fits={"as_stated": SimpleNamespace(diagnostics={})},
        weights=SimpleNamespace(names=("as_stated",), evidences=({"log": -1.0},)),
        tree=xr.DataTree.from_dict({"posterior": group, "prior": group}),
    )  # fmt: skip


def ledger_of(spec: Spec) -> tuple[LedgerRow, ...]:
    rows = [_row(o.id, o) for o in spec.dossier.observations]
    return (*rows, *(replace(_row(t.id, t.rows[0]), rows=len(t.rows), outside=0.1) for t in spec.dossier.tables))


def _row(name: str, o: Observation) -> LedgerRow:
    return LedgerRow(name, o.method, "Fill it and count", "L", o.stated, o.value, o.lower, o.upper, o.u, o.origin,
                     o.date, o.source.title, o.source.url, o.note, o.private, None, None, None)  # fmt: skip


def again(public: Spec, folder: Path) -> Spec:
    """A spec whose texts are written to files and read again."""
    for file, text in public.texts.items():
        path = folder / runs._place_of(file, public)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return load(folder / "inputs" / "observations" / "tanks.yaml")


def bare(observations: tuple[Observation, ...]) -> list[Observation]:
    return [o if o.table else replace(o, line=None) for o in observations]


def test_a_run_keeps_every_table_where_its_owner_names_it(
    posterior: Any, assessment: Assessment, tmp_path: Path
) -> None:
    folder = runs.write(posterior, assessment, (), None, tmp_path / "reports")
    kept = {str(p.relative_to(folder / "inputs")) for p in (folder / "inputs").rglob("*") if p.is_file()}
    assert kept == {
        "models/tanks.yaml", "models/volumes.csv", "observations/tanks.yaml", "observations/days.csv.gz",
        "observations/books/quillfeather.csv",
    }  # fmt: skip
    assert gzip.decompress((folder / "inputs/observations/days.csv.gz").read_bytes()).decode() == DAYS
    assert runs.read(folder).spec().observations == posterior.spec.observations


def test_draws_of_members_come_back_one_by_one(posterior: Any, assessment: Assessment, tmp_path: Path) -> None:
    before, after = runs.read(runs.write(posterior, assessment, (), None, tmp_path / "reports")).draws()
    assert set(after) == set(before) == {"volume[T1]", "volume[T2]", "hypothesis"}
    assert np.array_equal(after["volume[T2]"], posterior.tree["posterior"]["volume"].to_numpy()[1].ravel())


@pytest.mark.parametrize("file", ["../../etc/rows.csv", "/etc/rows.csv", "elsewhere/rows.csv"])
def test_no_input_is_written_outside_of_the_inputs(spec: Spec, file: str) -> None:
    assert runs._place_of(file, spec) == "inputs/models/rows.csv"


def test_the_file_of_a_private_table_is_withheld(spec: Spec) -> None:
    public = redaction.public_form(spec)
    whole = "\n".join([*public.texts, *public.texts.values()]) + repr(public.dossier)
    assert [secret for secret in SECRETS if secret in whole] == []


def test_the_public_form_of_tables_reads_as_the_public_spec(spec: Spec, tmp_path: Path) -> None:
    public = redaction.public_form(spec)
    found = again(public, tmp_path / "again")
    assert bare(found.observations) == bare(public.observations)
    assert found.dossier.tables == public.dossier.tables
    assert found.dossier.correlations == public.dossier.correlations


def test_numbers_and_places_of_private_rows_stay(spec: Spec) -> None:
    told = [(o.value, o.u, o.at, o.private) for o in spec.observations]
    assert [(o.value, o.u, o.at, o.private) for o in redaction.public_form(spec).observations] == told


def test_readings_share_an_origin_in_public_where_they_did(spec: Spec) -> None:
    public = redaction.public_form(spec)
    origins = [(a.origin, b.origin) for a, b in zip(spec.observations, public.observations, strict=True)]
    assert len(set(origins)) == len({a for a, _ in origins})
    assert dict(origins) == {
        "the keeper": "the keeper", "Quillfeather": "origin-1", "Smokethistle": None, "Mugwort": "origin-2",
    }  # fmt: skip


def test_rows_of_public_tables_keep_their_ids(spec: Spec) -> None:
    public = redaction.public_form(spec)
    ids = {t.id: [row.id for row in t.rows] for t in public.dossier.tables}
    assert ids == {
        "open-days": ["open-days:2", "open-days:4"],
        "private-table-1": ["private-table-1:2", "private-table-1:3"],
        "open-book": ["open-book:3", "open-book:5"],
    }


def test_a_correlation_follows_the_new_id(spec: Spec) -> None:
    assert redaction.public_form(spec).dossier.correlations[0].between == ("mine-1", "private-1")


def test_a_public_file_of_nothing_private_stays_as_it_was(spec: Spec) -> None:
    """Where no row of it bears a private origin, there is no reason to write it anew."""
    days, text = Path(spec.dossier.file).parent / "days.csv.gz", DAYS.replace("Quillfeather", "a neighbour")
    days.write_bytes(gzip.compress(text.encode()))
    public = redaction.public_form(load(spec.dossier.file))
    assert public.texts[str(days)] == text


def test_the_ledger_of_tables_is_redacted(spec: Spec, assessment: Assessment) -> None:
    rows = (*ledger_of(spec), replace(ledger_of(spec)[0], id="echo-1", aside="repeats whisper-7"))
    found = redaction.public_assessment(replace(assessment, ledger=rows), spec).ledger
    assert [secret for secret in SECRETS if secret in repr(found)] == []
    assert [row.id for row in found[-4:]] == ["open-days", "private-table-1", "open-book", "echo-1"]
    assert found[-1].aside == "repeats private-1"
    assert [row.origin for row in found[:4]] == ["the keeper", "the keeper", "origin-1", None]
    assert [row.outside for row in found[4:7]] == [0.1, 0.1, 0.1]


def test_a_private_text_in_a_public_table_is_refused(spec: Spec) -> None:
    """A cell that is not even read, behind quotes that hide it from a search of the text alone."""
    days = Path(spec.dossier.file).parent / "days.csv.gz"
    text = DAYS.replace("Quillfeather", "a neighbour").replace("keeper,y", 'keeper,"after the ""fair"""')
    days.write_bytes(gzip.compress(text.encode()))
    with pytest.raises(SpecError, match=r"days\.csv\.gz"):
        redaction.public_form(load(spec.dossier.file))


def test_the_public_form_of_a_run_says_nothing_private(posterior: Any, assessment: Assessment, tmp_path: Path) -> None:
    told = replace(assessment, ledger=ledger_of(posterior.spec))
    run = runs.read(runs.write(posterior, told, (), None, tmp_path / "reports"))
    private = run.spec()
    public, found = redaction.public_form(private), redaction.public_assessment(run.assessment, private)
    folder = runs.write_public(run, public, found, (), "<html></html>")
    texts = [str(p) + p.read_bytes().decode("latin-1") for p in (folder / "inputs").rglob("*") if p.is_file()]
    assert [secret for secret in SECRETS if any(secret in text for text in texts)] == []
    assert bare(runs.read(folder).spec().observations) == bare(public.observations)


def test_five_thousand_private_rows_are_looked_for_at_once(spec: Spec) -> None:
    first = spec.dossier.tables[1].rows[0]
    rows = tuple(replace(first, id=f"t:{k}", note=f"said by pump {k}", origin=f"o-{k}") for k in range(5000))
    table = replace(spec.dossier.tables[1], id="t", rows=rows)
    many = replace(spec, dossier=replace(spec.dossier, tables=(table,)))
    page = "<p>said by pump 17</p>" + "said by nobody at all; pump. " * 40_000
    assert list(leaks(many, {"page": page, "other": page[30:]})) == [("page", "said by pump 17")]


def test_numbers_and_members_are_no_secrets(spec: Spec) -> None:
    rows = tuple(replace(row, origin="2026", note="T1") for row in spec.dossier.tables[1].rows)
    tables = (spec.dossier.tables[0], replace(spec.dossier.tables[1], rows=rows), spec.dossier.tables[2])
    found = leaks(replace(spec, dossier=replace(spec.dossier, tables=tables)), {"page": "T1 in 2026"})
    assert list(found) == []


def test_packed_pictures_in_a_page_are_not_searched(spec: Spec) -> None:
    page = '<img src="data:image/svg+xml;base64,AAAA/Smokethistle+BBBB=">'
    assert list(leaks(spec, {"page": page})) == []
    assert list(leaks(spec, {"page": page + "Smokethistle"})) == [("page", "Smokethistle")]


def test_a_packed_pool_in_a_page_is_not_searched_but_its_words_are(spec: Spec) -> None:
    page = '<script type="application/json">{"units": [], "data": "AAAA/Smokethistle+BBBB=="}</script>'
    assert list(leaks(spec, {"page": page})) == []
    assert list(leaks(spec, {"page": page.replace("[]", '["Smokethistle"]')})) == [("page", "Smokethistle")]


def test_a_private_table_keeps_just_the_columns_that_inference_needs(spec: Spec) -> None:
    public = redaction.public_form(spec)
    text = next(text for file, text in public.texts.items() if file.endswith("private-table-1.csv"))
    assert list(csv.reader(text.splitlines())) == [
        ["value", "u", "at tank", "origin"],
        ["97", "3", "T1", "origin-1"],
        ["96", "3", "T1", "origin-2"],
    ]


# --- with an audit and candidates ---------------------------------------------------------------------------


@pytest.fixture
def whole(posterior: Any, assessment: Assessment, tmp_path: Path) -> Path:
    """A run with everything that a run may have, but for its page."""
    spec = posterior.spec
    told = replace(assessment, ledger=ledger_of(spec), quantities=())
    made = runs.Examined(
        audit_document(examined.audit(spec), spec),
        ranking_document(examined.ranking(spec, origin="Quillfeather"), spec),
        examined.pool(spec),
    )
    return runs.write(posterior, told, (), None, tmp_path / "reports", examined=made)


def test_an_audit_and_a_ranking_are_read_with_the_run(whole: Path, spec: Spec) -> None:
    run = runs.read(whole)
    assert run.audit == replace(examined.audit(spec), subject=run.assessment.subject)
    assert run.ranking == examined.ranking(spec, origin="Quillfeather")


def test_the_public_form_of_a_run_with_everything_says_nothing_private(whole: Path) -> None:
    """Every file by its name and its bytes, pictures' words and numbers included, and the page."""
    public = make_public(whole)
    found = {str(p.relative_to(public)): p.read_bytes().decode("latin-1") for p in public.rglob("*") if p.is_file()}
    assert {"report.html", "result.json", "figures/influence.json", "figures/tipping.svg"} <= set(found)
    leaked = [(name, secret) for name, text in found.items() for secret in SECRETS if secret in name + text]
    assert leaked == []
    run = runs.read(public)
    assert run.audit is not None
    assert run.ranking is not None
    assert [(u.unit.kind, u.unit.name) for u in run.audit.units] == [
        ("observation", "mine-1"), ("observation", "mine-2"), ("observation", "private-1"), ("observation", "private-2"),
        ("origin", "the keeper"), ("origin", "origin-1"), ("table", "open-days"), ("table", "private-table-1"),
        ("table", "open-book"),
    ]  # fmt: skip
    assert {w.origin for w in run.ranking.worths} == {"origin-1"}
    assert run.audit.units[2].tipping == runs.read(whole).audit.units[2].tipping  # type: ignore[union-attr]
    assert "Without private-1" in found["report.html"]
    told, pool = runs.read(whole).pool(), run.pool()
    assert told is not None
    assert pool is not None
    assert [(a.name, a.origin) for a in pool.atoms[2:]] == [
        ("private-1", "origin-1"), ("private-2", "withheld"), ("open-days", "the keeper"), ("open-days", "origin-1"),
        ("private-table-1", "origin-1"), ("private-table-1", "origin-2"), ("open-book", "the keeper"),
    ]  # fmt: skip
    assert [secret for secret in SECRETS if secret in text_of(pool)] == []
    assert np.array_equal(pool.codes, told.codes)
