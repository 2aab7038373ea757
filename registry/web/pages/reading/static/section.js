// The large section: what it shows, and marking on it by pointer and by keys.

import * as draw from "./drawing.js";
import { SectionPlace, add, distance, roundedAll } from "./geometry.js";
import { sameHandle } from "./marks.js";
import { hourOf, placeOn } from "./rays.js";
import { HIT_PIXELS, PictureView } from "./view.js";

/** A little larger than whole: what lies round the pedicle is rarely needed. */
const FIRST_STEP = 1;
const RAY_STEP_MM = 0.2;
const LONG_RAY_STEP_MM = 1;
/** Of a ray nothing is drawn this close to the place that keys move: the edge is looked for there. */
const CLEAR_MM = 2;

export class SectionView extends PictureView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown: pictures, focus, book, active, held, curves, window ...
   * @param {object} told called when the reader does something: place, pick, release, move,
   *   remove, settle, cycle, turnRay, reach, markAndTurn, middle, copy, and what every picture tells
   */
  constructor(canvas, desk, told) {
    super(canvas, desk, told, FIRST_STEP);
    /** Whether the keys go along rays, which are drawn then. */
    this.isOnRays = false;
  }

  get isReady() {
    return Boolean(this.desk.sections);
  }

  get halvesMm() {
    const half = this.desk.sections.widthMm / 2;
    return [half, half];
  }

  get depth() {
    return this.desk.depths[this.desk.focus];
  }

  /** Whether a mark of a section is chosen. */
  get hasChosen() {
    return Boolean(this.desk.active) && this.desk.active.kind !== "front";
  }

  /** The place that keys move: the chosen mark's, else the cross's. */
  get keyPlace() {
    return (this.hasChosen && this.desk.book.where(this.desk.active)) || this.cross;
  }

  putKeyPlace(point) {
    this.cross = point;
    if (this.hasChosen) this.told.move(this.desk.active, point);
    else this.told.changed();
  }

  placeIn(width, height) {
    const { zoom, middle } = this.look;
    return new SectionPlace(width, height, this.desk.sections.widthMm, zoom, middle);
  }

  draw() {
    const [width, height] = draw.fitted(this.canvas);
    if (!this.desk.sections) return;
    const context = this.canvas.getContext("2d");
    const place = this.placeIn(width, height);
    const half = this.desk.sections.widthMm / 2;
    const plane = this.desk.sections.drawn(this.desk.focus, this.desk.window);
    draw.drawPicture(context, plane, place.toPixels([-half, half]), place.toPixels([half, -half]));
    this.#drawScrew(context, place);
    this.#drawCurves(context, place);
    this.#drawExtents(context, place);
    this.#drawMarks(context, place);
    if (document.activeElement === this.canvas) this.#drawRay(context, place);
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

  #drawRay(context, place) {
    if (!this.isOnRays) return;
    const { middle } = this.desk;
    const reach = distance(this.keyPlace, middle);
    const hour = hourOf(this.keyPlace, middle);
    for (const [from, to] of [
      [0, reach - CLEAR_MM],
      [reach + CLEAR_MM, this.halvesMm[0]],
    ]) {
      if (to <= from) continue;
      const ends = [from, to].map((at) => place.toPixels(placeOn(hour, at, middle)));
      draw.stroke(context, ends, { width: 1, pattern: [2, 6] });
    }
    if (middle.some(Boolean)) draw.circle(context, place.toPixels(middle), 3, { width: 1 });
  }

  hit(pixels) {
    const { place } = this;
    let nearest = null;
    let least = HIT_PIXELS;
    for (const handle of this.desk.book.handlesAt(this.depth)) {
      const away = distance(place.toPixels(this.desk.book.where(handle)), pixels);
      if (away <= least) [nearest, least] = [handle, away];
    }
    return nearest;
  }

  drag(handle, mm) {
    if (!sameHandle(handle, this.desk.active)) this.told.pick(handle, false);
    this.told.move(handle, roundedAll(mm));
  }

  click(mm, handle) {
    const { isHeld, active } = this.desk;
    this.isOnRays = false;
    if (isHeld && active) {
      if (!sameHandle(handle, active)) this.told.move(active, roundedAll(mm));
      this.told.release();
    } else if (handle) {
      this.told.pick(handle, true);
    } else {
      this.cross = roundedAll(mm);
      this.told.place(this.depth, this.cross);
    }
  }

  arrow(step) {
    this.isOnRays = false;
    this.putKeyPlace(roundedAll(add(this.keyPlace, step)));
  }

  // A chosen mark stands where it was put: Enter lets it go.
  #enter() {
    if (this.hasChosen) this.told.release();
    else this.told.place(this.depth, this.cross);
  }

  ownKeys({ shiftKey: isLong }) {
    const hours = isLong ? 0.5 : 1;
    const reach = isLong ? LONG_RAY_STEP_MM : RAY_STEP_MM;
    return {
      Enter: () => this.#enter(),
      " ": () => this.told.markAndTurn(),
      j: () => this.told.turnRay(-hours),
      k: () => this.told.turnRay(hours),
      i: () => this.told.reach(-reach),
      o: () => this.told.reach(reach),
      h: () => this.told.middle(),
      t: () => this.told.copy(),
      Delete: () => this.told.remove(),
      Backspace: () => this.told.remove(),
      n: () => this.told.cycle(1),
      p: () => this.told.cycle(-1),
      ...(this.desk.active && { Escape: () => this.told.release() }),
    };
  }
}
