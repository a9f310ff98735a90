/* The van under hypothesis 'held' as one scalar function with its reverse sweep, written by hand: flat.py in C.
   Called as a sampler calls a density: (dim, x, gradient, log density, numbers), numbers as flat.py lists them. */
#include <math.h>
#include <stdint.h>

#define HALF_LOG_2PI 0.91893853320467274178
#define ROOT_HALF 0.70710678118654752440
static const double MILE = 1.609344, CELLS = 408.0, IN_SERIES = 102.0;

static double log_cdf(double z)
{
    if (z > -1.0) return log1p(-0.5 * erfc(z * ROOT_HALF));
    if (z > -20.0) return log(0.5 * erfc(-z * ROOT_HALF));
    double w = 1.0 / (z * z);
    double tail = -w * (1.0 - 3.0 * w * (1.0 - 5.0 * w * (1.0 - 7.0 * w * (1.0 - 9.0 * w * (1.0 - 11.0 * w)))));
    return -0.5 * z * z - HALF_LOG_2PI - log(-z) + log1p(tail);
}

static double between(double a, double b)
{
    if (a + b > 0.0) { double c = a; a = -b; b = -c; }
    double high = log_cdf(b), gap = log_cdf(a) - high;
    return high + (gap > -0.69 ? log(-expm1(gap)) : log1p(-exp(gap)));
}

static double slope(double z, double log_p) { return exp(-0.5 * z * z - HALF_LOG_2PI - log_p); }

static double log_logistic(double t) { return t > 0.0 ? -log1p(exp(-t)) : t - log1p(exp(t)); }

static void shapes(double mean, double sd, double *a, double *b)
{
    double size = mean * (1.0 - mean) / (sd * sd) - 1.0;
    *a = mean * size;
    *b = (1.0 - mean) * size;
}

