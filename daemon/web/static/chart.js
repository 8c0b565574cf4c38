// A chart of one unit of measure over time, drawn as SVG: lines with their extremes, uncertainty, limits,
// times in alarm; read by pointer or keyboard. Drawn by hand because the parts are few and all have a meaning
// here, and because a general chart library brings a hundred times the bytes and styles that the page's
// security policy refuses.
import { leastSpan, numberTicks, timeTicks, valueRange } from "./scales.js";
import { svg, tidy } from "./values.js";

const LEFT = 58;
const RIGHT = 10;
const TOP = 8;
const BOTTOM = 20;
const STRIP = 7;
const ZONE = document.body.dataset.zone;
const readoutTime = new Intl.DateTimeFormat("en-GB", { timeZone: ZONE, day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
let serial = 0;

const fixed = (value, decimals) => (value === null || value === undefined ? "✗" : tidy(value.toFixed(decimals)));

function line(time, values, x, y) {
  let path = "";
  let open = false;
  for (let index = 0; index < time.length; index += 1) {
    const value = values[index];
    if (value === null || value === undefined) {
      open = false;
      continue;
    }
    // A point between two gaps is a line without length, which a round cap makes visible.
    path += `${open ? "L" : "M"}${x(time[index]).toFixed(1)} ${y(value).toFixed(1)}${open ? "" : "h0"}`;
    open = true;
  }
  return path;
}

function area(time, low, high, x, y) {
  let path = "";
  let run = [];
  const close = () => {
    if (run.length > 1) {
      const upper = run.map((index) => `${x(time[index]).toFixed(1)} ${y(high[index]).toFixed(1)}`);
      const lower = run.map((index) => `${x(time[index]).toFixed(1)} ${y(low[index]).toFixed(1)}`).reverse();
      path += `M${upper.join("L")}L${lower.join("L")}Z`;
    }
    run = [];
  };
  for (let index = 0; index < time.length; index += 1) {
    if (low[index] === null || high[index] === null || low[index] === undefined) close();
    else run.push(index);
  }
  close();
  return path;
}

// Stretches of the time axis on which a value is not good: dashes for uncertain, solid for bad.
function doubts(one, x) {
  const found = [];
  let from = null;
  const quality = (index) => (one.quality[index] === "good" || one.quality[index] === "none" ? null : one.quality[index]);
  for (let index = 0; index <= one.time.length; index += 1) {
    const now = index < one.time.length ? quality(index) : null;
    if (from !== null && now !== quality(from)) {
      const end = x(one.time[Math.min(index, one.time.length - 1)]);
      found.push({ quality: quality(from), from: x(one.time[from]), to: Math.max(end, x(one.time[from]) + 2) });
      from = null;
    }
    if (from === null && now !== null) from = index;
  }
  return found;
}

// The value next to a moment; null where nothing is near.
function nearestValue(one, time, span) {
  let best = null;
  for (let index = 0; index < one.time.length; index += 1) {
    const away = Math.abs(one.time[index] - time);
    if (one.value[index] !== null && away < span / 50 && (best === null || away < Math.abs(one.time[best] - time))) best = index;
  }
  return best === null ? null : one.value[best];
}

export class Chart {
  // place: element to draw in. options: height, zoomable, onZoom(from, to), onMove(direction).
  constructor(place, options) {
    this.place = place;
    this.options = options;
    this.spec = null;
    this.id = `chart-${(serial += 1)}`;
    this.readout = document.createElement("p");
    this.readout.className = "readout";
    this.readout.setAttribute("aria-live", "polite");
    this.picture = svg("svg", { tabindex: 0, role: "img" });
    place.replaceChildren(this.picture, this.readout);
    this.index = null;
    this.listen();
    this.width = place.clientWidth;
    new ResizeObserver(() => {
      if (this.spec && place.clientWidth !== this.width) this.draw(this.spec);
    }).observe(place);
  }

  draw(spec) {
    this.spec = spec;
    const { start, end, series, limits = [], normal = [null, null], alarms = [] } = spec;
    const width = (this.width = Math.max(200, this.place.clientWidth));
    const height = this.options.height;
    const strip = alarms.length ? STRIP : 0;
    const [low, high] = valueRange(series, limits, leastSpan(spec.unit), spec.band !== false);
    const bottom = height - BOTTOM - strip;
    const x = (this.x = (time) => LEFT + ((time - start) / (end - start)) * (width - LEFT - RIGHT));
    const y = (value) => bottom - ((value - low) / (high - low)) * (bottom - TOP);
    const parts = [this.definitions(width, bottom)];
    if (normal[0] !== null || normal[1] !== null) {
      const top = normal[1] === null ? TOP : Math.max(TOP, y(normal[1]));
      const foot = normal[0] === null ? bottom : Math.min(bottom, y(normal[0]));
      if (foot > top) parts.push(svg("rect", { class: "normal-band", x: LEFT, y: top, width: width - LEFT - RIGHT, height: foot - top }));
    }
    const { ticks, decimals } = numberTicks(low, high, Math.max(2, Math.floor(bottom / 34)));
    for (const tick of ticks) {
      parts.push(svg("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: y(tick), y2: y(tick) }));
      parts.push(svg("text", { x: LEFT - 5, y: y(tick) + 4, "text-anchor": "end" }, tidy(tick.toFixed(decimals))));
    }
    const times = timeTicks(start, end, Math.max(2, Math.floor(width / 95)), ZONE);
    for (const tick of times.ticks) {
      parts.push(svg("line", { class: "grid", x1: x(tick), x2: x(tick), y1: TOP, y2: bottom }));
      const anchor = x(tick) > width - 30 ? "end" : x(tick) < LEFT + 20 ? "start" : "middle";
      parts.push(svg("text", { x: x(tick), y: height - 5, "text-anchor": anchor }, times.text(tick)));
    }
    parts.push(svg("rect", { class: "frame", x: LEFT, y: TOP, width: width - LEFT - RIGHT, height: bottom - TOP }));
    const inside = svg("g", { "clip-path": `url(#${this.id}-clip)` });
    for (const limit of limits) {
      inside.append(svg("line", { class: "limit-line", x1: LEFT, x2: width - RIGHT, y1: y(limit.at), y2: y(limit.at) }));
    }
    series.forEach((one, index) => this.trace(inside, one, `s${index}`, x, y));
    parts.push(inside);
    for (const limit of limits) {
      const above = limit.side === "low" ? -4 : 12; // on the normal side of its line
      parts.push(svg("text", { class: "limit-text", x: width - RIGHT - 3, y: y(limit.at) + above, "text-anchor": "end" }, `${limit.side} ${tidy(limit.text)}`));
    }
    for (const span of alarms) {
      const from = Math.max(LEFT, x(span.from));
      const to = Math.min(width - RIGHT, Math.max(x(span.to), from + 3));
      if (to <= LEFT || from >= width - RIGHT) continue;
      const bar = svg("rect", { class: `alarm-span ${span.priority}`, x: from, y: bottom + 1, width: to - from, height: STRIP - 1 });
      bar.append(svg("title", {}, `${span.priority}: ${span.message}`));
      parts.push(bar);
    }
    for (const one of series) {
      for (const doubt of doubts(one, x)) {
        parts.push(svg("line", { class: "doubt", x1: doubt.from, x2: doubt.to, y1: bottom - 2, y2: bottom - 2, "stroke-dasharray": doubt.quality === "bad" ? "none" : "3 3" }));
      }
    }
    if (!series.some((one) => one.value.some((value) => value !== null))) {
      parts.push(svg("text", { class: "none", x: (LEFT + width) / 2, y: (TOP + bottom) / 2, "text-anchor": "middle" }, "nothing usable stored in this time"));
    }
    this.cross = svg("line", { class: "cross", y1: TOP, y2: bottom, visibility: "hidden" });
    this.dragged = svg("rect", { class: "drag", y: TOP, height: bottom - TOP, visibility: "hidden" });
    this.picture.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.picture.setAttribute("height", height);
    this.picture.setAttribute("aria-label", this.summary());
    this.picture.replaceChildren(...parts, this.dragged, this.cross);
    if (this.index !== null) this.read(this.index);
  }

  definitions(width, bottom) {
    const holder = svg("defs");
    const clip = svg("clipPath", { id: `${this.id}-clip` });
    clip.append(svg("rect", { x: LEFT, y: TOP, width: Math.max(1, width - LEFT - RIGHT), height: Math.max(1, bottom - TOP) }));
    holder.append(clip);
    return holder;
  }

  trace(group, one, style, x, y) {
    if (one.earlier) group.append(svg("path", { class: `trace earlier ${style}`, d: line(one.earlier.time, one.earlier.value, x, y) }));
    group.append(svg("path", { class: "envelope", d: area(one.time, one.minimum, one.maximum, x, y) }));
    if (one.uncertainty && this.spec.band !== false) {
      const edge = (sign) => one.value.map((value, index) => (value === null || one.uncertainty[index] === null ? null : value + sign * one.uncertainty[index]));
      group.append(svg("path", { class: "sigma", d: line(one.time, edge(1), x, y) + line(one.time, edge(-1), x, y) }));
    }
    group.append(svg("path", { class: `trace ${style}`, d: line(one.time, one.value, x, y) }));
  }

  summary() {
    const { series, start, end } = this.spec;
    const said = series.map((one) => {
      const known = one.value.filter((value) => value !== null);
      if (!known.length) return `${one.label}: nothing usable`;
      const least = one.minimum.reduce((low, value) => (value !== null && value < low ? value : low), Infinity);
      const most = one.maximum.reduce((high, value) => (value !== null && value > high ? value : high), -Infinity);
      return `${one.label}: last ${fixed(known.at(-1), one.decimals)} ${one.unit}, from ${fixed(least, one.decimals)} to ${fixed(most, one.decimals)}`;
    });
    return `Trend from ${readoutTime.format(1000 * start)} to ${readoutTime.format(1000 * end)}. ${said.join("; ")}`;
  }

  // ---------------------------------------------------------------- reading

  nearest(time) {
    const longest = this.longest();
    let best = 0;
    for (let index = 1; index < longest.length; index += 1) {
      if (Math.abs(longest[index] - time) < Math.abs(longest[best] - time)) best = index;
    }
    return best;
  }

  longest() {
    return this.spec.series.reduce((most, one) => (one.time.length > most.length ? one.time : most), []);
  }

  read(index) {
    const times = this.longest();
    if (!times.length) return;
    this.index = Math.min(times.length - 1, Math.max(0, index));
    const time = times[this.index];
    this.cross.setAttribute("x1", this.x(time));
    this.cross.setAttribute("x2", this.x(time));
    this.cross.setAttribute("visibility", "visible");
    const said = this.spec.series.map((one) => {
      const at = one.time === times ? this.index : one.time.indexOf(time);
      const spread = one.uncertainty?.[at];
      const mark = one.quality[at] === "uncertain" ? " ?" : "";
      const before = one.earlier ? `, earlier ${fixed(nearestValue(one.earlier, time, this.spec.end - this.spec.start), one.decimals)}` : "";
      return `${this.spec.series.length > 1 ? `${one.label} ` : ""}${fixed(one.value[at], one.decimals)}${spread ? ` ± ${fixed(spread, one.decimals)}` : ""} ${one.unit}${mark}${before}`;
    });
    this.readout.textContent = `${readoutTime.format(1000 * time)}  ${said.join(";  ")}`;
  }

  forget() {
    this.index = null;
    this.cross.setAttribute("visibility", "hidden");
    this.readout.textContent = "";
  }

  listen() {
    const { picture, options } = this;
    const timeAt = (event) => {
      const box = picture.getBoundingClientRect();
      const at = ((event.clientX - box.left) / box.width) * this.width;
      const share = (at - LEFT) / (this.width - LEFT - RIGHT);
      return this.spec.start + Math.min(1, Math.max(0, share)) * (this.spec.end - this.spec.start);
    };
    let from = null;
    picture.addEventListener("pointermove", (event) => {
      if (!this.spec) return;
      const time = timeAt(event);
      this.read(this.nearest(time));
      if (from === null) return;
      this.dragged.setAttribute("x", this.x(Math.min(from, time)));
      this.dragged.setAttribute("width", Math.abs(this.x(time) - this.x(from)));
      this.dragged.setAttribute("visibility", "visible");
    });
    picture.addEventListener("pointerleave", () => this.spec && from === null && this.forget());
    picture.addEventListener("blur", () => this.spec && this.forget());
    picture.addEventListener("keydown", (event) => {
      if (!this.spec) return;
      const steps = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20, Home: -Infinity, End: Infinity };
      const moves = { "+": "in", "=": "in", "-": "out" };
      const shifts = { ArrowLeft: "earlier", ArrowRight: "later" };
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      if (event.shiftKey && event.key in shifts && options.onMove) options.onMove(shifts[event.key]);
      else if (event.key in steps) this.read((this.index ?? this.longest().length) + steps[event.key]);
      else if (event.key in moves && options.onMove) options.onMove(moves[event.key], this.index === null ? null : this.longest()[this.index]);
      else if (event.key === "Escape") this.forget();
      else return;
      event.preventDefault();
    });
    if (!options.onZoom) return;
    picture.addEventListener("pointerdown", (event) => {
      if (!this.spec || event.pointerType === "touch") return;
      picture.setPointerCapture(event.pointerId);
      from = timeAt(event);
      event.preventDefault();
    });
    picture.addEventListener("pointerup", (event) => {
      if (from === null) return;
      const to = timeAt(event);
      const [first, last] = [Math.min(from, to), Math.max(from, to)];
      from = null;
      this.dragged.setAttribute("visibility", "hidden");
      if (this.x(last) - this.x(first) > 8) options.onZoom(first, last);
    });
  }
}
