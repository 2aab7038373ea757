// The marks of the section in focus as a table: what the picture shows, for keys and fields.

import { rounded } from "./geometry.js";
import { sameHandle } from "./marks.js";

const STEP_MM = 0.1;

const WORDS = {
  outline: "cortex",
  medial: "medial wall",
  caudal: "caudal wall",
  body_lateral: "body's side",
  upper_endplate: "upper endplate",
  lower_endplate: "lower endplate",
};

function wordsOf(handle, number) {
  if (handle.kind === "front") return `front ${number}`;
  if (handle.kind === "line") {
    return `line ${handle.index + 1}, ${handle.end === "cortex" ? "cortex" : "screw edge"}`;
  }
  return `${WORDS[handle.bone]} ${number}`;
}

function button(words, label, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "quiet";
  made.textContent = words;
  made.setAttribute("aria-label", label);
  made.addEventListener("click", act);
  return made;
}

export class MarksList {
  /**
   * @param {object} desk what is shown
   * @param {object} told called with what the reader does: pick, move, remove, focusDepth
   */
  constructor(desk, told) {
    this.desk = desk;
    this.told = told;
    this.body = document.getElementById("marks-list");
    this.sections = document.getElementById("marked-sections");
    this.drawnAs = "";
  }

  draw() {
    const { book, depths, focus, active, across } = this.desk;
    const depth = depths[focus];
    const isFront = book.state.front?.across === across;
    const handles = [...book.handlesAt(depth), ...(isFront ? book.frontHandles() : [])];
    const rows = handles.map((handle) => [handle, book.where(handle)]);
    const name = JSON.stringify([rows, active, depth, [...book.countByDepth()]]);
    // A field that is being typed into is left alone.
    if (name === this.drawnAs || this.body.contains(document.activeElement?.closest("input"))) {
      if (!this.#isStale(handles)) return;
    }
    this.drawnAs = name;
    const before = this.#focused();
    this.body.replaceChildren(...rows.map(([handle, at], number) => this.#row(handle, at, number)));
    if (before) this.body.querySelector(before)?.focus();
    this.#drawSections(book, depth);
  }

  #isStale(handles) {
    return this.body.children.length !== handles.length;
  }

  #focused() {
    const held = document.activeElement;
    const row = held && this.body.contains(held) ? held.closest("tr") : null;
    return row && held.name ? `tr[data-number="${row.dataset.number}"] [name="${held.name}"]` : null;
  }

  #row(handle, at, number) {
    const row = document.createElement("tr");
    Object.assign(row.dataset, {
      number: String(number + 1),
      kind: handle.kind,
      uMm: String(at[0]),
      vMm: String(at[1]),
      depth: String(handle.depth ?? this.desk.depths[this.desk.focus]),
    });
    const isActive = sameHandle(handle, this.desk.active);
    if (isActive) row.setAttribute("aria-current", "true");
    const words = wordsOf(handle, number + 1);
    const heading = document.createElement("th");
    heading.scope = "row";
    heading.textContent = words;
    row.append(heading);
    at.forEach((value, axis) => row.append(this.#field(handle, words, value, axis)));
    const doing = document.createElement("td");
    const pick = button(isActive ? "chosen" : "choose", `Choose ${words}`, () =>
      this.told.pick(handle, false),
    );
    pick.name = "choose";
    const remove = button("remove", `Remove ${words}`, () => this.told.remove(handle));
    doing.append(pick, " ", remove);
    row.append(doing);
    return row;
  }

  #field(handle, words, value, axis) {
    const isFront = handle.kind === "front";
    const names = isFront ? ["depth", this.desk.across] : ["medial", "cranial"];
    const cell = document.createElement("td");
    const field = document.createElement("input");
    field.type = "number";
    field.step = "0.1";
    field.name = names[axis];
    field.value = rounded(value, STEP_MM).toFixed(1);
    field.setAttribute("aria-label", `${words}, ${names[axis]}, mm`);
    field.addEventListener("change", () => {
      const at = [...this.desk.book.where(handle)];
      if (Number.isFinite(field.valueAsNumber)) at[axis] = field.valueAsNumber;
      this.told.move(handle, at);
    });
    cell.append(field);
    return cell;
  }

  #drawSections(book, depth) {
    const counts = [...book.countByDepth()];
    if (!counts.length) {
      this.sections.textContent = "no section yet";
      return;
    }
    this.sections.replaceChildren(
      ...counts.flatMap(([each, count]) => {
        const words = `${each.toFixed(1)} mm (${count})`;
        const go = button(words, `Go to ${words}`, () => this.told.focusDepth(each));
        if (each === depth) go.setAttribute("aria-current", "true");
        return [go, " "];
      }),
    );
  }
}
