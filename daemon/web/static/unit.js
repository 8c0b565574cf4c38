// The unit page: four live trends with their limits.
import { askJson } from "./api.js";
import { Chart } from "./chart.js";
import { afterRefresh } from "./fragments.js";
import { boxNow, onUnit } from "./page.js";
import { bandOf, valuesOf } from "./values.js";

const unit = document.body.dataset.pageUnit;
const SPAN = 2 * 3600;
const POINTS = 720;
const WIDTH = SPAN / POINTS;
const SHORTEST = 900; // so that a daemon that has just started shows more than a dot at the edge
const places = [...document.querySelectorAll("[data-chart]")];
const charts = new Map(places.map((place) => [place.dataset.chart, new Chart(place, { height: 150 })]));
const kept = new Map();

function draw() {
  const end = boxNow() / 1000;
  const first = Math.min(...[...kept.values()].map((one) => one.time[0] ?? end));
  const start = Math.min(end - SHORTEST, Math.max(end - SPAN, first));
  for (const [name, chart] of charts) {
    const one = kept.get(name);
    const band = bandOf(unit, name);
    if (one) {
      chart.draw({ start, end, unit: one.unit, series: [one], normal: band?.normal, limits: innermost(band) });
    }
  }
}

// The limits next to the normal band; those beyond stand on the bar.
function innermost(band) {
  if (!band) return [];
  return band.limits.filter((limit) => limit.at === band.normal[limit.side === "low" ? 0 : 1]);
}

function take(name, time, value) {
  const one = kept.get(name);
  if (!one) return;
  const last = one.time.length - 1;
  const lists = [one.time, one.value, one.minimum, one.maximum, one.quality, ...(one.uncertainty ? [one.uncertainty] : [])];
  if (last >= 0 && time - one.time[last] < WIDTH) {
    // Still in the newest interval: its line shows the newest value, its area all of them.
    if (value.value !== null) {
      one.value[last] = value.value;
      one.minimum[last] = Math.min(one.minimum[last] ?? value.value, value.value);
      one.maximum[last] = Math.max(one.maximum[last] ?? value.value, value.value);
    }
    if (value.quality !== "good") one.quality[last] = value.quality;
    return;
  }
  one.time.push(time);
  one.value.push(value.value);
  one.minimum.push(value.value);
  one.maximum.push(value.value);
  one.quality.push(value.quality);
  one.uncertainty?.push(value.uncertainty);
  while (one.time.length && one.time[0] < time - SPAN) for (const list of lists) list.shift();
}

async function load() {
  const names = [...charts.keys()];
  if (!names.length) return;
  const query = names.map((name) => `name=${name}`).join("&");
  const trend = await askJson(`/v1/units/${unit}/trend?${query}&from=-${SPAN}s&points=${POINTS}`);
  for (const name of names) {
    const found = trend.series.filter((one) => one.name === name);
    const one = found.find((each) => each.kind === "result") ?? found[0];
    if (one) kept.set(name, { ...one, label: one.description, time: [...trend.time] });
  }
  draw();
}

let drawn = 0;
onUnit((view) => {
  if (view.name !== unit) return;
  const values = valuesOf(view);
  for (const name of charts.keys()) {
    const one = values.get(name);
    if (one) take(name, Date.parse(view.time) / 1000, one);
  }
  if (performance.now() - drawn < 900) return;
  drawn = performance.now();
  draw();
});
afterRefresh(draw);
load();
