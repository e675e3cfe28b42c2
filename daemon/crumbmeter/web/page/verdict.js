// The first question: does the rubber follow the plant? From one view, in words; nothing here touches the page.

// What each alarm makes of the answer, while its cause holds.
const LAG = "The rubber does not follow the plant.";
const DOUBT = "Whether the rubber follows is in doubt.";
const AGAINST = {
  feed_stopped: LAG,
  feed_off_setpoint: LAG,
  no_rubber_flow: LAG,
  rubber_not_arriving: LAG,
  pressure_high: LAG,
  pressure_low: LAG,
  input_lost: DOUBT,
  write_not_confirmed: DOUBT,
  other_master: DOUBT,
  charge_doubtful: DOUBT,
  scan_late: DOUBT,
  dose_out: "The last tons are outside their band.",
};
const ASIDE = new Set(["shelved", "out of service", "suppressed by design"]);
const RANK = { high: 0, medium: 1, low: 2 };

export const isAside = (alarm) => ASIDE.has(alarm.state);
export const isUnseen = (alarm) => alarm.state.includes("unack");
export const isGone = (alarm) => alarm.state.startsWith("returned") || alarm.state.startsWith("latched");
export const told = (view) => view.alarms.filter((alarm) => !isAside(alarm)).sort(byUrgency);

// First what nobody has seen and still holds, then what is high, then what came before all others.
export function byUrgency(a, b) {
  const key = (alarm) => [
    isUnseen(alarm) ? (isGone(alarm) ? 1 : 0) : 2,
    RANK[alarm.priority] ?? 1,
    alarm.first_out ? 0 : 1,
    alarm.since_s ?? 0,
  ];
  const [left, right] = [key(a), key(b)];
  const at = left.findIndex((value, index) => value !== right[index]);
  return at < 0 ? 0 : left[at] - right[at];
}

// What the feed still needs: first what is not met, then what is not known.
export const missing = (view) =>
  view.permissives.filter((item) => item.met !== true).sort((a, b) => (a.met === null) - (b.met === null));

// Names of signals and outputs stay as they are.
const sentence = (text) => (!text || /^\w*_/.test(text) ? (text ?? "") : text[0].toUpperCase() + text.slice(1));

export function verdict(view) {
  const because = `${sentence(view.run_state)}: ${view.run_reason}`;
  const dosed = (view.dose_target_fraction ?? 0) > 0;
  const mix = view.mix_rate_kg_s ?? 0;
  if (view.run_state !== "feeding") return standing(view, dosed, mix, because);
  const against = told(view).find((alarm) => alarm.alarm_id in AGAINST && !isGone(alarm));
  if (against) return { level: "bad", word: AGAINST[against.alarm_id], because: against.text };
  if (view.batch) return { level: "good", word: "Rubber is charged for each batch.", because: batchWords(view.batch) };
  if (view.fed_kg_s.quality === "Bad") {
    return { level: "bad", word: "Whether the rubber follows is not known.", because: `Feed: ${view.fed_kg_s.reason}` };
  }
  if (!dosed) return { level: "calm", word: "No rubber: this mix takes none.", because };
  if (mix <= 0) return { level: "calm", word: "No mix passes; nothing to follow.", because };
  if (view.fed_kg_s.quality === "Uncertain") {
    return {
      level: "unsure",
      word: "The rubber follows by what was learned.",
      because: `What is fed is Uncertain: ${view.fed_kg_s.reason}`,
    };
  }
  if (view.learning) return { level: "unsure", word: "The rubber follows; still learning.", because };
  return { level: "good", word: "The rubber follows the plant.", because };
}

const batchWords = (batch) => `Batch ${batch.batch_count}: ${batch.phase} (${batch.reason})`;

function standing(view, dosed, mix, because) {
  if (view.run_state === "stopped") {
    return { level: "bad", word: "No rubber: the feed has stopped.", because: sentence(view.run_reason) };
  }
  if (dosed && mix > 0) return { level: "bad", word: "Mix is made without rubber.", because };
  if (view.run_state === "monitor only") {
    return { level: "calm", word: "Watching only; nothing is written.", because: sentence(view.run_reason) };
  }
  return { level: "calm", word: "No rubber is fed.", because };
}
