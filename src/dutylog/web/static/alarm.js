// Sound and vibration for alerts nobody has acknowledged: both off until someone switches them on in this browser.
import { isOpen } from "./alert_banner.js";
import { bindSwitch, Choice, OFF, ON } from "./choices.js";
import { byId } from "./elements.js";

const REPEAT_S = 15; // an act-now alert that nobody acknowledged is said again: judgement
const VOLUME = 0.5;
// Each tone: frequency [Hz] and length [s]. Two pitches far apart, where a helmet and an engine leave something over: judgement.
const TONES = { act_now: [[1760, 0.18], [1175, 0.18], [1760, 0.18], [1175, 0.18]], advice: [[1175, 0.25]] };
const PULSES_MS = { act_now: [400, 150, 400, 150, 400], advice: [200] };
const GAP_S = 0.06;

export class Alarm {
  constructor() {
    this.sound = new Choice("dutylog.sound", [OFF, ON]);
    this.vibration = new Choice("dutylog.vibration", [OFF, ON]);
    this.context = null;
    this.known = new Set();
    this.saidAtS = -Infinity;
    bindSwitch(byId("sound-switch"), this.sound, (value) => (value === ON && this.context?.state !== "running" ? "on, touch the page once" : value));
    if (navigator.vibrate) bindSwitch(byId("vibration-switch"), this.vibration);
    this.sound.onChange((value) => { if (value === ON) this.wake(true); });
    this.vibration.onChange((value) => { if (value === ON) this.pulse("advice"); });
    // browsers keep a page silent until it was touched
    for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, () => { if (this.sound.value === ON) this.wake(false); });
  }

  async wake(withTest) {
    if (!globalThis.AudioContext) return;
    this.context ??= new AudioContext();
    if (this.context.state !== "running") await this.context.resume();
    this.showSound();
    if (withTest) this.play("advice");
  }

  showSound() {
    byId("sound-switch").querySelector(".switch-now").textContent = this.sound.value;
  }

  /** Once a snapshot: say alerts that are new, and repeat those to act on now. */
  take(alerts, nowS) {
    const open = alerts.filter(isOpen);
    const fresh = open.filter((alert) => !this.known.has(alert.id));
    this.known = new Set(open.map((alert) => alert.id));
    const urgent = open.some((alert) => alert.level === "act_now");
    if (!fresh.length && !(urgent && nowS - this.saidAtS >= REPEAT_S)) return;
    this.saidAtS = nowS;
    const level = (fresh.length ? fresh : open).some((alert) => alert.level === "act_now") ? "act_now" : "advice";
    if (this.sound.value === ON) this.play(level);
    if (this.vibration.value === ON) this.pulse(level);
  }

  play(level) {
    if (this.context?.state !== "running") return;
    let atS = this.context.currentTime;
    for (const [hertz, lengthS] of TONES[level]) {
      const tone = this.context.createOscillator();
      const gain = this.context.createGain();
      tone.type = "square";
      tone.frequency.value = hertz;
      gain.gain.value = VOLUME;
      tone.connect(gain).connect(this.context.destination);
      tone.start(atS);
      tone.stop(atS + lengthS);
      atS += lengthS + GAP_S;
    }
  }

  pulse(level) {
    navigator.vibrate?.(PULSES_MS[level]);
  }
}
