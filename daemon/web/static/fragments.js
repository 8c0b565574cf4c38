// The server draws alarms; when one has changed, the page is fetched again behind the scenes and those parts
// of it that bear data-fragment are put in place of the old ones. So there is one way in which an alarm looks.
import { ask, Refused } from "./api.js";

let running = false;
let again = false;
const listeners = [];

// listener(fetched): called with the fetched page once its parts are in place.
export const afterRefresh = (listener) => listeners.push(listener);

function keepState(old, fresh) {
  for (const details of old.querySelectorAll("details[open][id]")) {
    fresh.querySelector(`#${CSS.escape(details.id)}`)?.setAttribute("open", "");
  }
}

function swap(fetched) {
  const focused = document.activeElement;
  const focusedId = focused?.id;
  for (const old of document.querySelectorAll("[data-fragment]")) {
    const found = fetched.getElementById(old.id);
    if (!found) continue;
    const fresh = document.importNode(found, true);
    keepState(old, fresh);
    const scrolled = [old.scrollTop, old.scrollLeft];
    if (old.innerHTML !== fresh.innerHTML) old.replaceWith(fresh);
    [fresh.scrollTop, fresh.scrollLeft] = scrolled;
  }
  if (focusedId && document.activeElement !== focused) document.getElementById(focusedId)?.focus();
}

export async function refresh(path = location.pathname + location.search) {
  if (running) {
    again = true;
    return;
  }
  running = true;
  try {
    do {
      again = false;
      const text = await (await ask(path, { headers: { "X-Background": "1", Accept: "text/html" } })).text();
      const fetched = new DOMParser().parseFromString(text, "text/html");
      swap(fetched);
      for (const listener of listeners) listener(fetched);
    } while (again);
  } catch (error) {
    if (error instanceof Refused && error.status === 401) location.href = "/login";
    // Anything else: the link is down, the page already says so, and the next connection refreshes again.
  } finally {
    running = false;
  }
}
