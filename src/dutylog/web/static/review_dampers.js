// How one damper worked: heat by shaft speed, strokes by length and frequency, time by travel.
import { byId, makeElement } from "./elements.js";
import { formatParts, formatQuantity } from "./quantity.js";
import { colours, drawn, MARGIN, Picture, unitOf } from "./review_plot.js";
import { listenTo } from "./review_gestures.js";
import { hitWords } from "./review_lanes.js";
import { nameOf } from "./review_columns.js";

const MOST_SIDE = 26; // of a square [px]

export class DampersPart {
  constructor(plots, system) {
    this.plots = plots;
    this.system = system;
    this.speed = new Picture("speed", 260, { ...MARGIN, b: 46 });
    this.strokes = new Picture("strokes", 320, { ...MARGIN, l: 58, b: 46 });
    this.position = new Picture("position", 260, { ...MARGIN, b: 46 });
    const choice = byId("damper-choice");
    plots.dampers.forEach((damper, d) => {
      const option = makeElement("option", "", nameOf(damper));
      option.value = String(d);
      choice.append(option);
    });
    this.chosen = hardest(plots);
    choice.value = String(this.chosen);
    choice.addEventListener("change", () => {
      this.chosen = Number(choice.value);
      this.draw();
    });
    const texts = [[this.speed, (x) => this.readSpeed(x)], [this.strokes, (x, y) => this.readStrokes(x, y)], [this.position, (x) => this.readPosition(x)]];
    for (const [picture, read] of texts) listenTo(picture.touch, { point: (x, y) => picture.say(read((x - picture.margin.l) / picture.inner.width, (y - picture.margin.t) / picture.inner.height)) });
    this.speed.bindTable(() => this.speedTable());
    this.strokes.bindTable(() => this.strokesTable());
    this.position.bindTable(() => this.positionTable());
  }

  draw() {
    if (!this.speed.width || !window.Plotly) return;
    this.drawSpeed();
    this.drawStrokes();
    this.drawPosition();
    for (const picture of [this.speed, this.strokes, this.position]) picture.fillTable();
  }

  // -- heat by shaft speed

  drawSpeed() {
    const colour = colours();
    const energy = this.plots.speed.energy_ratio[this.chosen];
    const time = this.plots.speed.time_ratio[this.chosen];
    const classes = energy.map((_share, i) => i);
    const percent = (list) => list.map((share) => share * 100);
    const traces = [
      { type: "bar", x: classes, y: percent(energy), marker: { color: colour.bar }, width: 0.84 },
      { x: classes, y: percent(time), mode: "lines", line: { color: colour.ink, width: 1.6, shape: "hvh" } },
    ];
    const middle = (energy.length - 1) / 2;
    const edges = this.plots.speed.edges_mps;
    const wanted = [0.1, 0.5, 2, 6].map((edge) => edges.indexOf(edge)).filter((i) => i >= 0);
    const tickvals = [...wanted.map((i) => middle - i - 0.5), ...wanted.map((i) => middle + i + 0.5)];
    const text = (i) => trim(drawn("shaft_mps", edges[i], this.system));
    const ticktext = [...wanted.map((i) => text(i)), ...wanted.map((i) => text(i))];
    const top = Math.max(...percent(energy), ...percent(time).map((share, i) => (i === middle ? 0 : share)), 1) * 1.25;
    const annotations = [
      side("rebound", 0, "left", colour), side("compression", 1, "right", colour),
      below(`shaft speed, ${unitOf("shaft_mps", this.system)}`, colour), unit("%", colour),
    ];
    const shapes = [{ type: "line", yref: "paper", x0: middle, x1: middle, y0: 0, y1: 1, line: { color: colour.quiet, width: 1, dash: "2px,3px" } }];
    this.speed.draw(traces, { range: [-0.6, energy.length - 0.4], tickvals, ticktext, showgrid: false }, { range: [0, top], nticks: 5 }, { annotations, shapes });
    const most = energy.indexOf(Math.max(...energy));
    this.speed.say(`Most of it: ${this.speedWords(most)}`);
  }

  speedClass(i) {
    const edges = this.plots.speed.edges_mps;
    const middle = edges.length;
    const away = Math.abs(i - middle);
    const words = (edge) => formatQuantity("shaft_mps", edge, this.system);
    if (away === 0) return `standing, below ${words(edges[0])}`;
    const way = i < middle ? "rebound" : "compression";
    return away === edges.length ? `${way}, above ${words(edges[away - 1])}` : `${way}, ${formatParts("shaft_mps", edges[away - 1], this.system).number} to ${words(edges[away])}`;
  }

