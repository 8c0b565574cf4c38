// Log in, or make the first user and log in.
import { change } from "./api.js";

const value = (id) => document.getElementById(id).value;

function whenSubmitted(id, work) {
  const form = document.getElementById(id);
  form?.addEventListener("submit", async (event) => {
    event.preventDefault();
    const error = form.querySelector(".error");
    const button = form.querySelector("button");
    error.textContent = "";
    button.disabled = true;
    try {
      await work();
      location.href = "/";
    } catch (refused) {
      error.textContent = refused.message;
      button.disabled = false;
    }
  });
}

whenSubmitted("log-in", () => change("POST", "/v1/session", { name: value("name"), password: value("password") }));
whenSubmitted("first-user", async () => {
  const name = value("first-name");
  const password = value("first-password");
  await change("POST", "/v1/first-user", { secret: value("first-secret").trim(), name, password });
  await change("POST", "/v1/session", { name, password });
});
