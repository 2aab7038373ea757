// Finding the screw: the metal from the front and an axial picture, one cross through both.

import * as draw from "./drawing.js";
import { SheetPlace, add, distance, dot, minus, roundedAll } from "./geometry.js";
import { HIT_PIXELS, changeOf } from "./view.js";

/** Bright enough that only metal stands out. */
const METAL_WINDOW = [0, 3000];
const STEP_MM = 1;
const LONG_STEP_MM = 5;
/** Of a point that is set, as of every other mark of the desk. */
const FINE_STEP_MM = 0.1;
const LONG_FINE_STEP_MM = 1;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

const stepOf = (way, mm) => way.map((value) => value * mm);

class Sheet {
  constructor(canvas, told) {
    this.canvas = canvas;
    this.told = told;
    this.picture = null;
    canvas.addEventListener("click", (event) => {
      if (this.picture) this.click(this.place.toMm(draw.pointerPlace(canvas, event)));
    });
    canvas.addEventListener("keydown", (event) => this.#key(event));
  }

  get place() {
    const { clientWidth, clientHeight } = this.canvas;
    return new SheetPlace(clientWidth, clientHeight, this.picture.layout);
  }

  #key(event) {
    if (!this.picture || event.altKey) return;
    const isControl = event.ctrlKey || event.metaKey;
    const way = isControl ? null : ARROWS[event.key];
    if (way) this.step(way, event.shiftKey);
    else if (isControl) {
      const act = changeOf(event, this.told);
      if (!act) return;
      act();
    } else if (event.key === "Enter") this.enter();
    else if (!this.otherKey(event)) return;
    event.preventDefault();
  }

  enter() {
    this.told.take();
  }

  otherKey() {
    return false;
  }

  drawSheet(window, words, cross) {
    const [width, height] = draw.fitted(this.canvas);
    if (!this.picture) return null;
    const context = this.canvas.getContext("2d");
    const { place } = this;
    const { widthMm, heightMm, layout } = this.picture;
    const half = layout.spacing_mm / 2;
    draw.drawPicture(
      context,
      this.picture.drawn(0, window),
      place.toPixels([-half, -half]),
      place.toPixels([widthMm - half, heightMm - half]),
    );
    if (cross) draw.cross(context, place.toPixels(cross), 16);
    draw.edgeWords(context, width, height, words);
    Object.assign(this.canvas.dataset, {
      scale: String(place.scale),
      left: String(place.left),
      top: String(place.top),
      spacingMm: String(layout.spacing_mm),
    });
    return { context, place };
  }
}

/** The scan's metal seen from the front; each pixel knows where its brightest voxel lies. */
export class MetalView extends Sheet {
  placeAt([right, down]) {
    const { rows, columns, spacing_mm: spacing } = this.picture.layout;
    const row = Math.min(rows - 1, Math.max(0, Math.round(down / spacing)));
    const column = Math.min(columns - 1, Math.max(0, Math.round(right / spacing)));
    return [1, 2, 3].map((plane) => this.picture.at(plane, row, column) / 10);
  }

