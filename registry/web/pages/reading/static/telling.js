// What the desk says in one line, and what is heard of the section in focus.

import { rayWords } from "./rays.js";

export const MARKS_STAND =
  "Marks stand on this screw: remove them, or read by the contour or the calliper.";
export const WAY_WORDS = {
  contour: "By the contour: each click on the section marks the cortex.",
  calliper: "By the calliper: two clicks on the section draw a line.",
  "by eye": "Contained, by eye: say how sure, and save.",
  typed: "Typed: give what was read elsewhere.",
  none: "Not assessable: say why, and save.",
};
export const BACK = "The connection is back; nothing was lost.";
export const SIGNED_IN = "Signed in again; nothing was lost.";
export const LOCKED = "Marks hang on these ends: remove all marks before moving them.";

/**
 * Heard after each change: the section, what lies on it, and the place that keys would move.
 * @param {object} desk what is shown
 * @param {SectionView} section
 */
export function sectionWords(desk, section) {
  const count = desk.book.handlesAt(section.depth).length;
  const marks = count === 1 ? "1 mark" : `${count} marks`;
  const [u, v] = section.keyPlace.map((each) => each.toFixed(1));
  const ray = rayWords(section.keyPlace, desk.middle);
  const what = section.hasChosen ? "chosen mark" : "cross";
  // Whoever goes along the rays hears the ray first.
  const at = section.isOnRays ? `${ray}; medial ${u}, cranial ${v}` : `medial ${u}, cranial ${v}; ${ray}`;
  const place = `${what} at ${at}`;
  return `${section.depth.toFixed(1)} mm from the entry, ${marks}, ${place}; ${section.lookWords}`;
}
