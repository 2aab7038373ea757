// The picture along the axis: where the section lies, the screw's two ends, the body's front.

import * as draw from "./drawing.js";
import { AlongPlace, add, distance, dot, minus, roundedAll } from "./geometry.js";
import { sameHandle } from "./marks.js";
import { arrowStep } from "./section.js";

const HIT_PIXELS = 12;
const DRAG_PIXELS = 3;

export class AlongView {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {object} desk what is shown; `desk.along` is the picture, with the entry it was made at
   * @param {object} told called when the reader does something: depth, end, use, front, pick,
   *   move, remove, scroll, turn, changed
   */
  constructor(canvas, desk, told) {
    this.canvas = canvas;
    this.desk = desk;
    this.told = told;
    this.cross = [0, 0];
    this.down = null;
    canvas.addEventListener("pointerdown", (event) => this.#pointerDown(event));
    canvas.addEventListener("pointermove", (event) => this.#pointerMove(event));
    canvas.addEventListener("pointerup", (event) => this.#pointerUp(event));
    canvas.addEventListener("pointercancel", () => {
      this.down = null;
    });
    canvas.addEventListener("keydown", (event) => this.#key(event));
  }

  #place() {
    const { clientWidth, clientHeight } = this.canvas;
    return new AlongPlace(clientWidth, clientHeight, this.desk.along.picture.layout);
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
    const place = this.#place();
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

  /** @returns {object | null} a mark of the front, or an end of the screw, under the pointer */
  #hit(pixels) {
    const place = this.#place();
    const { entry, tip, book } = this.desk;
    const isFront = book.state.front?.across === this.desk.along.picture.layout.across;
    const found = [
      ...(isFront ? book.frontHandles() : []).map((handle) => [handle, book.where(handle)]),
      [{ kind: "end", name: "entry" }, this.#onPicture(entry)],
      [{ kind: "end", name: "tip" }, this.#onPicture(tip)],
    ].map(([handle, at]) => [handle, distance(place.toPixels(at), pixels)]);
    found.sort((a, b) => a[1] - b[1]);
    return found[0][1] <= HIT_PIXELS ? found[0][0] : null;
  }

  #pointerDown(event) {
    if (event.button !== 0 || !this.desk.along) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    this.canvas.setPointerCapture(event.pointerId);
    this.down = { pixels, handle: this.#hit(pixels), isDrag: false };
  }

  #pointerMove(event) {
    if (!this.down?.handle) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    if (!this.down.isDrag && distance(pixels, this.down.pixels) < DRAG_PIXELS) return;
    this.down.isDrag = true;
    const mm = this.#place().toMm(pixels);
    if (this.down.handle.kind === "end") this.#putEnd(this.down.handle.name, mm);
    else this.told.move(this.down.handle, roundedAll(mm));
  }

  #pointerUp(event) {
    const down = this.down;
    this.down = null;
    if (!down || down.isDrag) return;
    const pixels = draw.pointerPlace(this.canvas, event);
    const mm = this.#place().toMm(pixels);
    const use = this.desk.alongUse;
    if (use === "entry" || use === "tip") {
      this.#putEnd(use, mm);
    } else if (down.handle?.kind === "end") {
      this.told.use(down.handle.name);
    } else if (use === "front") {
      this.#front(down.handle, roundedAll(mm));
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

  #key(event) {
    if (!this.desk.along) return;
    const step = arrowStep(event);
    if (step ? this.#arrow(step) : this.#otherKey(event)) event.preventDefault();
  }

  #arrow(step) {
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
    return true;
  }

  #otherKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    const isFront = this.desk.alongUse === "front";
    const keys = {
      a: () => this.told.turn(),
      PageUp: () => this.told.scroll(-5),
      PageDown: () => this.told.scroll(5),
      Home: () => this.told.scroll(-1000),
      End: () => this.told.scroll(1000),
      ...(isFront && {
        Enter: () => this.#mark(this.cross),
        Delete: () => this.told.remove(),
        Backspace: () => this.told.remove(),
        n: () => this.told.cycleFront(1),
        p: () => this.told.cycleFront(-1),
        Escape: () => this.told.release(),
      }),
    };
    keys[event.key]?.();
    return event.key in keys;
  }
}
