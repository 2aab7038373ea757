// Saving a reading, once, whatever becomes of the answer.

import { Problem } from "./api.js";

const KEY_BYTES = 16;

const newKey = () =>
  [...crypto.getRandomValues(new Uint8Array(KEY_BYTES))]
    .map((byte) => byte.toString(16).padStart(2, "0"))
    .join("");

export class Saving {
  #key = null;
  #keyOf = null;

  /**
   * @param {Api} api
   * @param {Answers} answers
   * @param {Keeper} keeper ends once it is saved
   * @param {object} told missing (what has to be done before, in words), gather (the reading as it
   *   stands), seconds (spent at it), inPlace (the address of the screw that could be put on the desk
   *   at once), still and goOn (ask the server nothing beside it, and again) and saved (called with
   *   the answer)
   */
  constructor(api, answers, keeper, told) {
    Object.assign(this, { api, answers, keeper, told });
  }

  // The same reading goes under the same key: the server saves it once, and answers again.
  #keyFor(reading) {
    const text = JSON.stringify(reading);
    if (text !== this.#keyOf) [this.#key, this.#keyOf] = [newKey(), text];
    return this.#key;
  }

  async save() {
    const { answers, told } = this;
    const missing = told.missing();
    answers.tell(missing);
    if (missing.length) return;
    answers.setBusy(true);
    try {
      await this.keeper.still();
      const reading = told.gather();
      // Once it is saved, the server knows of no such reading to be made.
      told.still();
      const answer = await this.api.post("save", {
        ...reading,
        key: this.#keyFor(reading),
        seconds_spent: told.seconds(),
        in_place: told.inPlace(),
      });
      this.keeper.end({ isSaved: true });
      told.saved(answer);
    } catch (error) {
      answers.setBusy(false);
      this.keeper.goOn();
      told.goOn();
      if (!(error instanceof Problem)) throw error;
      answers.tell(error.lines);
    }
  }
}
