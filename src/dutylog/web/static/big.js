// Big type for the co-driver: the damper that needs a look most fills the screen, the others stand small below it.
import { bindSwitch, Choice, OFF, ON } from "./choices.js";
import { DamperRow } from "./damper_row.js";
import { byId, positionWords, setData, setHidden } from "./elements.js";

const STEADY_COUNT = 3; // another damper must lead for this many snapshots before the screen changes over: judgement

export class BigType {
  constructor(root, onPick, onChange) {
    this.root = root;
    this.place = byId("big");
    this.choice = new Choice("dutylog.big", [OFF, ON]);
    this.row = new DamperRow(onPick);
    this.row.element.classList.add("huge");
    this.place.append(this.row.element);
    this.position = null;
    this.waiting = { position: null, count: 0 };
    bindSwitch(byId("big-switch"), this.choice);
    this.choice.onChange(onChange);
  }

  get isOn() {
    return this.choice.value === ON;
  }

  /** urgent: positions, the most urgent first. Counts once a snapshot. */
  follow(urgent, dampers) {
    const first = urgent?.[0] ?? dampers[0]?.position ?? null;
    const there = dampers.some((damper) => damper.position === this.position);
    this.waiting = first === this.waiting.position ? { position: first, count: this.waiting.count + 1 } : { position: first, count: 1 };
    if (!there || this.waiting.count >= STEADY_COUNT) this.position = first;
  }

  show(dampers, rows, sceneOf) {
    const damper = dampers.find((one) => one.position === this.position);
    const shown = this.isOn && damper !== undefined;
    setData(this.root, "big", shown ? ON : OFF);
    setHidden(this.place, !shown);
    if (shown) this.row.show(damper, { ...sceneOf(damper), name: positionWords(damper.position) });
    for (const [position, row] of rows) setHidden(row.element, shown && position === this.position);
    // a wheel whose only damper stands above leaves no hole
    for (const { element } of rows.values()) setHidden(element.parentElement, [...element.parentElement.querySelectorAll(".row")].every((row) => row.hidden));
  }
}
