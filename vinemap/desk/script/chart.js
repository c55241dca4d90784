// The map that is drawn on: blank paper with a scale, outlines, points, and the handles of what is being changed.

import { byId } from "../../web/script/dom.js";
import { faultsOf, named, store } from "./kept.js";

const LEAF = "#2c5a36";
const WINE = "#7a1744";
const GREY = "#55584c";
const NEAREST = 22;
const PAUSE_MS = 400;
const START = [[-60, -180], [70, 180]];

export const chart = { moving: false, map: null, shapes: new Map(), handles: null, pressed: () => {}, chosen: () => {} };

export function openChart(box) {
  const map = L.map(box, { zoomControl: false, attributionControl: false, maxZoom: NEAREST, zoomSnap: 0.25, doubleClickZoom: false });
  chart.map = map;
  L.control.scale({ imperial: true }).addTo(map);
  chart.drawn = L.featureGroup().addTo(map);
  chart.handles = L.featureGroup().addTo(map);
  map.on("click", ({ latlng }) => chart.pressed([latlng.lng, latlng.lat]));
  showAll();
}

export function showAll() {
  paint(null);
  if (chart.drawn.getLayers().length) chart.map.fitBounds(chart.drawn.getBounds(), { padding: [40, 40], maxZoom: 18, animate: false });
  else chart.map.fitBounds(START, { animate: false });
}

export const centre = () => {
  const { lng, lat } = chart.map.getCenter();
  return [lng, lat];
};

export const latLng = ([lon, lat]) => [lat, lon];
const latLngs = (rings) => rings.map((ring) => ring.map(latLng));

// Draw everything anew; the one that is chosen stands out.
export function paint(chosen) {
  chart.drawn.clearLayers();
  chart.shapes.clear();
  for (const [id, feature] of store.blocks) if (feature.geometry) outline(id, feature, chosen);
  for (const [id, feature] of store.samples) if (feature.geometry) point(id, feature, chosen);
}

function outline(id, feature, chosen) {
  const { type, coordinates } = feature.geometry;
  const rings = type === "MultiPolygon" ? coordinates.map(latLngs) : latLngs(coordinates);
  const on = chosen?.layer === "blocks" && chosen.id === id;
  const faulty = faultsOf("blocks", id).length > 0;
  const shape = L.polygon(rings, { color: on || faulty ? WINE : LEAF, weight: on ? 4 : 2, dashArray: faulty ? "3 7" : null, fillOpacity: on ? 0.16 : 0.1 });
  add("blocks", id, shape, named("blocks", feature));
}

function point(id, feature, chosen) {
  const on = chosen?.layer === "samples" && chosen.id === id;
  const faulty = faultsOf("samples", id).length > 0;
  const rim = faulty ? { color: WINE, weight: 4, fillColor: "#fff" } : { color: "#fff", weight: 2, fillColor: on ? WINE : GREY };
  const shape = L.circleMarker(latLng(feature.geometry.coordinates), { radius: on ? 10 : 7, fillOpacity: 1, ...rim });
  add("samples", id, shape, named("samples", feature));
}

function add(layer, id, shape, name) {
  shape.on("click", (event) => {
    if (!chart.chosen(layer, id)) return;
    L.DomEvent.stopPropagation(event);
  });
  const label = document.createElement("bdi");
  label.dir = "auto";
  label.textContent = name;
  if (name) shape.bindTooltip(label, { permanent: layer === "blocks", direction: layer === "blocks" ? "center" : "top", className: "label", interactive: false });
  shape.addTo(chart.drawn);
  chart.shapes.set(`${layer} ${id}`, shape);
}

// A handle that is dragged, or moved by arrow keys: one metre a key, ten with the shift key. `dropped` gets where it is, and
// whether it is still in hand.
export function handle(at, { label, kind, moved, dropped, removed, tapped }) {
  const size = kind === "between" ? 22 : 30;
  const icon = L.divIcon({ className: `handle ${kind}`, iconSize: [size, size] });
  const marker = L.marker(latLng(at), { icon, draggable: true, keyboard: true, title: label, alt: label, autoPan: true });
  const place = () => { const { lng, lat } = marker.getLatLng(); return [lng, lat]; };
  marker.on("drag", () => moved?.(place()));
  const drop = (held) => {
    chart.moving = false;
    clearTimeout(marker.pause);
    dropped(place(), held);
  };
  marker.on("dragend", () => drop(true));
  if (tapped) marker.on("click", () => tapped(place()));
  marker.addTo(chart.handles);
  const element = marker.getElement();
  element.setAttribute("role", "button");
  element.setAttribute("aria-label", label);
  // Once the next one has the focus, so that it can keep it.
  element.addEventListener("blur", () => setTimeout(() => { if (chart.moving) drop(false); }));
  element.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (step) {
      event.preventDefault();
      event.stopPropagation();
      const { lng, lat } = marker.getLatLng();
      const metres = event.shiftKey ? 10 : 1;
      marker.setLatLng([lat + (step[1] * metres) / 111320, lng + (step[0] * metres) / (111320 * Math.cos((lat * Math.PI) / 180))]);
      moved?.(place());
      chart.moving = true;
      clearTimeout(marker.pause);
      marker.pause = setTimeout(drop, PAUSE_MS, true);
    }
    if (removed && (event.key === "Delete" || event.key === "Backspace")) {
      event.preventDefault();
      removed();
    }
  });
  return marker;
}

export function clearHandles() {
  chart.handles.clearLayers();
}

// Whoever moves handles by keys has the same one under the fingers once all are built anew.
export function focusedHandle() {
  const elements = () => chart.handles.getLayers().map((one) => one.getElement?.());
  const at = elements().indexOf(document.activeElement);
  return at < 0 ? null : () => elements()[at]?.focus();
}

export function bringIntoView(shape) {
  if (!shape) return;
  const bounds = shape.getBounds ? shape.getBounds() : L.latLngBounds([shape.getLatLng()]);
  if (!chart.map.getBounds().contains(bounds)) chart.map.fitBounds(bounds, { padding: [60, 60], maxZoom: Math.max(18, chart.map.getZoom()), animate: false });
}

// Large enough for fingers on its corners.
export function bringNear(shape) {
  chart.map.fitBounds(shape.getBounds(), { padding: [60, 60], maxZoom: 20, animate: false });
}

export function crosshair(on) {
  byId("aim").hidden = !on;
}
