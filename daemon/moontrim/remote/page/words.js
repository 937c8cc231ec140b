// Numbers, times and states as words. Pure: no page, no clock.

export const NBSP = "\u202f";
export const NONE = "–";

const LEVELS = {
  "on frequency": "ok",
  "held while transmitting": "hold",
  starting: "hold",
  paused: "warn",
  "Moon too low": "warn",
  "yielding to a hand on the dial": "warn",
};

// The colour of a tracking state; one that is not known to be good is bad.
export function level(tracking) {
  return LEVELS[tracking] ?? "bad";
}

export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}

// 10368100000 -> ["10", "368", "100", "000"], from the right; unit names for as many groups.
export function groups(hz) {
  const digits = String(Math.round(hz));
  const parts = [];
  for (let end = digits.length; end > 0; end -= 3) parts.unshift(digits.slice(Math.max(0, end - 3), end));
  return parts;
}

export const UNITS = ["Hz", "kHz", "MHz", "GHz", "THz"];

export function hertz(hz) {
  return hz === null || hz === undefined ? NONE : `${groups(hz).join(NBSP)} Hz`;
}

// With a sign, grouped, `digits` decimals: +12 345.6
export function signed(value, digits = 1) {
  if (value === null || value === undefined) return NONE;
  const size = Math.abs(value).toFixed(digits);
  const [whole, part] = size.split(".");
  const sign = Number(size) === 0 ? "" : value < 0 ? "\u2212" : "+";
  return sign + groups(Number(whole)).join(NBSP) + (part ? `.${part}` : "");
}

// The same with decimals only where there are any: +12
export function signedShort(value) {
  return signed(value, Number.isInteger(value) ? 0 : 1);
}

export function degrees(value, digits = 1) {
  if (value === null || value === undefined) return NONE;
  return `${value.toFixed(digits).replace("-", "\u2212")}°`;
}

export function lasting(ms) {
  const minutes = Math.round(Math.abs(ms) / 60000);
  if (minutes < 1) return "less than a minute";
  const days = Math.floor(minutes / 1440);
  const hours = Math.floor((minutes % 1440) / 60);
  if (days) return `${days} d ${hours} h`;
  return hours ? `${hours} h ${minutes % 60} min` : `${minutes} min`;
}

export function ago(ms) {
  if (ms < 10000) return "just now";
  return ms < 60000 ? `${Math.round(ms / 1000)} s ago` : `${lasting(ms)} ago`;
}

export function clock(ms) {
  return new Date(ms).toISOString().slice(11, 16);
}

export function day(ms) {
  return new Date(ms).toLocaleDateString("en-GB", {
    weekday: "short", day: "numeric", month: "short", timeZone: "UTC",
  });
}

// A typed frequency in whole hertz, or null. A number below a million is in MHz.
export function typedHz(text) {
  const plain = text.replace(/[\s\u202f']/g, "").replace(",", ".");
  if (!/^\d+(\.\d*)?$/.test(plain)) return null;
  const value = Number(plain);
  return Math.round(value < 1e6 ? value * 1e6 : value);
}

// The reason why a command was refused, for a person: long numbers grouped, plain field names.
export function refusal({ message, value, expected }) {
  const given = typeof value === "string" || typeof value === "number";
  const text = given && expected
    ? `Not done: invalid value ${String(value).slice(0, 40) || "nothing"}; expected ${expected}.`
    : `Not done: ${message}.`;
  return text.replace(/\d{5,}(\.0+(?!\d))?/g, (digits) => groups(Number(digits)).join(NBSP)).replace(/\.\.$/, ".");
}

export function frontEnd(name) {
  return name === "direct" ? "direct (no transverter)" : name;
}
