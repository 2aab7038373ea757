// The reading desk: one screw from finding it to saving its reading.
//
// `desk` is what every part draws from; parts never change it themselves, they tell what the
// reader did. Nothing is kept in the browser: leaving with unsaved marks is warned of.

import { Answers } from "./answers.js";
import { Api, Problem } from "./api.js";
import { AlongView } from "./along.js";
import { Attention } from "./attention.js";
import { sentence } from "./doubts.js";
import { FindingScrew } from "./finding.js";
import { wire } from "./controls.js";
import { latest } from "./latest.js";
import { MarkBook } from "./marks.js";
import { Marking } from "./marking.js";
import { MarksList } from "./marks_list.js";
import { Numbers, inWords } from "./numbers.js";
import { WINDOWS } from "./picture.js";
import { Pictures } from "./pictures.js";
import { Seen } from "./seen.js";
import { SectionView } from "./section.js";
import { Strip } from "./strip.js";
import { roundedAll } from "./geometry.js";

const MEASURE_AFTER_MS = 200;
const LEAST_WIDTH_HU = 20;
const NOTHING_YET = "Nothing is measured yet.";
const MARKS_STAND =
  "Marks stand on this screw: remove them, or read by the contour or the calliper.";
const WAY_WORDS = {
  contour: "By the contour: each click on the section marks the cortex.",
  calliper: "By the calliper: two clicks on the section draw a line.",
  "by eye": "Contained, by eye: say how sure, and save.",
  typed: "Typed: give what was read elsewhere.",
  none: "Not assessable: say why, and save.",
};

const byId = (id) => document.getElementById(id);
const root = byId("desk");
const token = document.querySelector('meta[name="form-token"]').content;
const api = new Api(root.dataset.address, token);
const attention = new Attention(() => performance.now());

const desk = {
  entry: null,
  tip: null,
  midplane: [null, null],
  isSettled: false,
  sections: null,
  depths: [],
  focus: 0,
  along: null,
  across: "medial",
  alongUse: "depth",
  window: WINDOWS.bone,
  diameterMm: Number(root.dataset.diameterMm) || 0,
  book: new MarkBook(),
  active: null,
  isHeld: false,
  curves: [],
  extents: {},
  shown: new Set(),
  planes: new Set(),
};
let isLeaving = false;
let isMeasured = false;

function tell(text) {
  byId("told").textContent = text;
}

function tellProblem(error) {
  if (error.name === "AbortError") return;
  if (!(error instanceof Problem)) throw error;
  tell(error.lines.join(" "));
}

// Drawing

let isDrawing = false;
function drawSoon() {
  if (isDrawing) return;
  isDrawing = true;
  requestAnimationFrame(() => {
    isDrawing = false;
    drawAll();
  });
}

function drawAll() {
  finding.draw();
  if (!desk.sections) return;
  section.draw();
  along.draw();
  noteShown();
  strip.draw();
  list.draw();
  const depth = desk.depths[desk.focus];
  byId("depth-told").textContent = `${depth.toFixed(1)} mm of ${desk.depths.at(-1).toFixed(1)}`;
  byId("section-told").textContent = sectionWords(depth);
  byId("undo").disabled = !desk.book.canUndo;
  byId("redo").disabled = !desk.book.canRedo;
  byId("before").disabled = desk.focus === 0;
  byId("after").disabled = desk.focus === desk.depths.length - 1;
  finding.setLocked(!desk.book.isEmpty);
}

// Heard after each change: the section, what lies on it, and the place that keys would move.
function sectionWords(depth) {
  const count = desk.book.handlesAt(depth).length;
  const marks = count === 1 ? "1 mark" : `${count} marks`;
  const [u, v] = (desk.book.where(desk.active) ?? section.cross).map((value) => value.toFixed(1));
  const place = `${desk.active ? "chosen mark" : "cross"} at medial ${u}, cranial ${v}`;
  return `${depth.toFixed(1)} mm from the entry, ${marks}, ${place}, ${section.lookWords}`;
}

function noteShown() {
  if (desk.isSettled) seen.note(desk);
  const left = desk.depths.filter((depth) => !desk.shown.has(depth)).length;
  answers.tellLeft(left, desk.planes.size === 0);
}

// The screw's ends and the pictures that follow from them

