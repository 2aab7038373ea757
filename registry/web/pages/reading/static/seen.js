// What has really been on screen: drawn, at least half in view, the page in front.

const IN_VIEW_SHARE = 0.5;

export class Seen {
  #visible = new Set();

  /**
   * @param {HTMLElement} section the picture of the section in focus
   * @param {HTMLElement} along the picture along the axis
   * @param {HTMLElement} upright the picture of the midplane
   * @param {() => void} changed called when one of them comes into view
   * @param {AbortSignal} signal ends it
   */
  constructor(section, along, upright, changed, signal) {
    this.section = section;
    this.along = along;
    this.upright = upright;
    const observer = new IntersectionObserver(
      (entries) => {
        for (const { target, isIntersecting } of entries) {
          if (isIntersecting) this.#visible.add(target);
          else this.#visible.delete(target);
        }
        changed();
      },
      { threshold: IN_VIEW_SHARE },
    );
    observer.observe(section);
    observer.observe(along);
    observer.observe(upright);
    signal.addEventListener("abort", () => observer.disconnect());
  }

  /** Notes the section in focus and the plane along the axis; call it once they are drawn. */
  note(desk) {
    if (document.visibilityState !== "visible") return;
    if (this.#visible.has(this.section)) desk.shown.add(desk.depths[desk.focus]);
    if (this.#visible.has(this.along) && desk.along) {
      desk.planes.add(desk.along.picture.layout.across);
    }
    if (this.#visible.has(this.upright) && desk.upright && desk.book.hasPlane("endplate")) {
      desk.isUprightSeen = true;
    }
  }
}
