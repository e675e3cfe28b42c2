// Values in the site's units, as text. The same figures as the terminal view's (cli/display.py): a test compares them.

const POUND_KG = 0.45359237;
const SHORT_TON_KG = 2000 * POUND_KG;
// What one of each unit is in SI. NIST SP 811 (2008), B.8; the pound is exact.
const SI = {
  "lb/min": POUND_KG / 60,
  "kg/min": 1 / 60,
  "short_ton/h": SHORT_TON_KG / 3600,
  "tonne/h": 1000 / 3600,
  lb: POUND_KG,
  kg: 1,
  short_ton: SHORT_TON_KG,
  tonne: 1000,
  psi: 6894.757293168361,
  kPa: 1000,
  rpm: 1 / 60,
};

export const US = {
  feed: "lb/min",
  mix: "short_ton/h",
  mass: "lb",
  pressure: "psi",
  dose: "lb/short_ton",
  doseFactor: 2000,
  ton: "short_ton",
};
export const METRIC = {
  feed: "kg/min",
  mix: "tonne/h",
  mass: "kg",
  pressure: "kPa",
  dose: "kg/tonne",
  doseFactor: 1000,
  ton: "tonne",
};
export const MISSING = "---";

const DOSE_OF = {
  total_mix: "of mix with rubber",
  added_to_mix: "of mix without rubber",
  total_binder: "of total binder",
  binder_rubber_blend: "of binder with rubber",
  virgin_binder: "of virgin binder",
  dry_aggregate: "of dry virgin aggregate",
};

export const displayOf = (settings) => (settings?.units === "us" ? US : METRIC);

// Write a unit for people: a ton is never left ambiguous.
export const unitWords = (unit) => unit.replaceAll("_", " ");

const known = (value) => typeof value === "number" && Number.isFinite(value);

// Round as the terminal does: an exact tie goes to the even digit.
export function fixed(value, digits) {
  const scaled = value * 10 ** digits;
  if (Number.isInteger(value * 2 ** (digits + 1)) && Math.abs(scaled % 1) === 0.5) {
    return ((2 * Math.round(scaled / 2)) / 10 ** digits).toFixed(digits);
  }
  return value.toFixed(digits);
}

export const inUnit = (si, unit) => (known(si) ? si / SI[unit] : null);

// The figure alone; dashes where there is none.
export function figure(si, unit, digits = 1) {
  return known(si) ? fixed(si / SI[unit], digits) : MISSING;
}

export function amount(si, unit, digits = 1) {
  return `${figure(si, unit, digits)} ${unitWords(unit)}`;
}

export function percent(fraction, digits = 1, sign = true) {
  if (!known(fraction)) return MISSING;
  const text = fixed(100 * fraction, digits);
  return `${sign && !text.startsWith("-") ? "+" : ""}${text} %`;
}

// Rubber per mix with rubber, from two flows, as a number; null where no mix flows.
export function dosePerMix(rubber, mix, display) {
  if (!known(rubber) || !known(mix) || mix + rubber <= 0 || mix <= 0) return null;
  return (display.doseFactor * rubber) / (mix + rubber);
}

// Decimal places that show an uncertainty with two significant digits (GUM 7.2.6).
export function digitsFor(uncertainty) {
  if (!known(uncertainty) || uncertainty <= 0) return 2;
  let places = 1 - Math.floor(Math.log10(uncertainty));
  if (Number((uncertainty * 10 ** places).toFixed(0)) >= 100) places -= 1;
  return Math.max(0, places);
}

export const perMix = (basis) => basis === "total_mix" || basis === "added_to_mix";
export const doseOf = (basis) => DOSE_OF[basis] ?? String(basis).replaceAll("_", " ");
// What a dose of this basis is shown in: per ton of mix, or percent of its own base.
export const doseScale = (basis, display) => (perMix(basis) ? [display.doseFactor, display.dose] : [100, "%"]);

export function provenDose(dose, display) {
  const [factor, unit] = doseScale(dose.dose_basis, display);
  const digits = digitsFor(factor * dose.expanded_fraction);
  const value = fixed(factor * dose.dose_fraction, digits);
  const spread = fixed(factor * dose.expanded_fraction, digits);
  const coverage = String(Number(dose.coverage_factor.toPrecision(2)));
  return `${value} ± ${spread} ${unitWords(unit)} ${doseOf(dose.dose_basis)}, k=${coverage}`;
}

export function seconds(value) {
  if (!known(value)) return "never";
  if (value < 10) return `${fixed(value, 1)} s`;
  return value < 600 ? `${fixed(value, 0)} s` : `${fixed(value / 60, 0)} min`;
}

// A time that is left, for people: whole seconds, minutes, hours.
export function span(value_s) {
  if (value_s < 90) return `${Math.floor(value_s)} s`;
  if (value_s < 5400) return `${Math.floor(value_s / 60)} min`;
  if (value_s < 172800) return `${(value_s / 3600).toFixed(1)} h`;
  return `${Math.floor(value_s / 86400)} d`;
}

export const isKnown = known;
