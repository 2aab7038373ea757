// Asks the server what there is to say of the form as it stands, a moment after the last key.

const PAUSE_MILLISECONDS = 400;
const NOT_NEW = "They could not be looked up just now and may be old.";

const items = (lines) =>
  lines.map((line) => Object.assign(document.createElement("li"), { textContent: line }));

export class Notes {
  /** @param {HTMLFormElement} form */
  constructor(form) {
    this.form = form;
    this.list = document.getElementById("notes");
    this.none = document.getElementById("no-notes");
    this.state = document.getElementById("notes-state");
  }

  follow() {
    for (const kind of ["input", "change"]) {
      this.form.addEventListener(kind, () => this.#later());
    }
  }

  #later() {
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.#ask(), PAUSE_MILLISECONDS);
  }

  async #ask() {
    this.asking?.abort();
    this.asking = new AbortController();
    try {
      const answer = await fetch(this.form.dataset.notes, {
        method: "POST",
        credentials: "same-origin",
        headers: { Accept: "application/json" },
        body: new URLSearchParams(new FormData(this.form)),
        signal: this.asking.signal,
      });
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      this.#show(await answer.json());
    } catch (error) {
      if (error.name !== "AbortError") this.state.textContent = NOT_NEW;
    }
  }

  #show({ notes, stickers }) {
    this.state.textContent = "";
    this.list.replaceChildren(...items(notes));
    this.none.hidden = notes.length > 0;
    for (const told of this.form.querySelectorAll("[data-sticker]")) {
      told.replaceChildren(...items(stickers[told.dataset.sticker] ?? []));
    }
  }
}
