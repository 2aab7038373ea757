// The reading desk: one screw from finding it to saving its reading.
//
// `desk` is what every part draws from; parts never change it themselves, they tell what the
// reader did. Nothing is kept in the browser: leaving with unsaved marks is warned of.

import { Answers } from "./answers.js";
import { Api, Problem } from "./api.js";
import { AlongView } from "./along.js";
import { FindingScrew } from "./finding.js";
import { MarkBook } from "./marks.js";
import { MarksList } from "./marks_list.js";
import { Numbers, inWords } from "./numbers.js";
import { WINDOWS } from "./picture.js";
import { SectionView } from "./section.js";
import { Strip } from "./strip.js";
import { roundedAll } from "./geometry.js";

const PICTURES_AFTER_MS = 250;
const MEASURE_AFTER_MS = 200;

const byId = (id) => document.getElementById(id);
const root = byId("desk");
const token = document.querySelector('meta[name="form-token"]').content;
const api = new Api(root.dataset.address, token);
const openedAt = performance.now();

const desk = {
  entry: null,
  tip: null,
  midplane: [null, null],
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

function tell(text) {
  byId("told").textContent = text;
}

function tellProblem(error) {
  if (error.name === "AbortError") return;
  if (!(error instanceof Problem)) throw error;
  tell(error.lines.join(" "));
}

/** Runs the newest call only, after a pause; what an older one was waiting for is dropped. */
function latest(pause, run) {
  let timer = null;
  let controller = null;
  return () => {
    clearTimeout(timer);
    controller?.abort();
    controller = new AbortController();
    const { signal } = controller;
    timer = setTimeout(() => run(signal).catch(tellProblem), pause);
  };
}

// Drawing

const visible = new Set();
new IntersectionObserver(
  (entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting) visible.add(entry.target.id);
      else visible.delete(entry.target.id);
    }
    drawSoon();
  },
  { threshold: 0.5 },
).observe(byId("section"));
const alongObserver = new IntersectionObserver(
  ([entry]) => {
    if (entry.isIntersecting) visible.add("along");
    else visible.delete("along");
    drawSoon();
  },
  { threshold: 0.5 },
);
alongObserver.observe(byId("along"));

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

function sectionWords(depth) {
  const count = desk.book.handlesAt(depth).length;
  const marks = count === 1 ? "1 mark" : `${count} marks`;
  return `${depth.toFixed(1)} mm from the entry, ${marks}, ${section.zoomWords}`;
}

/** Notes what is really on screen: drawn, at least half in view, the page in front. */
function noteShown() {
  if (document.visibilityState !== "visible") return;
  if (visible.has("section")) desk.shown.add(desk.depths[desk.focus]);
  if (visible.has("along") && desk.along) desk.planes.add(desk.along.picture.layout.across);
  const left = desk.depths.filter((depth) => !desk.shown.has(depth)).length;
  answers.tellLeft(left, desk.planes.size === 0);
}

// The screw's ends and the pictures that follow from them

function placing() {
  const parameters = { entry: desk.entry.join(), tip: desk.tip.join() };
  if (desk.midplane.every(Boolean)) {
    parameters.midplane = desk.midplane.map((point) => point.join()).join(";");
  }
  return parameters;
}

async function fetchAlong(parameters, signal) {
  const { entry, across } = desk;
  const picture = await api.picture(`along/${across}`, parameters, signal);
  return { picture, entry };
}

const loadPictures = latest(PICTURES_AFTER_MS, async (signal) => {
  if (!desk.entry || !desk.tip) return;
  const parameters = placing();
  const [sections, alongNow] = await Promise.all([
    api.picture("sections", parameters, signal),
    fetchAlong(parameters, signal),
  ]);
  const isFirst = !desk.sections;
  Object.assign(desk, { sections, along: alongNow, depths: sections.layout.depths_mm });
  desk.focus = Math.min(desk.focus, desk.depths.length - 1);
  desk.shown.clear();
  desk.planes.clear();
  byId("look").hidden = false;
  strip.fill();
  if (isFirst) {
    byId("find").open = false;
    byId("section").focus();
  }
  const length = desk.depths.at(-1).toFixed(1);
  tell(`The screw is ${length} mm long. Check both ends along the axis, then look through it.`);
  drawSoon();
});

