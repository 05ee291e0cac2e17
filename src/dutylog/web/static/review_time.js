// The pictures over time: one stretch of time for all of them, read at one moment.
import { byId, makeElement, makeSvg, positionWords, setText } from "./elements.js";
import { formatQuantity } from "./quantity.js";
import { columnsOf, DETAIL_BELOW_S, DETAIL_S, hms, largest, nameOf, nearest, smallest, smoothed, timeTable, timeTicks } from "./review_columns.js";
import { colours, drawn, lineOf, Picture } from "./review_plot.js";
import { listenTo } from "./review_gestures.js";
import { hitWords, LanesPicture, wordsOf } from "./review_lanes.js";

const LEAST_SPAN_S = 20;
const LIMIT_NEAR_K = 25; // a limit far above all that was would press the lines flat

export class TimePart {
  constructor(plots, key, system) {
    this.plots = plots;
    this.key = key;
    this.system = system;
    this.range = [0, plots.seconds];
    this.moment = null;
    this.off = new Set();
    this.details = new Map();
    this.body = new Picture("body", 240);
    this.heat = new Picture("heat", 200);
    this.lanes = new LanesPicture(plots);
    this.pictures = [this.body, this.heat, this.lanes];
    this.makeLines();
    this.bind();
  }

  bind() {
    const slider = byId("moment");
    slider.addEventListener("input", () => this.showMoment(this.range[0] + slider.value / 1000 * (this.range[1] - this.range[0])));
    const buttons = { in: () => this.zoom(2), out: () => this.zoom(0.5), back: () => this.move(-0.5), on: () => this.move(0.5), all: () => this.setRange(0, this.plots.seconds) };
    for (const [name, act] of Object.entries(buttons)) byId(`time-${name}`).addEventListener("click", act);
    for (const picture of this.pictures) {
      listenTo(picture.touch, {
        point: (x) => this.showMoment(this.timeAt(picture, x)),
        leave: () => this.showMoment(null),
        box: (x0, _y0, x1) => this.setRange(this.timeAt(picture, Math.min(x0, x1)), this.timeAt(picture, Math.max(x0, x1))),
        pinch: (factor, x, _y, dx) => {
          const at = this.timeAt(picture, x);
          const perPx = (this.range[1] - this.range[0]) / picture.inner.width;
          this.setRange(at - (at - this.range[0]) / factor - dx * perPx, at + (this.range[1] - at) / factor - dx * perPx);
        },
        reset: () => this.setRange(0, this.plots.seconds),
      });
      picture.bindTable(picture === this.lanes ? () => this.lanes.tableOf(this.range, this.system) : () => this.tableOf(picture === this.body));
    }
  }

  timeAt(picture, x) {
    const share = Math.min(1, Math.max(0, (x - picture.margin.l) / picture.inner.width));
    return this.range[0] + share * (this.range[1] - this.range[0]);
  }

  zoom(factor) {
    const at = this.moment ?? (this.range[0] + this.range[1]) / 2;
    const half = (this.range[1] - this.range[0]) / factor / 2;
    this.setRange(at - half, at + half);
  }

  move(share) {
    const by = share * (this.range[1] - this.range[0]);
    this.setRange(this.range[0] + by, this.range[1] + by);
  }

  /** Show a stretch; kept within the trip and not shorter than can be told apart. */
  setRange(from, to) {
    const whole = this.plots.seconds;
    const span = Math.min(whole, Math.max(LEAST_SPAN_S, to - from));
    const middle = (from + to) / 2;
    const start = Math.min(Math.max(0, middle - span / 2), whole - span);
    this.range = [start, start + span];
    if (this.moment !== null && (this.moment < start || this.moment > start + span)) this.moment = null;
    this.schedule();
    this.fetchDetails();
  }

