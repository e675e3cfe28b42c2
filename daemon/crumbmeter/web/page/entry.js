// Fields of one action. Limits stand beside a field before anything is typed; what is being edited is left alone.

import { h, put } from "./dom.js";
import { MISSING, inUnit, unitWords } from "./units.js";

const BIG_STEP = 0.2;
let number = 0;

// What people type for an SI unit, and what one of it is in that unit.
export function typed(unit, display) {
  if (unit === "s") return { label: "minutes", factor: 60, digits: 0 };
  if (unit.startsWith("fraction")) return { label: unit.replace("fraction", "percent"), factor: 0.01, digits: 1 };
  if (unit === "kg of mix" && display)
    return { label: unitWords(display.ton), factor: 1 / inUnit(1, display.ton), digits: 1 };
  if (unit === "kg" && display)
    return { label: unitWords(display.mass), factor: 1 / inUnit(1, display.mass), digits: 1 };
  return { label: unit, factor: 1, digits: 3 };
}

const plain = (value, digits) => String(Number(value.toFixed(digits)));

function field(label, input, ...notes) {
  number += 1;
  const id = `field-${number}`;
  input.id = id;
  const hints = notes.map((note, index) => {
    note.id = `${id}-note-${index}`;
    return note;
  });
  if (hints.length) input.setAttribute("aria-describedby", hints.map((note) => note.id).join(" "));
  return h("div.field", {}, h("label", { for: id }, label), input, hints);
}

// What the thing is at now, for the fields of which the view tells it.
function present(action, subject, view) {
  if (action.kind === "set moisture")
    return view?.streams.find((item) => item.stream_id === subject)?.moisture_fraction ?? null;
  return null;
}

const idOf = (choice) => choice.id ?? choice;

export function entry(action, preset, { view, display }) {
  const elements = [];
  let subject = () => preset.subject ?? "";
  let changed = () => {};
  const choices = action.subject?.choices ?? null;
  if (action.subject && !preset.fixed) {
    const asked = subjectField(action, choices, preset);
    elements.push(asked.element);
    subject = asked.value;
    asked.input.addEventListener("input", () => changed());
  }
  const amount = action.value ? valueField(action, subject, () => view, display) : null;
  if (amount) {
    elements.push(...amount.elements);
    changed = amount.changed;
  }
  const since =
    action.kind === "set moisture"
      ? h("input", { type: "text", inputmode: "numeric", autocomplete: "off", value: "0" })
      : null;
  if (since) elements.push(field("Sampled how many minutes ago (0: it holds from now on)", since));
  const why = action.reason ? h("input", { type: "text", maxlength: "200", autocomplete: "off" }) : null;
  if (why) elements.push(field(action.kind === "hand over note" ? "Note" : "Why (goes into the record)", why));
  const word =
    action.confirm === "type"
      ? h("input", { type: "text", autocomplete: "off", autocapitalize: "none", spellcheck: "false" })
      : null;
  if (word) elements.push(field(`Type “${action.kind}” to confirm`, word));
  return {
    elements,
    live: (now) => {
      view = now.view;
      amount?.live();
    },
    take: () => take({ action, subject, amount, since, why, word }),
  };
}

function subjectField(action, choices, preset) {
  const label =
    { lot: "Lot (scan or type it)", settings: "Settings" }[action.subject.kind] ??
    `Which ${action.subject.kind ?? "one"}`;
  const named = Array.isArray(choices) && choices.length > 0;
  const input = named
    ? h(
        "select",
        {},
        choices.map((choice) =>
          h("option", { value: idOf(choice), selected: idOf(choice) === preset.subject }, choice.title ?? idOf(choice)),
        ),
      )
    : h("input", { type: "text", maxlength: "80", autocomplete: "off" });
  return { input, element: field(label, input), value: () => input.value.trim() };
}

function valueField(action, subject, viewOf, display) {
  const unit = typed(action.value.unit, display);
  const limits = () => {
    const high = action.value.high_by_subject?.[subject()] ?? action.value.high;
    return { low: action.value.low / unit.factor, high: high / unit.factor };
  };
  const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off" });
  const again = h("input", { type: "text", inputmode: "decimal", autocomplete: "off" });
  const bounds = h("p.limits");
  const now = h("p.present");
  const twice = field("A big step: type the number once more", again);
  const number = () => parse(input.value);
  const isBig = () => {
    const from = present(action, subject(), viewOf());
    const { low, high } = limits();
    const start = from === null ? null : from / unit.factor;
    return start !== null && number() !== null && Math.abs(number() - start) > BIG_STEP * (high - low);
  };
  const changed = () => {
    const { low, high } = limits();
    put(bounds, `From ${plain(low, unit.digits + 1)} to ${plain(high, unit.digits + 1)} ${unit.label}`);
    live();
    twice.hidden = !isBig();
  };
  const live = () => {
    const from = present(action, subject(), viewOf());
    put(
      now,
      from === null
        ? ""
        : `Now: ${Number.isFinite(from) ? plain(from / unit.factor, unit.digits + 1) : MISSING} ${unit.label}`,
    );
  };
  input.addEventListener("input", changed);
  const label = unit.label[0].toUpperCase() + unit.label.slice(1);
  const elements = [field(label, input, bounds, now), twice];
  changed();
  return { elements, changed, live, input, again, number, limits, isBig, unit };
}

// A number as people type it; a comma is a decimal mark, anything else is no number.
function parse(text) {
  const trimmed = text.trim().replace(",", ".");
  return /^-?\d+(\.\d*)?$/.test(trimmed) ? Number(trimmed) : null;
}

const LONGEST_MIN = 1440;

function take({ action, subject, amount, since, why, word }) {
  const found = { subject: subject(), value: null, reason: why?.value.trim() ?? "", said: subject() };
  if (action.subject && !found.subject) return { fault: "Say which one." };
  if (amount) {
    const typedValue = amount.number();
    const { low, high } = amount.limits();
    if (typedValue === null) return { fault: "Type a number.", at: amount.input };
    if (typedValue < low - 1e-9 || typedValue > high + 1e-9) {
      return { fault: `It must be from ${plain(low, 3)} to ${plain(high, 3)} ${amount.unit.label}.`, at: amount.input };
    }
    if (amount.isBig() && parse(amount.again.value) !== typedValue) {
      return { fault: "That is a big step: type the same number once more.", at: amount.again };
    }
    found.value = typedValue * amount.unit.factor;
    found.said = [found.subject, `${typedValue} ${amount.unit.label}`].filter(Boolean).join(", ");
  }
  if (since) {
    const minutes = parse(since.value || "0");
    if (minutes === null || minutes < 0 || minutes > LONGEST_MIN)
      return { fault: `It must be from 0 to ${LONGEST_MIN} minutes.`, at: since };
    found.since_s = 60 * minutes;
  }
  if (why && !found.reason) return { fault: "Say why: the record needs it.", at: why };
  if (word && word.value.trim().toLowerCase() !== action.kind) return { fault: `Type “${action.kind}”.`, at: word };
  return found;
}
