// One value on the page with all that belongs to it: figure, unit, note, what is wrong with it, and its age.

import { h, mark, put, show } from "./dom.js";
import { MISSING, figure, isKnown, seconds, unitWords } from "./units.js";

const TELL_AGE_S = 2;
let count = 0;

export class Cell {
  constructor(label, kind = "") {
    count += 1;
    const id = `cell-${count}`;
    this.label = h("span.label", { id }, label);
    this.figure = h("span.figure", {}, MISSING);
    this.unit = h("span.unit");
    this.note = h("span.note");
    this.flaw = h("span.flaw");
    this.age = h("span.age");
    this.element = h(
      `div.cell${kind ? `.${kind}` : ""}`,
      { role: "group", "aria-labelledby": id, "data-quality": "Good" },
      ...(kind === "main" ? this.large() : this.small()),
    );
    this.aged_s = null;
  }

  small() {
    return [this.label, h("span.value", {}, this.figure, " ", this.unit), this.flaw, this.note, this.age];
  }

  large() {
    return [
      h("span.heading", {}, this.label, " ", this.unit),
      h("span.value", {}, this.figure, this.note),
      h("span.state", {}, this.flaw, " ", this.age),
    ];
  }

  // Show a figure that the scan made; it is as old as the scan.
  set(text, unit = "", note = "", age_s = 0) {
    return this.write(text, unit, note, "Good", "", age_s);
  }

  // Show what was read, with its quality in words and in shape.
  read(reading, unit, digits = 1, note = "") {
    const { value, quality, reason, age_s } = reading;
    if (reason === "not configured" && value === null) return this.write("not fitted", "", "", "none", "", null);
    if (quality === "Good") return this.write(figure(value, unit, digits), unit, note, "Good", "", age_s);
    const text = quality === "Uncertain" ? `~${figure(value, unit, digits)}` : MISSING;
    return this.write(text, unit, note, quality, `${quality}: ${reason}`, age_s);
  }

  write(text, unit, note, quality, flaw, age_s) {
    put(this.figure, text);
    put(this.unit, unitWords(unit));
    put(this.note, note);
    put(this.flaw, flaw);
    mark(this.element, "data-quality", quality);
    this.aged_s = isKnown(age_s) ? age_s : null;
    return this;
  }

  // Tell the age once it is worth telling; `more_s` has passed since the view was made.
  tick(more_s) {
    const age_s = this.aged_s === null ? null : this.aged_s + more_s;
    const told = age_s !== null && age_s > TELL_AGE_S;
    show(this.age, told);
    if (told) put(this.age, `${seconds(age_s)} old`);
  }
}
