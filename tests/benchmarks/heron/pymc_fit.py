"""The van under hypothesis 'held' as one would write it by hand in PyMC: nothing here comes from gaugeglass.

    python pymc_fit.py SAMPLER CASE FILE

SAMPLER is ``pymc`` or ``nutpie``; CASE is ``stated``, ``more`` (one more bench reading), ``edited`` (another equation
for the mass that is not cell) or ``refit`` (as stated, then fitted again with another reading in the same process).
Draws go to FILE, seconds to stdout.
"""

from __future__ import annotations

import json
import sys
import time

import numpy as np
import pymc as pm
import pytensor.tensor as pt

CELLS, IN_SERIES = 4 * 17 * 6, 17 * 6
MILE = 1.609344  # km, exact
TABULATED = ["held_back", "usable", "reserve", "noncell_mass", "city_consumption", "session_scatter", "cell_voltage"]


def lognormal(name: str, low: float, high: float):
    """A lognormal variable by its quantiles at 5 % and 95 %."""
    mu = (np.log(low) + np.log(high)) / 2
    return pm.LogNormal(name, mu=mu, sigma=(np.log(high) - np.log(low)) / (2 * 1.6448536269514722))


def log_cdf(z):
    """Log of the standard normal distribution function; PyMC's own has no finite gradient far out."""
    low, high = pt.minimum(z, -1.0), pt.maximum(z, -1.0)
    far = pt.log(pt.erfcx(-low / np.sqrt(2)) / 2) - low**2 / 2
    return pt.switch(z < -1.0, far, pt.log1p(-pt.erfc(high / np.sqrt(2)) / 2))


def between(name: str, mu, u, lower: float, upper: float) -> None:
    """A normal reading of which only an interval is known, both ends in the lower tail for accuracy."""
    a, b = (lower - mu) / u, (upper - mu) / u
    is_above = a + b > 0
    lower_z, upper_z = pt.switch(is_above, -b, a), pt.switch(is_above, -a, b)
    pm.Potential(name, pm.math.logdiffexp(log_cdf(upper_z), log_cdf(lower_z)))


