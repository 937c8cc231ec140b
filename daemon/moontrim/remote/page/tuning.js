// The keys that move the sked frequency and the trims, the typed frequency, and re-reading the dials.

import { SECOND_TAP_FROM_MS, SECOND_TAP_TO_MS, act, answer, busy } from "./actions.js";
import { typedFrequency } from "./entry.js";
import { aim, known, presentBand, target } from "./store.js";
import { at, input, keys, onTap, say } from "./view.js";
import { hertz, signedShort } from "./words.js";

/**
 * @param {HTMLElement} key
 * @param {import("./store.js").Field} field
 * @param {number} hz
 * @param {string} name of the command
 * @param {object} body
 * @param {string} doneText
 * @param {import("./actions.js").Undo | null} [undo]
 */
async function moveTo(key, field, hz, name, body, doneText, undo = null) {
  const accepted = aim(field, hz);
  const reply = await act(key, name, withToken(field, hz, body), doneText, undo);
  if (reply?.error?.code === "confirm") askBack(field, hz, reply.error);
  accepted(reply?.ok === true);
  return reply;
}

// A large trim is asked back: the same key once more, within the token's ten seconds, confirms it.
/** @type {{ field: string, hz: number, token: string | null, since: number } | null} */
let askedBack = null;

/**
 * @param {string} field
 * @param {number} hz
 * @param {object} body
 */
function withToken(field, hz, body) {
  const back = askedBack;
  askedBack = null;
  if (!back) return body;
  const since = performance.now() - back.since;
  const confirms = SECOND_TAP_FROM_MS <= since && since < SECOND_TAP_TO_MS && back.field === field && back.hz === hz;
  return confirms ? { ...body, confirm: back.token } : body;
}

/**
 * @param {string} field
 * @param {number} hz
 * @param {{ confirm_token: string | null }} error
 */
function askBack(field, hz, error) {
  askedBack = { field, hz, token: error.confirm_token, since: performance.now() };
  answer(`Trim ${signedShort(hz)} Hz is more than 1 kHz. Tap again to confirm.`, true);
}

for (const key of keys("[data-nudge]")) {
  key.addEventListener("click", () => {
    if (!known.state || busy(key)) return;
    const hz = target("sked_hz", known.state) + Number(key.dataset.nudge);
    moveTo(key, "sked_hz", hz, "frequency", { hz }, `Sked frequency is now ${hertz(hz)}.`);
  });
}

for (const key of keys("[data-trim]")) {
  key.addEventListener("click", () => {
    if (!known.state || busy(key)) return;
    const which = key.dataset.trim === "rx" ? "rx" : "tx";
    const field = /** @type {const} */ (`${which}_trim_hz`);
    const by = Number(key.dataset.by);
    const before = target(field, known.state);
    const hz = by === 0 ? 0 : Math.round((before + by) * 1000) / 1000;
    const name = which === "rx" ? "Receive" : "Transmit";
    const undo = by === 0 && before !== 0 ? { name: "trim", body: { [`${which}_hz`]: before } } : null;
    moveTo(key, field, hz, "trim", { [`${which}_hz`]: hz }, `${name} trim is now ${signedShort(hz)} Hz.`, undo);
  });
}

onTap("readback", (key) => act(key, "readback", {}, "Re-reading the radio."));

function typed() {
  const band = presentBand();
  const range = band ? { low_hz: band.tx_low_hz, high_hz: band.tx_high_hz } : null;
  return typedFrequency(input("frequency-text").value, known.state?.sked_hz ?? null, range);
}

function sayMeant() {
  const text = input("frequency-text").value;
  const { hz, problem } = typed();
  say("frequency-meant", text.trim() === "" ? "MHz, kHz, Hz, or a step: +15k" : problem ? `Not sent: ${problem}` : `= ${hertz(hz)}`);
  at("frequency-meant").classList.toggle("refusal", text.trim() !== "" && problem !== undefined);
}
at("frequency-text").addEventListener("input", sayMeant);

at("frequency-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { hz, problem } = typed();
  if (hz === undefined) {
    answer(`Not sent: ${problem}.`, true);
    return;
  }
  const undo = { name: "frequency", body: { hz: known.state?.sked_hz } };
  const reply = await moveTo(at("frequency-set"), "sked_hz", hz, "frequency", { hz }, `Sked frequency is now ${hertz(hz)}.`, undo);
  if (!reply?.ok) return;
  input("frequency-text").value = "";
  at("frequency-text").blur();
  sayMeant();
});
