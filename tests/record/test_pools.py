from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from gaugeglass.errors import StoreError
from gaugeglass.judgement.pools import Pool
from gaugeglass.judgement.results import Assessment
from gaugeglass.record import pools, runs
from gaugeglass.record.redaction import public_pool
from record import examined


@pytest.fixture
def pool(posterior: SimpleNamespace) -> Pool:
    return examined.pool(posterior.spec)


@pytest.fixture
def folder(pool: Pool, posterior: Any, assessment: Assessment, tmp_path: Path) -> Path:
    return runs.write(posterior, assessment, (), None, tmp_path / "reports", examined=runs.Examined(pool=pool))


def test_a_pool_is_read_as_it_was_written(folder: Path, pool: Pool) -> None:
    found = runs.read(folder).pool()
    assert found is not None
    assert np.array_equal(found.codes, pool.codes)
    assert found.codes.dtype == np.uint16
    assert json.dumps(found.texts()) == json.dumps(pool.texts())
    for before, after in zip(pool.columns, found.columns, strict=True):
        assert np.array_equal(before.values, after.values, equal_nan=True)


def test_a_pool_that_says_much_is_read_too(pool: Pool, tmp_path: Path) -> None:
    """More than the 64 kB that an attribute of such a file may hold."""
    long = replace(pool, atoms=(replace(pool.atoms[0], name="x" * 100_000), *pool.atoms[1:]))
    (tmp_path / "pool.nc").write_bytes(runs.serialise(pools.packed(long)))
    assert pools.unpacked(tmp_path / "pool.nc").atoms == long.atoms


def test_every_block_of_a_pool_has_a_checksum(folder: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(folder / "pool.nc") as file:
        assert [file[name].fletcher32 for name in ("codes", "texts")] == [True, True]


def test_a_damaged_pool_is_refused(folder: Path) -> None:
    (folder / "pool.nc").write_bytes(b"no pool")
    with pytest.raises(StoreError, match=r"pool\.nc is not as it was written"):
        runs.read(folder)
    with pytest.raises(StoreError, match=r"pool\.nc is damaged"):
        pools.unpacked(folder / "pool.nc")


def test_a_run_without_one_has_none(posterior: Any, assessment: Assessment, tmp_path: Path) -> None:
    run = runs.read(runs.write(posterior, assessment, (), None, tmp_path / "reports"))
    assert run.pool() is None
    assert not (run.folder / "pool.nc").exists()


def test_a_public_pool_keeps_its_codes_and_says_nothing_private(
    secrets: Any, pool: Pool, posterior: SimpleNamespace
) -> None:
    assert "whisper-7" in pools.text_of(pool)
    found = public_pool(pool, posterior.spec)
    assert [secret for secret in secrets if secret in pools.text_of(found)] == []
    assert [r.id for r in found.readings] == ["public-1", "private-1"]
    assert [a.origin for a in found.atoms] == ["a bucket", "withheld"]
    assert np.array_equal(found.codes, pool.codes)


def test_a_pool_that_still_says_something_private_is_not_written(folder: Path) -> None:
    from gaugeglass.record import redaction

    run = runs.read(folder)
    private = run.spec()
    spec, assessment = redaction.public_form(private), redaction.public_assessment(run.assessment, private)
    with pytest.raises(StoreError, match=r"private text is left in pool\.nc"):
        runs.write_public(run, spec, assessment, (), "<html></html>", examined=runs.Examined(pool=run.pool()))
    assert list(folder.parent.iterdir()) == [folder]
