// What the pool of draws that the page carries says when something else is asked: reweighting, without new draws.
// Its twin in Python is `gaugeglass.judgement.answers`, and tests hold the two against each other.

/** @typedef {{off: Set<number>, scale: Map<number, number>, prior: number[] | null, at: Map<number, number>}} State
 *  What is asked: units left out, factors of a reading's u, prior weights of the hypotheses, numbers of claims. */
/** @typedef {{value: number, error: number, atLeast: number | null, atMost: number | null, isBetween?: boolean}} Chance
 *  A probability, and bounds where every draw agrees or where, "between" them, draws without a value leave it open. */
/** @typedef {{first: number, a: Float64Array, own: number, square: number, counted: Float64Array[], products: number[],
 *    much: number[], rest: number, logSums: number[], logZ: number, size: number, k: number, limit: number}} Part
 *  One hypothesis: how much each of its draws counts, what of that is known, its log marginal likelihood [nat],
 *  effective draws, shape of the tail of its weights and up to where that can be trusted. */
/** @typedef {{isAnswered: boolean, isReliable: boolean, untold: {block: any, isBeyond: boolean} | null, shares: Float64Array, parts: Part[], weights: Chance[],
 *    claims: Chance[], weakest: number}} Answer */

// Its constants are Python's own: `gaugeglass.publication.scripts` writes them before this.

// --- the pool ------------------------------------------------------------------------------------------------

/** The columns of a pool, each decoded when it is first asked for. */
class Pool {
  /** @param {any} told the pool's document  @param {Uint16Array} codes column after column */
  constructor(told, codes) {
    Object.assign(this, told);
    this.codes = codes;
    /** @type {(Float64Array | undefined)[]} */
    this.decoded = [];
    /** @type {(Uint32Array | undefined)[]} */
    this.orders = [];
    this.series = this.blocks.filter((block) => block.numbers).map((block) => ({ block, least: this.least(block) }));
    this.mixtures = this.hypotheses.map((_, h) => this.mixture(h));
    this.ofClaims = [];
    const top = Math.max(...this.hypotheses.map((h) => h.log_evidence));
    const odds = this.hypotheses.map((h) => h.prior * Math.exp(h.log_evidence - top));
    this.published = odds.map((o) => o / sum(odds));
  }

  /** The values of a column, NaN where there is none. */
  column(index) {
    if (this.decoded[index]) return this.decoded[index];
    const { low, high, scale } = this.columns[index];
    const from = index * this.draws,
      wide = high - low;
    const values = new Float64Array(this.draws);
    for (let n = 0; n < this.draws; n += 1) {
      const share = this.codes[from + n] / MOST;
      values[n] =
        share > 1
          ? NaN
          : scale === "below"
            ? high - share * share * wide
            : scale === "log"
              ? Math.exp(low + share * wide)
              : low + share * wide;
    }
    this.decoded[index] = values;
    return values;
  }

  /** The draws of a column in rising order, those that are no number left out. */
  order(index) {
    if (!this.orders[index]) {
      const values = this.column(index);
      this.orders[index] = Uint32Array.from(values.keys())
        .filter((n) => !Number.isNaN(values[n]))
        .sort((a, b) => values[a] - values[b]);
    }
    return this.orders[index];
  }

  /** Which atoms count when units are off. */
  atomsOn(off) {
    const on = this.atoms.map(() => true);
    for (const unit of off) for (const atom of this.units[unit].atoms) on[atom] = false;
    return on;
  }

  /** Log-likelihood of all that counts in each draw [nat]; null where the pool cannot tell it. */
  told(off, scale = new Map()) {
    const on = this.atomsOn(off),
      found = new Float64Array(this.draws),
      other = new Map([...scale].flatMap(([reading, factor]) => this.rescaled(reading, factor)));
    for (const block of this.blocks) {
      const places = placesOn(block, on);
      if (!places.length) continue;
      const own = this.ofBlock(block, places, (index) => other.get(index) ?? this.column(index));
      if (own === null) return null;
      addTo(found, own);
    }
    return found;
  }

