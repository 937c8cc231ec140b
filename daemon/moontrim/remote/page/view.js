// Writes what is known into the page. Reads nothing from it, sends nothing.

import { NONE, THIN, UNITS, ago, clock, count, day, degrees, frontEnd, groups, hertz, lasting, level, number, sentence, signed, signedShort, typeset } from "./words.js";
import { draw } from "./strip.js";

// As `forecast.compute.SEARCH_S`; the tables may end earlier.
const SEARCHED_DAYS = 120;
const MEASURE_PX = 32;
const LARGEST_PX = 76;

export const at = (id) => document.getElementById(id);

// Writes only what differs: a live region is read out when its text is written, even the same text.
export function say(id, text) {
  const node = at(id);
  if (node.textContent !== text) node.textContent = text;
}

export function show(id, shown) {
  if (at(id).hidden === shown) at(id).hidden = !shown;
}

function mark(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

const LINK_WORDS = { connecting: "Connecting", live: "Live", stale: "Stale", offline: "Offline", refused: "Not signed in" };

// link: the quality of the connection. why: for the banner, when it is bad.
export function showLink(link, why, age) {
  mark(document.documentElement, "data-link", link);
  say("link-word", LINK_WORDS[link]);
  say("link-age", age === null ? "" : `${age.toFixed(1)} s`);
  const alarmed = link === "stale" || link === "offline";
  if (alarmed) {
    say("alarm-word", link.toUpperCase());
    say("alarm-why", why);
  }
  show("alarm", alarmed);
}

export function showState(state) {
  showVerdict(state);
  showSked(state.sked_hz);
  const moon = state.moon;
  say("azimuth", degrees(moon?.azimuth_deg));
  say("elevation", degrees(moon?.elevation_deg));
  say("partner-elevation", degrees(state.partner === "self" ? moon?.elevation_deg : moon?.partner_elevation_deg));
  for (const which of ["rx", "tx"]) {
    const dial = state[which];
    say(`${which}-correction`, signed(dial?.correction_hz));
    say(`${which}-residual`, signed(dial?.residual_hz, 2));
    say(`${which}-rate`, signed(dial?.rate_hz_per_s, 3));
    say(`${which}-dial`, dial?.dial_hz ? groups(dial.dial_hz).join(THIN) : NONE);
    const trim = signedShort(state[`${which}_trim_hz`]);
    say(`${which}-trim`, trim);
    say(`trim-${which}`, `${trim} Hz`);
  }
  const held = [["Receive", state.rx], ["Transmit", state.tx]]
    .filter(([, dial]) => dial?.held).map(([name, dial]) => `${name} dial not moved: ${typeset(dial.held)}.`);
  say("held", held.join(" "));
  show("held", held.length > 0);
  say("partner", state.partner === "self" ? "Myself (echoes)" : state.partner);
  say("band-now", state.band);
  showClock(state.clock);
  showRadio(state);
}

function showClock(clock) {
  const cost = clock?.cost_hz === null || clock?.cost_hz === undefined ? "" : ` = ±${number(clock.cost_hz, 2)} Hz`;
  const bound = clock?.bound_ms === null || clock?.bound_ms === undefined
    ? "accuracy unknown, accepted without confirmation" : `within ±${number(clock.bound_ms)} ms${cost} (${clock.source})`;
  say("clock", clock?.doubt || bound);
}

function showVerdict(state) {
  mark(at("verdict"), "data-level", level(state.tracking));
  say("tracking", sentence(typeset(state.verdict)));
  say("reason", typeset(state.reason) || (state.front_end_confirmed ? ""
    : `Front end ${frontEnd(state.front_end)} not confirmed`));
  say("keyed", state.transmitting ? "Transmitting" : !state.tx_allowed ? "TX inhibited"
    : state.interlock ? "TX interlock"
    : state.transmitting === null ? "TX state unknown" : "Receiving");
  mark(at("keyed"), "data-keyed", String(state.transmitting));
}

function showSked(hz) {
  const box = at("sked");
  const label = `${groups(hz).join(" ")} hertz`;
  if (box.getAttribute("aria-label") === label) return;
  box.setAttribute("aria-label", label);
  const parts = groups(hz);
  box.replaceChildren(...parts.map((digits, index) => {
    const span = document.createElement("span");
    span.textContent = digits;
    span.dataset.unit = UNITS[parts.length - 1 - index] ?? "";
    return span;
  }));
  fitSked();
}

// As large as the width allows, in whatever font this phone has.
export function fitSked() {
  const box = at("sked");
  const room = box.clientWidth;
  if (!room || !box.firstElementChild) return;
  box.style.fontSize = `${MEASURE_PX}px`;
  const taken = box.lastElementChild.getBoundingClientRect().right - box.firstElementChild.getBoundingClientRect().left;
  box.style.fontSize = `${Math.min(LARGEST_PX, (MEASURE_PX * room) / taken)}px`;
}

function showRadio(state) {
  const { radio, seconds, last_fault: fault, last_change: change, warnings } = state;
  say("radio", sentence(radio.state));
  say("radio-reason", typeset(radio.reason) || (state.interlock ? `TX interlock: ${typeset(state.interlock)}` : ""));
  say("radio-numbers", `${count(radio.updates, "update")}, ${number(radio.update_ms, 1)}\u00a0ms each (median), `
    + `${count(radio.failures, "failure")}; ${number(seconds.tracked)}\u00a0s tracked, ${number(seconds.missed)} missed.`);
  say("change", change ? `${sentence(change.by)}: ${typeset(change.what)}, ${clock(change.at_ms)} UTC` : "none yet");
  say("fault", fault ? `${clock(fault.at_ms)} UTC, ${ago(state.at_ms - fault.at_ms)}: ${typeset(fault.text)}` : "none");
  say("warnings", warnings.map((text) => `${sentence(typeset(text))}.`).join(" "));
  show("warnings-line", warnings.length > 0);
}

// Times are by the daemon's clock: a phone's may be wrong, and a rehearsal has another one.
export function showOutlook(outlook, nowMs, elevation) {
  const up = elevation !== undefined && elevation > 0;
  const next = up ? outlook?.moon_sets_ms : outlook?.moon_rises_ms;
  say("next-word", up ? "Moon sets in" : "Moon rises in");
  say("next-time", next ? `${lasting(next - nowMs)}, ${clock(next)} UTC` : outlook ? "not within 2 days" : "no data yet");
  for (const which of ["rx", "tx"]) {
    const budget = outlook?.error_budget?.[which];
    say(`${which}-error`, budget
      ? `\u00b1${number(budget.error_95_hz, 2)} Hz. ${typeset(budget.advice)}` : "no data yet");
  }
  const items = (outlook?.windows ?? []).filter((window) => window.end_ms > nowMs);
  const list = at("windows");
  const texts = items.map((window) => {
    const open = window.start_ms <= nowMs;
    const span = `${day(window.start_ms)}, ${clock(window.start_ms)} to ${clock(window.end_ms)} UTC`;
    const highest = window.max_elevation_partner_deg === null
      ? `max ${degrees(window.max_elevation_home_deg, 0)}`
      : `max ${degrees(window.max_elevation_home_deg, 0)} here, ${degrees(window.max_elevation_partner_deg, 0)} at partner`;
    const when = open ? `Open for another ${lasting(window.end_ms - nowMs)}` : `Opens in ${lasting(window.start_ms - nowMs)}`;
    const low = window.low_spread_mean_hz === null
      ? ""
      : `; low spread ${clock(window.low_spread_start_ms)} to ${clock(window.low_spread_end_ms)}, mean ${number(window.low_spread_mean_hz)} Hz`;
    return [when, `${span}, ${highest}${low}`];
  });
  const none = outlook ? `None in the next ${SEARCHED_DAYS} days, or to the end of the tables` : "No data yet";
  const key = texts.join("|") || none;
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...(texts.length ? texts : [[none, ""]]).map(([head, rest]) => {
    const item = document.createElement("li");
    const bold = document.createElement("b");
    bold.textContent = head;
    item.append(bold, rest);
    return item;
  }));
}

