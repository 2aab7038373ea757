// How long a reader has been at a screw: a pause, or a page that nobody looks at, does not count.

/** A reader who does nothing for longer has paused; two minutes, a choice of ours. */
export const PAUSE_MS = 120_000;

const SIGNS = ["keydown", "pointerdown", "pointermove", "wheel"];

/** The seconds between signs of a reader, each counted up to a pause. */
export class Attention {
  #counted = 0;
  #last;

  /** @param {() => number} clock in milliseconds, never running backwards */
  constructor(clock) {
    this.clock = clock;
    this.#last = clock();
  }

  /** Follows a page's events, until the signal says that it is over. */
  follow(page, signal = undefined) {
    for (const name of SIGNS) {
      page.addEventListener(name, () => this.note(), { passive: true, capture: true, signal });
    }
    const turn = () => this.turn(page.visibilityState !== "hidden");
    page.addEventListener("visibilitychange", turn, { signal });
  }

  /** Adds the seconds of an earlier sitting at the same screw. */
  add(seconds) {
    this.#counted += 1000 * (Number(seconds) || 0);
  }

  /** Takes a sign that the reader is there. */
  note() {
    const now = this.clock();
    if (this.#last !== null) this.#counted += Math.min(now - this.#last, PAUSE_MS);
    this.#last = now;
  }

  /** Stops at a page that is hidden, and goes on from when it is shown. */
  turn(isShown) {
    if (isShown) {
      this.#last = this.clock();
    } else {
      this.note();
      this.#last = null;
    }
  }

  get seconds() {
    this.note();
    return Math.round(this.#counted / 1000);
  }
}
