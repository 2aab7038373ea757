// Rays of a section about a middle, as the hours of a clock's face: cranial at 12, medial at 3. The
// place that keys move goes from ray to ray and along them; nothing is sought in the picture.

import { add, distance, minus, roundedAll } from "./geometry.js";

const HOURS = 12;
const TURN = 2 * Math.PI;
/** A place closer to the middle lies on no ray. */
const AT_MIDDLE_MM = 0.05;
/** Where a screw's width is not known, the rays begin this far out. */
const UNKNOWN_EDGE_MM = 3;
const WALLS = ["cranial", "medial", "caudal", "lateral"];

/** @returns {number} the hour on which a place lies as seen from a middle, 0 up to 12 */
export function hourOf(point, middle) {
  const [u, v] = minus(point, middle);
  return ((Math.atan2(u, v) / TURN) * HOURS + HOURS) % HOURS;
}

/** @returns {number[]} the place at a distance along an hour's ray */
export function placeOn(hour, reachMm, middle) {
  const angle = (hour / HOURS) * TURN;
  return roundedAll(add(middle, [Math.sin(angle), Math.cos(angle)], reachMm));
}

/** @returns {string} where a place lies: "3 o'clock, medial, 5.4 mm out" */
export function rayWords(point, middle) {
  const reach = distance(point, middle);
  if (reach < AT_MIDDLE_MM) return "in the middle of the rays";
  const hour = (Math.round(2 * hourOf(point, middle)) / 2) % HOURS;
  const whole = Math.floor(hour) || HOURS;
  const clock = hour % 1 ? `half past ${whole}` : `${whole} o'clock`;
  const wall = hour % 3 ? "" : `, ${WALLS[hour / 3]}`;
  return `${clock}${wall}, ${reach.toFixed(1)} mm out`;
}

export class Rays {
  /**
   * @param {object} desk what is shown: book, active, middle (of the rays), diameterMm, depths ...
   * @param {SectionView} section whose cross is moved
   * @param {Marking} marking
   * @param {Answers} answers which way is chosen, and which bone is marked
   * @param {object} told tell, changed (what is seen is another now)
   */
  constructor(desk, section, marking, answers, told) {
    Object.assign(this, { desk, section, marking, answers, told });
  }

  get #place() {
    return this.section.keyPlace;
  }

  get #isAtMiddle() {
    return distance(this.#place, this.desk.middle) < AT_MIDDLE_MM;
  }

  /** Goes some hours on: to the mark that stands on that ray, else as far out as before. */
  turn(hours) {
    const { desk, marking, section } = this;
    const size = Math.abs(hours);
    const from = Math.round(hourOf(this.#place, desk.middle) / size) * size;
    const hour = this.#isAtMiddle ? 0 : (from + hours + HOURS) % HOURS;
    const reach = this.#isAtMiddle ? this.#edgeMm : distance(this.#place, desk.middle);
    const mark = this.#markNear(hour, size / 2);
    if (mark) {
      marking.pick(mark, false);
      section.cross = desk.book.where(mark);
    } else {
      marking.release();
      section.cross = placeOn(hour, reach, desk.middle);
    }
    section.isOnRays = true;
    this.told.changed();
  }

  get #edgeMm() {
    return this.desk.diameterMm / 2 || UNKNOWN_EDGE_MM;
  }

  #markNear(hour, within) {
    const { book, middle } = this.desk;
    const away = (handle) => {
      const apart = Math.abs(hourOf(book.where(handle), middle) - hour);
      return Math.min(apart, HOURS - apart);
    };
    const [nearest] = book
      .handlesAt(this.section.depth)
      .filter((each) => each.kind === "bone" && each.bone === this.answers.bone)
      .filter((each) => distance(book.where(each), middle) >= AT_MIDDLE_MM)
      .sort((a, b) => away(a) - away(b));
    return nearest && away(nearest) <= within ? nearest : null;
  }

  /** Moves the place along its ray, outwards or, below nought, inwards as far as the middle. */
  reach(mm) {
    if (this.#isAtMiddle) {
      this.turn(1);
      return;
    }
    const { desk, section } = this;
    const [most] = section.halvesMm;
    const before = distance(this.#place, desk.middle);
    const after = Math.min(most, Math.max(2 * AT_MIDDLE_MM, before + mm));
    section.isOnRays = true;
    section.putKeyPlace(placeOn(hourOf(this.#place, desk.middle), after, desk.middle));
  }

  /** Marks where the place is, and goes on to the next ray; from a chosen mark it only goes on. */
  markAndTurn() {
    const { desk, marking, section } = this;
    if (desk.active || marking.place(section.depth, section.cross)) this.turn(1);
  }

  /** Lets the rays begin where the place is; from there again, at the screw's axis. */
  putMiddle() {
    const isBack = this.#isAtMiddle;
    this.desk.middle = isBack ? [0, 0] : roundedAll(this.#place, 0.1);
    const [u, v] = this.desk.middle.map((value) => value.toFixed(1));
    const where = isBack ? "the screw's axis" : `medial ${u}, cranial ${v}`;
    this.told.tell(`The rays begin at ${where}.`);
    this.told.changed();
  }
}
