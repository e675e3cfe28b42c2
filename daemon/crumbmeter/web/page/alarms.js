// Alarms, most urgent first: what is wrong, what to do, how long there is; seen, and put aside for a time.

import { available, open, perform } from "./actions.js";
import { byId, deed, h, keyed, mark, put, show } from "./dom.js";
import { seconds, span } from "./units.js";
import { isAside, isGone, isUnseen, told } from "./verdict.js";

const PRIORITY = { high: "HIGH", medium: "MEDIUM", low: "LOW" };

export function card() {
  const made = h("li.alarm");
  const kind = h("span.kind");
  const name = h("h3.name");
  const first = h("span.first", { hidden: true }, "FIRST");
  const state = h("p.state");
  const todo = h("p.todo");
  const time = h("span.time");
  const follows = h("p.follows");
  const buttons = {
    acknowledge: deed("button.small", { onclick: () => act(made, "acknowledge") }, "Acknowledge"),
    "reset alarm": deed("button.small", { onclick: () => act(made, "reset alarm") }, "Reset"),
    "shelve alarm": deed("button.small", { onclick: () => act(made, "shelve alarm") }, "Shelve…"),
    "unshelve alarm": deed("button.small", { onclick: () => act(made, "unshelve alarm") }, "Take off the shelf"),
    "take alarm out of service": deed(
      "button.small",
      { onclick: () => act(made, "take alarm out of service") },
      "Out of service…",
    ),
    "return alarm to service": deed(
      "button.small",
      { onclick: () => act(made, "return alarm to service") },
      "Return to service",
    ),
  };
  made.append(
    h("div.head", {}, h("span.shape", { "aria-hidden": "true" }), kind, first, time),
    name,
    todo,
    follows,
    state,
    h("div.buttons", {}, Object.values(buttons)),
  );
  made.update = (item, view, catalogue) => {
    made.item = item;
    const entry = catalogue.get(item.alarm_id);
    const since_s = Math.max(0, view.process_time_s - item.since_s);
    mark(made, "data-priority", item.priority);
    mark(made, "data-state", isAside(item) ? "aside" : isGone(item) ? "gone" : isUnseen(item) ? "unseen" : "seen");
    put(kind, PRIORITY[item.priority] ?? item.priority);
    put(name, item.text);
    show(first, Boolean(item.first_out));
    put(todo, item.remedy);
    put(time, timeToAct(item, entry, since_s));
    put(follows, entry?.consequence ? `Otherwise: ${entry.consequence}` : "");
    put(state, stateWords(item, since_s));
    for (const [action, button] of Object.entries(buttons)) {
      show(button, fits(action, item));
      mark(button, "aria-label", `${button.textContent.replace("…", "")}: ${item.text}`);
    }
  };
  return made;
}

function fits(action, item) {
  const found = available(action);
  if (!found) return false;
  const choices = found.subject?.choices;
  const named = !choices || choices.some((choice) => (choice.id ?? choice) === item.alarm_id);
  if (action === "acknowledge") return isUnseen(item) && named;
  if (action === "reset alarm") return item.state.startsWith("latched") && named;
  if (action === "unshelve alarm") return item.state === "shelved";
  if (action === "return alarm to service") return item.state === "out of service" && found.role !== "none";
  return !isAside(item) && (action === "shelve alarm" || found.allowed) && named;
}

function timeToAct(item, entry, since_s) {
  if (!entry || isAside(item) || isGone(item)) return "";
  const whole = entry.time_to_act_s;
  if (typeof whole !== "number") return "";
  const left = whole - since_s;
  return left > 0 ? `${span(left)} of ${span(whole)} to act` : `over: had ${span(whole)} to act`;
}

function stateWords(item, since_s) {
  const words = [`${item.state}, for ${seconds(since_s)}`];
  if (item.state === "shelved" && typeof item.shelf_left_s === "number")
    words.push(`comes back in ${span(item.shelf_left_s)}`);
  if (item.put_aside_by) words.push(`by ${item.put_aside_by}`);
  if (item.put_aside_why) words.push(`because: ${item.put_aside_why}`);
  return words.join("; ");
}

function act(made, kind) {
  const subject = made.item.alarm_id;
  const action = available(kind);
  if (!action?.allowed) open(kind, { subject });
  else if (action.confirm === "none" && !action.reason && !action.value) perform(action, { subject });
  else open(kind, { subject, fixed: true, title: made.item.text });
}

export function renderAlarms(view, catalogue) {
  const live = told(view);
  const aside = view.alarms.filter(isAside);
  const fill = (id, items) =>
    keyed(
      byId(id),
      items,
      (item) => item.alarm_id,
      card,
      (made, item) => made.update(item, view, catalogue),
    );
  fill("alarms-live", live);
  fill(
    "alarms-aside",
    aside.filter((item) => item.state !== "suppressed by design"),
  );
  const quiet = aside.filter((item) => item.state === "suppressed by design").map((item) => item.text);
  put(byId("alarms-quiet"), quiet.length ? `Means nothing while the plant stands: ${quiet.join("; ")}` : "");
  show(byId("alarms-none"), live.length === 0);
  show(byId("alarms-aside-none"), aside.length === quiet.length);
  const unseen = live.filter(isUnseen).length;
  put(byId("alarm-count"), live.length ? String(live.length) : "");
  mark(byId("alarm-count"), "data-unseen", unseen > 0);
  const high = live.filter((item) => isUnseen(item) && item.priority === "high").length;
  mark(byId("alarm-count"), "data-high", high > 0);
}

// Say a new alarm once, when it comes; its return to normal says nothing.
export class Announcer {
  constructor() {
    this.known = null;
  }

  take(view) {
    const now = new Map(
      view.alarms.filter((item) => item.state === "unacknowledged").map((item) => [item.alarm_id, item]),
    );
    if (this.known) {
      const fresh = [...now.values()].filter((item) => !this.known.has(item.alarm_id));
      if (fresh.length)
        put(byId("called"), fresh.map((item) => `Alarm, ${item.priority}: ${item.text}. ${item.remedy}`).join(" "));
    }
    this.known = new Set(now.keys());
  }
}
