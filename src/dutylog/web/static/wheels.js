// The list: a row for each wheel, in the order of the vehicle file; dampers that share a wheel stand together.
import { byId, makeElement, positionWords, setText } from "./elements.js";
import { DamperRow } from "./damper_row.js";

/** Group dampers by wheel in order of first sight: [{wheel, dampers}]. */
export function groupByWheel(dampers) {
  const wheels = new Map();
  for (const damper of dampers) {
    if (!wheels.has(damper.wheel)) wheels.set(damper.wheel, []);
    wheels.get(damper.wheel).push(damper);
  }
  return [...wheels].map(([wheel, together]) => ({ wheel, dampers: together }));
}

/** What to call a damper under the heading of its wheel: "bypass" for rear_left_bypass at rear_left. */
export function nameBesideWheel(position, wheel) {
  const rest = position.startsWith(`${wheel}_`) ? position.slice(wheel.length + 1) : "";
  return positionWords(rest || position);
}

export class Wheels {
  constructor(onPick) {
    this.list = byId("dampers");
    this.rows = new Map(); // by position
    this.onPick = onPick;
    this.built = "";
  }

  /** sceneOf(damper) gives what a row needs beside its damper, without the name. */
  show(dampers, sceneOf) {
    const wheels = groupByWheel(dampers);
    this.build(wheels);
    for (const { wheel, dampers: together } of wheels) {
      for (const damper of together) {
        const name = together.length > 1 ? nameBesideWheel(damper.position, wheel) : positionWords(damper.position);
        this.rows.get(damper.position).show(damper, { ...sceneOf(damper), name });
      }
    }
  }

  /** Put the list together anew, only when places or wheels changed. */
  build(wheels) {
    const wanted = JSON.stringify(wheels.map(({ wheel, dampers }) => [wheel, dampers.map((damper) => damper.position)]));
    if (wanted === this.built) return;
    this.built = wanted;
    const before = this.rows;
    this.rows = new Map();
    this.list.replaceChildren(...wheels.map((wheel) => this.wheelElement(wheel, before)));
  }

  wheelElement({ wheel, dampers }, before) {
    const item = makeElement("li", "wheel");
    const twin = dampers.length > 1;
    if (twin) {
      const heading = makeElement("h2", "wheel-name");
      heading.dir = "auto";
      setText(heading, positionWords(wheel));
      item.append(heading);
    }
    for (const { position } of dampers) {
      const row = before.get(position) ?? new DamperRow(this.onPick);
      this.rows.set(position, row);
      row.element.querySelector(".name").setAttribute("aria-level", twin ? "3" : "2");
      item.append(row.element);
    }
    item.classList.toggle("twin", twin);
    return item;
  }
}
