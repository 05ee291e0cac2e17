// The live page: takes snapshots by server-sent events and says at once when they stop.
import { formatParts, formatQuantity, UNKNOWN } from "./quantity.js";
import { onUnits, unitSystem } from "./page.js";
import { History, sparkPaths } from "./spark.js";

const QUIET_S = 20; // four pings missed: the line is dead though nobody said so
const REOPEN_MS = 3000;
const LEAST_FULL_BAR_W = 100; // below this the largest bar doesn't fill, so a vehicle at rest shows rest
const STATE_WORDS = {
  ok: "ok", warm: "warm", hot: "hot", over_limit: "over limit",
  no_temperature: "no temperature", no_travel: "no travel", no_data: "no data", waiting: "waiting",
};

const byId = (id) => document.getElementById(id);
const root = byId("live");
const staleAfterS = Number(root.dataset.staleAfterS);
const rows = new Map();
const TOLD_NAMES = { mqtt: "broker", influxdb: "database", publish: "publishing" };
const TOLD_WORDS = { well: "well", pending: "not reached yet", late: "late", refused: "refuses us", not_running: "isn't running" };
const SVG = "http://www.w3.org/2000/svg";
let snapshot = null;
let lastDataS = null; // page time at which the newest snapshot was fresh
let lastHeardS = nowS();
let leastDelayS = Infinity;
let everConnected = false;
let stream = null;

function nowS() {
  return performance.now() / 1000;
}

function open() {
  if (stream) stream.close();
  lastHeardS = nowS();
  leastDelayS = Infinity;
  stream = new EventSource("/events");
  stream.addEventListener("open", () => { everConnected = true; lastHeardS = nowS(); });
  stream.addEventListener("ping", () => { lastHeardS = nowS(); });
  stream.addEventListener("snapshot", (event) => take(JSON.parse(event.data)));
  stream.addEventListener("error", () => {
    // a refusal (too many screens) closes for good; a lost line comes back by itself
    if (stream.readyState === EventSource.CLOSED) setTimeout(open, REOPEN_MS);
  });
}

function take(message) {
  const heardS = nowS();
  lastHeardS = heardS;
  if (!message.snapshot) return;
  // The two clocks differ by an unknown constant; what an event took beyond the fastest one is its delay.
  const delayS = heardS - message.sent_mono_s;
  leastDelayS = Math.min(leastDelayS, delayS);
  lastDataS = heardS - message.age_s - (delayS - leastDelayS);
  snapshot = message.snapshot;
  remember(lastDataS);
  showSnapshot();
  showTold(message.publish);
  showSensors(snapshot.devices);
  byId("clock").hidden = snapshot.utc_trusted;
  showLink();
}

function showTold(outputs) {
  showItems("told", "Published: ", (outputs ?? []).map(toldItem));
}

function toldItem({ name, state, waiting_count, dropped_count, problem }) {
  const words = [`${TOLD_NAMES[name] ?? name} ${TOLD_WORDS[state] ?? state}`];
  if (state !== "well" && waiting_count) words.push(`${waiting_count} wait`);
  if (dropped_count) words.push(`${dropped_count} dropped`);
  if (state !== "well" && problem) words.push(problem);
  return { shape: `told-${state}`, state, words: words.join(", ") };
}

function showSensors(devices) {
  const items = (devices ?? []).flatMap(deviceItems);
  const all = devices?.length && !items.length ? [{ shape: "device-working", state: "working", words: "all working" }] : items;
  showItems("sensors", "Sensors: ", all);
}

// A line that isn't there says it all; the channels of one that works speak for themselves.
function deviceItems({ name, state, text: why, channels }) {
  const item = (who, word, reason) => ({ shape: `device-${word}`, state: word, words: reason ? `${who} ${word}: ${reason}` : `${who} ${word}` });
  if (state !== "working") return [item(name, state, why)];
  return channels
    .filter((channel) => channel.state !== "working")
    .map((channel) => item(`${channel.position || "vehicle"} ${channel.quantity.replaceAll("_", " ")}`, channel.state, channel.text));
}

// A shape and a word for each item, so none rests on colour; hidden where there is nothing to say.
function showItems(id, title, items) {
  const line = byId(id);
  line.hidden = !items.length;
  const wanted = JSON.stringify(items);
  if (line.hidden || line.dataset.shown === wanted) return;
  line.dataset.shown = wanted;
  line.replaceChildren(title, ...items.map(itemElement));
}

function itemElement({ shape: shapeName, state, words }) {
  const item = document.createElement("span");
  const shape = document.createElementNS(SVG, "svg");
  const use = document.createElementNS(SVG, "use");
  item.dataset.state = state;
  shape.setAttribute("class", "told-shape");
  shape.setAttribute("viewBox", "0 0 24 24");
  shape.setAttribute("aria-hidden", "true");
  use.setAttribute("href", `#shape-${shapeName}`);
  shape.append(use);
  item.append(shape, words);
  return item;
}

