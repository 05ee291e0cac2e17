// Figures over time as the pictures draw and list them: full rows where they are here, bins elsewhere.
import { positionWords } from "./elements.js";
import { formatQuantity, UNKNOWN } from "./quantity.js";

export const DETAIL_BELOW_S = 3600;
export const DETAIL_S = 1800;
const STEPS_S = [10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400];
const TABLE_ROWS = 20;
const HEAT_POINTS = 130;

export const hms = (s) => formatQuantity("duration_s", Math.max(0, s), "metric");

/** Columns of the stretch shown: full rows where they are here, bins elsewhere. */
export function columnsOf(plots, details, [from, to]) {
  const { time } = plots;
  const fine = to - from < DETAIL_BELOW_S;
  const found = { t_s: [], body: plots.dampers.map(() => []), heat: plots.dampers.map(() => []), heatHigh: plots.dampers.map(() => []), mps: [], ambient: [] };
  const put = (t, body, heat, heatHigh, mps, ambient) => {
    const last = found.t_s[found.t_s.length - 1];
    const gap = last !== undefined && t - last > 2.5 * (fine ? Math.max(1, fineWidth(plots, details, last)) : time.width_s);
    if (gap) push((last + t) / 2, () => null, () => null, () => null, null, null);
    push(t, body, heat, heatHigh, mps, ambient);
  };
  const push = (t, body, heat, heatHigh, mps, ambient) => {
    found.t_s.push(t);
    found.body.forEach((list, d) => list.push(body(d)));
    found.heat.forEach((list, d) => list.push(heat(d)));
    found.heatHigh.forEach((list, d) => list.push(heatHigh(d)));
    found.mps.push(mps);
    found.ambient.push(ambient);
  };
  for (let i = 0; i < time.t_s.length; i++) {
    const t = time.t_s[i];
    if (t + time.width_s < from || t > to + time.width_s) continue;
    const part = fine ? details.get(Math.floor(t / DETAIL_S)) : null;
    if (part) continue;
    const middle = t + time.width_s / 2;
    put(middle, (d) => time.body_high_c[d][i], (d) => time.heat_w[d][i], (d) => time.heat_high_w[d][i], time.vehicle_mps[i], time.ambient_c[i]);
  }
  if (fine) putDetails(plots, details, put, from, to);
  return inOrder(found);
}

function putDetails(plots, details, put, from, to) {
  const { time } = plots;
  for (const part of [...details.values()].filter(Boolean).sort((a, b) => a.part - b.part)) {
    part.t_s.forEach((t, i) => {
      if (t < from - 2 || t > to + 2) return;
      const bin = nearest(time.t_s, t);
      put(t + 0.5, (d) => part.body_c[d][i], (d) => part.heat_w[d][i], (d) => part.heat_w[d][i], part.vehicle_mps[i], time.ambient_c[bin]);
    });
  }
}

function fineWidth(plots, details, t) {
  return details.get(Math.floor(t / DETAIL_S)) ? 1 : plots.time.width_s;
}

export function timeTable(plots, shown, [from, to], system, isBody) {
  const kind = isBody ? "temperature_c" : "power_w";
  const values = isBody ? shown.body : shown.heat;
  const step = (to - from) / TABLE_ROWS;
  const rows = [];
  for (let row = 0; row < TABLE_ROWS; row++) {
    const begin = from + row * step;
    const places = shown.t_s.map((t, i) => (t >= begin && t < begin + step ? i : -1)).filter((i) => i >= 0);
    const cells = values.map((list) => {
      const known = places.map((i) => list[i]).filter((value) => value !== null);
      if (!known.length) return UNKNOWN;
      return formatQuantity(kind, isBody ? largest(known) : known.reduce((a, b) => a + b, 0) / known.length, system);
    });
    rows.push([hms(begin), ...cells]);
  }
  return { columns: ["From", ...plots.dampers.map((one) => `${nameOf(one)}, ${isBody ? "highest" : "mean"}`)], rows };
}

export function nameOf(damper) {
  return positionWords(damper.position) + (damper.label ? ` (${damper.label})` : "");
}

export function nearest(sorted, value) {
  let low = 0;
  let high = sorted.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (sorted[middle] < value) low = middle;
    else high = middle;
  }
  return Math.abs(sorted[low] - value) <= Math.abs(sorted[high] - value) ? low : high;
}

function inOrder(found) {
  const order = found.t_s.map((_t, i) => i).sort((a, b) => found.t_s[a] - found.t_s[b]);
  const by = (list) => order.map((i) => list[i]);
  return { t_s: by(found.t_s), body: found.body.map(by), heat: found.heat.map(by), heatHigh: found.heatHigh.map(by), mps: by(found.mps), ambient: by(found.ambient) };
}

/** Heat in as many means as a line with dashes can show; moments and tables keep what is known. */
export function smoothed({ t_s: times, heat }) {
  const size = Math.ceil(times.length / HEAT_POINTS);
  if (size < 2) return { t_s: times, heat };
  const mean = (list) => {
    const known = list.filter((value) => value !== null);
    return known.length ? known.reduce((a, b) => a + b, 0) / known.length : null;
  };
  const groups = Array.from({ length: Math.ceil(times.length / size) }, (_one, i) => i * size);
  return { t_s: groups.map((i) => mean(times.slice(i, i + size))), heat: heat.map((list) => groups.map((i) => mean(list.slice(i, i + size)))) };
}

export function timeTicks([from, to], width) {
  const step = STEPS_S.find((size) => (to - from) / size <= width / 62) ?? STEPS_S[STEPS_S.length - 1];
  const tickvals = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) tickvals.push(at);
  return { tickvals, ticktext: tickvals.map((at) => (step < 60 ? hms(at) : hms(at).slice(0, -3))) };
}

// Spread arguments have a limit; these lists don't.
export const largest = (values) => values.reduce((a, b) => (a === null || b > a ? b : a), null);
export const smallest = (values) => values.reduce((a, b) => (a === null || b < a ? b : a), null);
