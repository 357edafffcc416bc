"use strict";
// The program of the page, plain functions from top to bottom: numbers, what becomes of a place, what is said of it,
// sliders, bars, pictures, the machine to buy. Numbers are in SI until they are shown.
// Limits, prices, units and the map itself stand in the data: here they are only read, compared and added up.

const data = JSON.parse(document.getElementById("data").textContent);
const axes = data.axes, rows = data.rows, surface = unpackedSurface(data.surface), spread = unpackedSpread(data.spread);
const rowOf = Object.fromEntries(rows.map((row, k) => [row.key, k]));
const scenario = axes.map((axis) => axis.now); // as it was typed
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

function unpackedSurface(packed) {
  const powers = bytesOf(packed.powers), terms = packed.terms, degree = powers.reduce((a, b) => Math.max(a, b), 0);
  return { low: packed.low, high: packed.high, powers, terms, degree, coefficients: floatsOf(packed.coefficients) };
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
  return `${Number(shownNumber(told, value).toPrecision(6))} ${unitOf(told)}`.trim();
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

function termsAt(place) {
  const terms = new Float64Array(surface.terms).fill(1);
  place.forEach((t, k) => {
    const each = chebyshev(t, surface.degree), from = k * surface.terms;
    for (let n = 0; n < terms.length; n++) terms[n] *= each[surface.powers[from + n]];
  });
  return terms;
}

function smoothRow(k, terms) {
  let sum = 0;
  const from = k * surface.terms;
  for (let n = 0; n < terms.length; n++) sum += surface.coefficients[from + n] * terms[n];
  return sum;
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
  return data.constraints.map((c) => {
    const value = valueOf(c, found, outside), over = excess(c, value, outside);
    const tenth = c.tenth ? found[c.tenth] - (c.less_outside ? outside : 0) : null;
    return { constraint: c, value, bound: boundOf(c, outside), tenth, over, met: over <= data.kept };
  });
}

// Cost per tonne of wet feed: what each part is, and all together.
function costs(values, found = outcomes(values)) {
  const parts = data.costs.map((cost) => ({ label: cost.label, value: cost.price * Math.max(found[cost.row], 0) }));
  return { parts, total: parts.reduce((sum, part) => sum + part.value, 0), tonnesPerHour: found.fed * 3.6 };
}

// Probability that everything is kept, by samples of what is not known; null where everything is known.
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
  let kept = 0;
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
    if (counted.every((c) => excess(c, valueOf(c, found, outside), outside) <= 1e-4)) kept++;
  }
  return kept / spread.samples;
}

function chanceText(share) {
  if (share < 0.01) return "under 1 %";
  return share > 0.99 ? "over 99 %" : `${(100 * share).toFixed(0)} %`;
}

// ---- What is said --------------------------------------------------------------------------------------------

const SAID = {
  too_wet: ["Too wet.", "Do not bag it."],
  too_dry: ["Too dry.", "Weight is given away."],
  too_warm: ["Too warm.", "Do not bag it before it has cooled."],
  over_limit: ["Beyond a limit of the machine.", "Do not run it so."],
};

function wanted(c, bound) {
  return `${typedText(c, bound)} ${c.sense < 0 ? "at least" : "at most"}`;
}

// The verdict on a place: how it looks, the sentence, and what stands below it.
function verdict(values) {
  const each = judged(values), broken = each.filter((v) => !v.met).sort((a, b) => b.over - a.over);
  const sure = chance(values);
  const likely = sure === null ? "" : ` The chance that all is kept is ${chanceText(sure)}.`;
  if (broken.length) {
    const wish = broken.find((v) => v.constraint.of_target) || broken[0];
    const [what, then] = SAID[wish.constraint.harm];
    const why = broken.map((v) => `${v.constraint.label} ${toldApart(v.constraint, v.value, v.bound)}, ${wanted(v.constraint, v.bound)}`);
    return { look: "bad", said: `${what} ${then}`, below: `${why.join("; ")}.${likely}` };
  }
  if (!data.constraints.some((c) => c.of_target)) {
    return { look: "doubt", said: "No limit is passed.", below: "Whether it may be bagged is not said: the scenario has no [target]." };
  }
  if (sure === null) {
    return { look: "", said: "It will do, as computed.", below: "How sure that is cannot be said: nothing in the scenario carries a ±." };
  }
  const basis = `${(100 * data.likely).toFixed(0)} % or more counts as likely enough; that is assumed.`;
  if (sure >= data.likely) return { look: "", said: `Likely enough: all is kept with a chance of ${chanceText(sure)}.`, below: basis };
  return { look: "doubt", said: `As computed it will do, but the chance is only ${chanceText(sure)}.`, below: `Measure the pellets before you rely on it. ${basis}` };
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
  const { look, said, below } = verdict(here), box = by("verdict");
  box.className = `verdict ${look}`.trim();
  box.replaceChildren(element("p", { class: "said" }, said), element("p", {}, leaves()), element("p", { class: "small" }, below));
}

