// What happened when, one lane for each: roads, hits by kind, and what was not measured. Lanes bear their words, so no colour is needed.
import { positionWords } from "./elements.js";
import { formatQuantity } from "./quantity.js";
import { colours, MARGIN, Picture } from "./review_plot.js";

const LANE = 34;
const LANE_WORDS = 44;
const WORDS = { bump_stop: "bump stop reached", bottomed: "bottomed", strap: "limit strap reached", topped_out: "topped out" };
const SYMBOLS = { bump_stop: "line-ns-open", bottomed: "triangle-up", strap: "x-thin-open", topped_out: "triangle-down" };
const ROADS = ["street", "graded", "washboard", "rough", "jumps", "parked"];
const WHOLE = 0.98; // less than that measured of a bin is drawn as not measured

export const hitWords = (kind) => WORDS[kind] ?? kind;

export class LanesPicture extends Picture {
  constructor(plots) {
    const lanes = lanesOf(plots);
    super("lanes", MARGIN.t + MARGIN.b + LANE * Math.max(1, lanes.length), { ...MARGIN, l: 12 });
    this.plots = plots;
    this.lanes = lanes;
    // the same left edge as the pictures above, so that a moment stands below itself
    this.margin = { ...MARGIN };
    this.figure.hidden = !lanes.length;
  }

  drawLanes(range, xaxis) {
    if (this.figure.hidden) return;
    const colour = colours();
    const count = this.lanes.length;
    const level = (place) => count - place - 0.72;
    const traces = this.lanes.map((lane, place) => (lane.points ? pointTrace(lane, level(place), colour) : barTrace(lane, level(place), colour)));
    const annotations = this.lanes.map((lane, place) => ({
      text: lane.words, x: 0, xref: "paper", y: count - place, yanchor: "top", xanchor: "left", showarrow: false, font: { size: 13, color: colour.ink },
    }));
    const shapes = this.lanes.slice(1).map((_lane, place) => ({ type: "line", xref: "paper", x0: 0, x1: 1, y0: count - place - 1, y1: count - place - 1, line: { color: colour.rule, width: 1 } }));
    this.draw(traces, xaxis, { range: [0, count], showticklabels: false, ticks: "", showgrid: false }, { annotations, shapes });
  }

  /** Everything of the lanes within a stretch, in the order of time. */
  tableOf([from, to], system) {
    const rows = [];
    for (const one of this.plots.segments) {
      if (one.end_s > from && one.start_s < to) rows.push([one.start_s, one.kind + (one.is_said ? ", put right by people" : ""), "", formatQuantity("duration_s", one.end_s - one.start_s, system)]);
    }
    for (const one of this.plots.hits) {
      if (one.t_s >= from && one.t_s < to) rows.push([one.t_s, WORDS[one.kind] + (one.count > 1 ? `, hardest of ${one.count}` : ""), positionWords(one.position), formatQuantity("shaft_mps", one.speed_mps, system)]);
    }
    for (const lane of this.lanes.filter((one) => one.position)) {
      for (const [start, end] of lane.bars) if (end > from && start < to) rows.push([start, "not wholly measured", positionWords(lane.position), formatQuantity("duration_s", end - start, system)]);
    }
    for (const one of this.plots.faults) {
      if (one.end_s > from && one.start_s < to) rows.push([one.start_s, wordsOf(one), positionWords(one.position), formatQuantity("duration_s", one.end_s - one.start_s, system)]);
    }
    rows.sort((a, b) => a[0] - b[0]);
    return { columns: ["At", "What", "Damper", "For, or shaft speed"], rows: rows.slice(0, 500).map(([t, ...rest]) => [formatQuantity("duration_s", t, system), ...rest]) };
  }
}

function lanesOf(plots) {
  const lanes = [];
  for (const kind of ROADS) {
    const bars = plots.segments.filter((one) => one.kind === kind).map((one) => [one.start_s, one.end_s]);
    if (bars.length) lanes.push({ kind, words: `${kind}, ${formatQuantity("duration_s", bars.reduce((sum, [a, b]) => sum + b - a, 0), "metric")}`, bars, width: 12 });
  }
  for (const kind of Object.keys(WORDS)) {
    const points = plots.hits.filter((one) => one.kind === kind);
    if (points.length) lanes.push({ kind, words: `${WORDS[kind]}, ${formatQuantity("count", points.reduce((sum, one) => sum + one.count, 0), "metric")} times`, points });
  }
  for (const { position, measured_ratio: measured } of plots.coverage) {
    const bars = unmeasured(plots.time, measured);
    if (bars.length) lanes.push({ position, words: `not measured: ${positionWords(position)}`, bars, width: 8 });
  }
  // A lane for each kind, not for each damper: eight dampers with a fault or two would fill the screen.
  for (const kind of new Set(plots.faults.map((one) => one.kind))) {
    const faults = plots.faults.filter((one) => one.kind === kind);
    const places = [...new Set(faults.map((one) => positionWords(one.position)))];
    let words = `${wordsOf(faults[0])}: ${places.length > 1 ? `${places.length} dampers` : places[0]}`;
    // What a phone's lane has no room for stands in the table.
    if (words.length > LANE_WORDS) words = `${wordsOf(faults[0])}: 1 damper`;
    lanes.push({ kind, words, faults, bars: faults.map((one) => [one.start_s, one.end_s]), width: 8 });
  }
  return lanes;
}

/** What a sensor did while it told nothing true. */
export const wordsOf = (fault) => fault.words ?? positionWords(fault.kind);

function unmeasured(time, measured) {
  const bars = [];
  measured.forEach((ratio, i) => {
    if (ratio >= WHOLE) return;
    const [start, end] = [time.t_s[i], time.t_s[i] + time.width_s];
    const last = bars[bars.length - 1];
    if (last && start - last[1] < 0.5) last[1] = end;
    else bars.push([start, end]);
  });
  return bars;
}

function barTrace(lane, y, colour) {
  const x = lane.bars.flatMap(([start, end]) => [start, end, null]);
  const trace = { x, y: x.map((at) => (at === null ? null : y)), mode: "lines", line: { color: lane.position || lane.faults ? colour.ink : colour.bar, width: lane.width } };
  // A fault of seconds in a trip of hours would be thinner than a dot.
  if (lane.faults) Object.assign(trace, { mode: "lines+markers", marker: { symbol: "diamond", size: 9, color: colour.ink } });
  return trace;
}

function pointTrace(lane, y, colour) {
  const marker = { symbol: SYMBOLS[lane.kind], size: 13, color: colour.ink, line: { width: 2, color: colour.ink } };
  return { x: lane.points.map((one) => one.t_s), y: lane.points.map(() => y), mode: "markers", marker, cliponaxis: false };
}
