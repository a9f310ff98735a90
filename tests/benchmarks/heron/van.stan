// The van under hypothesis 'held'. Edited, 'noncell_mass' has 10 kg more: see stan_fit.py.
functions {
  // A normal reading of which only an interval is known, both ends in the lower tail for accuracy.
  real between(real mu, real u, real low, real high) {
    real a = (low - mu) / u;
    real b = (high - mu) / u;
    if (a + b > 0) return log_diff_exp(std_normal_lcdf(-a), std_normal_lcdf(-b));
    return log_diff_exp(std_normal_lcdf(b), std_normal_lcdf(a));
  }
  real first_shape(real mean, real sd) { return mean * (mean * (1 - mean) / square(sd) - 1); }
  real second_shape(real mean, real sd) { return (1 - mean) * (mean * (1 - mean) / square(sd) - 1); }
  real middle(real low, real high) { return (log(low) + log(high)) / 2; }
  real width(real low, real high) { return (log(high) - log(low)) / (2 * 1.6448536269514722); }
}
data {
  int<lower=0> n;
  vector[n] bench;
  vector[n] bench_u;
}
transformed data {
  real mile = 1.609344;
  real cells = 4 * 17 * 6;
  vector[2] session = [66.6, 58.6]';
  vector[2] share = [0.84, 0.82]';
  vector[2] age = [1.2, 3.1]';
  vector[2] odometer = [24000, 71000]';
}
parameters {
  real<lower=0> cell_energy;
  real<lower=0> specimen;
  real<lower=0> cell_specific_energy;
  real<lower=1.5> cell_voltage;
  real<lower=0, upper=1> buffer;
  real<lower=0, upper=1> held_back;
  real<lower=0> fade_per_year;
  real<lower=0> fade_per_100000_km;
  real<lower=0, upper=1> discharge_efficiency;
  real<lower=0, upper=1> charge_efficiency;
  real<lower=0> session_ratio;
  real<lower=0> session_scatter;
  real<lower=0> city_consumption;
  real<lower=0> highway_ratio;
  real<lower=0, upper=1> label_factor;
  real<lower=0> noncell_ratio;
  real<lower=0> glider_mass;
  real glider_difference;
  real<lower=0> reference_pack_mass;
}
transformed parameters {
  real gross = cells * cell_energy / 1000;
  real usable = gross * (1 - buffer) * (1 - held_back) * discharge_efficiency;
  real reserve = 1 - usable / gross;
  real cells_mass = cells * cell_energy / cell_specific_energy;
  real noncell_mass = cells_mass * noncell_ratio;
}
model {
  real highway = city_consumption * highway_ratio;
  real label_range = label_factor * 1000 * usable * (0.55 / city_consumption + 0.45 / highway);
  real label_consumption = (0.55 * city_consumption + 0.45 * highway) / 1000 / (charge_efficiency * label_factor);
  real pack_mass = cells_mass + noncell_mass;
  vector[2] wall = usable * share / charge_efficiency;
  vector[2] health = exp(-(fade_per_year * age + fade_per_100000_km * odometer / 1e5));

  cell_energy ~ lognormal(middle(12, 400), width(12, 400));
  specimen ~ lognormal(0, 0.01);
  cell_specific_energy ~ lognormal(middle(140, 300), width(140, 300));
  cell_voltage ~ normal(3.6, 0.2);
  buffer ~ beta(first_shape(0.05, 0.02), second_shape(0.05, 0.02));
  held_back ~ beta(first_shape(0.10, 0.07), second_shape(0.10, 0.07));
  fade_per_year ~ lognormal(log(0.012), 0.5);
  fade_per_100000_km ~ lognormal(log(0.03), 0.5);
  discharge_efficiency ~ beta(first_shape(0.98, 0.008), second_shape(0.98, 0.008));
  charge_efficiency ~ beta(first_shape(0.88, 0.025), second_shape(0.88, 0.025));
  session_ratio ~ lognormal(log(0.98), 0.02);
  session_scatter ~ lognormal(log(0.02), 0.4);
  city_consumption ~ lognormal(middle(90, 280), width(90, 280));
  highway_ratio ~ lognormal(log(1.08), 0.1);
  label_factor ~ beta(first_shape(0.715, 0.02), second_shape(0.715, 0.02));
  noncell_ratio ~ lognormal(middle(0.25, 1.1), width(0.25, 1.1));
  glider_mass ~ lognormal(middle(900, 3000), width(900, 3000));
  glider_difference ~ normal(0, 12);
  reference_pack_mass ~ lognormal(middle(120, 800), width(120, 800));

  bench ~ normal(cell_energy * specimen, bench_u);
  target += between(cell_energy * exp(-(fade_per_year * 2.5 + fade_per_100000_km * 0.41)), 6, 192, 204);
  811 ~ normal(1000 * cell_energy / cell_specific_energy, 2 / sqrt(3));
  target += between(17 * 6 * cell_voltage, 2, 376.5, 377.5);
  76.7 ~ normal(usable / charge_efficiency, 0.5);
  target += between(label_range, 0.01 * label_range, 178.5 * mile, 179.5 * mile);
  target += between(label_consumption, 0.01 * label_consumption, 0.415 / mile, 0.425 / mile);
  175 ~ normal(highway, 2.5);
  target += between(glider_mass + pack_mass + 75, 20 / sqrt(3), 2530, 2550);
  target += between(glider_mass + glider_difference + reference_pack_mass + 75, 20 / sqrt(3), 2310, 2330);
  258 ~ normal(reference_pack_mass, 2);
  target += std_normal_lcdf((pack_mass - 480) / 8);
  session ~ student_t(4, wall .* health / session_ratio, sqrt(0.09 + square(session_scatter * wall)));
}
