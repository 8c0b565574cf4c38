// What happened lately: alarm steps, operators' actions and events, the newest first.
import { ask } from "./api.js";
import { momentText } from "./page.js";

const MOST = 60;

// The states before and after an alarm's step, and what made it: "NORM -> UNACK (condition true)".
export function stepOf(entry) {
  const [, previous, state, event] = /^(\w+) -> (\w+) \((.*)\)$/.exec(entry.change);
  return { previous, state, event };
}

function line(entry) {
  const item = document.createElement("li");
  const time = document.createElement("time");
  time.dateTime = entry.time;
  time.textContent = momentText(Date.parse(entry.time));
  const unit = document.createElement("span");
  unit.textContent = entry.unit || "daemon";
  const text = document.createElement("span");
  text.textContent = entry.type === "alarm" ? stepText(entry) : entry.message;
  item.append(time, unit, text);
  return item;
}

const EVENTS = { "condition true": "came", "condition false": "went", "condition false, latched": "went, latched", "re-alarmed": "still there" };

function stepText(entry) {
  const { event } = stepOf(entry);
  const who = entry.actor ? ` by ${entry.actor}` : "";
  const why = entry.actor && entry.reason ? ` (${entry.reason})` : "";
  return `${entry.priority} alarm ${EVENTS[event] ?? event}${who}${why}: ${entry.message}`;
}

export async function showRecord(place, query = "") {
  const text = await (await ask(`/v1/records?from=-24h&format=jsonl${query}`)).text();
  const entries = text.split("\n").filter(Boolean).map((row) => JSON.parse(row)).filter((row) => row.time).slice(-MOST).reverse();
  if (entries.length) {
    place.replaceChildren(...entries.map(line));
  } else {
    const nothing = document.createElement("li");
    nothing.textContent = "Nothing happened.";
    place.replaceChildren(nothing);
  }
}
