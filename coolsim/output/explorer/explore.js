"use strict";
// The program of the page, plain functions from top to bottom: numbers, what becomes of a place, what is said of it,
// sliders, bars, pictures, the machine to buy. Numbers are in SI until they are shown.
// Limits, prices, units and the map itself stand in the data: here they are only read, compared and added up.

const data = JSON.parse(document.getElementById("data").textContent);
const axes = data.axes, rows = data.rows, surface = unpackedSurface(data.surface), spread = unpackedSpread(data.spread);
const rowOf = Object.fromEntries(rows.map((row, k) => [row.key, k]));
const scenario = axes.map((axis) => axis.now); // as it was typed
const limits = [...data.constraints, ...data.unfit]; // what is judged; chances are of the constraints alone
let here = scenario.slice(); // where the sliders stand
const before = []; // where they stood, for undo

// ---- Numbers -------------------------------------------------------------------------------------------------

function bytesOf(text) {
  const raw = atob(text), bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
  return bytes;
}

function floatsOf(text) {
  return Float64Array.from(new Float32Array(bytesOf(text).buffer));
}

function unpackedPowers(packed) {
  const powers = bytesOf(packed.powers);
  return { powers, terms: packed.terms, degree: powers.reduce((a, b) => Math.max(a, b), 0) };
}

function unpackedSurface(packed) {
  const bends = packed.bends.map((bend) => ({ along: unpackedSurface(bend.along), knots: bend.knots, ...unpackedPowers(bend) }));
  return { low: packed.low, high: packed.high, ...unpackedPowers(packed), width: packed.width, coefficients: floatsOf(packed.coefficients), bends };
}

function unpackedSpread(packed) {
  if (!packed) return null;
  const count = packed.names.length;
  return {
    names: packed.names, count, samples: packed.count,
    slopes: floatsOf(packed.slopes), bends: floatsOf(packed.bends), normals: floatsOf(packed.samples),
  };
}

function chebyshev(t, degree) {
  const found = [1, t];
  for (let n = 2; n <= degree; n++) found.push(2 * t * found[n - 1] - found[n - 2]);
  return found;
}

function shownNumber(told, value) {
  return told.factor * value + told.plus;
}

function storedNumber(told, number) {
  return (number - told.plus) / told.factor;
}

function bare(told, value, digits = told.digits) {
  const text = shownNumber(told, value).toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text;
}

function unitOf(told) {
  return told.points ? "points" : told.unit;
}

function text(told, value, digits = told.digits) {
  return `${bare(told, value, digits)} ${unitOf(told)}`.trim();
}

function typedText(told, value) {
  return `${Number(shownNumber(told, value).toPrecision(5))} ${unitOf(told)}`.trim();
}

// Two values with as many digits as tell them apart.
function toldApart(told, value, bound) {
  let digits = told.digits;
  while (digits < 6 && text(told, value, digits) === text(told, bound, digits)) digits++;
  return text(told, value, digits);
}

// ---- What becomes of a place ---------------------------------------------------------------------------------

function coordinate(k, values) {
  const axis = axes[k], value = values[k];
  if (axis.form === "logarithm") return Math.log(value);
  if (axis.form === "circulated") return -Math.log(1 - value);
  if (axis.form === "above_outside") return Math.max(value - values[data.outside], 0);
  return value;
}

// Coordinates of a place from −1 to 1 over the map.
function placeOf(values) {
  return axes.map((axis, k) => {
    const low = surface.low[k], high = surface.high[k];
    return high > low ? (2 * (coordinate(k, values) - low)) / (high - low) - 1 : 0;
  });
}

// Products of Chebyshev's polynomials at a place, into `into` from a position on.
function products(of, place, into, from) {
  into.fill(1, from, from + of.terms);
  place.forEach((t, k) => {
    const each = chebyshev(t, of.degree), at = k * of.terms;
    for (let n = 0; n < of.terms; n++) into[from + n] *= each[of.powers[at + n]];
  });
}

// Terms of a map at a place: its polynomial's, and those that are joined between the knots of each bend.
function termsAt(place, of = surface) {
  const terms = new Float64Array(of.width);
  products(of, place, terms, 0);
  let from = of.terms;
  for (const bend of of.bends) {
    const v = rowAt(bend.along, 0, termsAt(place, bend.along)), own = new Float64Array(bend.terms), knots = bend.knots, last = knots.length - 1;
    products(bend, place, own, 0);
    const at = Math.min(knots[last], Math.max(knots[0], v));
    let k = 0;
    while (k < last - 1 && at > knots[k + 1]) k++;
    const share = (at - knots[k]) / (knots[k + 1] - knots[k]);
    for (let n = 0; n < bend.terms; n++) {
      terms[from + k * bend.terms + n] = (1 - share) * own[n];
      terms[from + (k + 1) * bend.terms + n] = share * own[n];
    }
    from += knots.length * bend.terms;
  }
  return terms;
}

function rowAt(of, k, terms) {
  let sum = 0;
  const from = k * of.width;
  for (let n = 0; n < of.width; n++) sum += of.coefficients[from + n] * terms[n];
  return sum;
}

function smoothRow(k, terms) {
  return rowAt(surface, k, terms);
}

function waterActivity(moisture, outside) {
  const a = data.activity, store = a.store === null ? Math.max(a.laboratory, outside) : a.store;
  const scaled = (x, k) => a.high[k] > a.low[k] ? Math.min(1, Math.max(-1, (2 * (x - a.low[k])) / (a.high[k] - a.low[k]) - 1)) : 0;
  const along = chebyshev(scaled(Math.log(Math.max(moisture, 1e-6)), 0), a.table.length - 1);
  const across = chebyshev(scaled(store, 1), a.table[0].length - 1);
  return a.table.reduce((sum, line, i) => sum + along[i] * line.reduce((s, c, j) => s + c * across[j], 0), 0);
}

function plain(row, smooth, outside) {
  if (row.form === "logarithm") return Math.exp(smooth);
  if (row.form === "activity") return waterActivity(smooth, outside);
  return smooth;
}

// Outcomes at values of the axes, by their keys; all of them, or only those of some keys.
function outcomes(values, keys = null) {
  const terms = termsAt(placeOf(values)), outside = values[data.outside], found = {};
  rows.forEach((row, k) => {
    if (keys === null || keys.has(row.key)) found[row.key] = plain(row, smoothRow(k, terms), outside);
  });
  return found;
}

function valueOf(constraint, found, outside) {
  return found[constraint.row] - (constraint.less_outside ? outside : 0);
}

function boundOf(constraint, outside) {
  return constraint.bound_is_outside ? outside : constraint.bound;
}

// How far a value is beyond its bound, in the quantity's scale; none where it is kept.
function excess(constraint, value, outside) {
  return (constraint.sense * (value - boundOf(constraint, outside))) / constraint.scale;
}

function judged(values, found = outcomes(values)) {
  const outside = values[data.outside];
  return limits.map((c) => {
    const value = valueOf(c, found, outside), over = excess(c, value, outside);
    const tenth = c.tenth ? found[c.tenth.row] - (c.less_outside ? outside : 0) : null;
    return { constraint: c, value, bound: boundOf(c, outside), tenth, over, met: over <= data.kept };
  });
}

