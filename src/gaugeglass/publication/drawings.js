// Numbers as text, as `numbers.py` prints them for the rest of the page, and what is drawn of the pool's draws: SVG by
// hand, in the page's own colours.

const SPACE = "\u202f";
const MINUS = "\u2212";
const ABSENT = "\u2013";

// --- numbers as text, as the rest of the page prints them ----------------------------------------------------

function fixed(value, decimals) {
  if (!Number.isFinite(value)) return Number.isNaN(value) ? ABSENT : `${value < 0 ? MINUS : ""}∞`;
  const power = 10 ** Math.max(-decimals, 0),
    rounded = Number((value / power).toFixed(Math.max(decimals, 0))) * power;
  const [whole, rest] = Math.abs(rounded).toFixed(Math.max(decimals, 0)).split(".");
  const grouped = Math.abs(rounded) >= 10000 ? whole.replace(/\B(?=(\d{3})+$)/g, SPACE) : whole;
  return `${rounded < 0 ? MINUS : ""}${grouped}${rest ? `.${rest}` : ""}`;
}

/** How many decimals show an uncertainty to so many significant digits. */
function decimalsOf(u, digits = 2) {
  return digits - 1 - Number(u.toExponential(digits - 1).split("e")[1]);
}

function scaleOf(x) {
  if (!x || !Number.isFinite(x)) return 0;
  const exponent = Number(Math.abs(x).toExponential(15).split("e")[1]);
  return exponent >= -4 && exponent < 6 ? 0 : exponent;
}

function raised(letter) {
  return "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"["-0123456789".indexOf(letter)];
}

function scaled(text, exponent) {
  return exponent ? `${text}${SPACE}×${SPACE}10${String(exponent).replace(/[-0-9]/g, raised)}` : text;
}

function withUnit(text, unit) {
  return unit ? `${text}${SPACE}${unit}` : text;
}

function plain(value, digits = 4) {
  if (!value || !Number.isFinite(value)) return fixed(value, 0);
  const exponent = scaleOf(value);
  return exponent
    ? scaled(fixed(value / 10 ** exponent, digits - 1), exponent)
    : fixed(value, Math.max(decimalsOf(Math.abs(value), digits), 0));
}

/** A number as it was entered. */
function exact(value) {
  return String(Number(value.toPrecision(8))).replace("-", MINUS);
}

function percent(share, decimals = 1) {
  if (Number.isNaN(share)) return ABSENT;
  const smallest = 10 ** -decimals,
    shown = Number((100 * share).toFixed(decimals));
  if (share > 0 && shown <= 0) return `below ${fixed(smallest, decimals)}${SPACE}%`;
  if (share < 1 && shown >= 100) return `above ${fixed(100 - smallest, decimals)}${SPACE}%`;
  return `${fixed(shown, decimals)}${SPACE}%`;
}

/** A probability that draws were counted for: never 0 % or 100 %. */
function counted(share) {
  return percent(Math.min(Math.max(share, 1e-9), 1 - 1e-9));
}

/** A small share in percent, rounded up to one significant digit, and its decimals. */
function ceiling(share) {
  const decimals = share > 0 ? Math.max(decimalsOf(100 * share, 1), 0) : 12;
  return [Math.ceil(Number((100 * share * 10 ** decimals).toFixed(6))) / 10 ** decimals, decimals];
}

/** A probability with its error, or the bound that unanimous draws leave it.
 *  @param {Chance} p */
function chanceText({ value, error, atLeast, atMost, isBetween }) {
  if (isBetween) return between(atLeast ?? 0, atMost ?? 1);
  const [most, places] = ceiling(atLeast === null ? atMost : 1 - atLeast);
  if (atLeast !== null) return `above ${fixed(100 - most, places)}${SPACE}%`;
  if (atMost !== null) return `below ${fixed(most, places)}${SPACE}%`;
  if (!(error > 0 && Number.isFinite(error))) return Number.isNaN(value) ? ABSENT : counted(value);
  const decimals = Math.min(Math.max(decimalsOf(100 * error, 1), 1), 2),
    shown = percent(value, decimals);
  return /^\d/.test(shown)
    ? `${shown}${SPACE}±${SPACE}${fixed(Math.max(100 * error, 10 ** -decimals), decimals)}${SPACE}%`
    : shown;
}

/** What draws without a value leave open of a probability: both bounds, or the one that says something. */
function between(least, most) {
  const at = (which, bound) =>
    bound >= LITTLE && bound <= 1 - LITTLE ? `${which} ${counted(bound)}` : counted(Math.round(bound));
  if (least === most) return counted(least);
  if (least < LITTLE) return most > 1 - LITTLE ? `0${SPACE}% to 100${SPACE}%` : at("at most", most);
  if (most > 1 - LITTLE) return at("at least", least);
  const [low, high] = [least, most].map(counted);
  return low === high ? low : `${low} to ${high}`;
}