function remember(atS) {
  for (const damper of snapshot.dampers) row(damper.position).history.add(atS, damper.body_c);
}

function row(position) {
  if (!rows.has(position)) {
    const element = byId("damper-row").content.firstElementChild.cloneNode(true);
    rows.set(position, { element, history: new History(), state: null });
  }
  return rows.get(position);
}

function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

function showSnapshot() {
  const system = unitSystem();
  const { trip, source } = snapshot;
  text(byId("vehicle"), snapshot.vehicle.name || snapshot.vehicle.id);
  document.title = `${snapshot.vehicle.name || snapshot.vehicle.id} – live`;
  text(byId("trip-name"), trip && trip.number !== null ? `Trip ${trip.number}` : "Trip");
  text(byId("trip"), trip ? formatQuantity("duration_s", trip.duration_s, system) : "none");
  text(byId("speed"), snapshot.speed_mps === null ? "unknown" : formatQuantity("speed_mps", snapshot.speed_mps, system));
  text(byId("ambient"), formatQuantity("temperature_c", snapshot.ambient_c, system));
  const notice = byId("notice");
  notice.hidden = source.state === "running" && !source.state_text;
  text(notice, source.state_text || `source ${source.state}: ${source.text}`);
  byId("empty").hidden = snapshot.dampers.length > 0;
  showDampers(system);
}

function showDampers(system) {
  const largestW = Math.max(LEAST_FULL_BAR_W, ...snapshot.dampers.map((damper) => damper.heat_w ?? 0));
  const list = byId("dampers");
  const wanted = snapshot.dampers.map((damper) => row(damper.position).element);
  if (wanted.length !== list.children.length || wanted.some((element, i) => list.children[i] !== element)) {
    list.replaceChildren(...wanted);
    for (const position of [...rows.keys()]) {
      if (!snapshot.dampers.some((damper) => damper.position === position)) rows.delete(position);
    }
  }
  const changes = [];
  for (const damper of snapshot.dampers) {
    const shown = row(damper.position);
    showDamper(shown, damper, largestW, system);
    if (shown.state !== null && shown.state !== damper.state) changes.push(`${words(damper.position)}: ${STATE_WORDS[damper.state]}`);
    shown.state = damper.state;
  }
  if (changes.length) byId("spoken").textContent = changes.join(". ");
}

function words(position) {
  return position.replaceAll("_", " ");
}

function showDamper(shown, damper, largestW, system) {
  const find = (selector) => shown.element.querySelector(selector);
  const body = formatParts("temperature_c", damper.body_c, system);
  const strokes = damper.trip_strokes_count;
  shown.element.dataset.state = damper.state;
  text(find(".position"), words(damper.position));
  text(find(".serial"), damper.serial ?? "");
  text(find(".number"), body.number);
  text(find(".unit"), body.unit);
  text(find(".limit"), `limit ${formatParts("temperature_c", damper.body_limit_c, system).number}`);
  text(find(".heat-text"), formatQuantity("power_w", damper.heat_w, system));
  find(".bar-fill").setAttribute("width", `${(100 * (damper.heat_w ?? 0) / largestW).toFixed(1)}%`);
  text(find(".strokes-text"), strokes === null ? UNKNOWN : formatQuantity("count", strokes, system));
  text(find(".strokes-word"), strokes === 1 ? "stroke" : "strokes");
  text(find(".state-word"), STATE_WORDS[damper.state]);
  find(".shape use").setAttribute("href", `#shape-${damper.state}`);
  const faults = damper.faults.map(words);
  text(find(".advice"), [damper.state === "ok" ? "" : damper.state_text, faults.length ? `fault: ${faults.join(", ")}` : ""].filter(Boolean).join(" – "));
  const paths = sparkPaths(shown.history.points, lastHeardS, damper.body_limit_c);
  find(".spark-line").setAttribute("d", paths.line);
  find(".spark-limit").setAttribute("d", paths.limit);
}

function showLink() {
  const ageS = lastDataS === null ? null : nowS() - lastDataS;
  let link = "live";
  let more = snapshot && !snapshot.moving ? "standing" : "";
  if (ageS === null) {
    link = "waiting";
    more = everConnected ? "for the first data" : "for the logger";
  } else if (ageS > staleAfterS) {
    link = "stale";
    more = `no new data for ${ageS < 120 ? `${Math.floor(ageS)} s` : `${Math.floor(ageS / 60)} min`}`;
  }
  root.dataset.link = link;
  text(byId("link-word"), link);
  text(byId("link-text"), more);
}

function tick() {
  showLink();
  if (nowS() - lastHeardS > QUIET_S) open();
}

onUnits(() => { if (snapshot) showSnapshot(); });
setInterval(tick, 250);
open();
