// What the reader does to the marks, whichever picture, list or key it came from.

import { sameHandle } from "./marks.js";

const NO_WAY = "Choose first how to read it: by the contour or by the calliper.";
const OLD_PICTURES =
  "Not marked: these pictures are of other ends. Wait for those of the new ends, or set the ends again.";

/** What is said while the reader has not said whether the proposed screw is the right one. */
export const NOT_TAKEN = "Say first whether the proposed screw is the right one.";

export class Marking {
  /**
   * @param {object} desk what is shown: book, active, isHeld, depths, focus, isSettled
   * @param {Answers} answers which way is chosen, and which bone a click marks
   * @param {object} told tell, changed (the marks are others now), drawSoon
   */
  constructor(desk, answers, told) {
    this.desk = desk;
    this.answers = answers;
    this.told = told;
  }

  /** Lets the chosen mark go. */
  release() {
    Object.assign(this.desk, { active: null, isHeld: false });
    this.desk.book.settle();
    this.told.drawSoon();
  }

  pick(handle, isHeld) {
    Object.assign(this.desk, { active: handle, isHeld });
    this.desk.book.settle();
    if (isHeld) this.told.tell("Picked up: click where it belongs, or Escape to let it go.");
    this.told.drawSoon();
  }

  move(handle, point) {
    this.desk.book.move(handle, point);
    this.told.changed();
  }

  remove(handle = this.desk.active) {
    if (!handle) return;
    this.desk.book.remove(handle);
    this.release();
    this.told.changed();
  }

  #isMarking() {
    const { way } = this.answers;
    const isMeasuring = way === "contour" || way === "calliper";
    if (this.desk.isProposed) this.told.tell(NOT_TAKEN);
    else if (!isMeasuring) this.told.tell(NO_WAY);
    else if (!this.desk.isSettled) this.told.tell(OLD_PICTURES);
    return isMeasuring && this.desk.isSettled && !this.desk.isProposed;
  }

  /** Marks a place of a section. @returns {boolean} whether it may be marked */
  place(depth, point) {
    if (!this.#isMarking()) return false;
    this.release();
    const { book } = this.desk;
    if (this.answers.way === "calliper") book.addLineEnd(depth, point);
    else book.addPoint(this.answers.bone, depth, point);
    this.told.changed();
    return true;
  }

  /** Marks the body's front on the picture along the axis with this on top. */
  placeFront(across, point) {
    if (!this.#isMarking()) return;
    this.release();
    this.desk.book.addFront(across, point);
    this.told.changed();
  }

  /** Chooses the next of some marks, or the one before. */
  cycle(handles, step) {
    if (!handles.length) return;
    const at = handles.findIndex((each) => sameHandle(each, this.desk.active));
    const next = at < 0 && step < 0 ? handles.length - 1 : at + step;
    this.pick(handles[(next + handles.length) % handles.length], false);
  }

  undo() {
    this.#step(this.desk.book.canUndo, "undone", () => this.desk.book.undo());
  }

  redo() {
    this.#step(this.desk.book.canRedo, "done again", () => this.desk.book.redo());
  }

  #step(isThere, words, step) {
    if (isThere) step();
    this.told.tell(isThere ? `The last change of the marks is ${words}.` : `Nothing to be ${words}.`);
    if (isThere) this.told.changed();
  }

  clearSection() {
    this.desk.book.clearSection(this.desk.depths[this.desk.focus]);
    this.told.changed();
  }

  clearAll() {
    this.desk.book.clear();
    this.release();
    this.told.changed();
  }

  /** Copies the marks of the nearest section that has any of the same bone. */
  copyNearest() {
    const { book, depths, focus } = this.desk;
    const depth = depths[focus];
    const { bone } = this.answers;
    const [from] = (book.state.bones[bone] ?? [])
      .map((each) => each.depth_mm)
      .filter((each) => each !== depth)
      .sort((a, b) => Math.abs(a - depth) - Math.abs(b - depth));
    if (from === undefined) {
      this.told.tell("No other section is marked yet.");
      return;
    }
    book.copySection(bone, from, depth);
    this.told.tell(`Copied from ${from.toFixed(1)} mm: move each mark to where it belongs here.`);
    this.told.changed();
  }
}