/** A median with the ends of its credible interval. */
function middle(s, unit) {
  if (!(s.upper > s.lower)) return withUnit(plain(s.median, 8), unit);
  const exponent = scaleOf(Math.max(Math.abs(s.lower), Math.abs(s.upper)));
  const decimals = Math.min(Math.max(decimalsOf((s.sd > 0 ? s.sd : s.upper - s.lower) / 10 ** exponent), 0), 12);
  const [low, at, high] = [s.lower, s.median, s.upper].map((x) => fixed(x / 10 ** exponent, decimals));
  return exponent
    ? withUnit(scaled(`${at} (${low} to ${high})`, exponent), unit)
    : `${withUnit(at, unit)} (${low} to ${high})`;
}

// --- drawing -------------------------------------------------------------------------------------------------

const BINS = 240;
const ATOM = 0.01; // share of draws from which on a value is drawn as a stem
const FEW = 64; // values of a quantity up to which each has a bar of its own
const POINTS = 700; // drawn of two quantities
const HEIGHT = 236,
  FOOT = 76,
  HEAD = 26,
  SIDE = 8; // of a density, its axis and bars, its stems' words, its sides [px]

function svg(name, attributes = {}, text = "") {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text) element.textContent = text;
  return element;
}

/** About so many round numbers between two. */
function ticks(low, high, wanted = 5) {
  const rough = (high - low) / wanted,
    power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 2.5, 5, 10].find((s) => s * power >= rough) * power;
  const found = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i += 1) found.push(i * step);
  return found;
}

function tickText(value, exponent) {
  return String(Number((value / 10 ** exponent).toPrecision(6))).replace("-", MINUS);
}

/** The heaviest value that many draws share exactly, and its share; null without one. */
function atom(pool, index, shares) {
  const values = pool.column(index),
    order = pool.order(index),
    fewest = Math.max(3, ATOM * order.length);
  let best = null,
    whole = 0,
    share = 0,
    many = 0,
    at = NaN;
  for (const n of order) {
    if (values[n] !== at) {
      at = values[n];
      share = 0;
      many = 0;
    }
    share += shares[n];
    whole += shares[n];
    many += 1;
    if (many >= fewest && (best === null || share > best.share)) best = { at, share };
  }
  return best && best.share >= ATOM * whole ? { at: best.at, share: best.share / whole } : null;
}

/** A smoothed density on a grid, mirrored at bounds so that they stay hard; elsewhere it trails off.
 *  @param {(number | null)[]} within between which values the quantity is; where draws pile up is a bound as well */
function density(pool, index, shares, low, high, stem, within) {
  const values = pool.column(index),
    step = (high - low) / (BINS - 1);
  const kept = stem ? Float64Array.from(shares, (share, n) => (values[n] === stem.at ? 0 : share)) : shares;
  const order = pool.order(index).filter((n) => kept[n] > 0);
  if (!order.length || values[order[0]] === values[order[order.length - 1]]) return new Float64Array(BINS);
  let rest = 0,
    squares = 0;
  for (const n of order) {
    rest += kept[n];
    squares += kept[n] * kept[n];
  }
  const [quarter, threequarter] = quantiles(pool, index, kept, [0.25, 0.75]),
    { sd } = spread(pool, index, kept);
  const own = 1.06 * (Math.min(sd, (threequarter - quarter) / 1.34) || sd) * ((rest * rest) / squares) ** -0.2,
    width = Math.max(own, step / 2);
  const [sorted, weights] = [values, kept].map((of) => Float64Array.from(order, (n) => of[n])),
    ends = hardEnds(sorted, weights, within, own);
  const fine = width / FINE,
    start = low - REACH * width,
    counts = new Float64Array(Math.ceil((high - low + 2 * REACH * width) / fine) + 1);
  for (const n of order) {
    const images = ends.filter(([end]) => Number.isFinite(end)).map(([end, sign]) => [2 * end - values[n], sign]);
    for (const [x, sign] of [[values[n], 1], ...images]) {
      const bin = Math.round((x - start) / fine);
      if (bin >= 0 && bin < counts.length) counts[bin] += sign * kept[n];
    }
  }
  const norm = width * Math.sqrt(2 * Math.PI);
  return Float64Array.from({ length: BINS }, (_, i) => {
    const x = low + i * step,
      amid = Math.round((x - start) / fine);
    if (x < ends[0][0] - step / 2 || x > ends[1][0] + step / 2) return 0;
    let smooth = 0;
    for (let bin = Math.max(amid - REACH * FINE, 0); bin <= Math.min(amid + REACH * FINE, counts.length - 1); bin += 1)
      smooth += counts[bin] * Math.exp(-0.5 * ((start + bin * fine - x) / width) ** 2);
    return Math.max(smooth, 0) / norm;
  });
}

