// One damper's row: its elements, found once, and what they show.
import { byId, positionWords, setAttribute, setData, setHidden, setText } from "./elements.js";
import { oilOf, outlookOf, roomOf, trendOf } from "./outlook.js";
import { formatParts, formatQuantity, inUnits, UNKNOWN } from "./quantity.js";
import { sparkPaths } from "./spark.js";

export const STATE_WORDS = {
  ok: "ok", warm: "warm", hot: "hot", over_limit: "over limit",
  no_temperature: "no temperature", no_travel: "no travel", no_data: "no data", waiting: "waiting",
};
const PRESSED_BY = new Set(["reaches", "over", "near_limit"]); // forecasts that a slower pace would change
const PARTS = [
  "position", "serial", "number", "unit", "limit", "ahead", "ahead-number", "ahead-unit", "ahead-word", "ahead-range",
  "oil", "oil-text", "oil-doubt", "trend", "trend-word", "trend-rate", "heat", "heat-label", "heat-text", "bar", "bar-fill",
  "strokes-text", "strokes-word", "state-word", "damping", "damping-text", "advice", "spark-line", "spark-limit", "pick",
];

export class DamperRow {
  /** onPick(position) when someone asks for a closer look. */
  constructor(onPick) {
    this.element = byId("damper-row").content.firstElementChild.cloneNode(true);
    this.part = {};
    for (const name of PARTS) this.part[name] = this.element.querySelector(`.${name}`);
    this.stateUse = this.element.querySelector(".shape use");
    this.trendUse = this.element.querySelector(".trend use");
    this.position = "";
    this.part.pick.addEventListener("click", () => onPick(this.position));
  }

  /** scene: {system, largestW, history, nowS, name}; name: what to call it beside its wheel's heading. */
  show(damper, scene) {
    this.position = damper.position;
    setData(this.element, "state", damper.state);
    setText(this.part.position, scene.name);
    setText(this.part.serial, damper.serial ?? "");
    this.showState(damper);
    this.showTemperatures(damper, scene.system);
    this.showAhead(outlookOf(damper, scene.system));
    this.showHeat(damper, scene);
    this.showWords(damper, scene.system);
    this.showSpark(damper, scene);
  }

  showState(damper) {
    setText(this.part["state-word"], STATE_WORDS[damper.state]);
    setAttribute(this.stateUse, "href", `#shape-${damper.state}`);
  }

  showTemperatures(damper, system) {
    const body = formatParts("temperature_c", damper.body_c, system);
    setText(this.part.number, body.number);
    setText(this.part.unit, body.unit);
    setText(this.part.limit, `limit ${formatParts("temperature_c", damper.body_limit_c, system).number}`);
    const oil = oilOf(damper, system);
    setHidden(this.part.oil, oil === null);
    if (oil) {
      setText(this.part["oil-text"], oil.text);
      setText(this.part["oil-doubt"], oil.doubt);
    }
    const trend = trendOf(damper, system);
    setHidden(this.part.trend, trend === null);
    if (trend) {
      setAttribute(this.trendUse, "href", `#shape-${trend.shape}`);
      setText(this.part["trend-word"], trend.word);
      setText(this.part["trend-rate"], trend.rate);
    }
  }

  showAhead(outlook) {
    setData(this.element, "ahead", outlook.kind);
    setHidden(this.part.ahead, outlook.kind === "none");
    setText(this.part["ahead-number"], outlook.number);
    setText(this.part["ahead-unit"], outlook.unit);
    setText(this.part["ahead-word"], outlook.word);
    setText(this.part["ahead-range"], outlook.range);
  }

  // With a forecast the bar is the room that is left; without one, what goes in against the damper that takes most.
  showHeat(damper, { system, largestW }) {
    const room = roomOf(damper, system);
    const ratio = room ? room.ratio : (damper.heat_w ?? 0) / largestW;
    setData(this.part.heat, "room", room ? (room.short ? "short" : "left") : "none");
    setText(this.part["heat-label"], room ? room.label : "heat in");
    setText(this.part["heat-text"], room ? room.text : formatQuantity("power_w", damper.heat_w, system));
    setAttribute(this.part["bar-fill"], "width", `${(100 * ratio).toFixed(1)}%`);
    const strokes = damper.trip_strokes_count;
    setText(this.part["strokes-text"], strokes === null ? UNKNOWN : formatQuantity("count", strokes, system));
    setText(this.part["strokes-word"], strokes === 1 ? "stroke" : "strokes");
  }

  showWords(damper, system) {
    const faults = damper.faults.map(positionWords);
    const words = [damper.state === "ok" ? "" : damper.state_text];
    if (PRESSED_BY.has(damper.forecast_kind)) words.push(inUnits(damper.pace_text, system));
    if (faults.length) words.push(`fault: ${faults.join(", ")}`);
    setText(this.part.advice, words.filter(Boolean).join(" – "));
    const lost = damper.damping_state === "lost";
    setHidden(this.part.damping, !lost);
    setText(this.part["damping-text"], lost ? inUnits(damper.damping_text ?? "", system) : "");
  }

  showSpark(damper, { history, nowS }) {
    if (this.element.checkVisibility && !this.part["spark-line"].ownerSVGElement.checkVisibility()) return;
    const paths = sparkPaths(history.points, nowS, damper.body_limit_c);
    setAttribute(this.part["spark-line"], "d", paths.line);
    setAttribute(this.part["spark-limit"], "d", paths.limit);
  }
}
