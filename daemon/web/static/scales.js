// Axes: round steps for numbers, round times in the site's zone. Pure.

export function numberTicks(low, high, most) {
  const raw = (high - low) / Math.max(1, most);
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((each) => each * power).find((each) => each >= raw);
  const ticks = [];
  for (let index = Math.ceil(low / step); index * step <= high + step * 1e-9; index += 1) ticks.push(index * step);
  return { ticks, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

const STEPS = [5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 345600, 604800];

export function timeTicks(start, end, most, zone) {
  const step = STEPS.find((each) => (end - start) / each <= most) || 2 * STEPS.at(-1);
  const ticks = [];
  const offset = zoneOffset(start, zone);
  for (let at = Math.ceil((start + offset) / step) * step - offset; at <= end; at += step) ticks.push(at);
  const options = step >= 86400 ? { day: "2-digit", month: "short" } : { hour: "2-digit", minute: "2-digit", ...(step < 60 && { second: "2-digit" }), hourCycle: "h23" };
  const format = new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options });
  return { ticks, text: (at) => format.format(1000 * at) };
}

// Seconds by which the zone's clocks are ahead of UTC at a moment.
export function zoneOffset(seconds, zone) {
  const format = new Intl.DateTimeFormat("en-US", {
    timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric",
  });
  const part = Object.fromEntries(format.formatToParts(1000 * seconds).map((one) => [one.type, Number(one.value)]));
  return Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) / 1000 - Math.floor(seconds);
}

// A moment as a field for local times holds it, in the zone, and back.
export const localInput = (seconds, zone) => new Date(1000 * (seconds + zoneOffset(seconds, zone))).toISOString().slice(0, 19);

export function fromInput(text, zone) {
  const seconds = Date.parse(`${text}Z`) / 1000;
  if (Number.isNaN(seconds)) return NaN;
  const guess = seconds - zoneOffset(seconds, zone);
  return seconds - zoneOffset(guess, zone);
}

// Ends of the value axis: all that is drawn, and never so narrow that noise looks like movement.
export function valueRange(series, limits, leastSpan, band = true) {
  let low = Infinity;
  let high = -Infinity;
  const take = (values) => {
    for (const value of values) {
      if (value === null || value === undefined) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
  };
  for (const one of series) {
    take(one.minimum);
    take(one.maximum);
    if (band && one.uncertainty) {
      take(one.value.map((value, index) => value === null || one.uncertainty[index] === null ? null : value + one.uncertainty[index]));
      take(one.value.map((value, index) => value === null || one.uncertainty[index] === null ? null : value - one.uncertainty[index]));
    }
    if (one.earlier) {
      take(one.earlier.minimum);
      take(one.earlier.maximum);
    }
  }
  take(limits.map((limit) => limit.at));
  if (low > high) return [0, 1];
  const span = Math.max(high - low, leastSpan);
  const middle = (low + high) / 2;
  return [middle - 0.55 * span, middle + 0.55 * span];
}

// Smallest span of an axis by unit, in that unit.
const LEAST = { "°F": 8, "°C": 4, K: 4, "/min": 4, psig: 20, barg: 1, "wt%": 0.4, "%": 5, "gal/lb": 1, "L/kg": 8, "gal/h": 2, MMscfd: 0.4, "lb/MMscf": 1 };
export const leastSpan = (unit) => LEAST[unit] ?? 0;
