// Users and tokens. What changes is drawn by the server again.
import { change } from "./api.js";
import { clearMistakes, focusMistake, numberIn, showRefusal, tell } from "./forms.js";
import { refresh } from "./fragments.js";
import { say } from "./page.js";

const at = (id) => document.getElementById(id);

async function attempt(place, work) {
  at(place).textContent = "";
  try {
    await work();
  } catch (error) {
    at(place).textContent = error.message;
  }
  await refresh();
}

document.addEventListener("change", (event) => {
  const { user } = event.target.dataset;
  if (!user) return;
  attempt("users-error", async () => {
    await change("PUT", `/v1/users/${user}/role`, { role: event.target.value });
    say(`${user} is now ${event.target.value}; open sessions of ${user} have ended.`);
  });
});

// A removal is confirmed on the button itself, by a second press within some seconds.
function confirmed(button) {
  if (button.dataset.sure) return true;
  const words = button.firstChild.textContent;
  button.dataset.sure = "yes";
  button.firstChild.textContent = "Sure?";
  setTimeout(() => {
    delete button.dataset.sure;
    button.firstChild.textContent = words;
  }, 4000);
  return false;
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-remove], [data-revoke]");
  if (!button || !confirmed(button)) return;
  const { remove, revoke } = button.dataset;
  if (remove) attempt("users-error", () => change("DELETE", `/v1/users/${remove}`));
  else attempt("tokens-error", () => change("DELETE", `/v1/tokens/${revoke}`));
});

function whenSubmitted(id, read, done) {
  const form = at(id);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearMistakes(form);
    const [path, body] = read(form.elements);
    if (!focusMistake(form)) return;
    try {
      done(await change("POST", path, body));
      form.reset();
      await refresh();
    } catch (error) {
      showRefusal(form, error);
    }
  });
}

whenSubmitted(
  "add-user",
  ({ name, role, password }) => {
    if (!/^[a-z][a-z0-9._-]{0,31}$/.test(name.value)) tell(name, "Lower-case letters, digits, . _ -, beginning with a letter.");
    if (password.value.length < 15) tell(password, "15 characters or more.");
    return ["/v1/users", { name: name.value, role: role.value, password: password.value }];
  },
  () => say("Added."),
);
whenSubmitted(
  "add-token",
  ({ user, days, note }) => {
    const scopes = [...document.querySelectorAll('[name="scopes"]:checked')].map((box) => box.value);
    if (!scopes.length) at("token-scopes-error").textContent = "Choose what it may do.";
    const life = numberIn(days);
    if (!(life > 0 && life <= 400)) tell(days, "From 1 to 400.");
    if (!scopes.length) document.querySelector('[name="scopes"]').setAttribute("aria-invalid", "true");
    return ["/v1/tokens", { user: user.value, scopes, days: life, note: note.value.trim() }];
  },
  (made) => {
    at("secret").textContent = `Copy it now, it is shown this once: ${made.secret}`;
    at("secret").hidden = false;
  },
);
