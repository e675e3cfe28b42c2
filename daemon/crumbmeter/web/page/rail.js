// How far the feed is off its setpoint: a slider on a rail whose middle is the target, with the feed's uncertainty.

import { h, mark } from "./dom.js";
import { isKnown } from "./units.js";

const NS = "http://www.w3.org/2000/svg";
const REACH = 0.1;
const WIDTH = 400;

function svg(tag, attributes, ...children) {
  const made = document.createElementNS(NS, tag);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

const at = (share) => WIDTH / 2 + (Math.max(-REACH, Math.min(REACH, share)) / REACH) * (WIDTH / 2 - 24);

export class Rail {
  constructor() {
    const ticks = [-0.1, -0.05, 0, 0.05, 0.1].map((share) => {
      const text = svg("text", { x: at(share), y: 46, class: "rail-text" });
      text.textContent = share === 0 ? "target" : `${share > 0 ? "+" : ""}${share * 100} %`;
      return svg("g", {}, svg("line", { x1: at(share), x2: at(share), y1: 10, y2: 32, class: "rail-tick" }), text);
    });
    this.whisker = svg("rect", { y: 14, height: 14, class: "rail-spread" });
    this.slider = svg("path", { d: "M0 4 L9 -6 H-9 Z M0 18 L9 28 H-9 Z", class: "rail-slider" });
    this.picture = svg(
      "svg",
      { viewBox: `0 0 ${WIDTH} 52`, class: "rail", role: "img" },
      svg("line", { x1: 8, x2: WIDTH - 8, y1: 21, y2: 21, class: "rail-line" }),
      this.whisker,
      ...ticks,
      this.slider,
    );
    this.element = h("div.railbox", {}, this.picture);
  }

  render(view) {
    const off = view.feed_error_fraction;
    const known = isKnown(off) && view.fed_kg_s.value !== null;
    this.slider.classList.toggle("gone", !known);
    this.whisker.classList.toggle("gone", !known);
    if (!known) {
      mark(this.picture, "aria-label", "Off target: not known");
      return;
    }
    const spread = (2 * (view.fed_uncertainty_kg_s ?? 0)) / Math.max(view.setpoint_kg_s ?? 0, 1e-6);
    mark(this.slider, "transform", `translate(${at(off).toFixed(1)} 10)`);
    mark(this.whisker, "x", at(off - spread).toFixed(1));
    mark(this.whisker, "width", Math.max(2, at(off + spread) - at(off - spread)).toFixed(1));
    mark(this.picture, "aria-label", `Off target by ${(off * 100).toFixed(1)} percent`);
  }
}
