// Draws the last ten minutes of residual and the correction of the coming hour, as SVG of its own.

import { line, roundOut, roundUp, text } from "./svg.js";
import { root } from "./view.js";
import { number, signed } from "./words.js";

const PAST_MS = 600_000;
const AHEAD_MS = 3_600_000;
// Left free above, below for the times, and for the name of a range; in sixteenths of the page's text.
const TOP = 4, FOOT = 18, LABEL = 15;
const MARGIN = 6;
const MOST = 0.97;
const DIALS = /** @type {const} */ (["rx", "tx"]);

/**
 * @typedef {[number, number | null, number | null]} Since at_ms, rx_hz, tx_hz
 * @typedef {[number, number | null]} Sample at_ms, hz
 */

/**
 * @param {HTMLElement} box
 * @param {Published.Trace | null} trace
 * @param {Since[]} since after the end of the trace
 * @param {Published.Outlook | null} outlook
 * @param {number} nowMs the daemon's clock
 */
export function draw(box, trace, since, outlook, nowMs) {
  const width = box.clientWidth || 300;
  const height = box.clientHeight || 160;
  const unit = Number.parseFloat(getComputedStyle(root).fontSize) / 16;
  const [top, foot, label] = [TOP, FOOT, LABEL].map((size) => size * unit);
  const middle = Math.round(width / 2);
  const floor = height - foot;
  const parts = [];
  const words = [];
  const residuals = past(trace, since);
  const limit = roundUp(Math.max(1, most([...known(residuals.rx), ...known(residuals.tx)])));
  const lane = (floor - top - label) / 2;
  for (const [index, which] of DIALS.entries()) {
    const zero = top + label + lane * (index + 0.5);
    /** @param {number} hz */
    const y = (hz) => zero - Math.max(-1, Math.min(1, hz / limit)) * (lane / 2 - 1);
    const samples = residuals[which];
    /** @param {number} ms */
    const x = (ms) => middle - ((nowMs - ms) / PAST_MS) * middle;
    parts.push(line("axis", 0, zero, middle, zero));
    if (known(samples).length) parts.push(`<path class="${which}-past" d="${path(samples, x, y)}"/>`);
  }
  parts.push(text(0, top + 9 * unit, `\u00b1${number(limit)} Hz`));
  const seen = known(residuals.rx);
  if (seen.length) {
    words.push(`Receive residual in the last ten minutes from ${signed(Math.min(...seen))} to ${signed(Math.max(...seen))} hertz.`);
  }
  const ahead = outlook?.correction_ahead;
  if (ahead?.rx_hz.length) {
    const all = [...ahead.rx_hz, ...ahead.tx_hz];
    const [low, high] = roundOut(Math.min(...all), Math.max(...all));
    /** @param {number} hz */
    const y = (hz) => top + label + ((high - hz) / (high - low)) * (floor - top - 2 * label);
    /** @param {number} index */
    const x = (index) => middle + ((ahead.start_ms + index * ahead.step_s * 1000 - nowMs) / AHEAD_MS) * (width - middle);
    if (low < 0 && high > 0) parts.push(line("axis", middle, y(0), width, y(0)));
    parts.push(text(width, top + 9 * unit, `${signed(high, 0)} Hz`, "end"), text(width, floor - 4 * unit, `${signed(low, 0)} Hz`, "end"));
    for (const which of [...DIALS].reverse()) {
      const points = ahead[`${which}_hz`]
        .map((hz, index) => [x(index), y(hz)])
        .filter(([at]) => at >= middle - MARGIN && at <= width + MARGIN)
        .map(([at, up]) => `${at.toFixed(1)},${up.toFixed(1)}`);
      parts.push(`<polyline class="${which}-line" points="${points.join(" ")}"/>`);
    }
    words.push(`Receive correction goes from ${signed(ahead.rx_hz[0], 0)} to ${signed(ahead.rx_hz.at(-1) ?? null, 0)} hertz in the coming hour.`);
  }
  parts.push(line("axis", 0, floor, width, floor), line("now", middle, 0, middle, floor));
  parts.push(text(0, height - 3 * unit, "\u221210 min"), text(middle, height - 3 * unit, "now", "middle"), text(width, height - 3 * unit, "+1 h", "end"));
  // Only numbers and fixed text go into this markup.
  box.innerHTML = `<svg viewBox="0 0 ${width} ${height}" aria-hidden="true">${parts.join("")}</svg>`;
  const said = words.join(" ") || "no data yet";
  if (box.getAttribute("aria-label") !== said) box.setAttribute("aria-label", said);
}

// [at_ms, residual] of each dial in order of time: the trace, and the states after it.
/**
 * @param {Published.Trace | null} trace
 * @param {Since[]} since
 */
function past(trace, since) {
  /** @type {Record<"rx" | "tx", Sample[]>} */
  const both = { rx: [], tx: [] };
  for (const which of DIALS) {
    const { end_ms: end, step_s: step, rx_hz, tx_hz } = trace ?? { end_ms: 0, step_s: 1, rx_hz: [], tx_hz: [] };
    const values = which === "rx" ? rx_hz : tx_hz;
    values.forEach((hz, index) => both[which].push([end - (values.length - index) * step * 1000, hz]));
  }
  for (const [ms, rx, tx] of since) {
    both.rx.push([ms, rx]);
    both.tx.push([ms, tx]);
  }
  return both;
}

/** @param {Sample[]} samples */
function known(samples) {
  return samples.flatMap(([, hz]) => (hz === null ? [] : [hz]));
}

// The range of all but the few largest: the jump at a band change must not flatten ten minutes.
/** @param {number[]} values */
function most(values) {
  const sizes = values.map(Math.abs).sort((a, b) => a - b);
  return sizes[Math.floor((sizes.length - 1) * MOST)] ?? 0;
}

// A line through the values from the left edge, broken where one is unknown.
/**
 * @param {Sample[]} samples
 * @param {(ms: number) => number} x
 * @param {(hz: number) => number} y
 */
function path(samples, x, y) {
  let pen = "M";
  let drawn = "";
  samples.forEach(([ms, value]) => {
    const at = x(ms);
    if (value === null || at < 0) {
      pen = "M";
      return;
    }
    drawn += `${pen}${at.toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
  });
  return drawn;
}
