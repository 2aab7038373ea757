// The large section: what it shows, and marking on it by pointer and by keys.

import * as draw from "./drawing.js";
import { SectionPlace, distance, rounded, roundedAll } from "./geometry.js";
import { sameHandle } from "./marks.js";

/** Half of the 24 pixels that a handle can be hit within. */
const HIT_PIXELS = 12;
const DRAG_PIXELS = 3;
const STEP_MM = 0.1;
const LONG_STEP_MM = 1;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const ZOOMS = [1, 1.25, 1.5, 2, 3, 4];

/** What an arrow key moves by, in millimetres, or null for another key. */
export function arrowStep(event) {
  const way = ARROWS[event.key];
  if (!way || event.ctrlKey || event.altKey || event.metaKey) return null;
  const step = event.shiftKey ? LONG_STEP_MM : STEP_MM;
  return way.map((value) => value * step);
}

export class SectionView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown: pictures, focus, book, active, held, curves, window ...
   * @param {object} told called when the reader does something: place, pick, release, move,
   *   remove, scroll, undo, redo, changed
   */
  constructor(canvas, desk, told) {
    this.canvas = canvas;
    this.desk = desk;
    this.told = told;
    this.zoomStep = 1;
    this.cross = [0, 0];
    this.down = null;
    canvas.addEventListener("pointerdown", (event) => this.#pointerDown(event));
    canvas.addEventListener("pointermove", (event) => this.#pointerMove(event));
    canvas.addEventListener("pointerup", (event) => this.#pointerUp(event));
    canvas.addEventListener("pointercancel", () => this.#cancel());
    canvas.addEventListener("keydown", (event) => this.#key(event));
    canvas.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
  }

  zoom(steps) {
    this.zoomStep = Math.min(ZOOMS.length - 1, Math.max(0, this.zoomStep + steps));
    this.told.changed();
  }

  get zoomWords() {
    return `${ZOOMS[this.zoomStep]} times`;
  }

  get depth() {
    return this.desk.depths[this.desk.focus];
  }

  #place(width, height) {
    return new SectionPlace(width, height, this.desk.sections.widthMm, ZOOMS[this.zoomStep]);
  }

  draw() {
    const [width, height] = draw.fitted(this.canvas);
    if (!this.desk.sections) return;
    const context = this.canvas.getContext("2d");
    const place = this.#place(width, height);
    const half = this.desk.sections.widthMm / 2;
    const plane = this.desk.sections.drawn(this.desk.focus, this.desk.window);
    draw.drawPicture(context, plane, place.toPixels([-half, half]), place.toPixels([half, -half]));
    this.#drawScrew(context, place);
    this.#drawCurves(context, place);
    this.#drawExtents(context, place);
    this.#drawMarks(context, place);
    if (document.activeElement === this.canvas && !this.desk.active) {
      draw.cross(context, place.toPixels(this.cross));
    }
    draw.edgeWords(context, width, height, {
      top: "cranial",
      bottom: "caudal",
      left: "lateral",
      right: "medial",
    });
    draw.scaleBar(context, height, place.scale, 5);
    this.#describe(place);
  }

  #describe(place) {
    Object.assign(this.canvas.dataset, {
      depth: String(this.depth),
      index: String(this.desk.focus),
      scale: String(place.scale),
      centreX: String(place.centre[0]),
      centreY: String(place.centre[1]),
    });
  }

  #drawScrew(context, place) {
    const centre = place.toPixels([0, 0]);
    draw.circle(context, centre, (this.desk.diameterMm / 2) * place.scale, {
      light: draw.LIGHT.screw,
      width: 1.2,
    });
    draw.cross(context, centre, 6);
  }

  #drawCurves(context, place) {
    for (const curve of this.desk.curves) {
      if (curve.depth_mm !== this.depth) continue;
      for (const run of curve.runs) {
        draw.stroke(context, run.points_mm.map((point) => place.toPixels(point)), {
          light: draw.LIGHT.cortex,
          pattern: run.is_carried ? [5, 5] : [],
        });
      }
    }
  }

  #drawExtents(context, place) {
    for (const [wall, extent] of Object.entries(this.desk.extents)) {
      if (!extent.line_mm || extent.mm === "0.0") continue;
      if (Math.abs(extent.depth_mm - this.depth) > 0.5) continue;
      const [from, to] = extent.line_mm.map((point) => place.toPixels(point));
      draw.stroke(context, [from, to], { light: draw.LIGHT.extent, width: 2.5 });
      draw.word(context, `${wall} ${extent.mm}`, [to[0] + 6, to[1]], { baseline: "middle" });
    }
  }

  #drawMarks(context, place) {
    const { book, active, isHeld } = this.desk;
    const lines = book.state.callipers.filter((line) => line.depth_mm === this.depth);
    for (const line of lines.filter((each) => each.edge_mm)) {
      const ends = [line.cortex_mm, line.edge_mm].map((point) => place.toPixels(point));
      draw.stroke(context, ends, { light: draw.LIGHT.extent });
    }
    for (const handle of book.handlesAt(this.depth)) {
      const isActive = sameHandle(handle, active);
      draw.handle(context, place.toPixels(book.where(handle)), {
        light: handle.kind === "line" ? draw.LIGHT.extent : draw.LIGHT.cortex,
        isActive,
        isHeld: isActive && isHeld,
      });
    }
  }

  #at(event) {
    const box = [this.canvas.clientWidth, this.canvas.clientHeight];
    const pixels = draw.pointerPlace(this.canvas, event);
    return { pixels, mm: roundedAll(this.#place(...box).toMm(pixels)) };
  }

  #hit(pixels) {
    const place = this.#place(this.canvas.clientWidth, this.canvas.clientHeight);
    let nearest = null;
    let least = HIT_PIXELS;
    for (const handle of this.desk.book.handlesAt(this.depth)) {
      const away = distance(place.toPixels(this.desk.book.where(handle)), pixels);
      if (away <= least) [nearest, least] = [handle, away];
    }
    return nearest;
  }

  #pointerDown(event) {
    if (event.button !== 0 || !this.desk.sections) return;
    const { pixels } = this.#at(event);
    this.canvas.setPointerCapture(event.pointerId);
    this.down = { pixels, handle: this.#hit(pixels), isDrag: false };
  }

  #pointerMove(event) {
    if (!this.down?.handle || this.desk.isHeld) return;
    const { pixels, mm } = this.#at(event);
    if (!this.down.isDrag && distance(pixels, this.down.pixels) < DRAG_PIXELS) return;
    this.down.isDrag = true;
    this.told.pick(this.down.handle, false);
    this.told.move(this.down.handle, mm);
  }

  // Everything happens when the button is let go; off the picture, nothing does.
  #pointerUp(event) {
    const down = this.down;
    this.down = null;
    if (!down) return;
    const { pixels, mm } = this.#at(event);
    const isInside =
      pixels[0] >= 0 &&
      pixels[1] >= 0 &&
      pixels[0] <= this.canvas.clientWidth &&
      pixels[1] <= this.canvas.clientHeight;
    if (down.isDrag || !isInside) {
      this.told.settle();
    } else if (this.desk.isHeld && this.desk.active) {
      const isSame = sameHandle(down.handle, this.desk.active);
      if (!isSame) this.told.move(this.desk.active, mm);
      this.told.release();
    } else if (down.handle) {
      this.told.pick(down.handle, true);
    } else if (distance(pixels, down.pixels) < 2 * HIT_PIXELS) {
      this.cross = mm;
      this.told.place(this.depth, mm);
    }
  }

  #cancel() {
    this.down = null;
    this.told.settle();
  }

  #wheel(event) {
    if (event.ctrlKey || !this.desk.sections || event.deltaY === 0) return;
    event.preventDefault();
    this.told.scroll(Math.sign(event.deltaY));
  }

  #key(event) {
    if (!this.desk.sections) return;
    const step = arrowStep(event);
    if (step) {
      this.#arrow(step);
    } else if (!this.#otherKey(event)) {
      return;
    }
    event.preventDefault();
  }

  #arrow(step) {
    const { active, book } = this.desk;
    const from = active ? book.where(active) : this.cross;
    const to = from.map((value, at) => rounded(value + step[at]));
    this.cross = to;
    if (active) this.told.move(active, to);
    else this.told.changed();
  }

  /** @returns {boolean} whether the key means something here */
  #otherKey(event) {
    if (event.ctrlKey || event.metaKey) {
      const key = event.key.toLowerCase();
      if (key === "z" && event.shiftKey) return this.#done(this.told.redo);
      if (key === "z") return this.#done(this.told.undo);
      return key === "y" && this.#done(this.told.redo);
    }
    const keys = {
      Enter: () => this.told.place(this.depth, this.cross),
      Delete: () => this.told.remove(),
      Backspace: () => this.told.remove(),
      n: () => this.told.cycle(1),
      p: () => this.told.cycle(-1),
      ",": () => this.told.scroll(-1),
      ".": () => this.told.scroll(1),
      PageUp: () => this.told.scroll(-5),
      PageDown: () => this.told.scroll(5),
      Home: () => this.told.scroll(-1000),
      End: () => this.told.scroll(1000),
      "+": () => this.zoom(1),
      "-": () => this.zoom(-1),
      a: () => this.told.turn(),
      1: () => this.told.preset("bone"),
      2: () => this.told.preset("metal"),
      3: () => this.told.preset("soft"),
    };
    if (event.key === "Escape" && this.desk.active) return this.#done(this.told.release);
    const act = keys[event.key];
    return Boolean(act) && this.#done(act);
  }

  #done(act) {
    act();
    return true;
  }
}