  /** Log-likelihood of some of a block's atoms [nat]; null where the pool cannot tell it. */
  ofBlock(block, places, values) {
    const index = block.columns[maskOf(places)];
    if (index !== undefined) return values(index);
    if (block.numbers) return this.ofNumbers(block.numbers, places);
    if (!block.sources?.length) return null;
    const found = new Float64Array(this.draws);
    for (const source of block.sources) addTo(found, this.ofSource(source, places, values));
    return found;
  }

  /** The same of readings that may be wrong together. */
  ofSource({ reliable, wrong, clusters }, places, values) {
    const right = new Float64Array(this.draws).fill(Math.log(reliable)),
      astray = places.reduce((log, k) => log + (wrong[k] ?? -Infinity), Math.log1p(-reliable));
    for (const cluster of clusters) addTo(right, this.ofCluster(cluster, places, values));
    return right.map((log) => addLogs(log, astray));
  }

  /** The same of readings that have one basis in common, by a source that is reliable. */
  ofCluster({ chances, columns }, places, values) {
    const found = new Float64Array(this.draws).fill(-Infinity),
      own = places.map((k) => columns[k]).filter((each) => each.length);
    chances.forEach((chance, basis) => {
      const way = new Float64Array(this.draws).fill(Math.log(chance));
      for (const each of own) addTo(way, values(each[basis]));
      for (let n = 0; n < found.length; n += 1) found[n] = addLogs(found[n], way[n]);
    });
    return found;
  }

  /** The same of serial numbers of one series, none of which was drawn twice. */
  ofNumbers({ total, reached, counts, ranks }, places) {
    const count = sum(places.map((k) => counts[k])),
      rank = Math.max(...places.map((k) => ranks[k])),
      totals = this.column(total);
    return this.column(reached).map((reach, n) => {
      if (!(reach > rank - 0.5)) return -Infinity;
      let found = 0;
      for (let taken = 0; taken < count; taken += 1) found -= Math.log(totals[n] - taken);
      return found;
    });
  }

  /** The least place of a series's greatest number of which every hypothesis has draws. */
  least(block) {
    const drawn = this.components.filter((c) => c.draws > 0),
      rank = ({ off }) => rankOf(block, this.atomsOn(off === null ? [] : [off]));
    const each = this.hypotheses.map((_, h) => drawn.filter((c) => c.hypothesis === h).map(rank));
    return Math.max(...each.map((ranks) => (ranks.length ? Math.min(...ranks) : 0)));
  }

  /** Why a state cannot be told: the block, and whether that is because no draws lie where it lets them. */
  untold(off) {
    const on = this.atomsOn(off),
      beyond = this.series.find(({ block, least }) => rankOf(block, on) < least);
    if (beyond) return { block: beyond.block, isBeyond: true };
    const block = this.blocks.find((each) => {
      const places = placesOn(each, on);
      const isKnown = each.numbers || each.sources?.length || each.columns[maskOf(places)] !== undefined;
      return places.length && !isKnown;
    });
    return block ? { block, isBeyond: false } : null;
  }

  /** What takes the place of the columns that a reading is told by, with another u: their indices and values [nat]. */
  rescaled(reading, factor) {
    const { atom, scaling } = this.readings[reading],
      block = this.blocks.find(({ atoms }) => atoms.includes(atom));
    if (scaling.kind !== "bases") return [[block.columns[1], this.retold(block.columns[1], scaling, factor)]];
    const place = block.atoms.indexOf(atom),
      clusters = block.sources.flatMap((source) => source.clusters),
      own = clusters.map(({ columns }) => columns[place]).find((each) => each.length);
    return own.map((index, basis) => [index, this.column(scaling.bases[String(factor)][basis])]);
  }

  /** Log-likelihood of a reading that is a block by itself, with another u [nat]. */
  retold(index, { kind, peak, nu, at, curves, columns }, factor) {
    const values = this.column(index);
    if (kind === "columns") return this.column(columns[String(factor)]);
    if (kind === "curves") return values.map((l) => straight(l, at, curves[String(factor)]));
    const top = peak - Math.log(factor),
      square = factor * factor;
    if (kind === "normal") return values.map((l) => top - Math.max(peak - l, 0) / square);
    return values.map(
      (l) => top - ((nu + 1) / 2) * Math.log1p(Math.expm1((2 * Math.max(peak - l, 0)) / (nu + 1)) / square),
    );
  }

