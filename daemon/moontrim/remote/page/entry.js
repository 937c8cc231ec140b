// What a person types, as a value or with the problem that it has. Pure: no page, no daemon.

import { degrees, hertz } from "./words.js";

/** @type {Record<string, number>} */
const UNITS = { hz: 1, k: 1e3, khz: 1e3, m: 1e6, mhz: 1e6, g: 1e9, ghz: 1e9 };
const WITHOUT_UNIT = [1e6, 1e3, 1, 1e9]; // MHz, kHz, Hz, GHz: what fits the band, in this order
const LOCATOR = /^[A-R]{2}\d\d([A-X]{2}(\d\d([A-X]{2}(\d\d)?)?)?)?$/i;
const HEIGHT_LIMITS_M = [-500, 9000]; // as `path.site`
const LONGEST_NAME = 40; // as `config.sked`
const PASSWORD = /^[a-hjkmnp-z2-9]{12}$/; // as `broker.passwords` makes them, without hyphens

const EXPECTED = "enter MHz, kHz or Hz (10368.1 or 10368100 kHz), or a step (+15k)";

// A frequency, absolute or as a step from the present one. range: {low_hz, high_hz} of the band, or
// null. Returns {hz} in whole hertz, or {problem}.
/**
 * @typedef {{ low_hz: number, high_hz: number }} Range
 * @param {string} text
 * @param {number | null} presentHz
 * @param {Range | null} [range]
 * @returns {{ hz?: number, problem?: string }}
 */
