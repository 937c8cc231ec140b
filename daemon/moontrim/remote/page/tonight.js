// The tab "Tonight": the present or next window drawn, its good stretches, and the windows after it.

import { curve, curveWords } from "./curve.js";
import { at, element, fill, mark, root, say, show } from "./view.js";
import { clock, day, degrees, lasting, number } from "./words.js";

// As `forecast.compute.SEARCH_S`; the tables may end earlier.
const SEARCHED_DAYS = 120;

// Drawn only while the tab is shown: a hidden box has no size. nowMs: the daemon's clock.
export function showCurve(tonight, nowMs) {
  const box = at("curve");
  const drawable = tonight !== null && tonight.home_deg?.length > 1;
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
export function showWindows(outlook, tonight, nowMs) {
  const good = (tonight?.good ?? []).filter((one) => one.end_ms > nowMs).map((one) => [
    when(one, nowMs),
    `${clock(one.start_ms)} to ${clock(one.end_ms)} UTC${mean(one.mean_spread_hz)}`,
  ]);
  items("good", good.length ? good : [[tonight ? "None in the rest of this window" : "No data yet", ""]]);
  const windows = (outlook?.windows ?? []).filter((one) => one.end_ms > nowMs).map((one) => {
    const { max_elevation_home_deg: here, max_elevation_partner_deg: there } = one;
    const highest = there === null ? `max ${degrees(here, 0)}` : `max ${degrees(here, 0)} here, ${degrees(there, 0)} at partner`;
    const low = one.low_spread_end_ms > nowMs && one.low_spread_mean_hz !== null
      ? `; low spread ${one.low_spread_start_ms <= nowMs ? "until" : `${clock(one.low_spread_start_ms)} to`} ${clock(one.low_spread_end_ms)}`
        + mean(one.low_spread_mean_hz) : "";
    return [when(one, nowMs), `${span(one.start_ms, one.end_ms)}, ${highest}${low}`];
  });
  const none = outlook ? `None in the next ${SEARCHED_DAYS} days, or to the end of the tables` : "No data yet";
  items("windows", windows.length ? windows : [[none, ""]]);
}

function when({ start_ms: start, end_ms: end }, nowMs) {
  return start <= nowMs ? `Open for another ${lasting(end - nowMs)}` : `Opens in ${lasting(start - nowMs)}`;
}

function span(start, end) {
  return `${day(start)}, ${clock(start)} to ${clock(end)} UTC`;
}

function mean(spread) {
  return typeof spread === "number" ? `, mean ${number(spread, spread < 10 ? 1 : 0)} Hz` : "";
}

function items(id, pairs) {
  fill(id, pairs, ([head, rest]) => {
    const item = element("li");
    item.append(element("b", head), rest);
    return item;
  });
}