  /** The draws of a hypothesis as those of the mixture of its components: the log of its density times how many draws
   *  there are [nat], how much each draw counts in each component, what that summed to before, and what is known. */
  mixture(h) {
    const { first, count } = this.hypotheses[h],
      logs = new Float64Array(count).fill(-Infinity);
    const own = [...this.components.keys()].filter((c) => this.components[c].hypothesis === h);
    const scaled = own.map((c) => {
      const { off, draws, log_z } = this.components[c],
        told = this.told(off === null ? [] : [off]);
      const found = told.subarray(first, first + count).map((l) => l - log_z);
      if (draws > 0) for (let n = 0; n < count; n += 1) logs[n] = addLogs(logs[n], Math.log(draws) + found[n]);
      return found;
    });
    const raw = scaled.map((each) => each.map((l, n) => Math.exp(l - logs[n]))),
      sums = raw.map(sum);
    const shares = raw.map((share, c) => share.map((x) => x / (sums[c] || 1)));
    return {
      own,
      logs,
      shares,
      sums,
      known: new Known(shares, ...this.errorsOf(own)),
    };
  }

  /** The errors of components' log marginal likelihoods, and whether each was drawn anew. */
  errorsOf(own) {
    return [own.map((c) => this.components[c].mcse), own.map((c) => this.components[c].anew)];
  }

  /** Whether a claim holds in each draw, as 0 and 1, with another number if there is one. */
  holds(claim, at) {
    const { column, compare } = this.claims[claim],
      values = this.column(column);
    if (!compare) return values.map((x) => x || 0);
    const number = at ?? compare.at;
    const is = { ">": (x) => x > number, ">=": (x) => x >= number, "<": (x) => x < number, "<=": (x) => x <= number }[
      compare.sign
    ];
    return values.map((x) => (is(x) ? 1 : 0));
  }

  /** The same of whether it may hold: it does, or is neither true nor false. */
  mayHold(claim, at) {
    const values = this.column(this.claims[claim].column);
    return this.holds(claim, at).map((held, n) => (Number.isNaN(values[n]) ? 1 : held));
  }

  /** What is known of a claim, or at most of its being true or neither, under a hypothesis beside its draws: integrals
   *  of components and of the claim in each, and how far the latter are from what the draws say of them. */
  knownOfClaim(claim, h, atMost) {
    const key = 2 * (claim * this.hypotheses.length + h) + Number(atMost);
    if (!this.ofClaims[key]) {
      const { first, count } = this.hypotheses[h],
        { own, shares } = this.mixtures[h],
        { published, mcse, most, most_mcse } = this.claims[claim],
        means = atMost ? most : published,
        ofMeans = atMost ? most_mcse : mcse;
      const held = (atMost ? this.mayHold(claim) : this.holds(claim)).subarray(first, first + count);
      const drawn = shares.map((share) => dot(share, held));
      const least = shares.map((share) => NEARLY_SURE * Math.sqrt(dot(share, share)));
      const terms = [...shares, ...shares.map((share, c) => share.map((x, n) => x * (held[n] - drawn[c])))];
      const off = own.map((c, i) => means[c] - drawn[i]),
        [errors, apart] = this.errorsOf(own),
        ofClaim = own.map((c) => ofMeans[c]);
      const known = new Known(terms, [...errors, ...ofClaim], [...apart, ...apart], [...least, ...least]);
      this.ofClaims[key] = { known, held, drawn, off };
    }
    return this.ofClaims[key];
  }
}

/** Sums over draws that are known, by which sums of anything else are told better: least squares with a small ridge
 *  (A. Owen and Y. Zhou, Journal of the American Statistical Association 95 (2000) 135). */
