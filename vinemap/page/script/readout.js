// What lies under the finger, the mouse or the aim of the keyboard.

import { byId, isolated, make, own } from "../../web/script/dom.js";
import { actionName, metres, number, percent, signed, t } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";
import { blocks, threshold, zones } from "./data.js";
import { holds, toWorld } from "./geometry.js";
import { surface, terrain } from "./layers.js";
import { choose } from "./list.js";
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
    few: value("too_few") === 1,
    elevation: terrain?.at("elevation_m", lon, lat) ?? null,
    height: terrain?.at("height_above_low_m", lon, lat) ?? null,
  };
}

export function readout(found, pinned = false) {
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
    box.append(injuryRead(found));
    if (found.zone) box.append(make("p", { class: "act" }, swatch(actionColour(found.zone.action)), t("by_zone.zone", { zone: number(found.zone.zone), task: task(found.zone, block) })));
    else if (block.action) box.append(make("p", { class: "act" }, swatches(block), actionName(block.action)));
  } else box.append(make("p", { class: "where" }, t("readout.outside")));
  if (found.height !== null) box.append(line("readout.height", metres(found.height), "height", found.height));
  else if (found.elevation !== null) box.append(line("readout.elevation", metres(found.elevation), "elevation", found.elevation));
  if (block && pinned) {
    box.append(make("button", { type: "button", class: "go", onclick: () => choose(block, { open: true }) }, t("readout.open")));
  }
}

function injuryRead(found) {
  const box = make("div", { class: "figures" });
  if (found.injury === null) return make("p", {}, t("readout.nothing"));
  box.append(make("p", { class: "big", "data-of": "injury" }, percent(100 * found.injury)));
  box.append(make("p", { class: "of" }, t(`tissue.${state.tissue}.dead`), make("br"),
    make("span", { "data-of": "interval" }, t("readout.interval", { low: number(100 * found.low), high: percent(100 * found.high) }))));
  if (found.probability !== null && state.tissue === "primary") {
    box.append(make("p", { class: "line", "data-of": "probability" }, t("readout.probability", { threshold: percent(threshold) }), " ", make("b", {}, percent(100 * found.probability))));
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
export function spoken(found) {
  if (!found?.block) return t("readout.outside");
  const what = found.injury === null ? t("readout.nothing")
    : `${percent(100 * found.injury)} ${t(`tissue.${state.tissue}.dead`)}, ${t("readout.interval", { low: number(100 * found.low), high: percent(100 * found.high) })}`;
  return `${isolated(found.block.block)}: ${what}`;
}

export function say(text) {
  byId("said").textContent = text;
}

export function notice(text) {
  byId("notice-text").textContent = text;
  byId("notice").hidden = !text;
}
