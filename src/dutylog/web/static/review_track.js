// The way a trip took, drawn in metres: five steps of heat, each a width and a shade with its words.
import { byId, makeElement, makeSvg, positionWords } from "./elements.js";
import { formatQuantity } from "./quantity.js";
import { colours, drawn, Picture } from "./review_plot.js";
import { listenTo } from "./review_gestures.js";
import { hitWords } from "./review_lanes.js";
import { hms } from "./review_columns.js";

const NAMES = ["least heat", "little", "middling", "much", "most heat"];
const WIDTHS = [1.5, 3.5, 6, 9, 13];
const SHADES = [1, 0.86, 0.72, 0.86, 1]; // of the line's colour against the paper
const EDGE = { l: 12, r: 12, t: 12, b: 12 };
const LEAST_M = 50;
const TABLE_ROWS = 30;

export class TrackPart {
  constructor(plots, system, onMoment) {
    this.track = plots.track;
    this.seconds = plots.seconds;
    this.system = system;
    byId("track-part").hidden = false;
    this.picture = new Picture("track", Math.min(520, Math.max(320, window.innerWidth - 24)), EDGE);
    this.picture.cursor.classList.add("rv-dot");
    this.all();
    for (const [name, act] of Object.entries({ in: () => this.zoom(2), out: () => this.zoom(0.5), all: () => this.reset() })) byId(`track-${name}`).addEventListener("click", act);
    listenTo(this.picture.touch, {
      point: (x, y) => this.read(x, y, onMoment),
      box: (x0, y0, x1, y1) => this.box(x0, y0, x1, y1),
      pinch: (factor, x, y, dx, dy) => {
        const at = this.placeAt(x, y);
        this.scale = Math.max(LEAST_M / this.picture.inner.width, this.scale / factor);
        this.middle = { east: at.east - (x - this.picture.width / 2) * this.scale - dx * this.scale, north: at.north + (y - this.picture.height / 2) * this.scale + dy * this.scale };
        this.schedule();
      },
      reset: () => this.reset(),
    });
    this.picture.bindTable(() => this.tableOf());
  }

  /** Fit everything: metres a pixel, and the middle. */
  all() {
    const { north_m: north, east_m: east } = this.track;
    const ends = (list) => [list.reduce((a, b) => Math.min(a, b)), list.reduce((a, b) => Math.max(a, b))];
    const [south, up] = ends(north);
    const [west, right] = ends(east);
    const { width, height } = this.picture.inner;
    this.scale = Math.max(LEAST_M / width, (right - west) / (width - 20), (up - south) / (height - 20));
    this.middle = { east: (west + right) / 2, north: (south + up) / 2 };
    this.isAll = true;
  }

  reset() {
    this.all();
    this.draw();
  }

