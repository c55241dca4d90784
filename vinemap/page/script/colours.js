// Colour maps, and the colours of what to do.

import { data } from "./data.js";

export const INK = token("--ink");
export const CHOSEN = token("--wine");
export const REACH = token("--reach");
const ramps = Object.fromEntries(Object.entries(data.ramps).map(([name, ramp]) => [name, ramp.stops.map(rgb)]));

// A colour or typeface of the page's style, for what is painted.
export function token(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

export function rgb(hex) {
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

export function actionColour(code) {
  return data.action_colours[code] ?? "#b9b4a6";
}
