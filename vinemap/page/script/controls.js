// Layer choice, tissue, opacity, language, units, zoom, place, online basemap.

import { ICONS, byId, icon, make } from "../../web/script/dom.js";
import { percent, t, words } from "../../web/script/words.js";
import { blocks, canes, data, loggers, placed, protection, threshold, zones } from "./data.js";
import { here } from "./drawing.js";
import { boxOfAll, toWorld } from "./geometry.js";
import { LAYERS, TISSUES, offered, surface, terrain } from "./layers.js";
import { legend } from "./legend.js";
import { closeDetail, ranks } from "./list.js";
import { fit, map, narrow, NEAREST } from "./map.js";
import { painters } from "./painter.js";
import { unfold } from "./panel.js";
import { look, notice, readout, say, spoken } from "./readout.js";
import { popup } from "./sample.js";
import { gridName, state } from "./state.js";

export function controls() {
  layerChoice();
  tissueChoice();
  overlayChoice();
  picks("languages", Object.keys(data.texts), words.language, (code) => data.texts[code]["language.short"], (code) => { words.language = code; words.changed(); }, (code) => data.texts[code]["language.name"]);
  picks("units", ["metric", "us"], words.units, (code) => t(`units.${code}.short`), (code) => { words.units = code; words.changed(); }, (code) => t(`units.${code}`));
  byId("opacity").value = state.opacity;
  byId("opacity-said").textContent = percent(state.opacity);
}

function layerChoice() {
  byId("layer-choice").replaceChildren(...Object.keys(LAYERS).filter(offered).map((layer) => {
    const off = LAYERS[layer].primaryOnly && state.tissue !== "primary";
    const input = make("input", { type: "radio", name: "layer", value: layer, checked: layer === state.layer, disabled: off });
    input.addEventListener("change", () => show({ layer }));
    return make("label", { class: off ? "choice off" : "choice" }, input, make("span", {}, t(`layer.${layer}`, { threshold: percent(threshold) })));
  }));
}

function tissueChoice() {
  byId("tissue-set").hidden = TISSUES.length < 2;
  picks("tissues", TISSUES, state.tissue, (tissue) => t(`tissue.${tissue}`), (tissue) => show({ tissue }));
}

function overlayChoice() {
  const offers = { samples: placed.length, names: blocks.length, zones: zones.length, canes: canes.length, contours: terrain, few: surface.has("too_few"), protection: protection.length, loggers: loggers.length, online: data.online };
  byId("overlay-choice").replaceChildren(...Object.entries(offers).filter(([, any]) => any).map(([name]) => {
    const input = make("input", { type: "checkbox", value: name, checked: state[name] });
    input.addEventListener("change", () => show({ [name]: input.checked }));
    return make("label", { class: "choice" }, input, make("span", {}, t(`overlay.${name}`)));
  }));
}

function picks(id, codes, chosen, text, act, name = null) {
  byId(id).replaceChildren(...codes.map((code) => make("button", {
    type: "button", "aria-pressed": String(code === chosen), value: code, title: name && name(code), lang: id === "languages" ? code : null,
    onclick: () => { act(code); byId(id).querySelector(`[value="${code}"]`)?.focus(); },
  }, text(code))));
}

// Change what is shown and bring every part of the page into line.
async function show(change) {
  Object.assign(state, change);
  if (state.tissue !== "primary" && LAYERS[state.layer].primaryOnly) state.layer = "injury";
  if ("online" in change) online(state.online);
  controls();
  await needed();
  legend();
  repaint();
  await readable();
}

// Unpack what the shown layer is painted from.
export function needed() {
  const name = gridName();
  return unpacked([name && surface.load(name), terrain?.load("shade"), surface.load("too_few")]);
}

// Unpack all that can be read on the map.
export function readable() {
  const wanted = ["injury", "low", "high"].map((part) => `${state.tissue}_${part}`).concat("prob_over_threshold", "change", "earlier_injury", "night_c", "night_low_c", "night_high_c");
  return unpacked([...wanted.map((one) => surface.load(one)), terrain?.load(terrain.statistic.layer), terrain?.load("elevation_m")]);
}

