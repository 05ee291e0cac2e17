// The one place that turns SI numbers into what people read. The metric texts equal those of domain/quantity.py.
const NBSP = "\u00a0";
export const UNKNOWN = "–";
// Source: 1 mi = 1609.344 m, 1 ft = 0.3048 m (international yard and pound agreement of 1959).
const M_PER_MILE = 1609.344;
const M_PER_FOOT = 0.3048;
const M_PER_INCH = M_PER_FOOT / 12;
// Source: pound 0.45359237 kg, standard gravity 9.80665 m/s2, inch 0.0254 m, exact by definition, as in units.py.
const PA_PER_PSI = 0.45359237 * 9.80665 / 0.0254 ** 2;
const PA_PER_BAR = 1e5;
const S_PER_MIN = 60;
const LONGEST_MIN = 120; // as in heat/heat_room.py: times beyond are only said to be longer

/**
 * Convert and round a value.
 * kind: temperature_c, temperature_k (a difference), rate_k_per_s (shown a minute), pressure_pa (gauge), pressure_fine_pa, distance_m,
 * far_m (of a forecast: three figures), travel_m (of a shaft), per_m (times a distance driven), energy_per_m, speed_mps,
 * shaft_mps, change_ratio (how much more or less), share_ratio (a small part), energy_j, power_w, duration_s, minutes_s, ratio, count.
 * value: number or null. system: "metric" or "us". Returns {number, unit}, both texts.
 */
export function formatParts(kind, value, system) {
  if (value === null || value === undefined || !Number.isFinite(value)) return { number: UNKNOWN, unit: "" };
  const us = system === "us";
  switch (kind) {
    case "temperature_c":
      return us ? part(value * 9 / 5 + 32, 0, "°F") : part(value, 0, "°C");
    case "temperature_k":
      return us ? part(value * 9 / 5, 0, "°F") : part(value, 0, "K");
    case "rate_k_per_s":
      return us ? part(value * S_PER_MIN * 9 / 5, 1, "°F/min") : part(value * S_PER_MIN, 1, "K/min");
    case "pressure_pa":
      return us ? part(value / PA_PER_PSI, 0, "psi") : part(value / PA_PER_BAR, 1, "bar");
    case "pressure_fine_pa":
      return us ? part(value / PA_PER_PSI, 1, "psi") : part(value / PA_PER_BAR, 2, "bar");
    case "distance_m":
      if (us) return value >= M_PER_MILE ? part(value / M_PER_MILE, 1, "mi") : part(value / M_PER_FOOT, 0, "ft");
      return value >= 1000 ? part(value / 1000, 1, "km") : part(value, 0, "m");
    case "far_m":
      return { number: grouped(far(value / (us ? M_PER_MILE : 1000))), unit: us ? "mi" : "km" };
    case "per_m":
      return us ? threeFigures(value * M_PER_MILE, "times a mile") : threeFigures(value * 1000, "times a km");
    case "energy_per_m":
      return us ? threeFigures(value * M_PER_MILE / 1000, "kJ/mi") : threeFigures(value, "kJ/km");
    case "travel_m":
      return us ? part(value / M_PER_INCH, 1, "in") : part(value * 1000, 0, "mm");
    case "shaft_mps":
      return us ? part(value / M_PER_INCH, 0, "in/s") : part(value, 2, "m/s");
    case "change_ratio":
      return part(value * 100, 0, "%");
    case "share_ratio": {
      const percent = value * 100;
      return part(percent, percent >= 10 ? 0 : percent >= 1 ? 1 : 2, "%");
    }
    case "speed_mps":
      return us ? part(value / M_PER_MILE * 3600, 0, "mph") : part(value * 3.6, 0, "km/h");
    case "energy_j":
      if (value >= 1e9) return threeFigures(value / 1e9, "GJ");
      if (value >= 1e6) return threeFigures(value / 1e6, "MJ");
      return value >= 1e3 ? threeFigures(value / 1e3, "kJ") : part(value, 0, "J");
    case "power_w":
      // tens of watts below a kilowatt: the last digit would only flicker
      return Math.abs(value) >= 995 ? threeFigures(value / 1000, "kW") : part(Math.floor(value / 10 + 0.5) * 10, 0, "W");
    case "minutes_s":
      return { number: minutes(value / S_PER_MIN), unit: "min" };
    case "duration_s":
      return { number: duration(value), unit: "" };
    case "ratio": {
      // cut, never rounded up: 99.97 % must not read as full coverage
      const percent = Math.floor(value * 1000 + 1e-9) / 10;
      return { number: Number.isInteger(percent) ? percent.toFixed(0) : percent.toFixed(1), unit: "%" };
    }
    case "count":
      return { number: grouped(Math.trunc(value)), unit: "" };
    default:
      throw new Error(`no quantity of kind ${kind}`);
  }
}

