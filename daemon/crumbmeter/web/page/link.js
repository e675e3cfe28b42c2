// The line to the desk: one stream of events, watched by this page's own clock.
//
// "Old" is decided here and nowhere else: no event for 3 s, or control silent behind the desk. The watch looks at two
// clocks, so that a machine that slept also finds its picture old.

export const OLD_MS = 3000;
const LOOK_MS = 250;
const FIRST_PAUSE_MS = 500;
const LONGEST_PAUSE_MS = 5000;
const PATIENCE_MS = 6000;

export class Link {
  constructor(heard, looked, over) {
    this.heard = heard;
    this.looked = looked;
    this.over = over;
    this.source = null;
    this.pause = FIRST_PAUSE_MS;
    this.began = this.last = this.now();
    this.control = { up: false, silent_s: null };
    this.view = null;
    this.viewAt = this.last;
    this.server = null;
    this.asking = false;
    setInterval(() => this.look(), LOOK_MS);
    for (const name of ["visibilitychange", "pageshow", "online", "focus"]) {
      window.addEventListener(name, () => this.look());
    }
  }

  now() {
    return { steady: performance.now(), wall: Date.now() };
  }

  // [ms] Since then, by whichever clock saw more: one of them stands still while the machine sleeps.
  since(then) {
    const now = this.now();
    return Math.max(now.steady - then.steady, Math.min(now.wall - then.wall, 1e9), 0);
  }

  // Begin anew, for somebody who has just come in: nothing has been seen yet.
  begin() {
    this.view = null;
    this.server = null;
    this.last = this.now();
    this.pause = FIRST_PAUSE_MS;
    this.start();
  }

  start() {
    this.stop();
    this.began = this.now();
    this.wanted = true;
    const source = new EventSource("/api/v1/stream");
    this.source = source;
    source.addEventListener("view", (event) => this.take(source, "view", event));
    source.addEventListener("beat", (event) => this.take(source, "beat", event));
    source.addEventListener("session_over", () => this.end());
    source.addEventListener("error", () => this.lost(source));
  }

  stop() {
    this.source?.close();
    this.source = null;
    this.wanted = false;
    clearTimeout(this.timer);
    this.timer = null;
  }

  end() {
    this.stop();
    this.over();
  }

  take(source, kind, event) {
    if (source !== this.source) return;
    const body = JSON.parse(event.data);
    this.last = this.now();
    this.pause = FIRST_PAUSE_MS;
    this.control = body.link ?? this.control;
    if (kind === "view") {
      this.view = body;
      this.viewAt = this.last;
    } else this.server = { wall_time: body.wall_time, at: this.last };
    this.heard(kind, body);
    this.look();
  }

  lost(source) {
    if (source !== this.source) return;
    source.close();
    this.source = null;
    this.again();
  }

  // Try again after a pause that grows, with some chance in it: many pages must not all come at once.
  again() {
    if (!this.wanted || this.timer) return;
    const pause = this.pause * (0.75 + 0.5 * Math.random());
    this.pause = Math.min(this.pause * 2, LONGEST_PAUSE_MS);
    this.timer = setTimeout(async () => {
      this.timer = null;
      if (!this.wanted) return;
      if (await this.over("ask")) this.stop();
      else if (this.wanted) this.start();
    }, pause);
  }

  look() {
    if (this.wanted && this.source && this.since(this.last) > PATIENCE_MS && this.since(this.began) > PATIENCE_MS) {
      this.lost(this.source);
    }
    this.looked(this.state());
  }

  state() {
    const silent = this.since(this.last);
    const behind = this.view ? this.since(this.viewAt) + 1000 * (this.view.scan_age_s ?? 0) : Infinity;
    const desk = silent <= OLD_MS;
    // Control may also be gone while the desk's own beat goes on.
    const control = desk && this.control.up && behind <= OLD_MS;
    return { fresh: control, desk, silent_s: silent / 1000, behind_s: behind / 1000 };
  }
}
