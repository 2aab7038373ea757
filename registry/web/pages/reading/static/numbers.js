// What the marks come to, as a table, a grade and words.

const known = (text) => text.replace("_", " ");

/** @returns {string} what is said of the greatest extent: "medial 2.1 mm, uncertainty 0.4" */
export function inWords(measured) {
  const walls = ["medial", "lateral", "cranial", "caudal"];
  const parts = [...walls, "anterior", "body_lateral", "endplate"]
    .map((wall) => [wall, measured.extents[wall]])
    .filter(([wall, extent]) => extent && (extent.mm !== "0.0" || !walls.includes(wall)))
    .map(([wall, extent]) => `${known(wall)} ${extent.mm} mm, uncertainty ${extent.sd_mm}`);
  const isContained = !walls.some((wall) => (measured.extents[wall]?.mm ?? "0.0") !== "0.0");
  const measuredWalls = walls.filter((wall) => measured.extents[wall]);
  if (isContained && measuredWalls.length) parts.unshift("no wall breached where measured");
  if (measured.grade) parts.push(`grade ${measured.grade}`);
  if (measured.is_near_cut_off) parts.push("near a cut-off");
  return parts.join("; ");
}

function outcomeWords(measured) {
  const parts = [];
  if (measured.missing_walls.length) {
    parts.push(`no grade yet: ${measured.missing_walls.map(known).join(", ")} not measured`);
  }
  if (measured.is_near_cut_off) parts.push("near a cut-off");
  if (measured.narrowest_mm !== null) {
    parts.push(`narrowest at ${measured.narrowest_mm.toFixed(1)} mm`);
  }
  const count = measured.sections_marked;
  parts.push(`${count} ${count === 1 ? "section" : "sections"} marked`);
  parts.push(...measured.notes);
  if (measured.convergence_deg !== null) parts.push(`convergence ${measured.convergence_deg}°`);
  return parts.join("; ");
}

function fill(list, lines) {
  list.replaceChildren(
    ...lines.map((line) => {
      const item = document.createElement("li");
      item.textContent = line;
      return item;
    }),
  );
}

export class Numbers {
  constructor(box) {
    this.box = box;
    this.grade = box.querySelector("#grade");
    this.outcome = box.querySelector("#outcome-told");
    this.faults = box.querySelector("#measure-faults");
    this.hints = box.querySelector("#measure-hints");
  }

  /** Says whether the numbers of the marks as they are now have yet to come. */
  setBusy(isBusy) {
    this.box.setAttribute("aria-busy", String(isBusy));
  }

  get isBusy() {
    return this.box.getAttribute("aria-busy") === "true";
  }

  /** Shows what came back, or nothing where nothing is measured. */
  show(measured) {
    for (const row of this.box.querySelectorAll("[data-direction]")) {
      const extent = measured?.extents[row.dataset.direction];
      const [mm, sd, at] = row.querySelectorAll("td");
      mm.textContent = extent ? extent.mm : "not measured";
      mm.classList.toggle("empty", !extent);
      sd.textContent = extent ? `± ${extent.sd_mm}` : "";
      at.textContent = extent?.depth_mm == null ? "" : `${extent.depth_mm.toFixed(1)} mm`;
    }
    this.grade.textContent = measured?.grade ?? "–";
    this.grade.className = "grade";
    if (measured?.grade) this.grade.classList.add(`grade-${measured.grade_step}`);
    this.outcome.textContent = measured ? outcomeWords(measured) : "nothing is marked yet";
    fill(this.hints, measured?.unfinished ?? []);
    this.tell(measured?.faults ?? []);
    this.setBusy(false);
  }

  /** Says what is wrong with the marks. */
  tell(lines) {
    fill(this.faults, lines);
  }
}
