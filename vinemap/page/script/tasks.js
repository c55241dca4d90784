// What to do in a zone, in one line; and whether a block is worked by zone, which its row alone decides.

import { make } from "../../web/script/dom.js";
import { actionName, number, percent, t } from "../../web/script/words.js";
import { swatch } from "./charts.js";
import { actionColour } from "./colours.js";

export const byZone = (block) => block.action === "work_by_zone";

// Nodes to leave now and after budbreak, where vines are pruned twice.
export const twice = ({ nodes_now_low: low, nodes_now_high: high, nodes_after_budbreak: after }) =>
  t("do.twice", { low: number(low), high: number(high), after: number(after) });

export function task(zone, block) {
  if (zone.action === "no_data") return t("task.no_data");
  if (zone.nodes_now_low != null) return twice(zone);
  if (zone.nodes_to_keep == null) return zone.action === "keep_more" ? t("do.extra", { extra: percent(zone.extra_pct) }) : t("task.named", { action: actionName(zone.action) });
  const keep = number(zone.nodes_to_keep);
  return zone.action === "as_usual" ? t("task.as_usual", { keep }) : t("do.nodes", { keep, usual: number(block.target_nodes ?? block.nodes_per_vine) });
}

// The colours of a block's tasks, the heaviest first: its own, or its zones'.
export function swatches(block) {
  const codes = byZone(block) ? [...new Set(block.zonesHere.map((zone) => zone.action))] : [block.action];
  return codes.map((code) => swatch(actionColour(code)));
}

// A line a zone: its number, its vines and its injury, then its task; past `most` only how many more there are.
export function zoneTasks(block, most = Infinity, tag = "span") {
  const shown = block.zonesHere.length > most + 1 ? block.zonesHere.slice(0, most) : block.zonesHere;
  const lines = shown.map((zone) => make(tag, { class: "zone-task" }, swatch(actionColour(zone.action)), make("span", {}, t(zoneKey(zone), {
    zone: number(zone.zone), vines: number(zone.vines), dead: number(zone.injury_pct), task: task(zone, block) }))));
  const more = block.zonesHere.length - shown.length;
  return more ? [...lines, make(tag, { class: "zone-task more-zones" }, t("by_zone.more", { count: number(more) }))] : lines;
}

function zoneKey(zone) {
  if (zone.injury_pct == null) return "by_zone.zone";
  return zone.vines == null ? "by_zone.dead" : "by_zone.vines";
}
