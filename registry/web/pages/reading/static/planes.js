// What the reader does to the vertebra's own planes: the midplane and its upper endplate.

import { LOCKED } from "./telling.js";

const byId = (id) => document.getElementById(id);

export class Planes {
  /**
   * @param {object} desk what is shown
   * @param {object} told tell, drawSoon, replaced (the midplane is another), changed (the endplate)
   */
  constructor(desk, told) {
    Object.assign(this, { desk, told });
  }

  /** Moves a point of the midplane, unless marks hang on the sections that follow from it. */
  moveMidplane(index, point) {
    if (!this.desk.book.isEmpty) {
      this.told.tell(LOCKED);
      return;
    }
    this.desk.book.move({ kind: "midplane", index }, point);
    this.told.replaced();
  }

  /** Goes to the endplate's picture, or from there back to the section. */
  goUpright() {
    const upright = byId("upright");
    if (document.activeElement === upright) {
      byId("section").focus();
      return;
    }
    const box = byId("angles");
    box.open = true;
    (this.desk.upright ? upright : box.querySelector("summary")).focus();
  }

  /** Marks an end of the endplate, or moves one that stands; moves in a row are undone together. */
  setEndplate(index, point, isMove) {
    const { book } = this.desk;
    const handle = { kind: "endplate", index };
    if (isMove && book.where(handle)) {
      book.move(handle, point);
    } else {
      const ends = [...book.state.endplate];
      ends[index] = point;
      book.setPlane("endplate", ends);
    }
    this.useEnd(index);
    this.told.changed();
  }

  /** Chooses the end that a click and the arrows move. */
  useEnd(index) {
    if (this.desk.endplateUse !== index) this.desk.book.settle();
    this.desk.endplateUse = index;
    byId(`endplate-use-${index ? "back" : "front"}`).checked = true;
    this.told.drawSoon();
  }

  noEndplate() {
    this.desk.book.setPlane("endplate", [null, null]);
    this.told.tell("The upper endplate is taken back: the sagittal angle stays empty.");
    this.told.changed();
  }
}
