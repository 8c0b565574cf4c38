// The log book: enter samples and work, see what was entered.
import { askJson, change } from "./api.js";
import { clearMistakes, focusMistake, numberIn, showRefusal, tell } from "./forms.js";
import { boxNow, momentText } from "./page.js";
import { fromInput, localInput } from "./scales.js";

const ZONE = document.body.dataset.zone;
const kept = document.getElementById("kept");
const list = document.getElementById("entries");

function cell(kind, ...content) {
  const made = document.createElement(kind);
  made.append(...content);
  return made;
}

function row(entry) {
  const happened = document.createElement("time");
  happened.dateTime = entry.happened;
  happened.textContent = momentText(Date.parse(entry.happened));
  happened.title = `entered ${momentText(Date.parse(entry.entered))}`;
  return cell("tr", cell("th", happened), cell("td", entry.unit), cell("td", entry.message), cell("td", entry.actor || "–"));
}

async function showEntries() {
  const entries = await askJson("/v1/log-book");
  if (entries.length) list.replaceChildren(...entries.map(row));
  else list.firstElementChild.firstElementChild.textContent = "Nothing was entered.";
}

const sentence = (text) => `${text[0].toUpperCase()}${text.slice(1)}${text.endsWith(".") ? "" : "."}`;
const nowInput = () => localInput(boxNow() / 1000, ZONE).slice(0, 16);
const moments = (form) => [...form.elements].filter((field) => field.type === "datetime-local");

function read(form) {
  const body = {};
  for (const field of form.elements) {
    if (!field.name || field.name === "unit") continue;
    if (field.type === "datetime-local") {
      const time = fromInput(field.value, ZONE);
      if (Number.isNaN(time)) tell(field, "Write day and time.");
      // A time of this very minute is now: the daemon's clock says when that is.
      else if (field.value !== nowInput()) body[field.name] = time;
    } else if ("factor" in field.dataset) {
      const [low, high] = [Number(field.dataset.low), Number(field.dataset.high)];
      const value = numberIn(field);
      if (Number.isNaN(value)) tell(field, "Write a number, for example 1.25.");
      else if (value < low || value > high) tell(field, `It lies between ${low} and ${high}; is the unit right?`);
      else if (value !== undefined) body[field.name] = value / Number(field.dataset.factor);
    } else {
      body[field.name] = field.value.trim();
    }
  }
  return body;
}

function check(form, body) {
  if (form.id === "sample" && ![...form.querySelectorAll("[data-factor]")].some((field) => field.value.trim())) {
    tell(form.querySelector("[data-factor]"), "A sample needs at least one value.");
  }
  if (form.id === "work" && !body.work) tell(form.elements.work, "Say what was done.");
  return focusMistake(form);
}

for (const form of document.querySelectorAll("form.entry")) {
  for (const field of moments(form)) field.value = nowInput();
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearMistakes(form);
    kept.hidden = true;
    const body = read(form);
    if (!check(form, body)) return;
    const button = form.querySelector("button");
    button.disabled = true;
    try {
      const answer = await change("POST", `/v1/units/${form.elements.unit.value}/${form.dataset.route}`, body);
      kept.textContent = [`kept: ${answer.kept}`, ...answer.effects].map(sentence).join(" ");
      kept.hidden = false;
      for (const field of form.elements) if (field.name && field.name !== "unit") field.value = "";
      for (const field of moments(form)) field.value = nowInput();
      await showEntries();
    } catch (error) {
      showRefusal(form, error);
    }
    button.disabled = false;
  });
}
showEntries();
