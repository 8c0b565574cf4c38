// The trend page: any stored values of a unit over any time, compared with an earlier time.
import { ask, askJson } from "./api.js";
import { Chart } from "./chart.js";
import { boxNow, clockText, momentText } from "./page.js";
import { stepOf } from "./record.js";
import { fromInput, leastSpan, localInput } from "./scales.js";
import { svg } from "./values.js";

const MOST_SERIES = 12;
const LONGEST = 400 * 86400;
const SHORTEST = 10;
const MOST_POINTS = 1500;
const EXPORTED_ROWS = 200000;
const EXPORT_WIDTHS = ["10s", "1min", "10min", "1h", "1d"];
const DEFAULT = ["dew_point_margin", "reboiler_temperature", "stroke_rate"];
const ZONE = document.body.dataset.zone;
const at = (id) => document.getElementById(id);
const asked = new URLSearchParams(location.search);
const state = { unit: at("unit").value, names: asked.getAll("name"), from: null, to: null, live: true, known: [] };
const SCAN_PERIODS = Object.fromEntries([...at("unit").options].map((one) => [one.value, Number(one.dataset.period)]));
let charts = [];
let turn = 0;
let shownAt = 0;

const wall = () => boxNow() / 1000;
const spanLength = () => (at("span").value === "own" ? state.to - state.from : Number(at("span").value));

// ------------------------------------------------------------------ choosing

async function loadSeries() {
  state.known = await askJson(`/v1/units/${state.unit}/series`);
  const names = new Set(state.known.map((one) => one.name));
  state.names = state.names.filter((name) => names.has(name));
  if (!state.names.length) state.names = DEFAULT.filter((name) => names.has(name));
  const listed = [...names].map((name) => {
    const one = state.known.findLast((each) => each.name === name);
    const label = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.value = name;
    box.checked = state.names.includes(name);
    label.append(box, ` ${one.description}${one.unit ? ` [${one.unit}]` : ""}`);
    return label;
  });
  listed.sort((one, other) => other.firstChild.checked - one.firstChild.checked);
  at("series").replaceChildren(...listed);
}

// ------------------------------------------------------------------ asking

async function trend(from, to, points) {
  const query = state.names.map((name) => `name=${name}`).join("&");
  return askJson(`/v1/units/${state.unit}/trend?${query}&from=${from}&to=${to}&points=${points}`, { background: state.live });
}

// From the steps of alarms to the stretches in which they were annunciated.
async function alarmSpans(from, to) {
  const since = Math.max(from - 86400, to - LONGEST + 1); // what stands at the beginning began before it
  const text = await (await ask(`/v1/records?kind=alarm&unit=${state.unit}&from=${since}&to=${to}&format=jsonl`)).text();
  const open = new Map();
  const spans = [];
  const quiet = new Set(["NORM", "SHLVD", "DSUPR", "OOSRV"]);
  for (const row of text.split("\n")) {
    if (!row) continue;
    const step = JSON.parse(row);
    if (!step.time) continue; // the last line may say what could not be read
    const time = Date.parse(step.time) / 1000;
    const { state: now } = stepOf(step);
    const begun = open.get(step.name);
    if (quiet.has(now) && begun) {
      spans.push({ ...begun, to: time });
      open.delete(step.name);
    } else if (!quiet.has(now) && !begun) {
      open.set(step.name, { from: time, priority: step.priority, message: step.message });
    }
  }
  for (const begun of open.values()) spans.push({ ...begun, to });
  const order = ["low", "medium", "high", "highest"]; // the worst is drawn last, on top
  return spans.filter((span) => span.to >= from).sort((one, other) => order.indexOf(one.priority) - order.indexOf(other.priority));
}

// By how much earlier the compared time lies [s]; 0 compares with nothing.
function comparedShift(from, to) {
  const chosen = at("compare").value;
  if (chosen === "span") return to - from;
  if (chosen !== "from") return Number(chosen);
  const begin = fromInput(at("other").value, ZONE);
  return Number.isNaN(begin) ? 0 : from - begin;
}

// What the archive could not give is said, or a gap would look like a plant that stood still.
function tellUnreadable(...trends) {
  const reasons = new Set(trends.flatMap((one) => one?.unreadable ?? []));
  at("unreadable").hidden = reasons.size === 0;
  at("unreadable").textContent = reasons.size ? `Parts of this time cannot be read and are missing here: ${[...reasons].join("; ")}` : "";
}

