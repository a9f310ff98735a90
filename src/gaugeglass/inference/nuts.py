"""NUTS by nutpie on a bare function pointer: the only module that makes private library calls.

nutpie's public way for a function of one's own costs 30-50 µs a gradient and its package imports seconds of
libraries that are not used here, so its compiled module is loaded by itself. The version is pinned in pyproject.toml.
"""

from __future__ import annotations

import ctypes
import functools
import importlib.machinery
import importlib.util
import sys
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaugeglass.errors import InferenceError
from gaugeglass.inference import tails
from gaugeglass.inference.machine import Machine, build

type Floats = NDArray[np.float64]

_SCATTER = 0.5  # prior standard deviations
_STARTS = 500  # as many as the sampler itself tries
_PANIC = "PanicException"  # what a panic of the sampler's own language becomes; it is no Exception
_WRONG = "a given of the wrong sign, a value, u or prior that is wrong by powers of ten"

SAMPLER = f"nutpie {version('nutpie')}"


@dataclass(frozen=True)
class Chains:
    """What the sampler returned, tuning left out.

    ``x`` dims: ("chain", "draw", "free"); ``diverging``, ``energy``, ``steps`` dims: ("chain", "draw").
    """

    x: Floats
    diverging: NDArray[np.bool_]
    energy: Floats
    steps: NDArray[np.int64]


def draw(address: int, packed: Floats, start: Floats, *, chains: int, draws: int, tune: int, seed: int, accept: float,
         cores: int, low_rank: bool = False) -> Chains:  # fmt: skip
    """Draw from a compiled density.

    Parameters
    ----------
    address, packed
        The C function and the dials that it reads; ``packed`` is kept alive here while it is read.
    start : dims ("free",)
        About where chains start, in standardised coordinates; each is moved from it by its own seed.
    accept
        Aimed acceptance probability. [1]

    Raises
    ------
    InferenceError
        If there is nowhere that a chain could start, or the sampler stops.
    """
    lib = _library()
    size = len(start)
    _refuse_without_start(address, packed, start)
    make = lib.PyNutsSettings.LowRank if low_rank else lib.PyNutsSettings.Diag
    settings = make(seed)
    settings.update({"num_tune": tune, "num_draws": draws, "num_chains": chains, "target_accept": accept})
    dials, identity = packed.ctypes.data, _identity()
    model = lib.PyMcModel(
        lib.LogpFunc(address, dials, packed),
        lib.ExpandFunc(size, size, identity.addresses["copy"], dials, (packed, identity)),
        lib.PyVariable.new_variables(["x"], ["float64"], [(size,)], {"free": size}, {"x": ("free",)}),
        size,
        {"free": size},
        {},
        lambda own: _scattered(start, own),
        None,
    )
    sampler = lib.PySampler.from_pymc(
        settings, cores, model, lib.ProgressType.none(), None, 1000, lib.PyStorage.arrow()
    )
    try:
        sampler.wait(None)
        results = sampler.take_results()
    except KeyboardInterrupt:
        sampler.abort()
        raise
    except RuntimeError as problem:
        raise InferenceError(_why_stopped(problem)) from problem
    except BaseException as problem:
        if type(problem).__name__ == _PANIC:
            raise InferenceError(_why_stopped(problem)) from problem
        raise
    drawn, stats = results.get_arrow_trace()
    return _chains(drawn, stats, size)


def _refuse_without_start(address: int, packed: Floats, start: Floats) -> None:
    """Refuse a density without a value and a slope about where chains start.

    The sampler would find out by itself, but then its other chains are still at work when the program ends.
    """
    enter = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_int64, *[ctypes.c_void_p] * 4)(address)
    gradient, value = np.empty(len(start)), np.empty(1)
    for seed in range(_STARTS):
        x = np.ascontiguousarray(_scattered(start, seed) if seed else start, dtype=np.float64)
        pointers = (a.ctypes.data for a in (x, gradient, value, packed))
        if enter(len(start), *pointers) == 0 and np.isfinite(gradient @ gradient):
            return
    raise InferenceError(
        "the evidence is impossible, or too improbable to compute, wherever chains could start\n"
        f"  what often causes it: {_WRONG}"
    )


def _why_stopped(problem: BaseException) -> str:
    """What the sampler said, without its own stack."""
    said = " ".join(str(problem).partition("Stack backtrace")[0].split())
    return f"the sampler stopped: {said}\n  what often causes it: {_WRONG}"


def _scattered(start: Floats, seed: int) -> Floats:
    """A chain's own start: overdispersed against most posteriors, tame against every prior."""
    return start + _SCATTER * np.random.default_rng(seed).standard_normal(len(start))


def _chains(draws: Any, stats: Any, size: int) -> Chains:
    kept = [~_column(s, "tuning").astype(bool) for s in stats]
    return Chains(
        np.stack([_column(d, "x").reshape(-1, size)[k] for d, k in zip(draws, kept, strict=True)]),
        np.stack([_column(s, "diverging").astype(bool)[k] for s, k in zip(stats, kept, strict=True)]),
        np.stack([_column(s, "energy")[k] for s, k in zip(stats, kept, strict=True)]),
        np.stack([_column(s, "n_steps").astype(np.int64)[k] for s, k in zip(stats, kept, strict=True)]),
    )


def _column(batch: Any, name: str) -> Any:
    """The numbers of a column, read from its memory: pyarrow's own conversions load pandas."""
    import pyarrow

    column = pyarrow.Array._import_from_c_capsule(*batch.column(name).__arrow_c_array__())
    flat = column.flatten() if hasattr(column, "flatten") else column
    memory = np.frombuffer(flat.buffers()[1], dtype=np.uint8)
    if pyarrow.types.is_boolean(flat.type):
        return np.unpackbits(memory, bitorder="little")[flat.offset : flat.offset + len(flat)].astype(bool)
    numbers = memory[: len(memory) // (flat.type.bit_width // 8) * (flat.type.bit_width // 8)]
    return numbers.view(flat.type.to_pandas_dtype())[flat.offset : flat.offset + len(flat)]


@functools.cache
def _library() -> Any:
    """Nutpie's compiled module, without its package."""
    if "nutpie._lib" in sys.modules:
        return sys.modules["nutpie._lib"]
    package = importlib.util.find_spec("nutpie")
    if package is None or package.submodule_search_locations is None:
        raise InferenceError("nutpie is not installed")
    for folder in package.submodule_search_locations:
        for suffix in importlib.machinery.EXTENSION_SUFFIXES:
            path = Path(folder) / f"_lib{suffix}"
            if path.exists():
                return _load(path)
    raise InferenceError(f"{SAMPLER} has no compiled module; install a wheel of it")


def _load(path: Path) -> Any:
    spec = importlib.util.spec_from_file_location("nutpie._lib", path)
    if spec is None or spec.loader is None:
        raise InferenceError(f"{path.name} of {SAMPLER} cannot be loaded")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@functools.cache
def _identity() -> Machine:
    """The C function that hands a draw on as it is."""
    source = """
def copy(dim: int, expanded: int, x: Array, out: Array, d: Array) -> int:
    for i in range(dim):
        out[i] = x[i]
    return 0
"""
    return build(source, tails)
