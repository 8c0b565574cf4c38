// The report page: which unit, which time; the daemon writes the report.
import { clearMistakes, focusMistake, numberIn, tell } from "./forms.js";
import { boxNow } from "./page.js";
import { fromInput, localInput } from "./scales.js";

const ZONE = document.body.dataset.zone;
const form = document.getElementById("report");
const { unit, span, from, to, price } = form.elements;
const LONGEST = 400 * 86400;

function showOwnSpan() {
  for (const place of document.querySelectorAll(".own-span")) place.hidden = span.value !== "own";
}

function chosenSpan() {
  if (span.value !== "own") return [`-${span.value}s`, "now"];
  const [begin, end] = [from, to].map((field) => fromInput(field.value, ZONE));
  if (Number.isNaN(begin)) tell(from, "Write day and time.");
  if (Number.isNaN(end)) tell(to, "Write day and time.");
  if (begin >= end) tell(to, "It must be after the beginning.");
  if (end - begin > LONGEST) tell(to, "A report covers 400 days at most.");
  if (begin > boxNow() / 1000) tell(from, "That time has not come yet.");
  return [begin, end];
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  clearMistakes(form);
  const [begin, end] = chosenSpan();
  const worth = numberIn(price);
  if (Number.isNaN(worth) || worth < 0) tell(price, "Write a number, for example 3.5, or nothing.");
  if (!focusMistake(form)) return;
  const query = new URLSearchParams({ from: begin, to: end });
  if (worth !== undefined) query.set("gas_price", worth);
  const save = event.submitter?.name === "save";
  if (save) query.set("save", "true");
  const address = `/v1/units/${unit.value}/report?${query}`;
  if (save) location.href = address;
  else window.open(address, "_blank", "noopener");
});

const now = boxNow() / 1000;
to.value = localInput(now, ZONE).slice(0, 16);
from.value = localInput(now - 7 * 86400, ZONE).slice(0, 16);
span.addEventListener("change", showOwnSpan);
showOwnSpan();
