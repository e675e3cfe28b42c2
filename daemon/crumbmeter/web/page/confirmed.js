// What the feeder holds, by read-back: between what was asked and what is fed.

import { MISSING, amount, figure } from "./units.js";

const PATIENCE_S = 2;

export class Confirmed {
  constructor() {
    this.held = null;
    this.at = 0;
  }

  render(cell, view, display) {
    const write = view.writes.find((item) => item.role === "feed_rate" || item.role === "auger_speed");
    const value = view.outputs.values.find((item) => item.role === write?.role)?.value ?? null;
    if (!view.outputs.write_enabled || !write || value === null) {
      this.held = null;
      cell.write("nothing", "", "", "none", "", null);
      cell.note.textContent = view.control_enabled ? "nothing is written now" : "monitor only";
      return;
    }
    // A new value is on its way in most scans; only what stays unconfirmed is worth a word.
    if (write.stage === "confirmed") {
      this.held = { value, role: write.role };
      this.at = view.process_time_s - (write.age_s ?? 0);
    }
    const age_s = this.held ? view.process_time_s - this.at : null;
    const pending = write.stage !== "confirmed" && (age_s === null || age_s > PATIENCE_S);
    const flaw = write.stage === "failed" ? "Bad: write failed" : pending ? `Uncertain: only ${write.stage}` : "";
    const quality = write.stage === "failed" ? "Bad" : pending ? "Uncertain" : "Good";
    const speed = this.held?.role === "auger_speed";
    const rate = this.held ? (speed ? this.held.value * view.feed_factor_kg_rev : this.held.value) : null;
    const note = speed ? `holds ${amount(this.held.value, "rpm")}` : this.held ? "held by the feeder" : "";
    const shown = quality === "Bad" || rate === null ? MISSING : figure(rate, display.feed);
    cell.write(shown, display.feed, note, quality, flaw, age_s);
  }
}
