// What a damper's forecast, trend and heat room read like in a row: few words, the number first.
import { formatParts, formatQuantity } from "./quantity.js";

const S_PER_MIN = 60;
const STEADY_K_PER_S = 0.5 / S_PER_MIN; // slower than half a kelvin a minute is called steady: judgement
const LONGEST_S = 7200;

/**
 * The forecast of one damper as {kind, number, unit, word, range}, texts; kind "none" where nothing can be said.
 * number is the large one: minutes to the limit where it is reached, else a word or the temperature it settles at.
 */
export function outlookOf(damper, system) {
  const node = damper.forecast_node ?? "body";
  switch (damper.forecast_kind) {
    case "reaches":
      if (damper.to_limit_s === null) break;
      return { kind: "reaches", ...formatParts("minutes_s", damper.to_limit_s, system), word: `to ${node} limit`, range: minutesRange(damper) };
    case "over":
      return { kind: "over", number: "over", unit: "", word: `${node} limit`, range: "" };
    case "near_limit":
      return { kind: "near_limit", number: "near limit", unit: "", word: `${node}: no time can be given`, range: "" };
    case "holds":
      return { kind: "holds", number: "holds", unit: "", word: settles(damper, system), range: "" };
    case "no_limit":
      return { kind: "no_limit", number: "no limit set", unit: "", word: settles(damper, system), range: "" };
  }
  return { kind: "none", number: "", unit: "", word: "", range: "" };
}

function settles(damper, system) {
  if (damper.plateau_c === null || damper.plateau_c === undefined) return "";
  return `${damper.forecast_node ?? "body"} settles at ${formatQuantity("temperature_c", damper.plateau_c, system)}`;
}

/** Whole minutes, rounded outwards, so that the range never holds less than it did. */
function minutesRange({ to_limit_low_s: lowS, to_limit_high_s: highS }) {
  if (lowS === null || lowS === undefined) return "";
  const low = Math.floor(Math.min(lowS, LONGEST_S) / S_PER_MIN);
  if (highS === null || highS === undefined || highS > LONGEST_S) return `${low} or more`;
  return `${low} to ${Math.ceil(highS / S_PER_MIN)}`;
}

/** {shape, word, rate} of the body's trend; null while unknown. */
export function trendOf(damper, system) {
  const rate = damper.body_trend_k_per_s;
  if (rate === null || rate === undefined) return null;
  const shape = Math.abs(rate) < STEADY_K_PER_S ? "steady" : rate > 0 ? "rising" : "falling";
  const size = formatQuantity("rate_k_per_s", Math.abs(rate), system);
  return { shape, word: shape, rate: shape === "steady" ? "" : size };
}

/** Heat room as {label, text, ratio}: ratio 0..1 fills the bar, like fuel that is left; null while unknown. */
export function roomOf(damper, system) {
  const watts = damper.heat_room_w;
  if (watts === null || watts === undefined) return null;
  const ratio = damper.heat_room_ratio;
  const short = watts < 0;
  const words = [formatQuantity("power_w", Math.abs(watts), system)];
  if (ratio !== null && ratio !== undefined) words.push(`${Math.abs(Math.round(100 * ratio))}\u00a0%`);
  return { label: short ? "too much" : "heat room", short, text: words.join(" · "), ratio: Math.min(1, Math.max(0, ratio ?? 0)) };
}

/** Oil as {text, doubt}; null while unknown. */
export function oilOf(damper, system) {
  if (damper.oil_c === null || damper.oil_c === undefined) return null;
  const doubt = damper.oil_sd_k === null || damper.oil_sd_k === undefined ? "" : `±\u00a0${formatParts("temperature_k", damper.oil_sd_k, system).number}`;
  return { text: formatQuantity("temperature_c", damper.oil_c, system), doubt };
}