// A browser too old to unpack goes without.
async function unpacked(loads) {
  try {
    await Promise.all(loads);
  } catch (problem) {
    if (typeof DecompressionStream !== "undefined") throw problem;
  }
}

export function repaint() {
  painters.surface.repaint();
  painters.marks.repaint();
  painters.terrain.repaint();
  painters.surface._container.style.opacity = state.layer === "none" ? 0 : state.opacity / 100;
}

let tiles = null;

function online(on) {
  if (on && !tiles) tiles = L.tileLayer(data.online.url, { maxNativeZoom: data.online.zoom, maxZoom: NEAREST, pane: "tilePane" });
  if (on) tiles.addTo(map);
  else tiles?.remove();
  byId("credit").textContent = on ? data.online.attribution : "";
  byId("credit").hidden = !on;
}

function locate() {
  const refused = (key) => { notice(t(key)); byId("locate").hidden = true; };
  if (!("geolocation" in navigator) || !window.isSecureContext) return refused("locate.refused");
  notice(t("locate.waiting"));
  return navigator.geolocation.getCurrentPosition(({ coords }) => {
    notice("");
    here.at = toWorld(coords.longitude, coords.latitude);
    here.radius = (coords.accuracy / 40075016.7 / Math.cos((coords.latitude * Math.PI) / 180)) * 256;
    map.setView([coords.latitude, coords.longitude], Math.max(map.getZoom(), 17));
    const found = look(coords.longitude, coords.latitude);
    readout(found, true);
    say(spoken(found));
    painters.marks.repaint();
  }, (problem) => {
    if (problem.code === problem.PERMISSION_DENIED) refused("locate.refused");
    else notice(t("locate.failed"));
  }, { enableHighAccuracy: true, timeout: 20000 });
}

export function openLayers(open) {
  byId("layers").hidden = !open;
  byId("open-layers").setAttribute("aria-expanded", String(open));
}

// Escape closes one thing at a time: what lies over the map first, and an open block before a list that stands beside it.
function escape() {
  const open = !byId("layers").hidden;
  const over = open && (narrow() || byId("layers").contains(document.activeElement) || document.activeElement === byId("open-layers"));
  if (popup.isOpen()) map.closePopup();
  else if (!byId("notice").hidden) notice("");
  else if (open && (over || byId("detail").hidden)) {
    openLayers(false);
    byId("open-layers").focus();
  } else if (!byId("detail").hidden) closeDetail();
}

export function wire() {
  for (const [id, name] of [["zoom-in", "plus"], ["zoom-out", "minus"], ["whole", "whole"], ["locate", "locate"], ["open-layers", "layers"], ["close-layers", "close"], ["close-notice", "close"]]) byId(id).append(icon(ICONS[name]));
  byId("zoom-in").addEventListener("click", () => map.zoomIn());
  byId("zoom-out").addEventListener("click", () => map.zoomOut());
  byId("whole").addEventListener("click", () => fit(boxOfAll(blocks)));
  byId("locate").addEventListener("click", locate);
  byId("open-layers").addEventListener("click", () => openLayers(byId("layers").hidden));
  byId("close-layers").addEventListener("click", () => { openLayers(false); byId("open-layers").focus(); });
  byId("close-notice").addEventListener("click", () => notice(""));
  byId("fold").addEventListener("click", () => unfold(!byId("panel").classList.contains("open")));
  byId("print").addEventListener("click", () => window.print());
  byId("find").addEventListener("input", ranks);
  byId("opacity").addEventListener("input", (event) => {
    state.opacity = Number(event.target.value);
    byId("opacity-said").textContent = percent(state.opacity);
    painters.surface._container.style.opacity = state.opacity / 100;
  });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") escape(); });
  map.on("popupopen", () => byId("stage").classList.add("reading-sample"));
  map.on("popupclose", () => {
    byId("stage").classList.remove("reading-sample");
    state.sample = null;
    painters.marks.repaint();
  });
}
