// The tab "Now": the frequency and its correction, with whom and where the Moon is, the radio, and
// everything else of the present instant.

import { draw } from "./strip.js";
import { interlocks } from "./transmitting.js";
import { at, element, fill, mark, say, show } from "./view.js";
import {
  NONE, THIN, UNITS, ago, clock, clockSeconds, count, degrees, groups, hertz, lasting, number, partnerName, sentence, signed,
  signedShort, typeset,
} from "./words.js";

const MEASURE_PX = 32;
const LARGEST_PX = 60;

/**
 * @param {Published.State} state
 * @param {Published.Info | null} info
 * @param {Published.Outlook | null} outlook
 */
export function showNow(state, info, outlook) {
  showSked(state);
  showDials(state);
  showWhoAndWhere(state, info, outlook);
  showRadio(state);
  showErrors(state, outlook);
}

/** @param {Published.State} state */
function showSked(state) {
  say("sked-name", state.sked ?? "");
  showDigits(state.sked_hz);
  const transmit = state.tx_sked_hz ?? state.sked_hz;
  say("tx-sked", transmit === state.sked_hz ? "Receive and transmit" : `Receive; transmit ${hertz(transmit)}`);
}

/** @param {number} hz */
function showDigits(hz) {
  const box = at("sked");
  const parts = groups(hz);
  const label = `${parts.join(" ")} hertz`;
  if (box.getAttribute("aria-label") === label) return;
  box.setAttribute("aria-label", label);
  box.replaceChildren(...parts.map((digits, index) => {
    const span = element("span", digits);
    span.dataset.unit = UNITS[parts.length - 1 - index] ?? "";
    return span;
  }));
  fitDigits();
}

// As large as the width allows, in whatever font this phone has.
export function fitDigits() {
  const box = at("sked");
  const room = box.clientWidth;
  if (!room || !box.firstElementChild || !box.lastElementChild) return;
  box.style.fontSize = `${MEASURE_PX}px`;
  const taken = box.lastElementChild.getBoundingClientRect().right - box.firstElementChild.getBoundingClientRect().left;
  box.style.fontSize = `${Math.min(LARGEST_PX, (MEASURE_PX * room) / taken)}px`;
}

/** @param {Published.State} state */
function showDials(state) {
  for (const which of /** @type {const} */ (["rx", "tx"])) {
    const dial = state[which];
    say(`${which}-correction`, signed(dial?.correction_hz));
    say(`${which}-residual`, signed(dial?.residual_hz, 2));
    say(`${which}-rate`, signed(dial?.rate_hz_per_s, 3));
    say(`${which}-dial`, dial?.dial_hz ? groups(dial.dial_hz).join(THIN) : NONE);
    const trim_hz = state[`${which}_trim_hz`];
    say(`${which}-trim`, signedShort(trim_hz));
    mark(at(`${which}-trim`), "data-set", String(trim_hz !== 0));
    say(`trim-${which}`, `${signedShort(trim_hz)} Hz`);
  }
  const held = Object.entries({ Receive: state.rx, Transmit: state.tx })
    .map(([name, dial]) => (dial?.held ? `${name} dial not moved: ${typeset(dial.held)}.` : ""));
  say("held", held.filter(Boolean).join(" ") || "none");
}

/**
 * @param {Published.State} state
 * @param {Published.Info | null} info
 * @param {Published.Outlook | null} outlook
 */
function showWhoAndWhere(state, info, outlook) {
  say("utc", clockSeconds(state.at_ms));
  say("partner", partnerName(state.partner));
  const place = state.partner_place ?? "";
  say("partner-place", place.toLowerCase() === state.partner.toLowerCase() ? "" : place);
  say("band-now", state.band);
  say("agreement-now", state.agreement);
  say("spread", typeof outlook?.now_spread_hz === "number" ? `${number(outlook.now_spread_hz, outlook.now_spread_hz < 10 ? 1 : 0)} Hz` : NONE);
  say("snr", typeof outlook?.now_snr_db === "number" ? `${signed(outlook.now_snr_db)} dB` : NONE);
  const { moon } = state;
  say("azimuth", degrees(moon?.azimuth_deg));
  showElevation("elevation", moon?.elevation_deg);
  showElevation("partner-elevation", state.partner === "self" ? moon?.elevation_deg : moon?.partner_elevation_deg);
  say("sun", sunText(outlook?.sun, state.at_ms));
  const up = moon && moon.elevation_deg > 0;
  const next = up ? outlook?.moon_sets_ms : outlook?.moon_rises_ms;
  say("next-word", up ? "Moon sets in" : "Moon rises in");
  say("next-time", next ? `${lasting(next - state.at_ms)}, ${clock(next)} UTC` : outlook ? "not within 2 days" : "no data yet");
  say("about", info ? `moontrim ${info.version}, home ${info.home.text}` : "");
}

