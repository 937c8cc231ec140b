// The page itself: takes what the daemon publishes, and has it shown.

import { answer, noUndo, onChange } from "./actions.js";
import { watch } from "./alarm.js";
import { showChosen, showInfo } from "./choices.js";
import { listen } from "./connection.js";
import { forgetSecondStep, showDock } from "./dock.js";
import { showLog, showReport } from "./log.js";
import { begin, opened, refused } from "./login.js";
import { fitDigits, showNow, showStrip } from "./now.js";
import "./setup.js";
import { nextText, showChosenSked, showSkeds } from "./skeds.js";
import { showLink, showRehearsal, showStatus } from "./status.js";
import { known, take, takeState } from "./store.js";
import { tabs } from "./tabs.js";
import { showCurve, showWindows } from "./tonight.js";
import "./tuning.js";
import { root, say } from "./view.js";

const DRAW_AGAIN_MS = 900;

let drawnAt = -DRAW_AGAIN_MS;

/**
 * @param {string} leaf
 * @param {any} value
 */
function onMessage(leaf, value) {
  if (leaf === "state") onState(value);
  else take(leaf, value);
  if (leaf === "info") {
    showInfo(value);
    showReport(value);
    showRehearsal(value, root.dataset.name ?? "");
    render();
  }
  if (leaf === "skeds") showSkeds(value);
  if (leaf === "log") showLog(value);
  if (leaf === "outlook" || leaf === "trace" || leaf === "tonight") redraw();
}

/** @param {Published.State} state */
function onState(state) {
  const before = known.state;
  takeState(state);
  if (before && (state.band !== before.band || state.boot !== before.boot)) forgetSecondStep();
  root.dataset.atMs = String(state.at_ms);
  root.dataset.seq = String(state.seq);
  render();
  if (performance.now() - drawnAt >= DRAW_AGAIN_MS) redraw();
}

function render() {
  const { state, info, outlook } = known;
  if (!state) return;
  showStatus(state);
  showNow(state, info, outlook);
  showChosen(info, state);
  showChosenSked(state);
  const next = nextText(state.next, state.at_ms);
  say("next-sked", next);
  say("next-now", next);
  showDock();
}

function redraw() {
  const { state, info, outlook, trace, tonight, since } = known;
  if (!state) return;
  drawnAt = performance.now();
  showNow(state, info, outlook);
  showWindows(outlook, tonight, state.at_ms);
  showStrip(trace, since, outlook, state.at_ms);
  showCurve(tonight, state.at_ms);
}

/**
 * @param {import("./connection.js").Quality} quality
 * @param {boolean} changed
 */
function looked(quality, changed) {
  showLink(quality, known.state);
  watch(quality.name, known.state);
  if (changed && quality.name !== "live") {
    forgetSecondStep();
    noUndo();
    answer("");
  }
  showDock();
}

function refit() {
  fitDigits();
  redraw();
}

showSkeds(null);
showLog(null);
onChange(render);
listen({ message: onMessage, looked, opened, refused });
tabs(refit);
window.addEventListener("resize", refit);
begin();
