// What every page does: follow the daemon, say how old everything is, announce alarms, carry out actions.
import { askJson, change, follow, Refused } from "./api.js";
import { afterRefresh, refresh } from "./fragments.js";
import { showUnit } from "./values.js";

const body = document.body;
const DEAD_AFTER = 1000 * Number(body.dataset.deadAfter);
const ZONE = body.dataset.zone;
const latest = new Map();
const followers = [];
const stepFollowers = [];
let heardAt = performance.now();
let connected = false;
// The box's clock as this page knows it: ages must not depend on the clock of whoever looks.
let boxOffset = Date.parse(body.dataset.now) - performance.timeOrigin - performance.now();

export const boxNow = () => performance.timeOrigin + performance.now() + boxOffset;
export const onUnit = (listener) => {
  followers.push(listener);
  for (const unit of latest.values()) listener(unit);
};
export const onStep = (listener) => stepFollowers.push(listener);
const clockFormat = new Intl.DateTimeFormat("en-GB", { timeZone: ZONE, hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
const dayFormat = new Intl.DateTimeFormat("en-GB", { timeZone: ZONE, day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const dateFormat = new Intl.DateTimeFormat("en-CA", { timeZone: ZONE });
export const clockText = (time) => clockFormat.format(time);
export const momentText = (time) => (dateFormat.format(time) === dateFormat.format(boxNow()) ? clockText(time) : dayFormat.format(time).replace(",", ""));
export const zoneName = () => new Intl.DateTimeFormat("en-US", { timeZone: ZONE, timeZoneName: "short" }).formatToParts(boxNow()).find((part) => part.type === "timeZoneName").value;

export function say(text) {
  const message = document.getElementById("message");
  message.textContent = text;
  message.hidden = false;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => (message.hidden = true), 6000);
}

// ------------------------------------------------------------------ the link

function heard() {
  heardAt = performance.now();
  if (!connected) {
    connected = true;
    refresh();
  }
}

function showAll(fetched) {
  // The page that came says what the box's clock is now, also after that was set back.
  boxOffset = Date.parse(fetched.body.dataset.now) - performance.timeOrigin - performance.now();
  for (const unit of latest.values()) showUnit(unit);
}
afterRefresh(showAll);

let refreshTimer = 0;
const refreshSoon = () => {
  clearTimeout(refreshTimer);
  refreshTimer = setTimeout(refresh, 150);
};

function handle(name, data) {
  if (name === "unit") {
    latest.set(data.name, data);
    boxOffset = Math.max(boxOffset, Date.parse(data.time) - performance.timeOrigin - performance.now());
    showUnit(data);
    for (const listener of followers) listener(data);
  } else if (name === "alarm") {
    announce(data);
    for (const listener of stepFollowers) listener(data);
    refreshSoon();
  } else if (name === "missed") {
    loadUnits();
    refreshSoon();
  } else if (name === "ended") {
    location.href = "/login";
  }
}

async function loadUnits() {
  for (const unit of await askJson("/v1/units")) handle("unit", unit);
}

async function keepFollowing() {
  for (;;) {
    const stop = new AbortController();
    // A connection can die without a word: then this page hangs up itself and calls again.
    const watch = setInterval(() => performance.now() - heardAt > 2 * DEAD_AFTER && stop.abort(), 1000);
    try {
      await loadUnits();
      await follow("/v1/stream", heard, handle, stop.signal);
    } catch (error) {
      if (error instanceof Refused && error.status === 401) location.href = "/login";
    } finally {
      clearInterval(watch);
    }
    connected = false;
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}

function tick() {
  const silent = performance.now() - heardAt;
  const dead = silent > DEAD_AFTER;
  const link = document.getElementById("link");
  const seconds = Math.floor(silent / 1000);
  link.dataset.state = dead ? "dead" : "live";
  link.textContent = dead ? `dead ${seconds} s` : "live";
  body.classList.toggle("dead", dead);
  const notice = document.getElementById("dead");
  if (dead) document.getElementById("dead-seconds").textContent = `${seconds} s`;
  notice.hidden = !dead;
  const now = boxNow();
  if (!dead) document.getElementById("clock").textContent = clockText(now);
  for (const place of document.querySelectorAll("[data-age]")) {
    if (!place.dataset.time) continue;
    const age = Math.max(0, (now - Date.parse(place.dataset.time)) / 1000);
    const old = age > Math.max(5, 3 * Number(place.dataset.period));
    place.textContent = old ? `${Math.floor(age)} s old` : `${age < 10 ? age.toFixed(1) : Math.floor(age)} s ago`;
    place.toggleAttribute("data-old", old);
    place.closest("tr")?.classList.toggle("old-unit", old);
    if (body.dataset.pageUnit) document.getElementById("main").classList.toggle("old-unit", old);
  }
}

// ------------------------------------------------------------------ alarms

const RANK = { highest: 0, high: 1, medium: 2, low: 3 };

function announce(step) {
  if (!["UNACK", "LUNACK"].includes(step.state)) return;
  const urgent = RANK[step.priority] <= 1;
  document.getElementById(urgent ? "urgent-announcement" : "announcement").textContent = `${step.priority} alarm, ${step.unit}: ${step.message}`;
  if (sounding) beep(urgent ? 880 : 520, urgent ? 3 : 1);
}

let sounding = false;
let audio = null;

function beep(pitch, times) {
  for (let index = 0; index < times; index += 1) {
    const tone = audio.createOscillator();
    const volume = audio.createGain();
    const start = audio.currentTime + 0.35 * index;
    tone.frequency.value = pitch;
    volume.gain.setValueAtTime(0.2, start);
    volume.gain.exponentialRampToValueAtTime(0.001, start + 0.3);
    tone.connect(volume).connect(audio.destination);
    tone.start(start);
    tone.stop(start + 0.3);
  }
}

const dialog = document.getElementById("reason-dialog");
const WORDS = { shelve: "Shelve", "remove-from-service": "Take out of service" };

function askReason(what, title) {
  document.getElementById("reason-title").textContent = WORDS[what];
  document.getElementById("reason-submit").textContent = WORDS[what];
  document.getElementById("reason-about").textContent =
    what === "shelve" ? `${title}: hidden for a limited time; it comes back by itself.` : `${title}: hidden until somebody returns it to service.`;
  document.getElementById("duration-row").hidden = what !== "shelve";
  document.getElementById("reason-text").value = "";
  document.getElementById("reason-error").textContent = "";
  dialog.showModal();
  document.getElementById("reason-text").focus();
  return new Promise((resolve) => {
    const submit = (event) => {
      event.preventDefault();
      const comment = document.getElementById("reason-text").value.trim();
      if (!comment) {
        document.getElementById("reason-error").textContent = "Say why; it is kept in the record.";
        return;
      }
      finish({ comment, ...(what === "shelve" && { duration: Number(document.getElementById("reason-duration").value) }) });
    };
    const cancel = () => finish(null);
    const finish = (answer) => {
      dialog.removeEventListener("submit", submit);
      dialog.removeEventListener("close", cancel);
      dialog.close();
      resolve(answer);
    };
    dialog.addEventListener("submit", submit);
    dialog.addEventListener("close", cancel);
  });
}

async function act(button) {
  const what = button.dataset.do;
  let request = {};
  if (what === "acknowledge") request = { occurrence: button.dataset.occurrence };
  if (what in WORDS) request = await askReason(what, button.dataset.title);
  if (request === null) return;
  button.disabled = true;
  try {
    await change("POST", `/v1/alarms/${button.closest("[data-alarm]").dataset.alarm}/${what}`, request);
  } catch (error) {
    say(`Not done: ${error.message}`);
  }
  button.disabled = false;
  await refresh();
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-do]");
  if (button) act(button);
});
document.getElementById("reason-cancel").addEventListener("click", () => dialog.close());

// ------------------------------------------------------------------ theme, sound, log-out

const THEMES = { auto: "as device", light: "day", dark: "dark room" };
const themeButton = document.getElementById("theme");
function showTheme() {
  themeButton.textContent = `Theme: ${THEMES[document.documentElement.dataset.theme]}`;
}
themeButton.addEventListener("click", () => {
  const names = Object.keys(THEMES);
  const next = names[(names.indexOf(document.documentElement.dataset.theme) + 1) % names.length];
  document.documentElement.dataset.theme = next;
  localStorage.setItem("tegwatch-theme", next);
  showTheme();
});
document.getElementById("sound").addEventListener("click", (event) => {
  sounding = !sounding;
  audio ??= new AudioContext();
  event.target.setAttribute("aria-pressed", String(sounding));
  event.target.textContent = sounding ? "Sound on" : "Sound off";
  if (sounding) beep(520, 1);
});
document.getElementById("log-out").addEventListener("click", async () => {
  try {
    await change("DELETE", "/v1/session");
  } finally {
    location.href = "/login";
  }
});

document.getElementById("zone").textContent = zoneName();
for (const place of document.querySelectorAll(".zone-name")) place.textContent = `(${zoneName()})`;
showTheme();
// An alarm's words hold its newest value; while one stands, they are asked for again now and then.
setInterval(() => document.querySelector("#alarm-line .first") && document.visibilityState === "visible" && refresh(), 10000);
setInterval(tick, 250);
keepFollowing();