function leaves() {
  const found = outcomes(here), cost = costs(here, found);
  const parts = ["moisture", "temperature"].map((key) => text(rows[rowOf[key]], found[key]));
  const money = data.costs.length ? `; ${cost.total.toFixed(2)} ${data.currency} per tonne`.replace("  ", " ") : "";
  return `Pellets leave at ${parts[0]} and ${parts[1]}${money}.`;
}

function showKept() {
  const table = by("kept"), found = outcomes(here), was = judged(scenario);
  const body = element("tbody");
  judged(here, found).forEach((v, k) => {
    const c = v.constraint, mark = v.met ? "kept" : "not kept";
    const beside = v.tenth === null ? "" : `; ${c.tenth.startsWith("warmest") ? "warmest" : "wettest"} tenth ${text(c, v.tenth)}`;
    const bound = `${c.sense < 0 ? "≥" : "≤"} ${typedText(c, v.bound)}${c.assumed ? " (assumed)" : ""}`;
    body.append(tableRow([c.label, right(toldApart(c, v.value, v.bound)), bound, mark + beside, right(text(c, was[k].value))], false, v.met ? "" : "broken"));
  });
  const T = rows[rowOf.temperature], then = outcomes(scenario);
  body.prepend(tableRow([T.label, right(text(T, found.temperature)), "", "", right(text(T, then.temperature))]));
  if (!data.constraints.some((c) => c.row === "moisture")) {
    const M = rows[rowOf.moisture];
    body.prepend(tableRow([M.label, right(text(M, found.moisture)), "", "", right(text(M, then.moisture))]));
  }
  table.replaceChildren(element("thead", {}, tableRow(["", right("here"), "may be", "", right("scenario")], true)), body);
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
  const sum = (cost) => cost.parts.reduce((total, part) => total + Number(part.value.toFixed(2)), 0);
  line("per tonne of wet feed", sum(now), sum(then), "sum");
  line("per hour", sum(now) * now.tonnesPerHour, sum(then) * then.tonnesPerHour, "");
  const unit = data.currency ? ` in ${data.currency}` : "";
  table.replaceChildren(element("thead", {}, tableRow([`per tonne${unit}`, right("here"), right("scenario"), right("change")], true)), body);
}

// Ends of an outcome as one axis goes from end to end of its range, all else as it is here.
function lever(k, key) {
  const axis = axes[k], wish = new Set([key]), values = here.slice(), found = [];
  for (let n = 0; n <= 16; n++) {
    values[k] = axis.low + ((axis.high - axis.low) * n) / 16;
    found.push(outcomes(values, wish)[key]);
  }
  return { axis, k, low: Math.min(...found), high: Math.max(...found), first: found[0], last: found[16] };
}

