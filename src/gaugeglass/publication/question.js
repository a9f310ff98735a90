// The page answers questions. No network, no library, nothing evaluated as code; data reach the page as text only
// (textContent, attributes), never as markup. `answers.js` and `drawings.js` stand before this in the page's script.

// --- the address ---------------------------------------------------------------------------------------------

const MOST_NAMED = 4; // of readings that hang together
const PLACES = { without: "observation", "without-origin": "origin", "without-table": "table" };

/** What is asked, as it stands in the address behind #. */
function written(pool, state) {
  const found = new URLSearchParams();
  const keys = Object.fromEntries(Object.entries(PLACES).map(([key, kind]) => [kind, key]));
  for (const unit of state.off) found.append(keys[pool.units[unit].kind], pool.units[unit].name);
  for (const [reading, factor] of state.scale) found.append(`u.${pool.readings[reading].id}`, factor);
  if (state.prior) state.prior.forEach((weight, h) => found.append(`prior.${pool.hypotheses[h].name}`, weight));
  for (const [claim, number] of state.at) found.append(`at.${pool.claims[claim].name}`, number);
  return found.toString();
}

/** What an address asks; whatever is not understood is left out, and said to be.
 *  @returns {{state: State, isWhole: boolean}} */
function understood(pool, text) {
  const state = asPublished();
  const weights = new Map();
  let isWhole = text.length <= 4000;
  for (const [key, value] of isWhole ? new URLSearchParams(text) : []) {
    const [place, name] = key.split(/\.(.*)/s),
      number = value.trim() === "" ? NaN : Number(value);
    const unit = Object.hasOwn(PLACES, key)
      ? pool.units.findIndex((u) => u.kind === PLACES[key] && u.name === value)
      : -1;
    const reading =
      place === "u" ? pool.readings.findIndex((r) => r.id === name && r.scaling && FACTORS.includes(number)) : -1;
    const hypothesis =
      place === "prior" ? pool.hypotheses.findIndex((h) => h.name === name && number >= 0 && number <= 1e6) : -1;
    const claim =
      place === "at" ? pool.claims.findIndex((c) => c.name === name && c.compare && Number.isFinite(number)) : -1;
    if (unit >= 0) state.off.add(unit);
    else if (reading >= 0) state.scale.set(reading, number);
    else if (hypothesis >= 0) weights.set(hypothesis, number);
    else if (claim >= 0) state.at.set(claim, number);
    else isWhole = false;
  }
  if (weights.size) {
    const prior = pool.hypotheses.map((h, i) => weights.get(i) ?? h.prior);
    if (sum(prior) > 0) state.prior = prior;
    else isWhole = false;
  }
  return { state, isWhole };
}

/** @returns {State} */
function asPublished() {
  return { off: new Set(), scale: new Map(), prior: null, at: new Map() };
}

function isAsked(state) {
  return state.off.size + state.scale.size + state.at.size > 0 || state.prior !== null;
}

