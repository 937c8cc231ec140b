// Numbers, times and states as words. Pure: no page, no clock.

export const THIN = "\u202f"; // a thin space, which does not break
export const NONE = "–";

/** @type {Record<string, string>} */
const LEVELS = {
  "on frequency": "ok",
  "held while transmitting": "hold",
  starting: "hold",
  paused: "warn",
  "Moon too low": "warn",
  "dial in use by hand": "warn",
};

// The colour of a state. A tracking state that is not known to be good is bad, and none is good while
// the Moon is down at either end.
/** @param {Published.State} state */
export function level(state) {
  const plain = LEVELS[state.tracking] ?? "bad";
  return plain !== "bad" && moonDown(state) ? "warn" : plain;
}

// Where the Moon is down, as text; empty if it is up at both ends, or not known.
/** @param {Pick<Published.State, "moon">} state */
export function moonDown({ moon }) {
  const here = moon && moon.elevation_deg < 0;
  const there = moon && moon.partner_elevation_deg !== null && moon.partner_elevation_deg < 0;
  if (here && there) return "Moon down here and at the partner";
  return here ? "Moon down here" : there ? "Moon down at the partner" : "";
}

/** @param {string} text */
export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}

// 10368100000 -> ["10", "368", "100", "000"], from the right; unit names for as many groups.
/** @param {number} hz */
export function groups(hz) {
  const digits = String(Math.round(hz));
  const parts = [];
  for (let end = digits.length; end > 0; end -= 3) parts.unshift(digits.slice(Math.max(0, end - 3), end));
  return parts;
}

export const UNITS = ["Hz", "kHz", "MHz", "GHz", "THz"];

/** @param {number | null} [hz] */
export function hertz(hz) {
  return hz === null || hz === undefined ? NONE : `${groups(hz).join(THIN)} Hz`;
}

// Grouped, `digits` decimals: 12 345.6; what rounds to zero has no minus.
/**
 * @param {number} value
 * @param {number} [digits]
 */
export function number(value, digits = 0) {
  const size = Math.abs(value).toFixed(digits);
  const [whole, part] = size.split(".");
  const sign = Number(size) !== 0 && value < 0 ? "\u2212" : "";
  return sign + groups(Number(whole)).join(THIN) + (part ? `.${part}` : "");
}

/**
 * @param {number} value
 * @param {string} one
 */
export function count(value, one) {
  return `${number(value)} ${one}${value === 1 ? "" : "s"}`;
}

// With a sign: +12 345.6
/**
 * @param {number | null | undefined} value
 * @param {number} [digits]
 */
export function signed(value, digits = 1) {
  if (value === null || value === undefined) return NONE;
  return Number(value.toFixed(digits)) > 0 ? `+${number(value, digits)}` : number(value, digits);
}

// A text of the daemon with its numbers as on the page: thin spaces, which do not break, and true
// minus signs. Not in a time or a date.
/** @param {string} text */
export function typeset(text) {
  return text.replace(/(^|[^\d.:])(\d{1,3}(?: \d{3})+)(?!\d)/g, (_, before, digits) => before + digits.replaceAll(" ", THIN))
    .replace(/(^|[^\w.:)-])-(?=\d)/g, "$1\u2212");
}

// The same with up to three decimals, those that it has: +12
/** @param {number} value */
export function signedShort(value) {
  return signed(value, 3).replace(/\.?0+$/, "");
}

/**
 * @param {number | null | undefined} value
 * @param {number} [digits]
 */
export function degrees(value, digits = 1) {
  if (value === null || value === undefined) return NONE;
  return `${value.toFixed(digits).replace("-", "\u2212")}°`;
}

/** @param {number} ms */
export function lasting(ms) {
  const minutes = Math.round(Math.abs(ms) / 60000);
  if (minutes < 1) return "less than a minute";
  const days = Math.floor(minutes / 1440);
  const hours = Math.floor((minutes % 1440) / 60);
  if (days) return `${days} d ${hours} h`;
  return hours ? `${hours} h ${minutes % 60} min` : `${minutes} min`;
}

// Minutes and seconds, or hours and minutes: 0:42
/** @param {number} units */
export function countdown(units) {
  const whole = Math.max(0, Math.round(units));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** @param {number} ms */
export function age(ms) {
  return ms < 120000 ? `${Math.max(0, Math.round(ms / 1000))} s` : lasting(ms);
}

/** @param {number} ms */
export function ago(ms) {
  if (ms < 10000) return "just now";
  return ms < 60000 ? `${Math.round(ms / 1000)} s ago` : `${lasting(ms)} ago`;
}

/** @param {number} ms */
export function clock(ms) {
  return new Date(ms).toISOString().slice(11, 16);
}

/** @param {number} ms */
export function clockSeconds(ms) {
  return new Date(ms).toISOString().slice(11, 19);
}

/** @param {number} ms */
export function day(ms) {
  return new Date(ms).toLocaleDateString("en-GB", {
    weekday: "short", day: "numeric", month: "short", timeZone: "UTC",
  });
}

// The reason why a command was refused, for a person: long numbers grouped, plain field names.
/** @param {{ message: string, value?: unknown, expected?: string | null }} error */
export function refusal({ message, value, expected }) {
  const given = typeof value === "string" || typeof value === "number";
  const text = given && expected
    ? `Not done: invalid value ${String(value).slice(0, 40) || "nothing"}; expected ${expected}.`
    : `Not done: ${message}.`;
  return typeset(text).replace(/\d{5,}(\.0+(?!\d))?/g, (digits) => groups(Number(digits)).join(THIN)).replace(/\.\.$/, ".");
}

// 10368100000 -> 10 368.100; more decimals where they are not 0
/** @param {number} hz */
export function megahertz(hz) {
  const whole = Math.round(hz);
  const part = String(whole % 1e6).padStart(6, "0").replace(/000$/, "");
  return `${groups(Math.floor(whole / 1e6)).join(THIN)}.${part.slice(0, 3)}${part.length > 3 ? THIN + part.slice(3) : ""}`;
}

/** @param {string} partner */
export function partnerName(partner) {
  return partner === "self" ? "Myself (echoes)" : partner;
}

/** @param {string} name */
export function frontEnd(name) {
  return name === "direct" ? "direct (no transverter)" : name;
}
