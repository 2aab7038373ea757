// What the two large pictures share: how they are looked at, and what a pointer, the wheel and the
// keys do to that. What they mean for marks is each picture's own.

import * as draw from "./drawing.js";
import { distance } from "./geometry.js";

const ZOOMS = [1, 1.25, 1.5, 2, 3, 4, 6];
/** Half of the 24 pixels that a handle can be hit within. */
export const HIT_PIXELS = 12;
const DRAG_PIXELS = 3;
/** A hand that only wants to click moves less than this. */
const STRAY_PIXELS = 8;
const WHEEL_PIXELS = 50;
const MOVE_SHARE = 1 / 8;
const GREY_HU = 50;
const HU_A_PIXEL = 4;
const MOVES = { left: [-1, 0], right: [1, 0], up: [0, 1], down: [0, -1] };
const ARROWS = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" };
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const STEP_MM = 0.1;
const LONG_STEP_MM = 1;

/** What an arrow key moves by, in millimetres, or null for another key. */
export function arrowStep(event) {
  const way = WAYS[event.key];
  if (!way || event.ctrlKey || event.altKey || event.metaKey) return null;
  const step = event.shiftKey ? LONG_STEP_MM : STEP_MM;
  return way.map((value) => value * step);
}

/** What a key held with Control does to the last change, or null for another key. */
export function changeOf(event, told) {
  const key = event.key.toLowerCase();
  if (key === "z") return event.shiftKey ? told.redo : told.undo;
  return key === "y" ? told.redo : null;
}

/** How large a picture is shown, and which of its places lies in the middle. */
export class Look {
  /** @param {number} step at which it begins and which it goes back to */
  constructor(step) {
    this.first = step;
    this.reset();
  }

  reset() {
    this.step = this.first;
    this.middle = [0, 0];
  }

  get zoom() {
    return ZOOMS[this.step];
  }

  zoomBy(steps) {
    this.step = Math.min(ZOOMS.length - 1, Math.max(0, this.step + steps));
  }

  /** Puts a place into the middle, no farther out than the picture goes. */
  moveTo(place, halves) {
    this.middle = place.map((value, at) => Math.min(halves[at], Math.max(-halves[at], value)));
  }

  toDocument() {
    return { step: this.step, middle: this.middle };
  }

  take({ step, middle }) {
    this.step = Math.min(ZOOMS.length - 1, Math.max(0, Number(step) || 0));
    this.middle = [Number(middle?.[0]) || 0, Number(middle?.[1]) || 0];
  }
}

/**
 * A picture on a canvas. Its own class says: `isReady`, `halvesMm`, `placeIn(width, height)`,
 * `hit(pixels)`, `drag(handle, mm)`, `click(mm, handle)`, `arrow(step)` and `ownKeys(event)`.
 */