// Where the Sun is now, on the line between two of the instants that the outlook has.
/**
 * @param {Published.Outlook["sun"] | undefined} sun
 * @param {number} nowMs
 */
function sunText(sun, nowMs) {
  if (!sun) return NONE;
  const steps = (nowMs - sun.start_ms) / (1000 * sun.step_s);
  const from = Math.floor(steps);
  const azimuths = sun.azimuth_deg.slice(from, from + 2);
  const elevations = sun.elevation_deg.slice(from, from + 2);
  if (from < 0 || azimuths.length < 2) return NONE;
  const turn = ((azimuths[1] - azimuths[0] + 540) % 360) - 180;
  const azimuth = (azimuths[0] + (steps - from) * turn + 360) % 360;
  const elevation = elevations[0] + (steps - from) * (elevations[1] - elevations[0]);
  return `${degrees(azimuth)} ${degrees(elevation)}`;
}

/**
 * @param {string} id
 * @param {number | null} [elevation]
 */
function showElevation(id, elevation) {
  const down = typeof elevation === "number" && elevation < 0;
  say(id, degrees(elevation) + (down ? " down" : ""));
  mark(at(id), "data-down", String(down));
}

/** @param {Published.State} state */
function showRadio(state) {
  const { radio, seconds, last_fault: fault, last_change: change, warnings } = state;
  say("radio", sentence(radio.state));
  say("radio-reason", typeset(radio.reason));
  say("radio-numbers", `${count(radio.updates, "update")}, ${number(radio.update_ms, 1)}\u00a0ms each (median), `
    + `${count(radio.failures, "failure")}; ${number(seconds.tracked)}\u00a0s tracked, ${number(seconds.missed)} missed.`);
  say("change", change ? `${sentence(change.by)}: ${typeset(change.what)}, ${clock(change.at_ms)} UTC` : "none yet");
  say("fault", fault ? `${clock(fault.at_ms)} UTC, ${ago(state.at_ms - fault.at_ms)}: ${typeset(fault.text)}` : "none");
  say("warnings", (warnings ?? []).map((text) => `${sentence(typeset(text))}.`).join(" ") || "none");
  fill("interlocks", [...interlocks(state), ...(state.tx_allowed ? [] : ["Transmit inhibited"])], (text) => element("li", sentence(typeset(text))));
  say("no-interlocks", state.keying?.interlocks ? "none" : "not known");
  show("no-interlocks", at("interlocks").children.length === 0);
}

/**
 * @param {Published.State} state
 * @param {Published.Outlook | null} outlook
 */
function showErrors(state, outlook) {
  for (const which of /** @type {const} */ (["rx", "tx"])) {
    const budget = outlook?.error_budget?.[which];
    say(`${which}-error`, budget
      ? `\u00b1${number(budget.error_95_hz, 2)} Hz. ${typeset(budget.advice)}` : "no data yet");
  }
  const { bound_ms: bound, cost_hz: cost, source, doubt } = state.clock ?? { bound_ms: null, cost_hz: null, source: "", doubt: "no data yet" };
  const worth = typeof cost === "number" ? ` = \u00b1${number(cost, 2)} Hz` : "";
  say("clock", doubt || (typeof bound === "number" ? `within \u00b1${number(bound)} ms${worth} (${source})`
    : "accuracy unknown, accepted without confirmation"));
}

/**
 * @param {Published.Trace | null} trace
 * @param {[number, number | null, number | null][]} since
 * @param {Published.Outlook | null} outlook
 * @param {number} nowMs
 */
export function showStrip(trace, since, outlook, nowMs) {
  draw(at("strip"), trace, since, outlook, nowMs);
}
