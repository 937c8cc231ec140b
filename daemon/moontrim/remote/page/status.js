// The status that is pinned above every tab: the verdict, or that the values are old, or that a key
// is stuck; and below it whether one may transmit, or who does. Its height never changes.

import { keyed, mayTransmit, stuck } from "./transmitting.js";
import { at, mark, root, say, show } from "./view.js";
import { age, clockSeconds, frontEnd, level, moonDown, sentence, typeset } from "./words.js";

/** @type {Record<string, string>} */
const LINK_WORDS = { connecting: "Connecting", live: "Live", stale: "Stale", offline: "Offline", refused: "Not signed in" };

/**
 * @param {Published.Info} info
 * @param {string} name
 */
export function showRehearsal(info, name) {
  const rehearsal = info.rehearsal === true;
  mark(root, "data-rehearsal", String(rehearsal));
  show("rehearsal", rehearsal);
  const title = `${rehearsal ? "REHEARSAL " : ""}${name} · moontrim`;
  if (document.title !== title) document.title = title;
}

/**
 * @param {import("./connection.js").Quality} quality
 * @param {Published.State | null} state
 */
export function showLink(quality, state) {
  const { name, why, sinceMs, ageMs } = quality;
  say("link-word", LINK_WORDS[name]);
  say("link-age", name === "live" ? `${(ageMs / 1000).toFixed(1)} s` : name === "stale" ? age(ageMs) : "");
  const alarmed = name === "stale" || name === "offline";
  if (alarmed) {
    say("alarm-word", name.toUpperCase());
    say("alarm-since", `since ${clockSeconds(sinceMs)} UTC, ${age(ageMs)}`);
    const transmitting = state && keyed(state) ? "TRANSMITTING, " : "";
    say("alarm-why", why + (state ? ` Last known: ${transmitting}${typeset(state.verdict)}.` : ""));
  }
  show("alarm", alarmed);
}

/** @param {Published.State} state */
export function showStatus(state) {
  const verdict = at("verdict");
  mark(verdict, "data-level", level(state));
  say("tracking", sentence(typeset(state.verdict)));
  say("reason", reasonOf(state));
  showTransmitting(state);
  const outputs = stuck(state);
  say("stuck-why", outputs ? `${outputs}.` : "");
  show("stuck", outputs !== "");
}

/** @param {Published.State} state */
function reasonOf(state) {
  const down = moonDown(state);
  const front = state.front_end_confirmed === false ? `Front end ${frontEnd(state.front_end)} not confirmed` : "";
  return [down, sentence(typeset(state.reason ?? ""))].filter(Boolean).join(". ") || front
    || (state.warnings ?? []).map((text) => sentence(typeset(text))).join(". ");
}

/** @param {Published.State} state */
function showTransmitting(state) {
  const over = keyed(state);
  const may = mayTransmit(state);
  mark(root, "data-keyed", String(over !== null));
  mark(at("tx"), "data-may", over ? "keyed" : may.may);
  say("keyed", over ? over.text : may.may === "yes" ? "Receiving." : "");
  say("may", over ? over.who : may.text);
  say("left", over?.left ?? "");
}