const loadAlong = latest(0, async (signal) => {
  desk.along = await fetchAlong(placing(), signal);
  drawSoon();
});

/** Takes new ends or a new midplane, unless marks hang on the old ones. */
function setPlace(change) {
  if (!desk.book.isEmpty) {
    tell("Marks hang on these ends: remove all marks before moving them.");
    finding.showEnds();
    return;
  }
  Object.assign(desk, change);
  finding.showEnds();
  loadPictures();
  drawSoon();
}

// Marks and what they come to

function changed() {
  if (desk.active && !desk.book.where(desk.active)) release();
  answers.showContained(desk.book.state.contained);
  measureSoon();
  drawSoon();
}

function release() {
  Object.assign(desk, { active: null, isHeld: false });
  desk.book.settle();
  drawSoon();
}

function pick(handle, isHeld) {
  Object.assign(desk, { active: handle, isHeld });
  desk.book.settle();
  if (isHeld) tell("Picked up: click where it belongs, or Escape to let it go.");
  drawSoon();
}

function remove(handle = desk.active) {
  if (!handle) return;
  desk.book.remove(handle);
  release();
  changed();
}

function place(depth, point) {
  release();
  if (answers.way === "contour") desk.book.addPoint(answers.bone, depth, point);
  else if (answers.way === "calliper") desk.book.addLineEnd(depth, point);
  else return tell("Choose first how to read it: by the contour or by the calliper.");
  return changed();
}

function placeFront(point) {
  if (answers.way !== "contour" && answers.way !== "calliper") {
    tell("Choose first how to read it: by the contour or by the calliper.");
    return;
  }
  release();
  desk.book.addFront(desk.across, point);
  changed();
}

function cycle(handles, step) {
  if (!handles.length) return;
  const at = handles.findIndex((each) => JSON.stringify(each) === JSON.stringify(desk.active));
  const next = at < 0 && step < 0 ? handles.length - 1 : at + step;
  pick(handles[(next + handles.length) % handles.length], false);
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
    if (Object.keys(measured.extents).length) tell(inWords(measured));
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    showMeasured(null);
    numbers.tell(error.lines);
  }
});

function scroll(steps) {
  focusOn(desk.focus + steps);
}

function focusOn(index) {
  const focus = Math.min(desk.depths.length - 1, Math.max(0, index));
  if (focus === desk.focus) return;
  desk.focus = focus;
  if (desk.active?.kind !== "front") release();
  drawSoon();
}

function focusDepth(depth) {
  const away = desk.depths.map((each) => Math.abs(each - depth));
  focusOn(away.indexOf(Math.min(...away)));
}

function turn(across = desk.across === "medial" ? "cranial" : "medial") {
  desk.across = across;
  byId(`across-${across}`).checked = true;
  if (desk.entry) loadAlong();
}

function setWindow(low, high) {
  desk.window = [low, Math.max(high, low + 1)];
  byId("window-low").value = desk.window[0];
  byId("window-high").value = desk.window[1];
  const name = Object.keys(WINDOWS).find((each) => WINDOWS[each].join() === desk.window.join());
  for (const choice of document.getElementsByName("preset")) choice.checked = choice.value === name;
  drawSoon();
}

function useAlong(use) {
  desk.alongUse = use;
  byId(`along-use-${use}`).checked = true;
  if (use === "entry" || use === "tip") tell(`Click where the ${use} belongs, or use the arrows.`);
  release();
}

function undo() {
  desk.book.undo();
  changed();
}

function redo() {
  desk.book.redo();
  changed();
}

