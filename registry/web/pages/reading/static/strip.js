// The strip of small sections from entry to tip: a list of which one is in focus.

const SIDE_PIXELS = 48;
const SHOWN_MM = 28;

export class Strip {
  /**
   * @param {HTMLElement} list with the role of a list box
   * @param {object} desk what is shown
   * @param {(index: number) => void} focus called with the section that is chosen
   */
  constructor(list, desk, focus) {
    this.list = list;
    this.desk = desk;
    this.focus = focus;
    this.items = [];
    list.addEventListener("keydown", (event) => this.#key(event));
    list.addEventListener("click", (event) => {
      const item = event.target.closest("[role=option]");
      if (item) this.focus(Number(item.dataset.index));
    });
    list.addEventListener("pointermove", (event) => this.#drag(event));
  }

  /** Makes the list anew for the sections of an axis. */
  fill() {
    this.items = this.desk.depths.map((depth, index) => {
      const item = document.createElement("li");
      item.setAttribute("role", "option");
      item.id = `section-${index}`;
      Object.assign(item.dataset, { index: String(index), depth: String(depth) });
      const picture = document.createElement("canvas");
      picture.width = picture.height = 2 * SIDE_PIXELS;
      const words = document.createElement("span");
      item.append(picture, words);
      return item;
    });
    this.list.replaceChildren(...this.items);
  }

  draw() {
    const { sections, window, focus, depths } = this.desk;
    if (!sections) return;
    const counts = this.desk.book.countByDepth();
    this.items.forEach((item, index) => {
      const isChosen = index === focus;
      if (isChosen && item.getAttribute("aria-selected") !== "true") this.#reveal(item);
      item.setAttribute("aria-selected", String(isChosen));
      this.#words(item, depths[index], counts.get(depths[index]) ?? 0);
      const name = window.join();
      if (item.dataset.window === name) return;
      item.dataset.window = name;
      this.#picture(item.firstChild, sections, index, window);
    });
    this.list.setAttribute("aria-activedescendant", `section-${focus}`);
  }

  #picture(canvas, sections, index, window) {
    const { spacing_mm: spacing, columns } = sections.layout;
    const shown = SHOWN_MM / spacing;
    const from = (columns - shown) / 2;
    const context = canvas.getContext("2d");
    context.drawImage(
      sections.drawn(index, window),
      from,
      from,
      shown,
      shown,
      0,
      0,
      canvas.width,
      canvas.height,
    );
  }

  #words(item, depth, count) {
    const isSeen = this.desk.shown.has(depth);
    const marked = count ? `, ${count} ${count === 1 ? "mark" : "marks"}` : "";
    const text = `${Number.isInteger(depth) ? depth : depth.toFixed(1)}${count ? " •" : ""}`;
    const name = `${depth.toFixed(1)} mm${marked}${isSeen ? "" : ", not looked at yet"}`;
    if (item.lastChild.textContent !== text) item.lastChild.textContent = text;
    if (item.getAttribute("aria-label") !== name) item.setAttribute("aria-label", name);
    item.classList.toggle("unseen", !isSeen);
  }

  #reveal(item) {
    // Only the strip itself moves, never the page under the reader's hand.
    const [start, end] = [item.offsetLeft, item.offsetLeft + item.offsetWidth];
    const { scrollLeft, clientWidth } = this.list;
    if (start < scrollLeft) this.list.scrollLeft = start;
    else if (end > scrollLeft + clientWidth) this.list.scrollLeft = end - clientWidth;
  }

  // Drawn along with the button held; a click or a key comes to the same. A finger scrolls.
  #drag(event) {
    if (!(event.buttons & 1) || event.pointerType === "touch") return;
    const item = event.target.closest("[role=option]");
    if (item) this.focus(Number(item.dataset.index));
  }

  #key(event) {
    const steps = {
      ArrowLeft: -1,
      ArrowUp: -1,
      ArrowRight: 1,
      ArrowDown: 1,
      PageUp: -5,
      PageDown: 5,
      Home: -1000,
      End: 1000,
    };
    const step = steps[event.key];
    if (!step || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    this.focus(this.desk.focus + step);
  }
}
