// Small hands for the page's elements: they touch one only where something changed.
const SVG = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

export function setText(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

export function setHidden(element, hidden) {
  if (element.hidden !== hidden) element.hidden = hidden;
}

export function setAttribute(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

export function setData(element, name, value) {
  if (element.dataset[name] !== value) element.dataset[name] = value;
}

export function makeElement(tag, className, ...content) {
  const element = document.createElement(tag);
  if (className) element.className = className;
  element.append(...content);
  return element;
}

export function makeSvg(tag, attributes = {}) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

/** A shape of shapes.svg; words stand beside it, so it is hidden from screen readers. */
export function makeShape(name, className = "told-shape", viewBox = "0 0 24 24") {
  const shape = makeSvg("svg", { class: className, viewBox, "aria-hidden": "true" });
  shape.append(makeSvg("use", { href: `#shape-${name}` }));
  return shape;
}

export function positionWords(position) {
  return position.replaceAll("_", " ");
}
