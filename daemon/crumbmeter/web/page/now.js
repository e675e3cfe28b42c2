// The first screen: does the rubber follow, what is missing, what must I do, how long have I got.

import { Cell } from "./cells.js";
import { Confirmed } from "./confirmed.js";
import { byId, h, keyed, mark, put, show } from "./dom.js";
import { Rail } from "./rail.js";
import { timesLeft } from "./timeleft.js";
import { MISSING, amount, dosePerMix, figure, fixed, percent, provenDose, seconds, span, unitWords } from "./units.js";
import { missing, told, verdict } from "./verdict.js";

const MOST_BRIEFS = 2;
const MOST_NEEDS = 2;
const isRead = (view) => view.streams.some((item) => item.rate_kg_s.value !== null);

// One more alarm in one line; its card is with all alarms.
function brief() {
  const row = h("li.brief", {}, h("span.shape", { "aria-hidden": "true" }));
  row.kind = row.appendChild(h("span.kind"));
  row.text = row.appendChild(h("span.text"));
  return row;
}

// Who last asked something of the run. Without its age: this is read out when it changes.
const asked = (order) => (order?.kind ? `. Last asked: ${order.kind}, by ${person(order.who)}` : "");
// The kernel's word on the desk's own user stands in the record; here it says nothing.
const person = (who) => who.replace(/ \(uid \d+\)$/, "");

export class Now {
  constructor(cardOf) {
    this.cardOf = cardOf;
    this.confirmed = new Confirmed();
    this.rail = new Rail();
    this.cells = {
      now: new Cell("Rubber now", "main"),
      target: new Cell("Target", "main"),
      asked: new Cell("Asked"),
      held: new Cell("Confirmed"),
      fed: new Cell("Fed"),
      mix: new Cell("Mix"),
      ahead: new Cell("Look-ahead"),
      charge: new Cell("Charge in vessel", "main"),
      wanted: new Cell("Charge target", "main"),
      blown: new Cell("Blown into this batch"),
      window: new Cell("Dry-mix window"),
      last: new Cell("Last batch"),
    };
    this.build();
  }

  build() {
    const { cells } = this;
    this.proven = h("p.proven");
    this.learning = h("p.learning", { hidden: true }, "LEARNING: the feed factor is not settled yet.");
    this.follow = h("div.pair", {}, cells.now.element, cells.target.element);
    this.batch = h(
      "div.batch",
      { hidden: true },
      h("div.pair", {}, cells.charge.element, cells.wanted.element),
      h("div.three", {}, cells.window.element, cells.blown.element, cells.last.element),
    );
    byId("follow").append(this.follow, this.rail.element, this.batch, this.proven, this.learning);
    byId("three").append(...["asked", "held", "fed", "mix", "ahead"].map((name) => cells[name].element));
  }

  render(view, display, catalogue) {
    const found = verdict(view);
    mark(byId("verdict"), "data-level", found.level);
    put(byId("verdict-word"), found.word);
    put(byId("verdict-because"), found.because + asked(view.order));
    const batch = view.batch ?? null;
    show(this.follow, !batch);
    show(this.rail.element, !batch);
    show(this.batch, Boolean(batch));
    if (batch) this.renderBatch(batch, display);
    else this.renderDose(view, display);
    this.renderThree(view, display);
    this.renderPlant(view, display);
    this.renderProven(view.dose_uncertainty, display);
    show(this.learning, Boolean(view.learning) && view.run_state === "feeding");
    this.renderDo(view, catalogue);
    this.renderLeft(view, display);
  }

  renderDose(view, display) {
    const { cells } = this;
    const mix = view.mix_rate_kg_s;
    const wanted = dosePerMix(view.wanted_kg_s, mix, display);
    const dose = dosePerMix(view.fed_kg_s.value, mix, display);
    const error = view.feed_error_fraction;
    // The terminal's figure: the mean of the last buckets of the tolerance, not the two large figures' difference.
    const mean = view.learning ? "learning" : error === null ? "" : `${percent(error)} off on average`;
    const off = view.run_state === "feeding" ? mean : "";
    cells.now.read({ ...view.fed_kg_s, value: null }, display.feed);
    const about = view.fed_kg_s.quality === "Uncertain" ? "~" : "";
    put(cells.now.figure, dose === null ? MISSING : about + fixed(dose, 2));
    put(cells.now.unit, unitWords(display.dose));
    put(cells.now.note, dose === null ? "" : off);
    const rule = `${percent(view.dose_target_fraction, 3, false)} of ${String(view.dose_basis).replaceAll("_", " ")}`;
    cells.target.set(
      wanted === null ? MISSING : fixed(wanted, 2),
      display.dose,
      isRead(view) ? rule : "no stream is read",
    );
    this.rail.render(view);
  }

  renderThree(view, display) {
    const { cells } = this;
    const narrowed = view.narrowed[0];
    put(byId("narrowed"), narrowed ? `Narrowed by ${narrowed.stage}: ${narrowed.reason}` : "");
    cells.asked.set(figure(view.setpoint_kg_s, display.feed), display.feed);
    this.confirmed.render(cells.held, view, display);
    const spread = view.fed_uncertainty_kg_s;
    const known = spread !== null && view.fed_kg_s.value !== null;
    const around = known ? `± ${figure(2 * spread, display.feed)} (k=2)` : "";
    const speed = view.auger_speed_rev_s;
    const turns = speed.value === null ? `auger ${speed.reason}` : amount(speed.value, "rpm");
    const { quality } = view.fed_kg_s;
    const note = quality === "Good" ? [around, turns].filter(Boolean).join(", ") : "";
    cells.fed.read(view.fed_kg_s, display.feed, 1, note);
    // The column is narrow: the word stands in it, the reason with the large figure.
    if (quality !== "Good" && !view.batch) put(cells.fed.flaw, quality);
  }

