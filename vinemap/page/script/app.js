// Start: first the map and the list of blocks, in one picture; then all that lies out of sight.

import { byId } from "../../web/script/dom.js";
import { label, t, words } from "../../web/script/words.js";
import { about } from "./about.js";
import { controls, needed, openLayers, readable, repaint, wire } from "./controls.js";
import { blocks, data, samples, spring } from "./data.js";
import { paintTerrain, paintMarks, paintSurface } from "./drawing.js";
import { boxOfAll } from "./geometry.js";
import { legend } from "./legend.js";
import { openDetail, overview } from "./list.js";
import { container, fit, limitZoom, map, narrow } from "./map.js";
import { addPainter, painters, startPainting } from "./painter.js";
import { foldWords } from "./panel.js";
import { listen } from "./pointer.js";
import { readout } from "./readout.js";
import { showSample } from "./sample.js";
import { watchPrint } from "./sheet.js";
import { state } from "./state.js";
import { openWork, tabs, work } from "./work.js";

// All words again, after the language or the units have changed.
function speak() {
  speakFirst();
  speakRest();
  if (!byId("detail").hidden && state.block !== null) openDetail(blocks[state.block]);
  if (state.sample !== null) showSample(samples[state.sample]);
  repaint();
}

function speakFirst() {
  document.documentElement.lang = words.language;
  container.setAttribute("aria-label", t("map.label"));
  label();
  controls();
  overview();
  tabs();
  legend();
  foldWords();
  scale();
  readout(null);
}

function speakRest() {
  about();
  work();
}

// Leaflet's scale bar; metres, kilometres and miles have one mark in every language, feet have not.
const Ruler = L.Control.Scale.extend({
  _updateScale(bar, text, share) {
    const feet = /^(\d+) ft$/.exec(text);
    L.Control.Scale.prototype._updateScale.call(this, bar, feet ? t("unit.ft", { value: feet[1] }) : text, share);
  },
});

let ruler = null;

function scale() {
  ruler?.remove();
  ruler = new Ruler({ metric: words.units === "metric", imperial: words.units === "us", position: "bottomright", maxWidth: 120 }).addTo(map);
}

async function start() {
  words.texts = data.texts;
  words.spring = Boolean(spring);
  words.changed = speak;
  words.language = data.texts[data.settings.language] ? data.settings.language : "en";
  words.units = data.settings.units;
  container.tabIndex = 0;
  container.setAttribute("role", "application");
  const unpacked = needed();
  openLayers(!narrow() && window.innerWidth >= 1500);
  map.setView([0, 0], 2, { animate: false });
  speakFirst();
  fit(boxOfAll(blocks));
  limitZoom();
  addPainter("terrain", paintTerrain, 210);
  addPainter("surface", paintSurface, 220);
  addPainter("marks", paintMarks, 400);
  wire();
  listen();
  watchPrint();
  await unpacked;
  startPainting();
  repaint();
  await picture();
  performance.mark("vinemap-drawn");
  document.documentElement.dataset.drawn = "yes";
  await pause();
  speakRest();
  openWork();
  await readable();
  legend();
  painters.marks.repaint();
  document.documentElement.dataset.ready = "yes";
}

const picture = () => new Promise(requestAnimationFrame);

// Until the frame that is being made is on the screen.
const pause = () => new Promise((done) => { setTimeout(done); });

start();
