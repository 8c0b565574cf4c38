// The alarm list: filters, search, the record.
import { afterRefresh, refresh } from "./fragments.js";
import { onStep } from "./page.js";
import { showRecord } from "./record.js";

const filters = document.getElementById("filters");
const find = document.getElementById("find");
const place = document.getElementById("record");

function search() {
  const wanted = find.value.trim().toLowerCase();
  for (const row of document.querySelectorAll("[data-alarm-row]")) {
    row.hidden = wanted !== "" && !row.textContent.toLowerCase().includes(wanted);
  }
}

filters.addEventListener("change", (event) => {
  if (event.target === find) return;
  const asked = new URLSearchParams(new FormData(filters));
  history.replaceState(null, "", `/alarms?${asked}`);
  refresh();
});
filters.addEventListener("submit", (event) => event.preventDefault());
find.addEventListener("input", search);
afterRefresh(search);

let timer = 0;
onStep(() => {
  clearTimeout(timer);
  timer = setTimeout(() => showRecord(place), 500);
});
showRecord(place);