  renderPlant(view, display) {
    const { cells } = this;
    const passing = view.mix_at_injection ?? view.mix_id;
    const name = passing === view.mix_id ? view.mix_id : `${passing}, then ${view.mix_id}`;
    if (isRead(view)) cells.mix.set(figure(view.mix_rate_kg_s, display.mix), display.mix, name);
    else cells.mix.write(MISSING, display.mix, name, "Bad", "no stream is read", null);
    const ahead = view.look_ahead_error_fraction;
    cells.ahead.set(percent(ahead, 1, false), "", ahead === null ? "not known yet" : "off foreseen mix");
  }

  renderBatch(batch, display) {
    const { cells } = this;
    cells.charge.set(figure(batch.vessel_kg, display.mass, 2), display.mass);
    cells.wanted.set(
      figure(batch.target_kg, display.mass, 2),
      display.mass,
      `${amount(batch.need_kg, display.mass, 2)} to charge`,
    );
    const open = batch.rubber_wanted;
    if (open === null) cells.window.write(MISSING, "", "", "Bad", "not known", null);
    else cells.window.set(open ? "open" : "shut", "", open ? `for ${seconds(batch.window_s)}` : "");
    const of = batch.batch_target_kg === null ? "" : `of ${amount(batch.batch_target_kg, display.mass, 2)}`;
    cells.blown.set(figure(batch.batch_rubber_kg, display.mass, 2), display.mass, of);
    cells.last.set(
      percent(batch.last_error_fraction),
      "",
      `off; ${amount(batch.wasted_kg, display.mass)} thrown away in all`,
    );
  }

  renderProven(dose, display) {
    const parts = dose ? [dose.dose_fraction, dose.expanded_fraction, dose.coverage_factor] : [null];
    if (parts.includes(null)) {
      put(this.proven, "Made: no tons are booked yet.");
      return;
    }
    const over = figure(dose.mix_kg, display.ton, 0);
    const where = `last ${over} ${unitWords(display.ton)}`;
    const bad = dose.quality === "Bad";
    put(this.proven, `Made, ${where}: ${provenDose(dose, display)}${bad ? ". Not proven: an input was Bad" : ""}`);
    mark(this.proven, "data-quality", dose.quality);
  }

  renderDo(view, catalogue) {
    const alarms = told(view);
    keyed(
      byId("do-alarms"),
      alarms.slice(0, 1),
      (item) => item.alarm_id,
      () => this.cardOf(),
      (card, item) => card.update(item, view, catalogue),
    );
    keyed(
      byId("do-briefs"),
      alarms.slice(1, 1 + MOST_BRIEFS),
      (item) => item.alarm_id,
      brief,
      (row, item) => {
        mark(row, "data-priority", item.priority);
        put(row.kind, item.priority.toUpperCase());
        put(row.text, item.text);
      },
    );
    show(byId("do-more"), alarms.length > 1);
    if (alarms.length > 1) put(byId("do-more"), `All ${alarms.length} alarms`);
    show(byId("do-flood"), Boolean(view.alarm_flood));
    const note = view.note ?? {};
    show(byId("do-note"), Boolean(note.text));
    if (note.text) put(byId("do-note"), `Note of ${person(note.who)}, ${seconds(note.age_s)} ago: ${note.text}`);
    const needs = view.run_state === "feeding" ? [] : missing(view);
    keyed(
      byId("do-needs"),
      needs.slice(0, MOST_NEEDS),
      (item) => item.name,
      () => h("li.need"),
      (row, item) => {
        const word = item.met === false ? "Missing" : "Not known";
        mark(row, "data-met", item.met === false ? "no" : "unknown");
        put(row, `${word}: ${item.name}${item.why ? ` (${item.why})` : ""}`);
      },
    );
    show(byId("do-nothing"), alarms.length === 0 && needs.length === 0);
  }

  renderLeft(view, display) {
    keyed(
      byId("left-rows"),
      timesLeft(view, display),
      (row) => row.key,
      () => {
        const row = h("li.left");
        row.what = h("b");
        row.note = h("span.note");
        row.append(h("span.name", {}, row.what, " ", row.note));
        row.time = row.appendChild(h("span.time"));
        row.bar = row.appendChild(h("progress.bar", { max: "60", "aria-hidden": "true" }));
        return row;
      },
      (element, row) => {
        put(element.what, row.name);
        put(element.time, row.text ?? span(row.left_s));
        put(element.note, row.note);
        show(element.bar, row.left_s !== null);
        if (row.left_s !== null) mark(element.bar, "value", Math.min(60, row.left_s / 60).toFixed(1));
        mark(element, "data-quality", row.quality);
      },
    );
  }

  tick(more_s) {
    for (const cell of Object.values(this.cells)) cell.tick(more_s);
  }
}
