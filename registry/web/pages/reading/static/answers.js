// The form beside the pictures: the way, what each way asks, confidence, note, saving.

import { Doubts } from "./doubts.js";

export class Answers {
  /**
   * @param {HTMLFormElement} form
   * @param {object} told called with what the reader does: way, contained, changed, typed (for
   *   whatever it was), save
   */
  constructor(form, told) {
    this.form = form;
    this.eye = form.querySelector('input[name="way"][value="by eye"]');
    this.eyeLeft = form.querySelector("#eye-left");
    this.faults = form.querySelector("#save-faults");
    this.button = form.querySelector("#save");
    this.doubts = new Doubts(form);
    this.eye.disabled = true;
    form.addEventListener("change", (event) => {
      told.typed();
      const { name, value, checked } = event.target;
      if (name === "way") this.#turnTo(value);
      if (name === "way") told.way();
      if (name === "contained") told.contained(value, checked);
      if (event.target.id === "bone" || event.target.id === "diameter") told.changed();
    });
    form.addEventListener("input", told.typed);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      told.save();
    });
  }

  #turnTo(way) {
    for (const panel of this.form.querySelectorAll("[data-panel]")) {
      panel.hidden = panel.dataset.panel !== way;
    }
    document.getElementById("numbers").hidden = !this.isMeasuring;
  }

  #chosen(name) {
    return this.form.querySelector(`input[name="${name}"]:checked`)?.value ?? null;
  }

  /** @returns {string | null} the way that is chosen; "none" for not assessable */
  get way() {
    return this.#chosen("way");
  }

  /** Chooses to read by the contour, or by the calliper where that was chosen. */
  turnWay() {
    const way = this.way === "contour" ? "calliper" : "contour";
    this.form.querySelector(`input[name="way"][value="${way}"]`).click();
  }

  /** Puts the keys where it is said how sure the reader is. */
  goToConfidence() {
    const choices = [...this.form.querySelectorAll('input[name="confidence"]')];
    (choices.find((each) => each.checked) ?? choices[0]).focus();
  }

  /** Whether marks are measured in the way that is chosen. */
  get isMeasuring() {
    return this.way === "contour" || this.way === "calliper";
  }

  /** Whether the way that is chosen asks for no screw to be found. */
  get isWithoutAxis() {
    return this.way === "typed" || this.way === "none";
  }

  get bone() {
    return this.form.querySelector("#bone").value;
  }

  /** @returns {number | null} the estimated diameter where the catalogue's is not known */
  get estimatedDiameterMm() {
    const field = this.form.querySelector("#diameter");
    return field && Number.isFinite(field.valueAsNumber) ? field.valueAsNumber : null;
  }

  /** Offers the metal's own width where no diameter is known and none was typed. */
  offerDiameter(value) {
    const field = this.form.querySelector("#diameter");
    if (field && !field.value) field.value = value.toFixed(1);
  }

  /** Opens "contained" once everything was on screen, and says what is left. */
  tellLeft(sections, isPlaneLeft) {
    const parts = [];
    if (sections) parts.push(`${sections} ${sections === 1 ? "section" : "sections"}`);
    if (isPlaneLeft) parts.push("a picture along the axis");
    this.eye.disabled = parts.length > 0;
    const words = parts.length
      ? `${parts.join(" and ")} not on screen yet`
      : "every section and a picture along the axis were on screen";
    if (this.eyeLeft.textContent !== words) this.eyeLeft.textContent = words;
    if (this.eye.disabled && this.eye.checked) {
      this.eye.checked = false;
      this.#turnTo(null);
    }
  }

  /** Shows ticks as the marks have them. */
  showContained(walls) {
    for (const box of this.form.querySelectorAll('input[name="contained"]')) {
      box.checked = walls.includes(box.value);
    }
  }

  #typed() {
    return [...this.form.querySelectorAll('input[name^="typed-"]')];
  }

  /** @returns {object} everything that was chosen and typed, whichever way is chosen */
  toDraft() {
    return {
      way: this.way,
      not_assessable: this.#chosen("not-assessable"),
      bone: this.bone,
      typed: Object.fromEntries(this.#typed().map((field) => [field.name, field.value])),
      confidence: this.#chosen("confidence"),
      note: this.form.querySelector("#note").value,
      diameter: this.form.querySelector("#diameter")?.value ?? "",
      ...this.doubts.toDocument(),
    };
  }

  /** Chooses and types again what a draft holds; ticks wait for the ends that they belong to. */
  take(draft) {
    for (const [name, value] of [
      ["way", draft.way],
      ["not-assessable", draft.not_assessable],
      ["confidence", draft.confidence],
    ]) {
      for (const choice of this.form.querySelectorAll(`input[name="${name}"]`)) {
        choice.checked = choice.value === value;
      }
    }
    // Every section was on screen when it was chosen; the server asks again.
    this.eye.disabled = draft.way !== "by eye";
    for (const field of this.#typed()) field.value = draft.typed[field.name] ?? "";
    this.form.querySelector("#note").value = draft.note;
    this.form.querySelector("#bone").value = draft.bone;
    const diameter = this.form.querySelector("#diameter");
    if (diameter) diameter.value = draft.diameter;
    this.#turnTo(draft.way);
  }

  /** @returns {object} the answer but for marks and what was on screen */
  toDocument() {
    const cut = "typed-".length;
    const typed = Object.fromEntries(
      this.#typed().map((field) => [field.name.slice(cut), field.value]),
    );
    const { way } = this;
    return {
      way: way === "none" ? null : way,
      not_assessable: way === "none" ? this.#chosen("not-assessable") : null,
      typed: way === "typed" ? typed : {},
      confidence: this.#chosen("confidence"),
      note: this.form.querySelector("#note").value,
      ...this.doubts.toDocument(),
    };
  }

  /** Says what keeps the answer from being saved. */
  tell(lines) {
    this.doubts.notice(lines);
    this.faults.hidden = lines.length === 0;
    const list = document.createElement("ul");
    for (const line of lines) {
      const item = document.createElement("li");
      item.textContent = line;
      list.append(item);
    }
    this.faults.replaceChildren(list);
  }

  setBusy(isBusy) {
    this.button.disabled = isBusy;
  }
}
