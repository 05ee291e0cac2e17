// A choice of the reader, kept in this browser: units, theme, big type, sound, vibration.
export class Choice {
  /** key: name in storage; values: what may be chosen, the first one when nothing was. */
  constructor(key, values) {
    this.key = key;
    this.values = values;
    this.listeners = [];
    this.value = this.stored();
  }

  stored() {
    try {
      const value = localStorage.getItem(this.key);
      return this.values.includes(value) ? value : this.values[0];
    } catch {
      return this.values[0]; // storage may be switched off; the choice then lasts for this page
    }
  }

  onChange(listener) {
    this.listeners.push(listener);
  }

  next() {
    this.set(this.values[(this.values.indexOf(this.value) + 1) % this.values.length]);
  }

  set(value) {
    this.value = value;
    try {
      localStorage.setItem(this.key, value);
    } catch {
      // as above
    }
    for (const listener of this.listeners) listener(value);
  }
}

export const OFF = "off";
export const ON = "on";

/** Make a button switch a choice of off and on; aria-pressed tells a screen reader, `words` everyone else. */
export function bindSwitch(button, choice, words = (value) => value) {
  const show = () => {
    button.setAttribute("aria-pressed", String(choice.value === ON));
    const now = button.querySelector(".switch-now");
    if (now) now.textContent = words(choice.value);
  };
  button.hidden = false;
  button.addEventListener("click", () => choice.next());
  choice.onChange(show);
  show();
}
