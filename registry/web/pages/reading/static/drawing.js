// Lines and words on a picture. Every stroke is drawn twice, dark and wide, then light and thin:
// what lies beneath may be any grey.

const DARK = "rgba(0, 0, 0, 0.85)";

/** Light halves of the strokes; what they mean is also told by their pattern or by a word. */
export const LIGHT = {
  plain: "#ffffff",
  cortex: "#ffd166",
  screw: "#9bd8ff",
  extent: "#ffb4a2",
};

/** Sets a canvas to the screen's own pixels. @returns {[number, number]} its size in CSS pixels */
export function fitted(canvas) {
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  const ratio = window.devicePixelRatio || 1;
  const [wide, high] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== wide || canvas.height !== high) {
    canvas.width = wide;
    canvas.height = high;
  }
  const context = canvas.getContext("2d");
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, width, height);
  context.fillStyle = "#000";
  context.fillRect(0, 0, width, height);
  return [width, height];
}

/** Draws one plane of a picture with its corners at two places of the canvas. */
export function drawPicture(context, plane, from, to) {
  context.imageSmoothingEnabled = true;
  context.imageSmoothingQuality = "high";
  context.drawImage(plane, from[0], from[1], to[0] - from[0], to[1] - from[1]);
}

/** Draws a path in two tones. `pattern` is a dash pattern, empty for an unbroken line. */
export function stroke(context, points, { light = LIGHT.plain, width = 1.5, pattern = [] } = {}) {
  if (points.length < 2) return;
  context.save();
  context.beginPath();
  points.forEach(([x, y], at) => (at ? context.lineTo(x, y) : context.moveTo(x, y)));
  context.lineJoin = "round";
  context.setLineDash(pattern);
  for (const [colour, wide] of [
    [DARK, width + 2],
    [light, width],
  ]) {
    context.strokeStyle = colour;
    context.lineWidth = wide;
    context.stroke();
  }
  context.restore();
}

/** Draws a circle in two tones. */
export function circle(context, centre, radius, options = {}) {
  const steps = 96;
  const points = Array.from({ length: steps + 1 }, (_, at) => {
    const angle = (2 * Math.PI * at) / steps;
    return [centre[0] + radius * Math.cos(angle), centre[1] + radius * Math.sin(angle)];
  });
  stroke(context, points, options);
}

/** Draws a handle: a ring; the chosen one is larger, the one picked up is filled. */
export function handle(context, centre, { light, isActive = false, isHeld = false }) {
  circle(context, centre, isActive ? 6.5 : 3.5, { light, width: isActive ? 2.5 : 2 });
  if (!isHeld) return;
  context.fillStyle = light;
  context.beginPath();
  context.arc(centre[0], centre[1], 4, 0, 2 * Math.PI);
  context.fill();
}

/** Draws a cross with an open middle. */
export function cross(context, [x, y], size = 9) {
  const gap = 3;
  for (const [dx, dy] of [
    [1, 0],
    [-1, 0],
    [0, 1],
    [0, -1],
  ]) {
    stroke(context, [
      [x + dx * gap, y + dy * gap],
      [x + dx * size, y + dy * size],
    ]);
  }
}

/** Writes a word in two tones. */
export function word(context, text, [x, y], { align = "left", baseline = "top", light } = {}) {
  context.save();
  context.font = "600 13px system-ui, sans-serif";
  context.textAlign = align;
  context.textBaseline = baseline;
  context.lineJoin = "round";
  context.lineWidth = 3.5;
  context.strokeStyle = DARK;
  context.strokeText(text, x, y);
  context.fillStyle = light ?? LIGHT.plain;
  context.fillText(text, x, y);
  context.restore();
}

/** Writes a word at the middle of each edge. */
export function edgeWords(context, width, height, { top, bottom, left, right }) {
  word(context, top, [width / 2, 5], { align: "center" });
  word(context, bottom, [width / 2, height - 5], { align: "center", baseline: "bottom" });
  word(context, left, [6, height / 2], { baseline: "middle" });
  word(context, right, [width - 6, height / 2], { align: "right", baseline: "middle" });
}

/** Draws a bar of a length in millimetres at the lower left. */
export function scaleBar(context, height, scale, lengthMm) {
  const [left, bottom, end] = [10, height - 12, 10 + lengthMm * scale];
  const path = [
    [left, bottom - 4],
    [left, bottom],
    [end, bottom],
    [end, bottom - 4],
  ];
  stroke(context, path, { width: 2 });
  word(context, `${lengthMm} mm`, [left, bottom - 6], { baseline: "bottom" });
}

/** @returns {[number, number]} where a pointer is, in CSS pixels of the canvas */
export function pointerPlace(canvas, event) {
  const box = canvas.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
}
