// Sends the command of a key, says what came of it, and offers to undo it.

import { isLive, link } from "./connection.js";
import { known, merge } from "./store.js";
import { onTap, say, show } from "./view.js";
import { refusal } from "./words.js";

const ANSWER_SHOWN_MS = 5000;
const OUTCOME_SHOWN_MS = 700;
const UNDO_SHOWN_MS = 4800; // the daemon takes a choice back for 5 s
export const SECOND_TAP_FROM_MS = 600; // chosen: an accidental double tap comes earlier
export const SECOND_TAP_TO_MS = 9500; // the token is valid for 10 s

let answerTimer = 0;
let undoTimer = 0;
/** @typedef {{ name: string, body: object }} Undo */
/** @type {Undo | null} */
let takeBack = null;
let changed = () => {};

// call: called after a reply has changed what is known.
/** @param {() => void} call */
export function onChange(call) {
  changed = call;
}

/**
 * @param {string} text
 * @param {boolean} [refused]
 * @param {number} [shownMs]
 */
export function answer(text, refused = false, shownMs = ANSWER_SHOWN_MS) {
  clearTimeout(answerTimer);
  say(refused ? "answer" : "refusal", "");
  say(refused ? "refusal" : "answer", text);
  show("told", text !== "");
  if (text) answerTimer = window.setTimeout(answer, shownMs, "");
}

// Sends a command; the key looks busy at once, then done or refused with the reason. undo: the
// command that takes it back, {name, body}, offered for a while. Returns the reply, or null if nothing
// was sent.
/**
 * @param {HTMLElement} key
 * @param {string} name
 * @param {object} body
 * @param {string} doneText
 * @param {Undo | null} [undo]
 */
export async function act(key, name, body, doneText, undo = null) {
  if (!isLive()) {
    answer("Not sent: no live connection to the daemon.", true);
    return null;
  }
  if (busy(key)) return null;
  key.setAttribute("aria-busy", "true");
  noUndo();
  const reply = await link.command(name, body);
  key.removeAttribute("aria-busy");
  if (reply.error?.code === "confirm") return reply;
  key.dataset.outcome = reply.ok ? "done" : "refused";
  setTimeout(() => delete key.dataset.outcome, OUTCOME_SHOWN_MS);
  if (reply.ok) {
    take(reply.result);
    answer(reply.saved === false ? `${doneText} Not saved: ${reply.unsaved}.` : doneText, reply.saved === false);
    if (undo && (undo.name !== "undo" || known.info?.commands?.includes("undo"))) offer(undo);
  } else if (reply.error) {
    answer(refusal(reply.error), true);
  }
  return reply;
}

export const UNDO = { name: "undo", body: {} };

/** @param {HTMLElement} key */
export function busy(key) {
  return key.getAttribute("aria-busy") === "true";
}

/** @param {Record<string, any>} [result] */
export function take(result) {
  merge(result);
  changed();
}

/** @param {Undo} undo */
function offer(undo) {
  takeBack = undo;
  show("undo", true);
  undoTimer = window.setTimeout(noUndo, UNDO_SHOWN_MS);
}

export function noUndo() {
  clearTimeout(undoTimer);
  takeBack = null;
  show("undo", false);
}

onTap("undo", (key) => {
  if (takeBack) act(key, takeBack.name, takeBack.body, "Undone.");
});

// What takes two taps on the same key, the second neither too soon nor too late. Returns whether this
// is the second one; the first one asks.
/** @type {WeakMap<HTMLElement, number>} */
const firstTaps = new WeakMap(); // when
/**
 * @param {HTMLElement} key
 * @param {string} question
 */
export function tappedTwice(key, question) {
  const since = performance.now() - (firstTaps.get(key) ?? -Infinity);
  if (since < SECOND_TAP_FROM_MS) return false;
  firstTaps.delete(key);
  delete key.dataset.step;
  if (since < SECOND_TAP_TO_MS) return true;
  firstTaps.set(key, performance.now());
  key.dataset.step = "confirm";
  setTimeout(() => delete key.dataset.step, SECOND_TAP_TO_MS);
  answer(question, false, SECOND_TAP_TO_MS);
  return false;
}