class Known {
  /** @param {Float64Array[]} terms what is summed, one array each  @param {number[]} errors of what is known of them
   *  @param {boolean[]} apart whether these are of other draws  @param {number[]} least what is shorter is as good as
   *  unknown */
  constructor(terms, errors, apart, least = []) {
    this.products = terms.map((term, i) => terms.slice(0, i + 1).map((other) => dot(term, other)));
    this.scale = terms.map((_, i) => Math.max(Math.sqrt(this.products[i][i]), least[i] ?? 0) || 1);
    this.root = []; // of the products of terms of unit length, with the ridge: lower triangle, by Cholesky
    this.covariance = []; // of the errors, twice off the diagonal: lower triangle
    for (const [i, row] of this.products.entries()) {
      this.root.push(new Float64Array(i + 1));
      this.covariance.push(new Float64Array(i + 1));
      for (let j = 0; j <= i; j += 1) {
        const product = row[j] / this.scale[i] / this.scale[j];
        let left = product + (i === j ? RIDGE : 0);
        for (let k = 0; k < j; k += 1) left -= this.root[i][k] * this.root[j][k];
        this.root[i][j] = i === j ? Math.sqrt(left) : left / this.root[j][j];
        this.covariance[i][j] = errors[i] * errors[j] * (i === j ? 1 : apart[i] || apart[j] ? 0 : 2 * product);
      }
    }
  }

  /** How much of each known sum something is, from its products with the terms. */
  part(products) {
    const { scale, root } = this,
      much = products.map((product, i) => product / scale[i]);
    for (let i = 0; i < much.length; i += 1) {
      for (let k = 0; k < i; k += 1) much[i] -= root[i][k] * much[k];
      much[i] /= root[i][i];
    }
    for (let i = much.length - 1; i >= 0; i -= 1) {
      for (let k = i + 1; k < much.length; k += 1) much[i] -= root[k][i] * much[k];
      much[i] /= root[i][i];
    }
    return much.map((own, i) => own / scale[i]);
  }

  /** The sum over draws of what else something is times what else another thing is: from that of the two as they are,
   *  and for each its products with the terms and how much it is of each. The first terms alone may tell the other. */
  rest(whole, [products, much], [others, other]) {
    let found = whole - dot(much, others) - dot(other, products);
    for (let i = 0; i < much.length; i += 1) {
      let own = 0;
      for (let k = 0; k < other.length; k += 1) own += other[k] * (k > i ? this.products[k][i] : this.products[i][k]);
      found += much[i] * own;
    }
    return found;
  }

  /** The variance of a sum: so much of each known one, and something else, whose squares sum to `rest`. */
  variance(much, rest) {
    let found = 0;
    for (let i = 0; i < much.length; i += 1) found += much[i] * dot(this.covariance[i], much);
    return Math.max(rest, 0) + Math.max(found, 0);
  }
}

/** Which of a block's atoms count, by their places in it. */
function placesOn(block, on) {
  return block.atoms.flatMap((atom, k) => (on[atom] ? [k] : []));
}

/** Places as a number whose bits they are. */
function maskOf(places) {
  return sum(places.map((k) => 2 ** k));
}

/** The place of the greatest number of a series that counts; 0 without any. */
function rankOf(block, on) {
  return Math.max(0, ...placesOn(block, on).map((k) => block.numbers.ranks[k]));
}

/** Add logs, of which one that is missing is minus infinity. */
function addTo(found, logs) {
  for (let n = 0; n < found.length; n += 1) found[n] += Number.isNaN(logs[n]) ? -Infinity : logs[n];
}

/** The sum of products, over the first of the two. */
function dot(a, b) {
  let found = 0;
  for (let n = 0; n < a.length; n += 1) found += a[n] * b[n];
  return found;
}

function addLogs(a, b) {
  const top = Math.max(a, b);
  return top === -Infinity ? top : top + Math.log1p(Math.exp(Math.min(a, b) - top));
}

/** A curve straight between its nodes, and on beyond the lowest. */
function straight(x, at, values) {
  let low = 0,
    high = at.length - 1;
  while (high - low > 1) {
    const half = (low + high) >> 1;
    if (at[half] < x) low = half;
    else high = half;
  }
  return values[low] + ((values[high] - values[low]) / (at[high] - at[low])) * (Math.min(x, at.at(-1)) - at[low]);
}