/** The bounds of sorted draws, the known ones or an end of theirs at which they pile up well off it, and the sign with
 *  which draws are mirrored there: as high a density beyond, or one that falls to 0. */
function hardEnds(values, shares, [least, most], width) {
  const low = lowerBound(values, shares, least ?? -Infinity, width);
  const [mirrored, weights] = [values.map((x) => -x).reverse(), shares.slice().reverse()];
  const [high, sign] = lowerBound(mirrored, weights, -(most ?? Infinity), width);
  return [low, [-high, sign]];
}

function lowerBound(values, shares, known, width) {
  let within = 0,
    first = 0,
    heaviest = 0,
    many = 0,
    end = 0;
  for (let start = 0; start < values.length; start += 1) {
    for (; end < values.length && values[end] <= values[start] + width / FINE; end += 1) within += shares[end];
    if (!start) [first, many] = [within, end];
    heaviest = Math.max(heaviest, within);
    within -= shares[start];
  }
  const isHigh = first >= PILED * heaviest,
    isPiled = isHigh && many >= LEAST_PILED;
  if (Math.abs(values[0] - known) > width && (isPiled || known > values[0]))
    return isPiled ? [values[0], 1] : [-Infinity, 0];
  return [Math.min(known, values[0]), isHigh ? 1 : -1];
}

/** The share of each of a few values; null where there are many. */
function bars(pool, index, shares) {
  const values = pool.column(index),
    found = new Map();
  for (const n of pool.order(index)) {
    found.set(values[n], (found.get(values[n]) ?? 0) + shares[n]);
    if (found.size > FEW) return null;
  }
  return found.size > 1 ? found : null;
}

/** An axis below a drawing. */
function axis(width, y, low, high, unit, place, left = SIDE) {
  const group = svg("g", { class: "axis" }),
    exponent = scaleOf(Math.max(Math.abs(low), Math.abs(high)));
  group.append(svg("line", { x1: left, x2: width - SIDE, y1: y, y2: y }));
  for (const tick of ticks(low, high, width < 420 ? 4 : 6)) {
    const x = place(tick);
    group.append(
      svg("line", { x1: x, x2: x, y1: y, y2: y + 4 }),
      svg("text", { x, y: y + 18, "text-anchor": "middle" }, tickText(tick, exponent)),
    );
  }
  const said = [exponent ? scaled("", exponent).trim() : "", unit].filter(Boolean).join(" ") || "pure number";
  group.append(svg("text", { x: width - SIDE, y: y + 36, "text-anchor": "end" }, said));
  return group;
}

/** A quantity now over what was published, the interval it had before the evidence, and what claims hold it against.
 *  @param {any} q words and window of the quantity  @param {Float64Array} now  @param {Float64Array} was */
function drawDensity(pool, q, now, was, { isAsked, limits, width }) {
  const [low, high] = q.window,
    index = q.column,
    place = (x) => SIDE + ((x - low) / (high - low)) * (width - 2 * SIDE);
  const floor = HEIGHT - FOOT,
    picture = svg("svg", { width, height: HEIGHT, viewBox: `0 0 ${width} ${HEIGHT}`, "aria-hidden": "true" });
  const layers = [...(isAsked ? [["was", was]] : []), ["now", now]].map(([name, shares]) => {
    const few = bars(pool, index, shares),
      stem = few ? null : atom(pool, index, shares);
    return { name, few, stem, heights: few ? null : density(pool, index, shares, low, high, stem, q.within) };
  });
  const peak = Math.max(...layers.flatMap((l) => (l.few ? [...l.few.values()] : [...l.heights]))) || 1;
  const lift = (height) => floor - (height / peak) * (floor - HEAD);
  const path = (heights) =>
    Array.from(
      heights,
      (h, bin) =>
        `${bin ? "L" : "M"}${place(low + (bin * (high - low)) / (BINS - 1)).toFixed(1)} ${lift(h).toFixed(1)}`,
    ).join("");
  const said = [];
  for (const { name, few, stem, heights } of layers) {
    if (few) {
      const at = [...few.keys()],
        gap = Math.min(...at.slice(1).map((x, i) => x - at[i])),
        wide = Math.max(0.8 * (place(gap) - place(0)), 1);
      for (const [x, share] of few) {
        if (x >= low && x <= high)
          picture.append(
            svg("rect", {
              class: name,
              x: place(x) - wide / 2,
              y: lift(share),
              width: wide,
              height: Math.max(floor - lift(share), 0),
            }),
          );
      }
      continue;
    }
    if (name === "now")
      picture.append(
        svg("path", { class: "area", d: `${path(heights)}L${place(high)} ${floor}L${place(low)} ${floor}Z` }),
      );
    picture.append(svg("path", { class: name, d: path(heights) }));
    if (stem && stem.at >= low && stem.at <= high) {
      const x = place(stem.at),
        top = floor - stem.share * (floor - HEAD);
      picture.append(svg("line", { class: `stem ${name}`, x1: x, x2: x, y1: floor, y2: top }));
      said.push(`${name === "now" ? "" : "as published "}${percent(stem.share, 0)} at ${plain(stem.at, 3)}`);
    }
  }
  for (const x of limits.filter((at) => at >= low && at <= high).map(place))
    picture.append(svg("line", { class: "limit", x1: x, x2: x, y1: floor, y2: HEAD - 6 }));
  if (said.length) picture.append(svg("text", { x: SIDE, y: 14 }, `stem: ${said.reverse().join(", ")}`));
  const row = (y, s, name) => {
    const [from, to] = [s.lower, s.upper].map((x) => place(Math.min(Math.max(x, low), high)));
    picture.append(svg("line", { class: `bar ${name}`, x1: from, x2: Math.max(to, from + 1), y1: y, y2: y }));
    if (s.median >= low && s.median <= high)
      picture.append(svg("circle", { class: `bar ${name}`, cx: place(s.median), cy: y, r: 3.5 }));
  };
  row(floor + 10, spread(pool, index, now), "now");
  if (isAsked) row(floor + 20, spread(pool, index, was), "was");
  if (q.prior) row(floor + (isAsked ? 30 : 20), q.prior, "before");
  picture.append(axis(width, floor + 38, low, high, q.unit, place));
  return picture;
}

