// What every part of the desk draws from. Parts never change it themselves: they tell what the
// reader did.

import { MarkBook } from "./marks.js";
import { WINDOWS } from "./picture.js";

/** @param {number} diameterMm as catalogued, 0 where not known */
export const newDesk = (diameterMm) => ({
  entry: null,
  tip: null,
  midplane: [null, null],
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
});
