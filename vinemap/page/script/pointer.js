// What the mouse, a finger or the keys point at.

import { byId } from "../../web/script/dom.js";
import { sampleSize } from "./circles.js";
import { placed } from "./data.js";
import { choose } from "./list.js";
import { map, narrow } from "./map.js";
import { look, notice, readout, say, spoken } from "./readout.js";
import { showSample } from "./sample.js";
import { state } from "./state.js";

// How near a tap must come to a sample, in pixels: a thumb's width where samples stand far apart on the screen, no more
// than the circle as drawn where they crowd, so that the map between them can be read at any zoom.
const THUMB = 22;

const RIM = 2; // white line around a circle

function tapRadius(sample, zoom) {
  const gap = placed.reduce((least, other) =>
    (other === sample ? least : Math.min(least, Math.hypot(sample.at[0] - other.at[0], sample.at[1] - other.at[1]))), Infinity);
  return Math.max(sampleSize(sample, zoom) + RIM, Math.min(THUMB, (gap * 2 ** zoom) / 3));
}

// The nearest sample whose tap radius holds a point of the map.
function sampleAt(point) {
  if (!state.samples) return null;
  let best = null;
  let least = THUMB;
  const zoom = map.getZoom();
  const scale = 2 ** zoom;
  const origin = map.getPixelOrigin().add(map.containerPointToLayerPoint([0, 0]));
  for (const sample of placed) {
    const far = Math.hypot(sample.at[0] * scale - origin.x - point.x, sample.at[1] * scale - origin.y - point.y);
    if (far < least && far <= tapRadius(sample, zoom)) [best, least] = [sample, far];
  }
  return best;
}

export function listen() {
  let waiting = null;
  let pinned = false;
  map.on("mousemove", (event) => {
    if (event.originalEvent.pointerType === "touch" || pinned === "touch") return;
    const idle = waiting === null;
    waiting = event.latlng;
    if (idle) {
      requestAnimationFrame(() => {
        if (waiting) readout(look(waiting.lng, waiting.lat));
        waiting = null;
      });
    }
  });
  map.on("click", (event) => {
    const touch = event.originalEvent.pointerType === "touch" || matchMedia("(pointer: coarse)").matches;
    pinned = touch ? "touch" : null;
    waiting = null;
    notice("");
    const sample = sampleAt(event.containerPoint);
    if (sample) {
      showSample(sample);
      return;
    }
    const found = look(event.latlng.lng, event.latlng.lat);
    readout(found, true);
    choose(found.block, { open: !narrow(), zoom: false });
  });
  const area = map.getContainer();
  let keys = false; // the cross is for those who move the map by keys
  document.addEventListener("keydown", () => { keys = true; }, true);
  document.addEventListener("pointerdown", () => { keys = false; }, true);
  const aim = () => {
    const focused = keys && document.activeElement === area;
    byId("aim").classList.toggle("on", focused);
    if (!focused) return;
    const { lng, lat } = map.getCenter();
    const found = look(lng, lat);
    readout(found, true);
    say(spoken(found));
  };
  map.on("moveend", aim);
  area.addEventListener("focus", aim);
  area.addEventListener("blur", aim);
  area.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target !== area) return;
    const { lng, lat } = map.getCenter();
    choose(look(lng, lat).block, { open: true, zoom: false });
  });
}
