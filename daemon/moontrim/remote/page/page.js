// The page itself: what it knows, what a tap does, and the quality of the connection.

import { anotherPhone } from "./another.js";
import { Link } from "./link.js";
import { at, fitSked, say, show, showChosen, showInfo, showLink, showOutlook, showState, showStrip } from "./view.js";
import { frontEnd, hertz, refusal, signedShort, typedHz } from "./words.js";

const STALE_MS = 2500;
const LOOK_MS = 200;
const REVIVE_MS = 8000; // stale for this long: the connection itself may be dead
const ANSWER_SHOWN_MS = 5000;
const OUTCOME_SHOWN_MS = 700;
const SECOND_TAP_FROM_MS = 600; // chosen: an accidental double tap comes earlier
const SECOND_TAP_TO_MS = 9500; // the token is valid for 10 s
const DRAW_AGAIN_MS = 900;
const SINCE_MOST = 600;
const OVERTAKEN_MS = 1500;
const PROBE_WAIT_MS = 1500;
const INHIBIT_AGAIN_MS = 700; // chosen: without a reply for this long, inhibiting goes without the broker

const root = document.documentElement;
const known = { info: null, state: null, outlook: null, trace: null, daemon: "unknown" };
let since = []; // residuals that came after the trace ended: [at_ms, rx_hz, tx_hz]
let phase = "connecting"; // of the connection to the broker
let why = "";
let reachable = false; // the daemon answered although there is no connection
let arrivedAt = null; // when the last live state came, by performance.now
let openedAt = null;
let revivedAt = 0;
let drawnAt = -DRAW_AGAIN_MS;
let confirming = null; // {token, since}: the first tap to allow transmit

const link = new Link(root.dataset.root, root.dataset.name, { phase: onPhase, message: onMessage });
const closeAnother = anotherPhone(link);

// --- messages ------------------------------------------------------------------------------------

function onPhase(now) {
  phase = now;
  if (now === "open") {
    openedAt = performance.now();
    arrivedAt = null;
    known.daemon = "unknown";
    show("panel", true);
    show("dock", true);
  }
  if (now === "closed") probe();
  if (now === "refused") login(link.account ? "Password not accepted." : "");
  look();
}

function onMessage(leaf, value, old) {
  if (leaf === "availability") known.daemon = value;
  else if (leaf === "info") takeInfo(value);
  else if (leaf === "state") takeState(value, old);
  else if (leaf === "outlook" || leaf === "trace") {
    known[leaf] = value;
    if (leaf === "trace") since = since.filter(([ms]) => ms >= value.end_ms);
    redraw();
  }
  look();
}

function takeInfo(info) {
  if (info.boot !== known.info?.boot) {
    showInfo(info, {
      agreement: (key, name) => act(key, "agreement", { agreement: name }, `Agreement is now ${name}.`),
      band: (key, name) => act(key, "band", { band: name }, bandChosen(name)),
    });
  }
  known.info = info;
  if (known.state) showChosen(info, known.state);
}

// old: retained by the broker from before this connection; it does not show that the daemon runs.
function takeState(state, old) {
  if (!old) arrivedAt = performance.now();
  const drawn = performance.now() - drawnAt < DRAW_AGAIN_MS;
  if (state.boot !== known.state?.boot || state.at_ms < known.state.at_ms) since = [];
  if (state.band !== known.state?.band) {
    asked.clear(); // targets of the previous band
    confirming = null; // the question was about its front end
  }
  settleAsked(state);
  since.push([state.at_ms, state.rx?.residual_hz ?? null, state.tx?.residual_hz ?? null]);
  if (since.length > SINCE_MOST) since.shift();
  known.state = state;
  root.dataset.atMs = state.at_ms;
  root.dataset.seq = state.seq;
  render();
  if (!drawn) redraw();
}

function render() {
  showState(known.state);
  showChosen(known.info, known.state);
  showOutlook(known.outlook, known.state.at_ms, known.state.moon?.elevation_deg);
  showDock();
}

function redraw() {
  if (!known.state) return;
  showOutlook(known.outlook, known.state.at_ms, known.state.moon?.elevation_deg);
  drawnAt = performance.now();
  showStrip(known.trace, since, known.outlook, known.state.at_ms);
}

// --- the quality of the connection ---------------------------------------------------------------

