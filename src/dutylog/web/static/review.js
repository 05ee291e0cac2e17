// The page of a trip: waits for its review, then draws its pictures.
import { byId, setText } from "./elements.js";
import { onUnits, unitSystem } from "./page.js";
import { inUnits } from "./quantity.js";
import { DampersPart } from "./review_dampers.js";
import { TimePart } from "./review_time.js";
import { TrackPart } from "./review_track.js";

const POLL_MS = 1000;
const RELOAD_PAUSE_MS = 20_000;
const MOST_FAILURES = 60;
const BUSY = ["waiting", "working"];

showSentences(unitSystem());
onUnits(showSentences);
const review = byId("review");
if (review) {
  if (BUSY.includes(review.dataset.state)) follow(review);
  if (byId("pictures")) show(review.dataset.key);
}

/** Degrees in plain sentences, in the reader's units. */
function showSentences(system) {
  for (const element of document.querySelectorAll("[data-sentence]")) {
    element.dataset.sentence ||= element.textContent;
    setText(element, inUnits(element.dataset.sentence, system));
  }
}

/** Ask how the review is coming along until it is made, then load the page anew. */
async function follow({ dataset }) {
  const began = dataset.made;
  for (let failures = 0; failures < MOST_FAILURES;) {
    await new Promise((done) => setTimeout(done, POLL_MS));
    let now;
    try {
      const answer = await fetch(`/api/trips/${dataset.key}/review/state`);
      if (!answer.ok) throw new Error(String(answer.status));
      now = await answer.json();
    } catch {
      failures += 1; // the pages may be starting again
      continue;
    }
    failures = 0;
    if (BUSY.includes(now.state)) showProgress(now, began);
    else return finish(now, began);
  }
}

function showProgress({ state, ratio }, began) {
  const percent = ratio === null ? null : Math.round(ratio * 100);
  const words = state === "waiting" ? "Waits for its turn: another trip is gone through." : began ? "Looks whether anything is new" : "Goes through the samples of this trip";
  setText(byId("review-words"), percent === null || state === "waiting" ? words : `${words}: ${percent}\u00a0%`);
  const bar = byId("review-progress");
  if (percent === null) bar.removeAttribute("aria-valuenow");
  else bar.setAttribute("aria-valuenow", String(percent));
  bar.querySelector(".bar-fill").setAttribute("width", `${percent ?? 0}%`);
}

function finish({ state, text, made }, began) {
  if (made && made !== began) {
    if (mayReload()) return location.reload();
    byId("review-new").hidden = false;
  }
  byId("review-work").hidden = true;
  byId("review-again").hidden = false;
  if (state === "failed") {
    const problem = byId("review-problem");
    setText(problem, `The review of this trip could not be made${began ? " anew; what follows is an earlier one" : ""}: ${text}`);
    problem.hidden = false;
  }
}

/** Whether a page may load itself: not again and again while its review is another one each time. */
function mayReload() {
  try {
    const last = Number(sessionStorage.getItem(`dutylog.loaded.${location.pathname}`));
    if (Math.abs(Date.now() - last) < RELOAD_PAUSE_MS) return false;
    sessionStorage.setItem(`dutylog.loaded.${location.pathname}`, String(Date.now()));
    return true;
  } catch {
    return false; // a browser that keeps nothing can't count
  }
}

async function show(key) {
  const wait = byId("pictures-wait");
  wait.hidden = false;
  let plots;
  try {
    const [answer, about] = await Promise.all([fetch(`/trips/${key}/plots.json`), fetch("/static-vendored/plots.json")]);
    if (!answer.ok) throw new Error((await answer.json()).error);
    if (!about.ok) throw new Error((await about.json()).error);
    plots = await answer.json();
    await loadScript(await about.json());
  } catch (err) {
    wait.hidden = true;
    setText(byId("pictures-problem"), `No pictures: ${err.message || "the line broke; open this page again"}`);
    byId("pictures-problem").hidden = false;
    return;
  }
  wait.hidden = true;
  byId("pictures").hidden = false;
  const time = new TimePart(plots, key, unitSystem());
  const parts = [time, new DampersPart(plots, unitSystem())];
  if (plots.track) parts.push(new TrackPart(plots, unitSystem(), (t) => time.showMoment(t >= time.range[0] && t <= time.range[1] ? t : null)));
  const drawAll = () => parts.forEach((part) => part.draw());
  drawAll();
  onUnits((system) => {
    for (const part of parts) part.system = system;
    drawAll();
  });
  new MutationObserver(drawAll).observe(document.documentElement, { attributeFilter: ["data-theme"] });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
  let width = byId("pictures").clientWidth;
  new ResizeObserver(() => {
    if (byId("pictures").clientWidth === width) return;
    width = byId("pictures").clientWidth;
    drawAll();
  }).observe(byId("pictures"));
  document.documentElement.dataset.pictures = "drawn";
}

/** style_ids: style sheets for maps that the script would put into the page; what is there already it leaves alone. */
function loadScript({ script, style_ids: ids }) {
  for (const id of ids) {
    const place = document.createElement("template");
    place.id = id;
    document.head.append(place);
  }
  return new Promise((done, failed) => {
    const element = document.createElement("script");
    element.src = script;
    element.addEventListener("load", done);
    element.addEventListener("error", () => failed(new Error("the script that draws them did not come; open this page again")));
    document.head.append(element);
  });
}