// Cost per tonne (or short ton) of wet feed: what each part is, as it is shown, and all together: sums add up.
function costs(values, found = outcomes(values)) {
  const parts = data.costs.map((cost) => ({ label: cost.label, value: Number((cost.price * Math.max(found[cost.row], 0)).toFixed(2)) }));
  return { parts, total: parts.reduce((sum, part) => sum + part.value, 0), perHour: found.fed * data.mass.per_hour };
}

// Probability that everything is kept, by samples of what is not known, and between what it may lie: what samples
// leave open (two standard errors), with every bound as much nearer or farther as map and samples were off on predictions
// that they had not seen. Null where everything is known.
function chance(values) {
  if (spread === null) return null;
  const counted = data.constraints.filter((c) => c.varies);
  if (!counted.length) return null;
  const place = placeOf(values), terms = termsAt(place), outside = values[data.outside], K = spread.count;
  const needed = [...new Set(counted.map((c) => c.row))], pairs = (K * (K + 1)) / 2, wide = axes.length + 1;
  const local = needed.map((key) => {
    const k = rowOf[key], slopes = [];
    for (let u = 0; u < K; u++) {
      const from = (k * K + u) * wide;
      slopes.push(place.reduce((sum, t, j) => sum + spread.slopes[from + 1 + j] * t, spread.slopes[from]));
    }
    return { key, row: rows[k], smooth: smoothRow(k, terms), slopes, bends: k * pairs };
  });
  const kept = { low: 0, share: 0, high: 0 };
  for (let s = 0; s < spread.samples; s++) {
    const z = Array.from({ length: K }, (_, u) => spread.normals[u * spread.samples + s]), found = {};
    for (const one of local) {
      let sum = one.smooth, pair = one.bends;
      for (let i = 0; i < K; i++) {
        sum += one.slopes[i] * z[i];
        for (let j = 0; j <= i; j++) sum += spread.bends[pair++] * z[i] * z[j];
      }
      found[one.key] = plain(one.row, sum, outside);
    }
    const over = counted.map((c) => [excess(c, valueOf(c, found, outside), outside) - data.rounded, c.unsure / c.scale]);
    if (over.every(([x, unsure]) => x + unsure <= 0)) kept.low++;
    if (over.every(([x]) => x <= 0)) kept.share++;
    if (over.every(([x, unsure]) => x - unsure <= 0)) kept.high++;
  }
  const part = (count) => count / spread.samples, error = (p) => 2 * Math.sqrt((p * (1 - p)) / spread.samples);
  const [low, share, high] = [part(kept.low), part(kept.share), part(kept.high)];
  return { low: Math.max(low - error(low), 0), share, high: Math.min(high + error(high), 1) };
}

// A chance is never told as more than it is, and what it may be never as less open than that is.
function chanceText({ low, share, high }) {
  const least = Math.floor(100 * low + 1e-9), most = Math.ceil(100 * high - 1e-9);
  const told = share < 0.01 ? "under 1 %" : share > 0.99 ? "over 99 %" : `${Math.floor(100 * share + 1e-9)} %`;
  return most - least < 1 || (share > 0.99 && least >= 99) || (share < 0.01 && most <= 1) ? told : `${told} (${least} to ${most} %)`;
}

// ---- What is said --------------------------------------------------------------------------------------------

function wanted(c, bound) {
  return `${typedText(c, bound)} ${c.sense < 0 ? "at least" : "at most"}`;
}

// Of each thing alone the nearest value at which everything is kept, all else as it is; the least of a way first.
function alone(values) {
  const found = [];
  axes.forEach((axis, k) => {
    const now = nearest(axis, values[k]), there = values.slice();
    for (let far = 1; far < axis.values.length; far++) {
      const kept = [now - far, now + far].find((n) => {
        if (n < 0 || n >= axis.values.length) return false;
        there[k] = axis.values[n];
        return judged(there).every((v) => v.met);
      });
      if (kept === undefined) continue;
      found.push({ axis, value: axis.values[kept], share: Math.abs(axis.values[kept] - values[k]) / (axis.high - axis.low) });
      break;
    }
  });
  return found.sort((a, b) => b.axis.is_set - a.axis.is_set || a.share - b.share);
}

function aloneText(values) {
  const each = alone(values).map((one) => `${one.axis.label} ${text(one.axis, one.value)}`);
  if (!each.length) return "No single thing on this page would do alone: change several, or ask coolsim settings.";
  return `As computed each alone would do: ${each.join("; ")}.`;
}

const LOOKED_AT = 16; // values of each setting that are asked how likely they are

// Of each setting alone the nearest of some values at which all is kept likely enough.
function surely(values) {
  const found = [];
  axes.forEach((axis, k) => {
    if (!axis.is_set) return;
    const last = axis.values.length - 1, there = values.slice();
    const some = [...new Set(Array.from({ length: LOOKED_AT + 1 }, (_, n) => Math.round((last * n) / LOOKED_AT)))];
    some.sort((a, b) => Math.abs(axis.values[a] - values[k]) - Math.abs(axis.values[b] - values[k]));
    for (const n of some) {
      there[k] = axis.values[n];
      const sure = judged(there).every((v) => v.met) ? chance(there) : null;
      if (sure === null || sure.share < data.likely) continue;
      found.push(`${axis.label} ${text(axis, axis.values[n])}: ${chanceText(sure)}`);
      return;
    }
  });
  return found.length ? `Likely enough, each alone: ${found.join("; ")}.` : "";
}

// The verdict on a place: how it looks, the sentence, and what stands below it.
function verdict(values) {
  const each = judged(values), broken = each.filter((v) => !v.met).sort((a, b) => b.over - a.over);
  const sure = chance(values);
  const likely = sure === null ? "" : ` The chance that all is kept is ${chanceText(sure)}.`;
  if (broken.length) {
    const [, [what, then]] = Object.entries(data.said).find(([harm]) => broken.some((v) => v.constraint.harm === harm));
    const why = broken.map((v) => `${v.constraint.label} ${toldApart(v.constraint, v.value, v.bound)}, ${wanted(v.constraint, v.bound)}`);
    return { look: "bad", said: `${what}. ${then}`, below: `${why.join("; ")}.${broken.some((v) => data.constraints.includes(v.constraint)) ? likely : ""}`, then: aloneText(values) };
  }
  const near = each.filter((v) => v.constraint.sense * (v.bound - v.value) < v.constraint.off);
  if (near.length) {
    const why = near.map((v) => `${v.constraint.label} ${toldApart(v.constraint, v.value, v.bound)}, ${wanted(v.constraint, v.bound)}`);
    return { look: "doubt", said: "On the edge: closer to a bound than this page is exact.", below: `${why.join("; ")}. Ask coolsim predict here before you rely on it.${likely}` };
  }
  if (!data.constraints.some((c) => c.of_target)) {
    return { look: "doubt", said: "No limit is passed.", below: "Whether it may be bagged is not said: the scenario has no [target]." };
  }
  if (sure === null) {
    return { look: "", said: "It will do, as computed.", below: "How sure that is cannot be said: nothing in the scenario carries a ±." };
  }
  const basis = `${(100 * data.likely).toFixed(0)} % or more counts as likely enough; that is assumed.`;
  if (sure.share >= data.likely) return { look: "", said: `Likely enough: all is kept with a chance of ${chanceText(sure)}.`, below: basis };
  return { look: "doubt", said: `As computed it will do, but the chance is only ${chanceText(sure)}.`, below: `Measure the pellets before you rely on it. ${basis}`, then: surely(values) };
}

