"""The van under hypothesis 'held' by gaugeglass: load, compile, draw.

    python gaugeglass_fit.py DOSSIER FILE

Draws go to FILE, seconds of each step to stdout. What the other contenders vary in their scripts (one more reading,
another equation) stands here in the files of the workspace.
"""

from __future__ import annotations

import json
import sys
import time

TABULATED = {
    "held_back": "held_back", "usable": "usable", "reserve": "reserve", "noncell_mass": "noncell_mass",
    "city_consumption": "city_consumption", "session_scatter": "session_scatter",
    "cell_voltage": "cell_nominal_voltage",
}  # fmt: skip


def main(dossier: str, file: str) -> None:
    began = time.perf_counter()
    import numpy as np

    import gaugeglass as gg
    from gaugeglass.inference.density import compile_density
    from gaugeglass.inference.sampling import Settings, fit

    spec = gg.load(dossier)
    loaded = time.perf_counter()
    density = compile_density(spec)
    compiled = time.perf_counter()
    found = fit(density, density.dials("held"), Settings(seed=1))
    seconds = {"loading": loaded - began, "compiling": compiled - loaded, "sampling": time.perf_counter() - compiled}
    np.savez(file, **{name: found.quantities[own] for name, own in TABULATED.items()})
    print(json.dumps(seconds))  # noqa: T201


if __name__ == "__main__":
    main(*sys.argv[1:])
