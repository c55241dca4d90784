// Colour maps, and the colours of what to do.

import { data } from "./data.js";

export const INK = "#24261f";
export const CHOSEN = "#7a1744";
const ramps = Object.fromEntries(Object.entries(data.ramps).map(([name, ramp]) => [name, ramp.stops.map(rgb)]));

function rgb(hex) {
  return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
}

export function colour(ramp, share) {
  const stops = ramps[ramp];
  const x = Math.min(1, Math.max(0, share)) * (stops.length - 1);
  const k = Math.min(stops.length - 2, Math.floor(x));
  return stops[k].map((from, c) => Math.round(from + (stops[k + 1][c] - from) * (x - k)));
}

export function css([r, g, b], alpha = 1) {
  return `rgba(${r},${g},${b},${alpha})`;
}

// Work, from the lightest to the heaviest; lightness falls with weight, so grey prints keep the order.
export const ACTION_COLOURS = {
  no_data: "#fbfaf5",
  as_usual: "#dfe7c9",
  keep_more: "#e8c26a",
  look_again: "#8fb0bf",
  prune_long_wait: "#cf7b34",
  check_wood: "#9c4136",
  retrain: "#6a3560",
  replant_candidate: "#2e1d33",
};

export function actionColour(code) {
  return ACTION_COLOURS[code] ?? "#b9b4a6";
}
