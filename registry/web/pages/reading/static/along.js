// The picture along the axis: where the section lies, the screw's two ends, the body's front.

import * as draw from "./drawing.js";
import { AlongPlace, add, distance, dot, minus, roundedAll } from "./geometry.js";
import { sameHandle } from "./marks.js";
import { HIT_PIXELS, PictureView } from "./view.js";

export class AlongView extends PictureView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown; `desk.along` is the picture, with the entry it was made at
   * @param {object} told called when the reader does something: depth, end, use, front, pick,
   *   move, remove, cycleFront, and what every picture tells
   */
  constructor(canvas, desk, told) {
    super(canvas, desk, told, 0);
  }

  get isReady() {
    return Boolean(this.desk.along);
  }

  get halvesMm() {
    const { picture } = this.desk.along;
    return [picture.widthMm / 2, picture.heightMm / 2];
  }

  placeIn(width, height) {
    const { zoom, middle } = this.look;
    return new AlongPlace(width, height, this.desk.along.picture.layout, zoom, middle);
  }

  /** @returns {[number, number]} (depth, across) of a patient's point dropped on the picture */
  #onPicture(point) {
    const { picture, entry } = this.desk.along;
    const offset = minus(point, entry);
    return [dot(offset, picture.layout.along), dot(offset, picture.layout.up)];
  }

  draw() {
    const [width, height] = draw.fitted(this.canvas);
    if (!this.desk.along) return;
    const { picture } = this.desk.along;
    const { layout } = picture;
    const context = this.canvas.getContext("2d");
    const place = this.placeIn(width, height);
    const [half, stop] = [picture.heightMm / 2, layout.start_mm + picture.widthMm];
    draw.drawPicture(
      context,
      picture.drawn(0, this.desk.window),
      place.toPixels([layout.start_mm, half]),
      place.toPixels([stop, -half]),
    );
    this.#drawScrew(context, place, half);
    this.#drawFront(context, place);
    if (document.activeElement === this.canvas && this.desk.alongUse === "front") {
      if (!this.desk.active) draw.cross(context, place.toPixels(this.cross));
    }
    const isMedial = layout.across === "medial";
    draw.edgeWords(context, width, height, {
      top: isMedial ? "medial" : "cranial",
      bottom: isMedial ? "lateral" : "caudal",
      left: "head",
      right: "front",
    });
    draw.scaleBar(context, height, place.scale, 10);
    this.#describe(place);
  }

  #drawScrew(context, place, half) {
    const { entry, tip, diameterMm, depths, focus } = this.desk;
    const [from, to] = [this.#onPicture(entry), this.#onPicture(tip)];
    for (const side of [-1, 1]) {
      const edge = [from, to].map(([depth, across]) =>
        place.toPixels([depth, across + (side * diameterMm) / 2]),
      );
      draw.stroke(context, edge, { light: draw.LIGHT.screw, width: 1, pattern: [6, 4] });
    }
    if (depths.length) {
      const line = [half, -half].map((across) => place.toPixels([depths[focus], across]));
      draw.stroke(context, line, { width: 1.2 });
    }
    for (const [name, end] of [
      ["entry", from],
      ["tip", to],
    ]) {
      const isActive = this.desk.alongUse === name;
      const pixels = place.toPixels(end);
      draw.handle(context, pixels, { light: draw.LIGHT.screw, isActive });
      draw.word(context, name, [pixels[0], pixels[1] - 9], { align: "center", baseline: "bottom" });
    }
  }

  #drawFront(context, place) {
    const { book, active, isHeld, along } = this.desk;
    if (book.state.front?.across !== along.picture.layout.across) return;
    for (const handle of book.frontHandles()) {
      const isActive = sameHandle(handle, active);
      draw.handle(context, place.toPixels(book.where(handle)), {
        light: draw.LIGHT.cortex,
        isActive,
        isHeld: isActive && isHeld,
      });
    }
  }

  #describe(place) {
    Object.assign(this.canvas.dataset, {
      across: this.desk.along.picture.layout.across,
      scale: String(place.scale),
      left: String(place.left),
      middle: String(place.middle),
      startMm: String(place.start),
    });
  }

  /** @returns {object | null} a mark of the front, an end, or the section's line there */
  hit(pixels) {
    const { place } = this;
    const { entry, tip, book, depths, focus } = this.desk;
    const isFront = book.state.front?.across === this.desk.along.picture.layout.across;
    const found = [
      ...(isFront ? book.frontHandles() : []).map((handle) => [handle, book.where(handle)]),
      [{ kind: "end", name: "entry" }, this.#onPicture(entry)],
      [{ kind: "end", name: "tip" }, this.#onPicture(tip)],
    ].map(([handle, at]) => [handle, distance(place.toPixels(at), pixels)]);
    found.sort((a, b) => a[1] - b[1]);
    if (found[0][1] <= HIT_PIXELS) return found[0][0];
    const line = depths.length ? place.toPixels([depths[focus], 0])[0] : Infinity;
    return Math.abs(line - pixels[0]) <= HIT_PIXELS / 2 ? { kind: "section" } : null;
  }

  drag(handle, mm) {
    if (handle.kind === "end") this.#putEnd(handle.name, mm);
    else if (handle.kind === "section") this.told.depth(mm[0]);
    else this.told.move(handle, roundedAll(mm));
  }

  click(mm, handle) {
    const use = this.desk.alongUse;
    if (use === "entry" || use === "tip") {
      this.#putEnd(use, mm);
    } else if (handle?.kind === "end") {
      this.told.use(handle.name);
    } else if (use === "front") {
      this.#front(handle?.kind === "front" ? handle : null, roundedAll(mm));
    } else {
      this.told.depth(mm[0]);
    }
  }

  #front(handle, mm) {
    const { active, isHeld } = this.desk;
    if (isHeld && active?.kind === "front") {
      this.told.move(active, mm);
      this.told.release();
    } else if (handle) {
      this.told.pick(handle, true);
    } else {
      this.cross = mm;
      this.#mark(mm);
    }
  }

  // The picture that is seen counts, whatever was asked for since.
  #mark(mm) {
    this.told.front(this.desk.along.picture.layout.across, mm);
  }

  #putEnd(name, [depth, across]) {
    const { picture, entry } = this.desk.along;
    const point = add(add(entry, picture.layout.along, depth), picture.layout.up, across);
    // What the picture does not show, the place across it, stays as it is.
    const { along, up } = picture.layout;
    const before = minus(this.desk[name], entry);
    const inPicture = add(along.map((v) => v * dot(before, along)), up, dot(before, up));
    this.told.end(name, add(point, minus(before, inPicture)));
  }

  arrow(step) {
    const { alongUse: use, active, book } = this.desk;
    if (use === "entry" || use === "tip") {
      this.#putEnd(use, add(this.#onPicture(this.desk[use]), step));
    } else if (use === "front") {
      const isMark = active?.kind === "front";
      this.cross = roundedAll(add(isMark ? book.where(active) : this.cross, step));
      if (isMark) this.told.move(active, this.cross);
      else this.told.changed();
    } else {
      this.told.scroll(Math.sign(step[0]) || -Math.sign(step[1]));
    }
  }

  ownKeys() {
    if (this.desk.alongUse !== "front") return {};
    return {
      Enter: () => this.#mark(this.cross),
      Delete: () => this.told.remove(),
      Backspace: () => this.told.remove(),
      n: () => this.told.cycleFront(1),
      p: () => this.told.cycleFront(-1),
      Escape: () => this.told.release(),
    };
  }
}
