// Short trends beside values: the last two hours with the limits next to the normal band, no axes.
import { askJson } from "./api.js";
import { afterRefresh } from "./fragments.js";
import { leastSpan, valueRange } from "./scales.js";
import { bandOf, svg } from "./values.js";

const SPAN = 7200;
const POINTS = 120;
const WIDTH = 100;
const HEIGHT = 34;
const EVERY = 60000;
const MOST_UNITS = 12;
const trends = new Map();

function picture(one, trend, band) {
  const limits = (band?.limits ?? []).filter((limit) => limit.at === band.normal[limit.side === "low" ? 0 : 1]);
  const [low, high] = valueRange([one], limits, leastSpan(one.unit));
  const x = (time) => (((time - trend.start) / (trend.end - trend.start)) * WIDTH).toFixed(2);
  const y = (value) => (HEIGHT - ((value - low) / (high - low)) * HEIGHT).toFixed(2);
  const parts = limits.map((limit) => svg("line", { class: "limit-line", x1: 0, x2: WIDTH, y1: y(limit.at), y2: y(limit.at) }));
  let path = "";
  let open = false;
  one.value.forEach((value, index) => {
    if (value !== null) path += `${open ? "L" : "M"}${x(trend.time[index])} ${y(value)}`;
    open = value !== null;
  });
  parts.push(svg("path", { class: "trace", d: path }));
  return parts;
}

function draw() {
  for (const place of document.querySelectorAll("[data-spark]")) {
    const trend = trends.get(place.dataset.unit);
    const one = trend?.series.findLast((each) => each.name === place.dataset.spark);
    if (one) place.replaceChildren(...picture(one, trend, bandOf(place.dataset.unit, place.dataset.spark)));
  }
}

async function load() {
  const wanted = new Map();
  for (const place of document.querySelectorAll("[data-spark]")) {
    wanted.set(place.dataset.unit, (wanted.get(place.dataset.unit) ?? new Set()).add(place.dataset.spark));
  }
  for (const [unit, names] of [...wanted].slice(0, MOST_UNITS)) {
    const query = [...names].map((name) => `name=${name}`).join("&");
    trends.set(unit, await askJson(`/v1/units/${unit}/trend?${query}&from=-${SPAN}s&points=${POINTS}`));
    draw();
  }
}

const attempt = () => load().catch(() => {}); // the page says by itself when the daemon does not answer
afterRefresh(draw);
attempt();
setInterval(attempt, EVERY);
