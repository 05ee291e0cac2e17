// Alerts of the logger: raised ones that nobody acknowledged first, then acknowledged ones, then what has passed.
import { byId, makeElement, makeShape, positionWords, setAttribute, setHidden, setText } from "./elements.js";
import { inUnits } from "./quantity.js";

const MOST_IN_SIGHT = 3; // more would push every temperature off a phone; the rest is one touch away: judgement
const MOST_OPEN_IN_SIGHT = 2;
const LEVEL_WORDS = { act_now: "Act now", advice: "Advice" };
const LEVELS = ["act_now", "advice"];

export const isOpen = (alert) => alert.state === "raised" && !alert.acknowledged_by;

/** Open ones first, act now before advice; newest first within each, as they came. */
export function inOrder(alerts) {
  const step = (alert) => (isOpen(alert) ? 0 : alert.state === "raised" ? 2 : 4) + Math.max(0, LEVELS.indexOf(alert.level));
  return alerts.map((alert, index) => [step(alert), index, alert]).sort((a, b) => a[0] - b[0] || a[1] - b[1]).map((entry) => entry[2]);
}

export class AlertBanner {
  constructor() {
    this.section = byId("alerts");
    this.list = byId("alert-list");
    this.more = byId("alert-more");
    this.items = new Map(); // by id: {element, shown}
    this.said = new Map(); // by id: what came of the last try to acknowledge
    this.all = false;
    this.last = null;
    this.more.addEventListener("click", () => { this.all = !this.all; this.show(...this.last); });
  }

  show(alerts, nowMonoS, system) {
    this.last = [alerts, nowMonoS, system];
    const ordered = inOrder(alerts);
    // what has passed needs no place among what counts now
    const known = ordered.filter((alert) => alert.state === "raised" && !isOpen(alert));
    const shown = this.all ? ordered : [...ordered.filter(isOpen).slice(0, MOST_OPEN_IN_SIGHT), ...known].slice(0, MOST_IN_SIGHT);
    setHidden(this.section, !ordered.length);
    setHidden(this.more, !this.all && shown.length === ordered.length);
    setAttribute(this.more, "aria-expanded", String(this.all));
    setText(this.more, this.all ? "Show fewer alerts" : `All alerts (${ordered.length})`);
    const elements = shown.map((alert) => this.item(alert, nowMonoS, system));
    if (elements.length !== this.list.children.length || elements.some((element, i) => this.list.children[i] !== element)) {
      this.place(elements);
    }
    for (const id of this.items.keys()) if (!alerts.some((alert) => alert.id === id)) this.items.delete(id);
  }

  /** Keep the focus where it was: a banner that moves must not throw away who tabs through it. */
  place(elements) {
    const focused = document.activeElement;
    this.list.replaceChildren(...elements);
    if (focused && focused !== document.activeElement && this.list.contains(focused)) focused.focus();
  }

  item(alert, nowMonoS, system) {
    const wanted = JSON.stringify([alert, ageWords(alert, nowMonoS), system, this.said.get(alert.id), csrfToken()]);
    const known = this.items.get(alert.id);
    if (known?.shown === wanted) return known.element;
    const element = known?.element ?? makeElement("li", "alert");
    const hadFocus = element.contains(document.activeElement);
    element.dataset.level = alert.level;
    element.dataset.open = String(isOpen(alert));
    element.replaceChildren(...this.content(alert, nowMonoS, system));
    if (hadFocus) (element.querySelector("button, a") ?? this.more).focus();
    this.items.set(alert.id, { element, shown: wanted });
    return element;
  }

  content(alert, nowMonoS, system) {
    const word = alert.state === "cleared" ? "Passed" : LEVEL_WORDS[alert.level] ?? alert.level;
    const shape = alert.state === "cleared" ? "passed" : alert.level;
    const name = alert.position ? positionWords(alert.position) : "";
    const who = alert.text.replaceAll("_", " ").startsWith(name) ? "" : name;
    const head = makeElement("p", "alert-head", makeShape(shape, "alert-shape"), makeElement("strong", "", word));
    head.append(makeElement("span", "alert-about", [who, ageWords(alert, nowMonoS)].filter(Boolean).join(", ")));
    const parts = [head, makeElement("p", "alert-text", inUnits(alert.text, system))];
    if (alert.remedy && isOpen(alert)) parts.push(makeElement("p", "alert-remedy", inUnits(alert.remedy, system)));
    if (alert.acknowledged_by) parts.push(makeElement("p", "alert-by", `acknowledged by ${alert.acknowledged_by}`));
    // who follows from afar can't acknowledge
    if (isOpen(alert) && !("follows" in byId("live").dataset)) parts.push(this.action(alert));
    for (const part of parts) part.dir = "auto";
    return parts;
  }

  action(alert) {
    const line = makeElement("p", "alert-action");
    if (csrfToken() === null) {
      const link = makeElement("a", "button", "Sign in to acknowledge");
      link.href = "/sign-in?next=/";
      line.append(link);
    } else {
      const button = makeElement("button", "button", "Acknowledge");
      button.setAttribute("aria-label", `Acknowledge: ${alert.text}`);
      button.type = "button";
      button.addEventListener("click", () => this.acknowledge(alert, button));
      line.append(button);
    }
    const said = makeElement("span", "alert-said", this.said.get(alert.id) ?? "");
    said.setAttribute("role", "status");
    line.append(said);
    return line;
  }

  async acknowledge(alert, button) {
    button.disabled = true;
    this.said.set(alert.id, await sendAcknowledge(alert.id));
    if (this.last) this.show(...this.last);
  }
}

function csrfToken() {
  return document.querySelector('meta[name="csrf"]')?.content || null;
}

/** Tell the pages; return one line on what came of it. Who acknowledged is shown once the logger says so. */
async function sendAcknowledge(id) {
  const headers = { "X-CSRF": csrfToken(), "Content-Type": "application/json", Accept: "application/json" };
  try {
    const answer = await fetch(`/alerts/${encodeURIComponent(id)}/acknowledge`, { method: "POST", headers, body: "{}" });
    if (answer.ok) return "sent";
    // signed in no longer: without the token the button becomes the way to sign in
    if (answer.status === 401 || answer.status === 403) document.querySelector('meta[name="csrf"]')?.remove();
    return `not acknowledged: ${reason(await answer.text()) || `answer ${answer.status}`}`;
  } catch {
    return "not acknowledged: the pages can't be reached; try again";
  }
}

function reason(body) {
  try {
    return String(JSON.parse(body).error ?? "").slice(0, 200);
  } catch {
    return ""; // a page instead of an object: something else answered
  }
}

function ageWords(alert, nowMonoS) {
  const minutes = Math.floor((nowMonoS - alert.raised_mono_s) / 60);
  if (!Number.isFinite(minutes) || minutes < 0) return "";
  return minutes < 1 ? "just now" : minutes < 120 ? `${minutes} min ago` : `${Math.floor(minutes / 60)} h ago`;
}
