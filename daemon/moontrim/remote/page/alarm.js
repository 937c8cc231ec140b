// Sounds and vibrates while something is wrong that a person who looks away must know of: off
// frequency, keyed for too long, a stuck key, no connection. Off until switched on in the set-up.

import { keyed, stuck } from "./transmitting.js";
import { at, input, onTap, say, show } from "./view.js";
import { level } from "./words.js";

const KEPT = "moontrim-alarm";
const WAIT_MS = 5000; // chosen: a change of band is over by then
const LITTLE_LEFT_S = 10; // chosen: time to end an over
const AGAIN_MS = 1500;
const TONE_HZ = 880;
const TONE_S = 0.35;
const PATTERN_MS = [250, 150, 250];

/** @type {AudioContext | null} */
let sounds = null; // once a tap has allowed it
let since = 0; // when the present cause began
let cause = "";
let silenced = "";
let soundedAt = -Infinity;

// What is wrong now; an empty cause if nothing.
/**
 * @param {string} quality its name
 * @param {Published.State | null} state
 * @returns {{ cause: string, urgent: boolean }}
 */
export function alarmCause(quality, state) {
  if (quality === "stale" || quality === "offline") return { cause: "no data from the daemon", urgent: false };
  if (quality !== "live" || !state) return { cause: "", urgent: false };
  if (stuck(state)) return { cause: "cannot unkey", urgent: true };
  const left = state.keying?.over_left_s;
  if (keyed(state) && typeof left === "number" && left <= LITTLE_LEFT_S) return { cause: "keyed for too long", urgent: true };
  if (level(state) === "bad") return { cause: "off frequency", urgent: false };
  return { cause: "", urgent: false };
}

// To be called often.
/**
 * @param {string} quality
 * @param {Published.State | null} state
 */
export function watch(quality, state) {
  const now = performance.now();
  const present = alarmCause(quality, state);
  if (present.cause !== cause) {
    cause = present.cause;
    since = now;
    silenced = "";
  }
  const due = cause !== "" && (present.urgent || now - since >= WAIT_MS) && silenced !== cause;
  const wanted = input("alarm-sound").checked || input("alarm-vibration").checked;
  show("sounding", due && wanted);
  if (!due || !wanted) return;
  say("sounding-cause", `Alarm: ${cause}`);
  if (now - soundedAt < AGAIN_MS) return;
  soundedAt = now;
  sound();
}

function sound() {
  if (input("alarm-vibration").checked) navigator.vibrate?.(PATTERN_MS);
  if (!input("alarm-sound").checked || sounds?.state !== "running") return;
  const tone = sounds.createOscillator();
  const volume = sounds.createGain();
  volume.gain.value = 0.4;
  tone.frequency.value = TONE_HZ;
  tone.connect(volume).connect(sounds.destination);
  tone.start();
  tone.stop(sounds.currentTime + TONE_S);
}

// A browser lets a page sound only after a tap on it.
function allow() {
  if (!input("alarm-sound").checked || !window.AudioContext) return;
  sounds ??= new window.AudioContext();
  if (sounds.state === "suspended") sounds.resume();
}
document.addEventListener("pointerdown", allow);
document.addEventListener("keydown", allow);

onTap("silence", () => {
  silenced = cause;
  show("sounding", false);
  navigator.vibrate?.(0);
});

for (const id of ["alarm-sound", "alarm-vibration"]) {
  at(id).addEventListener("change", () => {
    keep();
    allow();
    if (input(id).checked) sound();
  });
}

function keep() {
  const kept = { sound: input("alarm-sound").checked, vibration: input("alarm-vibration").checked };
  try {
    if (kept.sound || kept.vibration) window.localStorage.setItem(KEPT, JSON.stringify(kept));
    else window.localStorage.removeItem(KEPT);
  } catch {
    // private browsing: until the page is closed
  }
}

try {
  const kept = JSON.parse(window.localStorage.getItem(KEPT) ?? "{}");
  input("alarm-sound").checked = kept.sound === true;
  input("alarm-vibration").checked = kept.vibration === true;
} catch {
  // no storage: off
}
if (!navigator.vibrate) {
  input("alarm-vibration").disabled = true;
  show("no-vibration", true);
}
if (!window.AudioContext) input("alarm-sound").disabled = true;
