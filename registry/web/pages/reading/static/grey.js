// The grey of every picture: which value is black and which is white.

import { WINDOWS } from "./picture.js";

const LEAST_WIDTH_HU = 20;

const byId = (id) => document.getElementById(id);

export class Grey {
  /**
   * @param {object} desk what is shown: its window is set here
   * @param {() => void} changed
   * @param {(text: string) => void} tell
   */
  constructor(desk, changed, tell) {
    this.desk = desk;
    this.changed = changed;
    this.tell = tell;
  }

  set(low, high) {
    const window = [Math.round(low), Math.round(Math.max(high, low + 1))];
    this.desk.window = window;
    [byId("window-low").value, byId("window-high").value] = window;
    const name = Object.keys(WINDOWS).find((each) => WINDOWS[each].join() === window.join());
    for (const choice of document.getElementsByName("preset")) choice.checked = choice.value === name;
    this.changed();
  }

  preset(name) {
    this.set(...WINDOWS[name]);
    this.#say();
  }

  /** Moves the grey's middle and widens it, from what it was when the hand or key began. */
  shift([low, high], middle, width, isTold = false) {
    const half = Math.max(LEAST_WIDTH_HU, high - low + width) / 2;
    const centre = (low + high) / 2 + middle;
    this.set(centre - half, centre + half);
    if (isTold) this.#say();
  }

  #say() {
    this.tell(`Grey from ${this.desk.window[0]} to ${this.desk.window[1]} HU.`);
  }
}
