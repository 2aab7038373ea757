// The vertebra's midplane about the screw, front at the left: the upper endplate's line, moved by
// pointer and by keys, and the screw's axis as it would fall on the plane.

import * as draw from "./drawing.js";
import { SectionPlace, add, distance, dot, minus, roundedAll } from "./geometry.js";
import { HIT_PIXELS, PictureView } from "./view.js";

const ENDS = ["front", "back"];

export class UprightView extends PictureView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown; `desk.upright` is the picture
   * @param {object} told called when the reader does something: endplate (which end, where),
   *   useEnd, noEndplate, and what every picture tells
   */
  constructor(canvas, desk, told) {
    super(canvas, desk, told, 0);
  }

  get isReady() {
    return Boolean(this.desk.upright);
  }

  get halvesMm() {
    const { widthMm, heightMm } = this.desk.upright;
    return [widthMm / 2, heightMm / 2];
  }

  placeIn(width, height) {
    const { zoom, middle } = this.look;
    return new SectionPlace(width, height, this.desk.upright.widthMm, zoom, middle);
  }

  get #middle() {
    const { corner_mm: corner, right, down, columns, rows, spacing_mm: step } = this.desk.upright.layout;
    return add(add(corner, right, ((columns - 1) * step) / 2), down, ((rows - 1) * step) / 2);
  }

  #onPicture(point) {
    const { right, down } = this.desk.upright.layout;
    const offset = minus(point, this.#middle);
    return [dot(offset, right), -dot(offset, down)];
  }

  #toPatient([back, up]) {
    const { right, down } = this.desk.upright.layout;
    return roundedAll(add(add(this.#middle, right, back), down, -up), 0.01);
  }

  get #ends() {
    return this.desk.book.state.endplate.map((end) => end && this.#onPicture(end));
  }

  get #chosen() {
    return this.#ends[this.desk.endplateUse];
  }

  /** @returns {string} which end keys move and where it lies, or where the cross does */
  get words() {
    const [back, up] = (this.#chosen ?? this.cross).map((value) => value.toFixed(1));
    const what = this.#chosen ? `${ENDS[this.desk.endplateUse]} end` : "cross";
    return `${what} at back ${back}, up ${up} mm`;
  }

  draw() {
    const [width, height] = draw.fitted(this.canvas);
    if (!this.isReady || !width) return;
    const context = this.canvas.getContext("2d");
    const place = this.placeIn(width, height);
    const [across, high] = this.halvesMm;
    const plane = this.desk.upright.drawn(0, this.desk.window);
    draw.drawPicture(context, plane, place.toPixels([-across, high]), place.toPixels([across, -high]));
    const axis = [this.desk.entry, this.desk.tip].map((end) => place.toPixels(this.#onPicture(end)));
    draw.stroke(context, axis, { light: draw.LIGHT.screw, width: 1.2, pattern: [6, 4] });
    draw.word(context, "screw", axis[0], { align: "right", baseline: "middle" });
    this.#drawEndplate(context, place);
    if (document.activeElement === this.canvas && !this.#chosen) {
      draw.cross(context, place.toPixels(this.cross));
    }
    const words = { top: "head", bottom: "feet", left: "front", right: "back" };
    draw.edgeWords(context, width, height, words);
    draw.scaleBar(context, height, place.scale, 10);
    Object.assign(this.canvas.dataset, {
      scale: String(place.scale),
      centreX: String(place.centre[0]),
      centreY: String(place.centre[1]),
    });
  }

  #drawEndplate(context, place) {
    const ends = this.#ends.map((end) => end && place.toPixels(end));
    const light = draw.LIGHT.cortex;
    if (ends.every(Boolean)) {
      const pattern = this.desk.book.isFound("endplate") ? [8, 5] : [];
      draw.stroke(context, ends, { light, pattern });
      const [x, y] = ends[0];
      draw.word(context, "upper endplate", [x, y - 9], { baseline: "bottom", light });
    }
    ends.forEach((end, at) => {
      if (end) draw.handle(context, end, { light, isActive: at === this.desk.endplateUse });
    });
  }

  hit(pixels) {
    const apart = this.#ends.map((end) =>
      end ? distance(this.place.toPixels(end), pixels) : Infinity,
    );
    const nearest = Math.min(...apart);
    return nearest <= HIT_PIXELS ? { kind: "endplate", index: apart.indexOf(nearest) } : null;
  }

  drag(handle, mm) {
    this.told.endplate(handle.index, this.#toPatient(mm), true);
  }

  click(mm, handle) {
    if (handle && handle.index !== this.desk.endplateUse) this.told.useEnd(handle.index);
    else this.#put(mm);
  }

  // The first two places are the front's and the back's, one after the other.
  #put(mm) {
    const { endplateUse: use } = this.desk;
    this.told.endplate(use, this.#toPatient(mm), false);
    if (!this.#ends[1 - use]) this.told.useEnd(1 - use);
  }

  arrow(step) {
    if (this.#chosen) {
      const moved = this.#toPatient(add(this.#chosen, step));
      this.told.endplate(this.desk.endplateUse, moved, true);
    } else {
      this.cross = roundedAll(add(this.cross, step));
      this.told.changed();
    }
  }

  ownKeys() {
    return {
      Enter: () => (this.#chosen ? this.told.useEnd(1 - this.desk.endplateUse) : this.#put(this.cross)),
      n: () => this.told.useEnd(1 - this.desk.endplateUse),
      p: () => this.told.useEnd(1 - this.desk.endplateUse),
      Delete: () => this.told.noEndplate(),
      Backspace: () => this.told.noEndplate(),
      Escape: () => this.told.upright(),
    };
  }
}
