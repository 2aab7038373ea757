// The axis that the program found in the metal: on the desk at once, taken only once the reader has
// said that it is the right screw.

const WALLS = ["medial", "lateral", "cranial", "caudal", "anterior", "body_lateral", "endplate"];
const nameOf = (wall) => (wall === "body_lateral" ? "lateral body wall" : wall);
const byId = (id) => document.getElementById(id);

export class Proposed {
  /**
   * @param {Api} api
   * @param {object} desk what is shown: entry, and isProposed, which is set here
   * @param {object} told place (puts the proposed ends on the desk), taken (the reader said that it
   *   is the screw), tell
   */
  constructor(api, desk, told) {
    Object.assign(this, { api, desk, told });
    byId("proposed-is").addEventListener("click", () => this.#take());
    byId("proposed-other").addEventListener("click", () => this.#leave());
  }

  /** Fetches the axis, and shows it unless the reader has begun by themselves. */
  async begin() {
    if (this.desk.entry) return;
    const axis = await this.api.get("proposed-axis");
    if (!axis.is_found || this.desk.entry) return;
    this.told.place(axis);
    this.#set(true);
    this.#measured(axis.measured);
    byId("proposed-is").focus({ preventScroll: true });
  }

  // Only where the unit chose so, or the reader had been shown it before.
  #measured(measured) {
    const box = byId("proposed-measured");
    box.hidden = !measured;
    if (!measured) return;
    const words = WALLS.map((wall) => [wall, measured.extents[wall]])
      .filter(([, extent]) => Number.isFinite(extent?.stored_mm))
      .map(([wall, { stored_mm: mm, sd_mm: sd }]) => `${nameOf(wall)} ${mm.toFixed(1)} ± ${sd?.toFixed(1)} mm`);
    const grade = measured.grade ? `, grade ${measured.grade}` : "";
    box.textContent = `The program measured ${words.join(", ") || "nothing"}${grade}. It can be wrong.`;
  }

  /** Takes note that the reader set the ends themselves, or that they are as they were left. */
  settle(isProposed = false) {
    if (this.desk.isProposed !== isProposed) this.#set(isProposed);
  }

  #set(isProposed) {
    this.desk.isProposed = isProposed;
    byId("proposed").hidden = !isProposed;
  }

  #take() {
    this.#set(false);
    this.desk.wasProposed = true;
    this.told.taken();
  }

  #leave() {
    byId("find").open = true;
    byId("metal").focus();
    this.told.tell("Click the right screw's shank in one of the two pictures, or move the cross to it and press Enter.");
  }
}
