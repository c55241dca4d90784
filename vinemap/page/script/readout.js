// What lies under the finger, the mouse or the aim of the keyboard.

import { byId, isolated, make, own } from "../../web/script/dom.js";
import { actionName, celsius, measured, metres, number, percent, signed, t } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { blocks, threshold, zones } from "./data.js";
import { cut, probability } from "./evidence.js";
import { holds, toWorld } from "./geometry.js";
import { surface, terrain } from "./layers.js";
import { choose } from "./list.js";
import { vineAt } from "./rows.js";
import { state } from "./state.js";
import { swatches, task } from "./tasks.js";

export function look(lon, lat) {
  const [x, y] = toWorld(lon, lat);
  const block = blocks.find((one) => holds(one, x, y)) ?? null;
  const zone = zones.find((one) => holds(one, x, y)) ?? null;
  const value = (name) => (surface.has(name) ? surface.at(name, lon, lat) : null);
  const { tissue } = state;
  return {
    block,
    zone,
    injury: value(`${tissue}_injury`),
    low: value(`${tissue}_low`),
    high: value(`${tissue}_high`),
    probability: value("prob_over_threshold"),
    change: value("change"),
    earlier: value("earlier_injury"),
    night: ["", "_low", "_high"].map((end) => value(`night${end}_c`)),
    few: value("too_few") === 1,
    vine: block && vineAt(block, x, y),
    ground: terrain?.at(terrain.statistic.layer, lon, lat) ?? null,
  };
}

export function readout(found, pinned = false) {
  const box = byId("readout");
  box.replaceChildren();
  box.classList.toggle("pinned", pinned);
  if (!found || (!found.block && found.ground === null)) {
    box.append(make("p", { class: "hint" }, t(found ? "readout.outside" : "readout.hint")));
    return;
  }
  const { block } = found;
  if (block) {
    box.append(make("p", { class: "where" }, own(block.block, "b"), block.variety ? [" · ", own(block.variety)] : ""));
    if (found.vine) box.append(make("p", { class: "line", "data-of": "vine" }, vineWords(found)));
    box.append(injuryRead(found));
    if (found.zone) box.append(make("p", { class: "act one-line" }, swatch(actionColour(found.zone.action)), make("span", {}, t("by_zone.zone", { zone: number(found.zone.zone), task: task(found.zone, block) }))));
    else if (block.action) box.append(make("p", { class: "act" }, swatches(block), actionName(block.action)));
    const told = [["readout.zone", found.zone], ["readout.block", block]].map(([key, item]) => rests(key, item)).filter(Boolean);
    if (told.length) box.append(make("p", { class: "rests", "data-of": "cut" }, told.join(" ")));
  } else box.append(make("p", { class: "where" }, t("readout.outside")));
  if (block && found.earlier !== null && state.tissue === "primary") box.append(make("p", { class: "line", "data-of": "earlier" }, t("readout.earlier"), " ", make("b", {}, percent(100 * found.earlier))));
  if (block && found.night[0] !== null) box.append(nightRead(found.night));
  if (found.ground !== null) box.append(groundRead(found.ground));
  if (block && pinned) {
    box.append(make("button", { type: "button", class: "go", onclick: () => choose(block, { open: true }) }, t("readout.open")));
  }
}

const vineWords = ({ vine: { row, vine } }) => t("readout.vine", { row: number(row), vine: number(vine) });

function injuryRead(found) {
  const box = make("div", { class: "figures" });
  if (found.injury === null) return make("p", {}, t("readout.nothing"));
  box.append(make("p", { class: "big", "data-of": "injury" }, percent(100 * found.injury)));
  box.append(make("p", { class: "of" }, t(`tissue.${state.tissue}.dead`), make("br"),
    make("span", { "data-of": "interval" }, t("readout.interval", { low: number(100 * found.low), high: percent(100 * found.high) }))));
  if (found.probability !== null && state.tissue === "primary") {
    box.append(make("p", { class: "line", "data-of": "probability" }, t("readout.probability", { threshold: percent(threshold) }), " ", make("b", {}, probability(100 * found.probability, found.zone ?? found.block))));
  }
  if (found.change !== null && state.layer === "change") {
    box.append(make("p", { class: "line", "data-of": "change" }, t("readout.change"), " ", make("b", {}, signed(100 * found.change))));
  }
  if (found.few) box.append(make("p", { class: "line few" }, t("legend.few")));
  return box;
}

function rests(key, item) {
  const told = item ? cut(item) : "";
  return told && t(key, { cut: told });
}

function nightRead([middle, low, high]) {
  return make("p", { class: "line", "data-of": "night" }, t("readout.night"), " ", make("b", {}, celsius(middle)), " ", t("readout.night.interval", { low: celsius(low), high: celsius(high) }));
}

// The terrain statistic that injury was found to follow; where it follows none, a height, and that nothing was found.
function groundRead(value) {
  const { layer, around_m: around, found } = terrain.statistic;
  return make("p", { class: "line", "data-of": "ground", "data-value": value.toFixed(4) },
    t(`readout.${layer}`, { distance: metres(around, 0) }), " ", make("b", {}, measured(layer, value)), found ? "" : ` ${t("readout.not_found")}`);
}

// One sentence for a screen reader.
export function spoken(found) {
  if (!found?.block) return t("readout.outside");
  const what = found.injury === null ? t("readout.nothing")
    : `${percent(100 * found.injury)} ${t(`tissue.${state.tissue}.dead`)}, ${t("readout.interval", { low: number(100 * found.low), high: percent(100 * found.high) })}`;
  return `${isolated(found.block.block)}${found.vine ? `, ${vineWords(found)}` : ""}: ${what}`;
}

export function say(text) {
  byId("said").textContent = text;
}

export function notice(text) {
  byId("notice-text").textContent = text;
  byId("notice").hidden = !text;
}