def build(case: str) -> pm.Model:  # noqa: PLR0915 - one model, one function
    bench = [(199.0, 1.2), (192.6, 1.5)] + ([(198.1, 1.0)] if case == "more" else [])
    bench_value, bench_u = np.array(bench).T
    session_value, session_u = np.array([66.6, 58.6]), np.array([0.3, 0.3])
    session_share, session_age = np.array([0.84, 0.82]), np.array([1.2, 3.1])
    session_odometer = np.array([24000.0, 71000.0])

    with pm.Model() as model:
        cell_energy = lognormal("cell_energy", 12, 400)  # Wh
        specimen = pm.LogNormal("specimen", mu=0, sigma=0.01)
        cell_specific_energy = lognormal("cell_specific_energy", 140, 300)  # Wh/kg
        cell_voltage = pm.TruncatedNormal("cell_voltage", mu=3.6, sigma=0.2, lower=1.5)
        buffer = pm.Beta("buffer", mu=0.05, sigma=0.02)
        held_back = pm.Beta("held_back", mu=0.10, sigma=0.07)
        fade_per_year = pm.LogNormal("fade_per_year", mu=np.log(0.012), sigma=0.5)
        fade_per_100000_km = pm.LogNormal("fade_per_100000_km", mu=np.log(0.03), sigma=0.5)
        discharge_efficiency = pm.Beta("discharge_efficiency", mu=0.98, sigma=0.008)
        charge_efficiency = pm.Beta("charge_efficiency", mu=0.88, sigma=0.025)
        session_ratio = pm.LogNormal("session_ratio", mu=np.log(0.98), sigma=0.02)
        session_scatter = pm.LogNormal("session_scatter", mu=np.log(0.02), sigma=0.4)
        city_consumption = lognormal("city_consumption", 90, 280)  # Wh/km
        highway_ratio = pm.LogNormal("highway_ratio", mu=np.log(1.08), sigma=0.1)
        label_factor = pm.Beta("label_factor", mu=0.715, sigma=0.02)
        noncell_ratio = lognormal("noncell_ratio", 0.25, 1.1)
        glider_mass = lognormal("glider_mass", 900, 3000)  # kg
        glider_difference = pm.Normal("glider_difference", 0, 12)  # kg
        reference_pack_mass = lognormal("reference_pack_mass", 120, 800)  # kg

        gross = CELLS * cell_energy / 1000  # kWh
        usable = pm.Deterministic("usable", gross * (1 - buffer) * (1 - held_back) * discharge_efficiency)
        pm.Deterministic("reserve", 1 - usable / gross)
        highway_consumption = city_consumption * highway_ratio
        label_range = label_factor * 1000 * usable * (0.55 / city_consumption + 0.45 / highway_consumption)
        combined = 0.55 * city_consumption + 0.45 * highway_consumption
        label_consumption = combined / 1000 / (charge_efficiency * label_factor)  # kWh/km
        cells_mass = CELLS * cell_energy / cell_specific_energy
        noncell_mass = pm.Deterministic("noncell_mass", cells_mass * noncell_ratio + (10 if case == "edited" else 0))
        pack_mass = cells_mass + noncell_mass
        curb_mass = glider_mass + pack_mass
        reference_curb_mass = glider_mass + glider_difference + reference_pack_mass

        def health(age, odometer):
            return pt.exp(-(fade_per_year * age + fade_per_100000_km * odometer / 1e5))

        pm.Normal("bench", cell_energy * specimen, bench_u, observed=pm.Data("bench_value", bench_value))
        between("pack_cell", cell_energy * health(2.5, 41000.0), 6.0, 192.0, 204.0)
        pm.Normal("cell_mass", 1000 * cell_energy / cell_specific_energy, 2 / np.sqrt(3), observed=811.0)
        between("plate", IN_SERIES * cell_voltage, 2.0, 376.5, 377.5)
        pm.Normal("recharge", usable / charge_efficiency, 0.5, observed=76.7)
        between("label_range", label_range, 0.01 * label_range, 178.5 * MILE, 179.5 * MILE)
        between("label_consumption", label_consumption, 0.01 * label_consumption, 0.415 / MILE, 0.425 / MILE)
        pm.Normal("highway", highway_consumption, 2.5, observed=175.0)
        between("bridge", curb_mass + 75, 20 / np.sqrt(3), 2530.0, 2550.0)
        between("reference_bridge", reference_curb_mass + 75, 20 / np.sqrt(3), 2310.0, 2330.0)
        pm.Normal("reference_pack", reference_pack_mass, 2.0, observed=258.0)
        pm.Potential("pack_bound", log_cdf((pack_mass - 480) / 8.0))
        wall = usable * session_share / charge_efficiency
        pm.StudentT("sessions", nu=4, mu=wall * health(session_age, session_odometer) / session_ratio,
                    sigma=pt.sqrt(session_u**2 + (session_scatter * wall) ** 2), observed=session_value)  # fmt: skip
    return model


def sample(model: pm.Model, sampler: str, *, draws: int = 1000, chains: int = 4):
    with model:
        return pm.sample(draws=draws, tune=draws, chains=chains, random_seed=1, nuts_sampler=sampler, progressbar=False)


def main(sampler: str, case: str, file: str) -> None:
    model = build(case)
    trace = sample(model, sampler)
    np.savez(file, **{name: trace["posterior"][name].values for name in TABULATED})
    seconds = {}
    if case == "refit":
        seconds["sampling"] = float(trace["posterior"].attrs.get("sampling_time", np.nan))
        seconds["refit"] = refit(model, sampler)
    print(json.dumps(seconds))  # noqa: T201


def refit(model: pm.Model, sampler: str) -> float:
    """Seconds of 2 x (500 + 500) with another bench reading; by nutpie with what it compiled before."""
    other = np.array([198.0, 192.6])
    if sampler == "pymc":
        pm.set_data({"bench_value": other}, model=model)
        began = time.perf_counter()
        sample(model, sampler, draws=500, chains=2)
        return time.perf_counter() - began
    import nutpie

    compiled = nutpie.compile_pymc_model(model)
    settings = {"draws": 500, "tune": 500, "chains": 2, "seed": 1, "progress_bar": False}
    nutpie.sample(compiled, **settings)
    began = time.perf_counter()
    nutpie.sample(compiled.with_data(bench_value=other), **settings)
    return time.perf_counter() - began


if __name__ == "__main__":
    main(*sys.argv[1:])
