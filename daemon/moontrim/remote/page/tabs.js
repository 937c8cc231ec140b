// The tabs: one shown at a time, always from its top, so that its keys are where they were.

import { at, mark } from "./view.js";

const NAMES = ["now", "skeds", "tonight", "log", "setup"];

/** @param {(name: string) => void} shown called with the name of a tab after it has been opened */
export function tabs(shown) {
  /** @param {string} name */
  const open = (name) => {
    for (const one of NAMES) {
      mark(at(`tab-${one}`), "aria-selected", String(one === name));
      at(`tab-${one}`).tabIndex = one === name ? 0 : -1;
      at(`panel-${one}`).hidden = one !== name;
    }
    window.scrollTo(0, 0);
    shown(name);
  };
  for (const [index, name] of NAMES.entries()) {
    at(`tab-${name}`).addEventListener("click", () => open(name));
    at(`tab-${name}`).addEventListener("keydown", (event) => {
      /** @type {Record<string, number | undefined>} */
      const ways = { ArrowRight: index + 1, ArrowLeft: index - 1, Home: 0, End: NAMES.length - 1 };
      const to = ways[event.key];
      if (to === undefined) return;
      event.preventDefault();
      const next = NAMES[(to + NAMES.length) % NAMES.length];
      open(next);
      at(`tab-${next}`).focus();
    });
  }
  open(NAMES[0]);
  return open;
}
