// One screw on the desk, from finding it to saving its reading: the parts, and how they are joined.

import { Answers } from "./answers.js";
import { Problem } from "./api.js";
import { AlongView } from "./along.js";
import { Angles } from "./angles.js";
import { Attention } from "./attention.js";
import { wire } from "./controls.js";
import { draftOf, draftWords, isDraft, takeDraft } from "./draft.js";
import { Ends } from "./ends.js";
import { FindingScrew } from "./finding.js";
import { roundedAll } from "./geometry.js";
import { Grey } from "./grey.js";
import { Keeper } from "./keeping.js";
import { Line } from "./line.js";
import { Marking, NOT_TAKEN } from "./marking.js";
import { MarksList } from "./marks_list.js";
import { Measuring } from "./measuring.js";
import { Numbers } from "./numbers.js";
import { Pictures } from "./pictures.js";
import { Planes } from "./planes.js";
import { Proposed } from "./proposed.js";
import { Rays } from "./rays.js";
import { Saving } from "./saving.js";
import { Seen } from "./seen.js";
import { SectionView } from "./section.js";
import { newDesk } from "./state.js";
import { Strip } from "./strip.js";
import { BACK, MARKS_STAND, SIGNED_IN, WAY_WORDS, sectionWords } from "./telling.js";
import { UprightView } from "./upright.js";

const byId = (id) => document.getElementById(id);

/**
 * Puts the screw of the page on the desk.
 * @param {Api} api of its address
 * @param {object} told saved (called with what the server answered), inPlace (the address of the
 *   screw that could follow at once) and come (its sections are on screen)
 * @param {string} words to begin with, of what came before
 * @returns {() => void} ends it: nothing that was wired to the page itself goes on
 */
