// Skeds: a tile each, what the agenda has next, saving the present choice, and removing a saved one.

import { UNDO, act, answer, tappedTwice } from "./actions.js";
import { afterFrontEnd } from "./choices.js";
import { typedSkedName } from "./entry.js";
import { known } from "./store.js";
import { at, element, fill, input, key, mark, say, show, within } from "./view.js";
import { clock, countdown, day, lasting, megahertz, number, partnerName, sentence, typeset } from "./words.js";

const DAY_MS = 86_400_000;
const NAME_HINT = "Saves band, frequency, partner and agreement as they are now";

/** @param {Published.Skeds | null} skeds */
export function showSkeds(skeds) {
  const all = skeds?.skeds ?? [];
  fill("tiles", all, tile);
  show("no-skeds", all.length === 0);
  const made = all.filter((sked) => sked.made);
  fill("made", made.map((sked) => sked.name), removal);
  show("made-skeds", made.length > 0);
  fill("agenda", (skeds?.agenda ?? []).map(entryText), ([when, what]) => {
    const item = element("li");
    item.append(element("b", when), what);
    return item;
  });
  show("agenda-card", (skeds?.agenda ?? []).length > 0);
}

/** @param {Published.State} state */
export function showChosenSked(state) {
  for (const one of within("tiles")) mark(one, "aria-pressed", String(one.dataset.sked === (state.sked ?? "")));
}

// What the agenda has next, by the daemon's clock: "Next: north in 0:42, 10 GHz, spread 2 Hz".
/**
 * @param {Published.State["next"]} next
 * @param {number} nowMs
 */
export function nextText(next, nowMs) {
  if (!next || next.end_ms <= nowMs) return "Nothing on the agenda";
  const wait = next.start_ms - nowMs;
  const when = wait <= 0 ? `until ${clock(next.end_ms)} UTC` : `in ${wait < DAY_MS ? countdown(wait / 60_000) : lasting(wait)}`;
  const spread = typeof next.spread_hz === "number" ? `, spread ${number(next.spread_hz, next.spread_hz < 10 ? 1 : 0).replace(/\.0$/, "")} Hz` : "";
  const waits = next.waits_for ? `; waiting for ${typeset(next.waits_for)}` : "";
  return `${wait <= 0 ? "Now" : "Next"}: ${next.sked} ${when}, ${next.band}${spread}${waits}`;
}

/** @param {Published.Sked} sked */
function tile(sked) {
  const transmit = sked.tx_sked_hz && sked.tx_sked_hz !== sked.sked_hz ? `, transmit ${megahertz(sked.tx_sked_hz)}` : "";
  const made = key((tapped) => choose(tapped, sked),
    element("b", sked.name),
    element("span", `${sked.band}, ${partnerName(sked.partner)}`),
    element("span", `${megahertz(sked.sked_hz)}${transmit} MHz, ${sked.agreement}`));
  if (sked.note) made.append(element("small", sked.note));
  if (sked.problem) made.append(element("strong", `Cannot be chosen: ${typeset(sked.problem)}`));
  made.dataset.sked = sked.name;
  return made;
}

/**
 * @param {HTMLElement} tapped
 * @param {Published.Sked} sked
 */
function choose(tapped, sked) {
  if (sked.problem) {
    answer(`Not sent: ${typeset(sked.problem)}.`, true);
    return;
  }
  act(tapped, "sked", { sked: sked.name }, `Sked ${sked.name} is chosen.${afterFrontEnd(sked.band)}`, UNDO);
}

/** @param {string} name */
function removal(name) {
  const item = element("li");
  const remove = key((tapped) => {
    if (!tappedTwice(tapped, `Remove sked ${name}? Tap again to remove it.`)) return;
    act(tapped, "remove_sked", { sked: name }, `Sked ${name} is removed.`);
  }, "Remove");
  remove.dataset.remove = name;
  remove.setAttribute("aria-label", `Remove sked ${name}`);
  item.append(element("span", name), remove);
  return item;
}

/**
 * @param {Published.Skeds["agenda"][number]} entry
 * @returns {[string, string]}
 */
function entryText(entry) {
  const span = `${day(entry.start_ms)}, ${clock(entry.start_ms)} to ${clock(entry.end_ms)} UTC`;
  return [entry.sked, `${span}, ${entry.band}${entry.outcome ? `: ${typeset(entry.outcome)}` : ""}`];
}

// --- saving ---------------------------------------------------------------------------------------

function typed() {
  return typedSkedName(input("save-name").value, known.skeds?.skeds ?? []);
}

function sayMeant() {
  const { replaces, problem } = typed();
  const empty = input("save-name").value.trim() === "";
  say("save-meant", empty ? NAME_HINT : problem ? `Not sent: ${problem}` : replaces ? `Replaces ${replaces}` : NAME_HINT);
  at("save-meant").classList.toggle("refusal", !empty && problem !== undefined);
}
at("save-name").addEventListener("input", sayMeant);

at("save-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { name, replaces, problem } = typed();
  const state = known.state;
  if (name === undefined || !state) {
    answer(`Not sent: ${problem ?? "no data yet"}.`, true);
    return;
  }
  const saving = at("save-set");
  if (replaces && !tappedTwice(saving, `${replaces} exists. Tap again to replace it.`)) return;
  /** @type {Record<string, string | number>} */
  const body = { name, band: state.band, sked_hz: Math.round(state.sked_hz), partner: state.partner, agreement: state.agreement };
  const transmit = Math.round(state.tx_sked_hz ?? state.sked_hz);
  if (transmit !== Math.round(state.sked_hz)) body.tx_sked_hz = transmit;
  const reply = await act(saving, "save_sked", body, `${sentence(name)} is saved.`);
  if (!reply?.ok) return;
  input("save-name").value = "";
  sayMeant();
});