function worth() {
  if (phase === "refused") return ["refused", ""];
  if (phase !== "open") return known.state || why ? ["offline", why || "Connection lost."] : ["connecting", ""];
  if (known.daemon === "offline") return ["offline", "The daemon is not running."];
  const now = performance.now();
  const since = now - (arrivedAt ?? openedAt);
  if (since > STALE_MS) {
    return ["stale", `No data from the daemon for ${Math.round(since / 1000)} s. The values shown are old; controls are disabled.`];
  }
  return arrivedAt === null ? ["connecting", ""] : ["live", ""];
}

function look() {
  const [now, reason] = worth();
  const was = root.dataset.link;
  const age = now === "live" || now === "stale" ? (performance.now() - (arrivedAt ?? openedAt)) / 1000 : null;
  showLink(now, reason, age);
  if (now !== was) {
    for (const key of document.querySelectorAll("[data-control] button, button[data-control]")) {
      key.setAttribute("aria-disabled", String(now !== "live"));
    }
    if (now !== "live") {
      forgetSecondStep();
      answer("");
    }
  }
  const inhibits = reachable && known.state?.tx_allowed;
  at("transmit").setAttribute("aria-disabled", String(now !== "live" && !inhibits));
  if (now === "stale" && performance.now() - Math.max(revivedAt, arrivedAt ?? openedAt) > REVIVE_MS) {
    revivedAt = performance.now();
    link.again();
  }
  if (confirming) showDock();
}

// Finds why there is no connection: the health check distinguishes the daemon from its broker.
async function probe() {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PROBE_WAIT_MS);
  try {
    await fetch("/healthz", { cache: "no-store", signal: stop.signal });
    why = "The daemon is running, but its MQTT broker is not responding.";
    reachable = true;
  } catch {
    reachable = false;
    why = "No response from the daemon's machine. Check that it is on, and that this phone is on its network.";
  }
  clearTimeout(timer);
  look();
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  stayAwake();
  if (phase === "refused") return;
  if (phase !== "open" || performance.now() - (arrivedAt ?? openedAt) > STALE_MS) link.again();
});
window.addEventListener("online", () => phase !== "open" && phase !== "refused" && link.again());
window.addEventListener("resize", () => {
  fitSked();
  redraw();
});
setInterval(look, LOOK_MS);

async function stayAwake() {
  try {
    await navigator.wakeLock?.request("screen");
  } catch {
    // refused, e.g. to save the battery: the page works without
  }
}

// --- what a tap does -----------------------------------------------------------------------------

let answerTimer = 0;

function answer(text, refused = false, shownMs = ANSWER_SHOWN_MS) {
  clearTimeout(answerTimer);
  say(refused ? "answer" : "refusal", "");
  say(refused ? "refusal" : "answer", text);
  answerTimer = setTimeout(() => {
    say("answer", "");
    say("refusal", "");
  }, shownMs);
}

// Sends the command of a key, which looks busy at once, then done or refused with the reason.
// Returns the reply, or null if nothing was sent.
async function act(key, name, body, doneText) {
  if (root.dataset.link !== "live") {
    answer("Not sent: no live connection to the daemon.", true);
    return null;
  }
  if (busy(key)) return null;
  key.setAttribute("aria-busy", "true");
  const reply = await link.command(name, body);
  key.removeAttribute("aria-busy");
  if (reply.error?.code === "confirm") return reply;
  key.dataset.outcome = reply.ok ? "done" : "refused";
  setTimeout(() => delete key.dataset.outcome, OUTCOME_SHOWN_MS);
  if (reply.ok) {
    merge(reply.result);
    answer(reply.saved === false ? `${doneText} Not saved: ${reply.unsaved}.` : doneText, reply.saved === false);
  } else {
    answer(refusal(reply.error), true);
  }
  return reply;
}

function busy(key) {
  return key.getAttribute("aria-busy") === "true";
}

// Shows the values in a reply at once; the next state confirms them.
function merge(result) {
  if (!known.state) return;
  if (result?.band) asked.clear();
  for (const [name, value] of Object.entries(result ?? {})) {
    if (name in known.state) known.state[name] = value;
  }
  render();
}

function onTap(id, call) {
  at(id).addEventListener("click", () => call(at(id)));
}