int64_t log_density(uint64_t dim, const double *x, double *g, double *out, const double *d)
{
    (void)dim;
    const double U_MASS = 2.0 / sqrt(3.0), U_BRIDGE = 20.0 / sqrt(3.0);
    double A4, B4, A5, B5, A8, B8, A9, B9, A14, B14;
    shapes(0.05, 0.02, &A4, &B4);
    shapes(0.10, 0.07, &A5, &B5);
    shapes(0.98, 0.008, &A8, &B8);
    shapes(0.88, 0.025, &A9, &B9);
    shapes(0.715, 0.02, &A14, &B14);

    /* The quantities */
    double energy = exp(d[0] + d[19] * x[0]); /* Wh */
    double specimen = exp(d[1] + d[20] * x[1]);
    double specific = exp(d[2] + d[21] * x[2]); /* Wh/kg */
    double above = exp(d[3] + d[22] * x[3]); /* V above 1.5 V */
    double t4 = d[4] + d[23] * x[4], t5 = d[5] + d[24] * x[5], t8 = d[8] + d[27] * x[8], t9 = d[9] + d[28] * x[9];
    double t14 = d[14] + d[33] * x[14];
    double log4 = log_logistic(t4), log5 = log_logistic(t5), log8 = log_logistic(t8), log9 = log_logistic(t9),
        log14 = log_logistic(t14);
    double buffer = exp(log4), held = exp(log5), discharge = exp(log8), charge = exp(log9), label = exp(log14);
    double by_year = exp(d[6] + d[25] * x[6]); /* %/year */
    double by_distance = exp(d[7] + d[26] * x[7]); /* % in 100 000 km */
    double ratio = exp(d[10] + d[29] * x[10]);
    double scatter = exp(d[11] + d[30] * x[11]);
    double city = exp(d[12] + d[31] * x[12]); /* Wh/km */
    double highway_ratio = exp(d[13] + d[32] * x[13]);
    double noncell_ratio = exp(d[15] + d[34] * x[15]);
    double glider = exp(d[16] + d[35] * x[16]); /* kg */
    double difference = d[17] + d[36] * x[17]; /* kg */
    double other_pack = exp(d[18] + d[37] * x[18]); /* kg */

    double usable = CELLS * energy / 1000.0 * (1.0 - buffer) * (1.0 - held) * discharge; /* kWh */
    double cells_mass = CELLS * energy / specific; /* kg */
    double pack = cells_mass * (1.0 + noncell_ratio);
    double highway = city * highway_ratio;
    double per_energy = 0.55 / city + 0.45 / highway;
    double label_range = label * 1000.0 * usable * per_energy; /* km */
    double combined = 0.55 * city + 0.45 * highway;
    double consumption = combined / 1000.0 / (charge * label); /* kWh/km */
    double wall = usable / charge; /* kWh */

    /* The priors */
    double lp = d[38] - 0.5 * (x[0] * x[0] + x[1] * x[1] + x[2] * x[2] + x[6] * x[6] + x[7] * x[7] + x[10] *
        x[10] + x[11] * x[11] + x[12] * x[12] + x[13] * x[13] + x[15] * x[15] + x[16] * x[16] + x[17] * x[17]
        + x[18] * x[18]);
    double z_volt = (1.5 + above - 3.6) / 0.2;
    lp += d[3] + d[22] * x[3] - 0.5 * z_volt * z_volt;
    lp += A4 * log4 + B4 * (log4 - t4) + A5 * log5 + B5 * (log5 - t5) + A8 * log8 + B8 * (log8 - t8);
    lp += A9 * log9 + B9 * (log9 - t9) + A14 * log14 + B14 * (log14 - t14);

    /* The readings, each with what it adds to the adjoint of its prediction */
    double tested = energy * specimen;
    double z1 = (199.0 - tested) / 1.2, z2 = (192.6 - tested) / 1.5;
    lp -= 0.5 * (z1 * z1 + z2 * z2);
    double b_tested = z1 / 1.2 + z2 / 1.5;

    double health = exp(-0.01 * (by_year * 2.5 + by_distance * 0.41));
    double harvested = energy * health;
    double za = (192.0 - harvested) / 6.0, zb = (204.0 - harvested) / 6.0;
    double p = between(za, zb);
    lp += p;
    double b_harvested = (slope(za, p) - slope(zb, p)) / 6.0;

    double cell_mass = 1000.0 * energy / specific; /* g */
    double z = (811.0 - cell_mass) / U_MASS;
    lp -= 0.5 * z * z;
    double b_cell_mass = z / U_MASS;

    double volts = IN_SERIES * (1.5 + above);
    za = (376.5 - volts) / 2.0; zb = (377.5 - volts) / 2.0;
    p = between(za, zb);
    lp += p;
    double b_above = IN_SERIES * (slope(za, p) - slope(zb, p)) / 2.0 - z_volt / 0.2;

    z = (76.7 - wall) / 0.5;
    lp -= 0.5 * z * z;
    double b_wall = z / 0.5;

    /* Here u is a share of the prediction m, so z = 100 end / m - 100 and dz/dm = -100 end / m**2 */
    double low = 178.5 * MILE, high = 179.5 * MILE;
    za = 100.0 * (low / label_range - 1.0); zb = 100.0 * (high / label_range - 1.0);
    p = between(za, zb);
    lp += p;
    double b_range = 100.0 * (slope(za, p) * low - slope(zb, p) * high) / (label_range * label_range);

    low = 0.415 / MILE; high = 0.425 / MILE;
    za = 100.0 * (low / consumption - 1.0); zb = 100.0 * (high / consumption - 1.0);
    p = between(za, zb);
    lp += p;
    double b_consumption = 100.0 * (slope(za, p) * low - slope(zb, p) * high) / (consumption * consumption);

    z = (175.0 - highway) / 2.5;
    lp -= 0.5 * z * z;
    double b_highway = z / 2.5;

    double loaded = glider + pack + 75.0;
    za = (2530.0 - loaded) / U_BRIDGE; zb = (2550.0 - loaded) / U_BRIDGE;
    p = between(za, zb);
    lp += p;
    double b_loaded = (slope(za, p) - slope(zb, p)) / U_BRIDGE;

    loaded = glider + difference + other_pack + 75.0;
    za = (2310.0 - loaded) / U_BRIDGE; zb = (2330.0 - loaded) / U_BRIDGE;
    p = between(za, zb);
    lp += p;
    double b_other = (slope(za, p) - slope(zb, p)) / U_BRIDGE;

    z = (258.0 - other_pack) / 2.0;
    lp -= 0.5 * z * z;
    double b_other_pack = z / 2.0 + b_other;

    z = (pack - 480.0) / 8.0;
    p = log_cdf(z);
    lp += p;
    double b_pack = slope(z, p) / 8.0 + b_loaded;

    /* The two sessions: mu = wall share h / ratio, u**2 = 0.09 + (scatter wall share)**2 */
    double b_by_year = 0.0, b_by_distance = 0.0, b_ratio = 0.0, b_scatter = 0.0;
    double e = wall * 0.84;
    double h = exp(-0.01 * (by_year * 1.2 + by_distance * 0.24));
    double mu = e * h / ratio, s2 = 0.09 + scatter * scatter * e * e;
    double r = 66.6 - mu;
    double q = 1.0 + r * r / (4.0 * s2);
    lp -= 2.5 * log(q) + 0.5 * log(s2);
    double b_mu = 1.25 * r / (s2 * q);
    double b_s2 = (0.625 * r * r / (s2 * q) - 0.5) / s2;
    b_wall += 0.84 * (b_mu * h / ratio + 2.0 * b_s2 * scatter * scatter * e);
    b_scatter += 2.0 * b_s2 * scatter * e * e;
    b_ratio -= b_mu * mu / ratio;
    b_by_year -= 0.012 * b_mu * mu;
    b_by_distance -= 0.0024 * b_mu * mu;

    e = wall * 0.82;
    h = exp(-0.01 * (by_year * 3.1 + by_distance * 0.71));
    mu = e * h / ratio; s2 = 0.09 + scatter * scatter * e * e;
    r = 58.6 - mu;
    q = 1.0 + r * r / (4.0 * s2);
    lp -= 2.5 * log(q) + 0.5 * log(s2);
    b_mu = 1.25 * r / (s2 * q);
    b_s2 = (0.625 * r * r / (s2 * q) - 0.5) / s2;
    b_wall += 0.82 * (b_mu * h / ratio + 2.0 * b_s2 * scatter * scatter * e);
    b_scatter += 2.0 * b_s2 * scatter * e * e;
    b_ratio -= b_mu * mu / ratio;
    b_by_year -= 0.031 * b_mu * mu;
    b_by_distance -= 0.0071 * b_mu * mu;

    /* Backward through the relations */
    b_by_year -= 0.025 * b_harvested * harvested;
    b_by_distance -= 0.0041 * b_harvested * harvested;
    double b_usable = b_wall / charge + b_range * label_range / usable;
    double b_per_energy = b_range * label * 1000.0 * usable;
    double b_combined = b_consumption * consumption / combined;
    b_highway += 0.45 * b_combined - 0.45 * b_per_energy / (highway * highway);
    double b_city = 0.55 * b_combined - 0.55 * b_per_energy / (city * city) + b_highway * highway_ratio;
    double b_cells_mass = b_pack * (1.0 + noncell_ratio);
    double b_energy = (b_usable * usable / energy + b_cells_mass * CELLS / specific + b_tested * specimen +
        b_harvested * health + b_cell_mass * 1000.0 / specific);
    double b_specific = -(b_cells_mass * cells_mass + b_cell_mass * cell_mass) / specific;
    double b_charge = -(b_wall * wall + b_consumption * consumption) / charge;
    double b_label = (b_range * label_range - b_consumption * consumption) / label;

    g[0] = d[19] * b_energy * energy - x[0];
    g[1] = d[20] * b_tested * energy * specimen - x[1];
    g[2] = d[21] * b_specific * specific - x[2];
    g[3] = d[22] * (b_above * above + 1.0);
    g[4] = d[23] * (A4 * (1.0 - buffer) - B4 * buffer - b_usable * usable * buffer);
    g[5] = d[24] * (A5 * (1.0 - held) - B5 * held - b_usable * usable * held);
    g[6] = d[25] * b_by_year * by_year - x[6];
    g[7] = d[26] * b_by_distance * by_distance - x[7];
    g[8] = d[27] * (1.0 - discharge) * (A8 + b_usable * usable) - d[27] * B8 * discharge;
    g[9] = d[28] * (1.0 - charge) * (A9 + b_charge * charge) - d[28] * B9 * charge;
    g[10] = d[29] * b_ratio * ratio - x[10];
    g[11] = d[30] * b_scatter * scatter - x[11];
    g[12] = d[31] * b_city * city - x[12];
    g[13] = d[32] * b_highway * highway - x[13];
    g[14] = d[33] * (1.0 - label) * (A14 + b_label * label) - d[33] * B14 * label;
    g[15] = d[34] * b_pack * cells_mass * noncell_ratio - x[15];
    g[16] = d[35] * (b_loaded + b_other) * glider - x[16];
    g[17] = d[36] * b_other - x[17];
    g[18] = d[37] * b_other_pack * other_pack - x[18];
    *out = lp;
    for (int i = 0; i < 19; i++)
        if (!isfinite(g[i])) return 3;
    return isfinite(lp) ? 0 : 4;
}