  speedWords(i) {
    return `${this.speedClass(i)}: ${share(this.plots.speed.energy_ratio[this.chosen][i])} of its heat, ${share(this.plots.speed.time_ratio[this.chosen][i])} of the time`;
  }

  readSpeed(x) {
    const count = this.plots.speed.energy_ratio[this.chosen].length;
    return this.speedWords(clamp(Math.round(-0.6 + x * (count + 0.2)), 0, count - 1));
  }

  speedTable() {
    const { energy_ratio: energy, time_ratio: time } = this.plots.speed;
    const rows = energy[this.chosen].map((_share, i) => [this.speedClass(i), share(energy[this.chosen][i]), share(time[this.chosen][i])]);
    return { columns: ["Shaft speed", "Of its heat", "Of the time"], rows };
  }

  // -- strokes

  drawStrokes() {
    const colour = colours();
    const counts = this.plots.strokes.counts[this.chosen];
    const most = Math.max(1, ...counts.map(([, , count]) => count));
    const side = counts.map(([, , count]) => Math.max(4, Math.sqrt(count / most) * MOST_SIDE));
    const traces = [{
      x: counts.map(([, f]) => f), y: counts.map(([l]) => l), mode: "markers",
      marker: { symbol: "square", size: side, sizemode: "diameter", color: colour.bar, line: { color: colour.ink, width: 1.5 } }, cliponaxis: false,
    }];
    const lengths = this.plots.strokes.length_edges_m;
    const frequencies = this.plots.strokes.frequency_edges_hz;
    const wanted = [1, 3, 6, 10, 20, 40].map((hz) => frequencies.indexOf(hz)).filter((i) => i >= 0);
    const xaxis = { range: [-0.7, frequencies.length + 0.7], tickvals: wanted.map((i) => i + 0.5), ticktext: wanted.map((i) => String(frequencies[i])) };
    const yaxis = { range: [-0.7, lengths.length + 1.9], tickvals: lengths.map((_edge, i) => i + 0.5), ticktext: lengths.map((edge) => trim(drawn("travel_m", edge, this.system))) };
    const annotations = [below("strokes a second, Hz", colour), { ...unit(`length, ${unitOf("travel_m", this.system)}`, colour), x: 0 }];
    this.strokes.draw(traces, xaxis, yaxis, { annotations });
    const total = counts.reduce((sum, [, , count]) => sum + count, 0);
    const first = counts.reduce((best, one) => (best === null || one[2] > best[2] ? one : best), null);
    this.strokes.say(first ? `Most: ${this.cellWords(first)}, ${share(first[2] / total)} of all` : "No strokes were counted.");
  }

  lengthClass(i) {
    const edges = this.plots.strokes.length_edges_m;
    const words = (edge) => formatQuantity("travel_m", edge, this.system);
    if (i === 0) return `below ${words(edges[0])}`;
    return i === edges.length ? `above ${words(edges[i - 1])}` : `${formatParts("travel_m", edges[i - 1], this.system).number} to ${words(edges[i])}`;
  }

  frequencyClass(i) {
    const edges = this.plots.strokes.frequency_edges_hz;
    if (i === 0) return `below ${edges[0]}\u00a0Hz`;
    return i === edges.length ? `above ${edges[i - 1]}\u00a0Hz` : `${edges[i - 1]} to ${edges[i]}\u00a0Hz`;
  }

  cellWords([l, f, count]) {
    return `${formatQuantity("count", count, this.system)} strokes of ${this.lengthClass(l)} at ${this.frequencyClass(f)}`;
  }

  readStrokes(x, y) {
    const { counts, length_edges_m: lengths, frequency_edges_hz: frequencies } = this.plots.strokes;
    const f = clamp(Math.round(-0.7 + x * (frequencies.length + 1.4)), 0, frequencies.length);
    const l = clamp(Math.round(-0.7 + (1 - y) * (lengths.length + 2.6)), 0, lengths.length);
    return this.cellWords(counts[this.chosen].find((one) => one[0] === l && one[1] === f) ?? [l, f, 0]);
  }

  strokesTable() {
    const counts = this.plots.strokes.counts[this.chosen];
    const columns = [...new Set(counts.map(([, f]) => f))].sort((a, b) => a - b);
    const lengths = [...new Set(counts.map(([l]) => l))].sort((a, b) => a - b);
    const at = new Map(counts.map(([l, f, count]) => [`${l} ${f}`, count]));
    const rows = lengths.map((l) => [this.lengthClass(l), ...columns.map((f) => formatQuantity("count", at.get(`${l} ${f}`) ?? 0, this.system))]);
    return { columns: ["Length", ...columns.map((f) => this.frequencyClass(f))], rows };
  }