/** A word of a command line. */
function quoted(word) {
  return /^[\w@%+=:,./-]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`;
}

// --- the page ------------------------------------------------------------------------------------------------

const byId = (id) => document.getElementById(id);
const all = (selector) => [...document.querySelectorAll(selector)];

class Page {
  constructor(pool, words) {
    this.pool = pool;
    this.words = words;
    this.state = asPublished();
    this.width = 0;
    this.base = answer(pool, this.state);
    this.compared = pool.claims.map(({ compare, column }) =>
      compare?.of ? words.quantities.find((q) => q.name === compare.of).column : column,
    );
    for (const q of words.quantities) {
      q.window ??= extent(pool, q.column, this.base.shares, this.base.shares);
      q.published ??= middle(spread(pool, q.column, this.base.shares), q.unit);
    }
    this.wire();
    byId("question").hidden = false;
    this.follow();
    addEventListener("hashchange", () => this.follow());
    new ResizeObserver(([entry]) => {
      this.width = Math.round(entry.contentRect.width);
      this.draw();
    }).observe(byId("density"));
    new ResizeObserver(() => {
      document.documentElement.style.scrollPaddingTop = `${byId("answer").offsetHeight + 8}px`; // it covers so much
    }).observe(byId("answer"));
  }

  /** Take what the address asks, if it asks anything. */
  follow() {
    const text = location.hash.slice(1);
    if (text.includes("=")) {
      const { state, isWhole } = understood(this.pool, text);
      this.state = state;
      this.say(
        isWhole
          ? ""
          : "Part of this page’s address asks for something that the page does not know; that part is ignored.",
      );
      this.setControls();
    }
    this.update();
  }

  say(text) {
    byId("ignored").textContent = text;
    byId("ignored").hidden = !text;
  }

  // - controls

  wire() {
    const { pool } = this;
    all("[data-unit]").forEach((box) =>
      box.addEventListener("change", () => {
        this.state.off[box.checked ? "delete" : "add"](Number(box.dataset.unit));
        this.asked();
      }),
    );
    all("[data-scale]").forEach((select) =>
      select.addEventListener("change", () => {
        if (select.value === "1") this.state.scale.delete(Number(select.dataset.scale));
        else this.state.scale.set(Number(select.dataset.scale), Number(select.value));
        this.asked();
      }),
    );
    this.dial(
      "prior",
      () => ({ min: 0, max: 100, step: 1 }),
      (h, number) => this.movePrior(h, number / 100),
    );
    this.dial(
      "at",
      (c) => this.range(pool.claims[c], this.words.claims[c].factor),
      (c, number) => {
        const at = Number((number / this.words.claims[c].factor).toPrecision(12));
        if (Math.abs(at - pool.claims[c].compare.at) <= 1e-9 * Math.abs(at)) this.state.at.delete(c);
        else this.state.at.set(c, at);
        byId("shown").selectedIndex = this.words.quantities.findIndex((q) => q.column === this.compared[c]);
      },
    );
    byId("restore").addEventListener("click", () => this.restore());
    byId("shown").addEventListener("change", () => this.draw());
    byId("up").selectedIndex = Math.min(1, this.words.quantities.length - 1);
    for (const id of ["across", "up"]) byId(id).addEventListener("change", () => this.drawPair());
    byId("against").addEventListener("toggle", () => this.drawPair());
    byId("to-question").addEventListener("click", (event) => {
      event.preventDefault();
      byId("question-title").scrollIntoView();
      byId("restore").focus({ preventScroll: true });
    });
    this.setControls();
  }

  /** A slider and a number field that move together. */
  dial(kind, range, move) {
    for (const slider of all(`[data-slide-${kind}]`)) {
      const index = Number(slider.getAttribute(`data-slide-${kind}`)),
        entry = document.querySelector(`[data-enter-${kind}="${index}"]`);
      const { min, max, step } = range(index);
      Object.assign(slider, { min, max, step });
      entry.step = "any";
      if (kind === "prior") Object.assign(entry, { min, max });
      const moved = (number) => {
        if (!Number.isFinite(number) || !entry.checkValidity()) return;
        move(index, number);
        this.asked();
      };
      slider.addEventListener("input", () => {
        entry.value = slider.value;
        moved(slider.valueAsNumber);
      });
      entry.addEventListener("input", () => {
        if (entry.value !== "") moved(entry.valueAsNumber);
      });
      entry.addEventListener("change", () => this.setControls());
    }
  }

  /** Where a claim's number may slide, as it is shown: over what the quantity may be. */
  range({ column, compare }, factor) {
    const [low, high] = quantiles(this.pool, column, this.base.shares, [0.002, 0.998]);
    const [least, most] = [Math.min(low, compare.at) * factor, Math.max(high, compare.at) * factor];
    const rough = (most - least) / 150 || Math.abs(compare.at * factor) / 100 || 1,
      power = 10 ** Math.floor(Math.log10(rough));
    const step = Number(([1, 2, 5, 10].find((s) => s * power >= rough) * power).toPrecision(1));
    return {
      min: Number((Math.floor(least / step) * step).toPrecision(12)),
      max: Number((Math.ceil(most / step) * step).toPrecision(12)),
      step,
    };
  }

  /** Move one hypothesis's prior weight; the others keep their proportions. */
  movePrior(h, share) {
    const before = this.state.prior ?? this.pool.hypotheses.map((own) => own.prior);
    let others = before.map((weight, i) => (i === h ? 0 : weight));
    if (!sum(others)) others = this.pool.hypotheses.map((own, i) => (i === h ? 0 : own.prior));
    const left = sum(others);
    const prior = others.map((weight, i) => Number((i === h ? share : (weight / left) * (1 - share)).toPrecision(6)));
    this.state.prior = this.pool.hypotheses.every((own, i) => Math.abs(own.prior - prior[i]) < 5e-4) ? null : prior;
  }

  /** Prior probabilities as they now are. */
  prior() {
    const weights = this.state.prior ?? this.pool.hypotheses.map((h) => h.prior),
      whole = sum(weights);
    return weights.map((weight) => weight / whole);
  }

  /** The hypotheses whose prior was moved: one, if the others kept their proportions; else all. */
  priorsMoved() {
    const stated = this.pool.hypotheses.map((h) => h.prior),
      now = this.prior(),
      every = [...now.keys()];
    const kept = (h, a, b) => a === h || b === h || Math.abs(now[a] * stated[b] - now[b] * stated[a]) < 1e-5;
    const one = every.find((h) => every.every((a) => every.every((b) => kept(h, a, b))));
    return one === undefined || every.length < 3 ? every : [one];
  }

  setControls() {
    all("[data-unit]").forEach((box) => {
      box.checked = !this.state.off.has(Number(box.dataset.unit));
    });
    all("[data-scale]").forEach((select) => {
      select.value = String(this.state.scale.get(Number(select.dataset.scale)) ?? 1);
    });
    this.setDials();
  }

  setDials() {
    const set = (kind, index, value) => {
      const slider = document.querySelector(`[data-slide-${kind}="${index}"]`),
        entry = document.querySelector(`[data-enter-${kind}="${index}"]`);
      if (slider && document.activeElement !== slider) slider.value = value;
      if (entry && document.activeElement !== entry) entry.value = Number(value.toPrecision(4));
    };
    this.prior().forEach((share, h) => set("prior", h, 100 * share));
    this.pool.claims.forEach((claim, c) => {
      if (claim.compare) set("at", c, (this.state.at.get(c) ?? claim.compare.at) * this.words.claims[c].factor);
    });
  }

  restore() {
    this.state = asPublished();
    this.setControls();
    this.asked();
  }

  /** Something was changed by hand: answer, and write it into the address a little later. */
  asked() {
    this.say("");
    this.setDials();
    this.update();
    clearTimeout(this.later);
    this.later = setTimeout(() => {
      const text = written(this.pool, this.state);
      history.replaceState(null, "", text ? `#${text}` : location.pathname + location.search);
    }, 300);
  }

  // - answers

  update() {
    const asked = isAsked(this.state);
    this.answer = asked ? answer(this.pool, this.state) : this.base;
    byId("question").classList.toggle("is-asked", asked);
    byId("question").classList.toggle("is-doubtful", !this.isSure(asked));
    byId("restore").disabled = !asked;
    this.updateHead(asked);
    this.updateVerdicts(asked);
    this.updateReadings(asked);
    this.draw();
    this.drawPair();
    clearTimeout(this.telling);
    this.telling = setTimeout(() => {
      byId("told").textContent = this.told(asked);
    }, 600);
  }

  isSure(asked) {
    return !asked || (this.answer.isAnswered && this.answer.isReliable);
  }

  /** What is asked, in words. */
  phrase() {
    const { pool, state } = this,
      parts = [];
    const off = [...state.off].map((u) =>
      pool.units[u].kind === "observation" ? pool.units[u].name : `${pool.units[u].kind} ${pool.units[u].name}`,
    );
    if (off.length) parts.push(`without ${listed(off)}`);
    for (const [r, factor] of state.scale) parts.push(`u of ${pool.readings[r].id} ${times(factor)}`);
    if (state.prior) {
      const moved = this.priorsMoved().map((h) =>
        [spoken(pool.hypotheses[h].name), percent(this.prior()[h], 0)].join(" "),
      );
      parts.push(`prior of ${listed(moved)}`);
    }
    for (const [c, number] of state.at)
      parts.push(`the number of “${spoken(pool.claims[c].name)}” at ${this.number(c, number)}`);
    return parts.join("; ");
  }

  number(c, value) {
    return withUnit(exact(value * this.words.claims[c].factor), this.words.claims[c].unit);
  }

  /** The command that draws anew, in parts; null where nothing that needs it was changed. */
  command() {
    const { pool, state, words } = this,
      options = [];
    for (const unit of state.off) options.push(`--without ${quoted(pool.units[unit].name)}`);
    const on = pool.atomsOn(state.off);
    for (const [r, factor] of state.scale) {
      const text = words.readings[r].replacements[String(factor)];
      if (text && on[pool.readings[r].atom]) options.push(`--replace ${quoted(`${pool.readings[r].id}=${text}`)}`);
    }
    if (state.prior)
      pool.hypotheses.forEach((h, i) => options.push(`--prior-weight ${quoted(`${h.name}=${state.prior[i]}`)}`));
    return options.length ? [...words.command.split(/ (?=--)/), ...options] : null;
  }

  /** What the command cannot say: readings whose scaled u is not their own. */
  beyond() {
    const { pool, state, words } = this,
      names = [...state.scale.keys()].filter((r) => !words.readings[r].replacements[2]).map((r) => pool.readings[r].id);
    return names.length ? `The u of ${listed(names)} is the method’s: change it in a copy of the model.` : "";
  }

  updateHead(asked) {
    const phrase = this.phrase(),
      command = this.command(),
      isSure = this.isSure(asked);
    byId("asked").textContent = asked ? `What if: ${phrase}` : "As published";
    byId("trust").textContent = asked && isSure ? this.trustText() : "";
    byId("warned").textContent = isSure ? "" : this.trustText();
    byId("warning").hidden = isSure;
    byId("again").hidden = !asked || !command;
    byId("command").replaceChildren(...(command ?? []).flatMap((part) => [kept(part), " "]));
    byId("beyond").textContent = this.beyond();
    byId("beyond").hidden = !this.beyond();
    if (byId("worded")) byId("worded").textContent = this.worded(asked);
    byId("link").hidden = !asked;
    byId("link").href = `#${written(this.pool, this.state)}`;
    byId("what-if").hidden = !asked;
    byId("what-if-asked").textContent = phrase;
  }

  /** How far the answer can be trusted, in plain words. */
  trustText() {
    const { answer: found, pool } = this,
      anew = this.command() ? " Draw anew with the command below." : "";
    if (!found.isAnswered)
      return `This page cannot answer that: ${this.untoldText()}${anew}`;
    const part = found.parts[found.weakest],
      under = pool.hypotheses.length > 1 ? ` under “${spoken(pool.hypotheses[found.weakest].name)}”` : "",
      size = fixed(part.size, 0),
      fits = `Pareto k ${fixed(part.k, 2)}; up to ${fixed(part.limit, 2)} can be trusted`,
      told = Number.isFinite(part.k) ? fits : "their weights are about equal";
    if (!found.isReliable) {
      const needed = part.own < 0 ? FEWEST : FEWEST_OWN,
        why = `They count as ${size} independent ones, of which ${needed} are needed (${told}).`;
      return `Do not rely on this answer: too few of this page’s draws look like this case${under}. ${why}${anew}`;
    }
    const even = part.own >= 0 ? "some were drawn for just this case" : `none dominates (${told})`;
    const where = under && `, fewest${under}`;
    return `Good enough: this page’s draws count as ${size} independent ones here${where}, and ${even}.`;
  }

  /** Why there is no answer. */
  untoldText() {
    const { pool, answer: found } = this;
    if (!found.untold) return "none of its draws allows what then counts.";
    const { block, isBeyond } = found.untold,
      names = [...new Set(block.atoms.map((atom) => pool.atoms[atom].name))],
      shown = names.length > MOST_NAMED ? [...names.slice(0, MOST_NAMED), `${names.length - MOST_NAMED} more`] : names;
    return isBeyond
      ? `of ${listed(shown)} the greatest are left out, so that the total may be less than in any of its draws.`
      : `${listed(shown)} hang together, and of so many it can leave out one, or what an origin or table has of them.`;
  }

  claimText(c, asked) {
    return asked
      ? this.answer.isAnswered
        ? chanceText(this.answer.claims[c])
        : ABSENT
      : this.words.claims[c].published;
  }

  /** The published phrase for the leading claim's probability. */
  worded(asked) {
    if (!this.isSure(asked)) return "not to be relied on";
    if (!asked && this.words.claims[0].worded) return this.words.claims[0].worded;
    const chance = asked ? this.answer.claims[0] : this.words.claims[0];
    return chance?.isBetween ? this.wordedBetween(chance) : this.wordFor(chance?.value);
  }

  /** The published phrase for a probability; empty where there is none. */
  wordFor(p) {
    const [phrase] = this.words.words.find(
      ([, low, high], i, every) => p >= low && (p < high || (i === every.length - 1 && p === high)),
    ) ?? [""];
    return phrase;
  }

  /** From the phrase for the least that a probability may be to that for the greatest. */
  wordedBetween(chance) {
    const [least, most] = endsOf(chance),
      [low, high] = [least, most].map((p) => this.wordFor(p));
    if (low === high) return low || most - least < 0.5 ? low : "open";
    return low && high ? `${low} to ${high}` : low ? `at least ${low}` : `at most ${high}`;
  }

  weightText(h, asked) {
    return asked
      ? this.answer.isAnswered
        ? chanceText(this.answer.weights[h])
        : ABSENT
      : this.words.hypotheses[h].published;
  }

  updateVerdicts(asked) {
    const { pool, state } = this,
      prior = this.prior();
    all("[data-claim]").forEach((b) => {
      b.textContent = this.claimText(Number(b.dataset.claim), asked);
    });
    all("[data-weight]").forEach((b) => {
      b.textContent = this.weightText(Number(b.dataset.weight), asked);
    });
    all("[data-moved]").forEach((p) => {
      const c = Number(p.dataset.moved);
      p.hidden = !state.at.has(c);
      if (!p.hidden) p.querySelector("strong").textContent = this.number(c, state.at.get(c));
    });
    all("[data-prior]").forEach((span) => {
      span.hidden = state.prior === null;
      if (!span.hidden) span.querySelector("strong").textContent = percent(prior[Number(span.dataset.prior)]);
    });
    const texts = new Map([
      ...pool.claims.map((claim, c) => [`claim ${claim.name}`, () => this.claimText(c, asked)]),
      ...pool.hypotheses.map((h, i) => [
        `hypothesis ${this.words.hypotheses[i].card}`,
        () => this.weightText(i, asked),
      ]),
    ]);
    for (const line of all("[data-if]")) {
      const text = texts.get(line.dataset.if);
      line.hidden = !asked || !text;
      if (!line.hidden) line.querySelector("b").textContent = text();
    }
  }

  updateReadings(asked) {
    const { pool, state, words } = this,
      on = pool.atomsOn(state.off),
      isAnswered = this.answer.isAnswered;
    for (const row of all("[data-row]")) {
      const r = Number(row.dataset.row),
        reading = pool.readings[r],
        own = pool.units.findIndex((u) => u.kind === "observation" && u.name === reading.id);
      const counts = on[reading.atom],
        factor = state.scale.get(r),
        line = row.querySelector(".state");
      const with_ = [...state.off].find((u) => u !== own && pool.units[u].atoms.includes(reading.atom));
      const said = !counts
        ? state.off.has(own)
          ? "left out"
          : `left out with ${pool.units[with_].kind} ${pool.units[with_].name}`
        : factor
          ? `u ${times(factor)}; its prediction scatters as stated`
          : "";
      row.classList.toggle("is-off", !counts);
      line.textContent = said;
      line.hidden = !said;
      const shown = asked && reading.simulated !== null;
      const cell = document.querySelector(`[data-predicted="${r}"]`),
        tailCell = document.querySelector(`[data-tail="${r}"]`);
      const s = shown && isAnswered ? spread(pool, reading.simulated, this.answer.shares) : null;
      const far = s ? tailOf(pool, reading, this.answer.shares) : null;
      cell.textContent = s ? bounds(s, words.readings[r].unit_text) : asked ? ABSENT : words.readings[r].predicted;
      tailCell.textContent = s ? (far < 0.1 ? counted(far) : percent(far, 0)) : asked ? ABSENT : words.readings[r].tail;
      row.classList.toggle("surprising", far !== null ? far < 0.05 : words.readings[r].surprising);
    }
  }

  /** What a screen reader is told once a change has come to rest. */
  told(asked) {
    const { words } = this;
    if (!words.claims.length)
      return asked ? `What if ${this.phrase()}: ${byId("density-told").textContent}` : "As published.";
    const [claim] = words.claims;
    if (!asked) return `As published: ${claim.says}: ${claim.published}.`;
    const found = `${claim.says}: ${this.claimText(0, true)}, as published ${claim.published}.`;
    return `What if ${this.phrase()}: ${found} ${this.isSure(asked) ? "" : this.trustText()}`;
  }

  // - pictures

  draw() {
    const { pool, words } = this,
      asked = isAsked(this.state),
      shown = byId("shown").selectedIndex,
      q = words.quantities[shown];
    if (!q) return;
    const limits = this.limits(q.column);
    byId("limited").hidden = !limits.length;
    byId("before").hidden = !q.prior;
    if (this.answer.isAnswered && this.width > 0) {
      byId("density").replaceChildren(
        drawDensity(pool, q, this.answer.shares, this.base.shares, { isAsked: asked, limits, width: this.width }),
      );
    } else byId("density").replaceChildren();
    const now = asked
      ? this.answer.isAnswered
        ? middle(spread(pool, q.column, this.answer.shares), q.unit)
        : "not answered"
      : q.published;
    const others = `${asked ? `; as published ${q.published}` : ""}${q.before ? `; before the evidence ${q.before}` : ""}`;
    byId("density-told").textContent = `${q.about}: ${now}${others}. Medians with 90 % credible intervals.`;
    if (byId("answer-quantity")) byId("answer-quantity").textContent = `${q.says} ${now}`;
  }

  /** The numbers with which claims compare a column, as they now are. */
  limits(column) {
    return this.pool.claims.flatMap((claim, c) =>
      claim.compare && this.compared[c] === column ? [this.state.at.get(c) ?? claim.compare.at] : [],
    );
  }

  drawPair() {
    if (!byId("against").open || !this.answer.isAnswered) return;
    const { words, pool } = this,
      [a, b] = ["across", "up"].map((id) => words.quantities[byId(id).selectedIndex]);
    byId("pair").replaceChildren(drawPair(pool, a, b, this.answer.shares, this.base.shares, this.width));
    const r = correlation(pool, a.column, b.column, this.answer.shares);
    const related = Number.isFinite(r) ? `their correlation is ${fixed(r, 2)}` : "one of them has no spread",
      points = "Each point is a draw, shown as often as it counts.";
    byId("pair-told").textContent = `${a.says} and ${b.says}: ${related}. ${points}`;
  }
}

/** A part of a command that is not broken over two lines. */
function kept(text) {
  const part = document.createElement("span");
  part.className = text.length < 44 ? "kept" : "";
  part.textContent = text;
  return part;
}

function times(factor) {
  return `×${SPACE}${factor === 0.5 ? "½" : factor}`;
}

function spoken(name) {
  return name.replaceAll("_", " ");
}

function listed(texts) {
  return texts.length < 2 ? texts.join("") : `${texts.slice(0, -1).join(", ")} and ${texts.at(-1)}`;
}

function bounds(s, unit) {
  const text = middle(s, unit),
    [, ends] = /\((.*)\)/.exec(text) ?? [];
  return ends ? withUnit(ends, unit) : text;
}

const told = (id) => JSON.parse(byId(id).textContent);
readPool(told("pool")).then((pool) => {
  globalThis.gaugeglass = {
    page: new Page(pool, told("question-words")),
    answer,
    asPublished,
    understood,
    written,
    chanceText,
    density,
    middle,
    percent,
    plain,
  };
});
