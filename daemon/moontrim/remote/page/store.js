// What the daemon has published, and targets of keys that it has not confirmed yet.

const OVERTAKEN_MS = 1500; // a state sent before a command was carried out may come so late
const SINCE_MOST = 600;

// since: residuals that came after the trace ended: [at_ms, rx_hz, tx_hz].
/**
 * @type {{
 *   info: Published.Info | null,
 *   state: Published.State | null,
 *   outlook: Published.Outlook | null,
 *   trace: Published.Trace | null,
 *   skeds: Published.Skeds | null,
 *   tonight: Published.Tonight | null,
 *   log: Published.Log | null,
 *   since: [number, number | null, number | null][],
 * }}
 */
export const known = { info: null, state: null, outlook: null, trace: null, skeds: null, tonight: null, log: null, since: [] };

/** @param {Published.State} state */
export function takeState(state) {
  const before = known.state;
  if (!before || state.boot !== before.boot || state.at_ms < before.at_ms) known.since = [];
  if (state.band !== before?.band) targets.clear(); // of the previous band
  settle(state);
  known.since.push([state.at_ms, state.rx?.residual_hz ?? null, state.tx?.residual_hz ?? null]);
  if (known.since.length > SINCE_MOST) known.since.shift();
  known.state = state;
}

// Any other message but `availability`.
/**
 * @param {string} leaf
 * @param {any} value
 */
export function take(leaf, value) {
  if (!(leaf in known) || leaf === "since") return;
  Object.assign(known, { [leaf]: value });
  if (leaf === "trace") known.since = known.since.filter(([ms]) => ms >= value.end_ms);
}

// Takes over the values in a reply at once; the next state confirms them.
/** @param {Record<string, any>} [result] */
export function merge(result = {}) {
  const { state } = known;
  if (!state) return;
  if (result.band) targets.clear();
  Object.assign(state, Object.fromEntries(Object.entries(result).filter(([name]) => name in state)));
}

export function presentBand() {
  return known.info?.bands.find((band) => band.name === known.state?.band) ?? null;
}

// Nudges and trims send the target, not the distance, so that one carried out twice does no harm. The
// distance counts from the state, or from a target whose command or state is under way.
/** @typedef {"sked_hz" | "rx_trim_hz" | "tx_trim_hz"} Field */
/** @type {Map<Field, { hz: number, until: number }>} */
const targets = new Map();

/**
 * @param {Field} field
 * @param {Published.State} state
 */
export function target(field, state) {
  const mine = targets.get(field);
  return mine && mine.until > performance.now() ? mine.hz : state[field];
}

// Returns a function to be called with whether the daemon accepted the target.
/**
 * @param {Field} field
 * @param {number} hz
 * @returns {(accepted: boolean) => void}
 */
export function aim(field, hz) {
  const mine = { hz, until: Infinity };
  targets.set(field, mine);
  return (accepted) => {
    mine.until = accepted ? performance.now() + OVERTAKEN_MS : 0;
    if (!accepted && targets.get(field) === mine) targets.delete(field);
  };
}

/** @param {Published.State} state */
function settle(state) {
  for (const [field, { hz, until }] of targets) {
    if (state[field] === hz && until < Infinity) targets.delete(field);
    else if (until < performance.now()) targets.delete(field);
    else if (until < Infinity) state[field] = hz;
  }
}
