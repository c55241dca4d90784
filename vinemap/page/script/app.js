// Start: the outlines at once, the colours as soon as they are unpacked.

const container = document.querySelector(".folium-map");
const map = window[container.id];
const painters = {};
let readable = null;

// How much of the map's edges lies under the page's own boxes.
function covered(whole = narrow() || shallow()) {
  return {
    top: shallow() ? byId("readout").getBoundingClientRect().height : 0,
    right: narrow() ? 44 : byId("layers").hidden ? 56 : 370,
    bottom: Math.min(byId("low").getBoundingClientRect().height, map.getSize().y / 2.2) * (whole ? 1 : 0.4),
  };
}

function fit([x0, y0, x1, y1], room = 1) {
  const [west, north] = toLonLat(x0, y0);
  const [east, south] = toLonLat(x1, y1);
  const pad = Math.round((shallow() ? 12 : 24) + (1 - room) * 200);
  const { top, right, bottom } = covered(narrow() || shallow() || room < 1);
  map.fitBounds([[south, west], [north, east]], { animate: false, maxZoom: 19, paddingTopLeft: [pad, pad + top], paddingBottomRight: [pad + right, pad + bottom] });
}

// All words again, after the language or the units have changed.
function speak() {
  document.documentElement.lang = words.language;
  label();
  controls();
  overview();
  about();
  sheet();
  legend();
  foldWords();
  scale();
  readout(null);
  if (!byId("detail").hidden && state.block !== null) detail(blocks[state.block]);
  if (state.sample !== null) showSample(samples[state.sample]);
  container.setAttribute("aria-label", t("map.label"));
  repaint();
}

let ruler = null;
function scale() {
  ruler?.remove();
  ruler = L.control.scale({ metric: words.units === "metric", imperial: words.units === "us", position: "bottomright", maxWidth: 120 }).addTo(map);
}

function painter(name, paint, z) {
  map.createPane(name).style.zIndex = z;
  map.getPane(name).classList.add("painted");
  painters[name] = new Painter(paint, { pane: name }).addTo(map);
}

async function start() {
  words.language = data.texts[data.settings.language] ? data.settings.language : "en";
  words.units = data.settings.units;
  container.tabIndex = 0;
  container.setAttribute("role", "application");
  openLayers(!narrow() && window.innerWidth >= 1500);
  label();
  controls();
  map.setView([0, 0], 2, { animate: false });
  fit(boxOfAll(blocks));
  painter("ground", paintGround, 210);
  painter("surface", paintSurface, 220);
  painter("marks", paintMarks, 400);
  wire();
  listen();
  watchPrint();
  speak();
  fit(boxOfAll(blocks));
  await needed();
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
