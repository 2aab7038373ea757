// The line to the server: says calmly when it is gone, tries again by itself, and says when it is
// back. Whose turn it is to sign in again is told here too.

const PAUSES_MS = [1000, 2000, 4000, 8000, 15_000, 30_000];
const WORDS = {
  gone: "The server cannot be reached. What you marked and typed is kept in this tab: go on. It is tried again by itself.",
  ended: "Your session has ended. What you marked and typed is kept.",
  other: "Somebody else is signed in in this browser now. What you marked and typed is kept in this tab, and shown to nobody else: sign them out and yourself in, in another tab, then come back to this one.",
};

export class Line {
  #timer = null;
  #tries = 0;
  #life;

  /**
   * @param {HTMLElement} box hidden while all is well
   * @param {object} told try (asks the server for something, rejects while it cannot), back (called
   *   once it answers again)
   * @param {AbortSignal} life ends with the page's screw
   */
  constructor(box, told, life) {
    this.box = box;
    this.told = told;
    this.state = "there";
    this.#life = life;
    box.querySelector("#line-try").addEventListener("click", () => this.#begin());
    window.addEventListener("offline", () => this.note("gone"), { signal: life });
    window.addEventListener("online", () => this.#begin(), { signal: life });
    // Signed in again in another tab: looked at when the reader comes back to this one.
    document.addEventListener(
      "visibilitychange",
      () => {
        if (document.visibilityState === "visible") this.#try();
      },
      { signal: life },
    );
    life.addEventListener("abort", () => clearTimeout(this.#timer));
  }

  /** Takes what became of a question: there, gone, ended or other. */
  note(state) {
    if (this.#life.aborted || state === this.state) return;
    const before = this.state;
    this.state = state;
    this.#show();
    clearTimeout(this.#timer);
    this.#tries = 0;
    if (state === "gone") this.#trySoon();
    if (state === "there" && before !== "there") this.told.back(before);
  }

  #show() {
    const { state } = this;
    this.box.hidden = state === "there";
    this.box.querySelector("#line-told").textContent = WORDS[state] ?? "";
    this.box.querySelector("#line-try").hidden = state !== "gone";
    this.box.querySelector("#line-sign-in").hidden = state !== "ended";
  }

  #begin() {
    this.#tries = 0;
    this.#try();
  }

  #trySoon() {
    const pause = PAUSES_MS[Math.min(this.#tries, PAUSES_MS.length - 1)];
    this.#tries += 1;
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#try(), pause);
  }

  async #try() {
    if (this.state === "there" || this.#life.aborted) return;
    try {
      await this.told.try();
      this.note("there");
    } catch {
      if (this.state === "gone") this.#trySoon();
    }
  }
}