// ---- Elements ------------------------------------------------------------------------------------------------

function by(id) {
  return document.getElementById(id);
}

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function drawn(name, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function tableRow(cells, head = false, look = "") {
  const made = element("tr", look ? { class: look } : {});
  cells.forEach((cell, k) => {
    const name = head ? (cell === "" ? "td" : "th") : k === 0 ? "th" : "td";
    const scope = name === "th" ? { scope: head ? "col" : "row" } : {};
    made.append(element(name, { ...scope, ...(cell.right ? { class: "right" } : {}) }, cell.right ?? cell));
  });
  return made;
}

function right(value) {
  return { right: value };
}

// ---- Sliders -------------------------------------------------------------------------------------------------

function nearest(axis, value) {
  let best = 0;
  axis.values.forEach((v, k) => { if (Math.abs(v - value) < Math.abs(axis.values[best] - value)) best = k; });
  return best;
}

function moveTo(values, remember = true) {
  if (remember && values.some((v, k) => v !== here[k])) before.push(here);
  here = values;
  show();
}

function undo() {
  if (before.length) moveTo(before.pop(), false);
}

// What was typed into the box of an axis: taken, or refused with a sentence.
function typed(k, words) {
  const axis = axes[k], number = Number(words.replace(",", ".").replace(axis.unit, "").trim());
  const value = storedNumber(axis, number), slack = 1e-9 * (axis.high - axis.low);
  const ends = `${bare(axis, axis.low)} to ${text(axis, axis.high)}`;
  if (words.trim() === "" || Number.isNaN(number)) return refuse(`${axis.label}: “${words}” is no number; this page knows ${ends}.`);
  if (value < axis.low - slack || value > axis.high + slack) {
    return refuse(`${axis.label} ${Number(number.toPrecision(6))} ${axis.unit} is outside this map, which knows ${ends}. For more, ask coolsim predict.`);
  }
  const values = here.slice();
  values[k] = axis.is_set ? axis.values[nearest(axis, value)] : Math.min(axis.high, Math.max(axis.low, value));
  refuse("");
  moveTo(values);
  if (axis.is_set && bare(axis, values[k]) !== bare(axis, value)) refuse(`${axis.label}: the dial has no ${Number(number.toPrecision(6))} ${axis.unit}; ${text(axis, values[k])} is the nearest.`);
}

function refuse(sentence) {
  by("refused").textContent = sentence;
  show();
}

function sliderOf(axis, k) {
  const id = `axis-${k}`, last = axis.values.length - 1;
  const range = element("input", { type: "range", id, min: 0, max: last, step: 1 });
  const box = element("input", { type: "text", id: `${id}-typed`, inputmode: "decimal", "aria-label": `${axis.label}, ${axis.unit}`, autocomplete: "off" });
  let started = null;
  range.addEventListener("input", () => {
    if (started === null) started = here;
    const values = here.slice();
    values[k] = axis.values[Number(range.value)];
    by("refused").textContent = "";
    moveTo(values, false);
  });
  range.addEventListener("change", () => {
    if (started !== null && started[k] !== here[k]) before.push(started);
    started = null;
    show();
  });
  box.addEventListener("change", () => typed(k, box.value));
  const name = element("div", { class: "name" }, element("label", { for: id }, axis.label),
    element("span", { class: "typed" }, box, element("span", { class: "unit" }, axis.unit)));
  const ends = element("div", { class: "ends" }, element("span", {}, text(axis, axis.low)), element("span", { id: `${id}-now` }), element("span", {}, text(axis, axis.high)));
  return element("div", { class: "slider" }, name, range, ends);
}

function showSliders() {
  axes.forEach((axis, k) => {
    const range = by(`axis-${k}`), box = by(`axis-${k}-typed`), now = by(`axis-${k}-now`);
    range.value = nearest(axis, here[k]);
    range.setAttribute("aria-valuetext", text(axis, here[k]));
    box.value = bare(axis, here[k]);
    const moved = here[k] !== scenario[k];
    now.textContent = moved ? `scenario ${text(axis, scenario[k])}` : "as in the scenario";
    now.className = moved ? "moved" : "";
  });
  by("undo").disabled = before.length === 0;
}

// ---- Tonight -------------------------------------------------------------------------------------------------

function showVerdict() {
  const { look, said, below, then } = verdict(here), box = by("verdict");
  box.className = `verdict ${look}`.trim();
  box.replaceChildren(element("p", { class: "said" }, said), element("p", {}, leaves()), element("p", { class: "small" }, below));
  if (then) box.append(element("p", {}, then));
}

function leaves() {
  const found = outcomes(here), cost = costs(here, found);
  const parts = ["moisture", "temperature"].map((key) => text(rows[rowOf[key]], found[key]));
  const money = data.costs.length ? `; ${cost.total.toFixed(2)} ${data.currency} per ${data.mass.name}`.replace("  ", " ") : "";
  return `Pellets leave at ${parts[0]} and ${parts[1]}${money}.`;
}

function showKept() {
  const table = by("kept"), found = outcomes(here), was = judged(scenario);
  const body = element("tbody");
  const seen = judged(here, found);
  const other = (v) => seen.findIndex((w) => w.constraint.row === v.constraint.row && w.constraint.label === v.constraint.label && w.constraint.sense !== v.constraint.sense);
  seen.forEach((v, k) => {
    const c = v.constraint, twin = other(v);  // what is held from both sides is one row
    if (twin >= 0 && twin < k) return;
    const ends = twin < 0 ? null : [v, seen[twin]].sort((a, b) => a.constraint.sense - b.constraint.sense).map((w) => typedText(c, w.bound));
    const met = v.met && (twin < 0 || seen[twin].met);
    const told = twin >= 0 && v.tenth === null ? seen[twin] : v;
    const beside = told.tenth === null ? "" : `${told.constraint.tenth.who} ${text(c, told.tenth)}`;
    const bound = (ends ? ends.join(" – ") : `${c.sense < 0 ? "≥" : "≤"} ${typedText(c, v.bound)}`).replaceAll(" ", "\u00a0") + (c.assumed ? " (assumed)" : "");
    const line = tableRow([c.label, right(toldApart(c, v.value, v.bound)), bound, met ? "kept" : "not kept", right(text(c, was[k].value))], false, met ? "" : "broken");
    if (beside) line.cells[0].append(element("div", { class: "small" }, beside));
    if (!met) line.cells[0].append(element("div", { class: "narrow", "aria-hidden": "true" }, "not kept"));
    body.append(line);
  });
  const then = outcomes(scenario), rest = data.constraints.some((c) => c.row === "moisture") ? ["temperature"] : ["moisture", "temperature"];
  for (const key of rest.reverse()) {
    const row = rows[rowOf[key]];
    body.prepend(tableRow([row.label, right(text(row, found[key])), "", "", right(text(row, then[key]))]));
  }
  for (const line of [...body.rows].filter((one) => one.cells[0].firstChild.textContent === rows[rowOf.moisture].label).reverse()) body.prepend(line);
  table.replaceChildren(element("thead", {}, tableRow(["", right("here"), "allowed", "", right("in the scenario")], true)), body);
}

function showMoney() {
  const table = by("money"), now = costs(here), then = costs(scenario), body = element("tbody");
  if (!data.costs.length) {
    table.replaceChildren(element("tbody", {}, tableRow(["Nothing has a price in the scenario: [costs] is missing."])));
    return;
  }
  const line = (label, value, was, look) => {
    const change = Number(value.toFixed(2)) - Number(was.toFixed(2));
    body.append(tableRow([label, right(value.toFixed(2)), right(was.toFixed(2)), right(`${change > 0 ? "+" : change < 0 ? "−" : ""}${Math.abs(change).toFixed(2)}`)], false, look));
  };
  now.parts.forEach((part, k) => line(part.label, part.value, then.parts[k].value, ""));
  line(`per ${data.mass.name} of wet feed`, now.total, then.total, "sum");
  line(`per hour, at ${now.perHour.toFixed(2)} ${data.mass.name}s`, now.total * now.perHour, then.total * then.perHour, "");
  const unit = data.currency ? ` in ${data.currency}` : "";
  table.replaceChildren(element("thead", {}, tableRow([`per ${data.mass.name}${unit}`, right("here"), right("in the scenario"), right("change")], true)), body);
}

// From where to where a bar goes: what is set, over its range; what comes as it comes, as far as it usually goes.
function endsOf(axis, now) {
  if (axis.usual === null) return [axis.low, axis.high];
  return [Math.max(axis.low, now - axis.usual), Math.min(axis.high, now + axis.usual)];
}

// Ends of an outcome as one axis goes from end to end, all else as it is here.
function lever(k, key) {
  const axis = axes[k], wish = new Set([key]), values = here.slice(), found = [], ends = endsOf(axis, here[k]);
  for (let n = 0; n <= 16; n++) {
    values[k] = ends[0] + ((ends[1] - ends[0]) * n) / 16;
    found.push(outcomes(values, wish)[key]);
  }
  return { axis, ends, low: Math.min(...found), high: Math.max(...found), first: found[0], last: found[16] };
}

function showLevers() {
  const key = by("bar-of").value, row = rows[rowOf[key]], at = outcomes(here, new Set([key]))[key];
  const bars = axes.map((_, k) => lever(k, key)).sort((a, b) => b.high - b.low - (a.high - a.low));
  const bounds = limits.filter((c) => c.row === key && !c.bound_is_outside).map((c) => boundOf(c, here[data.outside]) + (c.less_outside ? here[data.outside] : 0));
  const all = [...bars.flatMap((bar) => [bar.low, bar.high]), ...bounds, at], low = Math.min(...all), high = Math.max(...all);
  const holder = by("levers"), width = Math.max(holder.clientWidth, 280), pad = 8, step = 46, top = 30, height = top + bars.length * step + 24;
  const x = (v) => pad + ((width - 2 * pad) * (v - low)) / (high - low || 1);
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `What moves ${row.label}: ${bars.map(said).join("; ")}` });
  function said(bar) {
    return `${bar.axis.label} from ${text(bar.axis, bar.ends[0])} to ${text(bar.axis, bar.ends[1])}: ${text(row, bar.first)} to ${text(row, bar.last)}`;
  }
  bounds.forEach((bound) => {
    svg.append(drawn("path", { d: `M${x(bound)} ${top - 4}V${height - 20}`, class: "wish" }));
    svg.append(label(x(bound), 14, `bound ${typedText(row, bound)}`, width));
  });
  svg.append(drawn("path", { d: `M${x(at)} ${top}V${height - 20}`, class: "axis" }));
  svg.append(label(x(at), height - 6, `here ${text(row, at)}`, width));
  bars.forEach((bar, n) => {
    const y = top + n * step;
    svg.append(drawn("text", { x: pad, y: y + 14, class: "halo" }, `${bar.axis.label}, ${bare(bar.axis, bar.ends[0])} to ${text(bar.axis, bar.ends[1])}`));
    svg.append(drawn("rect", { x: x(bar.low), y: y + 21, width: Math.max(x(bar.high) - x(bar.low), 2), height: 12, class: "bar" }));
    const rises = bar.last >= bar.first ? [bar.low, "low", bar.high, "high"] : [bar.low, "high", bar.high, "low"];
    svg.append(drawn("title", {}, said(bar)));
    svg.append(drawn("circle", { cx: x(at), cy: y + 27, r: 4, class: "dot" }));
    if (x(bar.high) - x(bar.low) > 90) {
      svg.append(drawn("text", { x: x(rises[0]) + 3, y: y + 44, "font-size": "0.75em", class: "halo" }, rises[1]), drawn("text", { x: x(rises[2]) - 3, y: y + 44, "text-anchor": "end", "font-size": "0.75em", class: "halo" }, rises[3]));
    }
  });
  holder.replaceChildren(svg);
}

