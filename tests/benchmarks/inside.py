"""What is measured inside a process: one command a question, one JSON object on stdout.

python inside.py refit DOSSIER COUNT           seconds of refits, each without one observation
python inside.py gradient DOSSIER TURNS        seconds of a value with its gradient, against code written by hand
python inside.py readings DOSSIER COUNT TURNS  growth with the number of readings
python inside.py latents COUNT TURNS           growth with the number of latents
python inside.py tabulate FILE...              means, Monte Carlo errors and effective sizes of saved draws
"""

from __future__ import annotations

import ctypes
import json
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

import gaugeglass as gg

HERE = Path(__file__).parent
TOLERANCE = 1e-9  # relative; values agree to 1e-13 and gradients to 1e-10 where tails are far
_CALLED = ctypes.CFUNCTYPE(ctypes.c_int64, *[ctypes.c_uint64] * 5)  # addresses as whole numbers: the same registers


def refit(dossier: str, count: str) -> dict[str, Any]:
    density = _compiled(gg.load(dossier))
    whole = _fit(density, "held", draws=1000, chains=4)
    ids = [o.id for o in density.spec.evidence][: int(count)]
    return {
        "sampling": _seconds(lambda: _fit(density, "held", draws=1000, chains=4)),
        "seconds": [_seconds(lambda o=o: _fit(density, "held", out=o, near=whole)) for o in ids],
    }


def gradient(dossier: str, turns: str) -> dict[str, Any]:
    sys.path.insert(0, str(HERE / "heron"))
    import flat

    density = _compiled(gg.load(dossier))
    dials = density.pack(density.dials("held"))
    found = _fit(density, "held", draws=1000, chains=4)
    x = np.ascontiguousarray(found.x.reshape(-1, flat.SIZE)[::31])
    x[1::2] = found.centre + 2 * (x[1::2] - found.centre)  # and as far again from the middle
    expected = [density.log_density(point, dials) for point in x]
    contenders = {"gaugeglass": (density.address, dials), "numba by hand": (_callback(flat).address, flat.NUMBERS)}
    with tempfile.TemporaryDirectory() as folder:
        by_compiler = _c_function(Path(folder))
        if by_compiler:
            contenders["C by hand"] = (by_compiler, flat.NUMBERS)
        gaps = {name: _gap(address, x, d, expected) for name, (address, d) in contenders.items()}
        timers = {name: _timer(address, x, d) for name, (address, d) in contenders.items()}
        seconds: dict[str, list[float]] = {name: [] for name in contenders}
        for _ in range(5):
            for name, timer in timers.items():
                seconds[name].append(timer(int(turns)))
    return {"seconds": seconds, "gaps": gaps, "tolerance": TOLERANCE}


def readings(dossier: str, count: str, turns: str) -> dict[str, Any]:
    return _growth(_with_sessions(gg.load(dossier), int(count)), "held", int(turns))


def latents(count: str, turns: str) -> dict[str, Any]:
    spec = _pile(int(count))
    return _growth(spec, spec.hypotheses[0].name, int(turns))


def tabulate(*files: str) -> dict[str, Any]:
    from arviz_stats.base import array_stats

    axes = {"chain_axis": 0, "draw_axis": 1}
    found = {}
    for file in files:
        with np.load(file) as draws:
            found[file] = {
                name: {
                    "mean": float(draws[name].mean()),
                    "mcse": float(array_stats.mcse(draws[name], method="mean", **axes)),
                    "ess": float(array_stats.ess(draws[name], method="bulk", **axes)),
                }
                for name in draws.files
            }
    return found


# --- fits ---------------------------------------------------------------------------------------------------


def _compiled(spec: Any) -> Any:
    from gaugeglass.inference.density import compile_density

    return compile_density(spec)


def _fit(density: Any, hypothesis: str, *, out: str = "", near: Any = None, draws: int = 500, chains: int = 2) -> Any:
    from gaugeglass.inference.sampling import Settings, fit

    dials = density.dials(hypothesis, power={out: 0.0} if out else {})
    return fit(density, dials, Settings(1, draws=draws, tune=draws, chains=chains), near=near, strict=False)


