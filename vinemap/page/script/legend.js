// One legend, for the layer that is shown.

import { byId, draw, make } from "../../web/script/dom.js";
import { actionName, celsius, day, metres, number, percent, signed, t, words } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { sampleSize } from "./circles.js";
import { CHOSEN, INK, REACH, actionColour, colour, css } from "./colours.js";
import { contours } from "./contours.js";
import { blocks, canes, data, loggers, placed, protection, threshold, zones } from "./data.js";
import { CHANGE_SPAN, LAYERS, nightAt, surface } from "./layers.js";
import { state } from "./state.js";
import { byZone } from "./tasks.js";

export function legend() {
  const box = byId("legend");
  box.replaceChildren();
  const kind = LAYERS[state.layer];
  const title = make("h2", {}, layerTitle(state.layer));
  if (kind.ramp) box.append(title, ...scaleBar(state.layer, kind.ramp));
  else if (state.layer === "action") box.append(title, actionKey());
  const more = make("div", { class: "more" });
  if (kind.grid && !kind.ofGround && state.few && surface.has("too_few")) more.append(make("span", { class: "key" }, fewSwatch(), t("legend.few")));
  const lines = state.contours ? contours() : null;
  if (lines) more.append(make("span", { class: "key" }, lineSwatch(), t("legend.contours", { step: metres(lines.step.metres, words.units === "us" ? 1 : 0) })));
  if (state.protection && protection.length) more.append(make("span", { class: "key" }, reachSwatch(), t("legend.protection")));
  if (state.loggers && loggers.length) more.append(make("span", { class: "key" }, loggerSwatch(), t(state.layer === "night" ? "legend.loggers" : "legend.logger")));
  if (state.samples && placed.length) more.append(sampleKey());
  if (state.canes && canes.length) more.append(make("span", { class: "key" }, caneSwatch(), t("legend.canes")));
  if (zones.length && (state.zones || state.layer === "action" || blocks.some(byZone))) more.append(zoneKey());
  if (more.childNodes.length) box.append(more);
  box.hidden = !box.childNodes.length;
}

function layerTitle(layer) {
  const key = layer === "earlier" && data.report.after.length === 1 ? "earlier.one" : layer;
  return t(`legend.${key}`, { freezes: freezes(), tissue: t(`tissue.${state.tissue}.of`), threshold: percent(threshold) });
}

// An earlier freeze goes by its date; one without goes by its run's folder.
function freezes() {
  const names = (data.report.after ?? []).map((name) => (/^\d{4}-\d\d-\d\d$/.test(name) ? day(name) : name));
  return new Intl.ListFormat(words.language).format(names);
}

function scaleBar(layer, ramp) {
  const [width, height] = [256, 18];
  const steps = 64;
  const bar = draw("svg", { viewBox: `-18 0 ${width + 36} 44`, class: "scale", role: "img", "aria-label": `${layerTitle(layer)}: ${ends(layer).join(" – ")}` });
  for (let k = 0; k < steps; k += 1) {
    bar.append(draw("rect", { x: (k * width) / steps, y: 2, width: width / steps + 0.5, height, fill: css(colour(ramp, (k + 0.5) / steps)) }));
  }
  bar.append(draw("rect", { x: 0, y: 2, width, height, fill: "none", stroke: INK, "stroke-width": 1 }));
  for (const [share, text] of ticks(layer)) {
    const x = share * width;
    bar.append(draw("path", { d: `M${x} 2v${height + 5}`, stroke: INK, "stroke-width": 1 }));
    bar.append(draw("text", { x, y: 40, "text-anchor": anchor(layer, share) }, text));
  }
  const [from, to] = ends(layer);
  return [bar, make("p", { class: "ends" }, make("span", {}, from), make("span", {}, to))];
}

// Degrees are longer than percent: those at the ends stay within the scale.
function anchor(layer, share) {
  return layer !== "night" || share === 0.5 ? "middle" : share ? "end" : "start";
}

function ticks(layer) {
  if (layer === "night") return [0, 0.5, 1].map((share) => [share, celsius(nightAt(share))]);
  if (layer === "change") {
    const most = 100 * CHANGE_SPAN;
    return [-most, -most / 2, 0, most / 2, most].map((points) => [0.5 + points / (2 * most), signed(points)]);
  }
  return [0, 25, 50, 75, 100].map((pct) => [pct / 100, percent(pct)]);
}

function ends(layer) {
  const key = ["change", "probability", "night"].includes(layer) ? layer : "injury";
  return [t(`ends.${key}.from`), t(`ends.${key}.to`)];
}

function actionKey() {
  const present = Object.keys(data.action_colours).filter((code) => (zones.length ? zones : blocks).some((piece) => piece.action === code));
  return make("ul", { class: "actions" }, present.map((code) => make("li", {}, swatch(actionColour(code)), actionName(code))));
}

function fewSwatch() {
  const box = swatch("#ffffff");
  box.append(draw("path", { d: "M1 9L9 1M1 15.5L15.5 1M8 15.5L21 2.5M15 15.5L21 9.5", stroke: INK, "stroke-width": 1.3 }));
  return box;
}

function loggerSwatch() {
  return draw("svg", { viewBox: "0 0 20 20", width: 20, height: 20, "aria-hidden": "true" },
    draw("path", { d: "M10 2L18 10L10 18L2 10Z", fill: "#ffffff", stroke: INK, "stroke-width": 1.5 }));
}

function lineSwatch() {
  return draw("svg", { viewBox: "0 0 22 16", width: 22, height: 16, "aria-hidden": "true" },
    draw("path", { d: "M1 5Q11 0 21 6M1 13Q11 8 21 14", fill: "none", stroke: INK, "stroke-opacity": 0.5 }));
}

// On paper alone: zones that differ have their numbers on the printed map, and the list of blocks has them too.
function zoneKey() {
  const border = draw("svg", { viewBox: "0 0 22 16", width: 22, height: 16, "aria-hidden": "true" }, draw("path", { d: "M1 8H21", stroke: INK, "stroke-width": 1.6, "stroke-dasharray": "7 4" }));
  return make("span", { class: "key paper" }, border, t("legend.zones"));
}

function caneSwatch() {
  return draw("svg", { viewBox: "0 0 22 16", width: 22, height: 16, "aria-hidden": "true" },
    draw("path", { d: "M5 8H17M11 2V14", fill: "none", stroke: CHOSEN, "stroke-width": 2.4 }));
}

function reachSwatch() {
  return draw("svg", { viewBox: "0 0 22 16", width: 22, height: 16, "aria-hidden": "true" },
    draw("path", { d: "M1 8H21", fill: "none", stroke: REACH, "stroke-width": 2.5, "stroke-dasharray": "2 3" }));
}

function sampleKey() {
  const most = Math.max(...placed.map((sample) => sample.nodes ?? 0));
  const few = Math.max(1, Math.round(most / 4));
  const circle = (nodes, x) => draw("circle", { cx: x, cy: 13, r: sampleSize({ nodes }, 16.5), fill: "#ffffff", stroke: INK, "stroke-width": 1.3 });
  const key = draw("svg", { viewBox: "0 0 52 26", width: 52, height: 26, "aria-hidden": "true" }, circle(few, 10), circle(most, 36));
  return make("span", { class: "key" }, key, t("legend.samples", { few: number(few), most: number(most) }));
}
