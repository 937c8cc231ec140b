// Draws a window of the Moon over its time: elevations, spread and S/N one below the other, the good
// stretches, and a line at now:
//   Elevation   | __/--\__   home solid, partner dashed
//   Spread      | \__ ===    === a good stretch, shaded through all panels
//   S/N         | __/--\
//               14   16   18  UTC

import { line, roundOut, text, trace } from "./svg.js";
import { clock, number, signed } from "./words.js";

const HOUR_MS = 3_600_000;
const HOURS = [1, 2, 3, 6, 12, 24];
const FONT = 0.75; // of the size of plain text, as the style of .tick-text
const TICK_EM = 4; // room for the time of a tick

/**
 * @typedef {(number | null)[] | null | undefined} Series
 * @typedef {{ title: string, series: [string, Series][], from: number | null, share: number }} Panel
 * @typedef {{ top: number, tall: number, width: number, label: number, x: (index: number) => number }} Place
 */

/**
 * @param {Published.Curves} tonight
 * @param {number} nowMs the daemon's clock
 * @param {number} width of the drawing, in pixels
 * @param {number} height
 * @param {number} em height of plain text, in pixels
 */
export function curve(tonight, nowMs, width, height, em) {
  const { start_ms: start, step_s: step, home_deg: home } = tonight;
  const end = start + Math.max(1, home.length - 1) * step * 1000;
  /** @param {number} ms */
  const x = (ms) => ((ms - start) / (end - start)) * width;
  const label = FONT * em;
  const floor = height - 1.6 * label;
  /** @type {Panel[]} */
  const all = [
    { title: "Elevation, degrees", series: [["home", home], ["partner", tonight.partner_deg]], from: 0, share: 4 },
    { title: "Spread, Hz", series: [["spread", tonight.spread_hz]], from: 0, share: 3 },
    { title: "S/N, dB", series: [["snr", tonight.snr_db]], from: null, share: 3 },
  ];
  const panels = all.filter(({ series }) => series.some(([, values]) => values?.some((value) => value !== null)));
  const shares = panels.reduce((sum, { share }) => sum + share, 0);
  const parts = (tonight.good ?? []).filter((good) => good.end_ms > nowMs).map((good) => {
    const from = Math.max(0, x(Math.max(good.start_ms, nowMs)));
    const to = Math.min(width, x(good.end_ms));
    return to > from ? `<rect class="good" x="${from.toFixed(1)}" y="0" width="${(to - from).toFixed(1)}" height="${floor.toFixed(1)}"/>` : "";
  });
  let top = 0;
  for (const panel of panels) {
    const tall = (floor * panel.share) / shares;
    parts.push(...drawn(panel, { top, tall, width, label, x: (index) => x(start + index * step * 1000) }));
    top += tall;
  }
  parts.push(...hours(start, end, x, width, height, floor, label));
  if (start <= nowMs && nowMs <= end) parts.push(line("now", x(nowMs), 0, x(nowMs), floor));
  return `<svg viewBox="0 0 ${width} ${height}" aria-hidden="true">${parts.join("")}</svg>`;
}

/**
 * @param {Panel} panel
 * @param {Place} place
 */
function drawn({ title, series, from }, { top, tall, width, label, x }) {
  const values = series.flatMap(([, all]) => all ?? []).flatMap((value) => (value === null ? [] : [value]));
  const [low, high] = roundOut(from ?? Math.min(...values), Math.max(...values));
  const head = top + 1.6 * label;
  const foot = top + tall - 0.4 * label;
  /** @param {number} value */
  const y = (value) => foot - ((Math.max(low, value) - low) / (high - low)) * (foot - head);
  /** @param {number} value */
  const show = (value) => (from === null ? signed(value, 0) : number(value));
  return [
    line("axis", 0, head, width, head), line("axis", 0, foot, width, foot),
    text(0, top + 1.2 * label, title),
    text(width, head + 1.1 * label, show(high), "end"), text(width, foot - 0.3 * label, show(low), "end"),
    ...series.map(([kind, all]) => trace(`${kind}-curve`, (all ?? []).map((value, index) => [x(index), value === null ? null : y(value)]))),
  ];
}

/**
 * @param {number} start
 * @param {number} end
 * @param {(ms: number) => number} x
 * @param {number} width
 * @param {number} height
 * @param {number} floor
 * @param {number} label
 */
function hours(start, end, x, width, height, floor, label) {
  const room = (end - start) / (width / (TICK_EM * label));
  const every = (HOURS.find((count) => count * HOUR_MS >= room) ?? 24) * HOUR_MS;
  const parts = [line("axis", 0, floor, width, floor)];
  for (let ms = Math.ceil(start / every) * every; ms <= end; ms += every) {
    const at = x(ms);
    const anchor = at < 1.5 * label ? "start" : at > width - 1.5 * label ? "end" : "middle";
    parts.push(line("axis", at, floor, at, floor + 3), text(at, height - 0.2 * label, clock(ms), anchor));
  }
  return parts;
}

// The same in words, for those who do not see it.
/**
 * @param {Published.Curves} tonight
 * @param {number} nowMs
 */
export function curveWords(tonight, nowMs) {
  const { start_ms: start, step_s: step, home_deg: home, partner_deg: partner, spread_hz: spread } = tonight;
  const end = start + (home.length - 1) * step * 1000;
  const index = Math.round((nowMs - start) / (step * 1000));
  const words = [`Window ${clock(start)} to ${clock(end)} UTC, up to ${number(Math.max(...home))} degrees.`];
  if (index >= 0 && index < home.length) {
    /**
     * @param {Series} values
     * @param {string} unit
     */
    const at = (values, unit) => {
      const value = values?.[index] ?? null;
      return value === null ? "unknown" : `${number(value, 1)} ${unit}`;
    };
    words.push(`Now elevation ${at(home, "degrees")}${partner ? `, at the partner ${at(partner, "degrees")}` : ""}, spread ${at(spread, "hertz")}.`);
  }
  return words.join(" ");
}
