// Requests to the desk. A refusal is a value with words that a person can act on; nothing here throws for one.

const ANSWER_MS = 12000;
export const session = { who: null, role: "", token: "", must_change_password: false };

export class Refusal extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

function words(body, status) {
  const error = body?.error;
  if (error) return [error.found, error.remedy].filter(Boolean).join(": ");
  return body?.why || `the desk answered ${status}`;
}

async function ask(method, path, body) {
  const headers = { Accept: "application/json" };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  if (method !== "GET" && session.token) headers["X-Crumbmeter-Token"] = session.token;
  let answer;
  try {
    answer = await fetch(`/api/v1/${path}`, {
      method,
      headers,
      body: body === undefined ? undefined : JSON.stringify(body),
      signal: AbortSignal.timeout(ANSWER_MS),
      credentials: "same-origin",
      cache: "no-store",
    });
  } catch {
    throw new Refusal(0, "No answer from the desk");
  }
  const text = await answer.text();
  let read = null;
  try {
    read = text ? JSON.parse(text) : null;
  } catch {
    read = null;
  }
  if (!answer.ok) {
    const wait = answer.headers.get("Retry-After");
    throw new Refusal(answer.status, words(read, answer.status) + (wait ? ` (again in ${wait} s)` : ""));
  }
  return read;
}

export const get = (path) => ask("GET", path);
export const post = (path, body) => ask("POST", path, body);
export const remove = (path) => ask("DELETE", path);

function take(body) {
  Object.assign(session, { who: null, role: "", token: "", must_change_password: false }, body);
  return session;
}

export const whoAmI = async () => take(await get("session"));
export const logIn = async (name, password) => take(await post("session", { name, password }));
export async function logOut() {
  await remove("session");
  take({});
}
export const forget = () => take({});

// The same id is never carried out twice, so that a request may be sent again when its answer was lost.
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