  schedule() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = null;
      this.draw();
    });
  }

  async fetchDetails() {
    if (this.range[1] - this.range[0] >= DETAIL_BELOW_S) return;
    for (let part = Math.floor(this.range[0] / DETAIL_S); part * DETAIL_S < this.range[1]; part++) {
      if (this.details.has(part)) continue;
      this.details.set(part, null);
      try {
        const answer = await fetch(`/trips/${this.key}/detail/${part}`);
        if (answer.ok) this.details.set(part, await answer.json());
        this.schedule();
      } catch {
        this.details.delete(part); // the line broke; the next move asks again
      }
    }
  }

  draw() {
    const { width } = this.body;
    if (!width || !window.Plotly) return;
    const shown = columnsOf(this.plots, this.details, this.range);
    this.shown = shown;
    const xaxis = { range: this.range, ...timeTicks(this.range, width) };
    this.drawBody(shown, xaxis);
    this.drawHeat(shown, xaxis);
    this.lanes.drawLanes(this.range, xaxis);
    this.showMoment(this.moment);
    for (const picture of this.pictures) picture.fillTable();
    byId("time-in").disabled = this.range[1] - this.range[0] <= LEAST_SPAN_S;
    const isAll = this.range[1] - this.range[0] >= this.plots.seconds - 0.5;
    for (const name of ["out", "back", "on", "all"]) byId(`time-${name}`).disabled = isAll;
  }

  linesOf(shown, kind, name) {
    return this.plots.dampers.map((_damper, d) => {
      const { color, dash } = lineOf(d);
      const y = shown[name][d].map((value) => drawn(kind, value, this.system));
      return { x: shown.t_s, y, mode: "lines", line: { color, dash, width: 2.4 }, visible: !this.off.has(d), connectgaps: false };
    });
  }

  drawBody(shown, xaxis) {
    const colour = colours();
    const turn = (value) => drawn("temperature_c", value, this.system);
    const traces = this.linesOf(shown, "temperature_c", "body");
    const air = shown.ambient.map(turn);
    const known = traces.filter((one) => one.visible).flatMap((one) => one.y).concat(air).filter((value) => value !== null);
    this.body.figure.hidden = !this.plots.time.body_high_c.some((list) => list.some((value) => value !== null));
    if (this.body.figure.hidden) return;
    traces.push({ x: shown.t_s, y: air, mode: "lines", line: { color: colour.quiet, width: 1.5, dash: "1px,3px" } });
    const high = largest(known);
    const limits = [...new Set(this.plots.dampers.map((one) => one.body_limit_c))].filter((limit) => limit !== null && turn(limit) - high < drawnSpan(LIMIT_NEAR_K, this.system));
    const top = Math.max(high, ...limits.map(turn));
    const low = smallest(known);
    const pad = Math.max(3, (top - low) * 0.08);
    const shapes = limits.map((limit) => ({ type: "line", xref: "paper", x0: 0, x1: 1, y0: turn(limit), y1: turn(limit), line: { color: colour.ink, width: 2, dash: "6px,4px" } }));
    const annotations = limits.map((limit) => note(`limit ${formatQuantity("temperature_c", limit, this.system)}`, 1, turn(limit), "right", "bottom", colour.ink));
    const last = air.findLast((value) => value !== null);
    if (last !== undefined) annotations.push(note("air", 1, last, "right", "bottom", colour.quiet));
    this.body.draw(traces, xaxis, { range: [low - pad, top + 2.6 * pad], nticks: 6 }, { shapes, annotations: [...annotations, unitNote(this.system === "us" ? "°F" : "°C", colour)] });
  }

  drawHeat(shown, xaxis) {
    const traces = this.linesOf(smoothed(shown), "power_w", "heat");
    const top = largest(traces.filter((one) => one.visible).flatMap((one) => one.y).filter((value) => value !== null)) || 100;
    const kilo = top >= 2000;
    if (kilo) for (const one of traces) one.y = one.y.map((value) => (value === null ? null : value / 1000));
    this.heat.draw(traces, xaxis, { range: [0, (kilo ? top / 1000 : top) * 1.12], nticks: 5 }, { annotations: [unitNote(kilo ? "kW" : "W", colours())] });
  }

  makeLines() {
    const list = byId("lines");
    this.lineItems = this.plots.dampers.map((damper, d) => {
      const sample = makeSvg("svg", { viewBox: "0 0 34 16", "aria-hidden": "true" });
      const path = makeSvg("path", { d: "M0 8H34" });
      sample.append(path);
      const words = makeElement("span", "");
      const button = makeElement("button", "rv-line", sample, makeElement("b", "", nameOf(damper)), words);
      button.type = "button";
      button.setAttribute("aria-pressed", "true");
      button.addEventListener("click", () => {
        if (this.off.has(d)) this.off.delete(d);
        else this.off.add(d);
        button.setAttribute("aria-pressed", String(!this.off.has(d)));
        this.draw();
      });
      list.append(makeElement("li", "", button));
      return { path, words };
    });
  }

  /** Read all pictures at a moment; null: the highest of the stretch instead. */
  showMoment(t) {
    this.moment = t;
    const span = this.range[1] - this.range[0];
    const share = t === null ? null : (t - this.range[0]) / span;
    for (const picture of this.pictures) picture.pointAt(share);
    if (!this.shown) return;
    const slider = byId("moment");
    slider.value = String(Math.round((share ?? 0) * 1000));
    const at = t === null ? -1 : nearest(this.shown.t_s, t);
    const known = at >= 0 && Math.abs(this.shown.t_s[at] - t) < 1.5 * Math.max(2, this.plots.time.width_s);
    this.lineItems.forEach(({ path, words }, d) => {
      const line = lineOf(d);
      path.setAttribute("stroke", line.color);
      path.setAttribute("stroke-dasharray", line.svgDash);
      const pick = (list) => (t === null ? largest(list.filter((value) => value !== null)) : known ? list[at] : null);
      const body = formatQuantity("temperature_c", pick(this.shown.body[d]), this.system);
      const heat = formatQuantity("power_w", pick(t === null ? this.shown.heatHigh[d] : this.shown.heat[d]), this.system);
      setText(words, `${body}, ${heat}`);
    });
    const text = t === null ? `${hms(this.range[0])} to ${hms(this.range[1])}: highest of each` : this.momentWords(t, known ? this.shown.mps[at] : null);
    setText(byId("moment-words"), text);
    slider.setAttribute("aria-valuetext", t === null ? "no moment chosen" : text);
  }

  momentWords(t, mps) {
    const within = Math.min(t, this.plots.seconds - 0.001);
    const road = this.plots.segments.find((one) => one.start_s <= within && within < one.end_s);
    const hit = this.plots.hits.find((one) => Math.abs(one.t_s - t) < (this.range[1] - this.range[0]) / 150);
    const words = [hms(t)];
    if (road) words.push(road.kind);
    if (mps !== null && mps !== undefined) words.push(formatQuantity("speed_mps", mps, this.system));
    const fault = this.plots.faults.find((one) => one.start_s <= t && t < one.end_s);
    if (fault) words.push(`${positionWords(fault.position)} ${wordsOf(fault)}`);
    if (hit) words.push(`${positionWords(hit.position)} ${hitWords(hit.kind)}, ${formatQuantity("shaft_mps", hit.speed_mps, this.system)}`);
    return words.join(", ");
  }

  tableOf(isBody) {
    const shown = this.shown ?? columnsOf(this.plots, this.details, this.range);
    return timeTable(this.plots, shown, this.range, this.system, isBody);
  }
}

const drawnSpan = (kelvins, system) => (system === "us" ? kelvins * 9 / 5 : kelvins);

function note(text, x, y, xanchor, yanchor, color) {
  return { text, x, y, xref: "paper", xanchor, yanchor, showarrow: false, font: { size: 13, color } };
}

function unitNote(text, colour) {
  return { text, x: 0, y: 1, xref: "paper", yref: "paper", xanchor: "left", yanchor: "top", xshift: 4, showarrow: false, font: { size: 13, color: colour.quiet } };
}
