// Outlines and points: chosen in a list or on the map, drawn, corrected, named, and taken out.

import { byId, make, own } from "../../web/script/dom.js";
import { number, t, words } from "../../web/script/words.js";
import { bringIntoView, bringNear, centre, chart, clearHandles, crosshair, focusedHandle, handle, latLng, openChart, paint, showAll } from "./chart.js";
import { bearing, crosses, hectares, middle, reach, towards } from "./earth.js";
import { canUndo, change, faultsOf, load, look, named, newId, store, undo } from "./kept.js";
import { corners, polygon, ringOf, sketch, withRing } from "./outline.js";
import { say } from "./said.js";

const ACRES_PER_HA = 1 / 0.40468564224;

const state = { chosen: null, mode: "look", ring: [], typed: false, pressing: false, late: false };

export async function openEditor(editor) {
  await load(editor);
  openChart(byId("chart"));
  store.changed = (id, there) => {
    if (state.chosen && state.chosen.id === id) state.chosen.id = there;
    if (state.chosen && !store[state.chosen.layer].has(state.chosen.id)) choose(null);
    show();
  };
  store.told = (text) => { byId("told").textContent = text; byId("told").hidden = !text; };
  chart.pressed = put;
  chart.chosen = (layer, id) => {
    if (state.mode === "draw" || state.mode === "point" || state.mode === "move") return false;
    choose({ layer, id });
    return true;
  };
  chart.map.on("keydown", ({ originalEvent: event }) => {
    if (event.key === "Enter" && drawing()) { event.preventDefault(); put(centre()); }
    if (event.key === "Escape") leave();
  });
  document.addEventListener("pointerdown", () => { state.pressing = true; }, true);
  for (const end of ["pointerup", "pointercancel"]) document.addEventListener(end, letGo, true);
  byId("draw").addEventListener("click", () => begin("draw"));
  byId("point").addEventListener("click", () => begin("point"));
  byId("undo").addEventListener("click", () => { leave(); undo(); });
  byId("here").addEventListener("click", () => put(centre()));
  byId("back").addEventListener("click", () => { state.ring.pop(); show(); });
  byId("close-ring").addEventListener("click", finish);
  byId("leave").addEventListener("click", leave);
  byId("zoom-in").addEventListener("click", () => chart.map.zoomIn());
  byId("zoom-out").addEventListener("click", () => chart.map.zoomOut());
  byId("whole").addEventListener("click", showAll);
  byId("locate").addEventListener("click", locate);
  byId("go").addEventListener("submit", go);
  show();
  look();
}

function letGo() {
  state.pressing = false;
  if (state.late) setTimeout(show);
}

const drawing = () => ["draw", "point", "move"].includes(state.mode);

function begin(mode) {
  state.mode = mode;
  state.ring = [];
  if (mode !== "move") state.chosen = null;
  store.told("");
  say(t(`places.${mode}.how`));
  show();
  chart.map.getContainer().focus();
}

function leave() {
  state.mode = "look";
  state.ring = [];
  show();
}

function choose(chosen) {
  state.chosen = chosen;
  state.mode = "look";
  state.ring = [];
  show();
  if (chosen) bringIntoView(chart.shapes.get(`${chosen.layer} ${chosen.id}`));
}

// A place was pressed on the map, or stands under the crosshair and was taken.
function put(at) {
  if (state.mode === "draw") {
    state.ring.push(at);
    say(t("places.corners", { count: state.ring.length }));
    show();
  } else if (state.mode === "point") {
    const id = newId();
    const properties = { [store.names.samples.sample]: free("samples", t("places.sample.name")) };
    change("samples", id, { type: "Feature", properties, geometry: { type: "Point", coordinates: at } });
    choose({ layer: "samples", id });
    focusName();
  } else if (state.mode === "move") {
    keep({ ...chosen(), geometry: { type: "Point", coordinates: at } });
    leave();
  }
}

function finish() {
  if (state.ring.length < 3 || crosses(state.ring)) return;
  const id = newId();
  const properties = { [store.names.blocks.block]: free("blocks", t("places.block.name")) };
  change("blocks", id, { type: "Feature", properties, geometry: polygon(state.ring) });
  choose({ layer: "blocks", id });
  focusName();
}

// The first name of a kind that is not taken: Block 1, Block 2.
function free(layer, word) {
  const taken = new Set([...store[layer].values()].map((feature) => named(layer, feature)));
  let count = 1;
  while (taken.has(`${word} ${count}`) || taken.has(`${word}${count}`)) count += 1;
  return layer === "samples" ? `${word}${count}` : `${word} ${count}`;
}

const chosen = () => store[state.chosen.layer].get(state.chosen.id);

function keep(feature) {
  change(state.chosen.layer, state.chosen.id, feature);
}

