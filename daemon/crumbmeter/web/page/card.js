// Cards for feeding by hand, one a mix, to print and hang beside the feeder.

import { Refusal, get, whoAmI } from "./api.js";
import { byId, h, put, show } from "./dom.js";
import { displayOf, figure, unitWords } from "./units.js";

const HOW =
  "Read the plant's rate, set the feeder by hand to the figure beside it, and set it anew at every change of rate.";
const SOONER = "change it that much before the material does.";
const CAUTION =
  "Only where the feeder's own controls and guards work. A panel in manual is no lock-out: lock out and tag out " +
  "before anybody opens hopper, auger, airlock or line. Write down when you began and ended, and tell QC.";

function table(card, display) {
  const rows = card.rows.map((row) =>
    h(
      "tr",
      {},
      h("td", {}, figure(row.mix_kg_s, display.mix, 0)),
      h("td", {}, figure(row.rubber_kg_s, display.feed, 2)),
      h("td", {}, figure(row.auger_speed_rev_s, "rpm", 1)),
      h("td", {}, row.possible ? "" : "the feeder cannot"),
    ),
  );
  const heads = [`Mix, ${unitWords(display.mix)}`, `Rubber, ${unitWords(display.feed)}`, "Auger, rpm", ""];
  const head = h("tr", {}, heads.map((text) => (text ? h("th", { scope: "col" }, text) : h("td"))));
  return h("table", {}, h("thead", {}, head), h("tbody", {}, rows));
}

function sheet(card, all, settings, display, printed) {
  const factor = `${Number(all.feed_factor_kg_rev.toPrecision(4))} kg a revolution`;
  const mark = settings.training ? "TRAINING" : settings.simulated ? "SIMULATED" : "";
  return h(
    "section.card",
    {},
    mark ? h("p.mark", {}, `${mark}: no real rubber moves.`) : null,
    h("h1", {}, `Feeding by hand: ${card.title}`),
    h("p", {}, `${settings.title}, mix ${card.mix_id}. Settings ${settings.settings_id.slice(0, 12)}.`),
    h("p", {}, `${factor} (${all.factor_learned ? "as learned" : "of the site file"}), printed ${printed}.`),
    table(card, display),
    h("p", {}, HOW, ` Rubber set now reaches the mix ${all.delay_s.toFixed(0)} s later: `, SOONER),
    h("p", {}, CAUTION),
  );
}

async function start() {
  try {
    const session = await whoAmI();
    if (!session.who) {
      put(byId("told"), "Log in at the page first.");
      return;
    }
    const [all, settings] = await Promise.all([get("cards"), get("settings")]);
    const printed = new Date().toLocaleString("sv-SE", { timeZone: settings.zone, timeZoneName: "short" });
    const display = displayOf(settings);
    byId("cards").replaceChildren(...all.cards.map((card) => sheet(card, all, settings, display, printed)));
    put(byId("told"), all.cards.length ? "" : "No card: no mix has rubber, or it is a batch plant.");
    show(byId("print"), all.cards.length > 0);
    byId("print").addEventListener("click", () => window.print());
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    put(byId("told"), fault.message);
  }
}

start();