function picturesCome(isFirst) {
  desk.focus = Math.min(desk.focus, desk.depths.length - 1);
  byId("unfound").hidden = true;
  answers.tell([]);
  strip.fill();
  if (isFirst) {
    byId("find").open = false;
    byId("section").focus();
  }
  answers.doubts.renew(desk.sections.layout.side_doubt);
  tell(foundWords());
  drawSoon();
}

function foundWords() {
  const doubt = desk.sections.layout.side_doubt;
  const warning = doubt ? `${sentence(doubt.words)} ` : "";
  const length = desk.depths.at(-1).toFixed(1);
  return `${warning}The screw is ${length} mm long. Check both ends along the axis, then look through it.`;
}

/**
 * Takes new ends or a new midplane, unless marks hang on the old ones.
 * @returns {boolean} whether they were taken
 */
function setPlace(change) {
  if (!desk.book.isEmpty) {
    tell("Marks hang on these ends: remove all marks before moving them.");
    finding.showEnds();
    return false;
  }
  if (pictures.place(change)) {
    // What was marked and looked at belongs to the ends before: neither comes back on these.
    desk.book.forget();
    desk.shown.clear();
    desk.planes.clear();
  }
  finding.showEnds();
  drawSoon();
  return true;
}

// Marks and what they come to

function changed() {
  if (desk.active && !desk.book.where(desk.active)) marking.release();
  answers.showContained(desk.book.state.contained);
  numbers.setBusy(true);
  measureSoon();
  drawSoon();
}

function marksDocument() {
  return {
    ...desk.book.toDocument(),
    entry_mm: desk.entry,
    tip_mm: desk.tip,
    midplane_mm: desk.midplane.every(Boolean) ? desk.midplane : null,
    estimated_diameter_mm: answers.estimatedDiameterMm,
  };
}

function showMeasured(measured) {
  if (!measured && isMeasured && desk.book.isEmpty) tell(NOTHING_YET);
  isMeasured = Boolean(measured);
  Object.assign(desk, { curves: measured?.curves ?? [], extents: measured?.extents ?? {} });
  numbers.show(measured);
  drawSoon();
}

const measureSoon = latest(MEASURE_AFTER_MS, async (signal) => {
  const { way } = answers;
  if (!desk.sections || desk.book.isEmpty || (way !== "contour" && way !== "calliper")) {
    showMeasured(null);
    return;
  }
  try {
    const measured = await api.post("measure", { way, marks: marksDocument() }, signal);
    showMeasured(measured);
    tell(Object.keys(measured.extents).length ? inWords(measured) : NOTHING_YET);
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    showMeasured(null);
    numbers.tell(error.lines);
  }
}, tellProblem);

function focusOn(index) {
  const focus = Math.min(desk.depths.length - 1, Math.max(0, index));
  if (focus === desk.focus) return;
  desk.focus = focus;
  if (desk.active?.kind !== "front") marking.release();
  drawSoon();
}

function focusDepth(depth) {
  const away = desk.depths.map((each) => Math.abs(each - depth));
  focusOn(away.indexOf(Math.min(...away)));
}

function turn(across = desk.across === "medial" ? "cranial" : "medial") {
  desk.across = across;
  byId(`across-${across}`).checked = true;
  tell(`Along the axis with ${across} on top.`);
  pictures.turnSoon();
}

function setWindow(low, high) {
  desk.window = [Math.round(low), Math.round(Math.max(high, low + 1))];
  byId("window-low").value = desk.window[0];
  byId("window-high").value = desk.window[1];
  const name = Object.keys(WINDOWS).find((each) => WINDOWS[each].join() === desk.window.join());
  for (const choice of document.getElementsByName("preset")) choice.checked = choice.value === name;
  drawSoon();
}

const greyWords = () => `Grey from ${desk.window[0]} to ${desk.window[1]} HU.`;

/** Moves the grey's middle and widens it, from what it was when the hand or key began. */
function shiftGrey([low, high], middle, width, isTold = false) {
  const half = Math.max(LEAST_WIDTH_HU, high - low + width) / 2;
  const centre = (low + high) / 2 + middle;
  setWindow(centre - half, centre + half);
  if (isTold) tell(greyWords());
}

function useAlong(use) {
  desk.alongUse = use;
  byId(`along-use-${use}`).checked = true;
  if (use === "entry" || use === "tip") tell(`Click where the ${use} belongs, or use the arrows.`);
  marking.release();
}

