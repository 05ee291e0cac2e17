// One picture: drawn by the plot script, touched through a layer of our own that lies over it.
import { makeElement } from "./elements.js";
import { formatParts } from "./quantity.js";

export const MARGIN = { l: 46, r: 12, t: 10, b: 28 };
const DASHES = ["solid", "9px,4px", "2px,4px", "10px,4px,2px,4px", "16px,4px", "5px,2px", "2px,2px,2px,6px", "14px,3px,2px,3px,2px,3px"];
const SVG_DASHES = DASHES.map((dash) => (dash === "solid" ? "" : dash.replaceAll("px", "")));

/** What a damper's line looks like, by its place: colour and dashes, so that either is enough. */
export function lineOf(place) {
  const style = getComputedStyle(document.documentElement);
  return { color: style.getPropertyValue(`--rv-${place % 4 + 1}`).trim(), dash: DASHES[place % DASHES.length], svgDash: SVG_DASHES[place % SVG_DASHES.length] };
}

export function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { paper: of("paper"), ink: of("ink"), quiet: of("quiet"), rule: of("rule"), raised: of("raised"), accent: of("accent"), bar: of("bar"), bed: of("bed") };
}

/** A number of one kind as it is drawn: in the reader's unit, without its text. */
export function drawn(kind, value, system) {
  if (value === null || value === undefined) return null;
  const us = system === "us";
  switch (kind) {
    case "temperature_c": return us ? value * 9 / 5 + 32 : value;
    case "shaft_mps": return us ? value / 0.0254 : value;
    case "travel_m": return us ? value / 0.0254 : value * 1000;
    case "distance_m": return us ? value / 1609.344 : value / 1000;
    default: return value;
  }
}

export const unitOf = (kind, system) => formatParts(kind, kind === "distance_m" ? 1e6 : 0, system).unit;

export class Picture {
  /** name: of the figure; height [px]. */
  constructor(name, height, margin = MARGIN) {
    this.figure = document.getElementById(`fig-${name}`);
    this.box = this.figure.querySelector(".rv-plot");
    this.touch = this.figure.querySelector(".rv-touch");
    this.cursor = this.figure.querySelector(".rv-cursor");
    this.said = this.figure.querySelector(".rv-said");
    this.table = this.figure.querySelector(".rv-table");
    this.margin = margin;
    this.setHeight(height);
  }

  setHeight(height) {
    this.height = height;
    this.box.style.height = `${height}px`;
  }

  get width() {
    return this.box.clientWidth;
  }

  /** Pixels between the axes. */
  get inner() {
    return { width: Math.max(1, this.width - this.margin.l - this.margin.r), height: Math.max(1, this.height - this.margin.t - this.margin.b) };
  }

  draw(traces, xaxis, yaxis, more = {}) {
    const colour = colours();
    const axis = {
      fixedrange: true, zeroline: false, showline: true, linecolor: colour.quiet, gridcolor: colour.bed, ticks: "outside", ticklen: 4,
      tickcolor: colour.quiet, tickfont: { size: 13, color: colour.ink }, automargin: false,
    };
    const layout = {
      width: this.width, height: this.height, margin: this.margin, showlegend: false, hovermode: false, dragmode: false,
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, size: 13, color: colour.ink },
      xaxis: { ...axis, ...xaxis }, yaxis: { ...axis, ...yaxis }, ...more,
    };
    window.Plotly.react(this.box, traces, layout, { staticPlot: true, displayModeBar: false, responsive: false });
  }

  say(text) {
    this.said.textContent = text;
  }

  /** Put the cursor at a share of the width between the axes; null: away. */
  pointAt(share) {
    this.cursor.hidden = share === null || share < 0 || share > 1;
    if (!this.cursor.hidden) this.cursor.style.left = `${this.margin.l + share * this.inner.width - 1}px`;
  }

  /** Make the table anew when somebody opens it, and while it is open. make(): {columns, rows} of texts. */
  bindTable(make) {
    const fill = () => {
      if (this.table.open) this.table.querySelector(".scroll").replaceChildren(makeTable(make(), this.figure.querySelector("h3").textContent));
    };
    this.table.addEventListener("toggle", fill);
    this.fillTable = fill;
  }
}

function makeTable({ columns, rows }, title) {
  const head = makeElement("tr", "", ...columns.map((text) => {
    const cell = makeElement("th", "", text);
    cell.scope = "col";
    return cell;
  }));
  const body = rows.map(([first, ...rest]) => {
    const name = makeElement("th", "", first);
    name.scope = "row";
    return makeElement("tr", "", name, ...rest.map((text) => makeElement("td", "", text)));
  });
  return makeElement("table", "", makeElement("caption", "hidden", title), makeElement("thead", "", head), makeElement("tbody", "", ...body));
}
