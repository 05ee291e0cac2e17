// Two quiet lines below the rows: who is told, and which sensors don't work.
import { byId, makeElement, makeShape, positionWords, setHidden } from "./elements.js";

const TOLD_NAMES = { mqtt: "broker", influxdb: "database", publish: "publishing" };
const TOLD_WORDS = { well: "well", pending: "not reached yet", late: "late", refused: "refuses us", not_running: "isn't running" };

export function showTold(outputs) {
  showItems("told", "Published: ", (outputs ?? []).map(toldItem));
}

function toldItem({ name, state, waiting_count, dropped_count, problem }) {
  const words = [`${TOLD_NAMES[name] ?? name} ${TOLD_WORDS[state] ?? state}`];
  if (state !== "well" && waiting_count) words.push(`${waiting_count} wait`);
  if (dropped_count) words.push(`${dropped_count} dropped`);
  if (state !== "well" && problem) words.push(problem);
  return { shape: `told-${state}`, state, words: words.join(", ") };
}

export function showSensors(devices) {
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
    .map((channel) => item(`${channel.position || "vehicle"} ${positionWords(channel.quantity)}`, channel.state, channel.text));
}

// A shape and a word for each item, so none rests on colour; hidden where there is nothing to say.
function showItems(id, title, items) {
  const line = byId(id);
  setHidden(line, !items.length);
  const wanted = JSON.stringify(items);
  if (line.hidden || line.dataset.shown === wanted) return;
  line.dataset.shown = wanted;
  line.replaceChildren(title, ...items.map(itemElement));
}

function itemElement({ shape, state, words }) {
  const item = makeElement("span", "", makeShape(shape), words);
  item.dataset.state = state;
  return item;
}