export function openScrew(api, told, words = "") {
  const root = byId("desk");
  const life = new AbortController();
  const desk = newDesk(Number(root.dataset.diameterMm) || 0);
  const attention = new Attention(() => performance.now());

  const before = words ? `${words} ` : "";

  const tell = (text) => {
    byId("told").textContent = text;
  };
  const tellProblem = (error) => {
    if (error.name === "AbortError") return;
    if (!(error instanceof Problem)) throw error;
    // That the line is gone, or the session, is said once, by the line itself.
    if (error.kind === "refused") tell(error.lines.join(" "));
  };

  // Drawing

  let isDrawing = false;
  const drawSoon = () => {
    if (isDrawing) return;
    isDrawing = true;
    requestAnimationFrame(() => {
      isDrawing = false;
      if (!life.signal.aborted) drawAll();
    });
  };
  const touched = () => {
    keeper.touch();
    drawSoon();
  };

  function drawAll() {
    finding.draw();
    if (!desk.sections) return;
    section.draw();
    along.draw();
    upright.draw();
    noteShown();
    strip.draw();
    list.draw();
    const depth = desk.depths[desk.focus];
    byId("depth-told").textContent = `${depth.toFixed(1)} mm of ${desk.depths.at(-1).toFixed(1)}`;
    byId("section-told").textContent = sectionWords(desk, section);
    byId("upright-told").textContent = upright.isReady ? upright.words : "";
    byId("undo").disabled = !desk.book.canUndo;
    byId("redo").disabled = !desk.book.canRedo;
    byId("before").disabled = desk.focus === 0;
    byId("after").disabled = desk.focus === desk.depths.length - 1;
    finding.setLocked(!desk.book.isEmpty);
  }

  function noteShown() {
    const before = desk.shown.size + desk.planes.size;
    const wasUprightSeen = desk.isUprightSeen;
    if (desk.isSettled) seen.note(desk);
    if (desk.isUprightSeen !== wasUprightSeen) angles.soon();
    if (desk.shown.size + desk.planes.size !== before) keeper.touch();
    const left = desk.depths.filter((depth) => !desk.shown.has(depth)).length;
    answers.tellLeft(left, desk.planes.size === 0);
  }

  // Marks and what they come to

  function changed() {
    if (desk.active && !desk.book.where(desk.active)) marking.release();
    // A change that was undone may have been the midplane's.
    if (desk.sections) ends.replace({}, true);
    angles.soon();
    answers.showContained(desk.book.state.contained);
    numbers.setBusy(true);
    measuring.soon();
    touched();
  }

  // Going about

  function focusOn(index) {
    const focus = Math.min(desk.depths.length - 1, Math.max(0, index));
    if (focus === desk.focus) return;
    desk.focus = focus;
    if (desk.active?.kind !== "front") marking.release();
    touched();
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
    keeper.touch();
  }

  function useAlong(use) {
    desk.alongUse = use;
    byId(`along-use-${use}`).checked = true;
    if (use === "entry" || use === "tip") tell(`Click where the ${use} belongs, or use the arrows.`);
    marking.release();
  }

  // Parts

  const answers = new Answers(byId("answers"), {
    way: () => {
      tell(!answers.isMeasuring && desk.book.hasMarks ? MARKS_STAND : WAY_WORDS[answers.way]);
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
    typed: () => keeper.touch(),
    save: () => saving.save(),
  });
  const marking = new Marking(desk, answers, { tell, changed, drawSoon });
  const marked = () => desk.book.handlesAt(desk.depths[desk.focus]);
  const grey = new Grey(desk, touched, tell);
  const done = {
    changed: touched,
    place: (depth, point) => marking.place(depth, point),
    front: (across, point) => marking.placeFront(across, point),
    pick: (handle, isHeld) => marking.pick(handle, isHeld),
    move: (handle, point) => marking.move(handle, point),
    release: () => marking.release(),
    remove: () => marking.remove(),
    settle: () => desk.book.settle(),
    cycle: (step) => marking.cycle(marked(), step),
    turnRay: (hours) => rays.turn(hours),
    reach: (mm) => rays.reach(mm),
    markAndTurn: () => rays.markAndTurn(),
    middle: () => rays.putMiddle(),
    copy: () => marking.copyNearest(),
    way: () => answers.turnWay(),
    sure: () => answers.goToConfidence(),
    cycleFront: (step) => marking.cycle(desk.book.frontHandles(), step),
    undo: () => marking.undo(),
    redo: () => marking.redo(),
    scroll: (steps) => focusOn(desk.focus + steps),
    turn: () => turn(),
    preset: (name) => grey.preset(name),
    grey: (...shift) => grey.shift(...shift),
    looked: () => {
      tell(`The section is shown ${section.lookWords}; the picture along the axis ${along.lookWords}.`);
      touched();
    },
    depth: focusDepth,
    use: useAlong,
    upright: () => planes.goUpright(),
    endplate: (index, point, isMove) => planes.setEndplate(index, point, isMove),
    useEnd: (index) => planes.useEnd(index),
    noEndplate: () => planes.noEndplate(),
    end: (name, point) => ends.set({ [name]: roundedAll(point, 0.01) }),
  };
  const numbers = new Numbers(byId("numbers"));
  const measuring = new Measuring(api, desk, answers, numbers, { tell, tellProblem, drawSoon });
  const section = new SectionView(byId("section"), desk, done);
  const along = new AlongView(byId("along"), desk, done);
  const upright = new UprightView(byId("upright"), desk, done);
  const planes = new Planes(desk, {
    tell,
    drawSoon,
    replaced: () => {
      proposed.settle();
      ends.replace({});
      touched();
    },
    changed: () => {
      angles.soon();
      touched();
    },
  });
  const angles = new Angles(api, desk, () => measuring.marks(), { drawSoon, tellProblem });
  const rays = new Rays(desk, section, marking, answers, { tell, changed: touched });
  const seen = new Seen(byId("section"), byId("along"), byId("upright"), drawSoon, life.signal);
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
  const hands = {};
  const ends = new Ends(desk, hands, { tell, touched, drawSoon, come: told.come }, before);
  const pictures = new Pictures(api, desk, { come: (isFirst) => ends.come(isFirst), drawSoon, tellProblem });
  const finding = new FindingScrew(api, desk, {
    tell,
    tellProblem,
    drawSoon,
    setPlace: (change) => ends.set(change),
    moveMidplane: (index, point) => planes.moveMidplane(index, point),
    settle: () => desk.book.settle(),
    undo: () => marking.undo(),
    redo: () => marking.redo(),
    found: (axis) => ends.take(axis),
    clearAll: () => marking.clearAll(),
  });
  const proposed = new Proposed(api, desk, {
    tell,
    place: (axis) => {
      desk.book.putFound("midplane", axis.midplane_mm ?? [null, null]);
      pictures.place({ entry: axis.entry_mm, tip: axis.tip_mm }, true);
      if (!desk.diameterMm) desk.diameterMm = axis.diameter_mm;
      answers.offerDiameter(axis.diameter_mm);
      finding.showEnds();
      finding.lookAtScrew();
      drawSoon();
    },
    taken: () => {
      ends.toSections();
      angles.soon();
      touched();
    },
  });

  Object.assign(hands, { pictures, finding, proposed, answers, strip, measuring, angles });

  // Keeping, and the line to the server

  const askAgain = () => {
    if (numbers.isBusy) measuring.soon();
    angles.soon();
  };
  const parts = { answers, section, along, attention };
  const name = `draft ${root.dataset.owner} ${root.dataset.address}`;
  const keeper = new Keeper(api, name, () => draftOf(desk, parts));
  const line = new Line(byId("line"), {
    try: () => (keeper.isDue ? keeper.send() : api.get("draft")),
    back: (before) => {
      tell(before === "gone" ? BACK : SIGNED_IN);
      answers.tell([]);
      begin();
      pictures.again();
      askAgain();
      if (keeper.isDue) keeper.send().catch(() => {});
    },
  }, life.signal);
  api.line = (state) => line.note(state);
  const saving = new Saving(api, answers, keeper, {
    missing: () => (desk.isProposed && !answers.isWithoutAxis ? [NOT_TAKEN] : []),
    gather: () => ({
      ...answers.toDocument(),
      marks: desk.sections && !desk.isProposed ? measuring.marks() : null,
      shown: { depths_mm: [...desk.shown], planes: [...desk.planes] },
      window_hu: desk.window,
    }),
    seconds: () => attention.seconds,
    still: () => {
      for (const asks of [measuring, angles]) asks.soon.drop();
    },
    goOn: askAgain,
    saved: told.saved,
    inPlace: told.inPlace,
  });

  let isLoaded = false;
  async function begin() {
    finding.begin();
    if (isLoaded) return;
    try {
      const draft = await keeper.load();
      isLoaded = true;
      // What was done meanwhile is what the reader sees: it stays.
      if (isDraft(draft) && !desk.entry && desk.book.isEmpty) goOnFrom(draft);
      await proposed.begin();
    } catch (error) {
      tellProblem(error);
    }
  }

  function goOnFrom(draft) {
    const { entry, tip } = takeDraft(draft, desk, parts);
    byId(`across-${desk.across}`).checked = true;
    grey.set(...draft.window);
    answers.showContained(desk.book.state.contained);
    if (!entry && !tip) {
      tell(draftWords(draft, desk));
      return;
    }
    ends.restored = draft;
    proposed.settle(Boolean(draft.is_proposed));
    numbers.setBusy(answers.isMeasuring && !desk.book.isEmpty);
    pictures.place({ entry, tip }, true);
    finding.showEnds();
  }

  const buttons = {
    before: () => done.scroll(-1),
    after: () => done.scroll(1),
    undo: done.undo,
    redo: done.redo,
    "mark-cross": () => marking.place(section.depth, section.cross),
    "copy-nearest": done.copy,
    "clear-section": () => marking.clearSection(),
    "clear-marks": () => marking.clearAll(),
    "no-endplate": done.noEndplate,
  };
  const choices = {
    preset: done.preset,
    across: turn,
    "along-use": useAlong,
    "endplate-use": (which) => planes.useEnd(which === "back" ? 1 : 0),
  };
  wire(root, buttons, choices, {
    look: (picture, what) => ({ section, along, upright })[picture].turnTo(what),
    setWindow: (low, high) => grey.set(low, high),
    drawSoon,
    leaving: () => keeper.hold(),
    isAtRisk: () => keeper.isAtRisk,
  }, life.signal);

  if (words) requestAnimationFrame(() => tell(`${before}${byId("told").textContent}`));
  numbers.show(null);
  attention.follow(document, life.signal);
  begin();
  byId("metal").focus({ preventScroll: true });
  return () => life.abort();
}