  // -- time by travel

  drawPosition() {
    const colour = colours();
    const { start_m: start, class_m: size, time_ratio: times } = this.plots.position;
    const damper = this.plots.dampers[this.chosen];
    const middles = times[this.chosen].map((_share, i) => drawn("travel_m", start + (i + 0.5) * size, this.system));
    const traces = [{ type: "bar", x: middles, y: times[this.chosen].map((ratio) => ratio * 100), marker: { color: colour.bar }, width: drawn("travel_m", size, this.system) * 0.86 }];
    const marks = [["strap", damper.strap_m], ["bump stop", damper.bump_stop_m], ["bottomed", damper.stroke_m]].filter(([, at]) => at !== null);
    const top = Math.max(1, ...traces[0].y);
    const shapes = marks.map(([, at]) => ({ type: "line", x0: drawn("travel_m", at, this.system), x1: drawn("travel_m", at, this.system), y0: 0, y1: top * 1.3, line: { color: colour.ink, width: 2, dash: "6px,4px" } }));
    const annotations = marks.map(([text, at], i) => ({ text, x: drawn("travel_m", at, this.system), y: top * (1.58 - 0.12 * (i % 2)), showarrow: false, xanchor: i === 0 && text === "strap" ? "left" : "right", yanchor: "top", font: { size: 13, color: colour.ink } }));
    annotations.push(below(`travel, ${unitOf("travel_m", this.system)}`, colour), unit("%", colour));
    const range = [drawn("travel_m", start, this.system), drawn("travel_m", Math.max(damper.stroke_m + size, start + size * 2), this.system)];
    this.position.draw(traces, { range, nticks: 7 }, { range: [0, top * 1.62], nticks: 5 }, { shapes, annotations });
    this.positionRange = range;
    this.position.say(this.contactWords());
  }

  contactWords() {
    const met = Object.entries(this.plots.position.contacts_count[this.chosen]).filter(([, count]) => count);
    return met.length ? met.map(([kind, count]) => `${hitWords(kind)} ${formatQuantity("count", count, this.system)} times`).join(", ") : "No end of travel was met.";
  }

  positionClass(i) {
    const { start_m: start, class_m: size } = this.plots.position;
    return `${formatParts("travel_m", start + i * size, this.system).number} to ${formatQuantity("travel_m", start + (i + 1) * size, this.system)}`;
  }

  readPosition(x) {
    const { start_m: start, class_m: size, time_ratio: times } = this.plots.position;
    const at = this.positionRange[0] + x * (this.positionRange[1] - this.positionRange[0]);
    const scale = drawn("travel_m", 1, this.system);
    const i = clamp(Math.floor((at / scale - start) / size), 0, times[this.chosen].length - 1);
    return `${this.positionClass(i)}: ${share(times[this.chosen][i])} of the time`;
  }

  positionTable() {
    const rows = this.plots.position.time_ratio[this.chosen].map((ratio, i) => [this.positionClass(i), share(ratio)]);
    const ends = Object.entries(this.plots.position.contacts_count[this.chosen]).map(([kind, count]) => [hitWords(kind), `${formatQuantity("count", count, this.system)} times`]);
    return { columns: ["Travel", "Of the time"], rows: [...ends, ...rows] };
  }
}

const share = (ratio) => formatQuantity("share_ratio", ratio, "metric");
const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
const trim = (value) => String(Number(value.toPrecision(2)));

function hardest(plots) {
  const sums = plots.time.heat_w.map((list) => list.reduce((sum, value) => sum + (value ?? 0), 0));
  return Math.max(0, sums.indexOf(Math.max(...sums)));
}

function side(text, x, xanchor, colour) {
  return { text, x, y: 1, xref: "paper", yref: "paper", xanchor, yanchor: "top", xshift: x ? -4 : 26, showarrow: false, font: { size: 14, color: colour.ink } };
}

function below(text, colour) {
  return { text, x: 0.5, y: 0, yshift: -26, xref: "paper", yref: "paper", xanchor: "center", yanchor: "top", showarrow: false, font: { size: 13, color: colour.quiet } };
}

function unit(text, colour) {
  return { text, x: 0, y: 1, xref: "paper", yref: "paper", xanchor: "left", yanchor: "top", xshift: 4, showarrow: false, font: { size: 13, color: colour.quiet } };
}
