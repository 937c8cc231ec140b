// Pieces of a drawing as SVG text, and round numbers for its axes. Pure. Only numbers and fixed text
// may go into it, since it becomes markup.

const STEPS = [1, 2, 5];

// The next of 1, 2, 5, 10, 20 and so on.
/** @param {number} value */
export function roundUp(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return (STEPS.find((step) => step * power >= value - 1e-9) ?? 10) * power;
}

// The nearest round numbers around a range.
/**
 * @param {number} low
 * @param {number} high
 */
export function roundOut(low, high) {
  const step = roundUp(Math.max(1, (high - low) / 8));
  const bottom = Math.floor(low / step) * step;
  const top = Math.ceil(high / step) * step;
  return top > bottom ? [bottom, top] : [bottom - step, top + step];
}

/**
 * @param {string} kind
 * @param {number} x1
 * @param {number} y1
 * @param {number} x2
 * @param {number} y2
 */
export function line(kind, x1, y1, x2, y2) {
  return `<line class="${kind}" x1="${x1.toFixed(1)}" y1="${y1.toFixed(1)}" x2="${x2.toFixed(1)}" y2="${y2.toFixed(1)}"/>`;
}

/**
 * @param {number} x
 * @param {number} y
 * @param {string} words
 * @param {string} [anchor]
 */
export function text(x, y, words, anchor = "start") {
  return `<text class="tick-text" x="${x.toFixed(1)}" y="${y.toFixed(1)}" text-anchor="${anchor}">${words}</text>`;
}

// A line through [x, y] points, broken where y is null.
/**
 * @param {string} kind
 * @param {[number, number | null][]} points
 */
export function trace(kind, points) {
  let pen = "M";
  let drawn = "";
  for (const [x, y] of points) {
    if (y !== null) drawn += `${pen}${x.toFixed(1)} ${y.toFixed(1)}`;
    pen = y === null ? "M" : "L";
  }
  return drawn ? `<path class="${kind}" d="${drawn}"/>` : "";
}
