// The last ten minutes of one damper, kept in this browser only, since the page was opened.
export const SPAN_S = 600;
export const GAP_S = 5; // a longer silence is a gap in the line, not a slope
const LEAST_STEP_S = 0.9; // one point a second is finer than the picture
const S_PER_MIN = 60;

export class History {
  constructor() {
    this.points = []; // [page time in s, body in °C or null, oil in °C or null]
    this.beganS = null;
  }

  add(atS, bodyC, oilC) {
    const last = this.points[this.points.length - 1];
    if (last && atS - last[0] < LEAST_STEP_S) return;
    this.beganS ??= atS;
    this.points.push([atS, bodyC ?? null, oilC ?? null]);
    while (this.points.length && this.points[0][0] < atS - SPAN_S) this.points.shift();
  }

  /** For how long it has been kept [s], at most SPAN_S. */
  lengthS(nowS) {
    return this.beganS === null ? 0 : Math.min(SPAN_S, nowS - this.beganS);
  }
}

/**
 * The highest body and oil of each clock minute, newest first.
 * zeroMs: wall time [ms] of page time 0. Returns [{startMs, bodyC, oilC}], null where nothing was known; no minute left out.
 */
export function minutesOf(points, zeroMs, most = SPAN_S / S_PER_MIN) {
  if (!points.length) return [];
  const minuteOf = (atS) => Math.floor((zeroMs / 1000 + atS) / S_PER_MIN);
  const newest = minuteOf(points[points.length - 1][0]);
  const oldest = Math.max(minuteOf(points[0][0]), newest - most + 1);
  const rows = [];
  for (let minute = newest; minute >= oldest; minute--) rows.push({ startMs: minute * S_PER_MIN * 1000, bodyC: null, oilC: null });
  for (const [atS, bodyC, oilC] of points) {
    const row = rows[newest - minuteOf(atS)];
    if (!row) continue;
    row.bodyC = highest(row.bodyC, bodyC);
    row.oilC = highest(row.oilC, oilC);
  }
  return rows;
}

function highest(a, b) {
  if (a === null || b === null) return a ?? b;
  return Math.max(a, b);
}

/** Path data of one column of points; x and y turn a page time and a temperature into places. */
export function pathOf(points, column, x, y) {
  let path = "";
  let beforeS = null;
  for (const point of points) {
    const value = point[column];
    if (value === null) {
      beforeS = null;
      continue;
    }
    path += `${beforeS !== null && point[0] - beforeS < GAP_S ? "L" : "M"}${x(point[0]).toFixed(1)} ${y(value).toFixed(1)}`;
    beforeS = point[0];
  }
  return path;
}
