// The live page: takes snapshots, shows them, and says at once when they stop. Each part of it is a module of its own.
import { Alarm } from "./alarm.js";
import { AlertBanner } from "./alert_banner.js";
import { BigType } from "./big.js";
import { Closer } from "./closer.js";
import { STATE_WORDS } from "./damper_row.js";
import { byId, positionWords, setData, setHidden, setText } from "./elements.js";
import { History } from "./history.js";
import { Link } from "./link.js";
import { onUnits, unitSystem } from "./page.js";
import { formatQuantity } from "./quantity.js";
import { bindRadioLine } from "./radio_line.js";
import { showSensors, showTold } from "./told.js";
import { Wheels } from "./wheels.js";

const TICK_MS = 250;
const LEAST_FULL_BAR_W = 100; // below this the largest bar doesn't fill, so a vehicle at rest shows rest
const LOST_WORDS = {
  pages: "This screen has lost the vehicle; it tries again by itself.",
  logger: "The pages answer, the logger is silent.",
  "": "",
};

const root = byId("live");
const histories = new Map();
const states = new Map();
const wheels = new Wheels(pick);
const big = new BigType(root, pick, () => { if (snapshot) showSnapshot(); });
const banner = new AlertBanner();
const alarm = new Alarm();
const closer = new Closer(pick);
const link = new Link(Number(root.dataset.staleAfterS), take, showLink);
let snapshot = null;
let freshAtS = 0;
let saidLink = "waiting";

function take(message, atS) {
  snapshot = message.snapshot;
  freshAtS = atS;
  remember();
  big.follow(message.urgent, snapshot.dampers);
  showSnapshot();
  showTold(message.publish);
  showSensors(snapshot.devices);
  alarm.take(snapshot.alerts ?? [], performance.now() / 1000);
  announceChanges();
  setHidden(byId("clock"), snapshot.utc_trusted);
}

function remember() {
  for (const damper of snapshot.dampers) {
    if (!histories.has(damper.position)) histories.set(damper.position, new History());
    histories.get(damper.position).add(freshAtS, damper.body_c, damper.oil_c);
  }
  for (const position of histories.keys()) {
    if (!snapshot.dampers.some((damper) => damper.position === position)) histories.delete(position);
  }
}

function pick(position) {
  closer.pick(position, document.activeElement !== byId("closer-damper"));
  if (snapshot) showCloser();
}

function showSnapshot() {
  const system = unitSystem();
  showHead(system);
  const largestW = Math.max(LEAST_FULL_BAR_W, ...snapshot.dampers.map((damper) => damper.heat_w ?? 0));
  const sceneOf = (damper) => ({ system, largestW, history: histories.get(damper.position), nowS: freshAtS });
  setHidden(byId("empty"), snapshot.dampers.length > 0);
  wheels.show(snapshot.dampers, sceneOf);
  big.show(snapshot.dampers, wheels.rows, sceneOf);
  banner.show(snapshot.alerts ?? [], snapshot.mono_s, system);
  showCloser();
}

function showHead(system) {
  const { trip, source } = snapshot;
  const name = snapshot.vehicle.name || snapshot.vehicle.id;
  setText(byId("vehicle"), name);
  setText(byId("trip-name"), trip && trip.number !== null ? `Trip ${trip.number}` : "Trip");
  setText(byId("trip"), trip ? formatQuantity("duration_s", trip.duration_s, system) : "none");
  setText(byId("speed"), snapshot.speed_mps === null ? "unknown" : formatQuantity("speed_mps", snapshot.speed_mps, system));
  setText(byId("ambient"), formatQuantity("temperature_c", snapshot.ambient_c, system));
  const notice = byId("notice");
  setHidden(notice, source.state === "running" && !source.state_text);
  setText(notice, source.state_text || `source ${source.state}: ${source.text}`);
}

function showCloser() {
  const zeroMs = Date.now() - performance.now();
  closer.show(snapshot.dampers, { system: unitSystem(), nowS: freshAtS, zeroMs, histories });
}

// Only changes are spoken: a screen reader that speaks every second is switched off.
function announceChanges() {
  const changes = [];
  for (const { position, state } of snapshot.dampers) {
    const before = states.get(position);
    if (before !== undefined && before !== state) changes.push(`${positionWords(position)}: ${STATE_WORDS[state]}`);
    states.set(position, state);
  }
  if (changes.length) announce(changes.join(". "));
}

function announce(words) {
  setText(byId("spoken"), words);
}

function showLink({ state, ageS, lost }) {
  let more = snapshot && !snapshot.moving ? "standing" : "";
  if (state === "waiting") more = link.everConnected ? "for the first data" : "for the logger";
  if (state === "stale") more = `no new data for ${ageS < 120 ? `${Math.floor(ageS)} s` : `${Math.floor(ageS / 60)} min`}`;
  setData(root, "link", state);
  setText(byId("link-word"), state);
  setText(byId("link-text"), more);
  setText(byId("way"), link.notice);
  setHidden(byId("way"), !link.notice);
  setHidden(byId("stale"), state !== "stale");
  if (state === "stale") {
    setText(byId("stale-age"), more);
    setText(byId("stale-why"), LOST_WORDS[lost]);
  }
  const name = snapshot ? snapshot.vehicle.name || snapshot.vehicle.id : "";
  if (name) setTitle(`${state === "stale" ? "STALE – " : ""}${name} – live`);
  if (state !== saidLink && saidLink !== "waiting") announce(state === "stale" ? "Stale: no new data, values are old" : "Live again");
  saidLink = state;
}

function setTitle(words) {
  if (document.title !== words) document.title = words;
}

onUnits(() => { if (snapshot) showSnapshot(); });
bindRadioLine();
setInterval(() => link.check(), TICK_MS);
link.open();