async function show() {
  const mine = (turn += 1);
  if (state.live) {
    state.to = wall();
    state.from = state.to - spanLength();
  }
  const { from, to } = state;
  at("shown-span").textContent = `${momentText(1000 * from)} to ${momentText(1000 * to)}`;
  remember();
  if (!state.names.length) {
    at("charts").replaceChildren();
    at("trend-error").textContent = "Choose a value on the left.";
    return;
  }
  shownAt = performance.now();
  const points = Math.min(MOST_POINTS, Math.max(200, Math.round(at("charts").clientWidth - 70)));
  try {
    const shift = comparedShift(from, to);
    const [now, earlier, alarms, limits] = await Promise.all([
      trend(from, to, points),
      shift ? trend(from - shift, to - shift, points) : null,
      at("with-alarms").checked ? alarmSpans(from, to) : [],
      at("with-limits").checked ? currentLimits() : {},
    ]);
    if (mine !== turn) return;
    at("trend-error").textContent = "";
    tellUnreadable(now, earlier);
    draw(now, earlier, shift, alarms, limits);
  } catch (error) {
    if (mine === turn) at("trend-error").textContent = error.message;
  }
}

// The limits that the unit page shows.
async function currentLimits() {
  const page = await (await ask(`/units/${state.unit}`)).text();
  const bars = new DOMParser().parseFromString(page, "text/html").getElementById("bars");
  return JSON.parse(bars.textContent)[state.unit];
}

// ------------------------------------------------------------------ drawing

// A picture for each unit of measure; within it up to four lines, told apart by their dashes.
function panels(now, earlier, shift) {
  const found = [];
  const chosen = now.series.filter((one) => one.kind === "result" || !now.series.some((other) => other !== one && other.name === one.name));
  for (const one of chosen) {
    const series = { ...one, label: one.description, time: now.time };
    const before = earlier?.series.find((each) => each.name === one.name && each.kind === one.kind);
    if (before) series.earlier = { ...before, time: earlier.time.map((time) => time + shift) };
    const panel = found.find((each) => each.unit === one.unit && each.series.length < 4 && near(each.series, one));
    if (panel) panel.series.push(series);
    else found.push({ unit: one.unit, series: [series] });
  }
  return found;
}

const middle = (one) => {
  const known = one.value.filter((value) => value !== null);
  return known.length ? known.reduce((sum, value) => sum + value, 0) / known.length : null;
};

// Values of one unit share a picture only where neither flattens the other; one without any has its own, which
// says so.
function near(series, one) {
  const centre = middle(one);
  return series.every((each) => {
    const other = middle(each);
    return centre !== null && other !== null && Math.abs(centre - other) < Math.max(0.6 * Math.max(Math.abs(centre), Math.abs(other)), 8 * leastSpan(one.unit));
  });
}

function heading(panel, shift) {
  const head = document.createElement("div");
  head.className = "chart-head";
  panel.series.forEach((one, index) => {
    const item = document.createElement("span");
    const sample = svg("svg", { viewBox: "0 0 34 10", "aria-hidden": "true" });
    sample.append(svg("path", { class: `trace s${index}`, d: "M0 5H34" }));
    item.append(sample, `${one.label} [${one.unit || "–"}]`);
    head.append(item);
  });
  if (panel.series.some((one) => one.earlier)) head.append(`thin: from ${momentText(1000 * (state.from - shift))} on, laid over it`);
  return head;
}

function draw(now, earlier, shift, alarms, limits) {
  const wanted = panels(now, earlier, shift);
  const key = JSON.stringify(wanted.map((panel) => [panel.unit, panel.series.map((one) => `${one.kind}:${one.name}`)]).concat(shift && [state.live ? shift : state.from - shift]));
  if (at("charts").dataset.key !== key) {
    at("charts").dataset.key = key;
    const height = wanted.length > 2 ? 190 : 280;
    charts = [];
    const drawn = wanted.map((panel) => {
      const box = document.createElement("div");
      box.className = "chart";
      const place = document.createElement("div");
      box.append(heading(panel, shift), place);
      return [box, place];
    });
    at("charts").replaceChildren(...drawn.map(([box]) => box));
    charts = drawn.map(([, place]) => new Chart(place, { height, onZoom: zoomTo, onMove: move }));
  }
  wanted.forEach((panel, index) => {
    const band = panel.series.length === 1 ? limits[panel.series[0].name] : undefined;
    charts[index].draw({
      start: now.start, end: now.end, unit: panel.unit, series: panel.series, alarms,
      band: at("with-band").checked, normal: band?.normal,
      limits: (band?.limits ?? []).filter((limit) => limit.at === band.normal[limit.side === "low" ? 0 : 1]),
    });
  });
}

// ------------------------------------------------------------------ moving about

function zoomTo(from, to) {
  if (to - from < SHORTEST) return;
  state.live = false;
  at("span").value = "own";
  [state.from, state.to] = [from, to];
  showOwnSpan();
  show();
}

function showOwnSpan() {
  const own = at("span").value === "own";
  for (const row of document.querySelectorAll(".own-span")) row.hidden = !own;
  if (own && state.from !== null) {
    at("from").value = localInput(state.from, ZONE);
    at("to").value = localInput(state.to, ZONE);
  }
}

