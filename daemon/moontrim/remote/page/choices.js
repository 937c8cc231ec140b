// The keys for band, partner and agreement. Each choice can be undone for a few seconds.

import { UNDO, act, answer } from "./actions.js";
import { typedPlace } from "./entry.js";
import { known } from "./store.js";
import { at, element, fill, input, key, mark, onTap, say, within } from "./view.js";
import { frontEnd, partnerName, sentence } from "./words.js";

const PLACE_HINT = "A locator, or latitude, longitude, height in metres";

// The choices that a daemon offers: made once for each of its runs.
/** @param {Published.Info} info */
export function showInfo(info) {
  fill("bands", info.bands.map((band) => band.name), (name) => {
    const made = key((tapped) => act(tapped, "band", { band: name }, bandChosen(name), UNDO), name);
    made.dataset.band = name;
    return made;
  });
  fill("partners", info.partners ?? [], ({ name, locator }) => {
    const made = key((tapped) => choosePartner(tapped, name), element("b", name), element("small", locator ?? ""));
    made.dataset.partner = name;
    return made;
  });
  fill("agreements", Object.keys(info.agreements), (name) => {
    const made = key((tapped) => act(tapped, "agreement", { agreement: name }, `Agreement is now ${name}.`, UNDO),
      element("b", sentence(name)), element("span", sentence(info.agreements[name])));
    made.dataset.agreement = name;
    return made;
  });
}

/**
 * @param {Published.Info | null} info
 * @param {Published.State} state
 */
export function showChosen(info, state) {
  // With echoes of our own there is no partner to ask for anything, and fewer agreements.
  const words = (state.partner === "self" ? info?.echo_agreements : info?.agreements) ?? {};
  for (const one of within("agreements")) {
    const name = one.dataset.agreement ?? "";
    mark(one, "aria-pressed", String(name === state.agreement));
    mark(one, "data-unfit", String(!(name in words)));
    const text = sentence(words[name] ?? "not with yourself as partner");
    if (one.lastChild && one.lastChild.textContent !== text) one.lastChild.textContent = text;
  }
  for (const one of within("bands")) mark(one, "aria-pressed", String(one.dataset.band === state.band));
  for (const one of within("partners")) {
    mark(one, "aria-pressed", String(one.dataset.partner?.toLowerCase() === state.partner.toLowerCase()));
  }
  mark(at("echo"), "aria-pressed", String(state.partner === "self"));
}

// What a change of band does to transmitting, as text: the other front end has to be connected first.
/** @param {string} band */
export function afterFrontEnd(band) {
  const front = known.info?.bands.find((one) => one.name === band)?.front_end;
  if (front === undefined || front === known.state?.front_end) return "";
  return ` Transmit inhibited: connect front end ${frontEnd(front)}, then allow transmit.`;
}

/** @param {string} name */
function bandChosen(name) {
  return `Band is now ${name}.${afterFrontEnd(name)}`;
}

/**
 * @param {HTMLElement} tapped
 * @param {string} partner
 */
function choosePartner(tapped, partner) {
  const doneText = partner === "self" ? "Partner: myself (echoes)." : `Partner is now ${partnerName(partner)}.`;
  return act(tapped, "partner", { partner }, doneText, UNDO);
}

onTap("echo", (tapped) => choosePartner(tapped, "self"));

function typed() {
  return typedPlace(input("partner-text").value, (known.info?.partners ?? []).map(({ name }) => name));
}

function sayMeant() {
  const text = input("partner-text").value.trim();
  const { meant, problem } = typed();
  say("partner-meant", text === "" ? PLACE_HINT : problem ? `Not sent: ${problem}` : `= ${meant}`);
  at("partner-meant").classList.toggle("refusal", text !== "" && problem !== undefined);
}
at("partner-text").addEventListener("input", sayMeant);

at("partner-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { place, problem } = typed();
  if (place === undefined) {
    answer(`Not sent: ${problem}.`, true);
    return;
  }
  const reply = await choosePartner(at("partner-set"), place);
  if (!reply?.ok) return;
  input("partner-text").value = "";
  sayMeant();
});
