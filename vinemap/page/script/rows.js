// Which vine stands at a place, where the vine rows of its block are known.

import { data } from "./data.js";
import { world } from "./geometry.js";

const rows = new Map(); // by block, each unpacked when it is first read

function rowsIn(block) {
  if (!rows.has(block)) {
    const { block: blocks, row, vines, line } = data.rows;
    rows.set(block, row.flatMap((number, k) => (blocks[k] === block ? [{ row: number, vines: vines[k], line: world(line[k]) }] : [])));
  }
  return rows.get(block);
}

// Row and vine nearest to a place of the map's plane; null in blocks whose rows are not known.
export function vineAt(block, x, y) {
  let best = null;
  for (const { row, vines, line } of rowsIn(block.row)) {
    const near = along(line, x, y);
    if (!best || near.away < best.away) best = { away: near.away, row, vine: Math.round(near.share * (vines - 1)) + 1 };
  }
  return best;
}

// How far a place is from a line, and what share of the line lies before the place on it that is nearest.
function along(line, x, y) {
  let [away, before, length] = [Infinity, 0, 0];
  for (let k = 2; k < line.length; k += 2) {
    const [x0, y0, dx, dy] = [line[k - 2], line[k - 1], line[k] - line[k - 2], line[k + 1] - line[k - 1]];
    const size = Math.hypot(dx, dy);
    const part = size ? Math.min(1, Math.max(0, ((x - x0) * dx + (y - y0) * dy) / (size * size))) : 0;
    const here = Math.hypot(x - x0 - part * dx, y - y0 - part * dy);
    if (here < away) [away, before] = [here, length + part * size];
    length += size;
  }
  return { away, share: length ? before / length : 0 };
}
