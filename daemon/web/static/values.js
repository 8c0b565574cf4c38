// Writes live values into the places that the server drew, the way the server writes them (wording.py).

const BAD = "✗";
const STATES = { burner_on: ["off", "on"], bypass_open: ["closed", "open"] };
const SVG = "http://www.w3.org/2000/svg";

export const svg = (name, attributes = {}, text) => {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
};

export const tidy = (text) => text.replace("-", "−");

function numberOf(one) {
  if (one.value === null) return awaited(one) ? "…" : BAD;
  if (one.quantity === "state") return (STATES[one.name] || ["no", "yes"])[one.value ? 1 : 0];
  if (one.quantity === "duration") return unforeseen(one) ? "not foreseen" : durationWords(one.value);
  return tidy(bare(one));
}

const NEVER = 86400;
const unforeseen = (one) => one.name.endsWith("time_to_limit") && (one.value === null || one.value >= NEVER);
const awaited = (one) => one.status === "BadWaitingForInitialData"; // takes time to learn: nothing is broken
const absent = (one) => (awaited(one) ? "not yet" : "bad");
const measureOf = (one) => (one.value === null ? absent(one) : one.quantity === "duration" ? "" : one.unit);

function durationWords(seconds) {
  const whole = Math.round(seconds);
  if (whole < 120) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 120) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  return hours % 24 ? `${Math.floor(hours / 24)} d ${hours % 24} h` : `${hours / 24} d`;
}

const bare = (one) => (one.unit && one.text.endsWith(one.unit) ? one.text.slice(0, -one.unit.length) : one.text).trim();

function spreadOf(one) {
  if (one.uncertainty === null || one.value === null || one.quantity === "duration") return "";
  return ` ± ${one.uncertainty.toFixed((bare(one).split(".")[1] || "").length)}`;
}

const put = (element, text) => {
  if (element && element.textContent !== text) element.textContent = text;
};

function showValue(place, one) {
  place.dataset.quality = one.quality;
  put(place.querySelector(".number"), numberOf(one));
  put(place.querySelector(".spread"), "spread" in place.dataset ? spreadOf(one) : "");
  put(place.querySelector(".measure"), measureOf(one));
  const mark = one.quality === "uncertain" ? "?" : "";
  put(place.querySelector(".mark"), place.namespaceURI === SVG && mark ? ` ${mark}` : mark);
}

function forecastOf(one) {
  if (one.value === null || unforeseen(one)) return "";
  if (one.value < 60) return "limit within a minute at this trend";
  return `limit in ${numberOf(one)}${one.uncertainty ? ` ± ${durationWords(one.uncertainty)}` : ""} at this trend`;
}

export const valuesOf = (unit) => {
  const found = new Map(unit.signals.map((one) => [one.name, one]));
  for (const one of unit.results) found.set(one.name, one);
  return found;
};

export function showUnit(unit) {
  const found = valuesOf(unit);
  const mine = (what) => document.querySelectorAll(`[data-unit="${CSS.escape(unit.name)}"][${what}]`);
  for (const place of mine("data-value")) {
    const one = found.get(place.dataset.value);
    if (one) showValue(place, one);
  }
  for (const place of mine("data-reason")) {
    const one = found.get(place.dataset.reason);
    if (one) put(place, one.quality === "good" ? "" : one.reason.replaceAll("_", " "));
  }
  for (const place of mine("data-forecast")) {
    const one = found.get(place.dataset.forecast);
    if (one) put(place, forecastOf(one));
  }
  for (const place of mine("data-bar")) drawBar(place, found.get(place.dataset.bar));
  for (const place of mine("data-level")) {
    const one = found.get(place.dataset.level);
    const share = one && one.value !== null ? Math.min(1, Math.max(0, one.value / 100)) : 0;
    place.setAttribute("height", share * place.dataset.height);
    place.setAttribute("y", place.dataset.bottom - share * place.dataset.height);
  }
  for (const place of mine("data-state-of")) put(place, unit.state);
  for (const place of mine("data-age")) place.dataset.time = unit.time;
}

// ------------------------------------------------------------------ bars

let bands = {};
let bandSource = null;

export function bandOf(unit, name) {
  const source = document.getElementById("bars");
  if (source !== bandSource) {
    bandSource = source;
    bands = source ? JSON.parse(source.textContent) : {};
  }
  return bands[unit]?.[name];
}

const percent = (share) => `${(100 * share).toFixed(2)}%`;

function drawBar(place, one) {
  const band = bandOf(place.dataset.unit, place.dataset.bar);
  if (!band) return;
  const at = (value) => Math.min(1, Math.max(0, (value - band.low) / (band.high - band.low)));
  const parts = [svg("rect", { class: "track", x: 0, y: 8, width: "100%", height: 8 })];
  const [low, high] = band.normal;
  if (low !== null || high !== null) {
    const from = low === null ? 0 : at(low);
    const to = high === null ? 1 : at(high);
    if (to > from) parts.push(svg("rect", { class: "normal", x: percent(from), y: 8, width: percent(to - from), height: 8 }));
  }
  for (const limit of band.limits) {
    const x = percent(at(limit.at));
    parts.push(svg("line", { class: "limit", x1: x, x2: x, y1: 6, y2: 18 }));
  }
  let said = "no usable value";
  place.classList.remove("outside");
  if (!one || one.value === null) {
    parts.push(svg("rect", { class: "nothing", x: 1, y: 3, width: "99%", height: 18 }));
  } else {
    if (one.uncertainty !== null) {
      const ends = [at(one.value - one.uncertainty), at(one.value + one.uncertainty)].map(percent);
      parts.push(svg("line", { class: "whisker", x1: ends[0], x2: ends[1], y1: 12, y2: 12 }));
    }
    place.classList.toggle("outside", one.value < band.low || one.value > band.high);
    const needle = svg("svg", { x: percent(at(one.value)), y: 0, overflow: "visible" });
    needle.append(svg("path", { class: "needle", d: "M-6 0H6L0 9z" }), svg("rect", { class: "needle", x: -1.5, y: 6, width: 3, height: 13 }));
    parts.push(needle);
    const inside = (low === null || one.value >= low) && (high === null || one.value <= high);
    said = `${numberOf(one)} ${one.unit}, ${low === null && high === null ? "no limits" : inside ? "in the normal band" : "outside the normal band"}`;
  }
  place.replaceChildren(...parts);
  const name = place.dataset.name || (place.dataset.name = place.getAttribute("aria-label"));
  place.setAttribute("aria-label", `${name}: ${said}`);
}
