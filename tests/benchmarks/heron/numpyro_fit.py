"""The van under hypothesis 'held' in numpyro; arguments and cases are those of ``pymc_fit.py``, without a SAMPLER."""

from __future__ import annotations

import functools
import json
import sys
import time

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from jax.scipy.stats import norm

CELLS, IN_SERIES = 4 * 17 * 6, 17 * 6
MILE = 1.609344  # km, exact
TABULATED = ["held_back", "usable", "reserve", "noncell_mass", "city_consumption", "session_scatter", "cell_voltage"]


def lognormal(name: str, low: float, high: float):
    """A lognormal variable by its quantiles at 5 % and 95 %."""
    mu = (np.log(low) + np.log(high)) / 2
    return numpyro.sample(name, dist.LogNormal(mu, (np.log(high) - np.log(low)) / (2 * 1.6448536269514722)))


def beta(name: str, mean: float, sd: float):
    """A beta variable by its mean and standard deviation."""
    size = mean * (1 - mean) / sd**2 - 1
    return numpyro.sample(name, dist.Beta(mean * size, (1 - mean) * size))


def between(name: str, mu, u, lower: float, upper: float) -> None:
    """A normal reading of which only an interval is known, both ends in the lower tail for accuracy."""
    a, b = (lower - mu) / u, (upper - mu) / u
    is_above = a + b > 0
    high, low = norm.logcdf(jnp.where(is_above, -a, b)), norm.logcdf(jnp.where(is_above, -b, a))
    numpyro.factor(name, high + jnp.log(-jnp.expm1(low - high)))


def van(bench_value, bench_u, *, edited: bool = False) -> None:
    cell_energy = lognormal("cell_energy", 12, 400)  # Wh
    specimen = numpyro.sample("specimen", dist.LogNormal(0.0, 0.01))
    cell_specific_energy = lognormal("cell_specific_energy", 140, 300)  # Wh/kg
    cell_voltage = numpyro.sample("cell_voltage", dist.TruncatedNormal(3.6, 0.2, low=1.5))
    buffer = beta("buffer", 0.05, 0.02)
    held_back = beta("held_back", 0.10, 0.07)
    fade_per_year = numpyro.sample("fade_per_year", dist.LogNormal(np.log(0.012), 0.5))
    fade_per_100000_km = numpyro.sample("fade_per_100000_km", dist.LogNormal(np.log(0.03), 0.5))
    discharge_efficiency = beta("discharge_efficiency", 0.98, 0.008)
    charge_efficiency = beta("charge_efficiency", 0.88, 0.025)
    session_ratio = numpyro.sample("session_ratio", dist.LogNormal(np.log(0.98), 0.02))
    session_scatter = numpyro.sample("session_scatter", dist.LogNormal(np.log(0.02), 0.4))
    city_consumption = lognormal("city_consumption", 90, 280)  # Wh/km
    highway_ratio = numpyro.sample("highway_ratio", dist.LogNormal(np.log(1.08), 0.1))
    label_factor = beta("label_factor", 0.715, 0.02)
    noncell_ratio = lognormal("noncell_ratio", 0.25, 1.1)
    glider_mass = lognormal("glider_mass", 900, 3000)  # kg
    glider_difference = numpyro.sample("glider_difference", dist.Normal(0.0, 12.0))  # kg
    reference_pack_mass = lognormal("reference_pack_mass", 120, 800)  # kg

    gross = CELLS * cell_energy / 1000  # kWh
    usable = numpyro.deterministic("usable", gross * (1 - buffer) * (1 - held_back) * discharge_efficiency)
    numpyro.deterministic("reserve", 1 - usable / gross)
    highway_consumption = city_consumption * highway_ratio
    label_range = label_factor * 1000 * usable * (0.55 / city_consumption + 0.45 / highway_consumption)
    combined = 0.55 * city_consumption + 0.45 * highway_consumption
    label_consumption = combined / 1000 / (charge_efficiency * label_factor)  # kWh/km
    cells_mass = CELLS * cell_energy / cell_specific_energy
    noncell_mass = numpyro.deterministic("noncell_mass", cells_mass * noncell_ratio + (10 if edited else 0))
    pack_mass = cells_mass + noncell_mass
    curb_mass = glider_mass + pack_mass
    reference_curb_mass = glider_mass + glider_difference + reference_pack_mass

    def health(age, odometer):
        return jnp.exp(-(fade_per_year * age + fade_per_100000_km * odometer / 1e5))

    numpyro.sample("bench", dist.Normal(cell_energy * specimen, bench_u), obs=bench_value)
    between("pack_cell", cell_energy * health(2.5, 41000.0), 6.0, 192.0, 204.0)
    numpyro.sample("cell_mass", dist.Normal(1000 * cell_energy / cell_specific_energy, 2 / np.sqrt(3)), obs=811.0)
    between("plate", IN_SERIES * cell_voltage, 2.0, 376.5, 377.5)
    numpyro.sample("recharge", dist.Normal(usable / charge_efficiency, 0.5), obs=76.7)
    between("label_range", label_range, 0.01 * label_range, 178.5 * MILE, 179.5 * MILE)
    between("label_consumption", label_consumption, 0.01 * label_consumption, 0.415 / MILE, 0.425 / MILE)
    numpyro.sample("highway", dist.Normal(highway_consumption, 2.5), obs=175.0)
    between("bridge", curb_mass + 75, 20 / np.sqrt(3), 2530.0, 2550.0)
    between("reference_bridge", reference_curb_mass + 75, 20 / np.sqrt(3), 2310.0, 2330.0)
    numpyro.sample("reference_pack", dist.Normal(reference_pack_mass, 2.0), obs=258.0)
    numpyro.factor("pack_bound", norm.logcdf((pack_mass - 480) / 8.0))
    wall = usable * jnp.array([0.84, 0.82]) / charge_efficiency
    mu = wall * health(jnp.array([1.2, 3.1]), jnp.array([24000.0, 71000.0])) / session_ratio
    sigma = jnp.sqrt(0.3**2 + (session_scatter * wall) ** 2)
    numpyro.sample("sessions", dist.StudentT(4.0, mu, sigma), obs=jnp.array([66.6, 58.6]))


