// Planes of Hounsfield values, and how they become grey.

/** Stands for a point outside the scan. */
export const OUTSIDE_HU = -32768;

/** Darkest and brightest value of each preset; common practice, no source. */
export const WINDOWS = { bone: [-450, 1050], metal: [-1000, 6000], soft: [-135, 215] };

/** @returns {number} grey from 0 to 255 of a value */
export function grey(value, [low, high]) {
  if (value === OUTSIDE_HU) return 0;
  const share = (value - low) / Math.max(1, high - low);
  return Math.round(255 * Math.min(1, Math.max(0, share)));
}

/** Every value an int16 can have. */
const VALUES = 65_536;
let table = null;

/** @returns {Uint8ClampedArray} the grey of every value, the least first; kept until it changes */
function greys(window) {
  const name = window.join();
  if (table?.name === name) return table.greys;
  const greysOf = new Uint8ClampedArray(VALUES);
  for (let at = 0; at < VALUES; at += 1) greysOf[at] = grey(at + OUTSIDE_HU, window);
  table = { name, greys: greysOf };
  return greysOf;
}

const IS_LITTLE_ENDIAN = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

function turned(bytes) {
  const view = new DataView(bytes);
  return Int16Array.from({ length: bytes.byteLength / 2 }, (_, at) => view.getInt16(2 * at, true));
}

export class Picture {
  #drawn = new Map();

  /**
   * @param {object} layout planes, rows, columns, spacing_mm and what the kind adds
   * @param {ArrayBuffer} bytes int16, little-endian, plane by plane, row by row
   */
  constructor(layout, bytes) {
    this.layout = layout;
    this.values = IS_LITTLE_ENDIAN ? new Int16Array(bytes) : turned(bytes);
  }

  /** @returns {number} the value at a pixel */
  at(plane, row, column) {
    const { rows, columns } = this.layout;
    return this.values[(plane * rows + row) * columns + column];
  }

  get widthMm() {
    return this.layout.columns * this.layout.spacing_mm;
  }

  get heightMm() {
    return this.layout.rows * this.layout.spacing_mm;
  }

  /** @returns {HTMLCanvasElement} one plane in grey, a pixel a value; kept until the window changes */
  drawn(plane, window) {
    const name = window.join();
    const kept = this.#drawn.get(plane);
    if (kept && kept.name === name) return kept.canvas;
    const { rows, columns } = this.layout;
    const canvas = kept ? kept.canvas : document.createElement("canvas");
    canvas.width = columns;
    canvas.height = rows;
    const context = canvas.getContext("2d");
    const image = context.createImageData(columns, rows);
    const start = plane * rows * columns;
    const { data } = image;
    const greyOf = greys(window);
    for (let at = 0; at < rows * columns; at += 1) {
      const value = greyOf[this.values[start + at] - OUTSIDE_HU];
      data[4 * at] = value;
      data[4 * at + 1] = value;
      data[4 * at + 2] = value;
      data[4 * at + 3] = 255;
    }
    context.putImageData(image, 0, 0);
    this.#drawn.set(plane, { name, canvas });
    return canvas;
  }
}
