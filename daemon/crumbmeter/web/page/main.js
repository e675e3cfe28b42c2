// The page's frame: who is logged in, which view is shown, what the link says; the rest hangs on it.

import { all, available, onActions, open, perform, refresh, setContext, startSheet, words } from "./actions.js";
import { Announcer, card, renderAlarms } from "./alarms.js";
import { Refusal, forget, get, session, whoAmI } from "./api.js";
import { byId, deed, h, keyed, mark, put, show } from "./dom.js";
import { Link } from "./link.js";
import { Now } from "./now.js";
import { renderMe, startLogin } from "./people.js";
import { onTheme, startTheme } from "./theme.js";
import { Trend } from "./trend.js";
import { displayOf, seconds } from "./units.js";

const BAR = ["start feed", "hold feed", "stop feed"];
const SIGN = { "start feed": "▶", "hold feed": "❚❚", "stop feed": "■" };
const SPANS = [
  [10, "10 min"],
  [30, "30 min"],
  [60, "1 h"],
  [180, "3 h"],
  [360, "6 h"],
  [720, "12 h"],
];
const VIEWS = ["now", "alarms", "trend", "actions", "me"];
const TREND_MS = 5000;
const ACTIONS_MS = 5000;
const LONGEST_MS = 60000;
const FIRST_MS = 3000;

const page = {
  settings: {},
  display: displayOf({}),
  catalogue: new Map(),
  view: null,
  minutes: 10,
  enteredAt: 0,
  drawnAt: 0,
  loading: false,
};
const now = new Now(card);
const announcer = new Announcer();
const short = new Trend(byId("short-trend"), ["feed"]);
const long = new Trend(byId("long-trend"), ["feed", "dose", "mix", "hopper"]);

// --- Views ----------------------------------------------------------------------------------------------------------

function wanted() {
  if (!session.who) return "login";
  if (session.must_change_password) return "me";
  const name = location.hash.slice(1);
  return VIEWS.includes(name) ? name : "now";
}

function route(focus = true) {
  const name = wanted();
  for (const section of document.querySelectorAll(".view")) show(section, section.id === `view-${name}`);
  for (const link of byId("nav").children) mark(link, "aria-current", link.dataset.view === name ? "page" : null);
  show(byId("nav"), Boolean(session.who));
  show(byId("bar"), Boolean(session.who));
  if (name === "me") renderMe();
  if (focus) byId(`${name}-title`)?.focus({ preventScroll: true });
  window.scrollTo(0, 0);
  loadTrend();
}

// Ten minutes are drawn anew every five seconds, twelve hours once a minute; a page that nobody sees rests.
function loadTrend(soon = true) {
  if (!session.who || document.hidden) return;
  const options = { display: page.display, basis: page.view?.dose_basis ?? "total_mix", zone: page.settings.zone };
  short.load(10, { ...options, minutes: 10 });
  const pause = Math.min(LONGEST_MS, page.minutes * (TREND_MS / 10));
  if (soon || performance.now() - page.drawnAt >= pause - 100) {
    page.drawnAt = performance.now();
    long.load(page.minutes, { ...options, minutes: page.minutes });
  }
}

function renderSpans() {
  const buttons = SPANS.map(([minutes, text]) =>
    h(
      "button.choice",
      {
        type: "button",
        "aria-pressed": String(minutes === page.minutes),
        onclick: () => {
          page.minutes = minutes;
          for (const [index, button] of [...byId("trend-span").children].entries())
            mark(button, "aria-pressed", SPANS[index][0] === minutes ? "true" : "false");
          loadTrend();
        },
      },
      text,
    ),
  );
  byId("trend-span").replaceChildren(...buttons);
}

// --- Actions --------------------------------------------------------------------------------------------------------

function ask(kind) {
  const action = available(kind);
  if (!action) {
    // The desk's list has not come: a stop is sent all the same.
    if (kind === "stop feed") perform({ kind }, {});
    return;
  }
  if (action.allowed && action.confirm === "none" && !action.subject && !action.value && !action.reason)
    perform(action, {});
  else open(kind);
}

function renderBar() {
  const bar = byId("bar");
  if (!bar.children.length) {
    bar.append(
      ...BAR.map((kind) => {
        const button = deed(
          `button.act`,
          { onclick: () => ask(kind), "data-kind": kind, "aria-describedby": `why-${kind.split(" ")[0]}` },
          h("span.sign", { "aria-hidden": "true" }, SIGN[kind]),
          h("span.name", {}, words(kind)),
        );
        return h("div.actbox", {}, button, h("span.why", { id: `why-${kind.split(" ")[0]}` }));
      }),
    );
  }
  for (const box of bar.children) {
    const [button, why] = box.children;
    const action = available(button.dataset.kind);
    const off = action ? !action.allowed : button.dataset.kind !== "stop feed";
    mark(button, "aria-disabled", off ? "true" : null);
    put(why, action && off ? action.why_not : "");
  }
}

function renderActions() {
  renderBar();
  const rest = all().filter((action) => !BAR.includes(action.kind) && !/alarm|acknowledge/.test(action.kind));
  keyed(
    byId("actions-list"),
    rest,
    (action) => action.kind,
    (action) => {
      const why = h("p.why");
      const button = deed(
        "button.row",
        { onclick: () => ask(action.kind) },
        h("b", {}, words(action.kind)),
        h("span.says", {}, action.says),
      );
      const row = h("li", {}, button, why);
      Object.assign(row, { button, why });
      return row;
    },
    (row, action) => {
      mark(row.button, "aria-disabled", action.allowed ? null : "true");
      put(row.why, action.allowed ? "" : `Not now: ${action.why_not}`);
    },
  );
  if (page.view) renderAlarms(page.view, page.catalogue);
}