// Text about a place x, kept inside the picture.
function label(x, y, words, width) {
  const anchor = x < width * 0.25 ? "start" : x > width * 0.75 ? "end" : "middle";
  return drawn("text", { x, y, "text-anchor": anchor, class: "halo" }, words);
}

// ---- To study ------------------------------------------------------------------------------------------------

const ACROSS = 48, UPWARDS = 36; // steps of the grid of the picture

function outputs() {
  const studied = rows.filter((row) => row.studied).map((row) => ({ ...row, of: (found) => found[row.key] }));
  if (data.costs.length) {
    studied.push({ key: "cost", label: `cost per ${data.mass.name}`, unit: data.currency, factor: 1, plus: 0, digits: 2, of: (found) => data.costs.reduce((sum, c) => sum + c.price * Math.max(found[c.row], 0), 0) });
  }
  return studied;
}

const studied = outputs(); // what a picture can show
let view = null; // what the picture shows: its axes, their values, the numbers on its grid

function between(axis, n, count) {
  return axis.low + ((axis.high - axis.low) * n) / count;
}

function viewNow() {
  const i = Number(by("study-x").value), j = Number(by("study-y").value);
  const output = studied[Number(by("study-of").value)], values = here.slice(), numbers = [], overs = [];
  for (let b = 0; b <= UPWARDS; b++) {
    for (let a = 0; a <= ACROSS; a++) {
      values[i] = between(axes[i], a, ACROSS);
      values[j] = between(axes[j], b, UPWARDS);
      const found = outcomes(values);
      numbers.push(output.of(found));
      overs.push(limits.map((c) => excess(c, valueOf(c, found, values[data.outside]), values[data.outside])));
    }
  }
  return { i, j, x: axes[i], y: axes[j], output, numbers, overs };
}

// Round levels between two ends, six to ten of them.
function levelsOf(low, high) {
  const rough = (high - low) / 7, size = 10 ** Math.floor(Math.log10(rough || 1));
  const step = [1, 2, 2.5, 5, 10].map((s) => s * size).find((s) => s >= rough) || 1, found = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9 * step; n++) found.push(Number((n * step).toPrecision(10)));
  return found;
}

