// Keeps a draft so that nothing is lost: on the server, and in the browser until the server has it.
//
// The browser's copy lies in the tab's own storage, under a word that names nobody, and only for as
// long as the server has not taken it; signing out clears it, and so does saving.

const HOLD_AFTER_MS = 100;
const SEND_AFTER_MS = 1500;

export class Keeper {
  #holdTimer = null;
  #sendTimer = null;
  #sending = null;
  #changes = 0;
  #sent = 0;
  #isStill = false;
  #isOver = false;

  /**
   * @param {Api} api
   * @param {string} name of the browser's copy: whose it is and of which screw
   * @param {() => object} gather the draft as it stands
   */
  constructor(api, name, gather) {
    this.api = api;
    this.name = name;
    this.gather = gather;
    this.isHeld = true;
  }

  /** Whether there is something that the server has not taken yet. */
  get isDue() {
    return this.#sent !== this.#changes;
  }

  /** Whether leaving the page would lose something. */
  get isAtRisk() {
    return this.isDue && !this.isHeld && !this.#isOver;
  }

  /** Takes note that something changed. */
  touch() {
    if (this.#isOver) return;
    this.#changes += 1;
    clearTimeout(this.#holdTimer);
    clearTimeout(this.#sendTimer);
    this.#holdTimer = setTimeout(() => this.hold(), HOLD_AFTER_MS);
    // Why it cannot be sent is told once for the whole page; it is tried again from there.
    this.#sendTimer = setTimeout(() => this.send().catch(() => {}), SEND_AFTER_MS);
  }

  /** Puts what the server has not taken into the tab's storage. */
  hold() {
    if (this.#isOver || !this.isDue) return;
    clearTimeout(this.#holdTimer);
    try {
      const held = { at: Date.now(), draft: this.gather() };
      window.sessionStorage.setItem(this.name, JSON.stringify(held));
      this.isHeld = true;
    } catch {
      // No storage, or none left: leaving is warned of instead.
      this.isHeld = false;
    }
  }

  /** Hands the server what it has not taken; one at a time, the newest last. */
  async send() {
    await this.#sending?.catch(() => {});
    if (this.#isOver || this.#isStill || !this.isDue) return;
    const changes = this.#changes;
    const draft = { ...this.gather(), at: Date.now() };
    this.#sending = this.api.post("draft", { draft });
    await this.#sending;
    this.#sent = changes;
    if (!this.isDue) this.#drop();
  }

  #drop() {
    try {
      window.sessionStorage.removeItem(this.name);
    } catch {
      // There was nothing that could have been held.
    }
  }

  #held() {
    try {
      return JSON.parse(window.sessionStorage.getItem(this.name));
    } catch {
      return null;
    }
  }

  async #kept(isHeldHere) {
    try {
      return (await this.api.get("draft")).draft;
    } catch (error) {
      if (isHeldHere) return null;
      throw error;
    }
  }

  /** @returns {Promise<?object>} the draft to go on from: the later of the server's and the tab's */
  async load() {
    const held = this.#held();
    const draft = await this.#kept(Boolean(held?.draft));
    if (!held?.draft || (draft && draft.at >= held.at)) return draft;
    // What only the tab has is sent on at once.
    this.touch();
    return held.draft;
  }

  /** Sends nothing while the reading is being saved; holds what there is meanwhile. */
  async still() {
    this.#isStill = true;
    this.hold();
    await this.#sending?.catch(() => {});
  }

  /** Goes on sending: it was not saved. */
  goOn() {
    this.#isStill = false;
    this.touch();
  }

  /** Keeps nothing more: it was saved, or the page has gone on. */
  end({ isSaved }) {
    if (!isSaved) this.hold();
    this.#isOver = true;
    clearTimeout(this.#holdTimer);
    clearTimeout(this.#sendTimer);
    if (isSaved) this.#drop();
  }
}
