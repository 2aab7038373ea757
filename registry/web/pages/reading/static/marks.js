// The reader's marks, with undo and redo. Nothing here touches the page.
//
// A handle names one movable place:
//   {kind: "bone", bone, depth, index}   a mark of the bone on a section
//   {kind: "line", index, end}           an end ("cortex" or "edge") of a calliper line
//   {kind: "front", index}               a mark of the body's front, on the picture along the axis
//   {kind: "midplane" | "endplate", index}   its front (0) or back (1) point, LPS: the vertebra's
//                                            own planes, on which no mark hangs

const noPlanes = () => ({ midplane: [null, null], endplate: [null, null], found: [] });
const clean = () => ({ bones: {}, callipers: [], contained: [], front: null, ...noPlanes() });
const PLANES = ["midplane", "endplate"];
const sameHandle = (a, b) => Boolean(a && b) && JSON.stringify(a) === JSON.stringify(b);

export class MarkBook {
  #past = [];
  #future = [];
  #moving = null;

  constructor() {
    this.state = clean();
  }

  get canUndo() {
    return this.#past.length > 0;
  }

  get canRedo() {
    return this.#future.length > 0;
  }

  /** Whether nothing at all is marked. */
  get isEmpty() {
    const { bones, callipers, contained, front } = this.state;
    return !Object.keys(bones).length && !callipers.length && !contained.length && !front;
  }

  /** Whether a place is marked; a tick alone is no mark. */
  get hasMarks() {
    return Boolean(this.countByDepth().size || this.state.front);
  }

