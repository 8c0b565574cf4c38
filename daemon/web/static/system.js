// The system page: asked anew every few seconds, since nothing tells when one of its figures changes.
import { afterRefresh, refresh } from "./fragments.js";

const EVERY = 5000;

function showDifference() {
  const place = document.getElementById("clock-difference");
  const seconds = (Date.now() - Date.parse(place.dataset.boxTime)) / 1000;
  place.textContent = `${seconds.toFixed(1)} s`;
}

afterRefresh(showDifference);
showDifference();
setInterval(refresh, EVERY);
