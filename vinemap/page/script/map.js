// The map itself, and how much of it can be seen.

import { byId } from "../../web/script/dom.js";
import { toLonLat } from "./geometry.js";

export const container = document.querySelector(".folium-map");
export const map = window[container.id];

export const NEAREST = 22;
const FARTHER = 4;

// Near until vines stand fingers apart on the screen; far until the vineyard, which has just been fitted, is a spot.
export function limitZoom() {
  map.setMaxZoom(NEAREST);
  map.setMinZoom(Math.max(0, map.getZoom() - FARTHER));
}

export function narrow() {
  return matchMedia("screen and (max-width: 799px)").matches;
}

// A phone on its side.
function shallow() {
  return matchMedia("screen and (min-width: 800px) and (max-height: 560px)").matches;
}

// How much of the map's edges lies under the page's own boxes.
export function covered(whole = narrow() || shallow()) {
  return {
    top: shallow() ? byId("readout").getBoundingClientRect().height : 0,
    right: narrow() ? 44 : byId("layers").hidden ? 56 : 370,
    bottom: Math.min(byId("low").getBoundingClientRect().height, map.getSize().y / 2.2) * (whole ? 1 : 0.4),
  };
}

export function fit([x0, y0, x1, y1], room = 1) {
  const [west, north] = toLonLat(x0, y0);
  const [east, south] = toLonLat(x1, y1);
  const pad = Math.round((shallow() ? 12 : 24) + (1 - room) * 200);
  const { top, right, bottom } = covered(narrow() || shallow() || room < 1);
  map.fitBounds([[south, west], [north, east]], { animate: false, maxZoom: 19, paddingTopLeft: [pad, pad + top], paddingBottomRight: [pad + right, pad + bottom] });
}