function showLevers() {
  const key = by("bar-of").value, row = rows[rowOf[key]], at = outcomes(here, new Set([key]))[key];
  const bars = axes.map((_, k) => lever(k, key)).sort((a, b) => b.high - b.low - (a.high - a.low));
  const bounds = data.constraints.filter((c) => c.row === key && !c.bound_is_outside).map((c) => boundOf(c, here[data.outside]) + (c.less_outside ? here[data.outside] : 0));
  const all = [...bars.flatMap((bar) => [bar.low, bar.high]), ...bounds, at], low = Math.min(...all), high = Math.max(...all);
  const holder = by("levers"), width = Math.max(holder.clientWidth, 280), pad = 8, step = 46, top = 30, height = top + bars.length * step + 24;
  const x = (v) => pad + ((width - 2 * pad) * (v - low)) / (high - low || 1);
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `What moves ${row.label}: ${bars.map(said).join("; ")}` });
  function said(bar) {
    return `${bar.axis.label} from ${text(bar.axis, bar.axis.low)} to ${text(bar.axis, bar.axis.high)}: ${text(row, bar.first)} to ${text(row, bar.last)}`;
  }
  bounds.forEach((bound) => {
    svg.append(drawn("path", { d: `M${x(bound)} ${top - 4}V${height - 20}`, class: "wish" }));
    svg.append(label(x(bound), 14, `bound ${typedText(row, bound)}`, width));
  });
  svg.append(drawn("path", { d: `M${x(at)} ${top}V${height - 20}`, class: "axis" }));
  svg.append(label(x(at), height - 6, `here ${text(row, at)}`, width));
  bars.forEach((bar, n) => {
    const y = top + n * step;
    svg.append(drawn("text", { x: pad, y: y + 14, class: "halo" }, `${bar.axis.label}, ${bare(bar.axis, bar.axis.low)} to ${text(bar.axis, bar.axis.high)}`));
    svg.append(drawn("rect", { x: x(bar.low), y: y + 21, width: Math.max(x(bar.high) - x(bar.low), 2), height: 12, class: "bar" }));
    const rises = bar.last >= bar.first ? [bar.low, "low", bar.high, "high"] : [bar.low, "high", bar.high, "low"];
    svg.append(drawn("title", {}, said(bar)));
    svg.append(drawn("circle", { cx: x(at), cy: y + 27, r: 4, class: "dot" }));
    if (x(bar.high) - x(bar.low) > 90) {
      svg.append(drawn("text", { x: x(rises[0]) + 3, y: y + 44, "font-size": "0.75em" }, rises[1]), drawn("text", { x: x(rises[2]) - 3, y: y + 44, "text-anchor": "end", "font-size": "0.75em" }, rises[3]));
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
    studied.push({ key: "cost", label: "cost per tonne", unit: data.currency, factor: 1, plus: 0, digits: 2, of: (found) => data.costs.reduce((sum, c) => sum + c.price * Math.max(found[c.row], 0), 0) });
  }
  return studied;
}

const studied = outputs();
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
      overs.push(data.constraints.map((c) => excess(c, valueOf(c, found, values[data.outside]), values[data.outside])));
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

// The lines on which numbers of the grid have a level, as the path of a picture; each cell is cut by itself.
function contourPath(numbers, level, at) {
  let path = "";
  const wide = ACROSS + 1;
  for (let b = 0; b < UPWARDS; b++) {
    for (let a = 0; a < ACROSS; a++) {
      const corners = [[a, b], [a + 1, b], [a + 1, b + 1], [a, b + 1]].map(([p, q]) => ({ p, q, v: numbers[q * wide + p] - level }));
      const cuts = [];
      corners.forEach((one, k) => {
        const next = corners[(k + 1) % 4];
        if (one.v > 0 !== next.v > 0) {
          const share = one.v / (one.v - next.v);
          cuts.push([one.p + share * (next.p - one.p), one.q + share * (next.q - one.q)]);
        }
      });
      for (let k = 0; k + 1 < cuts.length; k += 2) path += `M${at(cuts[k]).join(" ")}L${at(cuts[k + 1]).join(" ")}`;
    }
  }
  return path;
}

function showStudy() {
  view = viewNow();
  const { x, y, output, numbers, overs } = view, holder = by("plot"), width = Math.max(holder.clientWidth, 280);
  const height = Math.min(Math.round(width * 0.62) + 60, 560), left = 62, top = 12, foot = 48, side = 14;
  const inner = [width - left - side, height - top - foot], wide = ACROSS + 1;
  const at = ([a, b]) => [(left + (inner[0] * a) / ACROSS).toFixed(1), (top + inner[1] * (1 - b / UPWARDS)).toFixed(1)];
  const low = Math.min(...numbers), high = Math.max(...numbers);
  const shown = [low, high].map((v) => shownNumber(output, v)), levels = levelsOf(Math.min(...shown), Math.max(...shown)).map((v) => storedNumber(output, v)).sort((a, b) => a - b);
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", tabindex: 0, "aria-label": `${output.label} over ${x.label} and ${y.label}: ${text(output, low)} to ${text(output, high)}. Arrow keys move the cross.` });
  svg.append(drawn("defs", {}, drawn("pattern", { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, drawn("path", { d: "M0 0V7", class: "hatch" }))));
  const band = (v) => Math.min(9, Math.round((9 * levels.filter((level) => level <= v).length) / Math.max(levels.length, 1)));
  // Cells of one band side by side are one rectangle, a little larger so that no seam shows.
  const runs = (klass, paint) => {
    for (let b = 0; b < UPWARDS; b++) {
      for (let a = 0, from = 0; a < ACROSS; a++) {
        const mine = klass(a, b);
        if (a + 1 < ACROSS && klass(a + 1, b) === mine) continue;
        const [x0, y0] = at([from, b + 1]).map(Number), [x1, y1] = at([a + 1, b]).map(Number);
        if (mine !== null) svg.append(drawn("rect", { x: x0, y: y0, width: x1 - x0 + 0.6, height: y1 - y0 + 0.6, ...paint(mine) }));
        from = a + 1;
      }
    }
  };
  const middle = (a, b) => (numbers[b * wide + a] + numbers[b * wide + a + 1] + numbers[(b + 1) * wide + a] + numbers[(b + 1) * wide + a + 1]) / 4;
  runs((a, b) => band(middle(a, b)), (mine) => ({ class: `b${mine}` }));
  const passed = (a, b) => overs[b * wide + a].some((over) => over > data.kept);
  runs((a, b) => (passed(a, b) && passed(a + 1, b + 1) ? 1 : null), () => ({ fill: "url(#hatch)" }));
  levels.forEach((level, n) => {
    const path = contourPath(numbers, level, at);
    if (!path) return;
    svg.append(drawn("path", { d: path, class: "contour" }));
    const cuts = path.split("M").slice(1), cut = cuts[Math.floor(cuts.length * (0.3 + 0.08 * (n % 6)))], [cx, cy] = cut.split("L")[0].split(" ");
    svg.append(drawn("text", { x: Math.min(Math.max(cx, left + 16), width - 30), y: Math.min(Math.max(cy, top + 14), height - foot - 6), "text-anchor": "middle", class: "halo" }, bare(output, level)));
  });
  const named = [];
  data.constraints.forEach((c, k) => {
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
  svg.append(drawn("text", { x: left + inner[0] / 2, y: height - 8, "text-anchor": "middle" }, `${x.label} [${x.unit}]`));
  svg.append(drawn("text", { x: 14, y: top + inner[1] / 2, "text-anchor": "middle", transform: `rotate(-90 14 ${top + inner[1] / 2})` }, `${y.label} [${unitOf(y)}]`));
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
  const axis = axes[k], holder = by(id), width = Math.max(holder.clientWidth, 260), height = 210, left = 62, top = 12, inner = [width - left - 14, height - 60];
  const values = here.slice(), points = [];
  for (let n = 0; n <= 60; n++) {
    values[k] = between(axis, n, 60);
    points.push(output.of(outcomes(values)));
  }
  const bounds = data.constraints.filter((c) => c.row === output.key && !c.less_outside && !c.bound_is_outside).map((c) => c.bound);
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
  if (axes.every((axis) => axis.typed)) {
    const keys = axes.map((axis, k) => `    "${axis.typed}": "${Number(shownNumber(axis, values[k]).toPrecision(9))} ${axis.typed_unit}",`);
    lines.push("case = coolsim.replace(case, {", ...keys, "})");
  } else {
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

const QUESTIONS = ["tonight", "buy", "study"].filter((name) => by(`tab-${name}`));

function ask(name) {
  for (const other of QUESTIONS) {
    by(other).hidden = other !== name;
    by(`tab-${other}`).setAttribute("aria-selected", String(other === name));
    by(`tab-${other}`).tabIndex = other === name ? 0 : -1;
  }
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
  addEventListener("resize", () => ask(QUESTIONS.find((name) => !by(name).hidden)));
  showTrust();
  ask("tonight");
}

function showTrust() {
  const e = data.error, M = rows[rowOf.moisture], T = rows[rowOf.temperature];
  const points = (v) => `${(100 * v).toFixed(2)} points`, kelvin = (v) => `${(Math.abs(T.factor) * v).toFixed(2)} ${T.unit === "°F" ? "°F" : "K"}`;
  by("error").textContent = `Its numbers come from a map of what coolsim predicts. Held against ${e.states} predictions it had not seen, a fifth of them in corners of the map, it was off by at most ${points(e.largest.moisture)} and ${kelvin(e.largest.temperature)}; 95 of 100 by no more than ${points(e.of_95.moisture)} and ${kelvin(e.of_95.temperature)}. Outside its ranges it does not answer.`;
  by("held").textContent = `Everything that no slider moves is as the scenario has it: ${data.held}`;
  by("unknown").textContent = spread === null ? "No chance is shown: nothing in the scenario carries a ±." : `The chance comes from ${spread.samples} samples of what is known only to some ±: ${spread.names.join(", ")}.`;
}

begin();