export function formatQuantity(kind, value, system) {
  const { number, unit } = formatParts(kind, value, system);
  return unit ? number + NBSP + unit : number;
}

function part(value, digits, unit) {
  const factor = 10 ** digits;
  const text = (Math.floor(Math.abs(value) * factor + 0.5) / factor).toFixed(digits);
  return { number: value < 0 && Number(text) !== 0 ? "-" + text : text, unit };
}

function grouped(whole) {
  return whole.toString().replace(/\B(?=(\d{3})+$)/g, "\u202f");
}

/** Whole, of three figures: 3, 421, 4210, 42100. */
function far(value) {
  const whole = Math.floor(value + 0.5);
  const step = 10 ** Math.max(0, String(whole).length - 3);
  return Math.floor(whole / step + 0.5) * step;
}

/** Three figures: 4.21, 42.1, 421. */
function threeFigures(value, unit) {
  const size = Math.abs(value);
  return part(value, size >= 100 ? 0 : size >= 10 ? 1 : 2, unit);
}

/** Whole minutes, fives from half an hour on; halves to even, so that the forecast's own sentence says the same. */
function minutes(value) {
  if (value < 0.5) return "<1";
  if (value > LONGEST_MIN) return `>${LONGEST_MIN}`;
  return String(value < 30 ? halfToEven(value) : 5 * halfToEven(value / 5));
}

function halfToEven(value) {
  const below = Math.floor(value);
  if (value - below !== 0.5) return Math.round(value);
  return below % 2 ? below + 1 : below;
}

function duration(value) {
  const whole = Math.trunc(value);
  const two = (number) => String(number).padStart(2, "0");
  return `${Math.trunc(whole / 3600)}:${two(Math.trunc(whole / 60) % 60)}:${two(whole % 60)}`;
}

/** Turn the degrees, kelvins and speeds of a sentence of the logger, "96 °C (91 to 102)" or "45 km/h", into the reader's units. */
export function inUnits(sentence, system) {
  if (system !== "us" || !sentence) return sentence ?? "";
  const convert = (kind, turn) => (_all, value, low, high) => {
    const ends = low === undefined ? "" : ` (${turn(low)} to ${turn(high)})`;
    return `${turn(value)} ${formatParts(kind, 0, system).unit}${ends}`;
  };
  const degrees = (value) => formatParts("temperature_c", Number(value), system).number;
  const speed = (value) => formatParts("speed_mps", Number(value) / 3.6, system).number;
  return sentence
    .replace(/(-?\d+(?:\.\d+)?) °C(?: \((-?\d+) to (-?\d+)\))?/g, convert("temperature_c", degrees))
    .replace(/(-?\d+(?:\.\d+)?) K(?![a-z])/g, (_all, value) => formatQuantity("temperature_k", Number(value), system))
    .replace(/(\d+(?:\.\d+)?) km\/h(?: \((\d+) to (\d+)\))?/g, convert("speed_mps", speed));
}
