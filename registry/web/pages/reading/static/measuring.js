// What the marks come to: asked for while the reader goes on, shown when it has come.

import { Problem } from "./api.js";
import { latest } from "./latest.js";
import { inWords } from "./numbers.js";

const AFTER_MS = 200;
const NOTHING_YET = "Nothing is measured yet.";

export class Measuring {
  #isMeasured = false;

  /**
   * @param {Api} api
   * @param {object} desk what is shown: curves and extents are set here
   * @param {Answers} answers
   * @param {Numbers} numbers
   * @param {object} told tell, tellProblem, drawSoon
   */
  constructor(api, desk, answers, numbers, told) {
    Object.assign(this, { api, desk, answers, numbers, told });
    this.soon = latest(AFTER_MS, (signal) => this.#measure(signal), told.tellProblem);
  }

  /** @returns {object} the marks with the ends that they hang on, as the server takes them */
  marks() {
    const { book, entry, tip, midplane, isUprightSeen } = this.desk;
    // What was found counts as the reader's once they have looked at it.
    const isEndplate = book.hasPlane("endplate") && (isUprightSeen || !book.isFound("endplate"));
    const standing = { midplane: midplane.every(Boolean), endplate: isEndplate };
    return {
      ...book.toDocument(),
      entry_mm: entry,
      tip_mm: tip,
      midplane_mm: standing.midplane ? midplane : null,
      endplate_mm: standing.endplate ? book.state.endplate : null,
      found: book.state.found.filter((name) => standing[name]),
      estimated_diameter_mm: this.answers.estimatedDiameterMm,
      is_axis_proposed: this.desk.wasProposed,
    };
  }

  async #measure(signal) {
    const { desk, answers, told } = this;
    if (!desk.sections || desk.book.isEmpty || !answers.isMeasuring) {
      this.#show(null);
      return;
    }
    try {
      const sent = { way: answers.way, marks: this.marks() };
      const measured = await this.api.post("measure", sent, signal);
      this.#show(measured);
      told.tell(Object.keys(measured.extents).length ? inWords(measured) : NOTHING_YET);
    } catch (error) {
      // Where nobody answered the numbers stay old, and are asked for again once somebody does.
      if (!(error instanceof Problem) || error.kind !== "refused") throw error;
      this.#show(null);
      this.numbers.tell(error.lines);
    }
  }

  #show(measured) {
    if (!measured && this.#isMeasured && this.desk.book.isEmpty) this.told.tell(NOTHING_YET);
    this.#isMeasured = Boolean(measured);
    const { curves = [], extents = {} } = measured ?? {};
    Object.assign(this.desk, { curves, extents });
    this.numbers.show(measured);
    this.told.drawSoon();
  }
}
