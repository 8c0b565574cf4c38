// Forms whose mistakes are told beside the field that they are in. A field's place for it is ID-error.
import { Refused } from "./api.js";

const placeOf = (field) => document.getElementById(`${field.id}-error`);

export function tell(field, text) {
  const place = placeOf(field);
  if (place) place.textContent = text;
  field.toggleAttribute("aria-invalid", text !== "");
  if (text !== "") field.setAttribute("aria-invalid", "true");
}

export function clearMistakes(form) {
  for (const field of form.elements) if (field.id) tell(field, "");
  for (const place of form.querySelectorAll(".error")) place.textContent = "";
}

// The first wrong field gets the focus, so that the keyboard and a screen reader are where the mistake is.
export function focusMistake(form) {
  const first = form.querySelector('[aria-invalid="true"]');
  first?.focus();
  return first === null;
}

// A number as people type it: with a point or a comma; undefined where nothing was typed, NaN where it is none.
export function numberIn(field) {
  const text = field.value.trim().replace(",", ".");
  if (text === "") return undefined;
  return /^[+-]?\d*\.?\d+(e[+-]?\d+)?$/i.test(text) ? Number(text) : NaN;
}

// Put what the daemon refused beside its field where it says which, else under the form.
export function showRefusal(form, error) {
  const general = document.getElementById(`${form.id}-error`);
  if (!(error instanceof Refused)) {
    general.textContent = "The daemon does not answer; nothing was entered.";
    return;
  }
  const parts = error.field ? [[error.field, error.message]] : [...error.message.matchAll(/body\.(\w+)[\w.]*: ([^;]*)/g)].map((one) => [one[1], one[2]]);
  let placed = false;
  for (const [name, text] of parts) {
    const field = form.elements[name];
    if (!field?.id || !placeOf(field)) continue;
    tell(field, text);
    placed = true;
  }
  if (!placed) general.textContent = error.message;
  focusMistake(form);
}
