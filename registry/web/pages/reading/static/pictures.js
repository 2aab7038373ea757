// The pictures that follow from the screw's ends: the sections across its axis and one along it.

import { latest } from "./latest.js";

const AFTER_MS = 250;
const PARTS = ["look", "across", "lengthwise"];

/** @returns {object} what pictures of these ends and this midplane are asked for with */
export function placeParameters({ entry, tip, midplane }) {
  const parameters = { entry: entry.join(), tip: tip.join() };
  if (midplane.length && midplane.every(Boolean)) {
    parameters.midplane = midplane.map((point) => point.join()).join(";");
  }
  return parameters;
}

export class Pictures {
  /** What the sections on the page were made for. */
  #shownFor = null;
  #loadSoon;

  /**
   * @param {Api} api
   * @param {object} desk what is shown: entry, tip, midplane, across; set here are sections,
   *   depths, along and isSettled, whether the pictures are those of the ends as they stand
   * @param {object} told come (called with whether they are the first), drawSoon, tellProblem
   */
  constructor(api, desk, told) {
    this.api = api;
    this.desk = desk;
    this.told = told;
    this.#loadSoon = latest(AFTER_MS, (signal) => this.#load(signal), told.tellProblem);
    /** Fetches the picture along the axis that the choice of what is on top asks for. */
    this.turnSoon = latest(0, (signal) => this.#turn(signal), told.tellProblem);
  }

  /**
   * Takes new ends, and the midplane as it stands, and fetches what follows from them, at once or
   * when they have come to rest.
   * @returns {boolean} whether the pictures on the page are those of others from now on
   */
  place(change, isAtRest = false) {
    const before = this.#wanted;
    Object.assign(this.desk, change);
    if (this.#wanted === before && before === this.#shownFor) return false;
    this.#settle(false);
    this.#loadSoon(isAtRest ? 0 : AFTER_MS);
    return true;
  }

  /** Asks again for pictures that have not come. */
  again() {
    if (this.#wanted && this.#wanted !== this.#shownFor) this.#loadSoon(0);
    else if (this.desk.along && this.desk.along.picture.layout.across !== this.desk.across) {
      this.turnSoon();
    }
  }

  #settle(isSettled) {
    this.desk.isSettled = isSettled;
    for (const part of PARTS) {
      document.getElementById(part).setAttribute("aria-busy", String(!isSettled));
    }
  }

  /** @returns {?string} what the pictures are asked for with, null while an end is missing */
  get #wanted() {
    return this.desk.entry && this.desk.tip ? JSON.stringify(placeParameters(this.desk)) : null;
  }

  async #along(parameters, signal) {
    const { entry, across } = this.desk;
    const picture = await this.api.picture(`along/${across}`, parameters, signal);
    // Turned meanwhile: what is on top is always what the choice says.
    return across === this.desk.across ? { picture, entry } : this.#along(parameters, signal);
  }

  async #load(signal) {
    const { desk } = this;
    if (!desk.entry || !desk.tip) return;
    const parameters = placeParameters(this.desk);
    const [sections, along] = await Promise.all([
      this.api.picture("sections", parameters, signal),
      this.#along(parameters, signal),
    ]);
    const isFirst = !desk.sections;
    Object.assign(desk, { sections, along, depths: sections.layout.depths_mm });
    this.#shownFor = JSON.stringify(parameters);
    this.#settle(true);
    for (const part of PARTS) document.getElementById(part).hidden = false;
    this.told.come(isFirst);
  }

  async #turn(signal) {
    const asked = this.#wanted;
    if (!asked) return;
    const along = await this.#along(placeParameters(this.desk), signal);
    // Other ends by now: a picture of theirs comes with their sections.
    if (asked !== this.#wanted || !this.desk.sections) return;
    this.desk.along = along;
    this.told.drawSoon();
  }
}
