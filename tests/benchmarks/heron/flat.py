"""The van under hypothesis 'held' as one scalar function with its reverse sweep, all written by hand for numba.

It is what the emitted density is held against, value, gradient and time: nothing here comes from gaugeglass but the
coordinates, which are ``t = centre + spread * x`` (see DEVELOPERS.md). ``flat.c`` is the same in C.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from scipy import special, stats

HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)
ROOT_HALF = math.sqrt(0.5)
MILE = 1.609344  # km, exact
CELLS, IN_SERIES = 408.0, 102.0
U_MASS = 2 / math.sqrt(3)  # g
U_BRIDGE = 20 / math.sqrt(3)  # kg
T_4 = math.lgamma(2.5) - math.lgamma(2.0) - 0.5 * math.log(4 * math.pi)  # constant of Student's t, nu = 4

Z95 = special.ndtri(0.95)
ONE_SIGMA = special.ndtr(1.0)


def _quantiles(low: float, high: float) -> tuple[float, float]:
    return (math.log(low) + math.log(high)) / 2, (math.log(high) - math.log(low)) / (2 * Z95)


def _shapes(mean: float, sd: float) -> tuple[float, float]:
    size = mean * (1 - mean) / sd**2 - 1
    return mean * size, (1 - mean) * size


BUFFER, HELD = _shapes(0.05, 0.02), _shapes(0.10, 0.07)
DISCHARGE, CHARGE, LABEL = _shapes(0.98, 0.008), _shapes(0.88, 0.025), _shapes(0.715, 0.02)
(A4, B4), (A5, B5), (A8, B8), (A9, B9), (A14, B14) = BUFFER, HELD, DISCHARGE, CHARGE, LABEL


def _beta(shapes: tuple[float, float]) -> tuple[float, float]:
    low, middle, high = special.logit(stats.beta.ppf([1 - ONE_SIGMA, 0.5, ONE_SIGMA], *shapes))
    return middle, (high - low) / 2


def _voltage() -> tuple[float, float]:
    q = stats.truncnorm.ppf([1 - ONE_SIGMA, 0.5, ONE_SIGMA], (1.5 - 3.6) / 0.2, math.inf, loc=3.6, scale=0.2)
    low, middle, high = np.log(q - 1.5)
    return middle, (high - low) / 2


SCALES = [
    _quantiles(12, 400), (0.0, 0.01), _quantiles(140, 300), _voltage(), _beta(BUFFER), _beta(HELD),
    (math.log(1.2), 0.5), (math.log(3.0), 0.5), _beta(DISCHARGE), _beta(CHARGE), (math.log(0.98), 0.02),
    (math.log(0.02), 0.4), _quantiles(90, 280), (math.log(1.08), 0.1), _beta(LABEL), _quantiles(0.25, 1.1),
    _quantiles(900, 3000), (0.0, 12.0), _quantiles(120, 800),
]  # fmt: skip
"""Centre and spread of each coordinate, in the order of the model file."""
SIZE = len(SCALES)


def _constant() -> float:
    """All that does not depend on x: normalisers of the priors and of the readings that are points."""
    betas = [BUFFER, HELD, DISCHARGE, CHARGE, LABEL]
    spreads = [SCALES[i][1] for i in (4, 5, 8, 9, 14)]
    total = sum(math.log(s) - special.betaln(*shapes) for s, shapes in zip(spreads, betas, strict=True))
    total -= 13 * HALF_LOG_2PI
    total += math.log(SCALES[3][1]) - math.log(0.2) - HALF_LOG_2PI - special.log_ndtr((3.6 - 1.5) / 0.2)
    total -= sum(HALF_LOG_2PI + math.log(u) for u in (1.2, 1.5, U_MASS, 0.5, 2.5, 2.0))
    return total + 2 * T_4


NUMBERS = np.array([*np.array(SCALES).T.ravel(), _constant()])
"""What ``log_density`` reads: the centres, the spreads, the constant."""


@njit(error_model="numpy")
def log_cdf(z):
    if z > -1.0:
        return math.log1p(-0.5 * math.erfc(z * ROOT_HALF))
    if z > -20.0:
        return math.log(0.5 * math.erfc(-z * ROOT_HALF))
    w = 1.0 / (z * z)
    tail = -w * (1.0 - 3.0 * w * (1.0 - 5.0 * w * (1.0 - 7.0 * w * (1.0 - 9.0 * w * (1.0 - 11.0 * w)))))
    return -0.5 * z * z - HALF_LOG_2PI - math.log(-z) + math.log1p(tail)


@njit(error_model="numpy")
def between(a, b):
    """Log probability between two standard normal values."""
    if a + b > 0.0:
        a, b = -b, -a
    high = log_cdf(b)
    gap = log_cdf(a) - high
    return high + (math.log(-math.expm1(gap)) if gap > -0.69 else math.log1p(-math.exp(gap)))


@njit(error_model="numpy")
def slope(z, log_p):
    """Normal density at z over a probability given by its log."""
    return math.exp(-0.5 * z * z - HALF_LOG_2PI - log_p)


@njit(error_model="numpy")
def log_logistic(t):
    return -math.log1p(math.exp(-t)) if t > 0.0 else t - math.log1p(math.exp(t))


@njit("float64(float64[::1], float64[::1], float64[::1])", error_model="numpy")
def log_density(x, g, d):  # noqa: PLR0915 - one straight line is the point
    # The quantities
    energy = math.exp(d[0] + d[19] * x[0])  # Wh
    specimen = math.exp(d[1] + d[20] * x[1])
    specific = math.exp(d[2] + d[21] * x[2])  # Wh/kg
    above = math.exp(d[3] + d[22] * x[3])  # V above 1.5 V
    t4, t5, t8, t9 = d[4] + d[23] * x[4], d[5] + d[24] * x[5], d[8] + d[27] * x[8], d[9] + d[28] * x[9]
    t14 = d[14] + d[33] * x[14]
    log4, log5, log8, log9, log14 = (
        log_logistic(t4), log_logistic(t5), log_logistic(t8), log_logistic(t9), log_logistic(t14)
    )  # fmt: skip
    buffer, held, discharge, charge, label = (
        math.exp(log4), math.exp(log5), math.exp(log8), math.exp(log9), math.exp(log14)
    )  # fmt: skip
    by_year = math.exp(d[6] + d[25] * x[6])  # %/year
    by_distance = math.exp(d[7] + d[26] * x[7])  # % in 100 000 km
    ratio = math.exp(d[10] + d[29] * x[10])
    scatter = math.exp(d[11] + d[30] * x[11])
    city = math.exp(d[12] + d[31] * x[12])  # Wh/km
    highway_ratio = math.exp(d[13] + d[32] * x[13])
    noncell_ratio = math.exp(d[15] + d[34] * x[15])
    glider = math.exp(d[16] + d[35] * x[16])  # kg
    difference = d[17] + d[36] * x[17]  # kg
    other_pack = math.exp(d[18] + d[37] * x[18])  # kg

    usable = CELLS * energy / 1000.0 * (1.0 - buffer) * (1.0 - held) * discharge  # kWh
    cells_mass = CELLS * energy / specific  # kg
    pack = cells_mass * (1.0 + noncell_ratio)
    highway = city * highway_ratio
    per_energy = 0.55 / city + 0.45 / highway
    label_range = label * 1000.0 * usable * per_energy  # km
    combined = 0.55 * city + 0.45 * highway
    consumption = combined / 1000.0 / (charge * label)  # kWh/km
    wall = usable / charge  # kWh

    # The priors
    lp = d[38] - 0.5 * (
        x[0] * x[0] + x[1] * x[1] + x[2] * x[2] + x[6] * x[6] + x[7] * x[7] + x[10] * x[10] + x[11] * x[11]
        + x[12] * x[12] + x[13] * x[13] + x[15] * x[15] + x[16] * x[16] + x[17] * x[17] + x[18] * x[18]
    )  # fmt: skip
    z_volt = (1.5 + above - 3.6) / 0.2
    lp += d[3] + d[22] * x[3] - 0.5 * z_volt * z_volt
    lp += A4 * log4 + B4 * (log4 - t4) + A5 * log5 + B5 * (log5 - t5) + A8 * log8 + B8 * (log8 - t8)
    lp += A9 * log9 + B9 * (log9 - t9) + A14 * log14 + B14 * (log14 - t14)

    # The readings, each with what it adds to the adjoint of its prediction
    tested = energy * specimen
    z1, z2 = (199.0 - tested) / 1.2, (192.6 - tested) / 1.5
    lp -= 0.5 * (z1 * z1 + z2 * z2)
    b_tested = z1 / 1.2 + z2 / 1.5

    health = math.exp(-0.01 * (by_year * 2.5 + by_distance * 0.41))
    harvested = energy * health
    za, zb = (192.0 - harvested) / 6.0, (204.0 - harvested) / 6.0
    p = between(za, zb)
    lp += p
    b_harvested = (slope(za, p) - slope(zb, p)) / 6.0

    cell_mass = 1000.0 * energy / specific  # g
    z = (811.0 - cell_mass) / U_MASS
    lp -= 0.5 * z * z
    b_cell_mass = z / U_MASS

    volts = IN_SERIES * (1.5 + above)
    za, zb = (376.5 - volts) / 2.0, (377.5 - volts) / 2.0
    p = between(za, zb)
    lp += p
    b_above = IN_SERIES * (slope(za, p) - slope(zb, p)) / 2.0 - z_volt / 0.2

    z = (76.7 - wall) / 0.5
    lp -= 0.5 * z * z
    b_wall = z / 0.5

    # Here u is a share of the prediction m, so z = 100 end / m - 100 and dz/dm = -100 end / m**2
    low, high = 178.5 * MILE, 179.5 * MILE
    za, zb = 100.0 * (low / label_range - 1.0), 100.0 * (high / label_range - 1.0)
    p = between(za, zb)
    lp += p
    b_range = 100.0 * (slope(za, p) * low - slope(zb, p) * high) / (label_range * label_range)

    low, high = 0.415 / MILE, 0.425 / MILE
    za, zb = 100.0 * (low / consumption - 1.0), 100.0 * (high / consumption - 1.0)
    p = between(za, zb)
    lp += p
    b_consumption = 100.0 * (slope(za, p) * low - slope(zb, p) * high) / (consumption * consumption)

    z = (175.0 - highway) / 2.5
    lp -= 0.5 * z * z
    b_highway = z / 2.5

    loaded = glider + pack + 75.0
    za, zb = (2530.0 - loaded) / U_BRIDGE, (2550.0 - loaded) / U_BRIDGE
    p = between(za, zb)
    lp += p
    b_loaded = (slope(za, p) - slope(zb, p)) / U_BRIDGE

    loaded = glider + difference + other_pack + 75.0
    za, zb = (2310.0 - loaded) / U_BRIDGE, (2330.0 - loaded) / U_BRIDGE
    p = between(za, zb)
    lp += p
    b_other = (slope(za, p) - slope(zb, p)) / U_BRIDGE

    z = (258.0 - other_pack) / 2.0
    lp -= 0.5 * z * z
    b_other_pack = z / 2.0 + b_other

    z = (pack - 480.0) / 8.0
    p = log_cdf(z)
    lp += p
    b_pack = slope(z, p) / 8.0 + b_loaded

    # The two sessions: mu = wall share h / ratio, u**2 = 0.09 + (scatter wall share)**2
    b_by_year, b_by_distance, b_ratio, b_scatter = 0.0, 0.0, 0.0, 0.0
    e = wall * 0.84
    h = math.exp(-0.01 * (by_year * 1.2 + by_distance * 0.24))
    mu, s2 = e * h / ratio, 0.09 + scatter * scatter * e * e
    r = 66.6 - mu
    q = 1.0 + r * r / (4.0 * s2)
    lp -= 2.5 * math.log(q) + 0.5 * math.log(s2)
    b_mu = 1.25 * r / (s2 * q)
    b_s2 = (0.625 * r * r / (s2 * q) - 0.5) / s2
    b_wall += 0.84 * (b_mu * h / ratio + 2.0 * b_s2 * scatter * scatter * e)
    b_scatter += 2.0 * b_s2 * scatter * e * e
    b_ratio -= b_mu * mu / ratio
    b_by_year -= 0.012 * b_mu * mu
    b_by_distance -= 0.0024 * b_mu * mu

    e = wall * 0.82
    h = math.exp(-0.01 * (by_year * 3.1 + by_distance * 0.71))
    mu, s2 = e * h / ratio, 0.09 + scatter * scatter * e * e
    r = 58.6 - mu
    q = 1.0 + r * r / (4.0 * s2)
    lp -= 2.5 * math.log(q) + 0.5 * math.log(s2)
    b_mu = 1.25 * r / (s2 * q)
    b_s2 = (0.625 * r * r / (s2 * q) - 0.5) / s2
    b_wall += 0.82 * (b_mu * h / ratio + 2.0 * b_s2 * scatter * scatter * e)
    b_scatter += 2.0 * b_s2 * scatter * e * e
    b_ratio -= b_mu * mu / ratio
    b_by_year -= 0.031 * b_mu * mu
    b_by_distance -= 0.0071 * b_mu * mu

    # Backward through the relations
    b_by_year -= 0.025 * b_harvested * harvested
    b_by_distance -= 0.0041 * b_harvested * harvested
    b_usable = b_wall / charge + b_range * label_range / usable
    b_per_energy = b_range * label * 1000.0 * usable
    b_combined = b_consumption * consumption / combined
    b_highway += 0.45 * b_combined - 0.45 * b_per_energy / (highway * highway)
    b_city = 0.55 * b_combined - 0.55 * b_per_energy / (city * city) + b_highway * highway_ratio
    b_cells_mass = b_pack * (1.0 + noncell_ratio)
    b_energy = (
        b_usable * usable / energy + b_cells_mass * CELLS / specific + b_tested * specimen
        + b_harvested * health + b_cell_mass * 1000.0 / specific
    )  # fmt: skip
    b_specific = -(b_cells_mass * cells_mass + b_cell_mass * cell_mass) / specific
    b_charge = -(b_wall * wall + b_consumption * consumption) / charge
    b_label = (b_range * label_range - b_consumption * consumption) / label

    g[0] = d[19] * b_energy * energy - x[0]
    g[1] = d[20] * b_tested * energy * specimen - x[1]
    g[2] = d[21] * b_specific * specific - x[2]
    g[3] = d[22] * (b_above * above + 1.0)
    g[4] = d[23] * (A4 * (1.0 - buffer) - B4 * buffer - b_usable * usable * buffer)
    g[5] = d[24] * (A5 * (1.0 - held) - B5 * held - b_usable * usable * held)
    g[6] = d[25] * b_by_year * by_year - x[6]
    g[7] = d[26] * b_by_distance * by_distance - x[7]
    g[8] = d[27] * (1.0 - discharge) * (A8 + b_usable * usable) - d[27] * B8 * discharge
    g[9] = d[28] * (1.0 - charge) * (A9 + b_charge * charge) - d[28] * B9 * charge
    g[10] = d[29] * b_ratio * ratio - x[10]
    g[11] = d[30] * b_scatter * scatter - x[11]
    g[12] = d[31] * b_city * city - x[12]
    g[13] = d[32] * b_highway * highway - x[13]
    g[14] = d[33] * (1.0 - label) * (A14 + b_label * label) - d[33] * B14 * label
    g[15] = d[34] * b_pack * cells_mass * noncell_ratio - x[15]
    g[16] = d[35] * (b_loaded + b_other) * glider - x[16]
    g[17] = d[36] * b_other - x[17]
    g[18] = d[37] * b_other_pack * other_pack - x[18]
    return lp