export function typedFrequency(text, presentHz, range = null) {
  const parts = /^([+-]?)([\d.,]+)([kmg]?hz|[kmg])?$/i.exec(text.replace(/[\s'_]/g, "").replace("\u2212", "-"));
  const value = parts ? decimal(parts[2]) : null;
  if (parts === null || value === null) return { problem: `not a frequency; ${EXPECTED}` };
  const unit = UNITS[parts[3]?.toLowerCase() ?? ""];
  let hz = 0;
  if (parts[1]) {
    if (presentHz === null) return { problem: "no sked frequency to step from" };
    hz = presentHz + (parts[1] === "-" ? -1 : 1) * value * (unit ?? 1);
  } else {
    const possible = (unit ? [unit] : WITHOUT_UNIT).map((factor) => value * factor);
    const usual = unit || value < 1e6 ? possible[0] : value;
    hz = possible.find((one) => within(one, range)) ?? usual;
  }
  hz = Math.round(hz);
  if (range && !within(hz, range)) {
    return { problem: `${hertz(hz)} is outside ${hertz(range.low_hz)} to ${hertz(range.high_hz)}` };
  }
  return hz > 0 ? { hz } : { problem: `not a frequency; ${EXPECTED}` };
}

/**
 * @param {number} hz
 * @param {Range | null} range
 */
function within(hz, range) {
  return range !== null && range.low_hz <= Math.round(hz) && Math.round(hz) <= range.high_hz;
}

// A number without sign with a decimal point or comma, and with groups of three: 10.368.100 or
// 10,368.1. Returns null for anything else.
/** @param {string} text */
function decimal(text) {
  const marks = text.match(/[.,]/g) ?? [];
  const last = marks.at(-1) ?? ".";
  const once = marks.filter((one) => one === last).length <= 1;
  const [whole, part = ""] = once ? text.split(last) : [text];
  const grouped = /[.,]/.test(whole);
  if (grouped && !/^\d{1,3}((\.\d{3})+|(,\d{3})+)$/.test(whole)) return null;
  const digits = `${whole.replace(/[.,]/g, "")}.${part}`;
  return /\d/.test(digits) ? Number(digits) : null;
}

// A place: the name of a partner in any case, `self`, a locator, or latitude, longitude and perhaps
// height, with commas or blanks between them. Returns {place, meant} or {problem}.
/**
 * @param {string} text
 * @param {string[]} [names]
 * @returns {{ place?: string, meant?: string, problem?: string }}
 */
export function typedPlace(text, names = []) {
  const trimmed = text.trim();
  const name = names.find((one) => one.toLowerCase() === trimmed.toLowerCase());
  if (name) return { place: name, meant: name };
  if (/^(self|myself|echo|echoes)$/i.test(trimmed)) return { place: "self", meant: "Myself (echoes)" };
  const locator = trimmed.replace(/\s/g, "");
  if (LOCATOR.test(locator)) {
    const shown = locator.slice(0, 2).toUpperCase() + locator.slice(2).toLowerCase();
    return { place: shown, meant: `locator ${shown}` };
  }
  const numbers = coordinates(trimmed);
  if (numbers === null) {
    const expected = [...names, "a locator (JO62qm)", "latitude, longitude, height in metres"];
    return { problem: `not a place; expected ${expected.join(", or ")}` };
  }
  const [latitude, longitude, height] = numbers;
  if (Math.abs(latitude) > 90) return { problem: "the latitude comes first, \u221290 to 90 degrees" };
  if (Math.abs(longitude) > 180) return { problem: "the longitude is \u2212180 to 180 degrees" };
  if (height !== undefined && !(HEIGHT_LIMITS_M[0] <= height && height <= HEIGHT_LIMITS_M[1])) {
    return { problem: "the height is \u2212500 to 9000 metres" };
  }
  const meant = `${degrees(Math.abs(latitude), 4)} ${latitude < 0 ? "S" : "N"}, `
    + `${degrees(Math.abs(longitude), 4)} ${longitude < 0 ? "W" : "E"}`;
  return { place: numbers.join(","), meant: meant + (height === undefined ? "" : `, ${height} m`) };
}

// Two or three numbers, or null. Commas separate or are decimal marks; blanks always separate.
/** @param {string} text */
function coordinates(text) {
  const signed = text.toUpperCase().replace(/[°º]/g, " ").replaceAll("\u2212", "-")
    .replace(/(\d+(?:[.,]\d+)?)\s*([NSEW])(?![A-Z])/g, (_, digits, side) => `${"SW".includes(side) ? "-" : ""}${digits} `);
  const pieces = signed.trim().split(/[\s;]+/).map((piece) => piece.replace(/^,+|,+$/g, "")).filter(Boolean);
  let fields = [];
  if (pieces.length === 1) {
    fields = pieces[0].split(",");
    // 52,5,13,4 and 52,5,13,4,100: decimal commas
    if (fields.length > 3 && !signed.includes(".")) {
      const [a, b, c, d, ...height] = fields;
      fields = [`${a}.${b}`, `${c}.${d}`, ...height];
    }
  } else {
    fields = pieces.flatMap((piece) => (piece.includes(".") ? piece.split(",") : [piece.replace(",", ".")]));
  }
  const sound = fields.every((field) => /^[+-]?\d+(\.\d+)?$/.test(field));
  return sound && (fields.length === 2 || fields.length === 3) ? fields.map(Number) : null;
}

// The passwords that a typed one may stand for, the likeliest first: the daemon's own are written
// with hyphens and in small letters, and may be typed without.
/** @param {string} text */
export function typedPasswords(text) {
  const plain = text.toLowerCase().replace(/[\s-]/g, "");
  const made = PASSWORD.test(plain) ? [0, 4, 8].map((from) => plain.slice(from, from + 4)).join("-") : text;
  return made === text ? [text] : [made, text];
}

// The name of a sked to save. skeds: as published. Returns {name, replaces} or {problem}.
/**
 * @param {string} text
 * @param {{ name: string, made: boolean }[]} [skeds]
 * @returns {{ name: string, replaces: string, problem?: undefined } | { name?: undefined, replaces?: undefined, problem: string }}
 */
export function typedSkedName(text, skeds = []) {
  const name = text.trim();
  if (!name || name.length > LONGEST_NAME) return { problem: `enter a name of 1 to ${LONGEST_NAME} characters` };
  const same = skeds.find((sked) => sked.name.toLowerCase() === name.toLowerCase());
  if (same && !same.made) return { problem: `${same.name} is in the config; enter another name` };
  return { name, replaces: same?.name ?? "" };
}
