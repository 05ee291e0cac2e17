// A thin line of the last minutes of body temperature, kept in this browser only.
export const SPAN_S = 300;
const WIDTH = 150;
const HEIGHT = 44;
const MARGIN = 4;
const LEAST_SPAN_K = 10; // a steady temperature draws a steady line, not its noise
const GAP_S = 5;

export class History {
  constructor() {
    this.points = [];
  }

  add(atS, bodyC) {
    const last = this.points[this.points.length - 1];
    if (last && atS - last[0] < 0.9) return; // one point a second is finer than the picture
    this.points.push([atS, bodyC]);
    while (this.points.length && this.points[0][0] < atS - SPAN_S) this.points.shift();
  }
}

/** Return {line, limit}: path data within 150 x 44; limit is "" when it lies outside the picture. */
export function sparkPaths(points, nowS, limitC) {
  const known = points.map((point) => point[1]).filter((value) => value !== null);
  if (known.length < 2) return { line: "", limit: "" };
  let low = Math.min(...known);
  let high = Math.max(...known);
  const missing = LEAST_SPAN_K - (high - low);
  if (missing > 0) {
    low -= missing / 2;
    high += missing / 2;
  }
  const x = (atS) => WIDTH - (nowS - atS) / SPAN_S * WIDTH;
  const y = (bodyC) => HEIGHT - MARGIN - (bodyC - low) / (high - low) * (HEIGHT - 2 * MARGIN);
  let line = "";
  let before = null;
  for (const [atS, bodyC] of points) {
    if (bodyC !== null) {
      line += `${before !== null && atS - before < GAP_S ? "L" : "M"}${x(atS).toFixed(1)} ${y(bodyC).toFixed(1)}`;
      before = atS;
    } else {
      before = null;
    }
  }
  const shown = limitC >= low && limitC <= high;
  return { line, limit: shown ? `M0 ${y(limitC).toFixed(1)}H${WIDTH}` : "" };
}
