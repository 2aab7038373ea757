// The screw's angles: the upper endplate as the program finds it in the midplane, and what both
// come to. What was found counts once it has been looked at; until then its angle stays empty.

import { latest } from "./latest.js";
import { placeParameters } from "./pictures.js";

const AFTER_MS = 100;
const NONE = [null, null];
const UNSEEN = "an upper endplate was found: look at it here and it counts";
const NOT_SEEN = "the upper endplate was not found: mark its front and its back corner";

const byId = (id) => document.getElementById(id);

export class Angles {
  #askedFor = "";
  #pictureFor = "";
  #shownFor = "";

  /**
   * @param {Api} api
   * @param {object} desk what is shown: upright is set here
   * @param {() => object} marks as the server takes them
   * @param {object} told drawSoon, tellProblem
   */
  constructor(api, desk, marks, told) {
    Object.assign(this, { api, desk, marks, told });
    this.box = byId("angles");
    this.soon = latest(AFTER_MS, (signal) => this.#renew(signal), told.tellProblem);
    this.box.addEventListener("toggle", () => this.soon(0));
  }

  /** Another screw was found: what was found of the vertebra before is none of its own. */
  reset() {
    const { book } = this.desk;
    for (const name of ["midplane", "endplate"]) if (book.isFound(name)) book.putFound(name, NONE);
    this.#askedFor = "";
  }

  async #renew(signal) {
    const { desk } = this;
    const { book } = desk;
    if (!desk.sections || desk.isProposed) return;
    this.box.hidden = false;
    const isWhole = desk.midplane.every(Boolean);
    if (isWhole) {
      await this.#findEndplate(signal);
      await this.#fetchPicture(signal);
    } else {
      desk.upright = null;
      this.#pictureFor = "";
    }
    byId("upright").hidden = !desk.upright;
    byId("no-upright").hidden = Boolean(desk.upright);
    const { entry, tip } = desk;
    const asked = JSON.stringify([entry, tip, book.state.midplane, book.state.endplate, book.state.found, desk.isUprightSeen]);
    if (asked !== this.#shownFor) {
      this.#show(await this.api.post("angles", this.marks(), signal));
      this.#shownFor = asked;
    }
    this.told.drawSoon();
  }

  async #findEndplate(signal) {
    const { book, midplane } = this.desk;
    const asked = JSON.stringify(midplane);
    if (asked === this.#askedFor) return;
    if (book.hasPlane("endplate") && !book.isFound("endplate")) return;
    const found = await this.api.post("endplate", this.marks(), signal);
    this.#askedFor = asked;
    book.putFound("endplate", found.endplate_mm ?? NONE);
  }

  async #fetchPicture(signal) {
    const parameters = placeParameters(this.desk);
    const asked = JSON.stringify(parameters);
    if (asked === this.#pictureFor) return;
    this.desk.upright = await this.api.picture("upright", parameters, signal);
    this.#pictureFor = asked;
  }

  #show(found) {
    const { book, isUprightSeen } = this.desk;
    const isUnseen = book.isFound("endplate") && !isUprightSeen;
    const isLost = !book.hasPlane("endplate") && this.#askedFor && found.why_no_convergence === "";
    const why = isUnseen ? UNSEEN : isLost ? NOT_SEEN : found.why_no_sagittal;
    const words = {
      convergence: degrees(found.convergence_deg, found.why_no_convergence),
      sagittal: degrees(found.sagittal_deg, why),
    };
    for (const [name, text] of Object.entries(words)) byId(`${name}-told`).textContent = text;
    byId("angles-told").textContent = `convergence ${words.convergence}; sagittal ${words.sagittal}`;
    const planes = ["midplane", "endplate"].filter((name) => book.isFound(name));
    byId("planes-found").hidden = !planes.length;
    byId("planes-found").textContent =
      `As the program found it in the images: ${planes.join(" and ").replace("endplate", "upper endplate")}. It can be wrong.`;
  }
}

const degrees = (value, why) => (value === null ? `empty: ${why}` : `${value}°`);
