// Shows a document of the desk: facts, tables, charts, texts, signatures. It adds nothing to its content.

import uPlot from "./vendor/uplot/uPlot.esm.js";
import { h } from "./dom.js";

const spoken = (unit) => unit.replaceAll("_", " ");
const unitOf = (unit) => (unit ? ` [${spoken(unit)}]` : "");
const MOMENT = /^(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)(\.\d+)?(Z|[+-]\d\d:\d\d)$/;

// Times with a space and their offset, as on paper; all else as it came.
function word(value) {
  if (value === null) return "";
  if (typeof value === "boolean") return value ? "yes" : "no";
  return String(value).replace(MOMENT, "$1 $2$4");
}

function cell(tag, value, link) {
  const text = word(value);
  const whole = typeof value === "string" && (value.length < 16 || MOMENT.test(value));
  const made = h(typeof value === "number" ? `${tag}.num` : whole ? `${tag}.whole` : tag, {});
  const target = typeof value === "string" ? link(value) : null;
  made.append(target ? h("a", { href: target }, text) : text);
  return made;
}

function table(block, link) {
  const heads = block.columns.map((column) => h("th", { scope: "col" }, column.name + unitOf(column.unit)));
  const rows = block.rows.map((row) => h("tr", {}, row.map((value) => cell("td", value, link))));
  const total = block.total ? h("tfoot", {}, h("tr", {}, block.total.map((value) => cell("td", value, link)))) : null;
  return h(
    "section",
    {},
    block.title ? h("h3", {}, block.title) : null,
    rows.length || total
      ? h(
          "div.tablewrap",
          { tabindex: "0", role: "region", "aria-label": block.title || "Table" },
          h("table", {}, h("thead", {}, h("tr", {}, heads)), h("tbody", {}, rows), total),
        )
      : h("p.calm", {}, "None."),
    block.note ? h("p.note", {}, block.note) : null,
  );
}

function facts(block) {
  const lines = block.facts.flatMap((fact) => [
    h("dt", {}, fact.label),
    h("dd", {}, fact.value === null ? "not known" : `${word(fact.value)}${fact.unit ? ` ${spoken(fact.unit)}` : ""}`),
  ]);
  return h("section", {}, block.title ? h("h3", {}, block.title) : null, h("dl", {}, lines));
}

const seconds = (x) => (typeof x === "string" ? Date.parse(x) / 1000 : x);

function chart(block) {
  const named = block.series.map((one) => one.name).join(", ");
  const held = h("div.qchart", { role: "img", "aria-label": `${block.title}: ${named}` });
  const xs = [...new Set(block.series.flatMap((one) => one.x.map(seconds)))].sort((a, b) => a - b);
  const inTime = block.series.some((one) => typeof one.x[0] === "string");
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink");
  const muted = getComputedStyle(document.documentElement).getPropertyValue("--edge");
  const axis = { stroke: ink, grid: { stroke: muted, width: 0.3 } };
  const lines = block.series.map((one) => {
    const at = new Map(one.x.map((x, place) => [seconds(x), one.y[place]]));
    return xs.map((x) => at.get(x) ?? null);
  });
  const limits = block.limits.map((one) => xs.map(() => one.y));
  const options = {
    width: 900,
    height: 280,
    scales: { x: { time: inTime } },
    axes: [
      { ...axis, label: block.x },
      { ...axis, label: block.y },
    ],
    series: [
      { label: block.x },
      ...block.series.map((one) => ({
        label: one.name,
        stroke: ink,
        width: one.drawn === "points" ? 0 : 1.5,
        paths: one.drawn === "step" ? uPlot.paths.stepped({ align: 1 }) : undefined,
        points: { show: one.drawn === "points" || one.x.length < 60, size: 5 },
        spanGaps: true,
      })),
      ...block.limits.map((one) => ({
        label: one.name,
        stroke: muted,
        dash: one.centre ? [] : [8, 5],
        points: { show: false },
      })),
    ],
  };
  const section = h("section", {}, h("h3", {}, block.title), held, block.note ? h("p.note", {}, block.note) : null);
  queueMicrotask(() => {
    options.width = Math.max(280, held.clientWidth - 18);
    new uPlot(options, [xs, ...lines, ...limits], held);
  });
  return section;
}

function text(block) {
  return h("section", {}, block.title ? h("h3", {}, block.title) : null, h("p", {}, block.words));
}

function signature(block) {
  const signed = block.recorded.map((one) => h("p.signed", {}, h("strong", {}, one.who), ` ${one.what}`));
  return h("section", {}, signed.length ? signed : h("p.calm", {}, `To be signed: ${block.roles.join(", ")}.`));
}

const BLOCKS = { table, facts, chart, text, signature };

// `link` says for a text of a table where it leads, or null.
export function documentElement(content, link) {
  const identity = content.identity.flatMap((one) => [h("dt", {}, one.label), h("dd", {}, one.text)]);
  return h(
    "article.doc",
    {},
    h("h2", {}, content.title),
    h("p", {}, [content.site, content.period].filter(Boolean).join(", ")),
    content.marks.length ? h("p.stamp", {}, content.marks.join(" · ")) : null,
    content.blocks.map((block) => BLOCKS[block.block](block, link)),
    h("details.identity", {}, h("summary", {}, "What it rests on"), h("dl", {}, identity)),
  );
}