// A path from each cell of the grid: a piece from the corners of what is above a level, and from where its edge cuts.
function pathOf(numbers, level, piece) {
  let path = "";
  for (let b = 0; b < UPWARDS; b++) {
    for (let a = 0; a < ACROSS; a++) {
      const corners = [[a, b], [a + 1, b], [a + 1, b + 1], [a, b + 1]].map(([p, q]) => ({ p, q, v: numbers[q * (ACROSS + 1) + p] - level }));
      const above = [], cuts = [];
      corners.forEach((one, k) => {
        const next = corners[(k + 1) % 4];
        if (one.v > 0) above.push([one.p, one.q]);
        if (one.v > 0 !== next.v > 0) {
          const share = one.v / (one.v - next.v);
          cuts.push([one.p + share * (next.p - one.p), one.q + share * (next.q - one.q)]);
          above.push(cuts.at(-1));
        }
      });
      path += piece(above, cuts);
    }
  }
  return path;
}

// Where numbers of the grid are above a level, as the path of a picture: of each cell the part that is.
function regionPath(numbers, level, at) {
  return pathOf(numbers, level, (above) => (above.length ? `M${above.map((point) => at(point).join(" ")).join("L")}Z` : ""));
}

// The lines on which numbers of the grid have a level, as the path of a picture; each cell is cut by itself.
function contourPath(numbers, level, at) {
  const line = (cuts, k) => `M${at(cuts[k]).join(" ")}L${at(cuts[k + 1]).join(" ")}`;
  return pathOf(numbers, level, (_, cuts) => [0, 2].filter((k) => k + 1 < cuts.length).map((k) => line(cuts, k)).join(""));
}

function showStudy() {
  view = viewNow();
  const { x, y, output, numbers, overs } = view, holder = by("plot"), width = Math.max(holder.clientWidth, 280);
  const height = Math.min(Math.round(width * 0.62) + 60, 560), left = 48, top = 24, foot = 48, side = 26;
  const inner = [width - left - side, height - top - foot], wide = ACROSS + 1;
  const at = ([a, b]) => [(left + (inner[0] * a) / ACROSS).toFixed(1), (top + inner[1] * (1 - b / UPWARDS)).toFixed(1)];
  const low = Math.min(...numbers), high = Math.max(...numbers);
  const shown = [low, high].map((v) => shownNumber(output, v)), levels = levelsOf(Math.min(...shown), Math.max(...shown)).map((v) => storedNumber(output, v)).sort((a, b) => a - b);
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", tabindex: 0, "aria-label": `${output.label} over ${x.label} and ${y.label}: ${text(output, low)} to ${text(output, high)}. Arrow keys move the cross.` });
  svg.append(drawn("defs", {}, drawn("pattern", { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, drawn("path", { d: "M0 0V7", class: "hatch" }))));
  svg.append(drawn("rect", { x: left, y: top, width: inner[0], height: inner[1], class: "b0" }));
  levels.forEach((level, n) => {
    const path = regionPath(numbers, level, at), shade = Math.round((9 * (n + 1)) / levels.length);
    if (path) svg.append(drawn("path", { d: path, class: `b${shade}`, "shape-rendering": "crispEdges" }));
  });
  const hatched = regionPath(overs.map((each) => Math.max(-1, ...each)), data.kept, at);
  if (hatched) svg.append(drawn("path", { d: hatched, fill: "url(#hatch)" }));
  levels.forEach((level, n) => {
    const path = contourPath(numbers, level, at);
    if (!path) return;
    svg.append(drawn("path", { d: path, class: "contour" }));
    const cuts = path.split("M").slice(1), cut = cuts[Math.floor(cuts.length * (0.3 + 0.08 * (n % 6)))], [cx, cy] = cut.split("L")[0].split(" ");
    svg.append(drawn("text", { x: Math.min(Math.max(cx, left + 16), width - 30), y: Math.min(Math.max(cy, top + 14), height - foot - 6), "text-anchor": "middle", class: "halo" }, bare(output, level)));
  });
  const named = [];
  limits.forEach((c, k) => {
    const path = contourPath(overs.map((each) => each[k]), 0, at);
    if (!path) return;
    const dash = ["", "9 4", "2 3", "9 3 2 3", "14 5"][named.length % 5];
    named.push(`${c.label} ${c.sense < 0 ? "≥" : "≤"} ${typedText(c, boundOf(c, here[data.outside]))} (${["unbroken", "dashed", "dotted", "dash and dot", "long dashes"][named.length % 5]} line)`);
    svg.append(drawn("path", { d: path, class: "limit", "stroke-dasharray": dash }));
  });
  frame(svg, x, y, left, top, inner, width, height);
  const spot = (values) => at([((values[view.i] - x.low) / (x.high - x.low)) * ACROSS, ((values[view.j] - y.low) / (y.high - y.low)) * UPWARDS]);
  const [tx, ty] = spot(scenario), [hx, hy] = spot(here).map(Number);
  svg.append(drawn("circle", { cx: tx, cy: ty, r: 7, class: "place" }), drawn("path", { d: `M${hx - 10} ${hy}H${hx + 10}M${hx} ${hy - 10}V${hy + 10}`, class: "place", id: "cross" }));
  svg.addEventListener("pointermove", (event) => read(pointed(event, svg, left, top, inner, width)));
  svg.addEventListener("pointerleave", () => read(here));
  svg.addEventListener("click", (event) => moveTo(pointed(event, svg, left, top, inner, width, true)));
  svg.addEventListener("keydown", keyed);
  const focused = holder.contains(document.activeElement);
  holder.replaceChildren(svg);
  if (focused) svg.focus();
  by("legend").textContent = `Cross: here. Ring: the scenario. ${overs.some((each) => each.some((over) => over > data.kept)) ? "Hatched: something is not kept. " : ""}${named.length ? `Lines where a limit lies: ${named.join("; ")}. ` : ""}Everything else is as the sliders stand.`;
  read(here);
  showSlice("slice-x", view.i, output);
  showSlice("slice-y", view.j, output);
  by("python").textContent = asPython(here);
}

// Frame, ticks and names of two axes.
function frame(svg, x, y, left, top, inner, width, height) {
  const ticks = (told, low, high) => levelsOf(...[low, high].map((v) => shownNumber(told, v)).sort((a, b) => a - b));
  const few = width < 480 ? 2 : 1, yEnd = top + inner[1];
  ticks(x, x.low, x.high).forEach((tick, n) => {
    const px = left + (inner[0] * (storedNumber(x, tick) - x.low)) / (x.high - x.low);
    svg.append(drawn("path", { d: `M${px} ${yEnd}v5`, class: "axis" }));
    if (n % few === 0) svg.append(drawn("text", { x: px, y: yEnd + 19, "text-anchor": "middle" }, String(Number(tick.toPrecision(6)))));
  });
  ticks(y, y.low, y.high).forEach((tick) => {
    const py = yEnd - (inner[1] * (storedNumber(y, tick) - y.low)) / (y.high - y.low);
    svg.append(drawn("path", { d: `M${left} ${py}h-5`, class: "axis" }), drawn("text", { x: left - 8, y: py + 4, "text-anchor": "end" }, String(Number(tick.toPrecision(6)))));
  });
  svg.append(drawn("rect", { x: left, y: top, width: inner[0], height: inner[1], class: "axis" }));
  svg.append(drawn("text", { x: left + inner[0] / 2, y: height - 8, "text-anchor": "middle" }, `${x.label}${unitOf(x) ? ` [${unitOf(x)}]` : ""}`));
  svg.append(drawn("text", { x: 4, y: 14 }, `${y.label}${unitOf(y) ? ` [${unitOf(y)}]` : ""}`));
}

// The place under the pointer; on the dial where it is to be taken.
function pointed(event, svg, left, top, inner, width, onDial = false) {
  const box = svg.getBoundingClientRect(), scale = width / box.width, values = here.slice();
  const share = [((event.clientX - box.left) * scale - left) / inner[0], 1 - ((event.clientY - box.top) * scale - top) / inner[1]];
  [view.i, view.j].forEach((k, n) => {
    const value = between(axes[k], Math.min(1, Math.max(0, share[n])), 1);
    values[k] = onDial ? axes[k].values[nearest(axes[k], value)] : value;
  });
  return values;
}

function keyed(event) {
  const step = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [1, 1], ArrowDown: [1, -1] }[event.key];
  if (!step) return;
  event.preventDefault();
  const k = [view.i, view.j][step[0]], axis = axes[k], values = here.slice();
  values[k] = axis.values[Math.min(axis.values.length - 1, Math.max(0, nearest(axis, here[k]) + step[1]))];
  moveTo(values);
}