// --- What comes over the link ---------------------------------------------------------------------------------------

let shape = "";

function heard(kind, body) {
  if (kind !== "view") return;
  const first = !page.view;
  page.view = body;
  if (first) loadTrend();
  if (body.settings_id !== page.settings.settings_id) loadSettings();
  setContext(body, page.display);
  now.render(body, page.display, page.catalogue);
  renderAlarms(body, page.catalogue);
  announcer.take(body);
  document.body.dataset.seq = body.seq;
  // What can be done changes with these; between them the list is asked for now and then.
  const seen = [
    body.run_state,
    body.in_service,
    body.control_enabled,
    body.mix_id,
    body.alarms.map((item) => item.alarm_id + item.state),
  ].join();
  if (seen !== shape) {
    shape = seen;
    refresh();
  }
}

function looked(state) {
  if (!session.who) return;
  const level = state.fresh ? "fresh" : state.desk ? "control" : "desk";
  const first = !page.view && performance.now() - page.enteredAt < FIRST_MS;
  mark(document.body, "data-link", first ? "none" : level);
  show(byId("silence"), level !== "fresh" && !first);
  if (level === "desk")
    put(byId("silence-text"), "NO NEWS. The line to the desk is dead; what stands here is old. Look at the feeder.");
  if (level === "control")
    put(byId("silence-text"), "CONTROL DOES NOT ANSWER. What stands here is old. Look at the feeder.");
  const old_s = Math.min(state.behind_s, 1e6);
  put(byId("silence-age"), page.view ? `Last scan ${seconds(Math.floor(old_s))} ago.` : "No scan has been seen.");
  put(byId("beat"), page.view ? (state.fresh ? `Scan ${seconds(old_s)} old` : "Link lost") : "No scan yet");
  now.tick(page.view ? link.since(link.viewAt) / 1000 : 0);
  if (link.server) put(byId("clock"), clock(link.server));
}

function clock({ wall_time, at }) {
  const zone = page.settings.zone || "UTC";
  const date = new Date(Date.parse(wall_time) + link.since(at));
  const text = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone,
    hour: "2-digit",
    minute: "2-digit",
    second: "2-digit",
  }).format(date);
  return `${text} ${zone.replace("Etc/", "")}`;
}

// The stream has ended, or may have: is the session over? A desk that does not answer says nothing about it.
async function over(asked) {
  if (asked === "ask") {
    const known = await whoAmI().catch(() => null);
    if (!known || known.who) return false;
  }
  forget();
  left("The session is over. Log in again.");
  return true;
}

const link = new Link(heard, looked, over);

// --- Coming and going -----------------------------------------------------------------------------------------------

const MODES = {
  TRAINING: "TRAINING. No real plant moves.",
  SIMULATED: "SIMULATED PLANT. No real rubber moves.",
};

function markMode() {
  const { training, simulated, title, site_id } = page.settings;
  const mode = training ? "TRAINING" : simulated || page.view?.simulated ? "SIMULATED" : "";
  const name = title || site_id || "crumbmeter";
  put(byId("title"), name);
  show(byId("marks"), Boolean(mode));
  put(byId("marks"), MODES[mode] ?? "");
  document.body.dataset.mode = mode.toLowerCase();
  document.title = mode ? `${mode}: ${name}` : name;
}

// What the rest is read by. Asked for again whenever control runs by other settings than these.
async function loadSettings() {
  if (page.loading) return;
  page.loading = true;
  try {
    const [settings, catalogue] = await Promise.all([get("settings"), get("alarms/catalogue")]);
    page.settings = settings;
    page.display = displayOf(settings);
    page.catalogue = new Map(catalogue.map((entry) => [entry.alarm_id, entry]));
    put(byId("version"), settings.version ? `crumbmeter ${settings.version}` : "");
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
  } finally {
    page.loading = false;
  }
  markMode();
}

async function entered() {
  put(byId("who"), `${session.who}, ${session.role}`);
  if (session.must_change_password) {
    route();
    return;
  }
  page.view = null;
  await loadSettings();
  renderSpans();
  await refresh();
  page.enteredAt = performance.now();
  link.begin();
  route();
}

function left(why = "") {
  link.stop();
  forget();
  page.view = null;
  mark(document.body, "data-link", "none");
  show(byId("silence"), false);
  put(byId("who"), "");
  put(byId("login-fault"), why);
  route();
}

async function boot() {
  startTheme(byId("theme"));
  onTheme(() => [short, long].forEach((trend) => trend.redraw()));
  startSheet();
  startLogin(entered, left);
  onActions(renderActions);
  window.addEventListener("hashchange", () => route());
  setInterval(() => loadTrend(false), TREND_MS);
  setInterval(refresh, ACTIONS_MS);
  renderBar();
  try {
    await whoAmI();
    if (session.who) await entered();
    else route();
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    put(byId("login-fault"), "The desk does not answer. This page tries again by itself.");
    route();
    setTimeout(() => location.reload(), 5000);
  }
}

boot();
