"""The truth behind the invented fleet, and the simulation that made its charges and its other readings.

Written with numpy alone and apart from the engine, so that the two can be held against each other.
``python tests/fleet_truth.py`` writes the table beside the dossier anew.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SEED = 50
VANS, CHARGES = 50, 100
"""Vans that charge, and charges of each. One more van has been bought and has not charged."""

STATED_NEW = 70.0  # [kWh]
TYPICAL_NEW = 69.0  # [kWh]
SPREAD_NEW = 0.012  # [1]
TYPICAL_HEALTH = 0.925  # [1]
SPREAD_HEALTH = 0.03  # [1]
CHARGER_EFFICIENCY = 0.905  # [1]
U_DELIVERY = 0.4  # [kWh]
U_EFFICIENCY = 0.005  # [1]
U_CHARGE, NU = 0.25, 5  # [kWh], [1]

TABLE = Path(__file__).parents[1] / "observations" / "fleet.charges.csv.gz"


def names() -> list[str]:
    """The vans, the one that has not charged last."""
    return [f"van-{k:02d}" for k in range(1, VANS + 2)]


def truth() -> dict[str, NDArray[np.float64]]:
    """What each van held when new and holds now [kWh], and what is left of it [1], dims ("van",)."""
    rng = np.random.default_rng([SEED, 1])
    new = TYPICAL_NEW * np.exp(SPREAD_NEW * rng.standard_normal(VANS + 1))
    health = TYPICAL_HEALTH * np.exp(SPREAD_HEALTH * rng.standard_normal(VANS + 1))
    return {"new": new, "health": health, "usable": new * health}


def delivered() -> NDArray[np.float64]:
    """What was read at the delivery of each van, in tenths of a kWh [kWh], dims ("van",)."""
    rng = np.random.default_rng([SEED, 2])
    return np.round(truth()["new"] + U_DELIVERY * rng.standard_normal(VANS + 1), 1)


def efficiencies() -> NDArray[np.float64]:
    """What two workshops read, each of one charger, in hundredths of a percent [1]."""
    return np.round(CHARGER_EFFICIENCY + U_EFFICIENCY * np.random.default_rng([SEED, 3]).standard_normal(2), 4)


def table() -> str:
    """The charges of every van, states of charge in whole percents as they are shown."""
    rng = np.random.default_rng([SEED, 4])
    rows = ["van,date,soc_start,soc_end,energy_kwh"]
    days = np.datetime64("2025-01-01") + np.arange(365)
    for name, usable in zip(names()[:VANS], truth()["usable"], strict=False):
        start, end = rng.uniform(5, 60, CHARGES), rng.uniform(75, 100, CHARGES)  # [%]
        wall = usable * (end - start) / 100 / CHARGER_EFFICIENCY  # [kWh]
        read = wall + U_CHARGE * rng.standard_t(NU, CHARGES)
        dates = np.sort(rng.choice(days, CHARGES, replace=False))
        rows += [
            f"{name},{day},{a:.0f},{b:.0f},{energy:.2f}"
            for day, a, b, energy in zip(dates, start, end, read, strict=True)
        ]
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    TABLE.write_bytes(gzip.compress(table().encode("ascii"), mtime=0))