// Nudges and trims send the target, not the distance, so that one carried out twice does no harm. The
// distance counts from the state, or from a target whose command or state is under way: a state sent
// before the command was carried out may arrive after the reply.
const asked = new Map(); // field -> {hz, until}

async function moveTo(key, field, hz, name, body, doneText) {
  const mine = { hz, until: Infinity };
  asked.set(field, mine);
  const reply = await act(key, name, withToken(field, hz, body), doneText);
  if (reply?.error?.code === "confirm") askBack(field, hz, reply.error);
  mine.until = reply?.ok ? performance.now() + OVERTAKEN_MS : 0;
  if (!reply?.ok && asked.get(field) === mine) asked.delete(field);
}

// A large trim is asked back: the same key once more, within the token's ten seconds, confirms it.
let askedBack = null; // {field, hz, token, since}

function withToken(field, hz, body) {
  const back = askedBack;
  askedBack = null;
  const since = back ? performance.now() - back.since : Infinity;
  const confirms = SECOND_TAP_FROM_MS <= since && since < SECOND_TAP_TO_MS && back.field === field && back.hz === hz;
  return confirms ? { ...body, confirm: back.token } : body;
}

function askBack(field, hz, error) {
  askedBack = { field, hz, token: error.confirm_token, since: performance.now() };
  answer(`Trim ${signedShort(hz)} Hz is more than 1 kHz. Tap again to confirm.`, true);
}

function from(field) {
  const mine = asked.get(field);
  return mine && mine.until > performance.now() ? mine.hz : known.state[field];
}

function settleAsked(state) {
  for (const [field, { hz, until }] of asked) {
    if (state[field] === hz && until < Infinity) asked.delete(field);
    else if (until < performance.now()) asked.delete(field);
    else if (until < Infinity) state[field] = hz;
  }
}

for (const key of document.querySelectorAll("[data-nudge]")) {
  key.addEventListener("click", () => {
    if (!known.state || busy(key)) return;
    const hz = from("sked_hz") + Number(key.dataset.nudge);
    moveTo(key, "sked_hz", hz, "frequency", { hz }, `Sked frequency is now ${hertz(hz)}.`);
  });
}

for (const key of document.querySelectorAll("[data-trim]")) {
  key.addEventListener("click", () => {
    if (!known.state || busy(key)) return;
    const which = key.dataset.trim;
    const field = `${which}_trim_hz`;
    const by = Number(key.dataset.by);
    const hz = by === 0 ? 0 : Math.round((from(field) + by) * 1000) / 1000;
    const name = which === "rx" ? "Receive" : "Transmit";
    moveTo(key, field, hz, "trim", { [`${which}_hz`]: hz }, `${name} trim is now ${signedShort(hz)} Hz.`);
  });
}

onTap("sked-open", (key) => {
  const open = at("sked-form").hidden;
  show("sked-form", open);
  key.setAttribute("aria-expanded", String(open));
  if (open) {
    at("sked-text").value = "";
    sayMeant();
    at("sked-text").focus();
  }
});

function sayMeant() {
  const text = at("sked-text").value;
  const hz = typedHz(text);
  const band = known.info?.bands.find((one) => one.name === known.state?.band);
  const range = band ? `${hertz(band.tx_low_hz)} to ${hertz(band.tx_high_hz)}` : "";
  say("sked-meant", text === "" ? `Allowed on ${known.state?.band}: ${range}` : hz === null ? "Not a frequency." : `= ${hertz(hz)}`);
}
at("sked-text").addEventListener("input", sayMeant);

at("sked-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const hz = typedHz(at("sked-text").value);
  if (hz === null) {
    answer("Not sent: enter MHz (10368.1) or Hz.", true);
    return;
  }
  const reply = await act(event.submitter ?? event.target.querySelector("button"), "frequency", { hz }, `Sked frequency is now ${hertz(hz)}.`);
  if (reply?.ok) {
    show("sked-form", false);
    at("sked-open").setAttribute("aria-expanded", "false");
    at("sked-open").focus();
  }
});

at("partner-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const partner = at("partner-text").value.trim();
  const reply = await act(at("partner-form").querySelector("[type=submit]"), "partner", { partner }, `Partner is now ${partner}.`);
  if (reply?.ok) at("partner-text").value = "";
});

