// The connection to the daemon: how good it is, since when, and what is done to get it back.

import { Link, isElsewhere } from "./link.js";
import { known } from "./store.js";
import { root } from "./view.js";

const STALE_MS = 2500;
const LOOK_MS = 200;
const REVIVE_MS = 8000; // stale for this long: the connection itself may be dead
const PROBE_WAIT_MS = 1500;

let phase = "connecting"; // of the connection to the broker
let why = "";
let reachable = false; // the daemon answered although there is no connection
let available = "unknown"; // what the daemon says of itself, or the broker once it is gone
/** @type {number | null} */
let arrivedAt = null; // when the last live state of this connection came, by performance.now
let openedAt = 0;
let revivedAt = 0;
let last = { at: performance.now(), utcMs: Date.now() }; // the last sign of the daemon, by both clocks
/**
 * sinceMs: the instant of the last state, by the daemon's clock; where there was none, of opening the page.
 * @typedef {{ name: string, why: string, sinceMs: number, ageMs: number }} Quality
 * @typedef {{
 *   message: (leaf: string, value: any) => void,
 *   looked: (quality: Quality, changed: boolean) => void,
 *   opened: () => void,
 *   refused: () => void,
 * }} Told
 */
/** @type {Told} */
let told = { message: () => {}, looked: () => {}, opened: () => {}, refused: () => {} };

export const link = new Link(root.dataset.root ?? "", root.dataset.name ?? "", { phase: onPhase, message: onMessage });

/** @param {Told} to */
export function listen(to) {
  told = to;
  setInterval(look, LOOK_MS);
}

export const isLive = () => root.dataset.link === "live";

/** @param {{ account: string, password: string } | null} access */
export function start(access) {
  why = "";
  link.start(access?.account ?? null, access?.password);
}

export function stop() {
  link.stop();
  phase = "refused";
  look();
}

// Does inhibiting work without the broker? At the page's own station only.
export const answersWithoutBroker = () => reachable && !isElsewhere();

/** @param {string} now */
function onPhase(now) {
  phase = now;
  if (now === "open") {
    openedAt = performance.now();
    arrivedAt = null;
    available = "unknown";
    told.opened();
  }
  if (now === "closed") probe();
  if (now === "refused") told.refused();
  look();
}

// old: retained by the broker from before this connection; it does not show that the daemon runs.
/**
 * @param {string} leaf
 * @param {any} value
 * @param {boolean} old
 */
function onMessage(leaf, value, old) {
  if (leaf === "availability") available = value;
  if (leaf === "state") {
    if (!old) arrivedAt = performance.now();
    const since = performance.now() - (old && !known.info?.rehearsal ? Math.max(0, Date.now() - value.at_ms) : 0);
    last = { at: since, utcMs: value.at_ms };
  }
  told.message(leaf, value);
  look();
}

/** @returns {Quality} */
function quality() {
  const now = performance.now();
  const [name, reason] = worth(now);
  return { name, why: reason, sinceMs: last.utcMs, ageMs: now - last.at };
}

// Its name, and why it is bad.
/**
 * @param {number} now
 * @returns {[string, string]}
 */
function worth(now) {
  if (phase === "refused") return ["refused", ""];
  if (phase !== "open") return known.state || why ? ["offline", why || "Connection lost."] : ["connecting", ""];
  if (available === "offline") return ["offline", "The daemon is not running."];
  if (now - (arrivedAt ?? openedAt) > STALE_MS) return ["stale", "No data from the daemon. Values are old; keys are disabled."];
  return arrivedAt === null ? ["connecting", ""] : ["live", ""];
}

function look() {
  const now = quality();
  const changed = now.name !== root.dataset.link;
  root.dataset.link = now.name;
  if (changed) {
    for (const key of document.querySelectorAll("[data-control] button, button[data-control]")) {
      key.setAttribute("aria-disabled", String(now.name !== "live"));
    }
  }
  told.looked(now, changed);
  if (now.name === "stale" && performance.now() - Math.max(revivedAt, arrivedAt ?? openedAt) > REVIVE_MS) {
    revivedAt = performance.now();
    link.again();
  }
}

// Finds why there is no connection: the health check distinguishes the daemon from its broker.
async function probe() {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PROBE_WAIT_MS);
  try {
    await fetch("/healthz", { cache: "no-store", signal: stop.signal });
    why = isElsewhere() ? "The MQTT broker is not responding." : "The daemon is running, but its MQTT broker is not responding.";
    reachable = true;
  } catch {
    reachable = false;
    why = "No response from the daemon's machine. Is it on, and this phone on its network?";
  }
  clearTimeout(timer);
  look();
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible" || phase === "refused") return;
  if (phase !== "open" || performance.now() - (arrivedAt ?? openedAt) > STALE_MS) link.again();
});
window.addEventListener("online", () => phase !== "open" && phase !== "refused" && link.again());