function read(values) {
  const { x, y, i, j, output } = view, found = outcomes(values), broken = judged(values, found).filter((v) => !v.met).map((v) => v.constraint.label);
  by("reading").textContent = `${x.label} ${text(x, values[i])}, ${y.label} ${text(y, values[j])}: ${output.label} ${text(output, output.of(found))}${broken.length ? `; not kept: ${broken.join(", ")}` : ""}`;
}

// An outcome along one axis, all else as it is here.
function showSlice(id, k, output) {
  const axis = axes[k], holder = by(id), width = Math.max(holder.clientWidth, 260), height = 220, left = 48, top = 24, inner = [width - left - 26, height - 72];
  const values = here.slice(), points = [];
  for (let n = 0; n <= 60; n++) {
    values[k] = between(axis, n, 60);
    points.push(output.of(outcomes(values)));
  }
  const bounds = limits.filter((c) => c.row === output.key && !c.less_outside && !c.bound_is_outside).map((c) => c.bound);
  let low = Math.min(...points), high = Math.max(...points);
  const inside = bounds.filter((b) => b > low - 0.5 * (high - low) && b < high + 0.5 * (high - low));
  low = Math.min(low, ...inside); high = Math.max(high, ...inside);
  const room = 0.06 * (high - low) || Math.abs(0.02 * high) || 1, told = { ...output, low: low - room, high: high + room };
  const at = (n, v) => `${(left + (inner[0] * n) / 60).toFixed(1)} ${(top + inner[1] * (1 - (v - told.low) / (told.high - told.low))).toFixed(1)}`;
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `${output.label} along ${axis.label}: from ${text(output, points[0])} at ${text(axis, axis.low)} to ${text(output, points[60])} at ${text(axis, axis.high)}` });
  inside.forEach((b) => svg.append(drawn("path", { d: `M${at(0, b)}L${at(60, b)}`, class: "wish" })));
  svg.append(drawn("path", { d: `M${points.map((v, n) => at(n, v)).join("L")}`, class: "curve" }));
  frame(svg, axis, told, left, top, inner, width, height);
  const [cx, cy] = at(((here[k] - axis.low) / (axis.high - axis.low)) * 60, output.of(outcomes(here))).split(" ");
  svg.append(drawn("circle", { cx, cy, r: 5, class: "dot" }));
  holder.replaceChildren(svg);
}

// This place in Python: by keys of the scenario where there are such, else by the settings of its machine.
function asPython(values) {
  const file = JSON.stringify(data.scenario || "scenario.toml"), lines = ["import coolsim", "", `case = coolsim.load(${file})`];
  const plainly = axes.every((axis) => axis.typed), moved = plainly ? axes.map((axis, k) => [axis.typed, `${Number(shownNumber(axis, values[k]).toPrecision(9))} ${axis.typed_unit}`]) : [];
  const keys = { ...data.changed, ...Object.fromEntries(moved) };
  if (Object.keys(keys).length) {
    lines.push("case = coolsim.replace(case, {", ...Object.entries(keys).map(([key, value]) => `    ${JSON.stringify(key)}: ${JSON.stringify(value)},`), "})");
  }
  if (!plainly) {
    const known = Object.fromEntries(axes.map((axis, k) => [axis.key, Number(values[k].toPrecision(9))]));
    const own = axes.filter((axis) => axis.key === "feed_moisture" || axis.is_set).map((axis) => `    "${axis.key}": ${known[axis.key]},`);
    lines.splice(0, 1, "import dataclasses", "", "import coolsim", "from coolsim.machines import machine_of");
    lines.push(`air = dataclasses.replace(case.air, temperature=${known.outside_temperature}, relative_humidity=${known.outside_humidity})`);
    lines.push("case = machine_of(dataclasses.replace(case, air=air)).at({  # in SI", ...own, "})");
  }
  lines.push("result = coolsim.predict(case)", "print(result.pellets_out.moisture_wb, result.pellets_out.temperature)");
  return lines.join("\n");
}

function copyPython() {
  const code = by("python"), range = document.createRange();
  range.selectNodeContents(code);
  getSelection().removeAllRanges();
  getSelection().addRange(range);
  const copied = document.execCommand("copy"); // files have no other clipboard
  by("copied").textContent = copied ? "Copied." : "Not copied: it is marked below, copy it with Ctrl-C.";
}

function csvOf() {
  const { x, y, output, numbers } = view, quoted = (words) => `"${words.replaceAll('"', '""')}"`;
  const head = [x, y, output].map((told) => quoted(`${told.label} [${unitOf(told)}]`)).join(",");
  const lines = numbers.map((v, n) => {
    const at = [between(x, n % (ACROSS + 1), ACROSS), between(y, Math.floor(n / (ACROSS + 1)), UPWARDS)];
    return [shownNumber(x, at[0]), shownNumber(y, at[1]), shownNumber(output, v)].map((number) => Number(number.toPrecision(7))).join(",");
  });
  return [head, ...lines].join("\r\n") + "\r\n";
}

function saveCsv() {
  const link = element("a", { href: URL.createObjectURL(new Blob([csvOf()], { type: "text/csv" })), download: "view.csv" });
  link.click();
  URL.revokeObjectURL(link.href);
}

// ---- To buy --------------------------------------------------------------------------------------------------

const buy = data.buy; // null where nothing is to be bought, or no size serves
let chosen = buy ? { floor: buy.taken, margin: buy.margin } : null;

// The fan of a floor, with a margin on the bed's pressure: largest flow, largest pressure, and the next standard motor.
function fanOf(floor, margin) {
  const asked = floor.duties.map((d) => ({ flow: d.flow, pressure: d.bed * (1 + margin) + d.duct, density: d.density }));
  const flow = Math.max(...asked.map((d) => d.flow)), pressure = Math.max(...asked.map((d) => d.pressure));
  const shaft = (flow * pressure) / buy.efficiency, motor = buy.ratings.find((kilowatt) => 1000 * kilowatt * (1 + 1e-9) >= shaft);
  return { asked, flow, pressure, density: asked.find((d) => d.pressure === pressure).density, shaft, electric: shaft / buy.motor_efficiency, motor };
}

function powerText(told, power) {
  return `${Number((told.factor * power).toPrecision(3))} ${told.unit}`;
}