onTap("echo", (key) => act(key, "partner", { partner: "self" }, "Partner: myself (echoes)."));
onTap("readback", (key) => act(key, "readback", {}, "Re-reading the radio."));
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
  const connected = several ? `Is front end ${frontEnd(known.state.front_end)} connected to the radio, and` : "Is";
  return `${connected} everyone clear of the antenna? Then tap once more to allow transmit.`;
}

function bandChosen(name) {
  const front = known.info?.bands.find((band) => band.name === name)?.front_end;
  const same = front === known.state?.front_end;
  return `Band is now ${name}.` + (same ? "" : ` Transmit inhibited: connect front end ${frontEnd(front)}, then allow transmit.`);
}

// By the broker, and without it where there is no reply soon. Twice does no harm.
async function inhibit(key) {
  const done = "Transmit is inhibited.";
  let reply = null;
  if (root.dataset.link === "live") {
    const soon = act(key, "transmit", { allowed: false }, done);
    reply = await Promise.race([soon, new Promise((resolve) => setTimeout(resolve, INHIBIT_AGAIN_MS, null))]);
  }
  if (reply?.ok || (reply && reply.error?.code !== "no_link")) return;
  answer("Inhibiting transmit.");
  reply = await link.inhibit();
  if (reply.ok) merge(reply.result);
  answer(reply.ok ? done : refusal(reply.error), !reply.ok);
}

function forgetSecondStep() {
  confirming = null;
  if (known.state) showDock();
}

function showDock() {
  if (confirming && performance.now() - confirming.since > SECOND_TAP_TO_MS) confirming = null;
  const { correcting, tx_allowed: allowed } = known.state;
  say("correct", correcting ? "Pause correction" : "Resume correction");
  const step = allowed ? "inhibit" : confirming ? "confirm" : "allow";
  at("transmit").dataset.step = step;
  const left = confirming ? Math.ceil((SECOND_TAP_TO_MS - (performance.now() - confirming.since)) / 1000) : 0;
  say("transmit", { inhibit: "Inhibit transmit", allow: "Allow transmit", confirm: `Tap again to allow (${left} s)` }[step]);
}

// --- login ---------------------------------------------------------------------------------------

const KEPT = "moontrim-access";

function stored() {
  for (const place of ["sessionStorage", "localStorage"]) {
    try {
      const found = JSON.parse(window[place].getItem(KEPT));
      if (found?.account) return found;
    } catch {
      // no storage, or not readable
    }
  }
  return null;
}

function keep(access, onPhone) {
  for (const [place, wanted] of [["sessionStorage", true], ["localStorage", onPhone]]) {
    try {
      if (access && wanted) window[place].setItem(KEPT, JSON.stringify(access));
      else window[place].removeItem(KEPT);
    } catch {
      // private browsing: the password has to be typed again
    }
  }
}

function keptOnPhone() {
  try {
    return window.localStorage.getItem(KEPT) !== null;
  } catch {
    return false;
  }
}

// #p=password, or #u=viewer&p=password: from a QR code. Never sent to a server; removed from the
// address bar.
function fromFragment() {
  const given = new URLSearchParams(location.hash.slice(1));
  if (!given.has("p")) return null;
  history.replaceState(null, "", location.pathname + location.search);
  return { account: given.get("u") === "viewer" ? "viewer" : "phone", password: given.get("p") };
}

function connect(access) {
  closeAnother();
  root.dataset.may = access?.account === "viewer" ? "look" : "all";
  show("login", false);
  show("access", access !== null);
  say("account", access?.account ?? "");
  at("keep").checked = keptOnPhone();
  why = "";
  link.start(access?.account ?? null, access?.password);
}

function login(problem) {
  keep(null, false);
  link.stop();
  closeAnother();
  phase = "refused";
  say("login-problem", problem);
  for (const id of ["panel", "dock"]) show(id, false);
  show("login", true);
  look();
  at("password").focus();
}

at("login-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const given = new FormData(event.target);
  const access = { account: given.get("account"), password: given.get("password") };
  keep(access, given.has("keep"));
  at("password").value = "";
  say("login-problem", "");
  connect(access);
});

at("keep").addEventListener("change", (event) => keep(stored(), event.target.checked));
onTap("sign-out", () => login(""));

const access = fromFragment() ?? stored();
if (access) keep(access, keptOnPhone());
if (access || root.dataset.password === "none") connect(access);
else login("");
stayAwake();
