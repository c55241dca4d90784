// Start: the outlines at once, the colours as soon as they are unpacked.

import { byId } from "../../web/script/dom.js";
import { label, t, words } from "../../web/script/words.js";
import { about } from "./about.js";
import { controls, needed, openLayers, repaint, wire } from "./controls.js";
import { blocks, data, samples, spring } from "./data.js";
import { paintTerrain, paintMarks, paintSurface } from "./drawing.js";
import { boxOfAll } from "./geometry.js";
import { legend } from "./legend.js";
import { openDetail, overview } from "./list.js";
import { container, fit, limitZoom, map, narrow } from "./map.js";
import { addPainter, painters } from "./painter.js";
import { foldWords } from "./panel.js";
import { listen } from "./pointer.js";
import { readout } from "./readout.js";
import { showSample } from "./sample.js";
import { sheet, watchPrint } from "./sheet.js";
import { state } from "./state.js";
import { openWork, work } from "./work.js";

// All words again, after the language or the units have changed.
function speak() {
  document.documentElement.lang = words.language;
  label();
  controls();
  overview();
  about();
  work();
  sheet();
  legend();
  foldWords();
  scale();
  readout(null);
  if (!byId("detail").hidden && state.block !== null) openDetail(blocks[state.block]);
  if (state.sample !== null) showSample(samples[state.sample]);
  container.setAttribute("aria-label", t("map.label"));
  repaint();
}

let ruler = null;

function scale() {
  ruler?.remove();
  ruler = L.control.scale({ metric: words.units === "metric", imperial: words.units === "us", position: "bottomright", maxWidth: 120 }).addTo(map);
}

async function start() {
  words.texts = data.texts;
  words.spring = Boolean(spring);
  words.changed = speak;
  words.language = data.texts[data.settings.language] ? data.settings.language : "en";
  words.units = data.settings.units;
  container.tabIndex = 0;
  container.setAttribute("role", "application");
  openLayers(!narrow() && window.innerWidth >= 1500);
  label();
  controls();
  map.setView([0, 0], 2, { animate: false });
  fit(boxOfAll(blocks));
  addPainter("terrain", paintTerrain, 210);
  addPainter("surface", paintSurface, 220);
  addPainter("marks", paintMarks, 400);
  wire();
  listen();
  watchPrint();
  speak();
  fit(boxOfAll(blocks));
  openWork();
  limitZoom();
  const { readable } = await needed();
  repaint();
  requestAnimationFrame(() => {
    performance.mark("vinemap-drawn");
    document.documentElement.dataset.drawn = "yes";
  });
  await readable;
  legend();
  painters.marks.repaint();
  document.documentElement.dataset.ready = "yes";
}

start();
