// The line to the pages: server-sent events, opened again by itself, and how old the newest readings are.
const QUIET_S = 11; // two pings missed: the line is dead though nobody said so
const HEARD_S = 6; // a ping comes every 5 s: heard from within it, the pages are there and the logger is silent
const REOPEN_MS = 2000;

function nowS() {
  return performance.now() / 1000;
}

export class Link {
  /** onMessage(message, freshAtS) for each snapshot; onState({state, ageS, lost}) whenever that may have changed. */
  constructor(staleAfterS, onMessage, onState) {
    this.staleAfterS = staleAfterS;
    this.onMessage = onMessage;
    this.onState = onState;
    this.stream = null;
    this.freshAtS = null; // page time at which the newest snapshot was fresh
    this.heardAtS = nowS();
    this.leastDelayS = Infinity;
    this.everConnected = false;
    this.notice = ""; // what is wrong with the way from the logger to the pages
    this.staleTimer = null;
    this.reopenTimer = null;
    addEventListener("online", () => this.open());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.check(); });
  }

  open() {
    clearTimeout(this.reopenTimer);
    this.stream?.close();
    this.heardAtS = nowS();
    this.leastDelayS = Infinity;
    const stream = new EventSource("/events");
    this.stream = stream;
    stream.addEventListener("open", () => { this.everConnected = true; this.hear(); });
    stream.addEventListener("ping", () => this.hear());
    stream.addEventListener("snapshot", (event) => this.take(JSON.parse(event.data)));
    stream.addEventListener("error", () => {
      // a refusal (too many screens) closes for good; a lost line comes back by itself
      if (stream.readyState === EventSource.CLOSED) this.reopenTimer = setTimeout(() => this.open(), REOPEN_MS);
      this.tell();
    });
  }

  hear() {
    this.heardAtS = nowS();
  }

  take(message) {
    this.hear();
    this.notice = message.notice ?? "";
    if (!message.snapshot) {
      this.tell();
      return;
    }
    // The two clocks differ by an unknown constant; what an event took beyond the fastest one is its delay.
    const delayS = this.heardAtS - message.sent_mono_s;
    this.leastDelayS = Math.min(this.leastDelayS, delayS);
    this.freshAtS = this.heardAtS - message.age_s - (delayS - this.leastDelayS);
    this.onMessage(message, this.freshAtS);
    clearTimeout(this.staleTimer);
    // to the moment, not to the next tick: old figures must not pass for new ones
    this.staleTimer = setTimeout(() => this.tell(), Math.max(0, (this.staleAfterS - this.ageS()) * 1000 + 1));
    this.tell();
  }

  ageS() {
    return this.freshAtS === null ? null : nowS() - this.freshAtS;
  }

  /** Every 250 ms: tell the age, and open a line that has gone quiet again. */
  check() {
    this.tell();
    if (nowS() - this.heardAtS > QUIET_S) this.open();
  }

  tell() {
    const ageS = this.ageS();
    const state = ageS === null ? "waiting" : ageS > this.staleAfterS ? "stale" : "live";
    this.onState({ state, ageS, lost: this.lostTo() });
  }

  /** Which part is silent: "pages", "logger", or "" while that can't be told yet. */
  lostTo() {
    if (this.stream?.readyState !== EventSource.OPEN || !navigator.onLine) return "pages";
    const quietS = nowS() - this.heardAtS;
    if (quietS > HEARD_S) return "pages";
    return this.freshAtS !== null && this.heardAtS - this.freshAtS > this.staleAfterS ? "logger" : "";
  }
}
