// A draft: everything that a reader has marked, typed and looked at, as one document and back.
//
// It holds places in millimetres, choices and the note, and nothing of whose screw it is.

const FORM = 1;
/** Of what can be undone; a draft holds the marks themselves besides. */
const MOST_CHANGES = 40_000;

const isPoint = (value, count) =>
  Array.isArray(value) && value.length === count && value.every(Number.isFinite);

/** @returns {object} what is kept of a desk as it stands */
export function draftOf(desk, { answers, section, along, attention }) {
  return {
    form: FORM,
    entry: desk.entry,
    tip: desk.tip,
    is_proposed: desk.isProposed,
    was_proposed: desk.wasProposed,
    focus: desk.focus,
    across: desk.across,
    window: desk.window,
    diameter: desk.diameterMm,
    marks: desk.book.state,
    changes: desk.book.changes(MOST_CHANGES),
    middle: desk.middle,
    is_upright_seen: desk.isUprightSeen,
    shown: [...desk.shown],
    planes: [...desk.planes],
    looks: { section: section.look.toDocument(), along: along.look.toDocument() },
    cross: section.cross,
    answers: answers.toDraft(),
    seconds: attention.seconds,
  };
}

/** @returns {boolean} whether a document is a draft of this page's own form */
export const isDraft = (document) => document?.form === FORM;

/** Puts a draft back on a desk that nothing was done at; its pictures are asked for afterwards. */
export function takeDraft(draft, desk, { answers, section, along, attention }) {
  desk.book.take(draft.marks, draft.changes);
  // Before the vertebra's planes stood with the marks, the midplane stood by itself.
  const points = draft.midplane?.map((point) => (isPoint(point, 3) ? point : null));
  if (points?.some(Boolean)) desk.book.setPlane("midplane", points);
  desk.isUprightSeen = Boolean(draft.is_upright_seen);
  desk.wasProposed = Boolean(draft.was_proposed);
  if (isPoint(draft.middle, 2)) desk.middle = draft.middle;
  Object.assign(desk, { focus: draft.focus, across: draft.across });
  if (draft.diameter) desk.diameterMm = draft.diameter;
  desk.shown = new Set(draft.shown);
  desk.planes = new Set(draft.planes);
  section.look.take(draft.looks.section);
  along.look.take(draft.looks.along);
  if (isPoint(draft.cross, 2)) section.cross = draft.cross;
  answers.take(draft.answers);
  attention.add(draft.seconds);
  const [entry, tip] = [draft.entry, draft.tip].map((end) => (isPoint(end, 3) ? end : null));
  return { entry, tip };
}

/** @returns {string} what of a draft is there again: "8 marks on 1 section" */
export function draftWords(draft, desk) {
  const counts = [...desk.book.countByDepth().values()];
  const marks = counts.reduce((sum, count) => sum + count, 0);
  const parts = [];
  if (marks) {
    parts.push(`${marks} ${marks === 1 ? "mark" : "marks"} on ${counts.length} ` +
      `${counts.length === 1 ? "section" : "sections"}`);
  }
  if (draft.answers.note) parts.push("your note");
  return `As you left it${parts.length ? `: ${parts.join(", ")}` : ""}.`;
}
