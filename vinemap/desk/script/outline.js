// Drawing an outline, and correcting one: corners are dragged, put between, and taken out.

import { t } from "../../web/script/words.js";
import { chart, clearHandles, handle, latLng } from "./chart.js";
import { crosses } from "./earth.js";

// The outer ring of an outline, of its first part where it has several, without the closing corner.
export function ringOf(feature) {
  const { type, coordinates } = feature.geometry;
  return (type === "MultiPolygon" ? coordinates[0] : coordinates)[0].slice(0, -1);
}

const closed = (ring) => [...ring, ring[0]];

// The same outline with another outer ring; holes and other parts stay.
export function withRing(feature, ring) {
  const { type, coordinates } = feature.geometry;
  const [first, ...others] = type === "MultiPolygon" ? coordinates : [coordinates];
  const part = [closed(ring), ...first.slice(1)];
  return { ...feature, geometry: { type, coordinates: type === "MultiPolygon" ? [part, ...others] : part } };
}

export const polygon = (ring) => ({ type: "Polygon", coordinates: [closed(ring)] });

// Show the line of what is being drawn; a side that crosses another is shown as wrong.
export function sketch(ring) {
  clearHandles();
  if (!ring.length) return;
  L.polyline(ring.map(latLng), { color: crosses(ring) && ring.length > 3 ? "#7a1744" : "#2c5a36", weight: 3, dashArray: "6 6", interactive: false }).addTo(chart.handles);
  for (const corner of ring) L.circleMarker(latLng(corner), { radius: 6, color: "#2c5a36", fillColor: "#fffdf7", fillOpacity: 1, interactive: false }).addTo(chart.handles);
}

// Put handles on the corners of a ring and between them; `done` gets each new ring, and the corner that is in hand.
export function corners(ring, done) {
  clearHandles();
  const line = L.polygon(ring.map(latLng), { color: "#7a1744", weight: 3, fill: false, interactive: false }).addTo(chart.handles);
  const shown = (changed) => line.setLatLngs(changed.map(latLng));
  ring.forEach((corner, k) => {
    const moved = (at) => ring.map((other, m) => (m === k ? at : other));
    const removed = ring.length > 3 ? () => done(ring.filter((_, m) => m !== k), Math.max(0, k - 1)) : null;
    handle(corner, {
      kind: "corner", label: t("places.corner", { number: k + 1 }), removed, tapped: null,
      moved: (at) => shown(moved(at)), dropped: (at, held) => done(moved(at), held ? k : null),
    });
    const next = ring[(k + 1) % ring.length];
    const between = [0, 1].map((axis) => (corner[axis] + next[axis]) / 2);
    const split = (at) => [...ring.slice(0, k + 1), at, ...ring.slice(k + 1)];
    handle(between, {
      kind: "between", label: t("places.between", { one: k + 1, other: ((k + 1) % ring.length) + 1 }), removed: null,
      tapped: (at) => done(split(at), k + 1), moved: (at) => shown(split(at)), dropped: (at, held) => done(split(at), held ? k + 1 : null),
    });
  });
}
