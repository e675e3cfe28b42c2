// The page of quality control: a question, a period, the answer as a document; and what people say for the record.

import { Refusal, get, session, whoAmI } from "./api.js";
import { documentElement } from "./documents.js";
import { byId, h, put, show } from "./dom.js";
import { sayings } from "./sayings.js";
import { startTheme } from "./theme.js";

let about = null; // what the desk says of its questions, its calendar and its forms

const KINDS = [
  [/^D\d+-[a-z]+$/, "deviation"],
  [/^ticket (.+)$/, "truck"],
  [/^lot (.+)$/, "lot"],
  [/^calibration (\d+)$/, "certificate"],
];

// Where a text in a table leads: a deviation, a ticket, a bag lot.
function link(text) {
  for (const [pattern, question] of KINDS) {
    const found = pattern.exec(text);
    if (found) return `#${question}/${encodeURIComponent(found[1] ?? text)}`;
  }
  return null;
}

function asked() {
  const [question, ...rest] = location.hash.slice(1).split("/");
  const known = about.questions.find((one) => one.name === question);
  return { question: known ?? about.questions[0], subject: decodeURIComponent(rest.join("/")) };
}

function query(subject, more = {}) {
  const given = { from: byId("from").value, to: byId("to").value, about: subject, ...more };
  return new URLSearchParams(Object.entries(given).filter(([, value]) => value)).toString();
}

async function answer() {
  const { question, subject } = asked();
  for (const item of byId("questions").children) {
    if (item.dataset.name === (question.under || question.name)) item.setAttribute("aria-current", "page");
    else item.removeAttribute("aria-current");
  }
  put(byId("fault"), "");
  put(byId("told"), `Reading ${question.title.toLowerCase()}…`);
  try {
    const content = await get(`quality/answers/${question.name}?${query(subject)}`);
    byId("answer").replaceChildren(documentElement(content, link));
    put(byId("told"), "");
  } catch (refused) {
    if (!(refused instanceof Refusal)) throw refused;
    byId("answer").replaceChildren();
    put(byId("told"), "");
    put(byId("fault"), refused.message);
  }
  const links = question.files.map((format) => {
    const href = `/api/v1/quality/files/${question.name}.${format}?${query(subject)}`;
    return h("a", { href, download: "" }, format.toUpperCase());
  });
  byId("file-links").replaceChildren(...links);
  show(byId("files"), links.length > 0);
  sayings(about, question, subject, { said: answer });
}

function startQuestions() {
  const items = about.questions.filter((one) => !one.under);
  byId("questions").replaceChildren(
    ...items.map((one) => h("a", { href: `#${one.name}`, "data-name": one.name }, one.title)),
  );
  byId("from").value = about.today;
  byId("to").value = about.today;
  put(byId("zone"), `Production days in ${about.zone}`);
  byId("period").addEventListener("submit", (event) => {
    event.preventDefault();
    answer();
  });
  for (const id of ["period", "questions"]) show(byId(id), true);
  addEventListener("hashchange", () => {
    byId("main").focus({ preventScroll: true });
    scrollTo(0, 0);
    answer();
  });
}

async function start() {
  startTheme(byId("theme"));
  try {
    await whoAmI();
    if (!session.who) {
      put(byId("told"), "Log in at the operator's page first.");
      return;
    }
    put(byId("who"), `${session.who}, ${session.role}`);
    about = await get("quality");
    startQuestions();
    await answer();
  } catch (refused) {
    if (!(refused instanceof Refusal)) throw refused;
    put(byId("told"), "");
    put(byId("fault"), refused.message);
  }
}

start();

