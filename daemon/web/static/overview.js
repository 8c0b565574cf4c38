// The overview: short trends beside the values, the record below the units.
import "./spark.js";
import { onStep } from "./page.js";
import { showRecord } from "./record.js";

const place = document.getElementById("record");
let timer = 0;
const soon = () => {
  clearTimeout(timer);
  timer = setTimeout(() => showRecord(place), 500);
};
onStep(soon);
showRecord(place);
