// The last minutes or hours: what was asked as steps, what was fed as a line, gaps where nothing was known.

import uPlot from "./vendor/uplot/uPlot.esm.js";
import { get } from "./api.js";
import { h, put } from "./dom.js";
import { doseScale, fixed, inUnit, unitWords } from "./units.js";

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function linesOf(kind, display, basis) {
  const [factor, doseUnit] = doseScale(basis, display);
  const rate = (column) => (column ?? []).map((value) => inUnit(value, display.feed));
  const share = (column) => (column ?? []).map((value) => (value === null ? null : factor * value));
  return {
    feed: {
      title: "Rubber fed against setpoint",
      unit: display.feed,
      lines: [
        { name: "Setpoint (steps)", of: (c) => rate(c.setpoint_kg_s), step: true },
        { name: "Fed", of: (c) => rate(c.fed_kg_s) },
      ],
    },
    dose: {
      title: "Rubber made against target",
      unit: doseUnit,
      lines: [
        { name: "Target (steps)", of: (c) => share(c.target_fraction), step: true },
        { name: "Made, tolerance window", of: (c) => share(c.window_dose_fraction) },
      ],
    },
    mix: {
      title: "Mix rate",
      unit: display.mix,
      lines: [{ name: "Mix", of: (c) => (c.mix_rate_kg_s ?? []).map((v) => inUnit(v, display.mix)) }],
    },
    hopper: {
      title: "Weigh hopper",
      unit: display.mass,
      lines: [{ name: "Content", of: (c) => (c.hopper_kg ?? []).map((v) => inUnit(v, display.mass)) }],
    },
  }[kind];
}

// A sample of the line, so that words and drawing belong together without colour.
function sample(line) {
  return h(`span.sample${line.step ? ".step" : ".solid"}`, { "aria-hidden": "true" });
}

class Chart {
  constructor(kind) {
    this.kind = kind;
    this.caption = h("figcaption");
    this.host = h("div.plot");
    this.element = h("figure.chart", {}, this.caption, this.host);
    this.plot = null;
  }

  draw(columns, options) {
    const spec = linesOf(this.kind, options.display, options.basis);
    const data = [columns.t_s ?? [], ...spec.lines.map((line) => line.of(columns))];
    this.caption.replaceChildren(
      h("b", {}, `${spec.title}, ${unitWords(spec.unit)}`),
      " ",
      ...spec.lines.map((line, index) => h("span.keyed", {}, sample(line), `${line.name}${last(data[index + 1])}`)),
    );
    const [width, height] = [this.host.clientWidth, this.host.clientHeight];
    if (width < 40 || height < 40) return;
    this.plot?.destroy();
    this.host.replaceChildren();
    this.plot = new uPlot(settings(spec, width, height, options), data, this.host);
    this.host.firstElementChild?.setAttribute("aria-hidden", "true");
  }
}

function last(values) {
  for (let index = values.length - 1; index >= 0; index -= 1) {
    if (values[index] !== null && values[index] !== undefined) return ` ${fixed(values[index], 2)}`;
  }
  return " ---";
}

function settings(spec, width, height, options) {
  const [ink, faint, asked, fed] = ["--muted", "--line", "--asked", "--fed"].map(css);
  const font = `13px ${css("--font")}`;
  const axis = { stroke: ink, font, grid: { stroke: faint, width: 1 }, ticks: { stroke: faint, width: 1 } };
  const zone = options.zone;
  return {
    width,
    height,
    legend: { show: false },
    cursor: { drag: { x: false, y: false } },
    tzDate: (at) => (zone ? uPlot.tzDate(new Date(at * 1000), zone) : new Date(at * 1000)),
    scales: { x: { time: true }, y: { range: (_plot, low, high) => frame(low, high) } },
    axes: [
      { ...axis, size: 30, values: (_plot, splits) => splits.map((at) => clock(at, zone, options.minutes)) },
      { ...axis, size: 58 },
    ],
    series: [
      {},
      ...spec.lines.map((line) => ({
        label: line.name,
        stroke: line.step ? asked : fed,
        width: line.step ? 1.5 : 2.5,
        dash: line.step ? [7, 4] : undefined,
        spanGaps: false,
        points: { show: false },
        paths: line.step ? uPlot.paths.stepped({ align: 1 }) : undefined,
      })),
    ],
  };
}

// Little noise must not fill the picture: the axis spans at least a tenth of what it shows.
function frame(low, high) {
  if (low === null || high === null) return [0, 1];
  const middle = (low + high) / 2;
  const half = Math.max((high - low) * 0.6, Math.abs(middle) * 0.05, 0.05);
  return [low >= 0 ? Math.max(0, middle - half) : middle - half, middle + half];
}

const clock = (at, zone, minutes) =>
  new Intl.DateTimeFormat("en-GB", {
    hour: "2-digit",
    minute: "2-digit",
    second: minutes <= 1 ? "2-digit" : undefined,
    timeZone: zone || "UTC",
  }).format(new Date(at * 1000));

export class Trend {
  constructor(host, kinds) {
    this.charts = kinds.map((kind) => new Chart(kind));
    host.append(...this.charts.map((chart) => chart.element));
    this.host = host;
    this.columns = null;
    this.options = null;
    this.said = h("p.trend-fault", { role: "status" });
    host.append(this.said);
    new ResizeObserver(() => this.redraw()).observe(host);
  }

  async load(minutes, options) {
    if (this.loading || this.host.offsetParent === null) return;
    this.loading = true;
    try {
      const body = await get(`trend?minutes=${minutes}`);
      this.columns = body.columns;
      this.options = options;
      put(this.said, body.columns.t_s.length ? "" : "Nothing is recorded for this time yet.");
      this.redraw();
    } catch (fault) {
      put(this.said, `The trend could not be read: ${fault.message}`);
    } finally {
      this.loading = false;
    }
  }

  redraw() {
    if (this.columns && this.host.offsetParent !== null)
      this.charts.forEach((chart) => chart.draw(this.columns, this.options));
  }
}