export class PictureView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown
   * @param {object} told called when the reader does something
   * @param {number} step of the magnification at which it begins
   */
  constructor(canvas, desk, told, step) {
    this.canvas = canvas;
    this.desk = desk;
    this.told = told;
    this.look = new Look(step);
    this.cross = [0, 0];
    this.down = null;
    this.wheeled = 0;
    canvas.addEventListener("pointerdown", (event) => this.#pointerDown(event));
    canvas.addEventListener("pointermove", (event) => this.#pointerMove(event));
    canvas.addEventListener("pointerup", (event) => this.#pointerUp(event));
    canvas.addEventListener("pointercancel", () => this.#cancel());
    // The middle button would scroll the page by itself.
    canvas.addEventListener("mousedown", (event) => {
      if (event.button === 1) event.preventDefault();
    });
    canvas.addEventListener("keydown", (event) => this.#key(event));
    canvas.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
  }

  get place() {
    return this.placeIn(this.canvas.clientWidth, this.canvas.clientHeight);
  }

  // Looking

  /** Does what a button or key asks: larger, smaller, left, right, up, down or whole. */
  turnTo(what) {
    if (!this.isReady) return;
    if (what === "whole") this.look.reset();
    else if (what === "larger" || what === "smaller") this.look.zoomBy(what === "larger" ? 1 : -1);
    else this.#moveBy(MOVES[what]);
    this.told.looked();
  }

  #moveBy(way) {
    const { clientWidth, clientHeight } = this.canvas;
    const step = (MOVE_SHARE * Math.min(clientWidth, clientHeight)) / this.place.scale;
    const middle = this.look.middle.map((value, at) => value + way[at] * step);
    this.look.moveTo(middle, this.halvesMm);
  }

  get lookWords() {
    const [u, v] = this.look.middle.map((value) => value.toFixed(1));
    const moved = this.look.middle.some(Boolean) ? `, moved to ${u}, ${v} mm` : "";
    return `${this.look.zoom} times${moved}`;
  }

  // Pointer

  #pointerDown(event) {
    if (event.button > 1 || !this.isReady) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    this.canvas.setPointerCapture(event.pointerId);
    const isMiddle = event.button === 1;
    const handle = isMiddle ? null : this.hit(pixels);
    const kind = handle ? "handle" : "empty";
    this.down = {
      pixels,
      handle,
      kind: isMiddle ? "move" : event.shiftKey ? "grey" : kind,
      middle: this.look.middle,
      window: this.desk.window,
      isDrag: false,
    };
  }

  #pointerMove(event) {
    if (!this.down) return;
    const { down } = this;
    const pixels = draw.pointerPlace(this.canvas, event);
    const least = down.kind === "empty" ? STRAY_PIXELS : DRAG_PIXELS;
    if (!down.isDrag && distance(pixels, down.pixels) < least) return;
    if (down.kind === "handle" && this.desk.isHeld) return;
    down.isDrag = true;
    const [right, lower] = pixels.map((value, at) => value - down.pixels[at]);
    if (down.kind === "handle") {
      this.drag(down.handle, this.place.toMm(pixels));
    } else if (down.kind === "grey") {
      this.told.grey(down.window, -HU_A_PIXEL * lower, HU_A_PIXEL * right);
    } else {
      const { scale } = this.place;
      const [u, v] = down.middle;
      this.look.moveTo([u - right / scale, v + lower / scale], this.halvesMm);
      this.told.changed();
    }
  }

  // Everything happens when the button is let go; off the picture, nothing does.
  #pointerUp(event) {
    const { down } = this;
    this.down = null;
    if (!down) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    const size = [this.canvas.clientWidth, this.canvas.clientHeight];
    const isInside = pixels.every((value, at) => value >= 0 && value <= size[at]);
    if (down.isDrag || !isInside || down.kind === "move") this.told.settle();
    else this.click(this.place.toMm(pixels), down.handle);
  }

  #cancel() {
    this.down = null;
    this.told.settle();
  }

  #wheel(event) {
    if (event.ctrlKey || !this.isReady || event.deltaY === 0) return;
    event.preventDefault();
    // A wheel tells a notch at once, a touch pad many small parts of one.
    const { deltaY } = event;
    this.wheeled = Math.sign(deltaY) === Math.sign(this.wheeled) ? this.wheeled + deltaY : deltaY;
    if (event.deltaMode === WheelEvent.DOM_DELTA_PIXEL && Math.abs(this.wheeled) < WHEEL_PIXELS) {
      return;
    }
    this.wheeled = 0;
    this.told.scroll(Math.sign(deltaY));
  }

  // Keys

  #key(event) {
    if (!this.isReady || event.altKey) return;
    const step = arrowStep(event);
    if (step) this.arrow(step);
    else if (!this.#otherKey(event)) return;
    event.preventDefault();
  }

  /** @returns {boolean} whether the key means something here */
  #otherKey(event) {
    const withControl = event.ctrlKey || event.metaKey;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const act = withControl ? this.#controlKeys(event) : this.#keys(event)[key];
    act?.();
    return Boolean(act);
  }

  #controlKeys(event) {
    if (event.key in ARROWS) return () => this.turnTo(ARROWS[event.key]);
    return changeOf(event, this.told);
  }

  #keys(event) {
    return {
      ",": () => this.told.scroll(-1),
      ".": () => this.told.scroll(1),
      PageUp: () => this.told.scroll(-5),
      PageDown: () => this.told.scroll(5),
      Home: () => this.told.scroll(-1000),
      End: () => this.told.scroll(1000),
      "+": () => this.turnTo("larger"),
      "-": () => this.turnTo("smaller"),
      0: () => this.turnTo("whole"),
      a: () => this.told.turn(),
      1: () => this.told.preset("bone"),
      2: () => this.told.preset("metal"),
      3: () => this.told.preset("soft"),
      b: () => this.told.grey(this.desk.window, -GREY_HU, 0, true),
      d: () => this.told.grey(this.desk.window, GREY_HU, 0, true),
      w: () => this.told.grey(this.desk.window, 0, 2 * GREY_HU, true),
      c: () => this.told.grey(this.desk.window, 0, -2 * GREY_HU, true),
      r: () => this.told.way(),
      s: () => this.told.sure(),
      e: () => this.told.upright(),
      ...this.ownKeys(event),
    };
  }
}
