// Day and night: as the system says, or as the switch says.

const NEXT = { system: "day", day: "night", night: "system" };
const listeners = [];

function read() {
  try {
    return localStorage.getItem("theme") ?? "system";
  } catch {
    return "system";
  }
}

let chosen = read();
const dark = matchMedia("(prefers-color-scheme: dark)");

export const isNight = () => chosen === "night" || (chosen === "system" && dark.matches);
export const onTheme = (listener) => listeners.push(listener);

function apply(button) {
  document.documentElement.dataset.light = isNight() ? "night" : "day";
  button.textContent = { system: "Light: as system", day: "Light: day", night: "Light: night" }[chosen];
  for (const listener of listeners) listener();
}

export function startTheme(button) {
  button.addEventListener("click", () => {
    chosen = NEXT[chosen];
    try {
      localStorage.setItem("theme", chosen);
    } catch {
      // Kept for this page only.
    }
    apply(button);
  });
  dark.addEventListener("change", () => apply(button));
  apply(button);
}
