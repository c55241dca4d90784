// What lies under the finger, the mouse or the aim of the keyboard.

function look(lon, lat) {
  const [x, y] = toWorld(lon, lat);
  const block = blocks.find((one) => holds(one, x, y)) ?? null;
  const zone = zones.find((one) => holds(one, x, y)) ?? null;
  const figure = (name) => (surface.has(name) ? surface.at(name, lon, lat) : null);
  const { tissue } = state;
  return {
    block,
    zone,
    injury: figure(`${tissue}_injury`),
    low: figure(`${tissue}_low`),
    high: figure(`${tissue}_high`),
    chance: figure("prob_over_threshold"),
    change: figure("change"),
    few: figure("too_few") === 1,
    elevation: ground?.at("elevation_m", lon, lat) ?? null,
    height: ground?.at("height_above_low_m", lon, lat) ?? null,
  };
}

function readout(found, pinned = false) {
  const box = byId("readout");
  box.replaceChildren();
  box.classList.toggle("pinned", pinned);
  if (!found || (!found.block && found.height === null)) {
    box.append(make("p", { class: "hint" }, t(found ? "readout.outside" : "readout.hint")));
    return;
  }
  const { block } = found;
  if (block) {
    box.append(make("p", { class: "where" }, own(block.block, "b"), block.variety ? [" · ", own(block.variety)] : ""));
    box.append(figures(found));
    const action = found.zone?.action ?? block.action;
    if (action) box.append(make("p", { class: "act" }, swatch(actionColour(action)), actionName(action)));
  } else box.append(make("p", { class: "where" }, t("readout.outside")));
  if (found.height !== null) box.append(line("readout.height", metres(found.height), "height", found.height));
  else if (found.elevation !== null) box.append(line("readout.elevation", metres(found.elevation), "elevation", found.elevation));
  if (block && pinned) {
    box.append(make("button", { type: "button", class: "go", onclick: () => choose(block, { open: true }) }, t("readout.open")));
  }
}

function figures(found) {
  const box = make("div", { class: "figures" });
  if (found.injury === null) return make("p", {}, t("readout.nothing"));
  box.append(make("p", { class: "big", "data-of": "injury" }, percent(100 * found.injury)));
  box.append(make("p", { class: "of" }, t(`tissue.${state.tissue}.dead`), make("br"),
    make("span", { "data-of": "bounds" }, t("readout.bounds", { low: number(100 * found.low), high: percent(100 * found.high) }))));
  if (found.chance !== null && state.tissue === "primary") {
    box.append(make("p", { class: "line", "data-of": "chance" }, t("readout.chance", { threshold: percent(threshold) }), " ", make("b", {}, percent(100 * found.chance))));
  }
  if (found.change !== null && state.layer === "change") {
    box.append(make("p", { class: "line", "data-of": "change" }, t("readout.change"), " ", make("b", {}, signed(100 * found.change))));
  }
  if (found.few) box.append(make("p", { class: "line few" }, t("legend.few")));
  return box;
}

function line(key, text, of, value) {
  return make("p", { class: "line", "data-of": of, "data-value": value.toFixed(2) }, t(key), " ", make("b", {}, text));
}

// One sentence for a screen reader.
function spoken(found) {
  if (!found?.block) return t("readout.outside");
  const what = found.injury === null ? t("readout.nothing")
    : `${percent(100 * found.injury)} ${t(`tissue.${state.tissue}.dead`)}, ${t("readout.bounds", { low: number(100 * found.low), high: percent(100 * found.high) })}`;
  return `${found.block.block}: ${what}`;
}

function say(text) {
  byId("said").textContent = text;
}

function notice(text) {
  byId("notice-text").textContent = text;
  byId("notice").hidden = !text;
}

// How near a tap must come to a sample, in pixels: a thumb's width where samples stand far apart on the screen, no more
// than the circle as drawn where they crowd, so that the ground between them can be read at any zoom.
const THUMB = 22;
const RIM = 2; // white line around a circle

function reachOf(sample, zoom) {
  const gap = samples.reduce((least, other) =>
    (other === sample ? least : Math.min(least, Math.hypot(sample.at[0] - other.at[0], sample.at[1] - other.at[1]))), Infinity);
  return Math.max(sampleSize(sample, zoom) + RIM, Math.min(THUMB, (gap * 2 ** zoom) / 3));
}

// The nearest sample whose reach holds a point of the map.
function sampleAt(point) {
  if (!state.samples) return null;
  let best = null;
  let least = THUMB;
  const zoom = map.getZoom();
  const scale = 2 ** zoom;
  const origin = map.getPixelOrigin().add(map.containerPointToLayerPoint([0, 0]));
  for (const sample of samples) {
    const far = Math.hypot(sample.at[0] * scale - origin.x - point.x, sample.at[1] * scale - origin.y - point.y);
    if (far < least && far <= reachOf(sample, zoom)) [best, least] = [sample, far];
  }
  return best;
}

function listen() {
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

function narrow() {
  return matchMedia("screen and (max-width: 799px)").matches;
}

// A phone on its side.
function shallow() {
  return matchMedia("screen and (min-width: 800px) and (max-height: 560px)").matches;
}
