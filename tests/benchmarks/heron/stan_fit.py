"""The van under hypothesis 'held' in Stan, by pystan; arguments and cases are those of ``numpyro_fit.py``."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from pathlib import Path

import numpy as np
import stan

TABULATED = ["held_back", "usable", "reserve", "noncell_mass", "city_consumption", "session_scatter", "cell_voltage"]
START = {
    "cell_energy": 200.0, "specimen": 1.0, "cell_specific_energy": 240.0, "cell_voltage": 3.7, "buffer": 0.05,
    "held_back": 0.1, "fade_per_year": 0.012, "fade_per_100000_km": 0.03, "discharge_efficiency": 0.98,
    "charge_efficiency": 0.88, "session_ratio": 0.98, "session_scatter": 0.02, "city_consumption": 160.0,
    "highway_ratio": 1.08, "label_factor": 0.715, "noncell_ratio": 0.5, "glider_mass": 2000.0,
    "glider_difference": 0.0, "reference_pack_mass": 258.0,
}  # fmt: skip
"""Stan starts between -2 and 2 on its unconstrained scale, where a glider weighs a few kilograms."""


def build(program: str, bench: list[tuple[float, float]]):
    value, u = zip(*bench, strict=True)
    return stan.build(program, data={"n": len(bench), "bench": value, "bench_u": u}, random_seed=1)


def sample(model, draws: int, chains: int):
    began = time.perf_counter()
    fit = model.sample(num_chains=chains, num_warmup=draws, num_samples=draws, init=[START] * chains)
    return fit, time.perf_counter() - began


def main(case: str, file: str) -> None:
    program = Path(__file__).with_name("van.stan").read_text(encoding="utf-8")
    if case == "edited":
        program = program.replace("cells_mass * noncell_ratio;", "cells_mass * noncell_ratio + 10;")
    stated = [(199.0, 1.2), (192.6, 1.5)]
    seconds = {}
    with contextlib.redirect_stdout(sys.stderr):
        fit, seconds["sampling"] = sample(
            build(program, [*stated, (198.1, 1.0)] if case == "more" else stated), 1000, 4
        )
        np.savez(file, **{name: fit[name].reshape(1000, 4).T for name in TABULATED})
        if case == "refit":
            began = time.perf_counter()
            sample(build(program, [(198.0, 1.2), (192.6, 1.5)]), 500, 2)
            seconds["refit"] = time.perf_counter() - began
    print(json.dumps(seconds))  # noqa: T201


if __name__ == "__main__":
    main(*sys.argv[1:])
