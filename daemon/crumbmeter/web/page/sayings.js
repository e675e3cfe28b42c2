// Forms for what people say for the record. The desk says which forms there are, and with which fields and units.

import { Refusal, post, session } from "./api.js";
import { byId, h, put, show } from "./dom.js";

let number = 0;

function input(field) {
  if (field.choices.length) {
    const options = field.choices.map((one) => h("option", { value: one }, one || "—"));
    return h("select", { name: field.name }, field.required ? null : h("option", { value: "" }, "—"), options);
  }
  if (field.kind === "curve") return h("textarea", { name: field.name, spellcheck: "false" });
  const type = { password: "password", time: "datetime-local" }[field.kind] ?? "text";
  const mode = field.kind === "number" ? "decimal" : null;
  const step = type === "datetime-local" ? "1" : null;
  return h("input", { name: field.name, type, inputmode: mode, step, autocomplete: "off" });
}

function row(field, preset) {
  number += 1;
  const made = input(field);
  made.id = `say-${number}`;
  if (field.required) made.setAttribute("aria-required", "true");
  if (preset) made.value = preset;
  const unit = field.unit ? ` [${field.unit}]` : "";
  const hint = field.help ? h("p.limits", { id: `${made.id}-help` }, field.help) : null;
  if (hint) made.setAttribute("aria-describedby", hint.id);
  const label = field.label + unit + (field.required ? "" : " (may be left out)");
  return h("div.field", {}, h("label", { for: made.id }, label), made, hint);
}

async function send(form, element, fault, done) {
  const fields = {};
  for (const made of element.querySelectorAll("[name]")) {
    if (made.value.trim()) fields[made.name] = made.value;
  }
  put(fault, "");
  try {
    const answer = await post("quality/entries", { form: form.name, fields });
    for (const made of element.querySelectorAll("input, textarea")) made.value = "";
    put(byId("told"), answer.says);
    await done.said();
    put(byId("told"), answer.says);
  } catch (refused) {
    if (!(refused instanceof Refusal)) throw refused;
    put(fault, refused.message);
    fault.scrollIntoView({ block: "nearest" });
  }
}

function open(form, subject, done) {
  const fault = h("p.fault", { role: "alert" });
  const element = byId("say-form");
  element.replaceChildren(
    h("h3", {}, form.title),
    ...form.fields.map((field) => row(field, field.subject ? subject : "")),
    fault,
    h("div.buttons", {}, h("button.go", { type: "submit" }, form.button)),
  );
  element.onsubmit = (event) => {
    event.preventDefault();
    send(form, element, fault, done);
  };
  show(element, true);
}

export function sayings(about, question, subject, done) {
  const forms = about.forms.filter((form) => form.question === question.name && form.roles.includes(session.role));
  show(byId("say"), forms.length > 0);
  show(byId("say-form"), false);
  byId("say-choices").replaceChildren(
    ...forms.map((form) =>
      h(
        "button.choice",
        {
          type: "button",
          "aria-pressed": "false",
          onclick: (event) => {
            for (const other of byId("say-choices").children) other.setAttribute("aria-pressed", "false");
            event.currentTarget.setAttribute("aria-pressed", "true");
            open(form, subject, done);
          },
        },
        form.title,
      ),
    ),
  );
}
