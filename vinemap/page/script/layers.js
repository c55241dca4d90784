// What the map can show, and the grids that it is read from.

import { data } from "./data.js";
import { Grid } from "./grid.js";

export const surface = new Grid(data.surface);
export const terrain = data.terrain ? new Grid(data.terrain) : null;
export const TISSUES = ["primary", "secondary", "no_live_bud", "frozen"].filter((tissue) => surface.has(`${tissue}_injury`));

// Each layer: its grid, colour map, and how a grid value becomes a share of the colour map.
export const LAYERS = {
  action: { ramp: null },
  injury: { ramp: "injury", grid: (tissue) => `${tissue}_injury` },
  low: { ramp: "injury", grid: (tissue) => `${tissue}_low` },
  high: { ramp: "injury", grid: (tissue) => `${tissue}_high` },
  probability: { ramp: "probability", grid: () => "prob_over_threshold", primaryOnly: true },
  change: { ramp: "change", grid: () => "change", primaryOnly: true },
  earlier: { ramp: "injury", grid: () => "earlier_injury", primaryOnly: true, ofGround: true },
  night: { ramp: "probability", grid: () => "night_c", ofGround: true },
  none: { ramp: null },
};
export const CHANGE_SPAN = 0.6; // the change layer's colours end at plus and minus this much

// The night's colours end at its mildest and its coldest ground.
const [coldest, mildest] = data.night?.span ?? [0, 1];

export function shareOf(layer, value) {
  if (layer === "night") return (mildest - value) / (mildest - coldest);
  return layer === "change" ? 0.5 + value / (2 * CHANGE_SPAN) : value;
}

export const nightAt = (share) => mildest - share * (mildest - coldest);

// From the least to the greatest value that a layer's codes may stand for.
export function spanOf(layer) {
  if (layer === "night") return mildest - coldest;
  return layer === "change" ? 2 : 1;
}

export function offered(layer) {
  const kind = LAYERS[layer];
  return !kind.grid || TISSUES.some((tissue) => surface.has(kind.grid(tissue)));
}
