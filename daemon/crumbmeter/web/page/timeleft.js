// How long until somebody must act, soonest first: by the present rate, from what the scales say.

import { amount, isKnown, span } from "./units.js";

const CALM = new Set(["", "as learned", "not judged"]);

// Rows of { key, name, left_s, text, note, quality }; left_s is null where it cannot be said, text then says why.
export function timesLeft(view, display) {
  const rate = view.fed_kg_s.value;
  const feeds = isKnown(rate) && rate > 1e-4 && view.run_state === "feeding";
  const rows = [
    row("hopper", "Weigh hopper", view.hopper_mass_kg, rate, feeds, "if not refilled", display),
    row("supply", "Supply hopper", view.supply_mass_kg, rate, feeds, "hang a bag before", display),
    ...line(view.line),
    ...bags(view.job),
  ];
  return rows.filter(Boolean).sort((a, b) => (a.left_s ?? Infinity) - (b.left_s ?? Infinity));
}

function row(key, title, mass, rate, feeds, note, display) {
  if (mass.reason === "not configured" && mass.value === null) return null;
  if (mass.value === null)
    return { key, name: title, left_s: null, text: "---", note: `${mass.quality}: ${mass.reason}`, quality: "Bad" };
  const content = amount(mass.value, display.mass, 0).replaceAll(" ", "\u00a0");
  const name = `${title} ${mass.quality === "Good" ? "" : "~"}${content}`;
  const doubt = mass.quality === "Good" ? "" : `${mass.quality}: ${mass.reason}; `;
  if (!feeds) return { key, name, left_s: null, text: "---", note: `${doubt}nothing is fed`, quality: mass.quality };
  return { key, name, left_s: mass.value / rate, note: doubt + note, quality: mass.quality };
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

function bags(job) {
  if (!isKnown(job?.bags_left_count)) return [];
  const left = job.bags_left_count;
  return [
    {
      key: "bags",
      name: "Bags for the tons to make",
      left_s: null,
      text: left.toFixed(1),
      note: "still needed",
      quality: "Good",
    },
  ];
}
