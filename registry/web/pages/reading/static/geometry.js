// Millimetres to places on a canvas (CSS pixels) and back. Nothing here touches the page.

export const add = (a, b, times = 1) => a.map((value, at) => value + times * b[at]);
export const minus = (a, b) => a.map((value, at) => value - b[at]);
export const dot = (a, b) => a.reduce((sum, value, at) => sum + value * b[at], 0);
export const distance = (a, b) => Math.hypot(...minus(a, b));
/** Rounded to a step; nothing is ever minus nought. */
export const rounded = (value, step = 0.001) =>
  Number((Math.round(value / step) * step).toFixed(3)) || 0;
export const roundedAll = (values, step = 0.001) => values.map((value) => rounded(value, step));

/** A section: (u medial to the right, v cranial upwards), `middle` in the canvas's middle. */
export class SectionPlace {
  constructor(width, height, pictureMm, zoom, middle = [0, 0]) {
    this.scale = (Math.min(width, height) / pictureMm) * zoom;
    this.centre = [width / 2 - middle[0] * this.scale, height / 2 + middle[1] * this.scale];
  }

  toPixels([u, v]) {
    return [this.centre[0] + u * this.scale, this.centre[1] - v * this.scale];
  }

  toMm([x, y]) {
    return [(x - this.centre[0]) / this.scale, (this.centre[1] - y) / this.scale];
  }
}

/** A picture along the axis: (depth to the right, across upwards), moved by `by` from its middle. */
export class AlongPlace {
  constructor(width, height, layout, zoom = 1, by = [0, 0]) {
    const [widthMm, heightMm] = [layout.columns, layout.rows].map((n) => n * layout.spacing_mm);
    this.scale = Math.min(width / widthMm, height / heightMm) * zoom;
    this.left = width / 2 - (widthMm / 2 + by[0]) * this.scale;
    this.middle = height / 2 + by[1] * this.scale;
    this.start = layout.start_mm;
  }

  toPixels([depth, across]) {
    return [this.left + (depth - this.start) * this.scale, this.middle - across * this.scale];
  }

  toMm([x, y]) {
    return [(x - this.left) / this.scale + this.start, (this.middle - y) / this.scale];
  }
}

/** A whole picture fitted into a canvas: (millimetres to the right, downwards) of the first pixel. */
export class SheetPlace {
  constructor(width, height, layout) {
    const [widthMm, heightMm] = [layout.columns, layout.rows].map((n) => n * layout.spacing_mm);
    this.scale = Math.min(width / widthMm, height / heightMm);
    this.half = layout.spacing_mm / 2;
    this.left = (width - widthMm * this.scale) / 2;
    this.top = (height - heightMm * this.scale) / 2;
  }

  toPixels([right, down]) {
    return [
      this.left + (right + this.half) * this.scale,
      this.top + (down + this.half) * this.scale,
    ];
  }

  toMm([x, y]) {
    return [
      (x - this.left) / this.scale - this.half,
      (y - this.top) / this.scale - this.half,
    ];
  }
}
