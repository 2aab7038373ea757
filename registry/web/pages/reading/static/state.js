// What every part of the desk draws from. Parts never change it themselves: they tell what the
// reader did.

import { MarkBook } from "./marks.js";
import { WINDOWS } from "./picture.js";

/** @param {number} diameterMm as catalogued, 0 where not known */
export const newDesk = (diameterMm) => ({
  entry: null,
  tip: null,
  /** Front and back point, LPS; kept with the marks, so that it is undone as they are. */
  get midplane() {
    return this.book.state.midplane;
  },
  isProposed: false,
  wasProposed: false,
  isSettled: false,
  sections: null,
  depths: [],
  focus: 0,
  middle: [0, 0],
  along: null,
  across: "medial",
  alongUse: "depth",
  window: WINDOWS.bone,
  diameterMm,
  book: new MarkBook(),
  active: null,
  isHeld: false,
  curves: [],
  extents: {},
  shown: new Set(),
  planes: new Set(),
  upright: null,
  endplateUse: 0,
  isUprightSeen: false,
});
