// The keys for band, partner and agreement. Each choice can be undone for a few seconds.

import { UNDO, act, answer } from "./actions.js";
import { typedPlace } from "./entry.js";
import { known } from "./store.js";
import { at, element, fill, key, mark, onTap, say } from "./view.js";
import { frontEnd, partnerName, sentence } from "./words.js";

const PLACE_HINT = "A locator, or latitude, longitude, height in metres";

// The choices that a daemon offers: made once for each of its runs.
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

export function showChosen(info, state) {
  // With echoes of our own there is no partner to ask for anything, and fewer agreements.
  const words = (state.partner === "self" ? info?.echo_agreements : info?.agreements) ?? {};
  for (const one of at("agreements").children) {
    mark(one, "aria-pressed", String(one.dataset.agreement === state.agreement));
    one.hidden = info !== null && !(one.dataset.agreement in words);
    const text = sentence(words[one.dataset.agreement] ?? "");
    if (one.lastChild.textContent !== text) one.lastChild.textContent = text;
  }
  for (const one of at("bands").children) mark(one, "aria-pressed", String(one.dataset.band === state.band));
  for (const one of at("partners").children) {
    mark(one, "aria-pressed", String(one.dataset.partner.toLowerCase() === state.partner.toLowerCase()));
  }
  mark(at("echo"), "aria-pressed", String(state.partner === "self"));
}

// What a change of band does to transmitting, as text: the other front end has to be connected first.
export function afterFrontEnd(band) {
  const front = known.info?.bands.find((one) => one.name === band)?.front_end;
  if (front === undefined || front === known.state?.front_end) return "";
  return ` Transmit inhibited: connect front end ${frontEnd(front)}, then allow transmit.`;
}

function bandChosen(name) {
  return `Band is now ${name}.${afterFrontEnd(name)}`;
}

function choosePartner(tapped, partner) {
  const doneText = partner === "self" ? "Partner: myself (echoes)." : `Partner is now ${partnerName(partner)}.`;
  return act(tapped, "partner", { partner }, doneText, UNDO);
}

onTap("echo", (tapped) => choosePartner(tapped, "self"));

function typed() {
  return typedPlace(at("partner-text").value, (known.info?.partners ?? []).map(({ name }) => name));
}

function sayMeant() {
  const text = at("partner-text").value.trim();
  const { meant, problem } = typed();
  say("partner-meant", text === "" ? PLACE_HINT : problem ? `Not sent: ${problem}` : `= ${meant}`);
  at("partner-meant").classList.toggle("refusal", text !== "" && problem !== undefined);
}
at("partner-text").addEventListener("input", sayMeant);

at("partner-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { place, problem } = typed();
  if (problem) {
    answer(`Not sent: ${problem}.`, true);
    return;
  }
  const reply = await choosePartner(at("partner-set"), place);
  if (!reply?.ok) return;
  at("partner-text").value = "";
  sayMeant();
});
