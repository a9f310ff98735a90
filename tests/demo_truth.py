"""The truth behind the demo dossier, and the simulation that made its values.

Written with numpy alone and apart from the engine, so that the two can be held against each other. The relations below
are those of ``models/traction-pack.yaml``, in plain numbers.
"""

from __future__ import annotations

from math import exp, floor, inf, sqrt

import numpy as np

SEED = 35

HYPOTHESIS = "held"
"""The hypothesis that is true of the demo."""

GIVENS: dict[str, float] = {
    "cells_per_group": 4,  # [1]
    "groups_per_module": 17,  # [1]
    "modules": 6,  # [1]
    "subject_age": 3.0,  # [year]
    "subject_odometer": 60_000.0,  # [km]
    "stated_usable": 68.0,  # [kWh]
    "range_wanted": 310.0,  # [km]
    "reference_cell_energy": 17.5,  # [Wh]
    "reference_cell_mass": 0.070,  # [kg]
}

TRUTH: dict[str, float] = {
    "cell_energy": 199.2,  # [Wh]
    "specimen": 1.006,  # [1]
    "cell_specific_energy": 246.0,  # [Wh/kg]
    "cell_nominal_voltage": 3.67,  # [V]
    "buffer": 0.045,  # [1]
    "held_back": 0.11,  # [1]
    "fade_per_year": 1.3,  # [%/year]
    "fade_per_100000_km": 3.5,  # [%]
    "discharge_efficiency": 0.982,  # [1]
    "charge_efficiency": 0.885,  # [1]
    "session_ratio": 0.985,  # [1]
    "session_scatter": 0.018,  # [1]
    "city_consumption": 158.0,  # [Wh/km]
    "highway_ratio": 1.10,  # [1]
    "label_factor": 0.71,  # [1]
    "noncell_ratio": 0.46,  # [1]
    "glider_mass": 1985.0,  # [kg]
    "glider_difference": 6.0,  # [kg]
    "reference_pack_mass": 262.0,  # [kg]
}

BIAS_OF_LABORATORY_B = -9.0
"""What laboratory B's reading of a cell is off by, so that the two laboratories disagree. [Wh]"""

KM_PER_MILE = 1.609344  # [km/mi], exact by definition


def health(age: float, odometer: float) -> float:
    """Energy left of the new pack's at an age [year] and an odometer reading [km]. [1]"""
    lost = TRUTH["fade_per_year"] / 100 * age + TRUTH["fade_per_100000_km"] / 100 * odometer / 100_000
    return exp(-lost)


def derived() -> dict[str, float]:
    """Derived quantities that follow from the truth, in the units of the model file."""
    t = TRUTH
    groups_in_series = GIVENS["groups_per_module"] * GIVENS["modules"]  # [1]
    cell_count = GIVENS["cells_per_group"] * groups_in_series  # [1]
    gross = cell_count * t["cell_energy"] / 1000  # [kWh]
    open_energy = gross * (1 - t["buffer"]) * t["discharge_efficiency"]  # [kWh]
    usable = open_energy * (1 - t["held_back"])  # [kWh]
    highway = t["city_consumption"] * t["highway_ratio"]  # [Wh/km]
    combined = 0.55 * t["city_consumption"] + 0.45 * highway  # [Wh/km]
    km_per_kwh = 1000 * (0.55 / t["city_consumption"] + 0.45 / highway)  # [km/kWh]
    cell_mass = t["cell_energy"] / t["cell_specific_energy"]  # [kg]
    cells_mass = cell_count * cell_mass  # [kg]
    pack_mass = cells_mass * (1 + t["noncell_ratio"])  # [kg]
    reference_cells = 1000 * gross / GIVENS["reference_cell_energy"]  # [1]
    left = health(GIVENS["subject_age"], GIVENS["subject_odometer"])  # [1]
    return {
        "groups_in_series": groups_in_series,
        "cell_count": cell_count,
        "module_voltage": GIVENS["groups_per_module"] * t["cell_nominal_voltage"],
        "pack_voltage": groups_in_series * t["cell_nominal_voltage"],
        "cell_charge": t["cell_energy"] / t["cell_nominal_voltage"],
        "pack_charge": GIVENS["cells_per_group"] * t["cell_energy"] / t["cell_nominal_voltage"],
        "module_energy": gross / GIVENS["modules"],
        "gross": gross,
        "after_buffer": gross * (1 - t["buffer"]),
        "after_hold": gross * (1 - t["buffer"]) * (1 - t["held_back"]),
        "usable": usable,
        "held_energy": gross * (1 - t["buffer"]) * t["held_back"],
        "reserve": 1 - usable / gross,
        "health": left,
        "usable_aged": usable * left,
        "wall_energy": usable / t["charge_efficiency"],
        "highway_consumption": highway,
        "combined_consumption": combined,
        "cycle_range": usable * km_per_kwh,
        "label_range": t["label_factor"] * usable * km_per_kwh,
        "label_consumption": combined / 1000 / (t["charge_efficiency"] * t["label_factor"]),
        "label_economy": 33.705 * t["charge_efficiency"] * t["label_factor"] / (combined / 1000 * KM_PER_MILE),
        "range_aged": t["label_factor"] * usable * km_per_kwh * left,
        "range_opened": t["label_factor"] * open_energy * km_per_kwh,
        "range_gain": t["label_factor"] * (open_energy - usable) * km_per_kwh,
        "cell_mass": cell_mass,
        "cells_mass": cells_mass,
        "noncell_mass": cells_mass * t["noncell_ratio"],
        "pack_mass": pack_mass,
        "noncell_share": t["noncell_ratio"] / (1 + t["noncell_ratio"]),
        "pack_specific_energy": 1000 * gross / pack_mass,
        "curb_mass": t["glider_mass"] + pack_mass,
        "reference_curb_mass": t["glider_mass"] + t["glider_difference"] + t["reference_pack_mass"],
        "reference_cells": reference_cells,
        "reference_cells_mass": reference_cells * GIVENS["reference_cell_mass"],
    }