  #onSheet(point) {
    // Rows and columns run straight in the patient but for a tilt: the nearest pixel is sought.
    const { rows, columns, spacing_mm: spacing } = this.picture.layout;
    const [middleRow, middleColumn] = [rows, columns].map((count) => Math.floor(count / 2));
    let [column, row] = [middleColumn, middleRow];
    for (let turn = 0; turn < 3; turn += 1) {
      const [x, , z] = this.placeAt([column * spacing, row * spacing]);
      column = Math.min(columns - 1, Math.max(0, column + Math.round((point[0] - x) / spacing)));
      row = Math.min(rows - 1, Math.max(0, row - Math.round((point[2] - z) / spacing)));
    }
    return [column * spacing, row * spacing];
  }

  click(mm) {
    this.told.pick(this.placeAt(mm));
  }

  step(way, isLong) {
    const mm = stepOf(way, isLong ? LONG_STEP_MM : STEP_MM);
    this.told.cross(this.placeAt(add(this.#onSheet(this.told.where()), mm)));
  }

  /** Draws the metal, the cross, and the screw's axis where its ends are known, under a word. */
  draw(crossMm, ends, word) {
    const words = { top: "head", bottom: "feet", left: "patient's right", right: "patient's left" };
    const cross = this.picture && crossMm ? this.#onSheet(crossMm) : null;
    const drawn = this.drawSheet(METAL_WINDOW, words, cross);
    if (!drawn || !ends.every(Boolean)) return;
    const [entry, tip] = ends.map((end) => drawn.place.toPixels(this.#onSheet(end)));
    draw.stroke(drawn.context, [entry, tip], { light: draw.LIGHT.screw, width: 2 });
    draw.handle(drawn.context, entry, { light: draw.LIGHT.screw, isActive: true });
    draw.word(drawn.context, word, [entry[0] + 10, entry[1]], { baseline: "middle" });
  }
}

/** An axial picture through the cross, with the midplane where the reader set one. */
export class AxialView extends Sheet {
  #dragged = null;
  #isDrag = false;

  constructor(canvas, told) {
    super(canvas, told);
    canvas.addEventListener("pointerdown", (event) => this.#down(event));
    canvas.addEventListener("pointermove", (event) => this.#move(event));
    for (const kind of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(kind, () => this.#up());
    }
  }

  // A point of the midplane that is dragged; the click that ends it marks nothing.

  #down(event) {
    this.#isDrag = false;
    if (!this.picture || event.button) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    const apart = this.told.midplane().map((point) =>
      point ? distance(this.place.toPixels(this.#onSheet(point)), pixels) : Infinity,
    );
    const nearest = Math.min(...apart);
    if (nearest > HIT_PIXELS) return;
    this.#dragged = apart.indexOf(nearest);
    this.canvas.setPointerCapture(event.pointerId);
  }

  #move(event) {
    if (this.#dragged === null) return;
    this.#isDrag = true;
    const mm = this.place.toMm(draw.pointerPlace(this.canvas, event));
    this.told.moveMidplane(this.#dragged, this.#toPatient(mm));
  }

  #up() {
    if (this.#dragged !== null) this.told.settle();
    this.#dragged = null;
  }

  #toPatient([right, down]) {
    const { layout } = this.picture;
    return roundedAll(add(add(layout.corner_mm, layout.right, right), layout.down, down));
  }

  #onSheet(point) {
    const { layout } = this.picture;
    const offset = minus(point, layout.corner_mm);
    return [dot(offset, layout.right), dot(offset, layout.down)];
  }

  click(mm) {
    if (this.#isDrag) this.#isDrag = false;
    else this.told.pickAxial(this.#toPatient(mm));
  }

  /** Does at the cross what a click there would do. */
  enter() {
    this.told.pickAxial(this.told.where());
  }

  /** Moves the chosen point of the midplane where it is set, else the cross. */
  step(way, isLong) {
    const { layout } = this.picture;
    const chosen = this.told.chosenOfMidplane();
    const moved = (point, mm) => {
      const [right, down] = stepOf(way, mm);
      return roundedAll(add(add(point, layout.right, right), layout.down, down));
    };
    if (chosen === null) {
      this.told.cross(moved(this.told.where(), isLong ? LONG_STEP_MM : STEP_MM));
    } else {
      const point = this.told.midplane()[chosen];
      this.told.moveMidplane(chosen, moved(point, isLong ? LONG_FINE_STEP_MM : FINE_STEP_MM));
    }
  }

  otherKey(event) {
    const steps = { PageUp: 1, PageDown: -1 };
    const step = steps[event.key];
    if (!step) return false;
    const long = event.shiftKey ? LONG_STEP_MM : STEP_MM;
    this.told.cross(add(this.told.where(), [0, 0, step * long]));
    return true;
  }

  draw(crossMm, window, midplane) {
    const words = { top: "front", bottom: "back", left: "patient's right", right: "patient's left" };
    const cross = this.picture && crossMm ? this.#onSheet(crossMm) : null;
    const drawn = this.drawSheet(window, words, cross);
    if (!drawn) return;
    const points = midplane.filter(Boolean).map((point) => drawn.place.toPixels(this.#onSheet(point)));
    draw.stroke(drawn.context, points, { pattern: [8, 5] });
    points.forEach((point) => draw.handle(drawn.context, point, { light: draw.LIGHT.plain }));
  }
}
