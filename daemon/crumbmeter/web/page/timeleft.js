// How long until somebody must act, soonest first: by the present rate, from what the scales say.

import { amount, figure, isKnown, span, unitWords } from "./units.js";

const CALM = new Set(["", "as learned", "not judged"]);

// Rows of { key, name, left_s, text, note, quality }; left_s is null where it cannot be said, text then says why.
export function timesLeft(view, display) {
  const supply = view.supply ?? {}; // an older control does not send it
  const rows = [
    row("hopper", "Weigh hopper", view.hopper_mass_kg, supply.hopper_empty_in_s, "if not refilled", display),
    row("supply", "Supply hopper", view.supply_mass_kg, supply.empty_in_s, "both empty; hang a bag before", display),
    ...line(view.line),
    ...job(supply, display),
  ];
  return rows.filter(Boolean).sort((a, b) => (a.left_s ?? Infinity) - (b.left_s ?? Infinity));
}

function row(key, title, mass, left_s, note, display) {
  if (mass.reason === "not configured" && mass.value === null) return null;
  if (mass.value === null)
    return { key, name: title, left_s: null, text: "---", note: `${mass.quality}: ${mass.reason}`, quality: "Bad" };
  const content = amount(mass.value, display.mass, 0).replaceAll(" ", "\u00a0");
  const name = `${title} ${mass.quality === "Good" ? "" : "~"}${content}`;
  const doubt = mass.quality === "Good" ? "" : `${mass.quality}: ${mass.reason}; `;
  const { quality } = mass;
  if (!isKnown(left_s)) return { key, name, left_s: null, text: "---", note: `${doubt}nothing is fed`, quality };
  return { key, name, left_s, note: doubt + note, quality };
}

function line(found) {
  if (!found || CALM.has(found.diagnosis) || !isKnown(found.soonest_s)) return [];
  const latest = isKnown(found.latest_s) ? `, at the latest ${span(found.latest_s)}` : "";
  return [
    {
      key: "line",
      name: `Line: ${found.diagnosis}`,
      left_s: found.soonest_s,
      note: `to the pressure limit${latest}`,
      quality: "Good",
    },
  ];
}

function job(supply, display) {
  if (!isKnown(supply.left_mix_kg)) return [];
  const mix = `${figure(supply.left_mix_kg, display.ton, 0)} ${unitWords(display.ton)}`;
  const more = supply.bags_to_load_count;
  const note = isKnown(more) ? "beyond what is here" : "say what a bag holds: load one";
  const text = isKnown(more) ? `${more} ${more === 1 ? "bag" : "bags"}` : "---";
  return [{ key: "job", name: `Job: ${mix} to make`, left_s: null, text, note, quality: "Good" }];
}
