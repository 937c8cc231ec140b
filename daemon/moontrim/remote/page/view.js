// The elements of the page: finds, writes, shows and makes them. Knows nothing of what they mean.

export const root = document.documentElement;

export const at = (id) => document.getElementById(id);

// Writes only what differs: a live region is read out when its text is written, even the same text.
export function say(id, text) {
  const node = at(id);
  if (node.textContent !== text) node.textContent = text;
}

export function show(id, shown) {
  if (at(id).hidden === shown) at(id).hidden = !shown;
}

export function mark(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

export function onTap(id, call) {
  at(id).addEventListener("click", () => call(at(id)));
}

// An element with a text; text content only, so that nothing in a text becomes markup.
export function element(tag, text = "", className = "") {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text) made.textContent = text;
  return made;
}

// A key that calls with itself.
export function key(call, ...content) {
  const made = element("button", "", "key");
  made.type = "button";
  made.append(...content);
  made.addEventListener("click", () => call(made));
  return made;
}

// Makes the children of a list anew where their values differ from those it shows. values: anything
// that JSON can hold; make: from one value to an element.
export function fill(id, values, make) {
  const list = at(id);
  const shown = JSON.stringify(values);
  if (list.dataset.shown === shown) return false;
  list.dataset.shown = shown;
  list.replaceChildren(...values.map(make));
  return true;
}
