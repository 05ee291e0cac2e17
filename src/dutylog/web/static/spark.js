// A thin line of the last five minutes of body temperature beside each row.
import { pathOf } from "./history.js";

const SPARK_S = 300;
const WIDTH = 150;
const HEIGHT = 44;
const MARGIN = 4;
const LEAST_SPAN_K = 10; // a steady temperature draws a steady line, not its noise
const BODY = 1;

/** Return {line, limit}: path data within 150 x 44; limit is "" when it lies outside the picture. */
export function sparkPaths(allPoints, nowS, limitC) {
  const points = allPoints.filter((point) => point[0] >= nowS - SPARK_S);
  const known = points.map((point) => point[BODY]).filter((value) => value !== null);
  if (known.length < 2) return { line: "", limit: "" };
  let low = Math.min(...known);
  let high = Math.max(...known);
  const missing = LEAST_SPAN_K - (high - low);
  if (missing > 0) {
    low -= missing / 2;
    high += missing / 2;
  }
  const x = (atS) => WIDTH - (nowS - atS) / SPARK_S * WIDTH;
  const y = (bodyC) => HEIGHT - MARGIN - (bodyC - low) / (high - low) * (HEIGHT - 2 * MARGIN);
  const shown = limitC >= low && limitC <= high;
  return { line: pathOf(points, BODY, x, y), limit: shown ? `M0 ${y(limitC).toFixed(1)}H${WIDTH}` : "" };
}