  /** Changes the marks by `edit`, which is handed a copy and may answer with a value. */
  #change(edit, moving = null) {
    const copy = structuredClone(this.state);
    const value = edit(copy);
    // Moves of one mark in a row are undone together.
    if (!sameHandle(moving, this.#moving)) this.#past.push(this.state);
    this.#moving = moving;
    this.#future = [];
    this.state = copy;
    return value;
  }

  undo() {
    if (!this.canUndo) return;
    this.#future.push(this.state);
    this.state = this.#past.pop();
    this.#moving = null;
  }

  redo() {
    if (!this.canRedo) return;
    this.#past.push(this.state);
    this.state = this.#future.pop();
    this.#moving = null;
  }

  /** Ends a series of moves, so that the next one is undone by itself. */
  settle() {
    this.#moving = null;
  }

  clear() {
    if (this.isEmpty) return;
    const { midplane, endplate, found } = this.state;
    this.#change((state) => Object.assign(state, clean(), { midplane, endplate, found }));
  }

  /** Takes marks as they were kept, with what of their changes was kept to be undone. */
  take(state, { past = [], future = [] } = {}) {
    const whole = (each) => ({ ...clean(), ...structuredClone(each) });
    this.forget();
    this.state = whole(state);
    [this.#past, this.#future] = [past.map(whole), future.map(whole)];
  }

  /** @returns {object} the changes that can be undone or done again, the nearest ones, as text no
   *   longer than `most` characters */
  changes(most) {
    let left = most;
    const nearest = (states) => {
      const kept = [];
      for (const state of [...states].reverse()) {
        left -= JSON.stringify(state).length;
        if (left < 0) break;
        kept.unshift(state);
      }
      return kept;
    };
    return { past: nearest(this.#past), future: nearest(this.#future) };
  }

  /** Lets go of what could be undone or redone. */
  forget() {
    [this.#past, this.#future, this.#moving] = [[], [], null];
  }

  /** @returns {object} the new mark's handle */
  addPoint(bone, depth, point) {
    return this.#change((state) => {
      const sections = (state.bones[bone] ??= []);
      let section = sections.find((each) => each.depth_mm === depth);
      if (!section) {
        section = { depth_mm: depth, points_mm: [] };
        sections.push(section);
        sections.sort((a, b) => a.depth_mm - b.depth_mm);
      }
      section.points_mm.push(point);
      return { kind: "bone", bone, depth, index: section.points_mm.length - 1 };
    });
  }

  /** Ends the open calliper line, or begins one. @returns {object} the new end's handle */
  addLineEnd(depth, point) {
    return this.#change((state) => {
      const open = state.callipers.findIndex((line) => !line.edge_mm && line.depth_mm === depth);
      if (open >= 0) {
        state.callipers[open].edge_mm = point;
        return { kind: "line", index: open, end: "edge" };
      }
      state.callipers = state.callipers.filter((line) => line.edge_mm);
      state.callipers.push({ depth_mm: depth, cortex_mm: point, edge_mm: null });
      return { kind: "line", index: state.callipers.length - 1, end: "cortex" };
    });
  }

  /** Marks the front; marks on the other picture along the axis are taken back. */
  addFront(across, point) {
    return this.#change((state) => {
      if (!state.front || state.front.across !== across) state.front = { across, points_mm: [] };
      state.front.points_mm.push(point);
      return { kind: "front", index: state.front.points_mm.length - 1 };
    });
  }

  /** Whether both points of a plane are set. */
  hasPlane(name) {
    return this.state[name].every(Boolean);
  }

  isFound(name) {
    return this.state.found.includes(name);
  }

  /** Sets a plane's two points, or takes them back; the reader's from now on. */
  setPlane(name, points) {
    this.#change((state) => {
      state[name] = points;
      state.found = state.found.filter((each) => each !== name);
    });
  }

  /** Takes a plane as the program found it: nothing that the reader did, so nothing to be undone. */
  putFound(name, points) {
    const isThere = points.every(Boolean);
    for (const state of [this.state, ...this.#past, ...this.#future]) {
      if (state[name].every(Boolean) && !state.found.includes(name)) continue;
      state[name] = points;
      state.found = state.found.filter((each) => each !== name);
      if (isThere) state.found.push(name);
    }
  }

  setContained(wall, isContained) {
    this.#change((state) => {
      state.contained = state.contained.filter((each) => each !== wall);
      if (isContained) state.contained.push(wall);
    });
  }

  /** Puts the marks of one section on another, in place of what is there. */
  copySection(bone, from, to) {
    this.#change((state) => {
      const sections = state.bones[bone] ?? [];
      const source = sections.find((each) => each.depth_mm === from);
      if (!source) return;
      const kept = sections.filter((each) => each.depth_mm !== to);
      kept.push({ depth_mm: to, points_mm: structuredClone(source.points_mm) });
      kept.sort((a, b) => a.depth_mm - b.depth_mm);
      state.bones[bone] = kept;
    });
  }

  /** @returns {number[] | null} where a handle is, or null when it is gone */
  where(handle) {
    return handle ? (this.#find(this.state, handle)?.get() ?? null) : null;
  }

  move(handle, point) {
    if (!this.where(handle)) return;
    this.#change((state) => {
      this.#find(state, handle).set(point);
      state.found = state.found.filter((each) => each !== handle.kind);
    }, handle);
  }

  remove(handle) {
    if (!this.where(handle)) return;
    this.#change((state) => {
      if (handle.kind === "line") {
        state.callipers.splice(handle.index, 1);
      } else if (handle.kind === "front") {
        state.front.points_mm.splice(handle.index, 1);
        if (!state.front.points_mm.length) state.front = null;
      } else {
        const section = sectionOf(state, handle.bone, handle.depth);
        section.points_mm.splice(handle.index, 1);
        this.#dropEmpty(state);
      }
    });
  }

  /** Removes what one section holds. */
  clearSection(depth) {
    this.#change((state) => {
      for (const sections of Object.values(state.bones)) {
        for (const section of sections) if (section.depth_mm === depth) section.points_mm = [];
      }
      state.callipers = state.callipers.filter((line) => line.depth_mm !== depth);
      this.#dropEmpty(state);
    });
  }

  /** @returns {object[]} the handles on one section, in order of marking */
  handlesAt(depth) {
    const found = [];
    for (const [bone, sections] of Object.entries(this.state.bones)) {
      for (const section of sections) {
        if (section.depth_mm !== depth) continue;
        section.points_mm.forEach((_, index) => found.push({ kind: "bone", bone, depth, index }));
      }
    }
    this.state.callipers.forEach((line, index) => {
      if (line.depth_mm !== depth) return;
      found.push({ kind: "line", index, end: "cortex" });
      if (line.edge_mm) found.push({ kind: "line", index, end: "edge" });
    });
    return found;
  }

  frontHandles() {
    return (this.state.front?.points_mm ?? []).map((_, index) => ({ kind: "front", index }));
  }

  /** @returns {Map<number, number>} how many marks each marked section holds, entry first */
  countByDepth() {
    const counts = new Map();
    const count = (depth) => counts.set(depth, (counts.get(depth) ?? 0) + 1);
    for (const sections of Object.values(this.state.bones)) {
      for (const section of sections) section.points_mm.forEach(() => count(section.depth_mm));
    }
    this.state.callipers.forEach((line) => count(line.depth_mm));
    return new Map([...counts].sort((a, b) => a[0] - b[0]));
  }

  /** @returns {object} what the server takes: an open calliper line is left out */
  toDocument() {
    const { midplane, endplate, found, ...document } = structuredClone(this.state);
    document.callipers = document.callipers.filter((line) => line.edge_mm);
    return document;
  }

  #dropEmpty(state) {
    for (const [bone, sections] of Object.entries(state.bones)) {
      state.bones[bone] = sections.filter((section) => section.points_mm.length);
      if (!state.bones[bone].length) delete state.bones[bone];
    }
  }

  #find(state, handle) {
    if (PLANES.includes(handle.kind)) return place(state[handle.kind], handle.index);
    if (handle.kind === "line") return place(state.callipers[handle.index], `${handle.end}_mm`);
    const points =
      handle.kind === "front"
        ? state.front?.points_mm
        : sectionOf(state, handle.bone, handle.depth)?.points_mm;
    return place(points, handle.index);
  }
}

function sectionOf(state, bone, depth) {
  return state.bones[bone]?.find((each) => each.depth_mm === depth);
}

function place(holder, name) {
  if (!holder?.[name]) return null;
  return {
    get: () => holder[name],
    set: (point) => {
      holder[name] = point;
    },
  };
}

export { sameHandle };