function keepProperty(column, value) {
  const feature = chosen();
  keep({ ...feature, properties: { ...feature.properties, [column]: value } });
}

function focusName() {
  const input = byId("chosen").querySelector("input");
  input?.focus();
  input?.select();
}

// Everything on the page that follows from what there is and what is being done. While a button is held down, or keys move
// a handle, nothing is built anew: what was pressed would be gone before it is let go.
function show() {
  if (chart.moving) return;
  state.late = state.pressing;
  if (state.pressing) return;
  const held = focusedHandle();
  paint(state.chosen);
  clearHandles();
  if (state.mode === "draw") sketch(state.ring);
  if (state.mode === "correct") correct();
  if (state.mode === "turn") turn();
  crosshair(drawing());
  byId("undo").disabled = !canUndo();
  byId("tools-look").hidden = drawing();
  byId("tools-draw").hidden = !drawing();
  byId("back").hidden = byId("close-ring").hidden = state.mode !== "draw";
  byId("back").disabled = !state.ring.length;
  byId("close-ring").disabled = state.ring.length < 3 || crosses(state.ring);
  byId("how").textContent = state.ring.length > 3 && crosses(state.ring) ? t("places.crosses") : drawing() ? t(`places.${state.mode}.how`) : "";
  byId("go").hidden = store.blocks.size + store.samples.size > 0;
  list("blocks");
  list("samples");
  card();
  held?.();
}

function list(layer) {
  const focused = document.activeElement?.dataset?.id;
  const entries = [...store[layer]].sort(([, a], [, b]) => named(layer, a).localeCompare(named(layer, b), undefined, { numeric: true }));
  byId(`list-${layer}`).replaceChildren(...entries.map(([id, feature]) => make("li", {}, make("button", {
    type: "button", class: "pick-one", "data-id": `${layer} ${id}`, "aria-pressed": String(state.chosen?.layer === layer && state.chosen.id === id),
    onclick: () => choose({ layer, id }),
  }, own(named(layer, feature) || t("places.nameless")), make("small", faultsOf(layer, id).length ? { class: "fault" } : {}, faultsOf(layer, id).length ? t("places.faulty") : feature.geometry ? "" : t("places.nowhere"))))));
  byId(`count-${layer}`).textContent = number(entries.length);
  if (focused?.startsWith(`${layer} `)) byId(`list-${layer}`).querySelector(`[data-id="${CSS.escape(focused)}"]`)?.focus();
}

// What is chosen: its name, its facts, and what can be done with it.
function card() {
  const box = byId("chosen");
  if (!state.chosen) {
    box.replaceChildren(make("p", { class: "soft" }, t("places.choose")));
    delete box.dataset.of;
    return;
  }
  const feature = chosen();
  const { layer, id } = state.chosen;
  const of = JSON.stringify([layer, id, state.mode, feature.properties, feature.geometry, faultsOf(layer, id)]);
  if (box.dataset.of === of) return;
  const input = document.activeElement;
  const focused = box.contains(input) ? input.id : "";
  // What was typed stands there already, and the next field, which is about to get the focus, stays; half a word is not
  // taken away either.
  const same = box.dataset.chosen === `${layer} ${id}`;
  if (same && state.typed) box.dataset.of = of;
  if (same && (state.typed || (focused && (input.defaultValue ?? input.value) !== input.value))) return;
  box.dataset.of = of;
  box.dataset.chosen = `${layer} ${id}`;
  const wrong = faultsOf(layer, id).map((text) => own(text, "p", { class: "fault" }));
  box.replaceChildren(...wrong, ...(layer === "blocks" ? blockCard(feature) : sampleCard(feature)));
  if (focused) byId(focused)?.focus();
}

function field(id, text, value, column, attributes = {}) {
  const input = make("input", { id, value: value ?? "", autocomplete: "off", spellcheck: "false", dir: "auto", ...attributes });
  input.addEventListener("change", () => {
    const plain = input.value.trim();
    const figure = attributes.type === "number";
    if (figure ? !input.checkValidity() : !plain) {
      input.value = value ?? "";
      return;
    }
    input.defaultValue = input.value;
    state.typed = true;
    keepProperty(column, figure && plain ? Number(plain) : plain || null);
    state.typed = false;
  });
  return make("label", {}, text, input);
}

const tool = (id, text, onclick, attributes = {}) => make("button", { type: "button", class: "plain", id, onclick, ...attributes }, text);

