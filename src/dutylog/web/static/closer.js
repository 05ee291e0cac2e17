// A closer look at one damper: the last ten minutes as a plot and as a table, and what the logger says of it in sentences.
import { byId, makeElement, positionWords, setAttribute, setHidden, setText } from "./elements.js";
import { minutesOf, SPAN_S } from "./history.js";
import { Plot, showLegend } from "./plot.js";
import { formatQuantity, inUnits } from "./quantity.js";

const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit" });

export class Closer {
  /** onPick(position) when another damper is chosen here. */
  constructor(onPick) {
    this.section = byId("closer");
    this.select = byId("closer-damper");
    this.plot = new Plot(byId("plot"));
    this.position = null;
    this.inSight = true;
    this.options = "";
    this.tableShown = "";
    this.select.addEventListener("change", () => onPick(this.select.value));
    if (globalThis.IntersectionObserver) {
      this.inSight = false;
      new IntersectionObserver((entries) => { this.inSight = entries[entries.length - 1].isIntersecting; this.redraw?.(); }).observe(this.section);
    }
  }

  pick(position, withFocus) {
    this.position = position;
    if (!withFocus) return;
    this.section.scrollIntoView({ block: "start" });
    byId("closer-title").focus({ preventScroll: true });
  }

  /** scene: {system, nowS, zeroMs, histories}; histories: Map of position to History. */
  show(dampers, scene) {
    setHidden(this.section, !dampers.length);
    if (!dampers.length) return;
    const damper = dampers.find((one) => one.position === this.position) ?? dampers[0];
    this.position = damper.position;
    this.showOptions(dampers);
    this.redraw = () => this.draw(damper, scene);
    this.redraw();
  }

  showOptions(dampers) {
    const wanted = JSON.stringify(dampers.map((damper) => damper.position));
    if (wanted !== this.options) {
      this.options = wanted;
      this.select.replaceChildren(...dampers.map(({ position }) => new Option(positionWords(position), position)));
    }
    if (this.select.value !== this.position) this.select.value = this.position;
  }

  draw(damper, scene) {
    const history = scene.histories.get(damper.position);
    const { system, nowS } = scene;
    // a plot nobody sees costs nothing; words and table are cheap, and a screen reader may be in them
    if (this.inSight || !this.plot.width) this.plot.draw({ points: history.points, nowS, bodyLimitC: damper.body_limit_c, oilLimitC: damper.oil_limit_c, system });
    const name = positionWords(damper.position);
    setAttribute(byId("plot"), "aria-label", `${name}, last 10 minutes: body and estimated oil against their limits; the same numbers stand in the table`);
    showLegend(byId("plot-legend"), [
      ["plot-body", "body", damper.body_c],
      ["plot-oil", "oil, estimate", damper.oil_c],
      ["plot-body-limit", "body limit", damper.body_limit_c],
      ["plot-oil-limit", "oil limit", damper.oil_limit_c],
    ], system);
    setText(byId("plot-since"), sinceWords(history.lengthS(nowS)));
    this.showFacts(damper, system);
    this.showTable(minutesOf(history.points, scene.zeroMs), system, name);
  }

  showFacts(damper, system) {
    for (const [id, words] of factsOf(damper, system)) {
      const line = byId(`fact-${id}`);
      setHidden(line, !words);
      setText(line.querySelector("dd"), words);
    }
  }

  showTable(minutes, system, name) {
    const rows = minutes.map(({ startMs, bodyC, oilC }) => [
      clock.format(startMs), formatQuantity("temperature_c", bodyC, system), formatQuantity("temperature_c", oilC, system),
    ]);
    const wanted = JSON.stringify([rows, name]);
    if (wanted === this.tableShown) return;
    this.tableShown = wanted;
    setText(byId("minutes-name"), name);
    byId("minutes-rows").replaceChildren(...rows.map(([minute, ...values]) => {
      const head = makeElement("th", "", minute);
      head.scope = "row";
      return makeElement("tr", "", head, ...values.map((value) => makeElement("td", "", value)));
    }));
  }
}

function sinceWords(lengthS) {
  if (lengthS >= SPAN_S - 2) return "";
  return `Only since this page was opened: ${formatQuantity("duration_s", lengthS, "metric")} so far. The page keeps it, not the logger.`;
}

/** [id, words] of each fact; no words: nothing to say, and the line is hidden. */
function factsOf(damper, system) {
  const q = (kind, value) => (value === null || value === undefined ? "" : formatQuantity(kind, value, system));
  const gas = q("pressure_pa", damper.gas_pa);
  const gas20 = q("pressure_pa", damper.gas_20c_pa);
  const gasWords = [gas && `${gas} gauge`, gas20 && `${gas20} at ${formatQuantity("temperature_c", 20, system)} and full extension`, inUnits(damper.gas_text, system)];
  const beyond = damper.cavitation_s;
  return [
    ["forecast", inUnits(damper.forecast_text, system)],
    ["room", inUnits(damper.heat_room_text, system)],
    ["pace", inUnits(damper.pace_text, system)],
    ["stop", inUnits(damper.stop_text, system)],
    ["damping", inUnits(damper.damping_text, system)],
    ["witness", inUnits(damper.witness_text, system)],
    ["heat", q("power_w", damper.heat_w)],
    ["energy", q("energy_j", damper.trip_energy_j)],
    ["strokes", q("count", damper.trip_strokes_count)],
    ["peak", q("temperature_c", damper.trip_peak_body_c)],
    ["gas", gasWords.filter(Boolean).join("; ")],
    ["cavitation", beyond === null || beyond === undefined ? "" : `${Math.round(beyond)} s beyond the margin in this trip`],
  ];
}