function copyNearest() {
  const depth = desk.depths[desk.focus];
  const { bone } = answers;
  const others = (desk.book.state.bones[bone] ?? []).map((each) => each.depth_mm);
  const from = others
    .filter((each) => each !== depth)
    .sort((a, b) => Math.abs(a - depth) - Math.abs(b - depth))[0];
  if (from === undefined) {
    tell("No other section is marked yet.");
    return;
  }
  desk.book.copySection(bone, from, depth);
  tell(`Copied from ${from.toFixed(1)} mm: move each mark to where it belongs here.`);
  changed();
}

async function save() {
  answers.setBusy(true);
  answers.tell([]);
  try {
    const answer = await api.post("save", {
      ...answers.toDocument(),
      marks: desk.sections ? marksDocument() : null,
      shown: { depths_mm: [...desk.shown], planes: [...desk.planes] },
      seconds_spent: Math.round((performance.now() - openedAt) / 1000),
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

const marking = {
  changed: drawSoon,
  place,
  pick,
  release,
  remove: () => remove(),
  move: (handle, point) => {
    desk.book.move(handle, point);
    changed();
  },
  settle: () => desk.book.settle(),
  cycle: (step) => cycle(desk.book.handlesAt(desk.depths[desk.focus]), step),
  cycleFront: (step) => cycle(desk.book.frontHandles(), step),
  scroll,
  turn: () => turn(),
  undo,
  redo,
  preset: (name) => setWindow(...WINDOWS[name]),
  depth: focusDepth,
  use: useAlong,
  front: placeFront,
  end: (name, point) => setPlace({ [name]: roundedAll(point, 0.01) }),
};
const answers = new Answers(byId("answers"), {
  way: changed,
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
const numbers = new Numbers(byId("numbers"));
const section = new SectionView(byId("section"), desk, marking);
const along = new AlongView(byId("along"), desk, marking);
const strip = new Strip(byId("strip"), desk, focusOn);
const list = new MarksList(desk, {
  pick,
  remove,
  focusDepth,
  move: (handle, point) => {
    marking.move(handle, point);
    desk.book.settle();
  },
});
const finding = new FindingScrew(api, desk, {
  tell,
  tellProblem,
  drawSoon,
  setPlace,
  found: (axis) => {
    if (!desk.diameterMm) desk.diameterMm = axis.shank_diameter_mm;
    answers.offerDiameter(axis.shank_diameter_mm);
    desk.focus = 0;
    setPlace({ entry: axis.entry_mm, tip: axis.tip_mm });
  },
  clearAll: () => {
    desk.book.clear();
    release();
    changed();
  },
});

function onClick(id, act) {
  byId(id).addEventListener("click", act);
}

onClick("before", () => scroll(-1));
onClick("after", () => scroll(1));
onClick("zoom-in", () => section.zoom(1));
onClick("zoom-out", () => section.zoom(-1));
onClick("undo", undo);
onClick("redo", redo);
onClick("mark-cross", () => place(section.depth, section.cross));
onClick("copy-nearest", copyNearest);
onClick("clear-section", () => {
  desk.book.clearSection(desk.depths[desk.focus]);
  changed();
});
root.addEventListener("change", (event) => {
  const { name, value, id } = event.target;
  if (name === "preset") setWindow(...WINDOWS[value]);
  if (name === "across") turn(value);
  if (name === "along-use") useAlong(value);
  if (id === "window-low" || id === "window-high") {
    setWindow(byId("window-low").valueAsNumber || 0, byId("window-high").valueAsNumber || 0);
  }
});
window.addEventListener("resize", drawSoon);
document.addEventListener("visibilitychange", drawSoon);
root.addEventListener("focusin", drawSoon);
root.addEventListener("focusout", drawSoon);
byId("find").addEventListener("toggle", drawSoon);
window.addEventListener("beforeunload", (event) => {
  if (!isLeaving && (answers.isTouched || !desk.book.isEmpty)) event.preventDefault();
});

numbers.show(null);
finding.begin();