function blockCard(feature) {
  const names = store.names.blocks;
  const { properties } = feature;
  const parts = [field("name", t("places.block"), named("blocks", feature), names.block)];
  if (!feature.geometry) return [...parts, make("p", { class: "soft" }, t("places.nowhere")), remover()];
  const ring = ringOf(feature);
  return [
    ...parts,
    make("p", { class: "soft" }, t(`places.facts.${words.units}`, { area: number(hectares(ring) * (words.units === "us" ? ACRES_PER_HA : 1), 2), corners: number(ring.length) })),
    field("bearing", t("places.bearing"), properties[names.row_bearing_deg], names.row_bearing_deg, { type: "number", min: 0, max: 360, step: "any" }),
    make("p", { class: "soft" }, t("places.bearing.how")),
    make("div", { class: "row" },
      tool("correct", t("places.correct"), () => toggle("correct"), { "aria-pressed": String(state.mode === "correct") }),
      tool("turn", t("places.turn"), () => toggle("turn"), { "aria-pressed": String(state.mode === "turn") }),
      remover()),
    state.mode === "look" ? "" : make("p", { class: "soft" }, t(`places.${state.mode}.how`)),
  ].filter(Boolean);
}

function sampleCard(feature) {
  const at = feature.geometry?.coordinates;
  return [
    field("name", t("places.sample"), named("samples", feature), store.names.samples.sample),
    make("p", { class: "soft" }, at ? `${at[1].toFixed(6)}, ${at[0].toFixed(6)}` : t("places.nowhere")),
    make("div", { class: "row" }, tool("move", t("places.move"), () => begin("move")), remover()),
  ];
}

const remover = () => tool("remove", t("places.remove"), () => {
  const { layer, id } = state.chosen;
  choose(null);
  change(layer, id, null);
  byId("undo").focus();
  say(t("places.removed"));
}, { class: "plain grave" });

function toggle(mode) {
  state.mode = state.mode === mode ? "look" : mode;
  if (state.mode === mode) {
    bringNear(chart.shapes.get(`blocks ${state.chosen.id}`));
    byId("chart").scrollIntoView({ block: "nearest" });
  }
  show();
}

function correct() {
  const { id } = state.chosen;
  corners(ringOf(chosen()), (ring, at) => {
    // Another may have been chosen, or this one taken out, since its corner was moved.
    const feature = store.blocks.get(id);
    if (!feature) return null;
    if (crosses(ring)) {
      store.told(t("places.crosses"));
      return show();
    }
    store.told("");
    change("blocks", id, withRing(feature, ring));
    return at === null ? null : focusHandle(at);
  });
}

function focusHandle(at) {
  chart.handles.getLayers().filter((one) => one.getElement?.()?.classList.contains("corner"))[at]?.getElement().focus();
}

// A line along the rows through the middle of the block, with a handle at its end.
function turn() {
  const feature = chosen();
  const column = store.names.blocks.row_bearing_deg;
  const ring = ringOf(feature);
  const from = middle(ring);
  const far = reach(ring) * 1.25;
  const stated = Number(feature.properties[column] ?? NaN);
  const degrees = Number.isFinite(stated) ? stated : 0;
  const ends = (angle) => [towards(from, angle + 180, far), towards(from, angle, far)];
  const line = L.polyline(ends(degrees).map(latLng), { color: "#7a1744", weight: 4, dashArray: Number.isFinite(stated) ? null : "4 8", interactive: false }).addTo(chart.handles);
  const knob = handle(ends(degrees)[1], {
    kind: "knob", label: t("places.knob"), removed: null,
    moved: (at) => line.setLatLngs(ends(bearing(from, at)).map(latLng)),
    dropped: (at) => { keepProperty(column, Math.round(bearing(from, at)) % 180); byKnob(); },
  });
  // Arrow keys turn by degrees, not by metres.
  knob.getElement().addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    keepProperty(column, (((degrees + step * (event.shiftKey ? 10 : 1)) % 180) + 180) % 180);
    byKnob();
  }, { capture: true });
}

function byKnob() {
  chart.handles.getLayers().find((one) => one.getElement?.()?.classList.contains("knob"))?.getElement().focus();
  say(t("places.turned", { degrees: number(chosen().properties[store.names.blocks.row_bearing_deg]) }));
}

function locate() {
  if (!navigator.geolocation) return store.told(t("places.not_located"));
  return navigator.geolocation.getCurrentPosition(
    ({ coords }) => { store.told(""); chart.map.setView([coords.latitude, coords.longitude], 18, { animate: false }); },
    () => store.told(t("places.not_located")), { enableHighAccuracy: true, timeout: 20000 });
}

// "49.2013, 8.1164" or the same with decimal commas and a semicolon: latitude, then longitude, as maps say it.
function go(event) {
  event.preventDefault();
  const parts = byId("go-text").value.trim().split(/\s*[;\s]\s*|,\s+/).map((part) => Number(part.replace(",", ".")));
  const [lat, lon] = parts;
  if (parts.length !== 2 || !(Math.abs(lat) <= 90) || !(Math.abs(lon) <= 180)) return store.told(t("places.no_place"));
  store.told("");
  return chart.map.setView([lat, lon], 18, { animate: false });
}
