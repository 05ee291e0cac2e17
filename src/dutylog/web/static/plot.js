// The plot of the last ten minutes, drawn by hand in SVG: body, oil, and their limits.
import { makeSvg, setAttribute, setHidden, setText } from "./elements.js";
import { pathOf, SPAN_S } from "./history.js";
import { formatParts } from "./quantity.js";

const HEIGHT = 240;
const LEFT = 40;
const RIGHT = 10;
const TOP = 12;
const BOTTOM = 26;
const LEAST_SPAN = 30; // in the reader's degrees: a steady temperature draws a steady line, not its noise
const MOST_TICKS = 6;
const STEPS = [5, 10, 20, 25, 50, 100, 200, 500];
const MINUTES = [10, 8, 6, 4, 2, 0];
const BODY = 1;
const OIL = 2;
const LINES = ["plot-oil-limit", "plot-body-limit", "plot-oil", "plot-body"];

/** Round steps of at most MOST_TICKS within a range: the ticks of an axis. */
export function ticksOf(low, high) {
  const step = STEPS.find((size) => (high - low) / size <= MOST_TICKS) ?? (high - low) / MOST_TICKS;
  const ticks = [];
  for (let at = Math.ceil(low / step) * step; at <= high + 1e-9; at += step) ticks.push(at);
  return ticks;
}

export class Plot {
  constructor(svg) {
    this.svg = svg;
    this.width = 0;
    this.lines = {};
    this.grid = makeSvg("g", { class: "plot-grid" });
    this.minutes = makeSvg("g", { class: "plot-minutes" });
    this.ticks = [];
    svg.append(this.grid, this.minutes);
    for (const name of LINES) {
      this.lines[name] = makeSvg("path", { class: name });
      svg.append(this.lines[name]);
    }
    this.marks = MINUTES.map((minute) => {
      const mark = makeSvg("text", { y: HEIGHT - 6, "text-anchor": minute === 0 ? "end" : minute === 10 ? "start" : "middle" });
      mark.textContent = minute === 0 ? "now" : minute === 10 ? "10 min" : String(minute);
      this.minutes.append(mark);
      return mark;
    });
  }

  /** model: {points, nowS, bodyLimitC, oilLimitC, system}; limits may be null. */
  draw({ points, nowS, bodyLimitC, oilLimitC, system }) {
    this.fit();
    const degrees = (celsius) => (system === "us" ? celsius * 9 / 5 + 32 : celsius);
    const known = points.flatMap((point) => [point[BODY], point[OIL]]).concat([bodyLimitC, oilLimitC]).filter((value) => value !== null && value !== undefined);
    const [low, high] = span(known.map(degrees));
    const x = (atS) => LEFT + (1 - (nowS - atS) / SPAN_S) * (this.width - LEFT - RIGHT);
    const yOf = (value) => TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM);
    const y = (celsius) => yOf(degrees(celsius));
    setAttribute(this.lines["plot-body"], "d", pathOf(points, BODY, x, y));
    setAttribute(this.lines["plot-oil"], "d", pathOf(points, OIL, x, y));
    setAttribute(this.lines["plot-body-limit"], "d", this.level(bodyLimitC, y));
    setAttribute(this.lines["plot-oil-limit"], "d", this.level(oilLimitC, y));
    this.showTicks(ticksOf(low, high), yOf);
  }

  /** Take the width the page gives; text keeps its size, only lengths follow. */
  fit() {
    const width = Math.max(200, Math.round(this.svg.clientWidth));
    if (width === this.width) return;
    this.width = width;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    const inner = width - LEFT - RIGHT;
    this.marks.forEach((mark, i) => mark.setAttribute("x", (LEFT + inner * (1 - MINUTES[i] * 60 / SPAN_S)).toFixed(0)));
  }

  level(celsius, y) {
    return celsius === null || celsius === undefined ? "" : `M${LEFT} ${y(celsius).toFixed(1)}H${this.width - RIGHT}`;
  }

  showTicks(values, yOf) {
    while (this.ticks.length < values.length) {
      const tick = { line: makeSvg("path"), text: makeSvg("text", { x: LEFT - 6, "text-anchor": "end" }) };
      this.grid.append(tick.line, tick.text);
      this.ticks.push(tick);
    }
    this.ticks.forEach((tick, i) => {
      const value = values[i];
      const place = value === undefined ? "" : yOf(value).toFixed(1);
      setAttribute(tick.line, "d", place ? `M${LEFT} ${place}H${this.width - RIGHT}` : "");
      setText(tick.text, place ? String(value) : "");
      if (place) setAttribute(tick.text, "y", (Number(place) + 5).toFixed(1));
    });
  }
}

function span(values) {
  if (!values.length) return [0, LEAST_SPAN];
  const low = Math.floor(Math.min(...values) / 5) * 5 - 5;
  const high = Math.ceil(Math.max(...values) / 5) * 5 + 5;
  return high - low >= LEAST_SPAN ? [low, high] : [high - LEAST_SPAN, high];
}

/** The legend beside the plot: what is drawn, with its value now. entries: [[class of the line, words, celsius or null]]. */
export function showLegend(list, entries, system) {
  entries.forEach(([name, words, celsius], i) => {
    const item = list.children[i];
    setHidden(item, celsius === null || celsius === undefined);
    const { number, unit } = formatParts("temperature_c", celsius, system);
    setText(item.querySelector(".legend-words"), `${words} ${number}\u00a0${unit}`);
    setAttribute(item.querySelector("path"), "class", name);
  });
}
