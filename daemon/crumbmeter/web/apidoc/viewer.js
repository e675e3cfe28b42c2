// Shows the API's own document. Everything is made as text nodes; nothing of the document becomes markup.

const METHODS = ["get", "post", "put", "patch", "delete"];

function made(tag, text, attributes = {}) {
  const node = document.createElement(tag);
  if (text) node.textContent = text;
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
}

const nameOf = (ref) => ref.split("/").pop();

// A schema in a few words, with links to the models that it names.
function words(schema) {
  const span = made("span");
  if (!schema || Object.keys(schema).length === 0) {
    span.append("anything");
  } else if (schema.$ref) {
    const link = made("a", nameOf(schema.$ref), { href: `#model-${nameOf(schema.$ref)}` });
    span.append(link);
  } else if (schema.anyOf || schema.oneOf) {
    (schema.anyOf ?? schema.oneOf).forEach((one, at) => span.append(at ? " or " : "", words(one)));
  } else if (schema.type === "array") {
    span.append("list of ", words(schema.items));
  } else if (schema.enum) {
    span.append(schema.enum.map((one) => JSON.stringify(one)).join(", "));
  } else if (schema.const !== undefined) {
    span.append(JSON.stringify(schema.const));
  } else if (schema.type === "object" && schema.additionalProperties && schema.additionalProperties !== true) {
    span.append("by name: ", words(schema.additionalProperties));
  } else {
    span.append(schema.type ?? "anything");
  }
  const limits = [["minimum", "≥"], ["exclusiveMinimum", ">"], ["maximum", "≤"], ["minLength", "length ≥"], ["maxLength", "length ≤"], ["pattern", "pattern"]]
    .filter(([key]) => schema?.[key] !== undefined)
    .map(([key, sign]) => `${sign} ${schema[key]}`);
  if (limits.length) span.append(` (${limits.join(", ")})`);
  return span;
}

function table(heads, rows) {
  const wide = made("div", "", { class: "wide", tabindex: "0" });
  const grid = made("table");
  const head = made("tr");
  heads.forEach((text) => head.append(made("th", text, { scope: "col" })));
  grid.append(head);
  for (const row of rows) {
    const line = made("tr");
    row.forEach((cell) => {
      const box = made("td");
      box.append(cell ?? "");
      line.append(box);
    });
    grid.append(line);
  }
  wide.append(grid);
  return wide;
}

const jsonOf = (content) => content?.["application/json"]?.schema;

function who(operation) {
  const role = operation["x-crumbmeter-role"] ?? "nobody";
  const needs = { nobody: "Anybody.", any: "Anybody who is logged in." }[role] ?? `Role ${role}.`;
  return needs + (operation["x-crumbmeter-changes"] ? " Changes something: needs the header X-Crumbmeter-Token." : "");
}

function operationNodes(path, method, operation) {
  const nodes = [made("h3")];
  nodes[0].append(made("span", method.toUpperCase(), { class: "method" }), path);
  nodes.push(made("p", operation.description ?? operation.summary), made("p", who(operation), { class: "who" }));
  const parameters = (operation.parameters ?? []).filter((one) => ["path", "query"].includes(one.in));
  if (parameters.length) {
    const rows = parameters.map((one) => [made("code", one.name), one.in, words(one.schema), one.description]);
    nodes.push(table(["parameter", "in", "what", "says"], rows));
  }
  const body = jsonOf(operation.requestBody?.content);
  if (body) {
    const line = made("p", "Body: ");
    line.append(words(body));
    nodes.push(line);
  }
  const answers = Object.entries(operation.responses ?? {}).map(([code, answer]) => {
    const kind = Object.keys(answer.content ?? {})[0];
    const schema = jsonOf(answer.content);
    return [code, schema ? words(schema) : kind ?? "nothing", answer.description];
  });
  nodes.push(table(["answer", "what", "says"], answers));
  return nodes;
}

function modelNodes(name, model) {
  const nodes = [made("h3", name, { id: `model-${name}` })];
  if (model.description) nodes.push(made("p", model.description));
  if (!model.properties) {
    const line = made("p");
    line.append(words(model));
    return [...nodes, line];
  }
  const rows = Object.entries(model.properties).map(([key, schema]) => {
    const must = model.required?.includes(key) ? "always" : "optional";
    return [made("code", key), words(schema), must, schema.description];
  });
  nodes.push(table(["key", "what", "there", "says"], rows));
  return nodes;
}

function show(page, api) {
  page.replaceChildren(made("h1", `${api.info.title} ${api.info.version}`), made("p", api.info.description));
  const source = made("p", "The document itself: ");
  source.append(made("a", "/api/openapi.json", { href: "/api/openapi.json" }));
  page.append(source);
  const groups = new Map();
  for (const [path, methods] of Object.entries(api.paths)) {
    for (const method of METHODS.filter((one) => methods[one])) {
      const tag = methods[method].tags?.[0] ?? "other";
      groups.set(tag, [...(groups.get(tag) ?? []), ...operationNodes(path, method, methods[method])]);
    }
  }
  for (const [tag, nodes] of groups) page.append(made("h2", tag), ...nodes);
  page.append(made("h2", "models"));
  for (const [name, model] of Object.entries(api.components.schemas)) page.append(...modelNodes(name, model));
  page.removeAttribute("aria-busy");
  if (location.hash) document.getElementById(location.hash.slice(1))?.scrollIntoView();
}

const page = document.getElementById("page");
try {
  const answer = await fetch("/api/openapi.json");
  if (!answer.ok) throw new Error(`the desk answered ${answer.status}`);
  show(page, await answer.json());
} catch (fault) {
  page.append(made("p", `The document cannot be read: ${fault.message}. Is the desk running? Load the page again.`, { role: "alert" }));
  page.removeAttribute("aria-busy");
}
