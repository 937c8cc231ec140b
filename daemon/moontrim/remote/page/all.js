// The page of all stations on the broker: a card each. A tap on it opens the station's own page.

import { fromFragment, keep, keptOnPhone, stored } from "./access.js";
import { Link } from "./link.js";
import { keyed, stuck } from "./transmitting.js";
import { at, element, mark, root, say } from "./view.js";
import { age, clockSeconds, hertz, level, sentence, typeset } from "./words.js";

const STALE_MS = 2500; // as on a station's page
const LOOK_MS = 500;

/**
 * daemon: its availability. arrivedAt: when the last live state came, by performance.now; null: none
 * on this connection, the state is retained.
 * @typedef {{
 *   state: Published.State | null,
 *   daemon: string,
 *   arrivedAt: number | null,
 *   card: Record<"anchor" | "age" | "lead" | "sked" | "keying", HTMLElement>,
 * }} Station
 */

/** @type {Map<string, Station>} */
const stations = new Map();
/** @type {import("./link.js").Phase} */
let phase = "connecting";

const link = new Link(root.dataset.root ?? "", "+", { phase: onPhase, message: onMessage });

/** @param {import("./link.js").Phase} name */
function onPhase(name) {
  phase = name;
  // What was live before may have changed meanwhile.
  if (name === "open") for (const station of stations.values()) station.arrivedAt = null;
  look();
}

/**
 * @param {string} leaf
 * @param {any} value
 * @param {boolean} old
 * @param {string} name
 */
function onMessage(leaf, value, old, name) {
  const station = stations.get(name) ?? added(name);
  if (leaf === "availability") station.daemon = value;
  if (leaf === "state") {
    station.state = value;
    if (!old) station.arrivedAt = performance.now();
  }
  look();
}

/**
 * @param {string} name
 * @returns {Station}
 */
function added(name) {
  const [anchor, head, shownAge] = [element("a", "", "station"), element("h2"), element("small")];
  const [lead, sked, keying] = [element("p", "", "lead"), element("p"), element("p", "", "keying")];
  anchor.setAttribute("href", name === root.dataset.home ? "/" : `/?station=${encodeURIComponent(name)}`);
  head.append(element("span", name), shownAge);
  anchor.append(head, lead, sked, keying);
  const item = element("li");
  item.append(anchor);
  /** @type {Station} */
  const station = { state: null, daemon: "unknown", arrivedAt: null, card: { anchor, age: shownAge, lead, sked, keying } };
  stations.set(name, station);
  const list = at("stations");
  list.insertBefore(item, list.children[[...stations.keys()].sort().indexOf(name)] ?? null);
  return station;
}

// --- what is shown -------------------------------------------------------------------------------

const PHASES = { connecting: "Connecting", open: "Live", closed: "Offline", refused: "Not signed in" };
const LINKS = { connecting: "connecting", open: "live", closed: "offline", refused: "refused" };

function look() {
  mark(root, "data-link", LINKS[phase]);
  say("link-word", PHASES[phase]);
  say("note", note());
  for (const station of stations.values()) show(station);
}

function note() {
  if (phase === "refused") return "Not signed in. Open this station's page below, sign in there and come back.";
  if (phase === "closed") return "Connection lost; the values shown are old.";
  if (stations.size) return "";
  return phase === "open" ? "No station on this broker yet." : "Waiting for stations.";
}

/** @param {Station} station */
function show({ state, daemon, arrivedAt, card }) {
  const silentMs = arrivedAt === null ? Infinity : performance.now() - arrivedAt;
  const fresh = phase === "open" && daemon !== "offline" && silentMs <= STALE_MS;
  mark(card.anchor, "data-fresh", String(fresh));
  write(card.age, fresh ? `${(silentMs / 1000).toFixed(1)} s` : state ? since(state, silentMs) : "");
  const verdict = state ? (stuck(state) ? "Cannot unkey: cut the amplifier's supply" : typeset(state.verdict)) : "no data yet";
  const stopped = daemon === "offline" ? "Daemon not running. " : "";
  write(card.lead, stopped + (fresh || !state ? sentence(verdict) : `Last known: ${verdict}`));
  mark(card.lead, "data-level", !state ? "hold" : stuck(state) ? "bad" : level(state));
  write(card.sked, state ? `${state.sked ? `${state.sked}: ` : ""}${hertz(state.sked_hz)}, ${state.band}` : "");
  const over = state && keyed(state);
  if (fresh) write(card.keying, over ? `${over.text}, ${over.who}` : receiving(state));
  else write(card.keying, over ? `Last known: ${over.text}` : "");
  mark(card.keying, "data-keyed", String(fresh && Boolean(over)));
}

/**
 * @param {Published.State} state
 * @param {number} silentMs
 */
function since(state, silentMs) {
  const ago = Number.isFinite(silentMs) ? `, ${age(silentMs)}` : "";
  return `since ${clockSeconds(state.at_ms)} UTC${ago}`;
}

/** @param {Published.State | null} state */
function receiving(state) {
  if (!state) return "";
  if (!state.tx_allowed) return "Transmit inhibited";
  return state.transmitting === null ? "TX state unknown" : "Receiving";
}

/**
 * @param {HTMLElement} node
 * @param {string} text
 */
function write(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// -------------------------------------------------------------------------------------------------

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && phase === "closed") link.again();
});
setInterval(look, LOOK_MS);

const access = fromFragment() ?? stored();
if (access) keep(access, keptOnPhone());
if (access || root.dataset.password === "none") link.start(access?.account ?? null, access?.password);
else onPhase("refused");
