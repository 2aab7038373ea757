// The construct's places by keyboard: arrows from place to place, Delete for no screw here, and in
// a field up, down and Enter to the same field of the next level.

const STEPS = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
const PLACED = "placed";
/** What a scanner sends for the separator inside a GS1 code when it types it: Ctrl and ]. */
const SEPARATOR = "\u001d";

const lifeOf = (place) => place.querySelector('[data-field="life"]');

/** Sets a field as if it had been typed. */
function set(field, value) {
  field.value = value;
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

export class Places {
  /** @param {HTMLTableElement} table its rows are levels, its cells sides */
  constructor(table) {
    this.table = table;
    /** Columns of places, cranial first; a second screw stands under the first. */
    this.columns = [];
    for (const row of table.tBodies[0].rows) {
      [...row.cells].slice(1).forEach((cell, side) => {
        const places = [...cell.querySelectorAll(".screw")];
        (this.columns[side] ??= []).push(...places.map((place) => ({ place, row: row.rowIndex })));
      });
    }
    this.#rove(this.columns[0][0].place);
    table.addEventListener("keydown", (event) => this.#onKey(event));
    table.addEventListener("focusin", (event) => {
      const place = event.target.closest(".screw");
      if (place) this.#rove(place);
    });
  }

  focusFirst() {
    this.columns[0][0].place.focus();
  }

  /** One place at a time can be reached by Tab. */
  #rove(place) {
    if (this.current) this.current.tabIndex = -1;
    this.current = place;
    place.tabIndex = 0;
  }

  #where(place) {
    for (const [side, column] of this.columns.entries()) {
      const at = column.findIndex((each) => each.place === place);
      if (at >= 0) return [side, at];
    }
    return [0, 0];
  }

  /** The place some steps away, or the same one at the edge. */
  #next(place, [down, across]) {
    const [side, at] = this.#where(place);
    if (down) return this.columns[side][at + down]?.place ?? place;
    const row = this.columns[side][at].row;
    const beside = this.columns[side + across];
    return beside?.find((each) => each.row >= row)?.place ?? beside?.at(-1).place ?? place;
  }

  #onKey(event) {
    if (event.ctrlKey && event.key === "]" && event.target.name?.endsWith(".implant_identifier")) {
      event.preventDefault();
      event.target.setRangeText(
        SEPARATOR, event.target.selectionStart, event.target.selectionEnd, "end");
      return;
    }
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const place = event.target.closest(".screw");
    if (!place) return;
    const isDone = event.target === place
      ? this.#onPlaceKey(place, event.key)
      : this.#onFieldKey(place, event.target, event.key);
    if (isDone) event.preventDefault();
  }

  #onPlaceKey(place, key) {
    if (key in STEPS) {
      this.#next(place, STEPS[key]).focus();
    } else if (key === "Delete" || key === "Backspace") {
      this.#toggle(place);
    } else if (key === "Enter" || key === "F2") {
      place.querySelector("select, input:not([type=hidden])").focus();
    } else if (/^[0-9]$/.test(key)) {
      const diameter = place.querySelector('[data-field="diameter_mm"]');
      diameter.focus();
      set(diameter, key);
    } else {
      return false;
    }
    return true;
  }

  #onFieldKey(place, field, key) {
    if (key === "Escape") {
      place.focus();
      return true;
    }
    const isTyped = field.tagName === "INPUT";
    const isVertical = key === "ArrowUp" || key === "ArrowDown";
    // A choice, and names that are offered, have their own use for the arrows.
    if (!isTyped || !(key === "Enter" || (isVertical && !field.list))) return false;
    const other = this.#next(place, STEPS[key === "ArrowUp" ? key : "ArrowDown"]);
    const name = field.name.slice(field.name.lastIndexOf(".") + 1);
    const same = [...other.querySelectorAll("input")].find((each) => each.name.endsWith(`.${name}`));
    const around = same?.closest("details");
    if (around) around.open = true;
    same?.focus();
    same?.select();
    return true;
  }

  /** Says that no screw is here, or that it is again. */
  #toggle(place) {
    const life = lifeOf(place);
    const was = life.value;
    set(life, was ? "" : place.dataset.life ?? PLACED);
    place.dataset.life = was || PLACED;
  }
}
