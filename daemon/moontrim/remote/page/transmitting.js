// What a state says of transmitting, as short texts. Pure. A field that a state lacks is unknown, and
// what is unknown is never shown as good.

import { countdown, sentence, typeset } from "./words.js";

const INHIBITED = "transmit is inhibited"; // as `keying.interlocks` has it
const NO_KEYING = "keying is not set up: the radio is keyed by other means"; // as `app.standing`

// Whether there may be RF now, and whose: {text, who, left}; null if the station receives.
/**
 * @param {Published.State} state
 * @returns {{ text: string, who: string, left: string } | null}
 */
export function keyed(state) {
  const { state: phase = "released", who = "", over_left_s: left } = state.keying ?? {};
  if (!state.transmitting && phase === "released") return null;
  return {
    text: state.transmitting || phase === "keyed" ? "TRANSMITTING" : phase.toUpperCase(),
    who: phase === "released" ? "not keyed by moontrim" : who ? `keyed by ${typeset(who)}` : "keyed by moontrim",
    left: typeof left === "number" ? `${countdown(left)} left` : "",
  };
}

// Every standing reason against transmitting but the operator's own.
/** @param {Published.State} state */
export function interlocks(state) {
  const reasons = state.keying?.interlocks ?? (state.interlock ? [state.interlock] : []);
  return reasons.filter((reason) => reason !== INHIBITED);
}

// May one transmit: {may: "yes", "no" or "unknown", text}. One reason, without its details, and how many
// more there are: the tab "Now" has them all.
/**
 * @param {Published.State} state
 * @returns {{ may: "yes" | "no" | "unknown", text: string }}
 */
export function mayTransmit(state) {
  // Without keying of ours the operator keys by hand, and nothing is checked.
  const [first, ...more] = interlocks(state).filter((reason) => reason !== NO_KEYING);
  const list = first ? typeset(first.split(": ")[0]) + (more.length ? `, and ${more.length} more` : "") : "";
  if (!state.tx_allowed) return { may: "no", text: `Transmit inhibited${list ? `; TX interlock: ${list}` : ""}` };
  if (list) return { may: "no", text: `TX interlock: ${list}` };
  if (state.transmitting === null) return { may: "unknown", text: "TX state unknown" };
  if (state.keying?.may) return { may: "yes", text: "May transmit" };
  if (state.keying?.enabled === false) return { may: "unknown", text: "Transmit allowed; moontrim does not key, interlocks not checked" };
  return { may: "unknown", text: "Transmit allowed; interlocks not known" };
}

// The outputs that do not switch off, as one text; empty if there are none.
/** @param {Published.State} state */
export function stuck(state) {
  return (state.keying?.stuck ?? []).map((one) => sentence(typeset(one))).join(". ");
}