// Zooming keeps the moment that is being read where it is on the picture, else the middle.
function move(direction, read = null) {
  const [from, to] = [state.from, state.to];
  const length = to - from;
  const centre = (from + to) / 2;
  const fixed = read ?? centre;
  if (direction === "earlier") zoomTo(from - length / 2, to - length / 2);
  if (direction === "later") zoomTo(Math.min(from + length / 2, wall() - length), Math.min(to + length / 2, wall()));
  if (direction === "in") zoomTo(fixed - (fixed - from) / 2, fixed + (to - fixed) / 2);
  if (direction === "out") {
    const end = Math.min(fixed + 2 * (to - fixed), wall());
    zoomTo(end - Math.min(2 * length, LONGEST), end);
  }
  if (direction === "now") {
    state.live = true;
    if (at("span").value === "own") at("span").value = "28800";
    showOwnSpan();
    show();
  }
}

// Every scan where they are few enough to be of use in a spreadsheet, else statistics over a round time.
function exportWidth() {
  const length = state.to - state.from;
  if (length / SCAN_PERIODS[state.unit] <= EXPORTED_ROWS) return "";
  const seconds = { s: 1, min: 60, h: 3600, d: 86400 };
  const wide = (text) => parseInt(text, 10) * seconds[text.replace(/\d+/, "")];
  return EXPORT_WIDTHS.find((each) => length / wide(each) <= EXPORTED_ROWS / 4) ?? EXPORT_WIDTHS.at(-1);
}

// The address says what is shown, so that it can be sent to somebody; the export asks for the same.
function remember() {
  const query = new URLSearchParams({ unit: state.unit });
  for (const name of state.names) query.append("name", name);
  if (!state.live) {
    query.set("from", state.from.toFixed(0));
    query.set("to", state.to.toFixed(0));
  } else {
    query.set("span", at("span").value);
  }
  for (const id of ["compare", "other"]) if (at(id).value && at(id).value !== "0") query.set(id, at(id).value);
  history.replaceState(null, "", `/trends?${query}`);
  const names = state.names.map((name) => `name=${name}`).join("&");
  const every = exportWidth();
  at("export").href = `/v1/units/${state.unit}/history?${names}&from=${state.from.toFixed(3)}&to=${state.to.toFixed(3)}&format=csv${every ? `&every=${every}` : ""}`;
  at("export").textContent = every ? `Export as CSV, mean and extremes of every ${every}` : "Export as CSV, every scan";
  at("export").download = `${state.unit}-${clockText(1000 * state.from).replaceAll(":", "")}.csv`;
}

at("series").addEventListener("change", (event) => {
  const chosen = [...at("series").querySelectorAll("input:checked")].map((box) => box.value);
  if (chosen.length > MOST_SERIES) {
    event.target.checked = false;
    at("trend-error").textContent = `At most ${MOST_SERIES} values at a time.`;
    return;
  }
  state.names = chosen;
  show();
});
at("series-find").addEventListener("input", () => {
  const wanted = at("series-find").value.trim().toLowerCase();
  for (const label of at("series").children) {
    label.hidden = !`${label.textContent} ${label.firstChild.value.replaceAll("_", " ")}`.toLowerCase().includes(wanted);
  }
});
at("unit").addEventListener("change", async () => {
  state.unit = at("unit").value;
  await loadSeries();
  show();
});
at("span").addEventListener("change", () => {
  state.live = at("span").value !== "own";
  showOwnSpan();
  show();
});
for (const id of ["from", "to"]) {
  at(id).addEventListener("change", () => {
    const [from, to] = [fromInput(at("from").value, ZONE), fromInput(at("to").value, ZONE)];
    if (!(from < to)) {
      at("trend-error").textContent = "From must be before to.";
      return;
    }
    [state.from, state.to, state.live] = [from, to, false];
    show();
  });
}
function showOther() {
  const other = at("compare").value === "from";
  at("other-row").hidden = !other;
  if (other && !at("other").value) at("other").value = localInput(state.from - (state.to - state.from), ZONE).slice(0, 16);
}
at("compare").addEventListener("change", showOther);
for (const id of ["compare", "other", "with-band", "with-alarms", "with-limits"]) at(id).addEventListener("change", show);
for (const button of document.querySelectorAll("[data-move]")) button.addEventListener("click", () => move(button.dataset.move));
at("choice").addEventListener("submit", (event) => event.preventDefault());

if (asked.has("span") && [...at("span").options].some((option) => option.value === asked.get("span"))) at("span").value = asked.get("span");
if (asked.has("from") && asked.has("to")) {
  [state.from, state.to, state.live] = [Number(asked.get("from")), Number(asked.get("to")), false];
  at("span").value = "own";
  showOwnSpan();
}
for (const id of ["compare", "other"]) if (asked.has(id)) at(id).value = asked.get(id);
showOther();
await loadSeries();
await show();
// Live: a picture is drawn anew when half a point more is there, and not oftener than every ten seconds.
setInterval(() => {
  const due = performance.now() - shownAt > (500 * spanLength()) / MOST_POINTS;
  if (state.live && due && document.visibilityState === "visible") show();
}, 10000);
