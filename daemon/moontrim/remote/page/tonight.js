// The tab "Tonight": the present or next window drawn, its good stretches, and the windows after it.

import { curve, curveWords } from "./curve.js";
import { at, element, fill, mark, root, say, show } from "./view.js";
import { clock, day, degrees, lasting, number } from "./words.js";

// As `forecast.compute.SEARCH_S`; the tables may end earlier.
const SEARCHED_DAYS = 120;

// Drawn only while the tab is shown: a hidden box has no size. nowMs: the daemon's clock.
/**
 * @param {Published.Tonight | null} tonight
 * @param {number} nowMs
 */
export function showCurve(tonight, nowMs) {
  const box = at("curve");
  const drawable = tonight !== null && tonight.start_ms !== null && tonight.home_deg?.length > 1;
  show("no-curve", !drawable);
  show("curve", drawable);
  show("curve-legend", drawable);
  if (!drawable || !box.clientWidth) return;
  const em = Number.parseFloat(getComputedStyle(root).fontSize);
  box.innerHTML = curve(tonight, nowMs, box.clientWidth, box.clientHeight, em); // numbers and fixed text
  mark(box, "aria-label", curveWords(tonight, nowMs));
  const end = tonight.start_ms + (tonight.home_deg.length - 1) * tonight.step_s * 1000;
  say("curve-title", `${tonight.start_ms <= nowMs ? "Present window" : "Next window"}: ${span(tonight.start_ms, end)}`);
}

// Times are by the daemon's clock: a phone's may be wrong, and a rehearsal has another one. Nothing
// that is over is called good.
/**
 * @param {Published.Outlook | null} outlook
 * @param {Published.Tonight | null} tonight
 * @param {number} nowMs
 */
export function showWindows(outlook, tonight, nowMs) {
  const good = (tonight?.good ?? []).filter((one) => one.end_ms > nowMs).map((one) => /** @type {Pair} */ ([
    when(one, nowMs),
    `${clock(one.start_ms)} to ${clock(one.end_ms)} UTC${mean(one.mean_spread_hz)}`,
  ]));
  items("good", good.length ? good : [[tonight ? "None in the rest of this window" : "No data yet", ""]]);
  const windows = (outlook?.windows ?? []).filter((one) => one.end_ms > nowMs).map((one) => {
    const { max_elevation_home_deg: here, max_elevation_partner_deg: there } = one;
    const highest = there === null ? `max ${degrees(here, 0)}` : `max ${degrees(here, 0)} here, ${degrees(there, 0)} at partner`;
    const from = one.low_spread_start_ms ?? nowMs;
    const to = one.low_spread_end_ms ?? nowMs;
    const low = to > nowMs
      ? `; low spread ${from <= nowMs ? "until" : `${clock(from)} to`} ${clock(to)}${mean(one.low_spread_mean_hz)}` : "";
    return /** @type {Pair} */ ([when(one, nowMs), `${span(one.start_ms, one.end_ms)}, ${highest}${low}`]);
  });
  const none = outlook ? `None in the next ${SEARCHED_DAYS} days, or to the end of the tables` : "No data yet";
  items("windows", windows.length ? windows : [[none, ""]]);
}

/**
 * @param {{ start_ms: number, end_ms: number }} stretch
 * @param {number} nowMs
 */
function when({ start_ms: start, end_ms: end }, nowMs) {
  return start <= nowMs ? `Open for another ${lasting(end - nowMs)}` : `Opens in ${lasting(start - nowMs)}`;
}

/**
 * @param {number} start
 * @param {number} end
 */
function span(start, end) {
  return `${day(start)}, ${clock(start)} to ${clock(end)} UTC`;
}

/** @param {number | null} spread */
function mean(spread) {
  return typeof spread === "number" ? `, mean ${number(spread, spread < 10 ? 1 : 0)} Hz` : "";
}

/** @typedef {[string, string]} Pair */
/**
 * @param {string} id
 * @param {Pair[]} pairs
 */
function items(id, pairs) {
  fill(id, pairs, ([head, rest]) => {
    const item = element("li");
    item.append(element("b", head), rest);
    return item;
  });
}
