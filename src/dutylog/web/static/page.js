// On every page: the choices of units and theme, kept in this browser, and wall times in the reader's own zone.
import { Choice } from "./choices.js";
import { formatQuantity } from "./quantity.js";

const UNIT_NAMES = { metric: "°C, km", us: "°F, mi" };
const SYSTEMS = document.documentElement.dataset.units === "us" ? ["us", "metric"] : ["metric", "us"];
const units = new Choice("dutylog.units", SYSTEMS);
const theme = new Choice("dutylog.theme", ["auto", "sun", "night"]);

export function unitSystem() {
  return units.value;
}

export function onUnits(listener) {
  units.onChange(listener);
}

function showUnits() {
  document.getElementById("units-now").textContent = UNIT_NAMES[units.value];
  for (const element of document.querySelectorAll(".q[data-value]")) {
    element.textContent = formatQuantity(element.dataset.kind, Number(element.dataset.value), units.value);
  }
}

function showTheme() {
  document.getElementById("theme-now").textContent = theme.value;
  if (theme.value === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme.value;
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

for (const [id, choice, show] of [["units", units, showUnits], ["theme", theme, showTheme]]) {
  const button = document.getElementById(id);
  button.hidden = false;
  button.addEventListener("click", () => choice.next());
  choice.onChange(show);
  show();
}
showLocalTimes();