function chooser(name, words, last, valueText) {
  const id = `choose-${name}`, range = element("input", { type: "range", id, min: 0, max: last, step: 1 });
  range.addEventListener("input", () => {
    chosen = { ...chosen, [name]: name === "floor" ? Number(range.value) : Number(range.value) * 0.05 };
    showBuy();
  });
  return element("div", { class: "slider" }, element("div", { class: "name" }, element("label", { for: id }, words), element("strong", { id: `${id}-now` })), range, element("div", { class: "ends" }, element("span", {}, valueText(0)), element("span", {}, valueText(last))));
}

function beginBuy() {
  const area = buy.told.area;
  by("chosen").append(chooser("floor", buy.dryers > 1 ? "floor of all dryers" : "floor", buy.floors.length - 1, (k) => text(area, buy.floors[k].area)));
  if (buy.efficiency !== null) by("chosen").append(chooser("margin", "fan's margin on the bed's pressure", 30, (k) => `${5 * k} %`));
  by("print").addEventListener("click", () => print());
  by("governing").replaceChildren(element("thead", {}, tableRow(["part", "fixed by", "at"], true)), element("tbody", {}, ...buy.governing.map((g) => tableRow([g.part, g.who, g.why.join(", ") || "no limit: least cost"]))));
  by("buy-words").replaceChildren(...buy.words.map((words) => element("p", { class: "small" }, words)));
}

function showBuy() {
  if (!buy) return;
  const floor = buy.floors[chosen.floor], fan = buy.efficiency === null ? null : fanOf(floor, chosen.margin), told = buy.told;
  const set = (name, position, words) => {
    by(`choose-${name}`).value = position;
    by(`choose-${name}`).setAttribute("aria-valuetext", words);
    by(`choose-${name}-now`).textContent = words;
  };
  set("floor", chosen.floor, text(told.area, floor.area));
  if (fan) set("margin", Math.round(chosen.margin / 0.05), `${(100 * chosen.margin).toFixed(0)} %`);
  const money = floor.cost === null ? "" : `, ${floor.cost.toFixed(2)} ${buy.currency} per ${data.mass.name} to run${buy.reserve ? ` with ${(100 * buy.reserve).toFixed(0)} % more feed` : ""}, mean of all products and weathers`.replace("  ", " ");
  const motor = !fan ? "" : fan.motor === undefined ? ", and more than one fan: no standard motor is so large" : `, ${powerText(buy.told.shaft, 1000 * fan.motor)}`;
  const built = { "counter-flow": "cooler", batch: "dryers", belt: "belt" }[buy.machine];
  const taken = chosen.floor === buy.taken, look = fan && fan.motor === undefined ? " bad" : taken && buy.sure.good ? "" : " doubt";
  by("bought").className = `verdict${look}`;
  by("bought").replaceChildren(
    element("p", { class: "said" }, `${buy.dryers > 1 ? `${buy.dryers} ${built}, together ` : `A ${built} of `}${text(told.area, floor.area)}${motor}.`),
    element("p", {}, `${buy.built_for ? `It is ${buy.built_for}. ` : ""}The deepest bed is ${text(told.depth, floor.depth)}${money}.`),
    element("p", {}, taken ? buy.sure.words : "How likely it is to serve is told of the floor that is taken."),
    element("p", { class: "small" }, taken ? buy.why_taken : `${chosen.floor < buy.taken ? "Smaller than the floor that is taken: dearer to run." : "Larger than the floor that is taken: cheaper to run."} ${buy.why_taken}`));
  showFan(fan, floor);
  showBody(floor);
  showServed(floor);
}

function showFan(fan, floor) {
  const told = buy.told;
  if (!fan) {
    const head = tableRow(["part", right("floor"), right("largest flow"), right("largest pressure"), right("motor"), right("heater")], true);
    const lines = buy.parts.map((p, k) => tableRow([buy.machine === "belt" ? `zone ${k + 1}` : "one dryer", right(text(told.area, p.area)), right(text(told.flow, p.flow)), right(text(told.pressure, p.pressure)), right(powerText(told.shaft, p.motor)), right(p.heater === null ? "none" : powerText(told.heating, p.heater))]));
    by("fan").replaceChildren(element("caption", {}, `On the floor that is taken, ${text(told.area, buy.floors[buy.taken].area)}, with ${(100 * buy.margin).toFixed(0)} % on the bed's pressure`), element("thead", {}, head), element("tbody", {}, ...lines));
    named(by("fan"));
    return;
  }
  by("fan").replaceChildren(element("tbody", {},
    tableRow(["largest volume at its inlet", right(text(told.flow, fan.flow))]),
    tableRow(["largest pressure", right(text(told.pressure, fan.pressure))]),
    tableRow(["density of the air at its inlet", right(text(told.density, fan.density))]),
    tableRow([`power at its shaft, at ${(100 * buy.efficiency).toFixed(0)} % efficiency`, right(powerText(told.shaft, fan.shaft))]),
    tableRow(["next standard motor", right(fan.motor === undefined ? "none" : powerText(told.shaft, 1000 * fan.motor))])));
  showDuties(fan);
}

// What every product in every weather asks, and the point through which or above which the fan's curve must pass.
function showDuties(fan) {
  const holder = by("duties"), width = Math.max(holder.clientWidth, 260), height = 260, left = 52, top = 26, inner = [width - left - 26, height - 74], told = buy.told;
  const x = { ...told.flow, label: "flow", low: 0, high: 1.25 * fan.flow }, y = { ...told.pressure, label: "pressure", low: 0, high: 1.35 * fan.pressure };
  const at = (q, p) => [left + (inner[0] * q) / x.high, top + inner[1] * (1 - p / y.high)];
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `What is asked of the fan: ${fan.asked.map((d) => `${text(told.flow, d.flow)} at ${text(told.pressure, d.pressure)}`).join("; ")}. Its curve must pass through or above ${text(told.flow, fan.flow)} at ${text(told.pressure, fan.pressure)}.` });
  const path = Array.from({ length: 41 }, (_, n) => { const q = (x.high * n) / 40; return at(q, fan.pressure * (q / fan.flow) ** 2); }).filter(([, py]) => py >= top);
  svg.append(drawn("path", { d: `M${path.map((p) => p.map((v) => v.toFixed(1)).join(" ")).join("L")}`, class: "curve", "stroke-dasharray": "3 4" }));
  frame(svg, x, y, left, top, inner, width, height);
  fan.asked.forEach((d) => { const [cx, cy] = at(d.flow, d.pressure); svg.append(drawn("circle", { cx, cy, r: 4.5, class: "dot" })); });
  const [cx, cy] = at(fan.flow, fan.pressure);
  svg.append(drawn("rect", { x: cx - 8, y: cy - 8, width: 16, height: 16, class: "place" }), label(cx, cy - 14, width < 420 ? "ask for this" : "the fan's curve passes here or above", width));
  holder.replaceChildren(svg, element("figcaption", {}, element("p", { class: "small" }, "Dots: each product in each weather, with the reserve and without. Square: the duty to ask for. Dotted: how the pressure of bed and duct grows with the flow, about as its square.")));
}

