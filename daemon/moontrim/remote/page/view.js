// The elements of the page: finds, writes, shows and makes them. Knows nothing of what they mean.

export const root = document.documentElement;

/**
 * @param {string} id
 * @returns {HTMLElement}
 */
export function at(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`no ${id}`);
  return found;
}

/** @param {string} id */
export function input(id) {
  return /** @type {HTMLInputElement} */ (at(id));
}

// Writes only what differs: a live region is read out when its text is written, even the same text.
/**
 * @param {string} id
 * @param {string} text
 */
export function say(id, text) {
  const node = at(id);
  if (node.textContent !== text) node.textContent = text;
}

/**
 * @param {string} id
 * @param {boolean} shown
 */
export function show(id, shown) {
  if (at(id).hidden === shown) at(id).hidden = !shown;
}

/**
 * @param {Element} node
 * @param {string} name
 * @param {string} value
 */
export function mark(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

/**
 * @param {string} id
 * @param {(key: HTMLElement) => void} call
 */
export function onTap(id, call) {
  at(id).addEventListener("click", () => call(at(id)));
}

// An element with a text; text content only, so that nothing in a text becomes markup.
/**
 * @param {string} tag
 * @param {string} [text]
 * @param {string} [className]
 */
export function element(tag, text = "", className = "") {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text) made.textContent = text;
  return made;
}

// A key that calls with itself.
/**
 * @param {(key: HTMLElement) => void} call
 * @param {...(string | HTMLElement)} content
 */
export function key(call, ...content) {
  const made = element("button", "", "key");
  made.setAttribute("type", "button");
  made.append(...content);
  made.addEventListener("click", () => call(made));
  return made;
}

// Makes the children of a list anew where their values differ from those it shows. values: anything
// that JSON can hold; make: from one value to an element.
/**
 * @template T
 * @param {string} id
 * @param {T[]} values
 * @param {(value: T, index: number) => HTMLElement} make
 */
export function fill(id, values, make) {
  const list = at(id);
  const shown = JSON.stringify(values);
  if (list.dataset.shown === shown) return;
  list.dataset.shown = shown;
  list.replaceChildren(...values.map(make));
}

// The elements in an element.
/**
 * @param {string} id
 * @returns {HTMLElement[]}
 */
export function within(id) {
  return [...at(id).children].map((one) => /** @type {HTMLElement} */ (one));
}

/**
 * @param {string} selector
 * @returns {HTMLElement[]}
 */
export function keys(selector) {
  return [...document.querySelectorAll(selector)].map((one) => /** @type {HTMLElement} */ (one));
}
