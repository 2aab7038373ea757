// The screw's ends and its vertebra's midplane: set, and the pictures that follow from them shown.

import { sentence } from "./doubts.js";
import { draftWords } from "./draft.js";
import { LOCKED } from "./telling.js";

const byId = (id) => document.getElementById(id);

export class Ends {
  #isFoundAnew = false;

  /**
   * @param {object} desk what is shown
   * @param {object} parts of the desk, there once something is set: pictures, finding, proposed,
   *   answers, strip, measuring, angles
   * @param {object} told tell, touched, drawSoon and come (the sections are on screen)
   * @param {string} before what is said first, of what came before
   */
  constructor(desk, parts, told, before) {
    Object.assign(this, { desk, parts, told, before });
    /** The draft whose pictures are awaited, or null. */
    this.restored = null;
  }

  /** @returns {string} what is said of a screw that was found */
  get #words() {
    const doubt = this.desk.sections.layout.side_doubt;
    const warning = doubt ? `${sentence(doubt.words)} ` : "";
    const length = this.desk.depths.at(-1).toFixed(1);
    return `${warning}The screw is ${length} mm long. Check both ends along the axis, then look through it.`;
  }

  #goOn() {
    byId("find").open = false;
    byId("section").focus();
  }

  /** Goes on to the sections, where the keys begin. */
  toSections() {
    this.#goOn();
    this.told.tell(this.#words);
  }

  /**
   * Takes new ends or a new midplane, unless marks hang on the old ones.
   * @returns {boolean} whether they were taken
   */
  set({ midplane, ...ends }, isAtRest = false) {
    const { desk, parts, told } = this;
    if (!desk.book.isEmpty) {
      told.tell(LOCKED);
      parts.finding.showEnds();
      return false;
    }
    parts.proposed.settle();
    if (midplane) desk.book.setPlane("midplane", midplane);
    if (ends.entry || ends.tip) desk.wasProposed = false;
    this.replace(ends, isAtRest);
    parts.finding.showEnds();
    told.touched();
    return true;
  }

  /** Takes ends and the midplane as it stands: what hung on others is let go. */
  replace(ends, isAtRest = false) {
    const { desk } = this;
    if (!this.parts.pictures.place(ends, isAtRest)) return;
    // What was marked and looked at belongs to the ends before: neither comes back on these.
    if (ends.entry || ends.tip) desk.book.forget();
    desk.shown.clear();
    desk.planes.clear();
    desk.middle = [0, 0];
  }

  /** Takes the screw that was found in the metal, and goes on to its sections once they are there. */
  take(axis) {
    const { desk, parts, told } = this;
    parts.angles.reset();
    if (!this.set({ entry: axis.entry_mm, tip: axis.tip_mm }, true)) return;
    if (!desk.diameterMm) desk.diameterMm = axis.shank_diameter_mm;
    parts.answers.offerDiameter(axis.shank_diameter_mm);
    desk.focus = 0;
    this.#isFoundAnew = !desk.isSettled;
    if (desk.isSettled) this.toSections();
    else if (axis.side_doubt) told.tell(sentence(axis.side_doubt));
  }

  /** Shows the pictures that have come. */
  come(isFirst) {
    const { desk, parts, told } = this;
    desk.focus = Math.min(desk.focus, desk.depths.length - 1);
    byId("unfound").hidden = true;
    parts.answers.tell([]);
    parts.strip.fill();
    told.tell(this.restored ? draftWords(this.restored, desk) : this.#words);
    // Another screw that was found is looked through like the first.
    if ((isFirst || this.#isFoundAnew) && !desk.isProposed) this.#goOn();
    this.#isFoundAnew = false;
    parts.answers.doubts.renew(desk.sections.layout.side_doubt);
    // That it is proposed stands beside the question, which has the focus.
    if (desk.isProposed) told.tell(`${this.before}${this.#words}`);
    if (this.restored) {
      parts.answers.doubts.take(this.restored.answers);
      parts.measuring.soon();
      this.restored = null;
    }
    parts.angles.soon();
    told.drawSoon();
    told.come();
  }
}