/** What to show of a quantity beside another: nearly all of its draws, now and as published. */
function extent(pool, index, now, was) {
  const ends = [now, was].flatMap((shares) => quantiles(pool, index, shares, [0.002, 0.998]));
  const low = Math.min(...ends),
    high = Math.max(...ends),
    margin = 0.06 * (high - low) || Math.abs(high) / 10 || 1;
  return [low - margin, high + margin];
}

/** Two quantities against each other: draws as often as they count now, coloured by hypothesis. */
function drawPair(pool, across, up, now, was, width) {
  const height = Math.min(width, 380),
    floor = height - 44,
    left = 48,
    [xs, ys] = [pool.column(across.column), pool.column(up.column)];
  const picture = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
  const [x, y] = [across, up].map((q) => extent(pool, q.column, now, was));
  const placeX = (value) => left + ((value - x[0]) / (x[1] - x[0])) * (width - left - SIDE);
  const placeY = (value) => floor - ((value - y[0]) / (y[1] - y[0])) * (floor - 24);
  const marks = pool.hypotheses.map(() => "");
  let passed = 0,
    next = 0.5 / POINTS;
  for (const [h, { first, count }] of pool.hypotheses.entries()) {
    for (let n = first; n < first + count; n += 1) {
      passed += now[n];
      if (passed < next) continue;
      while (passed >= next) next += 1 / POINTS;
      if (xs[n] >= x[0] && xs[n] <= x[1] && ys[n] >= y[0] && ys[n] <= y[1])
        marks[h] += `M${placeX(xs[n]).toFixed(1)} ${placeY(ys[n]).toFixed(1)}h0`;
    }
  }
  const grid = svg("g", { class: "axis" }),
    exponent = scaleOf(Math.max(...y.map(Math.abs)));
  for (const tick of ticks(...y)) {
    const at = placeY(tick);
    grid.append(
      svg("line", { class: "faint", x1: left, x2: width - SIDE, y1: at, y2: at }),
      svg("text", { x: left - 6, y: at + 4, "text-anchor": "end" }, tickText(tick, exponent)),
    );
  }
  grid.append(
    svg(
      "text",
      { x: 0, y: 12 },
      [up.says, exponent ? scaled("", exponent).trim() : "", up.unit].filter(Boolean).join(" "),
    ),
  );
  picture.append(grid, axis(width, floor, ...x, [across.says, across.unit].filter(Boolean).join(" "), placeX, left));
  marks.forEach((d, h) => {
    if (d) picture.append(svg("path", { class: `points series-${h % 6}`, d }));
  });
  return picture;
}

/** Correlation of two quantities over the draws as they count. */
function correlation(pool, a, b, shares) {
  const [xs, ys] = [pool.column(a), pool.column(b)],
    mx = spread(pool, a, shares),
    my = spread(pool, b, shares);
  let both = 0,
    whole = 0;
  for (let n = 0; n < xs.length; n += 1) {
    if (!(shares[n] > 0) || Number.isNaN(xs[n] + ys[n])) continue;
    whole += shares[n];
    both += shares[n] * (xs[n] - mx.mean) * (ys[n] - my.mean);
  }
  return both / whole / (mx.sd * my.sd);
}
