// Lines of equal height, found once in the drawn raster's cells (marching squares) and stroked at every repaint.

import { FEET_PER_M, words } from "../../web/script/words.js";
import { INK, css, rgb } from "./colours.js";
import { terrain } from "./layers.js";

const contourLines = {};

// A round step that gives about a dozen lines over the terrain's range, in the reader's own unit.
function contourStep() {
  const unit = words.units === "us" ? 1 / FEET_PER_M : 1;
  const heights = terrain.warped("elevation_m").filter((code) => code === code);
  const [low, high] = heights.reduce(([least, most], code) => [Math.min(least, code), Math.max(most, code)], [Infinity, -Infinity]);
  const span = ((high - low) * terrain.layers.elevation_m.step) / unit;
  const round = [1, 2, 5, 10, 20, 50, 100, 200].find((step) => span / step <= 14) ?? 500;
  return { unit, round, metres: round * unit };
}

export function contours() {
  if (!terrain?.codes.elevation_m) return null;
  contourLines[words.units] ??= tracedLevels(contourStep());
  return contourLines[words.units];
}

function tracedLevels(step) {
  const codes = terrain.warped("elevation_m");
  const { width, height, box: [x0, y0, x1, y1] } = terrain.pixels();
  const { step: size, offset } = terrain.layers.elevation_m;
  const across = (x1 - x0) / width;
  const down = (y1 - y0) / height;
  const level = (k) => (offset + size * codes[k]) / step.metres;
  const ends = [];
  const rim = Math.round(0.03 * Math.min(width, height)); // where the terrain fades out
  for (let row = rim; row + 1 < height - rim; row += 1) {
    for (let col = rim; col + 1 < width - rim; col += 1) {
      const k = row * width + col;
      const corners = [level(k), level(k + 1), level(k + width + 1), level(k + width)];
      const last = Math.floor(Math.max(...corners));
      for (let line = Math.ceil(Math.min(...corners)); line <= last; line += 1) {
        for (const [x, y] of crossings(corners, line)) ends.push(x0 + (col + 0.5 + x) * across, y0 + (row + 0.5 + y) * down);
      }
    }
  }
  return { ends: Float64Array.from(ends), step };
}

const SIDES = [[[0, 0], [1, 0]], [[1, 0], [1, 1]], [[1, 1], [0, 1]], [[0, 1], [0, 0]]];

// Where a level cuts the four sides of a cell: none, two, or two pairs of points.
function crossings(corners, line) {
  const points = [];
  for (let side = 0; side < 4; side += 1) {
    const from = corners[side];
    const to = corners[(side + 1) % 4];
    if (from < line === to < line) continue;
    const share = (line - from) / (to - from);
    const [[ax, ay], [bx, by]] = SIDES[side];
    points.push([ax + (bx - ax) * share, ay + (by - ay) * share]);
  }
  return points;
}

export function paintContours(view) {
  const found = contours();
  if (!found) return;
  const { context, scale } = view;
  const { ends } = found;
  const dx = view.x(0);
  const dy = view.y(0);
  context.beginPath();
  for (let k = 0; k < ends.length; k += 4) {
    const x = ends[k] * scale + dx;
    const y = ends[k + 1] * scale + dy;
    if (x < -9 || y < -9 || x > view.width + 9 || y > view.height + 9) continue;
    context.moveTo(x, y);
    context.lineTo(ends[k + 2] * scale + dx, ends[k + 3] * scale + dy);
  }
  context.lineWidth = 1;
  context.strokeStyle = css(rgb(INK), 0.34);
  context.stroke();
}