def run(mcmc: numpyro.infer.MCMC, bench: list[tuple[float, float]]) -> float:
    value, u = np.array(bench).T
    began = time.perf_counter()
    mcmc.run(jax.random.key(1), jnp.array(value), jnp.array(u))
    jax.block_until_ready(mcmc.get_samples())
    return time.perf_counter() - began


def sampler(draws: int, chains: int, *, edited: bool = False, method: str = "parallel") -> numpyro.infer.MCMC:
    """NUTS; by method ``sequential`` it compiles once for all readings of one shape, in parallel anew for each."""
    nuts = numpyro.infer.NUTS(functools.partial(van, edited=edited), init_strategy=numpyro.infer.init_to_median)
    return numpyro.infer.MCMC(nuts, num_warmup=draws, num_samples=draws, num_chains=chains, progress_bar=False,
                              jit_model_args=True, chain_method=method)  # fmt: skip


def main(case: str, file: str) -> None:
    numpyro.enable_x64()
    numpyro.set_host_device_count(4)
    stated = [(199.0, 1.2), (192.6, 1.5)]
    mcmc = sampler(1000, 4, edited=case == "edited")
    run(mcmc, [*stated, (198.1, 1.0)] if case == "more" else stated)
    draws = mcmc.get_samples(group_by_chain=True)
    np.savez(file, **{name: np.asarray(draws[name]) for name in TABULATED})
    seconds = {}
    if case == "refit":
        seconds["sampling"] = run(mcmc, stated)
        short = sampler(500, 2, method="sequential")
        run(short, stated)
        seconds["refit"] = run(short, [(198.0, 1.2), (192.6, 1.5)])
    print(json.dumps(seconds))  # noqa: T201


if __name__ == "__main__":
    main(*sys.argv[1:])
