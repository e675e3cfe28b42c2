// Making and changing elements. Text goes in as text, never as markup.

export function h(tag, attributes = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const made = document.createElement(name);
  if (classes.length) made.className = classes.join(" ");
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

// Only what differs is touched: a screen reader and a finger on a button both need things to stand still.
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function mark(element, name, value) {
  if (value === null || value === undefined || value === false) {
    if (element.hasAttribute(name)) element.removeAttribute(name);
  } else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
}

export function show(element, yes) {
  if (element.hidden === yes) element.hidden = !yes;
}

export const byId = (id) => document.getElementById(id);

// A button that acts on the plant: Enter alone does nothing, a finger, the mouse or the space bar does.
export function deed(tag, attributes, ...children) {
  const made = h(tag, { type: "button", ...attributes }, ...children);
  made.addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.preventDefault();
  });
  return made;
}

// Rebuild a list only when what it is made from has changed; a button that is being pressed stays the same button.
export function keyed(list, items, keyOf, make, update) {
  const old = new Map([...list.children].map((child) => [child.dataset.key, child]));
  let before = list.firstElementChild;
  for (const item of items) {
    const key = String(keyOf(item));
    let element = old.get(key);
    old.delete(key);
    if (!element) {
      element = make(item);
      element.dataset.key = key;
    }
    if (element === before) before = before.nextElementSibling;
    else list.insertBefore(element, before);
    update(element, item);
  }
  for (const gone of old.values()) gone.remove();
}
