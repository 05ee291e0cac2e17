// On every page: the choice of units, kept in this browser, and wall times in the reader's own zone.
import { formatQuantity } from "./quantity.js";

const KEY = "dutylog.units";
const NAMES = { metric: "°C, km", us: "°F, mi" };
const listeners = [];
let current = stored();

export function unitSystem() {
  return current;
}

export function onUnits(listener) {
  listeners.push(listener);
}

function stored() {
  try {
    return localStorage.getItem(KEY) === "us" ? "us" : "metric";
  } catch {
    return "metric"; // storage may be switched off; the choice then lasts for this page
  }
}

function keep(system) {
  try {
    localStorage.setItem(KEY, system);
  } catch {
    // as above
  }
}

function show() {
  document.getElementById("units-now").textContent = NAMES[current];
  for (const element of document.querySelectorAll(".q[data-value]")) {
    element.textContent = formatQuantity(element.dataset.kind, Number(element.dataset.value), current);
  }
  for (const listener of listeners) listener(current);
}

function showLocalTimes() {
  const form = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
  for (const element of document.querySelectorAll("time[datetime]")) {
    const moment = new Date(element.dateTime);
    if (!Number.isNaN(moment.valueOf())) {
      element.title = element.textContent;
      element.textContent = form.format(moment);
    }
  }
}

const button = document.getElementById("units");
button.hidden = false;
button.addEventListener("click", () => {
  current = current === "metric" ? "us" : "metric";
  keep(current);
  show();
});
showLocalTimes();
show();
