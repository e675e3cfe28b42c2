// What can be asked of control: why not now, limits before entry, confirmation by risk, and what became of it.

import { Refusal, get, newId, post, session } from "./api.js";
import { entry } from "./entry.js";
import { byId, deed, h, put, show } from "./dom.js";

const WORDS = {
  "start feed": "Start feed",
  "hold feed": "Hold feed",
  "stop feed": "Stop feed",
  "select mix": "Choose the mix",
  "set moisture": "Enter moisture",
  acknowledge: "Acknowledge an alarm",
  "reset alarm": "Reset an alarm",
  "shelve alarm": "Shelve an alarm",
  "unshelve alarm": "Take an alarm off the shelf",
  "take alarm out of service": "Take an alarm out of service",
  "return alarm to service": "Return an alarm to service",
  "reset subtotal": "Reset the job's subtotal",
  "settle total": "Settle a totaliser's gap",
  "accept weight": "Accept a weight",
  "confirm weight": "Check against a known weight",
  "measure trip": "Measure the feeder's trip time",
  "relearn line": "Learn the line anew",
  "drum dumped": "Drum was dumped",
  "enable control": "Enable control",
  "monitor only": "Return to monitor only",
  "plan job": "Say how large the job is",
  "load bag": "Load a bulk bag",
  "mix wasted": "Mark mix as wasted",
  "hand over note": "Leave a note for the next shift",
};
const REFUSED = new Set(["command_refused", "command_expired", "command_displaced"]);
const SHOWN = 6;

let list = [];
let context = { view: null, display: null };
let changed = () => {};
let refreshing = null;
const log = [];

export const words = (kind) => WORDS[kind] ?? kind;
export const available = (kind) => list.find((action) => action.kind === kind);
export const all = () => list;
export const onActions = (listener) => {
  changed = listener;
};
export const setContext = (view, display) => {
  context = { view, display };
  sheet?.live(context);
};

export async function refresh() {
  if (refreshing || !session.who) return refreshing;
  refreshing = get("actions")
    .then(
      (body) => {
        list = body;
        changed();
      },
      () => {},
    )
    .finally(() => {
      refreshing = null;
    });
  return refreshing;
}

// Send one request and say what control said. The same line shows "requested" until then.
export async function perform(action, { subject = "", value = null, reason = "", since_s = 0, said = "" }) {
  const line = {
    what: [words(action.kind), said || subject].filter(Boolean).join(": "),
    state: "requested",
    text: "Requested…",
  };
  log.unshift(line);
  log.length = Math.min(log.length, SHOWN);
  tell(line);
  const id = newId();
  const body = { kind: action.kind, id };
  if (subject) body.subject = subject;
  if (value !== null) body.value = value;
  if (reason) body.reason = reason;
  if (since_s) body.since_s = since_s;
  try {
    Object.assign(line, outcomeOf(await post("commands", body)));
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    const lost = fault.status === 0;
    Object.assign(line, {
      state: "refused",
      text: lost
        ? `No answer. It may have been carried out: look before you ask again.${atTheFeeder(action.kind)}`
        : `Refused: ${fault.message}`,
    });
  }
  tell(line);
  await refresh();
  return line;
}

const atTheFeeder = (kind) => (kind === "stop feed" ? " To stop, use the stop at the feeder." : "");

function outcomeOf(answer) {
  const found = answer.outcome;
  if (!answer.accepted) return { state: "refused", text: `Refused: ${answer.why}` };
  if (!found) return { state: "open", text: `Taken: ${answer.why}. Nothing was heard of it yet.` };
  const why = found.detail?.why ? `: ${found.detail.why}` : "";
  if (REFUSED.has(found.name)) return { state: "refused", text: `Refused${why}` };
  return { state: "done", text: `Control says: ${found.name.replaceAll("_", " ")}${why}` };
}

function tell(line) {
  const told = byId("told");
  told.dataset.state = line.state;
  put(byId("told-text"), `${line.what}. ${line.text}`);
  show(told, true);
  clearTimeout(told.timer);
  if (line.state === "done") told.timer = setTimeout(() => show(told, false), 8000);
  const rows = log.map((item) => h("li", { "data-state": item.state }, `${item.what}. ${item.text}`));
  byId("asked-log").replaceChildren(...rows);
  show(byId("asked-none"), log.length === 0);
}

// --- The sheet: not modal, so that hold and stop stay in reach ------------------------------------------------------

let sheet = null;

export function close() {
  if (!sheet) return;
  const back = sheet.back;
  sheet = null;
  show(byId("sheet"), false);
  byId("sheet").replaceChildren();
  if (back?.isConnected) back.focus();
}

export function open(kind, preset = {}) {
  const action = available(kind);
  if (!action) return;
  const back = document.activeElement;
  const title = h("h2", { id: "sheet-title", tabindex: "-1" }, words(kind));
  const place = byId("sheet");
  const says = h("p.says", {}, action.says);
  if (!action.allowed) {
    place.replaceChildren(
      title,
      says,
      h("p.whynot", {}, `Not now: ${action.why_not}`),
      h("div.buttons", {}, leave("Close")),
    );
    sheet = { back, live: () => {} };
  } else {
    const fields = entry(action, preset, context);
    const fault = h("p.fault", { role: "alert" });
    const send = deed(
      "button.go",
      {
        onclick: async () => {
          const found = fields.take();
          put(fault, found.fault ?? "");
          if (found.fault) return found.at?.focus();
          close();
          return perform(action, found);
        },
      },
      words(kind),
    );
    place.replaceChildren(
      title,
      says,
      ...[preset.title ? h("p.of", {}, preset.title) : null].filter(Boolean),
      ...fields.elements,
      fault,
      h("div.buttons", {}, send, leave("Leave it")),
    );
    sheet = { back, live: fields.live };
  }
  show(place, true);
  place.scrollTop = 0;
  title.focus();
}

const leave = (text) => h("button.leave", { type: "button", onclick: close }, text);

export function startSheet() {
  byId("told-close").addEventListener("click", () => show(byId("told"), false));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") close();
  });
  byId("sheet").addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.tagName === "INPUT") event.preventDefault();
  });
}
