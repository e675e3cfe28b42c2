// The login, one's own password, and the integrator's list of people.

import { Refusal, get, logIn, logOut, post, remove, session } from "./api.js";
import { byId, h, put, show } from "./dom.js";

async function tried(fault, work) {
  put(fault, "");
  try {
    await work();
  } catch (refused) {
    if (!(refused instanceof Refusal)) throw refused;
    put(fault, refused.message);
  }
}

export function startLogin(entered, left) {
  const name = byId("login-name");
  const password = byId("login-password");
  byId("login-form").addEventListener("submit", (event) => {
    event.preventDefault();
    tried(byId("login-fault"), async () => {
      await logIn(name.value.trim(), password.value);
      await entered();
    }).finally(() => {
      password.value = "";
    });
  });
  byId("logout").addEventListener("click", async () => {
    await logOut().catch(() => {});
    left();
  });
  startPassword(entered);
  startPeople();
}

function startPassword(entered) {
  const [old, fresh, again] = ["old", "new", "again"].map((part) => byId(`password-${part}`));
  const fault = byId("password-fault");
  byId("password-form").addEventListener("submit", (event) => {
    event.preventDefault();
    if (fresh.value !== again.value) return put(fault, "The two new passwords differ.");
    return tried(fault, async () => {
      await post("session/password", { old: old.value, new: fresh.value });
      const first = session.must_change_password;
      session.must_change_password = false;
      for (const input of [old, fresh, again]) input.value = "";
      put(fault, "The password is changed.");
      if (first) await entered();
      else renderMe();
    });
  });
}

export function renderMe() {
  put(byId("me-who"), session.who ? `You are ${session.who}, ${session.role}.` : "");
  byId("password-name").value = session.who ?? "";
  show(byId("me-must"), Boolean(session.must_change_password));
  const integrator = session.role === "integrator" && !session.must_change_password;
  show(byId("people"), integrator);
  if (integrator) loadPeople();
}

function once(text) {
  put(byId("people-once"), text);
  show(byId("people-once"), Boolean(text));
}

const givenTo = (body, name) => `One-time password of ${name}: ${body.password}. It is shown once; tell nobody else.`;

async function loadPeople() {
  await tried(byId("people-fault"), async () => {
    const body = await get("people");
    byId("people-rows").replaceChildren(...body.map(row));
  });
}

function row(person) {
  const fresh = h("button.small", { type: "button", "aria-label": `New password for ${person.name}` }, "New password");
  const gone = h(
    "button.small",
    { type: "button", "aria-label": `Remove ${person.name}`, disabled: person.name === session.who },
    "Remove",
  );
  const path = `people/${encodeURIComponent(person.name)}`;
  fresh.addEventListener("click", () =>
    sure(fresh, "Really new?", () =>
      tried(byId("people-fault"), async () => {
        once(givenTo(await post(`${path}/password`, {}), person.name));
      }),
    ),
  );
  gone.addEventListener("click", () =>
    sure(gone, "Really remove?", () =>
      tried(byId("people-fault"), async () => {
        await remove(path);
        once("");
        await loadPeople();
      }),
    ),
  );
  return h("tr", {}, h("th", { scope: "row" }, person.name), h("td", {}, person.role), h("td", {}, fresh, " ", gone));
}

// The first press asks, the second does it; after a few seconds it is as before.
function sure(button, question, work) {
  if (button.dataset.sure) {
    clearTimeout(button.timer);
    delete button.dataset.sure;
    button.textContent = button.dataset.plain;
    work();
    return;
  }
  button.dataset.plain = button.textContent;
  button.dataset.sure = "yes";
  button.textContent = question;
  button.timer = setTimeout(() => {
    delete button.dataset.sure;
    button.textContent = button.dataset.plain;
  }, 5000);
}

function startPeople() {
  const name = byId("people-name");
  byId("people-form").addEventListener("submit", (event) => {
    event.preventDefault();
    tried(byId("people-fault"), async () => {
      const made = await post("people", { name: name.value.trim(), role: byId("people-role").value });
      once(givenTo(made, name.value.trim()));
      name.value = "";
      await loadPeople();
    });
  });
}