export function showStrip(trace, since, outlook, nowMs) {
  draw(at("strip"), trace, since, outlook, nowMs);
}

// The choices that a daemon offers: made once for each of its runs.
export function showInfo(info, chosen) {
  at("agreements").replaceChildren(...Object.entries(info.agreements).map(([name, words]) => {
    const key = choice(() => chosen.agreement(key, name));
    const bold = document.createElement("b");
    bold.textContent = sentence(name);
    key.append(bold, document.createTextNode(sentence(words)));
    key.dataset.agreement = name;
    return key;
  }));
  at("bands").replaceChildren(...info.bands.map((band) => {
    const key = choice(() => chosen.band(key, band.name));
    key.textContent = band.name;
    key.dataset.band = band.name;
    return key;
  }));
  say("about", `moontrim ${info.version}, home ${info.home.text}`);
}

function choice(call) {
  const key = document.createElement("button");
  key.type = "button";
  key.className = "key";
  key.addEventListener("click", call);
  return key;
}

export function showChosen(info, state) {
  // With echoes of our own there is no partner to ask for anything, and fewer agreements.
  const words = (state.partner === "self" ? info?.echo_agreements : info?.agreements) ?? {};
  for (const key of at("agreements").children) {
    mark(key, "aria-pressed", String(key.dataset.agreement === state.agreement));
    key.hidden = info !== null && !(key.dataset.agreement in words);
    const text = sentence(words[key.dataset.agreement] ?? "");
    if (key.lastChild.data !== text) key.lastChild.data = text;
  }
  for (const key of at("bands").children) mark(key, "aria-pressed", String(key.dataset.band === state.band));
  say("agreement", sentence(state.agreement));
  say("agreement-words", sentence(words[state.agreement] ?? ""));
}
