// The first step: the cross through both pictures, the ends taken from the metal, the fields.

import { AxialView, MetalView } from "./find.js";
import { roundedAll } from "./geometry.js";
import { latest } from "./latest.js";

const AXIAL_AFTER_MS = 60;
const AXES = ["x", "y", "z"];
const USES = ["front", "back"];

const byId = (id) => document.getElementById(id);
const inWords = (point) => point.map((value) => value.toFixed(1)).join(", ");

export class FindingScrew {
  #axialTimer = null;
  #axialAsked = 0;
  #taken = null;
  #askEnds;

  /**
   * @param {Api} api
   * @param {object} desk what is shown: entry, tip, midplane, window
   * @param {object} told tell, tellProblem, drawSoon, setPlace, moveMidplane, settle, undo, redo,
   *   found, clearAll
   */
  constructor(api, desk, told) {
    this.api = api;
    this.desk = desk;
    this.told = told;
    this.crossMm = null;
    this.#askEnds = latest(
      0,
      async (signal) => told.found(await api.post("axis", { point_mm: this.#taken }, signal)),
      told.tellProblem,
    );
    const sheets = {
      where: () => this.crossMm,
      cross: (point) => this.#setCross(point),
      take: () => this.#take(this.crossMm),
      pick: (point) => this.#pick(point),
      pickAxial: (point) => this.#pickAxial(point),
      midplane: () => this.desk.midplane,
      chosenOfMidplane: () => this.#chosenOfMidplane(),
      moveMidplane: told.moveMidplane,
      settle: told.settle,
      undo: told.undo,
      redo: told.redo,
    };
    this.metal = new MetalView(byId("metal"), sheets);
    this.axial = new AxialView(byId("axial"), sheets);
    byId("take").addEventListener("click", () => this.#take(this.crossMm));
    byId("clear-all").addEventListener("click", told.clearAll);
    byId("no-midplane").addEventListener("click", () => told.setPlace({ midplane: [null, null] }));
    for (const name of ["entry", "tip"]) {
      for (const axis of AXES) {
        byId(`${name}-${axis}`).addEventListener("change", () => this.#typed(name));
      }
    }
  }

  /** Fetches the first pictures; the cross starts in the scan's middle. */
  async begin() {
    if (this.crossMm) return;
    try {
      const [metal, axial] = await Promise.all([
        this.api.picture("metal"),
        this.api.picture("plane/axial"),
      ]);
      this.metal.picture = metal;
      this.axial.picture = axial;
      const { rows, columns, spacing_mm: spacing, corner_mm: corner } = axial.layout;
      this.crossMm = [
        corner[0] + (columns * spacing) / 2,
        corner[1] + (rows * spacing) / 2,
        axial.layout.position_mm,
      ];
      if (this.desk.isProposed) this.lookAtScrew();
      this.told.drawSoon();
    } catch (error) {
      this.told.tellProblem(error);
    }
  }

  draw() {
    if (!byId("find").open) return;
    const word = this.desk.isProposed ? "proposed" : "this screw";
    this.metal.draw(this.crossMm, [this.desk.entry, this.desk.tip], word);
    this.axial.draw(this.crossMm, this.desk.window, this.desk.midplane);
    if (this.crossMm) byId("cross-told").textContent = inWords(this.crossMm);
  }

  /** Puts the cross on the middle of the screw, so that both pictures show it. */
  lookAtScrew() {
    const { entry, tip } = this.desk;
    if (this.crossMm && entry && tip) this.#setCross(entry.map((at, axis) => (at + tip[axis]) / 2));
  }

  /** Shows the ends in their fields and in one line. */
  showEnds() {
    for (const name of ["entry", "tip"]) {
      AXES.forEach((axis, at) => {
        const value = this.desk[name]?.[at];
        byId(`${name}-${axis}`).value = value === undefined ? "" : value.toFixed(1);
      });
    }
    const { entry, tip } = this.desk;
    if (entry && tip) {
      byId("ends-told").textContent = `entry ${inWords(entry)}, tip ${inWords(tip)}`;
    }
  }

  /** Keeps the ends from being changed while marks hang on them. */
  setLocked(isLocked) {
    byId("locked").hidden = !isLocked;
    for (const field of byId("ends").querySelectorAll("input")) field.readOnly = isLocked;
  }

  #typed(name) {
    const values = AXES.map((axis) => byId(`${name}-${axis}`).valueAsNumber);
    if (values.every(Number.isFinite)) this.told.setPlace({ [name]: values });
  }

  #setCross(point) {
    const [low, high] = this.axial.picture?.layout.span_mm ?? [-Infinity, Infinity];
    const z = Math.min(high, Math.max(low, point[2]));
    const isSamePlane = this.crossMm && Math.abs(this.crossMm[2] - z) < 1e-6;
    this.crossMm = roundedAll([point[0], point[1], z], 0.1);
    if (!isSamePlane) this.#loadAxial();
    this.told.drawSoon();
  }

  #loadAxial() {
    clearTimeout(this.#axialTimer);
    this.#axialTimer = setTimeout(async () => {
      this.#axialAsked += 1;
      const number = this.#axialAsked;
      try {
        const position = { position: String(this.crossMm[2]) };
        const picture = await this.api.picture("plane/axial", position);
        if (number !== this.#axialAsked) return;
        this.axial.picture = picture;
        this.told.drawSoon();
      } catch (error) {
        this.told.tellProblem(error);
      }
    }, AXIAL_AFTER_MS);
  }

  #pick(point) {
    this.#setCross(point);
    this.#take(this.crossMm);
  }

  /** @returns {-1 | 0 | 1} what a click on the axial picture is for: a point of the midplane, or -1 */
  get #use() {
    const { value } = document.querySelector('input[name="axial-use"]:checked');
    return USES.indexOf(value);
  }

  #chosenOfMidplane() {
    const use = this.#use;
    return use >= 0 && this.desk.midplane[use] ? use : null;
  }

  #pickAxial(point) {
    const use = this.#use;
    if (use < 0) {
      this.#pick(point);
      return;
    }
    const midplane = [...this.desk.midplane];
    midplane[use] = point;
    if (!this.told.setPlace({ midplane })) return;
    this.told.tell(
      midplane.every(Boolean)
        ? "The midplane is set; arrows move the point 0.1 mm, with Shift 1 mm."
        : "Mark the midplane's other point too.",
    );
  }

  #take(point) {
    if (!point) return;
    if (!this.desk.book.isEmpty) {
      this.told.setPlace({});
      return;
    }
    this.told.tell("Looking for the screw's ends.");
    this.#taken = point;
    this.#askEnds();
  }
}
