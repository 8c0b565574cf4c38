// The system page: asked anew every few seconds, since nothing tells when one of its figures changes.
import { change } from "./api.js";
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

const form = document.getElementById("password");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const error = form.querySelector(".error");
  error.textContent = "";
  try {
    await change("PUT", "/v1/session/password", { old: document.getElementById("old").value, new: document.getElementById("new").value });
    location.href = "/login";
  } catch (refused) {
    error.textContent = refused.message;
  }
});
