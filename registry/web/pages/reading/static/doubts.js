// Ticks that appear when the screw that was found may be the wrong one.

export class Doubts {
  /** @param {HTMLFormElement} form */
  constructor(form) {
    this.side = form.querySelector("#side-doubt");
    this.sideTold = form.querySelector("#side-doubt-told");
    this.sideTick = form.querySelector("#side-confirmed");
    this.axis = form.querySelector("#axis-doubt");
    this.axisTick = form.querySelector("#axis-confirmed");
  }

  /**
   * Takes what the server said of new ends: what was ticked for others counts no more.
   * @param {?{words: string, may_be_confirmed: boolean}} doubt of the side
   */
  renew(doubt) {
    for (const tick of [this.sideTick, this.axisTick]) tick.checked = false;
    this.axis.hidden = true;
    this.side.hidden = !doubt;
    this.sideTold.textContent = doubt ? sentence(doubt.words) : "";
    this.sideTick.closest("label").hidden = !doubt?.may_be_confirmed;
  }

  /** Offers the second tick once the server has said that the axis is another screw's. */
  notice(lines) {
    if (lines.includes(this.axis.dataset.line)) this.axis.hidden = false;
  }

  /** Ticks again what was ticked for these same ends. */
  take({ side_confirmed: side, axis_confirmed: axis }) {
    this.sideTick.checked = Boolean(side) && !this.side.hidden;
    this.axisTick.checked = Boolean(axis);
    if (axis) this.axis.hidden = false;
  }

  /** @returns {object} what is sent with the answer */
  toDocument() {
    return { side_confirmed: this.sideTick.checked, axis_confirmed: this.axisTick.checked };
  }
}

/** @returns {string} a clause as a sentence */
export function sentence(words) {
  return `${words[0].toUpperCase()}${words.slice(1)}.`;
}