// A cooler with its measures, drawn to scale; of dryers nothing is drawn.
function showBody(floor) {
  if (buy.freeboard === null) return;
  const side = Math.sqrt(floor.area), tall = floor.depth + buy.freeboard, width = 300, scale = Math.min(120 / side, 150 / tall), length = buy.told.length;
  const [w, h, bed] = [side * scale, tall * scale, floor.depth * scale], left = 24, top = 26, metres = (v) => `${(length.factor * v).toFixed(2)} ${length.unit}`;
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${h + 60}`, role: "img", "aria-label": `A square body of ${metres(side)} by ${metres(side)}, ${metres(tall)} high, the bed ${metres(floor.depth)} deep` });
  svg.append(drawn("rect", { x: left, y: top + h - bed, width: w, height: bed, class: "pellets" }), drawn("rect", { x: left, y: top, width: w, height: h, class: "plate" }));
  svg.append(drawn("text", { x: left + w / 2, y: 16, "text-anchor": "middle" }, metres(side)));
  svg.append(drawn("text", { x: left + w + 8, y: top + h - bed / 2 + 4 }, `bed ${metres(floor.depth)}`), drawn("text", { x: left + w + 8, y: top + (h - bed) / 2 + 4 }, `freeboard ${metres(buy.freeboard)}`));
  svg.append(drawn("text", { x: left, y: top + h + 22 }, `square ${metres(side)}, or round ${metres(Math.sqrt((4 * floor.area) / Math.PI))}`));
  by("body").replaceChildren(element("h2", {}, "Inner measures, without hopper and legs"), svg);
}

function showServed(floor) {
  const told = buy.told, money = floor.served.some((s) => s.cost !== null), dries = floor.served.some((s) => s.time !== null);
  if (!floor.served.length) {
    by("served").replaceChildren(element("tbody", {}, tableRow([`Of dryers this is told on the floor that is taken, ${text(told.area, buy.floors[buy.taken].area)}.`])));
    return;
  }
  const head = ["", right("airflow"), ...(dries ? [right("inlet air"), right("time")] : []), right("bed"), right("leaves"), right("at"), ...(money ? [right(`per ${data.mass.name}`)] : []), "stands at"];
  const lines = floor.served.map((s) => tableRow([s.who, right(text(told.flow, s.airflow)), ...(dries ? [right(text(told.inlet, s.inlet)), right(text(told.time, s.time))] : []), right(text(told.depth, s.depth)), right(text(told.moisture, s.moisture)), right(text(told.temperature, s.temperature)), ...(money ? [right(s.cost === null ? "" : s.cost.toFixed(2))] : []), s.binding.join(", ") || "no limit"]));
  by("served").replaceChildren(element("thead", {}, tableRow(head, true)), element("tbody", {}, ...lines));
  named(by("served"));
}

// Cells that know the title of their column: where a page is narrow each row stands as a list.
function named(table) {
  const titles = [...table.tHead.rows[0].cells].map((cell) => cell.textContent);
  table.setAttribute("role", "table");
  for (const row of table.rows) {
    row.setAttribute("role", "row");
    [...row.cells].forEach((cell, k) => {
      cell.setAttribute("role", row.parentElement === table.tHead ? "columnheader" : k === 0 ? "rowheader" : "cell");
      cell.setAttribute("data-title", titles[k]);
    });
  }
}

// ---- The page ------------------------------------------------------------------------------------------------

function show() {
  showSliders();
  showVerdict();
  if (!by("tonight").hidden) {
    showKept();
    showMoney();
    showLevers();
  }
  if (!by("study").hidden) showStudy();
}

const QUESTIONS = ["buy", "tonight", "study"].filter((name) => by(`tab-${name}`));

function ask(name) {
  for (const other of QUESTIONS) {
    by(other).hidden = other !== name;
    by(`tab-${other}`).setAttribute("aria-selected", String(other === name));
    by(`tab-${other}`).tabIndex = other === name ? 0 : -1;
  }
  document.body.className = name;
  const map = name !== "buy";
  by("verdict").hidden = by("given").hidden = by("accuracy").hidden = !map;
  if (map) show();
  else showBuy();
}

function tabKeyed(event) {
  const now = QUESTIONS.findIndex((name) => by(`tab-${name}`) === event.target);
  const to = { ArrowRight: now + 1, ArrowLeft: now - 1, Home: 0, End: QUESTIONS.length - 1 }[event.key];
  if (to === undefined) return;
  event.preventDefault();
  const name = QUESTIONS[(to + QUESTIONS.length) % QUESTIONS.length];
  by(`tab-${name}`).focus();
  ask(name);
}

function begin() {
  axes.forEach((axis, k) => by(axis.is_set ? "sets" : "comes").append(sliderOf(axis, k)));
  const option = (value, words) => element("option", { value }, words);
  by("bar-of").append(...["moisture", "temperature"].map((key) => option(key, rows[rowOf[key]].label)));
  by("study-of").append(...studied.map((output, k) => option(k, output.label)));
  for (const id of ["study-x", "study-y"]) by(id).append(...axes.map((axis, k) => option(k, axis.label)));
  const set = axes.findIndex((axis) => axis.is_set);
  by("study-x").value = set < 0 ? 1 : set;
  by("study-y").value = 0;
  by("study-of").addEventListener("change", show);
  for (const [id, other] of [["study-x", "study-y"], ["study-y", "study-x"]]) {
    let was = by(id).value;
    by(id).addEventListener("change", () => {
      if (by(id).value === by(other).value) by(other).value = was; // an axis is shown once: they change places
      was = by(id).value;
      show();
    });
    by(other).addEventListener("change", () => { was = by(id).value; });
  }
  by("bar-of").addEventListener("change", show);
  by("undo").addEventListener("click", undo);
  by("reset").addEventListener("click", () => moveTo(scenario.slice()));
  by("copy").addEventListener("click", copyPython);
  by("csv").addEventListener("click", saveCsv);
  for (const name of QUESTIONS) {
    by(`tab-${name}`).addEventListener("click", () => ask(name));
    by(`tab-${name}`).addEventListener("keydown", tabKeyed);
  }
  for (const event of ["beforeprint", "afterprint"]) addEventListener(event, () => ask(QUESTIONS.find((name) => !by(name).hidden)));
  addEventListener("resize", () => ask(QUESTIONS.find((name) => !by(name).hidden)));
  if (buy) beginBuy();
  showTrust();
  ask(QUESTIONS[0]); // who asks what to buy sees that first
}

function showTrust() {
  const e = data.error, T = rows[rowOf.temperature];
  const up = (v) => (Math.ceil(100 * v - 1e-9) / 100).toFixed(2); // rounded up: no error looks smaller than it is
  const points = (v) => `${up(100 * v)} points`, kelvin = (v) => `${up(T.factor * v)} ${T.unit === "°F" ? "°F" : "K"}`;
  by("error").textContent = `Its numbers come from a map of what coolsim predicts. Held against ${e.states} predictions it had not seen, a fifth of them in corners of the map, it was off by at most ${points(e.largest.moisture)} and ${kelvin(e.largest.temperature)}; 95 of 100 by no more than ${points(e.of_95.moisture)} and ${kelvin(e.of_95.temperature)}. Outside its ranges it does not answer.`;
  by("held").textContent = `Everything that no slider moves is as the scenario has it: ${data.held}`;
  by("unknown").textContent = spread === null ? "No chance is shown: nothing in the scenario carries a ±." : `The chance comes from ${spread.samples} samples of what is known only to some ±; what it may be, as far as samples and map are exact, stands in brackets. Known to some ±: ${spread.names.map((name) => name.replaceAll("_", " ")).join(", ")}.`;
}

begin();
