// What happened lately: alarm steps, operators' actions and events, the newest first.
import { ask } from "./api.js";
import { momentText } from "./page.js";

const MOST = 60;

function line(entry) {
  const item = document.createElement("li");
  const time = document.createElement("time");
  time.dateTime = entry.time;
  time.textContent = momentText(Date.parse(entry.time));
  const unit = document.createElement("span");
  unit.textContent = entry.unit || "daemon";
  const text = document.createElement("span");
  const who = entry.actor ? ` by ${entry.actor}` : "";
  const why = entry.comment ? `: ${entry.comment}` : "";
  text.textContent = entry.alarm ? `${entry.event}${who}, ${entry.priority}: ${entry.message}${why}` : entry.message;
  item.append(time, unit, text);
  return item;
}

export async function showRecord(place, query = "") {
  const text = await (await ask(`/v1/records?from=-24h&format=jsonl${query}`)).text();
  const entries = text.split("\n").filter(Boolean).map((row) => JSON.parse(row)).slice(-MOST).reverse();
  if (entries.length) {
    place.replaceChildren(...entries.map(line));
  } else {
    const nothing = document.createElement("li");
    nothing.textContent = "Nothing happened.";
    place.replaceChildren(nothing);
  }
}
