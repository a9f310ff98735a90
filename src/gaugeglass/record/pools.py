"""The pool of draws that a page carries, on record: its codes as they are, and whatever it says as one text."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from gaugeglass.errors import StoreError

if TYPE_CHECKING:
    import xarray as xr

    from gaugeglass.judgement.pools import Pool


def packed(pool: Pool) -> xr.DataTree:
    """A pool as one dataset: ``codes``, dims ("column", "draw"), and ``texts``, the bytes of a text of JSON.

    The text stands in a variable, since an attribute may not be longer than 64 kB and has no checksum.
    """
    import numpy as np
    import xarray as xr

    texts = np.frombuffer(text_of(pool).encode(), dtype=np.uint8)
    return xr.DataTree(xr.Dataset({"codes": (("column", "draw"), pool.codes), "texts": (("byte",), texts)}))


def unpacked(path: Path) -> Pool:
    """The pool that such a file holds.

    Raises
    ------
    StoreError
        If the file is damaged.
    """
    import xarray as xr

    from gaugeglass.judgement.pools import Pool

    try:
        with xr.open_dataset(path, engine="h5netcdf") as found:
            texts = json.loads(found["texts"].to_numpy().tobytes())
            return Pool.read(texts, found["codes"].to_numpy())
    except (OSError, KeyError, ValueError, TypeError) as problem:
        raise StoreError(f"{path} is damaged: {problem}") from problem


def text_of(pool: Pool) -> str:
    """All that a pool says in words and numbers, but for its codes."""
    return json.dumps(pool.texts(), ensure_ascii=False)