async function save() {
  answers.setBusy(true);
  answers.tell([]);
  try {
    const answer = await api.post("save", {
      ...answers.toDocument(),
      marks: desk.sections ? marksDocument() : null,
      shown: { depths_mm: [...desk.shown], planes: [...desk.planes] },
      seconds_spent: attention.seconds,
      window_hu: desk.window,
    });
    isLeaving = true;
    window.location.assign(answer.next);
  } catch (error) {
    answers.setBusy(false);
    if (!(error instanceof Problem)) throw error;
    answers.tell(error.lines);
  }
}

// Parts

const answers = new Answers(byId("answers"), {
  way: () => {
    const isMeasuring = answers.way === "contour" || answers.way === "calliper";
    tell(!isMeasuring && desk.book.hasMarks ? MARKS_STAND : WAY_WORDS[answers.way]);
    changed();
  },
  changed: () => {
    if (answers.estimatedDiameterMm) desk.diameterMm = answers.estimatedDiameterMm;
    changed();
  },
  contained: (wall, isContained) => {
    desk.book.setContained(wall, isContained);
    changed();
  },
  save,
});
const marking = new Marking(desk, answers, { tell, changed, drawSoon });
const marked = () => desk.book.handlesAt(desk.depths[desk.focus]);
const told = {
  changed: drawSoon,
  place: (depth, point) => marking.place(depth, point),
  front: (across, point) => marking.placeFront(across, point),
  pick: (handle, isHeld) => marking.pick(handle, isHeld),
  move: (handle, point) => marking.move(handle, point),
  release: () => marking.release(),
  remove: () => marking.remove(),
  settle: () => desk.book.settle(),
  cycle: (step) => marking.cycle(marked(), step),
  cycleFront: (step) => marking.cycle(desk.book.frontHandles(), step),
  undo: () => marking.undo(),
  redo: () => marking.redo(),
  scroll: (steps) => focusOn(desk.focus + steps),
  turn: () => turn(),
  preset: (name) => {
    setWindow(...WINDOWS[name]);
    tell(greyWords());
  },
  grey: shiftGrey,
  looked: () => {
    tell(`The section is shown ${section.lookWords}; the picture along the axis ${along.lookWords}.`);
    drawSoon();
  },
  depth: focusDepth,
  use: useAlong,
  end: (name, point) => setPlace({ [name]: roundedAll(point, 0.01) }),
};
const numbers = new Numbers(byId("numbers"));
const section = new SectionView(byId("section"), desk, told);
const along = new AlongView(byId("along"), desk, told);
const seen = new Seen(byId("section"), byId("along"), drawSoon);
const strip = new Strip(byId("strip"), desk, focusOn);
const list = new MarksList(desk, {
  pick: (handle, isHeld) => marking.pick(handle, isHeld),
  remove: (handle) => marking.remove(handle),
  focusDepth,
  move: (handle, point) => {
    marking.move(handle, point);
    desk.book.settle();
  },
});
const pictures = new Pictures(api, desk, { come: picturesCome, drawSoon, tellProblem });
const finding = new FindingScrew(api, desk, {
  tell,
  tellProblem,
  drawSoon,
  setPlace,
  found: (axis) => {
    if (!setPlace({ entry: axis.entry_mm, tip: axis.tip_mm })) return;
    if (!desk.diameterMm) desk.diameterMm = axis.shank_diameter_mm;
    answers.offerDiameter(axis.shank_diameter_mm);
    desk.focus = 0;
    if (desk.isSettled) tell(foundWords());
    else if (axis.side_doubt) tell(sentence(axis.side_doubt));
  },
  clearAll: () => marking.clearAll(),
});

const buttons = {
  before: () => told.scroll(-1),
  after: () => told.scroll(1),
  undo: told.undo,
  redo: told.redo,
  "mark-cross": () => marking.place(section.depth, section.cross),
  "copy-nearest": () => marking.copyNearest(),
  "clear-section": () => marking.clearSection(),
  "clear-marks": () => marking.clearAll(),
};
const choices = {
  preset: told.preset,
  across: turn,
  "along-use": useAlong,
};
wire(root, buttons, choices, {
  look: (picture, what) => ({ section, along })[picture].turnTo(what),
  setWindow,
  drawSoon,
  isUnsaved: () => !isLeaving && (answers.isTouched || !desk.book.isEmpty),
});

numbers.show(null);
attention.follow(document);
finding.begin();
byId("metal").focus({ preventScroll: true });