def session(soc_start: float, soc_end: float, age: float, odometer: float) -> tuple[float, float]:
    """Wall energy of an owner's session between two states of charge [%], and its scale with u 0.3 kWh. [kWh]"""
    new = derived()["wall_energy"] * (soc_end - soc_start) / 100
    scale = sqrt(0.3**2 + (TRUTH["session_scatter"] * new) ** 2)
    return new * health(age, odometer) / TRUTH["session_ratio"], scale


def simulate(seed: int = SEED) -> dict[str, float | tuple[float, float]]:
    """Simulate each observation of the demo that is not withdrawn.

    Returns
    -------
    dict
        For each observation's id its value, rounded as the dossier writes it and in the dossier's unit; for an interval
        or a bound its two limits.
    """
    rng = np.random.default_rng(seed)
    d = derived()

    def normal(mean: float, u: float) -> float:
        return float(rng.normal(mean, u))

    def student_t(mean: float, scale: float) -> float:
        return float(mean + scale * rng.standard_t(4))

    def to_the(step: float, reading: float) -> float:
        return round(reading / step) * step

    specimen = TRUTH["cell_energy"] * TRUTH["specimen"]
    bench_1 = round(normal(specimen, 1.2), 1)  # [Wh]
    bench_2 = round(normal(specimen + BIAS_OF_LABORATORY_B, 1.5), 1)  # [Wh]
    pack_cell = normal(TRUTH["cell_energy"] * health(2.5, 41_000), 6.0)  # [Wh]
    cell_mass = round(1000 * normal(d["cell_mass"], 0.002 / sqrt(3)))  # [g], a rectangular limit of 2 g
    plate = to_the(1, normal(d["pack_voltage"], 2.0))  # [V]
    recharge = round(normal(d["wall_energy"], 0.5), 1)  # [kWh]
    label_range = to_the(1, normal(d["label_range"], 0.01 * d["label_range"]) / KM_PER_MILE)  # [mi]
    consumption = normal(d["label_consumption"], 0.01 * d["label_consumption"])  # [kWh/km]
    highway = round(normal(d["highway_consumption"], 2.5))  # [Wh/km]
    bridge = to_the(20, normal(d["curb_mass"] + 75, 20 / sqrt(3)))  # [kg], a rectangular limit of 20 kg
    reference_bridge = to_the(20, normal(d["reference_curb_mass"] + 75, 20 / sqrt(3)))  # [kg]
    reference_pack = round(normal(TRUTH["reference_pack_mass"], 2.0))  # [kg]
    session_1 = round(student_t(*session(12, 96, 1.2, 24_000)), 1)  # [kWh]
    session_2 = round(student_t(*session(18, 100, 3.1, 71_000)), 1)  # [kWh]
    pack_bound = 10 * floor(normal(d["pack_mass"], 8.0) / 10)  # [kg]
    return {
        "bench-1": bench_1,
        "bench-2": bench_2,
        "pack-cell": (12 * floor(pack_cell / 12), 12 * floor(pack_cell / 12) + 12),
        "cell-mass": cell_mass,
        "plate": plate,
        "recharge": recharge,
        "label-range": label_range,
        "label-consumption": round(consumption * KM_PER_MILE, 2),  # [kWh/mi]
        "highway": highway,
        "bridge": bridge,
        "reference-bridge": reference_bridge,
        "reference-pack": reference_pack,
        "session-1": session_1,
        "session-2": session_2,
        "pack-bound": (pack_bound, inf),
    }
