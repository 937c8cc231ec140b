// The two keys at the foot of every tab: correction, and transmit, which is inhibited by one tap, also
// without the broker, and allowed by two.

import { SECOND_TAP_FROM_MS, SECOND_TAP_TO_MS, act, answer, noUndo, take } from "./actions.js";
import { answersWithoutBroker, isLive, link } from "./connection.js";
import { known } from "./store.js";
import { at, mark, onTap, say } from "./view.js";
import { frontEnd, refusal } from "./words.js";

const INHIBIT_AGAIN_MS = 700; // chosen: without a reply for this long, inhibiting goes without the broker

/** @type {{ token: string | null, since: number } | null} */
let confirming = null; // the first tap to allow transmit

export function showDock() {
  if (confirming && performance.now() - confirming.since > SECOND_TAP_TO_MS) confirming = null;
  mark(at("transmit"), "aria-disabled", String(!isLive() && !(answersWithoutBroker() && known.state?.tx_allowed)));
  if (!known.state) return;
  const { correcting, tx_allowed: allowed } = known.state;
  say("correct", correcting ? "Pause correction" : "Resume correction");
  mark(at("transmit"), "data-step", allowed ? "inhibit" : confirming ? "confirm" : "allow");
  const left = confirming ? Math.ceil((SECOND_TAP_TO_MS - (performance.now() - confirming.since)) / 1000) : 0;
  say("transmit", allowed ? "Inhibit transmit" : confirming ? `Tap again to allow (${left} s)` : "Allow transmit");
}

// What was asked is about this station as it was: its front end, its connection.
export function forgetSecondStep() {
  confirming = null;
  showDock();
}

onTap("correct", (key) => {
  const on = !known.state?.correcting;
  act(key, "correction", { on }, on ? "Correction resumed." : "Correction paused; the radio is left alone.");
});

onTap("transmit", async (key) => {
  if (known.state?.tx_allowed) {
    forgetSecondStep();
    await inhibit(key);
    return;
  }
  const since = confirming ? performance.now() - confirming.since : 0;
  if (confirming && since < SECOND_TAP_FROM_MS) return;
  const token = confirming?.token;
  confirming = null;
  const reply = await act(key, "transmit", token ? { allowed: true, confirm: token } : { allowed: true }, "Transmit is allowed.");
  if (reply?.error?.code === "confirm" && !token) {
    confirming = { token: reply.error.confirm_token, since: performance.now() };
    answer(allowQuestion(), false, SECOND_TAP_TO_MS);
  } else if (reply?.error) {
    answer(refusal(reply.error), true);
  }
  showDock();
});

// Bands with and without a transverter share a dial: what is connected only the operator knows.
function allowQuestion() {
  const several = new Set(known.info?.bands.map((band) => band.front_end)).size > 1;
  const connected = several ? `Is front end ${frontEnd(known.state?.front_end ?? "")} connected to the radio, and` : "Is";
  return `${connected} everyone clear of the antenna? Then tap once more to allow transmit.`;
}

// By the broker, and without it where there is no reply soon. Twice does no harm.
/** @param {HTMLElement} key */
async function inhibit(key) {
  const done = "Transmit is inhibited.";
  /** @type {Published.Reply | null} */
  let reply = null;
  if (isLive()) {
    const soon = act(key, "transmit", { allowed: false }, done);
    reply = await Promise.race([soon, new Promise((resolve) => setTimeout(resolve, INHIBIT_AGAIN_MS, null))]);
  }
  if (reply?.ok || (reply && reply.error?.code !== "no_link")) return;
  noUndo();
  answer("Inhibiting transmit.");
  const { ok, result, error } = await link.inhibit();
  if (ok) take(result);
  answer(error ? refusal(error) : done, !ok);
}