  schedule() {
    this.isAll = false;
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = null;
      this.draw();
    });
  }

  zoom(factor) {
    this.scale = Math.max(LEAST_M / this.picture.inner.width, this.scale / factor);
    if (this.at !== undefined && factor > 1) this.middle = { east: this.track.east_m[this.at], north: this.track.north_m[this.at] };
    this.schedule();
  }

  box(x0, y0, x1, y1) {
    const [a, b] = [this.placeAt(x0, y0), this.placeAt(x1, y1)];
    this.middle = { east: (a.east + b.east) / 2, north: (a.north + b.north) / 2 };
    this.scale = Math.max(LEAST_M / this.picture.inner.width, Math.max(Math.abs(x1 - x0) / this.picture.inner.width, Math.abs(y1 - y0) / this.picture.inner.height) * this.scale);
    this.schedule();
  }

  placeAt(x, y) {
    return { east: this.middle.east + (x - this.picture.width / 2) * this.scale, north: this.middle.north - (y - this.picture.height / 2) * this.scale };
  }

  pixelOf(i) {
    return { x: this.picture.width / 2 + (this.track.east_m[i] - this.middle.east) / this.scale, y: this.picture.height / 2 - (this.track.north_m[i] - this.middle.north) / this.scale };
  }

  draw() {
    if (!this.picture.width || !window.Plotly) return;
    if (this.isAll) this.all();
    const colour = colours();
    const { width, height } = this.picture.inner;
    const half = { east: width / 2 * this.scale, north: height / 2 * this.scale };
    const traces = NAMES.map((_name, step) => this.stepTrace(step, colour));
    traces.push(this.pointsTrace(this.track.stops, "square-open", 14, colour), this.pointsTrace(this.track.hits.filter((one) => one.kind === "bottomed"), "triangle-up", 13, colour), this.pointsTrace(this.track.hits.filter((one) => one.kind === "topped_out"), "triangle-down", 13, colour));
    const axis = { showticklabels: false, ticks: "", showgrid: false, showline: false };
    const annotations = [this.endNote(0, "start", colour), this.endNote(this.track.t_s.length - 1, "end", colour), ...this.scaleNote(colour)];
    const shapes = [this.scaleBar(colour)];
    this.picture.draw(traces, { ...axis, range: [this.middle.east - half.east, this.middle.east + half.east] }, { ...axis, range: [this.middle.north - half.north, this.middle.north + half.north] }, { annotations, shapes });
    this.showSteps(colour);
    this.showPoint();
    this.picture.fillTable();
    byId("track-all").disabled = this.isAll;
    if (this.at === undefined) this.picture.say("Triangle up: bottomed; triangle down: topped out; square: a stop.");
  }

  stepTrace(step, colour) {
    const { north_m: north, east_m: east, step: steps } = this.track;
    const x = [];
    const y = [];
    for (let i = 0; i + 1 < steps.length; i++) {
      if (steps[i] !== step) continue;
      x.push(east[i], east[i + 1], null);
      y.push(north[i], north[i + 1], null);
    }
    return { x, y, mode: "lines", line: { color: shadeOf(step, colour), width: WIDTHS[step], simplify: false } };
  }

  pointsTrace(points, symbol, size, colour) {
    return { x: points.map((one) => one.east_m), y: points.map((one) => one.north_m), mode: "markers", marker: { symbol, size, color: colour.raised, line: { color: colour.ink, width: 2.5 } } };
  }

  endNote(i, text, colour) {
    return { text, x: this.track.east_m[i], y: this.track.north_m[i], showarrow: true, arrowhead: 0, arrowwidth: 2, arrowcolor: colour.ink, ax: 0, ay: i ? 26 : -26, bgcolor: colour.raised, bordercolor: colour.ink, borderpad: 2, font: { size: 13, color: colour.ink } };
  }

  scaleLength() {
    const unit = this.system === "us" ? 1609.344 : 1000;
    const wanted = this.picture.inner.width / 3 * this.scale / unit;
    const power = 10 ** Math.floor(Math.log10(wanted));
    const round = [5, 2, 1].find((size) => size * power <= wanted) * power;
    return { metres: round * unit, words: `${Number(round.toPrecision(2))} ${this.system === "us" ? "mi" : "km"}` };
  }

  scaleBar(colour) {
    const share = this.scaleLength().metres / this.scale / this.picture.inner.width;
    return { type: "line", xref: "paper", yref: "paper", x0: 0, x1: share, y0: 0.01, y1: 0.01, line: { color: colour.ink, width: 4 } };
  }

  scaleNote(colour) {
    return [{ text: this.scaleLength().words, x: 0, y: 0.02, xref: "paper", yref: "paper", xanchor: "left", yanchor: "bottom", showarrow: false, font: { size: 13, color: colour.ink } }];
  }

  showSteps(colour) {
    const cuts = this.track.cuts_w.map((cut) => formatQuantity("power_w", cut, this.system));
    const bounds = NAMES.map((_name, step) => (step === 0 ? `below ${cuts[0]}` : step === 4 ? `above ${cuts[3]}` : `${cuts[step - 1]} to ${cuts[step]}`));
    byId("track-steps").replaceChildren(...NAMES.map((name, step) => {
      const sample = makeSvg("svg", { viewBox: "0 0 40 18", "aria-hidden": "true" });
      sample.append(makeSvg("path", { d: "M0 9H40", stroke: shadeOf(step, colour), "stroke-width": WIDTHS[step] }));
      return makeElement("li", "", sample, makeElement("span", "", makeElement("b", "", name), `: ${bounds[step]}`));
    }));
  }

  read(x, y, onMoment) {
    let best = Infinity;
    for (let i = 0; i < this.track.t_s.length; i++) {
      const at = this.pixelOf(i);
      const away = (at.x - x) ** 2 + (at.y - y) ** 2;
      if (away < best) [best, this.at] = [away, i];
    }
    if (this.at === undefined) return;
    this.showPoint();
    const hit = this.track.hits.find((one) => Math.hypot((one.east_m - this.track.east_m[this.at]) / this.scale, (one.north_m - this.track.north_m[this.at]) / this.scale) < 14);
    const words = hit ? `; ${positionWords(hit.position)} ${hitWords(hit.kind)} at ${formatQuantity("shaft_mps", hit.speed_mps, this.system)}` : "";
    this.picture.say(`${hms(this.track.t_s[this.at])}: ${formatQuantity("power_w", this.track.heat_w[this.at], this.system)} of heat${words}`);
    onMoment(this.track.t_s[this.at]);
  }

  showPoint() {
    const { cursor } = this.picture;
    cursor.hidden = this.at === undefined;
    if (cursor.hidden) return;
    const at = this.pixelOf(this.at);
    cursor.style.left = `${at.x}px`;
    cursor.style.top = `${at.y}px`;
  }

  tableOf() {
    const { t_s: times, north_m: north, east_m: east, heat_w: heat, step } = this.track;
    const rows = [];
    const every = Math.max(1, Math.ceil(times.length / TABLE_ROWS));
    const far = (metres) => `${(drawn("distance_m", Math.abs(metres), this.system)).toFixed(2)} ${this.system === "us" ? "mi" : "km"}`;
    for (let i = 0; i < times.length; i += every) {
      rows.push([hms(times[i]), `${far(north[i])} ${north[i] < 0 ? "south" : "north"}`, `${far(east[i])} ${east[i] < 0 ? "west" : "east"}`, formatQuantity("power_w", heat[i], this.system), step[i] === null ? "" : NAMES[step[i]]]);
    }
    return { columns: ["At", "From the start", "and", "Heat of all", "Step"], rows };
  }
}

/** Narrow steps stand out by their darkness, wide ones by their width; both by their words. */
function shadeOf(step, colour) {
  return SHADES[step] === 1 && step === 4 ? colour.ink : colour.bar;
}