/** Read the pool out of the page: base64 of raw deflate of 16-bit numbers, little endian. */
async function readPool(told) {
  const packed = Uint8Array.from(atob(told.data), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  const bytes = new DataView(await new Response(stream).arrayBuffer());
  const codes = new Uint16Array(bytes.byteLength / 2);
  for (let i = 0; i < codes.length; i += 1) codes[i] = bytes.getUint16(2 * i, true);
  return new Pool(told, codes);
}

// --- answers -------------------------------------------------------------------------------------------------

/** What the pool says when something else is asked. Its twin in Python is `gaugeglass.judgement.answers.what_if`.
 *  @param {Pool} pool  @param {State} state  @returns {Answer} */
function answer(pool, state) {
  const untold = pool.untold(state.off),
    told = untold ? null : pool.told(state.off, state.scale),
    shares = new Float64Array(pool.draws);
  const prior = state.prior ?? pool.hypotheses.map((h) => h.prior);
  const parts = told === null ? [] : pool.hypotheses.map((_, h) => weigh(pool, h, told, ownComponent(pool, state, h)));
  const top = Math.max(-Infinity, ...parts.map((part, h) => (prior[h] > 0 ? part.logZ : -Infinity)));
  if (top === -Infinity)
    return { isAnswered: false, isReliable: false, untold, shares, parts, weights: [], claims: [], weakest: 0 };
  const odds = parts.map((part, h) => (prior[h] > 0 ? prior[h] * Math.exp(part.logZ - top) : 0));
  const weights = odds.map((o) => o / sum(odds));
  parts.forEach((part, h) =>
    part.a.forEach((a, i) => {
      shares[part.first + i] = weights[h] * a;
    }),
  );
  const variances = parts.map((part, h) => variance(pool, h, pool.mixtures[h].known, part.much, part.rest));
  const errors = weights.map((w, h) =>
    Math.sqrt(sum(weights.map((_, g) => (w * ((g === h ? 1 : 0) - weights[g])) ** 2 * variances[g]))),
  );
  const matters = parts.map(
    (part, h) => prior[h] > 0 && (weights[h] > MATTERS || pool.published[h] > MATTERS || part.size < VAGUE),
  );
  const weakest = parts.reduce(
    (worst, part, h) => (matters[h] && (worst < 0 || trust(part) < trust(parts[worst])) ? h : worst),
    -1,
  );
  return {
    isAnswered: true,
    untold: null,
    isReliable: trust(parts[weakest]) > 0,
    shares,
    parts,
    weakest,
    weights: weights.map((value, h) => ({ value, error: errors[h], atLeast: null, atMost: null })),
    claims: pool.claims.map((_, claim) => ofClaim(pool, parts, weights, claim, state.at.get(claim))),
  };
}

/** One hypothesis: how much each of its draws counts, how far that can be trusted, and its marginal likelihood.
 *  @returns {Part} */
function weigh(pool, h, told, own) {
  const { first, count } = pool.hypotheses[h],
    mixture = pool.mixtures[h],
    a = new Float64Array(count);
  const logs = mixture.logs.map((log, i) => told[first + i] - log),
    limit = count > 10 ? Math.min(1 - 1 / Math.log10(count), MOST_K) : 0;
  let top = -Infinity,
    z = 0;
  for (const log of logs) top = Math.max(top, log);
  const isPossible = top > -Infinity;
  if (isPossible) {
    for (let i = 0; i < count; i += 1) {
      a[i] = Math.exp(logs[i] - top);
      z += a[i];
    }
    for (let i = 0; i < count; i += 1) a[i] /= z;
  }
  const square = dot(a, a),
    counted = mixture.shares.map((share) => share.map((x, i) => x * a[i])),
    products = counted.map(sum);
  const much = own < 0 ? mixture.known.part(products) : mixture.own.map((_, c) => (c === own ? 1 : 0)),
    rest = own < 0 ? mixture.known.rest(square, [products, much], [products, much]) : 0;
  const logSums = mixture.sums.map((all) => (all > 0 ? Math.log(all) : 0));
  const size = isPossible ? 1 / square : 0,
    k = isPossible ? shape(logs, size) : Infinity,
    logZ = top + Math.log(z) - dot(much, logSums);
  return { first, a, own, square, counted, products, much, rest, logSums, limit, k, size, logZ };
}

/** Which component of a hypothesis the evidence of a state is; -1 if it is none. */
function ownComponent(pool, state, h) {
  if (state.scale.size) return -1;
  const asked = String(pool.atomsOn(state.off));
  return pool.mixtures[h].own.findIndex((c) => {
    const { off } = pool.components[c];
    return String(pool.atomsOn(off === null ? [] : [off])) === asked;
  });
}

/** Shape of the tail of weights, told among the greatest, as many as there are effective draws: others, which count for
 *  little since they are of other components, would be taken for the body. Minus infinity where all are about equal. */
function shape(logs, size) {
  const greatest = Float64Array.from(logs)
    .sort()
    .slice(-Math.max(Math.ceil(size), FEWEST_TOLD));
  const cutoff = greatest.at(-Math.max(tailSize(greatest.length), 1) - 1);
  return greatest.at(-1) - cutoff < FLAT ? -Infinity : tail(greatest);
}

/** How many of so many weights are their tail. */
function tailSize(count) {
  return Math.min(Math.floor(3 * Math.sqrt(count)), Math.floor(count / 5));
}

/** How far a hypothesis's part can be trusted: above 0 where it can. */
function trust(part) {
  if (part.own >= 0) return Math.log(part.size / FEWEST_OWN);
  return part.k >= part.limit ? part.limit - part.k - 1 : Math.log(part.size / FEWEST);
}

/** The variance of what is so much of what is known, components' integrals first, and something else. */
function variance(pool, h, known, much, rest) {
  const { own } = pool.mixtures[h],
    shared = sum(own.map((c, i) => (pool.components[c].anchored ? much[i] : 0)));
  return known.variance(much, rest) + (shared * pool.hypotheses[h].log_evidence_mcse) ** 2;
}

/** A claim's probability; what draws leave open of it in which it is neither true nor false.
 *  @returns {Chance} */
function ofClaim(pool, parts, weights, claim, at) {
  const low = probability(pool, parts, weights, claim, at, false);
  if (!pool.claims[claim].most) return low;
  const high = probability(pool, parts, weights, claim, at, true),
    noValue = Math.max(high.value - low.value, 0),
    errors = [low.error, high.error].filter(Number.isFinite),
    isBounded = low.atLeast !== null || low.atMost !== null;
  if (!isBounded && noValue <= Math.max(0, ...errors)) return low;
  const ends = [low, high].flatMap(endsOf),
    [least, most] = [Math.min(...ends), Math.max(...ends)],
    isOpen = least === 0 && most === 1;
  return {
    value: low.value,
    error: errors.length ? Math.max(...errors) : NaN,
    atLeast: least > 0 || isOpen ? least : null,
    atMost: most < 1 || isOpen ? most : null,
    isBetween: noValue > 0,
  };
}

/** The least and the greatest that a probability may be, but for its error. */
function endsOf({ value, atLeast, atMost }) {
  return atLeast === null && atMost === null ? [value, value] : [atLeast ?? 0, atMost ?? 1];
}

/** A claim's probability, corrected by what all draws there were say of it in each component, with its error; at most
 *  that of its being true or neither.
 *  @returns {Chance} */
function probability(pool, parts, weights, claim, at, atMost) {
  const holds = atMost ? pool.mayHold(claim, at) : pool.holds(claim, at),
    isPublished = at === undefined || at === pool.claims[claim].compare?.at;
  const found = parts.map((part, h) => {
    const held = holds.subarray(part.first, part.first + part.a.length);
    return chance(part, pool.knownOfClaim(claim, h, atMost), held, isPublished);
  });
  const value = sum(found.map(({ p }, h) => weights[h] * p));
  if (!(value > NEARLY_ZERO && value < 1 - NEARLY_ZERO)) {
    const doubt = sum(parts.map((part, h) => weights[h] * (1 - DOUBT ** (1 / Math.max(part.size, 1))))),
      isSure = value > 0.5;
    return { value: Number(isSure), error: NaN, atLeast: isSure ? 1 - doubt : null, atMost: isSure ? null : doubt };
  }
  const variances = found.map(({ p, known, much, square, cross }, h) => {
    const far = p - value,
      whole = much.map((each, c) => each + far * (parts[h].much[c] ?? 0)),
      rest = square + far * (2 * cross + far * parts[h].rest);
    return weights[h] ** 2 * variance(pool, h, known, whole, rest);
  });
  const error = Math.hypot(Math.sqrt(sum(variances)), led(parts, weights, holds, value));
  return { value, error, atLeast: null, atMost: null };
}

/** How far what is known has led a probability, where so few draws are on its lesser side that it may mislead. */
function led(parts, weights, holds, value) {
  if (parts.every((part) => part.own >= 0)) return 0;
  const sums = [0, 0],
    squares = [0, 0];
  parts.forEach((part, h) => {
    for (let n = 0; n < part.a.length; n += 1) {
      const own = weights[h] * part.a[n],
        side = holds[part.first + n] ? 1 : 0;
      sums[side] += own;
      squares[side] += own * own;
    }
  });
  const lesser = sums[1] < 0.5 ? 1 : 0;
  return sums[lesser] ** 2 < FEWEST_OTHERWISE * squares[lesser] ? Math.abs(value - sums[1]) : 0;
}

/** A claim's probability under one hypothesis; how much of what is known it is; of what else it is the sum of squares,
 *  and of its products with what else the draws' counts are. As published, where the state is a component or the draws
 *  agree, it is what it is in the components; what is known is left out where it would lead beyond 0 and 1.
 *  @param {Part} part  @param {Float64Array} holds whether the claim holds in each draw */
function chance(part, { known, held, drawn: means, off }, holds, isPublished) {
  const { a, counted, products: counts, much: own } = part,
    nothing = [...off, ...off].map(() => 0),
    drawn = dot(a, holds),
    agree = Math.min(drawn, 1 - drawn) * part.size < HARDLY_ONE;
  if (isPublished && (part.own >= 0 || agree)) {
    const p = Math.min(Math.max(drawn + dot(own, off), 0), 1);
    return { p, known, much: [...nothing.slice(off.length), ...own], square: 0, cross: 0 };
  }
  if (agree) return { p: Math.round(drawn), known, much: nothing, square: 0, cross: 0 };
  let square = 0,
    cross = 0;
  for (let n = 0; n < a.length; n += 1) {
    const pull = a[n] * (holds[n] - drawn);
    square += pull * pull;
    cross += pull * a[n];
  }
  const whole = counted.map((each) => dot(each, holds)),
    published = isPublished ? whole : counted.map((each) => dot(each, held)),
    both = isPublished ? whole : counted.map((each) => dotWhere(each, held, holds));
  const first = whole.map((x, c) => x - drawn * counts[c]),
    products = [...first, ...both.map((x, c) => x - drawn * published[c] - means[c] * first[c])],
    ofCounts = [...counts, ...published.map((x, c) => x - means[c] * counts[c])];
  const told = known.part(products),
    corrected = drawn + dot(off, told.slice(off.length)) - dot(part.logSums, told),
    isWithin = corrected >= 0 && corrected <= 1,
    much = isWithin ? told : nothing;
  return {
    p: isWithin ? corrected : drawn,
    known,
    much,
    square: known.rest(square, [products, much], [products, much]),
    cross: part.own >= 0 ? 0 : known.rest(cross, [first, much], [ofCounts, own]),
  };
}

/** The sum of a number over the draws in which two claims hold. */
function dotWhere(a, first, second) {
  let found = 0;
  for (let n = 0; n < a.length; n += 1) found += a[n] * first[n] * second[n];
  return found;
}

/** Shape of the tail of importance weights, whose rising logs are given: the fit of a generalised Pareto distribution
 *  by J. Zhang and M. A. Stephens, Technometrics 51 (2009) 316, with the prior of Vehtari et al. 2024. Minus infinity
 *  where all weights agree. */
function tail(sorted) {
  const count = tailSize(sorted.length);
  if (count < FEWEST_IN_TAIL) return Infinity;
  const top = sorted.at(-1),
    from = sorted.length - count;
  if (top - sorted[0] < 1e-12) return -Infinity;
  const cutoff = Math.exp(sorted[from - 1] - top);
  const over = sorted.slice(from).map((log) => Math.exp(log - top) - cutoff);
  const quartile = over[Math.floor(count / 4 + 0.5) - 1];
  if (!(quartile > over[0] && over[0] >= 0)) return Infinity;
  const grid = 30 + Math.floor(Math.sqrt(count)),
    rates = [],
    fits = [];
  for (let j = 1; j <= grid; j += 1) {
    const rate = 1 / over[count - 1] + (1 - Math.sqrt(grid / (j - 0.5))) / (3 * quartile);
    const shape = mean(over.map((x) => Math.log1p(-rate * x)));
    const fit = count * (Math.log(-rate / shape) - shape - 1);
    rates.push(rate);
    fits.push(Number.isFinite(fit) ? fit : -Infinity);
  }
  const best = Math.max(...fits),
    likely = fits.map((fit) => Math.exp(fit - best));
  const rate = sum(likely.map((share, j) => share * rates[j])) / sum(likely);
  const k = mean(over.map((x) => Math.log1p(-rate * x)));
  return (count * k + PRIOR_K * PRIOR_SIZE) / (count + PRIOR_SIZE);
}

/** @param {number[] | Float64Array} values */
function sum(values) {
  return values.reduce((a, b) => a + b, 0);
}
function mean(values) {
  return sum(values) / values.length;
}

/** Weighted quantiles of a column, halfway between draws. */
function quantiles(pool, index, shares, wanted) {
  const values = pool.column(index),
    order = pool.order(index);
  const found = [];
  let whole = 0;
  for (const n of order) whole += shares[n];
  let passed = 0,
    last = NaN,
    before = 0,
    next = 0;
  for (const n of order) {
    if (!(shares[n] > 0)) continue;
    const middle = passed + shares[n] / 2;
    while (next < wanted.length && middle >= wanted[next] * whole) {
      const part = Number.isNaN(last) ? 1 : (wanted[next] * whole - before) / (middle - before);
      found.push(Number.isNaN(last) ? values[n] : last + part * (values[n] - last));
      next += 1;
    }
    passed += shares[n];
    before = middle;
    last = values[n];
  }
  while (found.length < wanted.length) found.push(last);
  return found;
}

/** @returns {{lower: number, median: number, upper: number, mean: number, sd: number}} */
function spread(pool, index, shares) {
  const values = pool.column(index);
  let whole = 0,
    first = 0,
    second = 0;
  for (let n = 0; n < values.length; n += 1) {
    if (!(shares[n] > 0) || Number.isNaN(values[n])) continue;
    whole += shares[n];
    const step = values[n] - first;
    first += (step * shares[n]) / whole;
    second += shares[n] * step * (values[n] - first);
  }
  const [lower, median, upper] = quantiles(pool, index, shares, [(1 - INTERVAL) / 2, 0.5, (1 + INTERVAL) / 2]);
  return { lower, median, upper, mean: first, sd: Math.sqrt(second / whole) };
}

/** Two-sided predictive probability of a reading at least as far out as the one that was made. */
function tailOf(pool, reading, shares) {
  const values = pool.column(reading.simulated);
  let below = 0,
    above = 0,
    whole = 0;
  for (let n = 0; n < values.length; n += 1) {
    if (!(shares[n] > 0) || Number.isNaN(values[n])) continue;
    whole += shares[n];
    if (values[n] <= (reading.upper ?? Infinity)) below += shares[n];
    if (values[n] >= (reading.lower ?? -Infinity)) above += shares[n];
  }
  return Math.min(1, (2 * Math.min(below, above)) / whole);
}