def _seconds(work: Any) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _growth(spec: Any, hypothesis: str, turns: int) -> dict[str, Any]:
    import arviz_stats.base  # noqa: F401 - what the first fit of a process imports is no part of growth

    began = time.perf_counter()
    density = _compiled(spec)
    compiling = time.perf_counter() - began
    dials = density.pack(density.dials(hypothesis))
    x = 0.1 * np.random.default_rng(2).standard_normal((64, len(density.free)))
    timer = _timer(density.address, x, dials)
    timer(max(1, turns // 10))
    per_turn = median(timer(turns) for _ in range(5))
    began = time.perf_counter()
    found = _fit(density, hypothesis)
    return {
        "compiling": compiling,
        "gradient": per_turn,
        "refit": time.perf_counter() - began,
        "free": len(density.free),
        "readings": len(spec.evidence),
        "usable": bool(found.diagnostics.is_usable),
        "ess": float(found.diagnostics.ess_bulk),
    }


def _with_sessions(spec: Any, count: int) -> Any:
    """The dossier with as many more charging sessions as make ``count`` readings, made by the same method."""
    rng = np.random.default_rng(5)
    first = next(o for o in spec.evidence if o.id == "session-1")
    more = []
    for k in range(count - len(spec.evidence)):
        low, high = rng.uniform(5, 40), rng.uniform(70, 100)
        age, odometer = rng.uniform(0.2, 4.0), rng.uniform(3e3, 9e4)
        wall = 80.5 * np.exp(-(0.012 * age + 0.03 * odometer / 1e5)) * (high - low) / 100
        value = wall * (1 + 0.02 * rng.standard_t(4)) + 0.3 * rng.standard_normal()
        inputs = {"soc_start": low, "soc_end": high, "age": age, "odometer": odometer}
        more.append(replace(first, id=f"more-{k}", value=value, lower=value, upper=value, inputs=inputs))
    observations = (*spec.dossier.observations, *more)
    return replace(spec, dossier=replace(spec.dossier, observations=observations))


def _pile(count: int) -> Any:
    """Stones whose masses are latent, weighed ten at a time and all together."""
    names = [f"stone_{k}" for k in range(count)]
    tens = [names[k : k + 10] for k in range(0, count, 10)]
    prior = {"family": "lognormal", "median": "2 kg", "sigma": 0.3}
    normal = {"family": "normal"}
    heaps = {f"heap_{k}": {"about": "A heap", "unit": "kg", "equals": " + ".join(t)} for k, t in enumerate(tens)}
    model = {
        "title": "A pile of stones",
        "latents": {n: {"about": "A stone", "unit": "kg", "prior": prior, "because": "invented"} for n in names},
        "relations": {**heaps, "pile": {"about": "All of them", "unit": "kg", "equals": " + ".join(heaps)}},
        "methods": {
            **{f"weigh_{h}": {"about": "A scale", "measures": h, "likelihood": normal} for h in heaps},
            "weigh_pile": {"about": "A bridge", "measures": "pile", "likelihood": normal},
        },
    }
    observations = [{"id": h, "method": f"weigh_{h}", "value": "21 kg", "u": "0.5 kg"} for h in heaps]
    observations += [{"id": "pile", "method": "weigh_pile", "value": f"{2.1 * count} kg", "u": "2 kg"}]
    return gg.specify(model, {"dossier": "pile", "subject": "A pile of stones", "observations": observations})


# --- a value with its gradient ------------------------------------------------------------------------------


def _callback(flat: Any) -> Any:
    """The function written by hand, called as a sampler calls a density."""
    import numba

    size, length, one = flat.SIZE, len(flat.NUMBERS), flat.log_density
    pointer = numba.types.CPointer(numba.types.float64)

    @numba.cfunc(numba.types.int64(numba.types.uint64, pointer, pointer, pointer, pointer))
    def callback(dim, x, g, out, d):
        gradient = numba.carray(g, (size,))
        out[0] = one(numba.carray(x, (size,)), gradient, numba.carray(d, (length,)))
        for i in range(size):
            if not np.isfinite(gradient[i]):
                return 3
        return 0 if np.isfinite(out[0]) else 4

    return callback


def _c_function(folder: Path) -> int:
    """Address of the function of ``flat.c``, or 0 where there is no C compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        return 0
    made = folder / "flat.so"
    flags = ["-O3", "-march=native", "-shared", "-fPIC"]
    subprocess.run([compiler, *flags, str(HERE / "heron" / "flat.c"), "-o", str(made), "-lm"], check=True)
    library = ctypes.CDLL(str(made))
    return int(ctypes.cast(library.log_density, ctypes.c_void_p).value or 0)


def _gap(address: int, x: Any, d: Any, expected: list[tuple[float, Any]]) -> float:
    """The largest relative difference from values and gradients, in components above 1; absolute below."""
    call, worst = _CALLED(address), 0.0
    g, out = np.empty(x.shape[1]), np.empty(1)
    for point, (value, slope) in zip(x, expected, strict=True):
        status = call(x.shape[1], point.ctypes.data, g.ctypes.data, out.ctypes.data, d.ctypes.data)
        if status != 0:
            return float("inf")
        gaps = np.abs(np.append(g - slope, out[0] - value)) / np.maximum(1, np.abs(np.append(slope, value)))
        worst = max(worst, float(gaps.max()))
    return worst


def _timer(address: int, x: Any, d: Any) -> Any:
    """A function that says the seconds of one call, measured in a compiled loop over points."""
    import numba

    call, word = _CALLED(address), numba.types.uint64

    @numba.njit(numba.types.int64(*[word] * 7))
    def loop(turns, size, points, x, g, out, d):
        faults = 0
        for k in range(turns):
            faults += call(size, x + 8 * size * (k % points), g, out, d) != 0
        return faults

    g, out = np.empty(x.shape[1]), np.empty(1)

    def timed(turns: int) -> float:
        began = time.perf_counter()
        loop(turns, x.shape[1], len(x), x.ctypes.data, g.ctypes.data, out.ctypes.data, d.ctypes.data)
        return (time.perf_counter() - began) / turns

    return timed


COMMANDS = {f.__name__: f for f in (refit, gradient, readings, latents, tabulate)}


def main(words: list[str]) -> dict[str, Any]:
    if "+" not in words:
        return COMMANDS[words[0]](*words[1:])
    questions = " ".join(words).removesuffix(" +").split(" + ")
    return {"all": [main(question.split()) for question in questions]}


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1:])))  # noqa: T201
